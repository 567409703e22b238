-- When a process last went through what time alone brings about in a business, as in ../postgres; a test compares them. Nothing
-- is written here: a file is served by one process, which needs to tell nobody.

create table sweep (
    business_id     blob    not null references business (id),
    looked_at       integer,
    tanks_looked_at integer,
    primary key (business_id)
) strict, without rowid;

insert into sqlite_stat1 (tbl, idx, stat) values ('sweep', 'sweep', '10 1');
analyze sqlite_schema;
