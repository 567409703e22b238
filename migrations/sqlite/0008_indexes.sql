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

-- How many rows each index has, and how many for each value of its first column, its first two and so on: as they are
-- in a long book, written once. Without them SQLite takes a business for selective and walks the primary key; its
-- manual, under "Fixed Results Of ANALYZE", gives this way to keep its plans. PostgreSQL counts for itself.
analyze business;
delete from sqlite_stat1;
insert into sqlite_stat1 (tbl, idx, stat) values
    ('business', 'business', '10 1'),
    ('api_key', 'api_key', '100 100 1'),
    ('api_key', 'sqlite_autoindex_api_key_1', '100 1'),
    ('herd', 'herd', '100 100 1'),
    ('tank', 'tank', '100 100 1'),
    ('sire', 'sire', '1000 1000 1'),
    ('animal', 'animal', '100000 100000 1'),
    ('animal', 'animal_by_herd', '100000 100000 1000 1'),
    ('animal', 'animal_by_number', '100000 100000 10 1'),
    ('identifier', 'identifier', '100000 100000 1 1 1'),
    ('identifier', 'identifier_by_code', '100000 100000 2 1 1'),
    ('lot', 'lot', '10000 10000 1'),
    ('lot', 'lot_by_sire', '10000 10000 10 1'),
    ('lot', 'lot_by_semen_type', '10000 10000 3000 1'),
    ('lot', 'lot_by_status', '10000 10000 3000 1'),
    ('place', 'place', '2000 2000 1'),
    ('place', 'place_in_tank', '2000 2000 20 4 2 1'),
    ('place', 'place_outside', '4 4 1'),
    ('balance', 'balance', '20000 20000 2 1'),
    ('balance', 'balance_by_place', '20000 20000 10 1'),
    ('balance', 'balance_held', '500 500 2 1'),
    ('withdrawal', 'withdrawal', '1000000 1000000 1'),
    ('withdrawal', 'withdrawal_by_animal', '1000000 1000000 10 1'),
    ('withdrawal', 'withdrawal_unresolved', '20 20 1 1'),
    ('stocktake', 'stocktake', '1000 1000 1'),
    ('stocktake', 'stocktake_of_tank', '1000 1000 10 1 1'),
    ('movement', 'movement', '1000000 1000000 1'),
    ('movement', 'sqlite_autoindex_movement_2', '1000000 1000000 1'),
    ('movement', 'movement_by_lot', '1000000 1000000 100 1'),
    ('movement', 'movement_by_withdrawal', '1000000 1000000 1 1'),
    ('movement', 'movement_reversed_once', '1000 1000 1'),
    ('movement', 'movement_out_of', '1000000 1000000 1000 1 1'),
    ('movement', 'movement_into', '20000 20000 20 1 1'),
    ('movement', 'movement_by_use', '1000000 1000000 100 1 1'),
    ('movement', 'movement_by_kind', '1000000 1000000 200000 1'),
    ('movement', 'movement_by_technician', '1000000 1000000 100000 1'),
    ('movement', 'movement_by_time', '1000000 1000000 1 1'),
    ('movement_tank', 'movement_tank', '1000000 1000000 10000 1'),
    ('service', 'service', '1000000 1000000 1'),
    ('service', 'service_by_animal', '1000000 1000000 10 1 1'),
    ('service', 'service_by_withdrawal', '1000000 1000000 1'),
    ('service', 'service_by_lot', '1000000 1000000 100 1'),
    ('service', 'service_by_herd', '1000000 1000000 10000 1'),
    ('animal_event', 'animal_event', '1000000 1000000 1'),
    ('animal_event', 'animal_event_by_animal', '1000000 1000000 10 1 1'),
    ('animal_event', 'animal_event_by_kind', '1000000 1000000 200000 1'),
    ('animal_event', 'animal_event_by_herd', '1000000 1000000 10000 2000 1'),
    ('act', 'sqlite_autoindex_act_1', '2000000 2000000 1'),
    ('act', 'act_by_key', '2000000 2000000 1'),
    ('act', 'act_by_caller', '2000000 2000000 20000 1'),
    ('act', 'act_by_time', '2000000 2000000 1 1'),
    ('change', 'change', '3000000 3000000 300000 1'),
    ('change', 'change_by_seq', '3000000 3000000 1'),
    ('change', 'change_by_herd', '3000000 3000000 30000 1'),
    ('ade_item', 'ade_item', '100000 100000 1'),
    ('ade_item', 'ade_item_by_source', '100000 100000 20000 1000 1'),
    ('ade_item', 'ade_item_by_subject', '100000 100000 1'),
    ('ade_item', 'ade_item_by_animal', '100000 100000 10 1 1'),
    ('ade_item', 'ade_item_by_herd', '100000 100000 1000 1'),
    ('ade_item', 'ade_item_flagged', '20 20 1'),
    ('alert', 'alert', '10000 10000 1'),
    ('alert', 'alert_open_once', '20 20 5 1'),
    ('alert', 'alert_to_notify', '20 20 1 1'),
    ('alert', 'alert_of_withdrawal', '10000 10000 1 1'),
    ('alert', 'alert_by_rule', '20 20 5 1'),
    ('alert', 'alert_by_kind', '10000 10000 1000 1'),
    ('alert', 'alert_by_subject', '10000 10000 2 1'),
    ('alert', 'alert_by_herd', '10000 10000 100 1'),
    ('alert', 'alert_by_tank', '1000 1000 20 1'),
    ('alert_rule', 'alert_rule', '100 100 1'),
    ('alert_rule', 'alert_rule_by_kind', '100 100 10');
analyze sqlite_schema;
