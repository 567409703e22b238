-- More kinds of alert: what is due for an animal, results that fall, and what a device sent that could not be kept.

-- What is stored stays right under the wider check, so only the tables' text is written anew, as SQLite's manual says under
-- "Making Other Kinds Of Table Schema Changes"; the column added below lets every connection read the schema again.
pragma writable_schema = on;
update sqlite_schema
set sql = replace(sql, '''rule.overridden'')',
                  '''rule.overridden'', ''check.due'', ''calving.due'', ''return.watch'', ''conception.falling'', ''act.refused'')')
where type = 'table' and name in ('alert', 'alert_rule');
pragma writable_schema = reset;
-- The animal that it is about.
alter table alert add column animal_id blob;
