-- What changed, in the order of commits, and what herd systems sent by the open Animal Data Exchange.

-- When the transaction that last wrote in this business began: each gets a later time than the one
-- before, also when the clock steps back, so whoever asks for what changed since a time misses nothing.
alter table business add column changed_at integer not null default 0;

-- An event entered by mistake stays to be seen and no longer counts.
alter table animal_event add column reversed_at integer;

-- Each thing in the book once, with the number of its last change. The number is taken under the
-- business's lock in the transaction that makes the change, so lower ones are always to be seen first.
create table change (
    business_id blob    not null references business (id),
    kind        text    not null,
    subject_id  blob    not null check (length(subject_id) = 16),
    seq         integer not null check (seq > 0),
    herd_id     blob,
    animal_id   blob,
    -- Entered by mistake: it is still to be seen and no longer counts.
    reversed    integer not null check (reversed in (0, 1)),
    created_at  integer not null,
    changed_at  integer not null,
    primary key (business_id, kind, subject_id)
) strict, without rowid;
create unique index change_by_seq on change (business_id, seq);
create index change_by_herd on change (business_id, herd_id, seq);

-- What came in: once for each name (source and its own id) that the sender gave it.
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
    flag        text    check (flag in ('straw_unknown', 'straw_ambiguous', 'possible_duplicate')),
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

-- What an item made in the book, what was reversed since included: it is told as the item, not by itself.
create table ade_made (
    business_id blob not null,
    subject_id  blob not null check (length(subject_id) = 16),
    item_id     blob not null,
    primary key (business_id, subject_id),
    foreign key (business_id, item_id) references ade_item (business_id, id)
) strict, without rowid;

-- What was in the book before counts as changed in the order of its entry.
insert into change (business_id, kind, subject_id, seq, herd_id, animal_id, reversed, created_at, changed_at)
select business_id, kind, subject_id,
       row_number() over (partition by business_id order by at, rank, subject_id),
       herd_id, animal_id, reversed, at, at
from (select business_id, 'herd' as kind, id as subject_id, id as herd_id, null as animal_id, 0 as reversed,
             created_at as at, 1 as rank from herd
      union all select business_id, 'tank', id, herd_id, null, 0, created_at, 2 from tank
      union all select business_id, 'sire', id, null, null, 0, created_at, 3 from sire
      union all select business_id, 'lot', id, null, null, 0, created_at, 4 from lot
      union all select business_id, 'animal', id, herd_id, id, 0, created_at, 5 from animal
      union all select business_id, 'movement', id, null, null, 0, recorded_at, 6 from movement
      union all select business_id, 'withdrawal', id, herd_id, animal_id, state = 'reversed', recorded_at, 7 from withdrawal
      union all select business_id, 'service', id, herd_id, animal_id, reversed_at is not null,
                       coalesce(reversed_at, recorded_at), 8 from service
      union all select business_id, kind, id, herd_id, animal_id, 0,
                       recorded_at, 9 from animal_event
      union all select business_id, 'stocktake', id, null, null, 0, coalesce(accepted_at, recorded_at), 10 from stocktake)
     as everything;

update business set changed_at = coalesce((select max(changed_at) from change where business_id = business.id), created_at);
