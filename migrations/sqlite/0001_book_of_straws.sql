-- The book of straws: who keeps it, what hangs where, what was done.
-- Every key begins with the business, so that no line can point across two of them.
-- The same tables stand in ../postgres under the same number; a test compares them.
-- Ids are 16-byte blobs (UUIDv7), instants integer microseconds since 1970 UTC, so that byte
-- order and number order are the order of time. STRICT refuses values of another type.

create table business (
    id               blob    primary key check (length(id) = 16),
    name             text    not null,
    -- The ledger's last line; taken up in the transaction that writes the next one, so dense.
    movement_seq     integer not null default 0 check (movement_seq >= 0),
    -- When that line was recorded; never goes back, even when the clock does.
    last_recorded_at integer not null,
    created_at       integer not null
) strict, without rowid;

create table api_key (
    business_id blob    not null references business (id),
    id          blob    not null check (length(id) = 16),
    name        text    not null,
    role        text    not null check (role in ('reader', 'technician', 'integration', 'manager')),
    -- SHA-256 of the key in hexadecimal; the key itself is not kept.
    hash        text    not null unique,
    created_at  integer not null,
    expires_at  integer,
    revoked_at  integer,
    primary key (business_id, id)
) strict, without rowid;

create table herd (
    business_id          blob    not null references business (id),
    id                   blob    not null check (length(id) = 16),
    name                 text    not null,
    time_zone            text    not null,
    location             text    check (json_valid(location)),
    choice_rule          text    not null check (json_valid(choice_rule)),
    same_heat_hours      integer not null check (same_heat_hours > 0),
    waiting_days         integer not null check (waiting_days >= 0),
    kinship_limit        real    not null check (kinship_limit between 0 and 1),
    first_service_days   integer not null check (first_service_days >= 0),
    thaw                 text    check (json_valid(thaw)),
    created_at           integer not null,
    primary key (business_id, id)
) strict, without rowid;

create table tank (
    business_id           blob    not null references business (id),
    id                    blob    not null check (length(id) = 16),
    name                  text    not null,
    -- A herd's own tank; the technician's where null.
    herd_id               blob,
    canisters             integer not null check (canisters > 0),
    capacity_l            real    check (capacity_l > 0),
    full_depth_mm         integer check (full_depth_mm > 0),
    min_depth_mm          integer check (min_depth_mm >= 0),
    static_loss_l_per_day real    check (static_loss_l_per_day > 0),
    created_at            integer not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id)
) strict, without rowid;

create table sire (
    business_id blob    not null references business (id),
    id          blob    not null check (length(id) = 16),
    name        text    not null,
    breed       text,
    identifiers text    not null check (json_valid(identifiers)),
    sire_id     blob,
    dam_id      blob,
    created_at  integer not null,
    primary key (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id),
    foreign key (business_id, dam_id) references animal (business_id, id)
) strict, without rowid;

create table animal (
    business_id blob    not null references business (id),
    id          blob    not null check (length(id) = 16),
    herd_id     blob    not null,
    number      text    not null,
    name        text,
    identifiers text    not null check (json_valid(identifiers)),
    born_on     text,
    sire_id     blob,
    dam_id      blob,
    breed       text,
    left_on     text,
    created_at  integer not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id),
    foreign key (business_id, dam_id) references animal (business_id, id)
) strict, without rowid;
create index animal_by_herd on animal (business_id, herd_id, id);

-- Official names of sires and animals, to find them by; the order stands with the subject.
create table identifier (
    business_id blob    not null,
    subject_id  blob    not null,
    scheme      text    not null,
    code        text    not null,
    primary key (business_id, subject_id, scheme, code)
) strict, without rowid;
create index identifier_by_code on identifier (business_id, scheme, code, subject_id);

