-- Whose straws a lot's are, what the straw said, and tanks or canisters whose straws are not to be used.
-- The same tables stand in ../postgres under the same number; a test compares them.

-- SQLite adds no foreign key of two columns to a table: it is made anew. What refers to it is counted again at the commit.
pragma defer_foreign_keys = on;
create table lot_before as select * from lot;
drop table lot;
create table lot (
    business_id       blob    not null references business (id),
    id                blob    not null check (length(id) = 16),
    sire_id           blob    not null,
    semen_type        text    not null check (semen_type in ('conventional', 'sexed_female', 'sexed_male')),
    batch             text,
    collected_on      text,
    collection_centre text,
    -- Microlitres.
    straw_volume      integer check (straw_volume in (250, 500)),
    sexed_percentage  integer check (sexed_percentage between 1 and 100),
    cost              text    check (json_valid(cost)),
    thaw              text    check (json_valid(thaw)),
    status            text    not null check (status in ('usable', 'quarantined', 'recalled')),
    created_at        integer not null,
    -- Whose straws they are; the technician's own, for anybody, where null.
    owner_herd_id     blob,
    primary key (business_id, id),
    foreign key (business_id, sire_id) references sire (business_id, id),
    foreign key (business_id, owner_herd_id) references herd (business_id, id)
) strict, without rowid;
insert into lot (business_id, id, sire_id, semen_type, batch, collected_on, collection_centre, straw_volume,
                 sexed_percentage, cost, thaw, status, created_at)
select business_id, id, sire_id, semen_type, batch, collected_on, collection_centre, straw_volume,
       sexed_percentage, cost, thaw, status, created_at
from lot_before;
drop table lot_before;
create index lot_by_sire on lot (business_id, sire_id, id);
create index lot_by_semen_type on lot (business_id, semen_type, id);
create index lot_by_status on lot (business_id, status, id);
create index lot_by_owner on lot (business_id, owner_herd_id, id) where owner_herd_id is not null;
-- What was known of the indexes went with the table.
delete from sqlite_stat1 where tbl = 'lot';
insert into sqlite_stat1 (tbl, idx, stat) values
    ('lot', 'lot', '10000 10000 1'),
    ('lot', 'lot_by_sire', '10000 10000 10 1'),
    ('lot', 'lot_by_semen_type', '10000 10000 3000 1'),
    ('lot', 'lot_by_status', '10000 10000 3000 1'),
    ('lot', 'lot_by_owner', '1000 1000 10 1');

-- Code, name or batch as somebody read it off the straw.
alter table withdrawal add column straw_read text;
alter table service add column straw_read text;

-- A tank, or one of its canisters, whose straws are not to be used until the hold is lifted.
create table hold (
    business_id blob    not null references business (id),
    id          blob    not null check (length(id) = 16),
    tank_id     blob    not null,
    -- Only this canister; the whole tank where null.
    canister    integer check (canister > 0),
    reason      text    not null,
    technician  text,
    held_at     integer not null,
    lifted_at   integer,
    lifted_by   blob,
    recorded_at integer not null,
    recorded_by blob    not null,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, lifted_by) references api_key (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
) strict, without rowid;
create index hold_by_tank on hold (business_id, tank_id, id);
create index hold_open on hold (business_id, tank_id, canister) where lifted_at is null;
