-- What needs attention, and of what a farm wants to be told.
-- The same tables stand in ../sqlite under the same number; a test compares them.

create table alert_rule (
    business_id       uuid             not null references business (id),
    id                uuid             not null,
    kind              text             not null check (kind in (
                          'stock.low', 'stock.out', 'nitrogen.low', 'nitrogen.refill_due', 'nitrogen.loss_high',
                          'nitrogen.reading_overdue', 'withdrawal.unresolved', 'stocktake.difference',
                          'rule.overridden')),
    tank_id           uuid,
    herd_id           uuid,
    sire_id           uuid,
    semen_type        text,
    lot_id            uuid,
    enabled           boolean          not null,
    below_straws      bigint           check (below_straws > 0),
    below_days        bigint           check (below_days > 0),
    above_probability double precision check (above_probability between 0 and 1),
    lead_days         bigint           check (lead_days > 0),
    delivery_at       timestamptz,
    clear_at          double precision check (clear_at >= 0),
    below_depth_mm    bigint           check (below_depth_mm >= 0),
    within_days       bigint           check (within_days > 0),
    every_days        bigint           check (every_days > 0),
    grace_minutes     bigint           check (grace_minutes >= 0),
    straws_apart      bigint           check (straws_apart > 0),
    -- When all that it watches was last gone through; never yet where null.
    looked_at         timestamptz,
    created_at        timestamptz      not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id),
    foreign key (business_id, lot_id) references lot (business_id, id),
    check ((sire_id is null) = (semen_type is null))
);
create index alert_rule_by_kind on alert_rule (business_id, kind);

create table alert (
    business_id     uuid        not null references business (id),
    id              uuid        not null,
    kind            text        not null check (kind in (
                        'stock.low', 'stock.out', 'nitrogen.low', 'nitrogen.refill_due', 'nitrogen.loss_high',
                        'nitrogen.reading_overdue', 'withdrawal.unresolved', 'stocktake.difference',
                        'rule.overridden')),
    -- The address of what it is about.
    subject         text        not null,
    -- The rule by which it was opened, which may be gone by now.
    rule_id         uuid,
    herd_id         uuid,
    tank_id         uuid,
    sire_id         uuid,
    semen_type      text,
    lot_id          uuid,
    withdrawal_id   uuid,
    stocktake_id    uuid,
    text            text        not null,
    figures         jsonb       not null,
    opened_at       timestamptz not null,
    told_at         timestamptz not null,
    -- When it is told again; null once nobody is to be reminded any more.
    tell_again_at   timestamptz,
    acknowledged_at timestamptz,
    acknowledged_by uuid,
    note            text,
    cleared_at      timestamptz,
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
);
-- One is open for each kind and subject.
create unique index alert_open_once on alert (business_id, kind, subject) where cleared_at is null;
create index alert_to_tell_again on alert (business_id, tell_again_at) where tell_again_at is not null;
create index alert_of_withdrawal on alert (business_id, withdrawal_id) where withdrawal_id is not null;
create index alert_by_rule on alert (business_id, rule_id) where cleared_at is null;

-- Straws that are on their way: few, whatever the size of the book.
create index withdrawal_unresolved on withdrawal (business_id, withdrawn_at) where state in ('out', 'thawing');

-- The use of a lot by time.
create index movement_by_use on movement (business_id, lot_id, occurred_at) where kind = 'withdrawal';
