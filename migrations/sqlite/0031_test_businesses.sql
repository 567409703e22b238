-- Businesses for trials, whose book may be emptied; everybody else's ledger is kept as it was.

alter table business add column is_test integer not null default 0 check (is_test in (0, 1));

drop trigger movement_no_delete;
create trigger movement_no_delete before delete on movement
when not exists (select 1 from business b where b.id = old.business_id and b.is_test = 1)
begin
    select raise(abort, 'movement is append-only');
end;
