-- Timed protocols: a veterinarian's list of steps, and the animals for whom one began.
-- The same tables stand in ../postgres under the same number; a test compares them.

create table timed_protocol (
    business_id   blob    not null references business (id),
    id            blob    not null check (length(id) = 16),
    herd_id       blob    not null,
    name          text    not null,
    -- The veterinarian who answers for it.
    prescribed_by text    not null,
    steps         text    not null check (json_valid(steps)),
    -- When it was taken away; what began by it goes on.
    removed_at    integer,
    created_at    integer not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id)
) strict, without rowid;
create index timed_protocol_by_herd on timed_protocol (business_id, herd_id, id);

-- What the protocol said then is kept; whether it still runs follows from what is on record of the animal.
create table protocol_start (
    business_id   blob    not null,
    id            blob    not null check (length(id) = 16),
    protocol_id   blob    not null,
    herd_id       blob    not null,
    animal_id     blob    not null,
    name          text    not null,
    prescribed_by text    not null,
    starts_on     text    not null,
    inseminate_at integer not null,
    calendar      text    not null check (json_valid(calendar)),
    stopped_at    integer,
    stop_reason   text,
    recorded_at   integer not null,
    recorded_by   blob    not null,
    primary key (business_id, id),
    foreign key (business_id, protocol_id) references timed_protocol (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id),
    check ((stopped_at is null) = (stop_reason is null))
) strict, without rowid;
create index protocol_start_of_protocol on protocol_start (business_id, protocol_id, id);
create index protocol_start_of_animal on protocol_start (business_id, animal_id, id);
create index protocol_start_by_herd on protocol_start (business_id, herd_id, id);
-- Those that may still run are few, whatever the size of the book.
create index protocol_start_ahead on protocol_start (business_id, inseminate_at) where stopped_at is null;

insert into sqlite_stat1 (tbl, idx, stat) values
    ('timed_protocol', 'timed_protocol', '1000 1000 1'),
    ('timed_protocol', 'timed_protocol_by_herd', '1000 1000 10 1'),
    ('protocol_start', 'protocol_start', '100000 100000 1'),
    ('protocol_start', 'protocol_start_of_protocol', '100000 100000 1000 1'),
    ('protocol_start', 'protocol_start_of_animal', '100000 100000 10 1'),
    ('protocol_start', 'protocol_start_by_herd', '100000 100000 1000 1'),
    ('protocol_start', 'protocol_start_ahead', '100000 100000 10');
analyze sqlite_schema;
