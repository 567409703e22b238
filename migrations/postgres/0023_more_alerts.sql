-- More kinds of alert: what is due for an animal, results that fall, and what a device sent that could not be kept.

alter table alert drop constraint alert_kind_check;
alter table alert add constraint alert_kind_check check (kind in (
    'stock.low', 'stock.out', 'nitrogen.low', 'nitrogen.refill_due', 'nitrogen.loss_high', 'nitrogen.reading_overdue',
    'withdrawal.unresolved', 'stocktake.difference', 'rule.overridden', 'check.due', 'calving.due', 'return.watch',
    'conception.falling', 'act.refused'));
alter table alert_rule drop constraint alert_rule_kind_check;
alter table alert_rule add constraint alert_rule_kind_check check (kind in (
    'stock.low', 'stock.out', 'nitrogen.low', 'nitrogen.refill_due', 'nitrogen.loss_high', 'nitrogen.reading_overdue',
    'withdrawal.unresolved', 'stocktake.difference', 'rule.overridden', 'check.due', 'calving.due', 'return.watch',
    'conception.falling', 'act.refused'));
-- The animal that it is about.
alter table alert add column animal_id uuid;
