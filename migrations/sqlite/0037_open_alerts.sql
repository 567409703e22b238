-- Open alerts are found by what lists of them are filtered by, and in their order, however many are open and however many are over.
-- The same stands in ../postgres; a test compares them.

create index alert_open on alert (business_id, id) where cleared_at is null;
create index alert_open_by_kind on alert (business_id, kind, id) where cleared_at is null;
create index alert_open_by_herd on alert (business_id, herd_id, id) where cleared_at is null and herd_id is not null;
create index alert_open_by_tank on alert (business_id, tank_id, id) where cleared_at is null and tank_id is not null;
-- In the place of alert_by_rule, which gave no order.
create index alert_open_by_rule on alert (business_id, rule_id, id) where cleared_at is null;
drop index alert_by_rule;

-- Where 20 alerts are said to be open, SQLite looks through all of a kind rather than for 25 of them by name.
delete from sqlite_stat1 where idx in ('alert_by_rule', 'alert_open_once', 'alert_to_notify');
insert into sqlite_stat1 (tbl, idx, stat) values
    ('alert', 'alert_open', '1000 1000 1'),
    ('alert', 'alert_open_by_kind', '1000 1000 200 1'),
    ('alert', 'alert_open_by_herd', '1000 1000 50 1'),
    ('alert', 'alert_open_by_tank', '100 100 5 1'),
    ('alert', 'alert_open_by_rule', '1000 1000 200 1'),
    ('alert', 'alert_open_once', '1000 1000 200 1'),
    ('alert', 'alert_to_notify', '1000 1000 1 1');

-- Rules that were changed or taken away, with the last of their open alerts that was looked at since: the rest is looked at in parts.
create table alert_recheck (
    business_id   blob not null references business (id),
    rule_id       blob not null,
    last_alert_id blob not null,
    primary key (business_id, rule_id)
) strict, without rowid;
insert into sqlite_stat1 (tbl, idx, stat) values ('alert_recheck', 'alert_recheck', '10 10 1');
analyze sqlite_schema;
