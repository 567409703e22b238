-- Keys that are good for some herds or tanks only, as in ../postgres; a test compares them. Lists of ids; without a limit where null.

alter table api_key add column herd_ids text check (json_valid(herd_ids));
alter table api_key add column tank_ids text check (json_valid(tank_ids));
