-- Devices that keep acts until there is a signal: when each was last heard, and how many wait there.
-- The same table stands in ../postgres under the same number; a test compares them.

create table device (
    business_id       blob    not null references business (id),
    -- As the device calls itself.
    id                blob    not null check (length(id) = 16),
    -- The key that it last came with.
    key_id            blob    not null,
    name              text,
    last_seen_at      integer not null,
    waiting           integer not null check (waiting >= 0),
    oldest_waiting_at integer,
    primary key (business_id, id),
    foreign key (business_id, key_id) references api_key (business_id, id)
) strict, without rowid;

insert into sqlite_stat1 (tbl, idx, stat) values ('device', 'device', '1000 1000 1');
analyze sqlite_schema;
