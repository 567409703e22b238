-- Consignments: straws that come in by a delivery note, and straws that leave for another keeper.
-- The same tables stand in ../postgres under the same number; a test compares them.

-- SQLite changes no check of a table, and the ledger is not to be copied for a word more in a list. What is stored stays
-- right under the wider check, so only its text is written anew, as SQLite's manual says under "Making Other Kinds Of
-- Table Schema Changes"; the tables made below let every connection read the schema again.
pragma writable_schema = on;
update sqlite_schema set sql = replace(sql, '''discarded'', ''counted'')', '''discarded'', ''counted'', ''keeper'')')
where type = 'table' and name = 'place';
update sqlite_schema set sql = replace(sql, '''count'', ''reversal'')', '''count'', ''consignment'', ''reversal'')')
where type = 'table' and name = 'movement';
pragma writable_schema = reset;

create table consignment (
    business_id     blob    not null references business (id),
    id              blob    not null check (length(id) = 16),
    direction       text    not null check (direction in ('in', 'out')),
    -- The supplier, or the keeper that the straws go to.
    party_name      text    not null,
    approval_number text,
    party_address   text,
    documents       text    not null check (json_valid(documents)),
    document_on     text,
    moved_at        integer not null,
    technician      text,
    note            text,
    recorded_at     integer not null,
    recorded_by     blob    not null,
    primary key (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
) strict, without rowid;
create index consignment_by_direction on consignment (business_id, direction, id);

-- Its lines are lines of the ledger.
create table consignment_line (
    business_id    blob    not null,
    consignment_id blob    not null,
    seq            integer not null,
    primary key (business_id, consignment_id, seq),
    foreign key (business_id, consignment_id) references consignment (business_id, id),
    foreign key (business_id, seq) references movement (business_id, seq)
) strict, without rowid;
create unique index consignment_of_line on consignment_line (business_id, seq);

insert into sqlite_stat1 (tbl, idx, stat) values
    ('consignment', 'consignment', '1000 1000 1'),
    ('consignment', 'consignment_by_direction', '1000 1000 500 1'),
    ('consignment_line', 'consignment_line', '10000 10000 10 1'),
    ('consignment_line', 'consignment_of_line', '10000 10000 1');
analyze sqlite_schema;
