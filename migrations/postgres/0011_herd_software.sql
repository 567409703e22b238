-- Herd software: an insemination of an animal that is not known here is kept and flagged; the location that an
-- animal left hears of it. The same tables stand in ../sqlite under the same number; a test compares them.

alter table ade_item drop constraint ade_item_flag_check;
alter table ade_item add constraint ade_item_flag_check
    check (flag in ('straw_unknown', 'straw_ambiguous', 'possible_duplicate', 'animal_unknown'));

-- Where an animal was before: that location hears that she is there no more.
create table former_herd (
    business_id uuid not null,
    animal_id   uuid not null,
    herd_id     uuid not null,
    primary key (business_id, herd_id, animal_id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id)
);

-- As far as what is on record tells.
insert into former_herd (business_id, animal_id, herd_id)
select w.business_id, w.animal_id, w.herd_id
from (select business_id, animal_id, herd_id from service
      union select business_id, animal_id, herd_id from animal_event
      union select business_id, animal_id, herd_id from ade_item where animal_id is not null) as w
join animal a on a.business_id = w.business_id and a.id = w.animal_id
where a.herd_id <> w.herd_id;
