-- A webhook to which nothing is sent any more is told as an alert.

alter table alert drop constraint alert_kind_check;
alter table alert add constraint alert_kind_check check (kind in (
    'stock.low', 'stock.out', 'nitrogen.low', 'nitrogen.refill_due', 'nitrogen.loss_high', 'nitrogen.reading_overdue',
    'withdrawal.unresolved', 'stocktake.difference', 'rule.overridden', 'check.due', 'calving.due', 'return.watch',
    'conception.falling', 'act.refused', 'webhook.disabled'));
alter table alert_rule drop constraint alert_rule_kind_check;
alter table alert_rule add constraint alert_rule_kind_check check (kind in (
    'stock.low', 'stock.out', 'nitrogen.low', 'nitrogen.refill_due', 'nitrogen.loss_high', 'nitrogen.reading_overdue',
    'withdrawal.unresolved', 'stocktake.difference', 'rule.overridden', 'check.due', 'calving.due', 'return.watch',
    'conception.falling', 'act.refused', 'webhook.disabled'));
-- The webhook that it is about.
alter table alert add column webhook_id uuid;
