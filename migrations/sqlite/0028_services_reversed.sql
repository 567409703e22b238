-- Services that were entered by mistake: few, and looked for among all.

create index service_reversed on service (business_id, id) where reversed_at is not null;

insert into sqlite_stat1 (tbl, idx, stat) values ('service', 'service_reversed', '100 100 1');
analyze sqlite_schema;
