-- Call-outs: a farm asks for the technician.
-- The same tables stand in ../postgres under the same number; a test compares them.

create table call_out (
    business_id  blob    not null references business (id),
    id           blob    not null check (length(id) = 16),
    herd_id      blob    not null,
    -- What the farm says, such as "heat seen".
    text         text,
    wanted_by    integer,
    -- Who asks, and where he can be reached.
    caller       text,
    telephone    text,
    asked_at     integer not null,
    state        text    not null check (state in ('open', 'done')),
    closed_at    integer,
    -- Why it was closed by hand; null when all animals were served.
    close_reason text,
    recorded_at  integer not null,
    recorded_by  blob    not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id),
    check ((state = 'open') = (closed_at is null))
) strict, without rowid;
create index call_out_by_herd on call_out (business_id, herd_id, id);
create index call_out_open on call_out (business_id, id) where state = 'open';

-- The animals that are named, each with the service that came of it.
create table call_out_animal (
    business_id blob not null,
    call_out_id blob not null,
    animal_id   blob not null,
    service_id  blob,
    primary key (business_id, call_out_id, animal_id),
    foreign key (business_id, call_out_id) references call_out (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, service_id) references service (business_id, id)
) strict, without rowid;
create index call_out_of_animal on call_out_animal (business_id, animal_id, call_out_id);

insert into sqlite_stat1 (tbl, idx, stat) values
    ('call_out', 'call_out', '100000 100000 1'),
    ('call_out', 'call_out_by_herd', '100000 100000 1000 1'),
    ('call_out', 'call_out_open', '20 20 1'),
    ('call_out_animal', 'call_out_animal', '100000 100000 1 1'),
    ('call_out_animal', 'call_out_of_animal', '100000 100000 10 1');
analyze sqlite_schema;
