-- What a secret is found by is an index that need not be unique, as in ../postgres, where it says why; a test compares them.
-- The hash of a key stays unique as well: SQLite drops such a rule only with the table, and a file is never distributed.

create index api_key_by_hash on api_key (hash);
drop index api_key_by_previous_hash;
create index api_key_by_previous_hash on api_key (previous_hash);
drop index calendar_by_hash;
create index calendar_by_hash on calendar (hash);

insert into sqlite_stat1 (tbl, idx, stat) values
    ('api_key', 'api_key_by_hash', '100 1'),
    ('api_key', 'api_key_by_previous_hash', '100 1');
analyze sqlite_schema;
