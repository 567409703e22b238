//! Webhooks, their secrets, and the deliveries of events to them.

use chrono::TimeDelta;

use crate::{
    domain::{
        ids,
        values::{BusinessId, DeliveryId, Timestamp, WebhookId},
        webhooks::{
            event::{Topic, Written},
            webhook::{
                AttemptOutcome, Delivery, DeliveryAttempt, DeliveryState, FAILURES_TO_BACK_OFF, NextAttempt,
                Webhook, WebhookDetails, WebhookState,
            },
        },
    },
    store::{
        Page, Result, Tx,
        access::business,
        webhooks::{bell::Addressee, outbox::Stretch},
    },
};

/// Enters a webhook.
pub async fn add(tx: &mut Tx, business: BusinessId, webhook: &Webhook) -> Result<()> {
    business::forget_state(tx, business);
    let d = &webhook.details;
    tx.sql(
        "insert into webhook (business_id, id, url, topics, herd_ids, tank_ids, note, state, created_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(business)
    .bind(webhook.id)
    .bind(d.url.clone())
    .bind(d.events.clone())
    .bind(d.herd_ids.clone())
    .bind(d.tank_ids.clone())
    .bind(d.note.clone())
    .bind(webhook.state)
    .bind(webhook.created_at)
    .run()
    .await
    .map(drop)
}

macro_rules! webhooks {
    ($rest:literal) => {
        concat!(
            "select id, url, topics, herd_ids, tank_ids, note, state, disabled_reason, failing_since, created_at
             from webhook where business_id = $1 and state <> 'deleted' ",
            $rest
        )
    };
}

/// One webhook that was not removed.
pub async fn find(tx: &mut Tx, business: BusinessId, id: WebhookId) -> Result<Option<Webhook>> {
    tx.sql(webhooks!("and id = $2")).bind(business).bind(id).optional().await
}

/// Webhooks that were not removed, oldest first.
pub async fn list(tx: &mut Tx, business: BusinessId, page: Page) -> Result<Vec<Webhook>> {
    tx.sql(webhooks!("and id > $2 order by id limit $3"))
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .all()
        .await
}

/// Webhooks that are disabled and of which no alert is open.
pub async fn disabled_untold(tx: &mut Tx, business: BusinessId) -> Result<Vec<WebhookId>> {
    // Goes through the few webhooks, and uses alert_open_by_kind.
    tx.sql(
        "select w.id from webhook w
         where w.business_id = $1 and w.state = 'disabled'
           and not exists (select 1 from alert a
                           where a.business_id = $1 and a.kind = 'webhook.disabled' and a.cleared_at is null
                             and a.webhook_id = w.id)
         order by w.id",
    )
    .bind(business)
    .values()
    .await
}

/// How many webhooks a business has.
pub async fn count(tx: &mut Tx, business: BusinessId) -> Result<i64> {
    let count = tx
        .sql("select count(*) from webhook where business_id = $1 and state <> 'deleted'")
        .bind(business)
        .value()
        .await?;
    Ok(count.unwrap_or(0))
}

/// Changes what is said of a webhook.
pub async fn change(tx: &mut Tx, business: BusinessId, id: WebhookId, d: &WebhookDetails) -> Result<()> {
    tx.sql(
        "update webhook set url = $3, topics = $4, herd_ids = $5, tank_ids = $6, note = $7
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(d.url.clone())
    .bind(d.events.clone())
    .bind(d.herd_ids.clone())
    .bind(d.tank_ids.clone())
    .bind(d.note.clone())
    .run()
    .await
    .map(drop)
}

/// It waits: events are kept for it and not sent.
pub async fn pause(tx: &mut Tx, business: BusinessId, id: WebhookId) -> Result<()> {
    tx.sql("update webhook set state = 'paused' where business_id = $1 and id = $2 and state = 'active'")
        .bind(business)
        .bind(id)
        .run()
        .await
        .map(drop)
}

/// It is told again, as if it had never failed.
pub async fn resume(tx: &mut Tx, business: BusinessId, id: WebhookId) -> Result<()> {
    tx.rings_for(business, id);
    tx.sql(
        "update webhook set state = 'active', disabled_reason = null, failures = 0, failing_since = null,
                            rest_until = null
         where business_id = $1 and id = $2 and state <> 'deleted'",
    )
    .bind(business)
    .bind(id)
    .run()
    .await
    .map(drop)
}

/// Its failures are forgotten: it has another address.
pub async fn reset(tx: &mut Tx, business: BusinessId, id: WebhookId) -> Result<()> {
    tx.rings_for(business, id);
    tx.sql(
        "update webhook set failures = 0, failing_since = null, rest_until = null where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .run()
    .await
    .map(drop)
}

/// It need not rest any longer: the next that is due is sent.
pub async fn resume_after_backoff(tx: &mut Tx, business: BusinessId, id: WebhookId) -> Result<()> {
    tx.rings_for(business, id);
    tx.sql("update webhook set rest_until = null where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .run()
        .await
        .map(drop)
}

/// Deliveries that are given up in one transaction, when nothing is told a webhook any more.
const GIVEN_UP_TOGETHER: i64 = 500;

/// Nothing is told it any more; what still waits is given up: some of it at once, the rest by [`give_up`].
async fn stop(
    tx: &mut Tx,
    business: BusinessId,
    id: WebhookId,
    state: WebhookState,
    reason: Option<String>,
    now: Timestamp,
) -> Result<()> {
    tx.sql(
        "update webhook set state = $3, disabled_reason = $4, rest_until = null where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(state)
    .bind(reason)
    .run()
    .await?;
    // Uses delivery_due.
    tx.sql(
        "update delivery set state = 'failed', outcome = $3, finished_at = $4, lease_until = null
         where business_id = $1 and id in (
             select id from delivery where business_id = $1 and webhook_id = $2 and state = 'waiting'
             order by due_at, event_seq limit $5)",
    )
    .bind(business)
    .bind(id)
    .bind(AttemptOutcome::NotTried)
    .bind(now)
    .bind(GIVEN_UP_TOGETHER)
    .run()
    .await
    .map(drop)
}

/// Businesses in which something waits for a webhook that is told nothing any more.
pub async fn with_given_up(tx: &mut Tx) -> Result<Vec<BusinessId>> {
    // Uses delivery_due.
    tx.sql(
        "select distinct w.business_id from webhook w
         where w.state in ('disabled', 'deleted')
           and (select d.event_seq from delivery d
                where d.business_id = w.business_id and d.webhook_id = w.id and d.state = 'waiting'
                order by d.due_at limit 1) is not null",
    )
    .values()
    .await
}

/// Gives up some of what waits in a business for webhooks that are told nothing any more. Gives how many deliveries.
pub async fn give_up(tx: &mut Tx, business: BusinessId, now: Timestamp) -> Result<u64> {
    // Uses delivery_due.
    tx.sql(
        "update delivery set state = 'failed', outcome = $2, finished_at = $3, lease_until = null
         where business_id = $1 and id in (
             select d.id from webhook w join delivery d
               on d.business_id = w.business_id and d.webhook_id = w.id and d.state = 'waiting'
             where w.business_id = $1 and w.state in ('disabled', 'deleted') limit $4)",
    )
    .bind(business)
    .bind(AttemptOutcome::NotTried)
    .bind(now)
    .bind(GIVEN_UP_TOGETHER)
    .run()
    .await
}

/// Removes a webhook: its address and secrets are forgotten at once, its deliveries when they are old.
pub async fn remove(tx: &mut Tx, business: BusinessId, id: WebhookId, now: Timestamp) -> Result<()> {
    stop(tx, business, id, WebhookState::Deleted, None, now).await?;
    tx.sql("update webhook set url = '', note = null where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .run()
        .await?;
    tx.sql("delete from webhook_secret where business_id = $1 and webhook_id = $2")
        .bind(business)
        .bind(id)
        .run()
        .await
        .map(drop)
}

/// Gives a webhook another secret, as it is to be kept; the one before stays good until `until`.
pub async fn add_secret(
    tx: &mut Tx,
    business: BusinessId,
    id: WebhookId,
    secret: &str,
    until: Timestamp,
    now: Timestamp,
) -> Result<()> {
    // Uses webhook_secret_by_webhook.
    tx.sql(
        "delete from webhook_secret where business_id = $1 and webhook_id = $2 and valid_until is not null",
    )
    .bind(business)
    .bind(id)
    .run()
    .await?;
    tx.sql("update webhook_secret set valid_until = $3 where business_id = $1 and webhook_id = $2")
        .bind(business)
        .bind(id)
        .bind(until)
        .run()
        .await?;
    tx.sql(
        "insert into webhook_secret (business_id, id, webhook_id, secret, created_at) values ($1, $2, $3, $4, $5)",
    )
    .bind(business)
    .bind(ids::next())
    .bind(id)
    .bind(secret.to_owned())
    .bind(now)
    .run()
    .await
    .map(drop)
}

/// The secrets that sign for a webhook now, the present one first.
pub async fn secrets(
    tx: &mut Tx,
    business: BusinessId,
    id: WebhookId,
    now: Timestamp,
) -> Result<Vec<String>> {
    tx.sql(
        "select secret from webhook_secret
         where business_id = $1 and webhook_id = $2 and (valid_until is null or valid_until > $3)
         order by id desc",
    )
    .bind(business)
    .bind(id)
    .bind(now)
    .values()
    .await
}

/// A secret as it is kept.
#[derive(Clone, sqlx::FromRow)]
pub struct KeptSecret {
    /// In whose book.
    pub business_id: BusinessId,
    /// Which.
    pub id: uuid::Uuid,
    /// Of which webhook.
    pub webhook_id: WebhookId,
    /// In the clear or encrypted.
    pub secret: String,
}

/// All secrets of all businesses.
pub async fn kept_secrets(tx: &mut Tx) -> Result<Vec<KeptSecret>> {
    tx.sql("select business_id, id, webhook_id, secret from webhook_secret").all().await
}

/// Keeps a secret another way, if it is still there as it was.
pub async fn keep_secret(tx: &mut Tx, before: &KeptSecret, after: String) -> Result<u64> {
    tx.sql("update webhook_secret set secret = $4 where business_id = $1 and id = $2 and secret = $3")
        .bind(before.business_id)
        .bind(before.id)
        .bind(before.secret.clone())
        .bind(after)
        .run()
        .await
}

/// How all secrets of the store are kept: how each begins, which tells of one in the clear nothing, and how many.
pub async fn ways_of_keeping(tx: &mut Tx) -> Result<Vec<(String, i64)>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        way: String,
        secrets: i64,
    }
    let rows: Vec<Row> = tx
        .sql(
            "select case when secret like 'sealed:%' then substr(secret, 1, 19) else '' end as way, count(*) as secrets
             from webhook_secret
             group by 1
             order by 1",
        )
        .all()
        .await?;
    Ok(rows.into_iter().map(|row| (row.way, row.secrets)).collect())
}

macro_rules! deliveries {
    ($rest:literal) => {
        concat!(
            "select d.id, d.webhook_id, e.id as event_id, e.seq, e.topic, e.phase, e.subject, d.state, d.attempts, d.step,
                    d.outcome, case when d.state = 'waiting' then d.due_at end as next_attempt_at, d.created_at,
                    d.finished_at
             from delivery d
             join outbox e on e.business_id = d.business_id and e.seq = d.event_seq
             join webhook w on w.business_id = d.business_id and w.id = d.webhook_id and w.state <> 'deleted'
             where d.business_id = $1 ",
            $rest
        )
    };
}

/// One delivery of a webhook that was not removed.
pub async fn delivery(tx: &mut Tx, business: BusinessId, id: DeliveryId) -> Result<Option<Delivery>> {
    tx.sql(deliveries!("and d.id = $2")).bind(business).bind(id).optional().await
}

/// The deliveries of a webhook in the order of entry; in one state or of one topic when it is named.
pub async fn deliveries(
    tx: &mut Tx,
    business: BusinessId,
    webhook: WebhookId,
    state: Option<DeliveryState>,
    topic: Option<Topic>,
    page: Page,
) -> Result<Vec<Delivery>> {
    // Uses delivery_by_webhook.
    tx.sql(deliveries!(
        "and d.webhook_id = $2 and d.id > $3 and ($5 is null or d.state = $5) and ($6 is null or e.topic = $6)
         order by d.id limit $4"
    ))
    .bind(business)
    .bind(webhook)
    .bind(page.after)
    .bind(page.limit)
    .bind(state)
    .bind(topic)
    .all()
    .await
}

/// One event of the outbox.
pub async fn event(tx: &mut Tx, business: BusinessId, seq: i64) -> Result<Option<Written>> {
    tx.sql(
        "select seq, id, topic, phase, subject, data, occurred_at from outbox where business_id = $1 and seq = $2",
    )
    .bind(business)
    .bind(seq)
    .optional()
    .await
}

/// The latest attempts at a delivery, the last first.
pub async fn attempts(tx: &mut Tx, business: BusinessId, id: DeliveryId) -> Result<Vec<DeliveryAttempt>> {
    tx.sql(
        "select id, number, started_at, host, outcome, status, latency_ms, answer from delivery_attempt
         where business_id = $1 and delivery_id = $2 order by number desc limit 50",
    )
    .bind(business)
    .bind(id)
    .all()
    .await
}

/// Lets a delivery be tried at once, with the whole schedule before it.
pub async fn redeliver(tx: &mut Tx, business: BusinessId, id: DeliveryId, now: Timestamp) -> Result<()> {
    tx.sql(
        "update delivery set state = 'waiting', step = 0, due_at = $3, finished_at = null
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(now)
    .run()
    .await
    .map(drop)
}

/// Lets deliveries of a stretch of events be tried again: those that failed, or also those that were delivered. Gives
/// how many.
pub async fn redeliver_stretch(
    tx: &mut Tx,
    business: BusinessId,
    webhook: WebhookId,
    events: Stretch,
    also_delivered: bool,
    now: Timestamp,
) -> Result<u64> {
    tx.sql(
        "update delivery set state = 'waiting', step = 0, due_at = $6, finished_at = null
         where business_id = $1 and webhook_id = $2 and event_seq between $3 and $4
           and (state = 'failed' or state = 'delivered' and $5)",
    )
    .bind(business)
    .bind(webhook)
    .bind(events.first)
    .bind(events.last)
    .bind(also_delivered)
    .bind(now)
    .run()
    .await
}

/// A delivery that a worker has in hand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct Claimed {
    /// Of which business.
    pub business_id: BusinessId,
    /// Which.
    pub id: DeliveryId,
}

/// When a webhook is to be looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct LookAt {
    /// Which.
    #[sqlx(flatten)]
    pub webhook: Addressee,
    /// When something is due to it that nobody has in hand, and it does not rest.
    pub at: Timestamp,
}

/// All webhooks, of any business, for which something waits that nobody has in hand. It goes through all that are active.
pub async fn all_waiting(tx: &mut Tx, now: Timestamp) -> Result<Vec<LookAt>> {
    // Uses delivery_due. Asks for one row, not whether there is any: PostgreSQL would make a join of that and, before it has
    // statistics, read the whole backlog for it.
    tx.sql(
        "select business_id, webhook_id, case when rest_until > due_at then rest_until else due_at end as at from (
             select w.business_id, w.id as webhook_id, w.rest_until,
                    (select d.due_at from delivery d
                     where d.business_id = w.business_id and d.webhook_id = w.id and d.state = 'waiting'
                       and (d.lease_until is null or d.lease_until <= $1)
                     order by d.due_at limit 1) as due_at
             from webhook w where w.state = 'active') as waiting
         where due_at is not null",
    )
    .bind(now)
    .all()
    .await
}

/// Whether a webhook may be told something, as far as no other worker is just looking at it. It is kept from
/// others until the transaction ends.
pub async fn lock(tx: &mut Tx, webhook: Addressee) -> Result<bool> {
    let held: Option<i64> = tx
        .sql_for(
            "select 1 from webhook where business_id = $1 and id = $2 and state = 'active'",
            "select cast(1 as bigint) from webhook where business_id = $1 and id = $2 and state = 'active'
             for update skip locked",
        )
        .bind(webhook.business_id)
        .bind(webhook.webhook_id)
        .value()
        .await?;
    Ok(held.is_some())
}

/// What a webhook may be sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct Ready {
    /// How many more of its deliveries may be in hand now; none while it rests.
    pub room: i64,
    /// When it is to be looked at if nothing can be taken now.
    pub next_at: Option<Timestamp>,
    /// Whether more is due than [`claim`] looks at.
    pub is_crowded: bool,
}

/// What may be sent to a webhook now. It is sent `each` at a time, and only one while it keeps failing.
pub async fn ready(tx: &mut Tx, webhook: Addressee, now: Timestamp, each: i64) -> Result<Ready> {
    // Uses delivery_in_hand, and delivery_due for one row.
    tx.sql(
        "select case when rest_until > $3 then 0
                     else case when failures >= $4 then 1 else $5 end
                          - (select count(*) from delivery h
                             where h.business_id = $1 and h.webhook_id = $2 and h.lease_until > $3) end as room,
                case when rest_until > $3 then rest_until
                     else (select d.due_at from delivery d
                           where d.business_id = $1 and d.webhook_id = $2 and d.state = 'waiting' and d.due_at > $3
                           order by d.due_at limit 1) end as next_at,
                (select d.event_seq from delivery d
                 where d.business_id = $1 and d.webhook_id = $2 and d.state = 'waiting' and d.due_at <= $3
                 order by d.due_at limit 1 offset $6) is not null as is_crowded
         from webhook where business_id = $1 and id = $2",
    )
    .bind(webhook.business_id)
    .bind(webhook.webhook_id)
    .bind(now)
    .bind(FAILURES_TO_BACK_OFF)
    .bind(each)
    .bind(LOOK_AT)
    .one()
    .await
}

/// How many attempts keep a later event of the same subject waiting; after that it may overtake.
const KEEPS_ORDER: i64 = 4;

/// Of how many due deliveries one looks for some that are first of their subject.
const LOOK_AT: i64 = 200;

/// Takes at most `most` due deliveries of a webhook in hand, the oldest events first, and of one subject only
/// the first.
pub async fn claim(
    tx: &mut Tx,
    webhook: Addressee,
    most: i64,
    lease: TimeDelta,
    now: Timestamp,
) -> Result<Vec<Claimed>> {
    // Uses delivery_due, delivery_by_subject; asks for one row for the same reason as above.
    tx.sql(
        "update delivery set lease_until = $3
         where business_id = $1 and id in (
             select d.id from (
                 select id, event_seq, subject from delivery
                 where business_id = $1 and webhook_id = $2 and state = 'waiting' and due_at <= $4
                   and (lease_until is null or lease_until <= $4)
                 order by due_at, event_seq limit $6) as d
             where (select e.event_seq from delivery e
                    where e.business_id = $1 and e.webhook_id = $2 and e.subject = d.subject and e.state = 'waiting'
                      and e.event_seq < d.event_seq and (e.step < $7 or e.lease_until > $4)
                    order by e.event_seq limit 1) is null
             order by d.event_seq limit $5)
         returning business_id, id",
    )
    .bind(webhook.business_id)
    .bind(webhook.webhook_id)
    .bind(now.plus(lease))
    .bind(now)
    .bind(most)
    .bind(LOOK_AT)
    .bind(KEEPS_ORDER)
    .all()
    .await
}

/// Of the due deliveries that [`claim`] looks at, those that wait behind an earlier one of their subject are due no sooner than
/// that one, or its lease ends: else so many of one subject would hide all others, and the very one that they wait for. Gives how
/// many were put off.
pub async fn put_off(tx: &mut Tx, webhook: Addressee, now: Timestamp) -> Result<u64> {
    macro_rules! free_at {
        ($of:literal) => {
            concat!(
                "(select case when e.lease_until > e.due_at then e.lease_until else e.due_at end from delivery e
                  where e.business_id = $1 and e.webhook_id = $2 and e.subject = ",
                $of,
                ".subject and e.state = 'waiting' and e.event_seq < ",
                $of,
                ".event_seq and (e.step < $5 or e.lease_until > $3)
                  order by e.event_seq limit 1)"
            )
        };
    }
    // Uses delivery_due, delivery_by_subject.
    tx.sql(concat!(
        "update delivery set due_at = ",
        free_at!("delivery"),
        " where business_id = $1 and id in (
             select d.id from (
                 select id, event_seq, subject, due_at from delivery
                 where business_id = $1 and webhook_id = $2 and state = 'waiting' and due_at <= $3
                   and (lease_until is null or lease_until <= $3)
                 order by due_at, event_seq limit $4) as d
             where d.due_at < ",
        free_at!("d"),
        ")"
    ))
    .bind(webhook.business_id)
    .bind(webhook.webhook_id)
    .bind(now)
    .bind(LOOK_AT)
    .bind(KEEPS_ORDER)
    .run()
    .await
}

