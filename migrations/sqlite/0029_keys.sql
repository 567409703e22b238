-- Keys over HTTP: when each was last used, and the secret before while one replaces the other.
-- The same columns stand in ../postgres under the same number; a test compares them.

-- To the hour.
alter table api_key add column last_used_at integer;
-- SHA-256 of the secret before, and until when it is good.
alter table api_key add column previous_hash text;
alter table api_key add column previous_until integer;

create unique index api_key_by_previous_hash on api_key (previous_hash);

insert into sqlite_stat1 (tbl, idx, stat) values ('api_key', 'api_key_by_previous_hash', '100 1');
analyze sqlite_schema;
