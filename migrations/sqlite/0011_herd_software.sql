-- Herd software: an insemination of an animal that is not known here is kept and flagged; the location that an
-- animal left hears of it. The same tables stand in ../postgres under the same number; a test compares them.

-- SQLite changes no check of a table: what refers to it is put aside, and it is made anew.
create table ade_made_before as select business_id, subject_id, item_id from ade_made;
drop table ade_made;
create table ade_item_before as
select business_id, id, herd_id, kind, source, source_id, modified, deleted, animal_id, happened_at, resource, plan, subject_id,
       flag, flag_text, resolution, resolved_at, resolved_by, note, recorded_at, recorded_by
from ade_item;
drop table ade_item;

create table ade_item (
    business_id blob    not null references business (id),
    id          blob    not null check (length(id) = 16),
    herd_id     blob    not null,
    kind        text    not null check (kind in ('insemination', 'heat', 'pregnancy_check', 'parturition', 'abortion',
                                                 'do_not_breed', 'mating_recommendation', 'animal')),
    source      text    not null,
    source_id   text    not null,
    -- The sender's own; ours is in change.
    modified    integer,
    deleted     integer not null check (deleted in (0, 1)),
    animal_id   blob,
    happened_at integer,
    -- What the standard defines of what was sent, checked.
    resource    text    not null check (json_valid(resource)),
    -- Of a mating recommendation, the plan.
    plan        text    check (json_valid(plan)),
    -- What it is in the book at present, if anything.
    subject_id  blob,
    -- Why a person must look at it.
    flag        text    check (flag in ('straw_unknown', 'straw_ambiguous', 'possible_duplicate',
                                                 'animal_unknown')),
    flag_text   text,
    resolution  text    check (resolution in ('straw', 'withdrawal', 'no_straw', 'dismiss')),
    resolved_at integer,
    resolved_by blob,
    note        text,
    recorded_at integer not null,
    recorded_by blob    not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, resolved_by) references api_key (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
) strict, without rowid;
create unique index ade_item_by_source on ade_item (business_id, kind, source, source_id);
create index ade_item_by_subject on ade_item (business_id, subject_id) where subject_id is not null;
create index ade_item_by_animal on ade_item (business_id, animal_id, happened_at);
create index ade_item_by_herd on ade_item (business_id, herd_id, id);
create index ade_item_flagged on ade_item (business_id, id) where flag is not null and resolved_at is null;
insert into ade_item
      (business_id, id, herd_id, kind, source, source_id, modified, deleted, animal_id, happened_at, resource, plan, subject_id,
       flag, flag_text, resolution, resolved_at, resolved_by, note, recorded_at, recorded_by)
select business_id, id, herd_id, kind, source, source_id, modified, deleted, animal_id, happened_at, resource, plan, subject_id,
       flag, flag_text, resolution, resolved_at, resolved_by, note, recorded_at, recorded_by
from ade_item_before;
drop table ade_item_before;

create table ade_made (
    business_id blob not null,
    subject_id  blob not null check (length(subject_id) = 16),
    item_id     blob not null,
    primary key (business_id, subject_id),
    foreign key (business_id, item_id) references ade_item (business_id, id)
) strict, without rowid;
insert into ade_made (business_id, subject_id, item_id) select business_id, subject_id, item_id from ade_made_before;
drop table ade_made_before;

-- Where an animal was before: that location hears that she is there no more.
create table former_herd (
    business_id blob not null,
    animal_id   blob not null,
    herd_id     blob not null,
    primary key (business_id, herd_id, animal_id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id)
) strict, without rowid;

-- As far as what is on record tells.
insert into former_herd (business_id, animal_id, herd_id)
select w.business_id, w.animal_id, w.herd_id
from (select business_id, animal_id, herd_id from service
      union select business_id, animal_id, herd_id from animal_event
      union select business_id, animal_id, herd_id from ade_item where animal_id is not null) as w
join animal a on a.business_id = w.business_id and a.id = w.animal_id
where a.herd_id <> w.herd_id;
