-- The clock put back, and repairs that were entered wrongly.
-- The same tables stand in ../sqlite under the same number; a test compares them.

-- The last id that was made for the business: those that follow sort after it, whatever the clock says.
alter table business add column last_id uuid not null default '00000000-0000-0000-0000-000000000000';
update business set last_id = greatest(
    id,
    (select t.id from api_key t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from herd t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from tank t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from sire t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from animal t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from lot t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from place t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from withdrawal t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from stocktake t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from movement t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from service t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from animal_event t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from act t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from nitrogen_reading t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from nitrogen_refill t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from tank_repair t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from webhook t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from webhook_secret t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from outbox t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from delivery t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from alert_rule t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from alert t where t.business_id = business.id order by t.id desc limit 1),
    (select t.id from ade_item t where t.business_id = business.id order by t.id desc limit 1));

-- last_recorded_at is from now on the latest time at which anything was recorded, as far as it is believed; this is
-- when the clock leapt further ahead than is believed at once.
alter table business add column leapt_to timestamptz;

-- A wrong repair stays and is superseded by another, or by one of the kind not_done: only what is not superseded counts.
alter table tank_repair add column supersedes_id uuid;
alter table tank_repair add column superseded_at timestamptz;
alter table tank_repair drop constraint tank_repair_kind_check;
alter table tank_repair add constraint tank_repair_kind_check check (kind in ('repaired', 'replaced', 'not_done'));
alter table tank_repair add constraint tank_repair_check check (kind <> 'not_done' or supersedes_id is not null);
alter table tank_repair add foreign key (business_id, supersedes_id) references tank_repair (business_id, id);
create unique index tank_repair_superseded_once on tank_repair (business_id, supersedes_id)
    where supersedes_id is not null;
