-- A tank was repaired or replaced: what it lost before says little of what it loses now, and an alarm ends.
-- The same tables stand in ../postgres under the same number; a test compares them.

create table tank_repair (
    business_id blob    not null references business (id),
    id          blob    not null check (length(id) = 16),
    tank_id     blob    not null,
    repaired_at integer not null,
    kind        text    not null check (kind in ('repaired', 'replaced')),
    technician  text,
    note        text,
    recorded_at integer not null,
    recorded_by blob    not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
) strict, without rowid;
create index tank_repair_by_tank on tank_repair (business_id, tank_id, id);
create index tank_repair_at on tank_repair (business_id, tank_id, repaired_at);
