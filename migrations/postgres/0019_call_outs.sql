-- Call-outs: a farm asks for the technician.
-- The same tables stand in ../sqlite under the same number; a test compares them.

create table call_out (
    business_id  uuid    not null references business (id),
    id           uuid    not null,
    herd_id      uuid    not null,
    -- What the farm says, such as "heat seen".
    text         text,
    wanted_by    timestamptz,
    -- Who asks, and where he can be reached.
    caller       text,
    telephone    text,
    asked_at     timestamptz not null,
    state        text    not null check (state in ('open', 'done')),
    closed_at    timestamptz,
    -- Why it was closed by hand; null when all animals were served.
    close_reason text,
    recorded_at  timestamptz not null,
    recorded_by  uuid    not null,
    primary key (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id),
    check ((state = 'open') = (closed_at is null))
);
create index call_out_by_herd on call_out (business_id, herd_id, id);
create index call_out_open on call_out (business_id, id) where state = 'open';

-- The animals that are named, each with the service that came of it.
create table call_out_animal (
    business_id uuid not null,
    call_out_id uuid not null,
    animal_id   uuid not null,
    service_id  uuid,
    primary key (business_id, call_out_id, animal_id),
    foreign key (business_id, call_out_id) references call_out (business_id, id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, service_id) references service (business_id, id)
);
create index call_out_of_animal on call_out_animal (business_id, animal_id, call_out_id);

