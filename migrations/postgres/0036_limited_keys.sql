-- Keys that are good for some herds or tanks only, as in ../sqlite; a test compares them. Lists of ids; without a limit where null.

alter table api_key add column herd_ids jsonb;
alter table api_key add column tank_ids jsonb;
