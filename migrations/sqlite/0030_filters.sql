-- What lists are filtered by: when something happened to an animal, and which animals left.

create index animal_event_by_time on animal_event (business_id, kind, happened_at, id);
create index animal_left on animal (business_id, id) where left_on is not null;

insert into sqlite_stat1 (tbl, idx, stat) values
    ('animal_event', 'animal_event_by_time', '1000000 1000000 200000 1 1'),
    ('animal', 'animal_left', '30000 30000 1');
analyze sqlite_schema;
