-- What lists are read by, so that none walks the whole book.
-- The same tables stand in ../postgres under the same number; a test compares them.

-- The lines of the ledger by the tanks that they go out of or into; filled by the trigger below and by nothing else.
create table movement_tank (
    business_id blob    not null,
    tank_id     blob    not null,
    seq         integer not null,
    primary key (business_id, tank_id, seq)
) strict, without rowid;
insert into movement_tank (business_id, tank_id, seq)
select distinct m.business_id, p.tank_id, m.seq
from movement m join place p on p.business_id = m.business_id and p.id in (m.from_place_id, m.to_place_id)
where p.tank_id is not null;
create trigger movement_in_tank after insert on movement
begin
    insert into movement_tank (business_id, tank_id, seq)
    select distinct p.business_id, p.tank_id, new.seq from place p
    where p.business_id = new.business_id and p.id in (new.from_place_id, new.to_place_id) and p.tank_id is not null;
end;

-- Lists: each index leads with what a list may be asked for and ends in the list's own order.
create index movement_by_kind on movement (business_id, kind, seq);
create index movement_by_technician on movement (business_id, technician, seq) where technician is not null;
create index movement_by_time on movement (business_id, occurred_at, seq);
create index balance_by_place on balance (business_id, place_id);
-- What hangs is little, however many lots were used up.
create index balance_held on balance (business_id, lot_id, place_id) where straws > 0;
create index service_by_herd on service (business_id, herd_id, id);
create index service_by_lot on service (business_id, lot_id, id) where lot_id is not null;
create index animal_event_by_kind on animal_event (business_id, kind, id);
create index animal_event_by_herd on animal_event (business_id, herd_id, kind, id);
create index act_by_caller on act (business_id, key_id, id);
create index act_by_time on act (business_id, recorded_at, id);
create index lot_by_semen_type on lot (business_id, semen_type, id);
create index lot_by_status on lot (business_id, status, id);
create index alert_by_kind on alert (business_id, kind, id);
create index alert_by_subject on alert (business_id, subject, id);
create index alert_by_herd on alert (business_id, herd_id, id) where herd_id is not null;
create index alert_by_tank on alert (business_id, tank_id, id) where tank_id is not null;
create index ade_item_by_herd on ade_item (business_id, herd_id, id);
create index ade_item_flagged on ade_item (business_id, id) where flag is not null and resolved_at is null;

-- A name may be asked for without its scheme, a number without its herd.
drop index identifier_by_code;
create index identifier_by_code on identifier (business_id, code, scheme, subject_id);
drop index animal_by_number;
create index animal_by_number on animal (business_id, number, herd_id);
