-- Every key and unique index begins with the business, so that tables can be partitioned or distributed by it. What a secret is
-- found by cannot, because who calls says nothing else: its indexes are no longer unique, and every part is looked into. No two
-- secrets are equal all the same: 30 random characters of 62, or 32 random bytes.
-- The same indexes stand in ../sqlite under the same number; a test compares them.

alter table api_key drop constraint api_key_hash_key;
create index api_key_by_hash on api_key (hash);
drop index api_key_by_previous_hash;
create index api_key_by_previous_hash on api_key (previous_hash);
drop index calendar_by_hash;
create index calendar_by_hash on calendar (hash);
