-- A tank was repaired or replaced: what it lost before says little of what it loses now, and an alarm ends.
-- The same tables stand in ../sqlite under the same number; a test compares them.

create table tank_repair (
    business_id uuid        not null references business (id),
    id          uuid        not null,
    tank_id     uuid        not null,
    repaired_at timestamptz not null,
    kind        text        not null check (kind in ('repaired', 'replaced')),
    technician  text,
    note        text,
    recorded_at timestamptz not null,
    recorded_by uuid        not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
);
create index tank_repair_by_tank on tank_repair (business_id, tank_id, id);
create index tank_repair_at on tank_repair (business_id, tank_id, repaired_at);
