-- Finding things: lists by date, state, sire and technician, and animals and sires by the beginning of what they are called.
-- The same tables stand in ../postgres under the same number; a test compares them.

create index service_by_time on service (business_id, served_at, id);
create index service_by_sire on service (business_id, sire_id, id) where sire_id is not null;
create index service_by_technician on service (business_id, technician, id) where technician is not null;
create index withdrawal_by_time on withdrawal (business_id, withdrawn_at, id);
create index withdrawal_by_herd on withdrawal (business_id, herd_id, id);
create index withdrawal_by_lot on withdrawal (business_id, lot_id, id);
create index withdrawal_by_technician on withdrawal (business_id, technician, id) where technician is not null;
create index withdrawal_not_used on withdrawal (business_id, state, id) where state in ('discarded', 'reversed');

-- What an animal or a sire is called, word by word in small letters: number, name, official names.
create table search_word (
    business_id blob not null references business (id),
    subject     text not null check (subject in ('animal', 'sire')),
    word        text not null,
    subject_id  blob not null,
    primary key (business_id, subject, word, subject_id)
) strict, without rowid;
create index search_word_of on search_word (business_id, subject_id);

-- What is there already; small letters beyond ASCII come with the next change of it.
with recursive called (business_id, subject, id, rest) as (
    select business_id, 'animal', id, lower(number || ' ' || coalesce(name, '')) || ' ' from animal
    union all
    select business_id, 'sire', id, lower(name) || ' ' from sire
    union all
    select i.business_id, case when s.id is null then 'animal' else 'sire' end, i.subject_id, lower(i.code) || ' '
    from identifier i left join sire s on s.business_id = i.business_id and s.id = i.subject_id),
words (business_id, subject, id, word, rest) as (
    select business_id, subject, id, null, rest from called
    union all
    select business_id, subject, id, substr(rest, 1, instr(rest, ' ') - 1), substr(rest, instr(rest, ' ') + 1)
    from words where rest <> '')
insert into search_word (business_id, subject, word, subject_id)
select distinct business_id, subject, word, id from words where word <> '';

insert into sqlite_stat1 (tbl, idx, stat) values
    ('service', 'service_by_time', '1000000 1000000 1 1'),
    ('service', 'service_by_sire', '1000000 1000000 1000 1'),
    ('service', 'service_by_technician', '1000000 1000000 100000 1'),
    ('withdrawal', 'withdrawal_by_time', '1000000 1000000 1 1'),
    ('withdrawal', 'withdrawal_by_herd', '1000000 1000000 10000 1'),
    ('withdrawal', 'withdrawal_by_lot', '1000000 1000000 100 1'),
    ('withdrawal', 'withdrawal_by_technician', '1000000 1000000 100000 1'),
    ('withdrawal', 'withdrawal_not_used', '10000 10000 5000 1'),
    ('search_word', 'search_word', '400000 400000 200000 4 1'),
    ('search_word', 'search_word_of', '400000 400000 4');
analyze sqlite_schema;

-- Calendars of what to watch, read by a token in their address; only its hash is kept.
create table calendar (
    business_id blob    not null references business (id),
    id          blob    not null check (length(id) = 16),
    name        text    not null,
    -- Only of this herd; of all where null.
    herd_id     blob,
    hash        text    not null,
    created_at  integer not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id)
) strict, without rowid;
create unique index calendar_by_hash on calendar (hash);
