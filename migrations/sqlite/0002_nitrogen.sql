-- Liquid nitrogen: what was read of its level, what was filled in, and by which chart to read it.

alter table tank add column chart text check (json_valid(chart));
-- What the tank weighs empty, with what hangs in it.
alter table tank add column tare_kg real check (tare_kg > 0);

-- A level as it was read, in the unit in which it was read: a chart or tare that is mended later mends
-- what follows from it. A wrong reading stays and is superseded by another.
create table nitrogen_reading (
    business_id   blob    not null references business (id),
    id            blob    not null check (length(id) = 16),
    tank_id       blob    not null,
    read_at       integer not null,
    measured      real    not null check (measured >= 0),
    unit          text    not null check (unit in ('mm', 'cm', 'in', 'l', 'kg')),
    source        text    not null check (source in ('person', 'sensor')),
    technician    text,
    note          text,
    supersedes_id blob,
    -- Since when another stands in its place; only what is not superseded counts.
    superseded_at integer,
    recorded_at   integer not null,
    recorded_by   blob    not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, supersedes_id) references nitrogen_reading (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
) strict, without rowid;
create index nitrogen_reading_by_tank on nitrogen_reading (business_id, tank_id, id);
create unique index nitrogen_reading_at on nitrogen_reading (business_id, tank_id, read_at)
    where superseded_at is null;
create unique index nitrogen_reading_superseded_once on nitrogen_reading (business_id, supersedes_id)
    where supersedes_id is not null;

-- A topping up: depths with the rod before and after it, or litres added.
create table nitrogen_refill (
    business_id     blob    not null references business (id),
    id              blob    not null check (length(id) = 16),
    tank_id         blob    not null,
    filled_at       integer not null,
    depth_before_mm real    check (depth_before_mm >= 0),
    depth_after_mm  real    check (depth_after_mm >= depth_before_mm),
    added_l         real    check (added_l > 0),
    technician      text,
    note            text,
    supersedes_id   blob,
    superseded_at   integer,
    recorded_at     integer not null,
    recorded_by     blob    not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, supersedes_id) references nitrogen_refill (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id),
    check (depth_after_mm is not null or added_l is not null)
) strict, without rowid;
create index nitrogen_refill_by_tank on nitrogen_refill (business_id, tank_id, id);
create unique index nitrogen_refill_at on nitrogen_refill (business_id, tank_id, filled_at)
    where superseded_at is null;
create unique index nitrogen_refill_superseded_once on nitrogen_refill (business_id, supersedes_id)
    where supersedes_id is not null;

-- When a tank was opened, the ledger knows: of each movement the ends that are in a tank.
create index movement_out_of on movement (business_id, from_place_id, occurred_at) where from_left is not null;
create index movement_into on movement (business_id, to_place_id, occurred_at) where to_held is not null;
create index stocktake_of_tank on stocktake (business_id, tank_id, counted_at);
