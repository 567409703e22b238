-- The clock put back, and repairs that were entered wrongly.
-- The same tables stand in ../postgres under the same number; a test compares them.

-- The last id that was made for the business: those that follow sort after it, whatever the clock says.
alter table business add column last_id blob not null default (x'00000000000000000000000000000000')
    check (length(last_id) = 16);
update business set last_id = (
    select max(id) from (
        select business.id as id
        union all select max(id) from api_key where business_id = business.id
        union all select max(id) from herd where business_id = business.id
        union all select max(id) from tank where business_id = business.id
        union all select max(id) from sire where business_id = business.id
        union all select max(id) from animal where business_id = business.id
        union all select max(id) from lot where business_id = business.id
        union all select max(id) from place where business_id = business.id
        union all select max(id) from withdrawal where business_id = business.id
        union all select max(id) from stocktake where business_id = business.id
        union all select max(id) from movement where business_id = business.id
        union all select max(id) from service where business_id = business.id
        union all select max(id) from animal_event where business_id = business.id
        union all select max(id) from act where business_id = business.id
        union all select max(id) from nitrogen_reading where business_id = business.id
        union all select max(id) from nitrogen_refill where business_id = business.id
        union all select max(id) from tank_repair where business_id = business.id
        union all select max(id) from webhook where business_id = business.id
        union all select max(id) from webhook_secret where business_id = business.id
        union all select max(id) from outbox where business_id = business.id
        union all select max(id) from delivery where business_id = business.id
        union all select max(id) from alert_rule where business_id = business.id
        union all select max(id) from alert where business_id = business.id
        union all select max(id) from ade_item where business_id = business.id
    ) as made);

-- last_recorded_at is from now on the latest time at which anything was recorded, as far as it is believed; this is
-- when the clock leapt further ahead than is believed at once.
alter table business add column leapt_to integer;

-- A wrong repair stays and is superseded by another, or by one of the kind not_done: only what is not superseded counts.
create table tank_repair_before as select * from tank_repair;
drop table tank_repair;
create table tank_repair (
    business_id   blob    not null references business (id),
    id            blob    not null check (length(id) = 16),
    tank_id       blob    not null,
    repaired_at   integer not null,
    kind          text    not null check (kind in ('repaired', 'replaced', 'not_done')),
    technician    text,
    note          text,
    recorded_at   integer not null,
    recorded_by   blob    not null,
    supersedes_id blob,
    superseded_at integer,
    primary key (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id),
    foreign key (business_id, supersedes_id) references tank_repair (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id),
    check (kind <> 'not_done' or supersedes_id is not null)
) strict, without rowid;
insert into tank_repair (business_id, id, tank_id, repaired_at, kind, technician, note, recorded_at, recorded_by)
select business_id, id, tank_id, repaired_at, kind, technician, note, recorded_at, recorded_by from tank_repair_before;
drop table tank_repair_before;
create index tank_repair_by_tank on tank_repair (business_id, tank_id, id);
create index tank_repair_at on tank_repair (business_id, tank_id, repaired_at);
create unique index tank_repair_superseded_once on tank_repair (business_id, supersedes_id)
    where supersedes_id is not null;
