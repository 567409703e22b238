-- The book of straws: who keeps it, what hangs where, what was done.
-- Every key begins with the business, so that no line can point across two of them.
-- The same tables stand in ../sqlite under the same number; a test compares them.

create table business (
    id               uuid        primary key,
    name             text        not null,
    -- The ledger's last line; taken up in the transaction that writes the next one, so dense.
    movement_seq     bigint      not null default 0 check (movement_seq >= 0),
    -- When that line was recorded; never goes back, even when the clock does.
    last_recorded_at timestamptz not null,
    created_at       timestamptz not null
);

create table api_key (
    business_id uuid        not null references business (id),
    id          uuid        not null,
    name        text        not null,
    role        text        not null check (role in ('reader', 'technician', 'integration', 'manager')),
    -- SHA-256 of the key in hexadecimal; the key itself is not kept.
    hash        text        not null unique,
    created_at  timestamptz not null,
    expires_at  timestamptz,
    revoked_at  timestamptz,
    primary key (business_id, id)
);

create table herd (
    business_id          uuid             not null references business (id),
    id                   uuid             not null,
    name                 text             not null,
    time_zone            text             not null,
    location             jsonb,
    choice_rule          jsonb            not null,
    same_heat_hours      bigint           not null check (same_heat_hours > 0),
    waiting_days         bigint           not null check (waiting_days >= 0),
    kinship_limit        double precision not null check (kinship_limit between 0 and 1),
    first_service_days   bigint           not null check (first_service_days >= 0),
    thaw                 jsonb,
    created_at           timestamptz      not null,
    primary key (business_id, id)
);

create table tank (
    business_id           uuid             not null references business (id),
    id                    uuid             not null,
    name                  text             not null,
    -- A herd's own tank; the technician's where null.
    herd_id               uuid,
    canisters             bigint           not null check (canisters > 0),
    capacity_l            double precision check (capacity_l > 0),
    full_depth_mm         bigint           check (full_depth_mm > 0),
    min_depth_mm          bigint           check (min_depth_mm >= 0),
    static_loss_l_per_day double precision check (static_loss_l_per_day > 0),
    created_at            timestamptz      not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id)
);

create table sire (
    business_id uuid        not null references business (id),
    id          uuid        not null,
    name        text        not null,
    breed       text,
    identifiers jsonb       not null,
    sire_id     uuid,
    dam_id      uuid,
    created_at  timestamptz not null,
    primary key (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id)
);

create table animal (
    business_id uuid        not null references business (id),
    id          uuid        not null,
    herd_id     uuid        not null,
    number      text        not null,
    name        text,
    identifiers jsonb       not null,
    born_on     date,
    sire_id     uuid,
    dam_id      uuid,
    breed       text,
    left_on     date,
    created_at  timestamptz not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id),
    foreign key (business_id, dam_id) references animal (business_id, id)
);
create index animal_by_herd on animal (business_id, herd_id, id);

alter table sire add foreign key (business_id, dam_id) references animal (business_id, id);

-- Official names of sires and animals, to find them by; the order stands with the subject.
create table identifier (
    business_id uuid not null,
    subject_id  uuid not null,
    scheme      text not null,
    code        text not null,
    primary key (business_id, subject_id, scheme, code)
);
create index identifier_by_code on identifier (business_id, scheme, code, subject_id);

create table lot (
    business_id       uuid        not null references business (id),
    id                uuid        not null,
    sire_id           uuid        not null,
    semen_type        text        not null check (semen_type in ('conventional', 'sexed_female', 'sexed_male')),
    batch             text,
    collected_on      date,
    collection_centre text,
    -- Microlitres.
    straw_volume      bigint      check (straw_volume in (250, 500)),
    sexed_percentage  bigint      check (sexed_percentage between 1 and 100),
    cost              jsonb,
    thaw              jsonb,
    status            text        not null check (status in ('usable', 'quarantined', 'recalled')),
    created_at        timestamptz not null,
    primary key (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id)
);
create index lot_by_sire on lot (business_id, sire_id, id);

-- Where straws are: in a tank, or outside at the ends of every straw's way.
create table place (
    business_id uuid   not null references business (id),
    id          uuid   not null,
    kind        text   not null check (kind in ('tank', 'supplier', 'used', 'discarded', 'counted')),
    tank_id     uuid,
    canister    bigint not null check (canister >= 0),
    -- Empty where the farm does not say.
    cane        text   not null,
    goblet      text   not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    check ((kind = 'tank') = (tank_id is not null))
);
create unique index place_in_tank on place (business_id, tank_id, canister, cane, goblet) where tank_id is not null;
create unique index place_outside on place (business_id, kind) where tank_id is null;

create table balance (
    business_id uuid   not null,
    lot_id      uuid   not null,
    place_id    uuid   not null,
    straws      bigint not null constraint balance_never_negative check (straws >= 0),
    primary key (business_id, lot_id, place_id),
    foreign key (business_id, lot_id) references lot (business_id, id),
    foreign key (business_id, place_id) references place (business_id, id)
);

