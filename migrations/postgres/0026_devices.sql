-- Devices that keep acts until there is a signal: when each was last heard, and how many wait there.
-- The same table stands in ../sqlite under the same number; a test compares them.

create table device (
    business_id       uuid        not null references business (id),
    -- As the device calls itself.
    id                uuid        not null,
    -- The key that it last came with.
    key_id            uuid        not null,
    name              text,
    last_seen_at      timestamptz not null,
    waiting           bigint      not null check (waiting >= 0),
    oldest_waiting_at timestamptz,
    primary key (business_id, id),
    foreign key (business_id, key_id) references api_key (business_id, id)
);
