-- Timed protocols: a veterinarian's list of steps, and the animals for whom one began.
-- The same tables stand in ../sqlite under the same number; a test compares them.

create table timed_protocol (
    business_id   uuid        not null references business (id),
    id            uuid        not null,
    herd_id       uuid        not null,
    name          text        not null,
    -- The veterinarian who answers for it.
    prescribed_by text        not null,
    steps         jsonb       not null,
    -- When it was taken away; what began by it goes on.
    removed_at    timestamptz,
    created_at    timestamptz not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id)
);
create index timed_protocol_by_herd on timed_protocol (business_id, herd_id, id);

-- What the protocol said then is kept; whether it still runs follows from what is on record of the animal.
create table protocol_start (
    business_id   uuid        not null,
    id            uuid        not null,
    protocol_id   uuid        not null,
    herd_id       uuid        not null,
    animal_id     uuid        not null,
    name          text        not null,
    prescribed_by text        not null,
    starts_on     date        not null,
    inseminate_at timestamptz not null,
    calendar      jsonb       not null,
    stopped_at    timestamptz,
    stop_reason   text,
    recorded_at   timestamptz not null,
    recorded_by   uuid        not null,
    primary key (business_id, id),
    foreign key (business_id, protocol_id) references timed_protocol (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id),
    check ((stopped_at is null) = (stop_reason is null))
);
create index protocol_start_of_protocol on protocol_start (business_id, protocol_id, id);
create index protocol_start_of_animal on protocol_start (business_id, animal_id, id);
create index protocol_start_by_herd on protocol_start (business_id, herd_id, id);
-- Those that may still run are few, whatever the size of the book.
create index protocol_start_ahead on protocol_start (business_id, inseminate_at) where stopped_at is null;
