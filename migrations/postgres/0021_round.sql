-- What the round asks: heats and services by time.
create index animal_event_heat_at on animal_event (business_id, happened_at) where kind = 'heat' and reversed_at is null;
create index service_at on service (business_id, served_at) where reversed_at is null;