create table lot (
    business_id       blob    not null references business (id),
    id                blob    not null check (length(id) = 16),
    sire_id           blob    not null,
    semen_type        text    not null check (semen_type in ('conventional', 'sexed_female', 'sexed_male')),
    batch             text,
    collected_on      text,
    collection_centre text,
    -- Microlitres.
    straw_volume      integer check (straw_volume in (250, 500)),
    sexed_percentage  integer check (sexed_percentage between 1 and 100),
    cost              text    check (json_valid(cost)),
    thaw              text    check (json_valid(thaw)),
    status            text    not null check (status in ('usable', 'quarantined', 'recalled')),
    created_at        integer not null,
    primary key (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id)
) strict, without rowid;
create index lot_by_sire on lot (business_id, sire_id, id);

-- Where straws are: in a tank, or outside at the ends of every straw's way.
create table place (
    business_id blob    not null references business (id),
    id          blob    not null check (length(id) = 16),
    kind        text    not null check (kind in ('tank', 'supplier', 'used', 'discarded', 'counted')),
    tank_id     blob,
    canister    integer not null check (canister >= 0),
    -- Empty where the farm does not say.
    cane        text    not null,
    goblet      text    not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    check ((kind = 'tank') = (tank_id is not null))
) strict, without rowid;
create unique index place_in_tank on place (business_id, tank_id, canister, cane, goblet) where tank_id is not null;
create unique index place_outside on place (business_id, kind) where tank_id is null;

create table balance (
    business_id blob    not null,
    lot_id      blob    not null,
    place_id    blob    not null,
    straws      integer not null constraint balance_never_negative check (straws >= 0),
    primary key (business_id, lot_id, place_id),
    foreign key (business_id, lot_id) references lot (business_id, id),
    foreign key (business_id, place_id) references place (business_id, id)
) strict, without rowid;

