-- What needs attention, and of what a farm wants to be told.
-- The same tables stand in ../postgres under the same number; a test compares them.

create table alert_rule (
    business_id       blob    not null references business (id),
    id                blob    not null check (length(id) = 16),
    kind              text    not null check (kind in (
                          'stock.low', 'stock.out', 'nitrogen.low', 'nitrogen.refill_due', 'nitrogen.loss_high',
                          'nitrogen.reading_overdue', 'withdrawal.unresolved', 'stocktake.difference',
                          'rule.overridden')),
    tank_id           blob,
    herd_id           blob,
    sire_id           blob,
    semen_type        text,
    lot_id            blob,
    enabled           integer not null check (enabled in (0, 1)),
    below_straws      integer check (below_straws > 0),
    below_days        integer check (below_days > 0),
    above_probability real    check (above_probability between 0 and 1),
    lead_days         integer check (lead_days > 0),
    delivery_at       integer,
    clear_at          real    check (clear_at >= 0),
    below_depth_mm    integer check (below_depth_mm >= 0),
    within_days       integer check (within_days > 0),
    every_days        integer check (every_days > 0),
    grace_minutes     integer check (grace_minutes >= 0),
    straws_apart      integer check (straws_apart > 0),
    -- When all that it watches was last gone through; never yet where null.
    looked_at         integer,
    created_at        integer not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id),
    foreign key (business_id, lot_id) references lot (business_id, id),
    check ((sire_id is null) = (semen_type is null))
) strict, without rowid;
create index alert_rule_by_kind on alert_rule (business_id, kind);

create table alert (
    business_id     blob    not null references business (id),
    id              blob    not null check (length(id) = 16),
    kind            text    not null check (kind in (
                        'stock.low', 'stock.out', 'nitrogen.low', 'nitrogen.refill_due', 'nitrogen.loss_high',
                        'nitrogen.reading_overdue', 'withdrawal.unresolved', 'stocktake.difference',
                        'rule.overridden')),
    -- The address of what it is about.
    subject         text    not null,
    -- The rule by which it was opened, which may be gone by now.
    rule_id         blob,
    herd_id         blob,
    tank_id         blob,
    sire_id         blob,
    semen_type      text,
    lot_id          blob,
    withdrawal_id   blob,
    stocktake_id    blob,
    text            text    not null,
    figures         text    not null check (json_valid(figures)),
    opened_at       integer not null,
    told_at         integer not null,
    -- When it is told again; null once nobody is to be reminded any more.
    tell_again_at   integer,
    acknowledged_at integer,
    acknowledged_by blob,
    note            text,
    cleared_at      integer,
    cleared_because text,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id),
    foreign key (business_id, lot_id) references lot (business_id, id),
    foreign key (business_id, withdrawal_id) references withdrawal (business_id, id),
    foreign key (business_id, stocktake_id) references stocktake (business_id, id),
    foreign key (business_id, acknowledged_by) references api_key (business_id, id),
    check ((acknowledged_at is null) = (acknowledged_by is null)),
    check ((cleared_at is null) = (cleared_because is null))
) strict, without rowid;
-- One is open for each kind and subject.
create unique index alert_open_once on alert (business_id, kind, subject) where cleared_at is null;
create index alert_to_tell_again on alert (business_id, tell_again_at) where tell_again_at is not null;
create index alert_of_withdrawal on alert (business_id, withdrawal_id) where withdrawal_id is not null;
create index alert_by_rule on alert (business_id, rule_id) where cleared_at is null;

-- Straws that are on their way: few, whatever the size of the book.
create index withdrawal_unresolved on withdrawal (business_id, withdrawn_at) where state in ('out', 'thawing');

-- The use of a lot by time.
create index movement_by_use on movement (business_id, lot_id, occurred_at) where kind = 'withdrawal';
