-- Frost or sweat on a tank's neck or outside, seen with a reading of the level or without one.

alter table nitrogen_reading alter column measured drop not null;
alter table nitrogen_reading alter column unit drop not null;
alter table nitrogen_reading add column frost text check (frost in ('none', 'sweat', 'frost'));