create table withdrawal (
    business_id     blob    not null references business (id),
    id              blob    not null check (length(id) = 16),
    animal_id       blob    not null,
    herd_id         blob    not null,
    lot_id          blob    not null,
    place_id        blob    not null,
    straws          integer not null check (straws > 0),
    withdrawn_at    integer not null,
    technician      text,
    service_number  integer not null check (service_number > 0),
    rank            integer not null check (rank > 0),
    rule            text    not null check (json_valid(rule)),
    thaw            text    not null check (json_valid(thaw)),
    override_reason text,
    deviations      text    not null check (json_valid(deviations)),
    state           text    not null check (state in ('out', 'thawing', 'served', 'discarded', 'reversed')),
    bath_temp_c     real,
    thaw_started_at integer,
    ready_at        integer,
    use_by          integer,
    resolved_at     integer,
    recorded_at     integer not null,
    recorded_by     blob    not null,
    primary key (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, lot_id) references lot (business_id, id),
    foreign key (business_id, place_id) references place (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
) strict, without rowid;
create index withdrawal_by_animal on withdrawal (business_id, animal_id, id);

-- A count of what hangs in a tank or part of it, against the book as it stood at a line of the ledger.
create table stocktake (
    business_id blob    not null references business (id),
    id          blob    not null check (length(id) = 16),
    tank_id     blob    not null,
    -- Only this canister; the whole tank where null.
    canister    integer check (canister > 0),
    -- What was not counted is not there.
    complete    integer not null check (complete in (0, 1)),
    as_of_seq   integer not null check (as_of_seq >= 0),
    counted_at  integer not null,
    technician  text,
    note        text,
    lines       text    not null check (json_valid(lines)),
    state       text    not null check (state in ('open', 'accepted')),
    accepted_at integer,
    recorded_at integer not null,
    recorded_by blob    not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
) strict, without rowid;

-- The ledger: straws go from somewhere to somewhere, and what is written stays.
create table movement (
    business_id   blob    not null references business (id),
    seq           integer not null check (seq > 0),
    id            blob    not null check (length(id) = 16),
    kind          text    not null check (kind in ('receipt', 'transfer', 'withdrawal', 'discard', 'count', 'reversal')),
    lot_id        blob    not null,
    from_place_id blob    not null,
    to_place_id   blob    not null check (to_place_id <> from_place_id),
    straws        integer not null check (straws between 1 and 100000),
    -- What hung at either place after it, where that is in a tank.
    from_left     integer check (from_left >= 0),
    to_held       integer check (to_held >= 0),
    occurred_at   integer not null,
    recorded_at   integer not null,
    recorded_by   blob    not null,
    technician    text,
    withdrawal_id blob,
    stocktake_id  blob,
    reverses_id   blob,
    reason        text,
    exposure_s    integer check (exposure_s >= 0),
    note          text,
    primary key (business_id, seq),
    unique (business_id, id),
    foreign key (business_id, lot_id) references lot (business_id, id),
    foreign key (business_id, from_place_id) references place (business_id, id),
    foreign key (business_id, to_place_id) references place (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id),
    foreign key (business_id, withdrawal_id) references withdrawal (business_id, id),
    foreign key (business_id, stocktake_id) references stocktake (business_id, id),
    foreign key (business_id, reverses_id) references movement (business_id, id)
) strict, without rowid;
create index movement_by_lot on movement (business_id, lot_id, seq);
create index movement_by_withdrawal on movement (business_id, withdrawal_id) where withdrawal_id is not null;
create unique index movement_reversed_once on movement (business_id, reverses_id) where reverses_id is not null;

create trigger movement_no_update before update on movement
begin
    select raise(abort, 'movement is append-only');
end;
create trigger movement_no_delete before delete on movement
begin
    select raise(abort, 'movement is append-only');
end;
-- `insert or replace` deletes the line in its way without asking the trigger above.
create trigger movement_no_replace before insert on movement
when exists (select 1 from movement m where m.business_id = new.business_id and m.seq = new.seq)
    or exists (select 1 from movement m where m.business_id = new.business_id and m.id = new.id)
begin
    select raise(abort, 'movement is append-only');
end;

create table service (
    business_id           blob    not null references business (id),
    id                    blob    not null check (length(id) = 16),
    herd_id               blob    not null,
    animal_id             blob    not null,
    served_at             integer not null,
    service_number        integer not null check (service_number > 0),
    rank                  integer not null check (rank > 0),
    technician            text,
    withdrawal_id         blob,
    lot_id                blob,
    sire_id               blob,
    semen_type            text,
    place_id              blob,
    straws                integer not null check (straws > 0),
    semen_from_herd_stock integer not null check (semen_from_herd_stock in (0, 1)),
    deviations            text    not null check (json_valid(deviations)),
    note                  text,
    -- Entered by mistake: it stays to be seen and no longer counts.
    reversed_at           integer,
    recorded_at           integer not null,
    recorded_by           blob    not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, withdrawal_id) references withdrawal (business_id, id),
    foreign key (business_id, lot_id) references lot (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id),
    foreign key (business_id, place_id) references place (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
) strict, without rowid;
create index service_by_animal on service (business_id, animal_id, served_at);
create unique index service_by_withdrawal on service (business_id, withdrawal_id)
    where withdrawal_id is not null and reversed_at is null;

-- What else happens to an animal; what she is (heifer or cow, open or pregnant) is derived from it.
create table animal_event (
    business_id blob    not null references business (id),
    id          blob    not null check (length(id) = 16),
    herd_id     blob    not null,
    animal_id   blob    not null,
    happened_at integer not null,
    kind        text    not null check (kind in ('heat', 'pregnancy_check', 'calving', 'abortion', 'do_not_breed')),
    details     text    not null check (json_valid(details)),
    technician  text,
    note        text,
    recorded_at integer not null,
    recorded_by blob    not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
) strict, without rowid;
create index animal_event_by_animal on animal_event (business_id, animal_id, happened_at);

-- Who asked for what, and what came of it. Under an Idempotency-Key also the first answer, kept as
-- long as the ledger: a phone may come back from the barn after days and must not take the straws twice.
create table act (
    business_id     blob    not null references business (id),
    id              blob    not null check (length(id) = 16),
    key_id          blob    not null,
    request         text    not null,
    status          integer not null,
    location        text,
    idempotency_key text,
    fingerprint     text,
    etag            text,
    body            text,
    recorded_at     integer not null,
    primary key (business_id, id),
    foreign key (business_id, key_id) references api_key (business_id, id)
) strict;
create unique index act_by_key on act (business_id, idempotency_key) where idempotency_key is not null;
