-- Frost or sweat on a tank's neck or outside, seen with a reading of the level or without one.

-- What is stored stays right where less is required, so only the table's text is written anew, as SQLite's manual says under
-- "Making Other Kinds Of Table Schema Changes".
pragma writable_schema = on;
update sqlite_schema
set sql = replace(replace(sql, 'measured      real    not null check (measured >= 0)', 'measured      real    check (measured >= 0)'),
                  'unit          text    not null check', 'unit          text    check')
where type = 'table' and name = 'nitrogen_reading';
pragma writable_schema = reset;
alter table nitrogen_reading add column frost text check (frost in ('none', 'sweat', 'frost'));
