-- Finding things: lists by date, state, sire and technician, and animals and sires by the beginning of what they are called.
-- The same tables stand in ../sqlite under the same number; a test compares them.

create index service_by_time on service (business_id, served_at, id);
create index service_by_sire on service (business_id, sire_id, id) where sire_id is not null;
create index service_by_technician on service (business_id, technician, id) where technician is not null;
create index withdrawal_by_time on withdrawal (business_id, withdrawn_at, id);
create index withdrawal_by_herd on withdrawal (business_id, herd_id, id);
create index withdrawal_by_lot on withdrawal (business_id, lot_id, id);
create index withdrawal_by_technician on withdrawal (business_id, technician, id) where technician is not null;
create index withdrawal_not_used on withdrawal (business_id, state, id) where state in ('discarded', 'reversed');

-- What an animal or a sire is called, word by word in small letters: number, name, official names. Compared by code
-- points, whatever the language of the database.
create table search_word (
    business_id uuid                  not null references business (id),
    subject     text                  not null check (subject in ('animal', 'sire')),
    word        text collate "C"      not null,
    subject_id  uuid                  not null,
    primary key (business_id, subject, word, subject_id)
);
create index search_word_of on search_word (business_id, subject_id);

-- What is there already.
insert into search_word (business_id, subject, word, subject_id)
select distinct c.business_id, c.subject, w.word, c.id
from (select business_id, 'animal' as subject, id, lower(number || ' ' || coalesce(name, '')) as text from animal
      union all
      select business_id, 'sire', id, lower(name) from sire
      union all
      select i.business_id, case when s.id is null then 'animal' else 'sire' end, i.subject_id, lower(i.code)
      from identifier i left join sire s on s.business_id = i.business_id and s.id = i.subject_id) c
     cross join lateral unnest(string_to_array(c.text, ' ')) as w(word)
where w.word <> '';

-- Calendars of what to watch, read by a token in their address; only its hash is kept.
create table calendar (
    business_id uuid        not null references business (id),
    id          uuid        not null,
    name        text        not null,
    -- Only of this herd; of all where null.
    herd_id     uuid,
    hash        text        not null,
    created_at  timestamptz not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id)
);
create unique index calendar_by_hash on calendar (hash);
