-- What the round asks: heats and services by time.
create index animal_event_heat_at on animal_event (business_id, happened_at) where kind = 'heat' and reversed_at is null;
create index service_at on service (business_id, served_at) where reversed_at is null;
insert into sqlite_stat1 (tbl, idx, stat) values
    ('animal_event', 'animal_event_heat_at', '300000 300000 2'),
    ('service', 'service_at', '1000000 1000000 2');