/// What was [put off](put_off) behind a delivery may be sent once that is over, or keeps nothing waiting any more: the next of its
/// subject, which lets those behind it follow in turn.
async fn let_follow(tx: &mut Tx, business: BusinessId, delivery: DeliveryId, now: Timestamp) -> Result<()> {
    // Uses delivery_by_subject.
    tx.sql(
        "update delivery set due_at = $3
         where business_id = $1 and due_at > $3 and step = 0 and id = (
             select e.id from delivery d
             join delivery e on e.business_id = d.business_id and e.webhook_id = d.webhook_id and e.subject = d.subject
               and e.state = 'waiting' and e.event_seq > d.event_seq
             where d.business_id = $1 and d.id = $2
             order by e.event_seq limit 1)",
    )
    .bind(business)
    .bind(delivery)
    .bind(now)
    .run()
    .await
    .map(drop)
}

/// What is needed to send a delivery.
#[derive(Clone, Debug)]
pub struct Order {
    /// The delivery.
    pub delivery: Delivery,
    /// The webhook.
    pub webhook: Webhook,
    /// The event.
    pub event: Written,
    /// The secrets that sign it.
    pub secrets: Vec<String>,
}

/// Everything that is needed to send a delivery; `None` when its webhook is gone.
pub async fn order(
    tx: &mut Tx,
    business: BusinessId,
    id: DeliveryId,
    now: Timestamp,
) -> Result<Option<Order>> {
    let Some(delivery) = delivery(tx, business, id).await? else { return Ok(None) };
    let webhook = find(tx, business, delivery.webhook_id).await?;
    let event = event(tx, business, delivery.seq).await?;
    let secrets = secrets(tx, business, delivery.webhook_id, now).await?;
    Ok(webhook.zip(event).map(|(webhook, event)| Order { delivery, webhook, event, secrets }))
}