create table withdrawal (
    business_id     uuid        not null references business (id),
    id              uuid        not null,
    animal_id       uuid        not null,
    herd_id         uuid        not null,
    lot_id          uuid        not null,
    place_id        uuid        not null,
    straws          bigint      not null check (straws > 0),
    withdrawn_at    timestamptz not null,
    technician      text,
    service_number  bigint      not null check (service_number > 0),
    rank            bigint      not null check (rank > 0),
    rule            jsonb       not null,
    thaw            jsonb       not null,
    override_reason text,
    deviations      jsonb       not null,
    state           text        not null check (state in ('out', 'thawing', 'served', 'discarded', 'reversed')),
    bath_temp_c     double precision,
    thaw_started_at timestamptz,
    ready_at        timestamptz,
    use_by          timestamptz,
    resolved_at     timestamptz,
    recorded_at     timestamptz not null,
    recorded_by     uuid        not null,
    primary key (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, lot_id) references lot (business_id, id),
    foreign key (business_id, place_id) references place (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
);
create index withdrawal_by_animal on withdrawal (business_id, animal_id, id);

-- A count of what hangs in a tank or part of it, against the book as it stood at a line of the ledger.
create table stocktake (
    business_id uuid        not null references business (id),
    id          uuid        not null,
    tank_id     uuid        not null,
    -- Only this canister; the whole tank where null.
    canister    bigint      check (canister > 0),
    -- What was not counted is not there.
    complete    boolean     not null,
    as_of_seq   bigint      not null check (as_of_seq >= 0),
    counted_at  timestamptz not null,
    technician  text,
    note        text,
    lines       jsonb       not null,
    state       text        not null check (state in ('open', 'accepted')),
    accepted_at timestamptz,
    recorded_at timestamptz not null,
    recorded_by uuid        not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
);

-- The ledger: straws go from somewhere to somewhere, and what is written stays.
create table movement (
    business_id   uuid        not null references business (id),
    seq           bigint      not null check (seq > 0),
    id            uuid        not null,
    kind          text        not null check (kind in ('receipt', 'transfer', 'withdrawal', 'discard', 'count', 'reversal')),
    lot_id        uuid        not null,
    from_place_id uuid        not null,
    to_place_id   uuid        not null check (to_place_id <> from_place_id),
    straws        bigint      not null check (straws between 1 and 100000),
    -- What hung at either place after it, where that is in a tank.
    from_left     bigint      check (from_left >= 0),
    to_held       bigint      check (to_held >= 0),
    occurred_at   timestamptz not null,
    recorded_at   timestamptz not null,
    recorded_by   uuid        not null,
    technician    text,
    withdrawal_id uuid,
    stocktake_id  uuid,
    reverses_id   uuid,
    reason        text,
    exposure_s    bigint      check (exposure_s >= 0),
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
);
create index movement_by_lot on movement (business_id, lot_id, seq);
create index movement_by_withdrawal on movement (business_id, withdrawal_id) where withdrawal_id is not null;
create unique index movement_reversed_once on movement (business_id, reverses_id) where reverses_id is not null;

create function movement_is_append_only() returns trigger language plpgsql as $$
begin
    raise exception 'movement is append-only';
end $$;
create trigger movement_no_change before update or delete on movement
for each row execute function movement_is_append_only();
create trigger movement_no_truncate before truncate on movement
for each statement execute function movement_is_append_only();

create table service (
    business_id           uuid        not null references business (id),
    id                    uuid        not null,
    herd_id               uuid        not null,
    animal_id             uuid        not null,
    served_at             timestamptz not null,
    service_number        bigint      not null check (service_number > 0),
    rank                  bigint      not null check (rank > 0),
    technician            text,
    withdrawal_id         uuid,
    lot_id                uuid,
    sire_id               uuid,
    semen_type            text,
    place_id              uuid,
    straws                bigint      not null check (straws > 0),
    semen_from_herd_stock boolean     not null,
    deviations            jsonb       not null,
    note                  text,
    -- Entered by mistake: it stays to be seen and no longer counts.
    reversed_at           timestamptz,
    recorded_at           timestamptz not null,
    recorded_by           uuid        not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, withdrawal_id) references withdrawal (business_id, id),
    foreign key (business_id, lot_id) references lot (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id),
    foreign key (business_id, place_id) references place (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
);
create index service_by_animal on service (business_id, animal_id, served_at);
create unique index service_by_withdrawal on service (business_id, withdrawal_id)
    where withdrawal_id is not null and reversed_at is null;

-- What else happens to an animal; what she is (heifer or cow, open or pregnant) is derived from it.
create table animal_event (
    business_id uuid        not null references business (id),
    id          uuid        not null,
    herd_id     uuid        not null,
    animal_id   uuid        not null,
    happened_at timestamptz not null,
    kind        text        not null check (kind in ('heat', 'pregnancy_check', 'calving', 'abortion', 'do_not_breed')),
    details     jsonb       not null,
    technician  text,
    note        text,
    recorded_at timestamptz not null,
    recorded_by uuid        not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
);
create index animal_event_by_animal on animal_event (business_id, animal_id, happened_at);

-- Who asked for what, and what came of it. Under an Idempotency-Key also the first answer, kept as
-- long as the ledger: a phone may come back from the barn after days and must not take the straws twice.
create table act (
    business_id     uuid        not null references business (id),
    id              uuid        not null,
    key_id          uuid        not null,
    request         text        not null,
    status          bigint      not null,
    location        text,
    idempotency_key text,
    fingerprint     text,
    etag            text,
    body            text,
    recorded_at     timestamptz not null,
    primary key (business_id, id),
    foreign key (business_id, key_id) references api_key (business_id, id)
);
create unique index act_by_key on act (business_id, idempotency_key) where idempotency_key is not null;
