-- Businesses for trials, whose book may be emptied; everybody else's ledger is kept as it was.

alter table business add column is_test boolean not null default false;

drop trigger movement_no_change on movement;
create trigger movement_no_change before update on movement
for each row execute function movement_is_append_only();

create function movement_is_kept_but_in_trials() returns trigger language plpgsql as $$
begin
    if exists (select 1 from business b where b.id = old.business_id and b.is_test) then
        return old;
    end if;
    raise exception 'movement is append-only';
end $$;
create trigger movement_no_delete before delete on movement
for each row execute function movement_is_kept_but_in_trials();
