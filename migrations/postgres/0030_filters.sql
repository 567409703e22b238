-- What lists are filtered by: when something happened to an animal, and which animals left.

create index animal_event_by_time on animal_event (business_id, kind, happened_at, id);
create index animal_left on animal (business_id, id) where left_on is not null;
