-- Liquid nitrogen: what was read of its level, what was filled in, and by which chart to read it.

alter table tank add column chart jsonb;
-- What the tank weighs empty, with what hangs in it.
alter table tank add column tare_kg double precision check (tare_kg > 0);

-- A level as it was read, in the unit in which it was read: a chart or tare that is mended later mends
-- what follows from it. A wrong reading stays and is superseded by another.
create table nitrogen_reading (
    business_id   uuid        not null references business (id),
    id            uuid        not null,
    tank_id       uuid        not null,
    read_at       timestamptz not null,
    measured      double precision not null check (measured >= 0),
    unit          text        not null check (unit in ('mm', 'cm', 'in', 'l', 'kg')),
    source        text        not null check (source in ('person', 'sensor')),
    technician    text,
    note          text,
    supersedes_id uuid,
    -- Since when another stands in its place; only what is not superseded counts.
    superseded_at timestamptz,
    recorded_at   timestamptz not null,
    recorded_by   uuid        not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, supersedes_id) references nitrogen_reading (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
);
create index nitrogen_reading_by_tank on nitrogen_reading (business_id, tank_id, id);
create unique index nitrogen_reading_at on nitrogen_reading (business_id, tank_id, read_at)
    where superseded_at is null;
create unique index nitrogen_reading_superseded_once on nitrogen_reading (business_id, supersedes_id)
    where supersedes_id is not null;

-- A topping up: depths with the rod before and after it, or litres added.
create table nitrogen_refill (
    business_id     uuid        not null references business (id),
    id              uuid        not null,
    tank_id         uuid        not null,
    filled_at       timestamptz not null,
    depth_before_mm double precision check (depth_before_mm >= 0),
    depth_after_mm  double precision check (depth_after_mm >= depth_before_mm),
    added_l         double precision check (added_l > 0),
    technician      text,
    note            text,
    supersedes_id   uuid,
    superseded_at   timestamptz,
    recorded_at     timestamptz not null,
    recorded_by     uuid        not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, supersedes_id) references nitrogen_refill (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id),
    check (depth_after_mm is not null or added_l is not null)
);
create index nitrogen_refill_by_tank on nitrogen_refill (business_id, tank_id, id);
create unique index nitrogen_refill_at on nitrogen_refill (business_id, tank_id, filled_at)
    where superseded_at is null;
create unique index nitrogen_refill_superseded_once on nitrogen_refill (business_id, supersedes_id)
    where supersedes_id is not null;

-- When a tank was opened, the ledger knows: of each movement the ends that are in a tank.
create index movement_out_of on movement (business_id, from_place_id, occurred_at) where from_left is not null;
create index movement_into on movement (business_id, to_place_id, occurred_at) where to_held is not null;
create index stocktake_of_tank on stocktake (business_id, tank_id, counted_at);
