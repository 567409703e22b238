-- A webhook to which nothing is sent any more is told as an alert.

-- What is stored stays right under the wider check, so only the tables' text is written anew, as SQLite's manual says under
-- "Making Other Kinds Of Table Schema Changes"; the column added below lets every connection read the schema again.
pragma writable_schema = on;
update sqlite_schema
set sql = replace(sql, '''act.refused'')', '''act.refused'', ''webhook.disabled'')')
where type = 'table' and name in ('alert', 'alert_rule');
pragma writable_schema = reset;
-- The webhook that it is about.
alter table alert add column webhook_id blob;
