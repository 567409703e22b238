-- The words of the interface: what a field is called in an answer, it is called in its table.
-- The same tables stand in ../sqlite under the same number; a test compares them.

alter table alert rename column told_at to notified_at;
alter table alert rename column tell_again_at to next_notification_at;
alter table alert rename column cleared_because to clear_reason;
alter table alert_rule rename column straws_apart to min_difference;
drop index alert_to_tell_again;
create index alert_to_notify on alert (business_id, next_notification_at) where next_notification_at is not null;