/// How a webhook has fared lately: attempts that failed in a row, and since when.
pub async fn failure_state(
    tx: &mut Tx,
    business: BusinessId,
    id: WebhookId,
) -> Result<Option<(WebhookState, i64, Option<Timestamp>)>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        state: WebhookState,
        failures: i64,
        failing_since: Option<Timestamp>,
    }
    let row: Option<Row> = tx
        .sql("select state, failures, failing_since from webhook where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .optional()
        .await?;
    Ok(row.map(|row| (row.state, row.failures, row.failing_since)))
}

/// Enters an attempt.
pub async fn add_attempt(
    tx: &mut Tx,
    business: BusinessId,
    delivery: DeliveryId,
    attempt: &DeliveryAttempt,
) -> Result<()> {
    tx.sql(
        "insert into delivery_attempt (business_id, id, delivery_id, number, started_at, host, outcome, status,
                                       latency_ms, answer)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(business)
    .bind(attempt.request_id)
    .bind(delivery)
    .bind(attempt.number)
    .bind(attempt.started_at)
    .bind(attempt.host.clone())
    .bind(attempt.outcome)
    .bind(attempt.status)
    .bind(attempt.latency_ms)
    .bind(attempt.answer.clone())
    .run()
    .await
    .map(drop)
}

/// Writes what followed from an attempt on the delivery and its webhook.
pub async fn record_attempt(
    tx: &mut Tx,
    business: BusinessId,
    (delivery, webhook): (DeliveryId, WebhookId),
    attempt: &DeliveryAttempt,
    after: &NextAttempt,
    now: Timestamp,
) -> Result<()> {
    // What was in hand is not any more, so there is room for the next.
    tx.rings_for(business, webhook);
    let delivered = after.state == DeliveryState::Delivered;
    let finished = (after.state != DeliveryState::Waiting).then_some(now);
    tx.sql(
        "update delivery set state = $3, attempts = $4, step = $5, due_at = coalesce($6, due_at), outcome = $7,
                             finished_at = $8, lease_until = null
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(delivery)
    .bind(after.state)
    .bind(attempt.number)
    .bind(after.step)
    .bind(after.due_at)
    .bind(attempt.outcome)
    .bind(finished)
    .run()
    .await?;
    tx.sql(
        "update webhook set failures = $3, failing_since = $4, rest_until = $5, delivered_at = coalesce($6, delivered_at)
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(webhook)
    .bind(after.failures)
    .bind(after.failing_since)
    .bind(after.rest_until)
    .bind(delivered.then_some(now))
    .run()
    .await?;
    if after.state != DeliveryState::Waiting || after.step >= KEEPS_ORDER {
        let_follow(tx, business, delivery, now).await?;
    }
    if let Some(reason) = &after.disabled {
        stop(tx, business, webhook, WebhookState::Disabled, Some(reason.clone()), now).await?;
    }
    Ok(())
}

/// What is in hand is let go of by `until` at the latest.
pub async fn release(tx: &mut Tx, until: Timestamp) -> Result<()> {
    tx.sql("update delivery set lease_until = $1 where lease_until > $1").bind(until).run().await.map(drop)
}

/// The clock went back: what was to be sent later than now is due now, a little early rather than a day late, and nobody has
/// been failing since a day that has not come.
pub async fn clock_went_back(tx: &mut Tx, now: Timestamp) -> Result<()> {
    tx.sql("update webhook set failing_since = $1 where failing_since > $1").bind(now).run().await?;
    tx.sql("update webhook set rest_until = $1 where rest_until > $1").bind(now).run().await?;
    tx.sql("update delivery set due_at = $1 where state = 'waiting' and due_at > $1")
        .bind(now)
        .run()
        .await
        .map(drop)
}

/// How much waits, and since when.
#[derive(Clone, Copy, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct Backlog {
    /// Deliveries that wait.
    pub waiting: i64,
    /// When the oldest of them was entered.
    pub oldest: Option<Timestamp>,
}

/// How much waits for webhooks that are not paused, over all businesses.
pub async fn backlog(tx: &mut Tx) -> Result<Backlog> {
    tx.sql(
        "select count(*) as waiting, min(d.created_at) as oldest
         from webhook w join delivery d on d.business_id = w.business_id and d.webhook_id = w.id and d.state = 'waiting'
         where w.state = 'active'",
    )
    .one()
    .await
}

/// Businesses with deliveries or events that were written before `before`.
pub async fn with_old(tx: &mut Tx, before: Timestamp) -> Result<Vec<BusinessId>> {
    // Uses delivery_by_age and outbox_by_age, once for each business.
    tx.sql(
        "select b.id from business b
         where exists (select 1 from delivery d where d.business_id = b.id and d.created_at < $1)
            or exists (select 1 from outbox e where e.business_id = b.id and e.recorded_at < $1)
         order by b.id",
    )
    .bind(before)
    .values()
    .await
}

/// Forgets at most `most` deliveries of a business, and as many events, that were written before `before`. Gives
/// how many rows went; none when there is nothing left to forget.
pub async fn purge(tx: &mut Tx, business: BusinessId, before: Timestamp, most: i64) -> Result<u64> {
    // Uses delivery_by_age.
    let attempts = tx
        .sql(
            "delete from delivery_attempt where business_id = $1 and delivery_id in (
                 select id from delivery where business_id = $1 and created_at < $2 order by created_at, id limit $3)",
        )
        .bind(business)
        .bind(before)
        .bind(most)
        .run()
        .await?;
    let deliveries = tx
        .sql(
            "delete from delivery where business_id = $1 and id in (
                 select id from delivery where business_id = $1 and created_at < $2 order by created_at, id limit $3)",
        )
        .bind(business)
        .bind(before)
        .bind(most)
        .run()
        .await?;
    // From the front only, so that the numbers stay without a gap. Uses outbox_by_age, delivery_by_event.
    let events = tx
        .sql(
            "delete from outbox where business_id = $1 and seq in (
                 select e.seq from outbox e
                 where e.business_id = $1 and e.recorded_at < $2
                   and not exists (select 1 from delivery d where d.business_id = $1 and d.event_seq <= e.seq)
                 order by e.seq limit $3)",
        )
        .bind(business)
        .bind(before)
        .bind(most)
        .run()
        .await?;
    Ok(attempts + deliveries + events)
}
