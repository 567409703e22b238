-- Open alerts are found by what lists of them are filtered by, and in their order, however many are open and however many are over.
-- The same stands in ../sqlite; a test compares them.

create index alert_open on alert (business_id, id) where cleared_at is null;
create index alert_open_by_kind on alert (business_id, kind, id) where cleared_at is null;
create index alert_open_by_herd on alert (business_id, herd_id, id) where cleared_at is null and herd_id is not null;
create index alert_open_by_tank on alert (business_id, tank_id, id) where cleared_at is null and tank_id is not null;
-- In the place of alert_by_rule, which gave no order.
create index alert_open_by_rule on alert (business_id, rule_id, id) where cleared_at is null;
drop index alert_by_rule;

-- Rules that were changed or taken away, with the last of their open alerts that was looked at since: the rest is looked at in parts.
create table alert_recheck (
    business_id   uuid not null references business (id),
    rule_id       uuid not null,
    last_alert_id uuid not null,
    primary key (business_id, rule_id)
);
