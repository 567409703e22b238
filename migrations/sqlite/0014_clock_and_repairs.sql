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
