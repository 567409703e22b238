-- Whose straws a lot's are, what the straw said, and tanks or canisters whose straws are not to be used.
-- The same tables stand in ../sqlite under the same number; a test compares them.

-- Whose straws they are; the technician's own, for anybody, where null.
alter table lot add column owner_herd_id uuid;
alter table lot add foreign key (business_id, owner_herd_id) references herd (business_id, id);
create index lot_by_owner on lot (business_id, owner_herd_id, id) where owner_herd_id is not null;

-- Code, name or batch as somebody read it off the straw.
alter table withdrawal add column straw_read text;
alter table service add column straw_read text;

-- A tank, or one of its canisters, whose straws are not to be used until the hold is lifted.
create table hold (
    business_id uuid        not null references business (id),
    id          uuid        not null,
    tank_id     uuid        not null,
    -- Only this canister; the whole tank where null.
    canister    bigint      check (canister > 0),
    reason      text        not null,
    technician  text,
    held_at     timestamptz not null,
    lifted_at   timestamptz,
    lifted_by   uuid,
    recorded_at timestamptz not null,
    recorded_by uuid        not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, lifted_by) references api_key (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
);
create index hold_by_tank on hold (business_id, tank_id, id);
create index hold_open on hold (business_id, tank_id, canister) where lifted_at is null;
