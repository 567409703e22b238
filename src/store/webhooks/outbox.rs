//! The outbox: what others are to be told, written in the transaction of its cause.
//!
//! An event is written when some webhook of the business wants it, with a delivery for each that does. What many acts
//! of a transaction have to tell is written in one go; a business without webhooks pays nothing.

use serde_json::json;

use crate::{
    domain::{
        values::{BusinessId, DeliveryId, HerdId, MessageId, TankId, Timestamp, WebhookId},
        webhooks::{
            event::{Event, Topic},
            webhook::{Webhook, WebhookDetails, WebhookState, is_of_itself},
        },
    },
    store::{Result, Tx},
};

/// A webhook of the business, as far as writing needs to know it.
#[derive(Clone, Debug, sqlx::FromRow)]
struct Listener {
    id: WebhookId,
    state: WebhookState,
    #[sqlx(flatten)]
    details: WebhookDetails,
}

/// Others may want to be told: when the transaction is committed or [flushed](Tx::flush), the event is written with
/// a delivery for every webhook that wants it; nothing when none does.
///
/// The deliveries are due at once. A webhook that is disabled is not told, but the event is kept,
/// so that it can be sent on demand when the receiver is back.
pub fn write(tx: &mut Tx, business: BusinessId, now: Timestamp, event: Event) {
    tx.pending.of(business).event(now, event);
}

/// Whether a webhook is told of an event of that herd and tank: one that it asks for, but for those of itself.
fn wants(
    (id, details): (WebhookId, &WebhookDetails),
    topic: Topic,
    subject: &str,
    (herd, tank): (Option<HerdId>, Option<TankId>),
) -> bool {
    details.wants(topic, herd, tank) && !is_of_itself(id, topic, subject)
}

/// Writes events that waited, each that some webhook wants.
pub(in crate::store) async fn enter_all(
    tx: &mut Tx,
    business: BusinessId,
    events: &[(Timestamp, Event)],
) -> Result<()> {
    let listeners: Vec<Listener> = tx
        .sql(
            "select id, state, url, topics, herd_ids, tank_ids, note from webhook
             where business_id = $1 and state <> 'deleted'",
        )
        .bind(business)
        .all()
        .await?;
    let mut wanted = Vec::new();
    for (now, event) in events {
        let subject = event.subject.wire();
        let of = (event.herd, event.tank);
        let wants =
            |listener: &&Listener| wants((listener.id, &listener.details), event.kind.topic, &subject, of);
        let wanting: Vec<&Listener> = listeners.iter().filter(wants).collect();
        if !wanting.is_empty() {
            let told =
                |listener: &&&Listener| matches!(listener.state, WebhookState::Active | WebhookState::Paused);
            let deliveries = wanting.iter().filter(told).map(|listener| (DeliveryId::new(), listener.id));
            wanted.push(NewEvent { now: *now, event, deliveries: deliveries.collect() });
        }
    }
    enter(tx, business, &wanted).await
}

/// Writes an event for one webhook only, whatever it asks for; gives the delivery.
pub async fn write_to(
    tx: &mut Tx,
    business: BusinessId,
    webhook: WebhookId,
    now: Timestamp,
    event: &Event,
) -> Result<DeliveryId> {
    tx.flush().await?;
    let id = DeliveryId::new();
    enter(tx, business, &[NewEvent { now, event, deliveries: vec![(id, webhook)] }]).await?;
    Ok(id)
}

/// An event that a webhook was never told.
#[derive(Clone, Debug, sqlx::FromRow)]
struct Missed {
    seq: i64,
    topic: Topic,
    subject: String,
    herd_id: Option<HerdId>,
    tank_id: Option<TankId>,
}

/// Some events that follow one another, by their numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// The first.
    pub first: i64,
    /// The last.
    pub last: i64,
    /// Whether others follow.
    pub more: bool,
}

/// At most `most` events: those recorded since then whose number is above `after`. `None` when there are none.
pub async fn stretch(
    tx: &mut Tx,
    business: BusinessId,
    since: Timestamp,
    after: i64,
    most: i64,
) -> Result<Option<Stretch>> {
    #[derive(sqlx::FromRow)]
    struct Ends {
        first: Option<i64>,
        newest: i64,
    }
    // Uses outbox_by_age; the time of recording never goes back along the numbers.
    let ends: Option<Ends> = tx
        .sql(
            "select (select e.seq from outbox e where e.business_id = b.id and e.recorded_at >= $2
                     order by e.recorded_at, e.seq limit 1) as first,
                    b.event_seq as newest
             from business b where b.id = $1",
        )
        .bind(business)
        .bind(since)
        .optional()
        .await?;
    let Some(Ends { first: Some(first), newest }) = ends else { return Ok(None) };
    let first = first.max(after + 1);
    let last = newest.min(first + most - 1);
    Ok((first <= last).then_some(Stretch { first, last, more: last < newest }))
}

/// Enters deliveries, due at once, of the events of a stretch that a webhook asks for and was never told because it
/// was disabled, the oldest first. Gives how many.
pub async fn make_up(
    tx: &mut Tx,
    business: BusinessId,
    webhook: &Webhook,
    events: Stretch,
    now: Timestamp,
) -> Result<u64> {
    let missed: Vec<Missed> = tx
        .sql(
            "select e.seq, e.topic, e.subject, e.herd_id, e.tank_id from outbox e
             where e.business_id = $1 and e.seq between $3 and $4
               and not exists (select 1 from delivery d
                               where d.business_id = $1 and d.webhook_id = $2 and d.event_seq = e.seq)
             order by e.seq",
        )
        .bind(business)
        .bind(webhook.id)
        .bind(events.first)
        .bind(events.last)
        .all()
        .await?;
    let mut made = 0;
    for event in missed {
        let of = (event.herd_id, event.tank_id);
        if wants((webhook.id, &webhook.details), event.topic, &event.subject, of) {
            deliver(tx, business, webhook.id, event.seq, &event.subject, now).await?;
            made += 1;
        }
    }
    Ok(made)
}

/// An event to be written, with its deliveries.
struct NewEvent<'e> {
    now: Timestamp,
    event: &'e Event,
    deliveries: Vec<(DeliveryId, WebhookId)>,
}

/// Gives events their numbers and enters them with their deliveries, due at once. The time of recording never goes
/// back along the numbers, also when the clock does.
async fn enter(tx: &mut Tx, business: BusinessId, events: &[NewEvent<'_>]) -> Result<()> {
    if events.is_empty() {
        return Ok(());
    }
    let count = i64::try_from(events.len()).unwrap_or(i64::MAX);
    let last: Option<i64> = tx
        .sql("update business set event_seq = event_seq + $2 where id = $1 returning event_seq")
        .bind(business)
        .bind(count)
        .value()
        .await?;
    let first = last.ok_or(crate::store::Error::Database(sqlx::Error::RowNotFound))? - count + 1;
    let mut rows = Vec::new();
    let mut deliveries = Vec::new();
    for (seq, NewEvent { now, event, deliveries: to }) in (first..).zip(events) {
        let (subject, now) = (event.subject.wire(), now.utc().timestamp_micros());
        for (id, webhook) in to {
            tx.rings_for(business, *webhook);
            deliveries.push(json!([id, webhook, seq, subject, now]));
        }
        rows.push(json!([
            seq,
            MessageId::new(),
            event.kind.topic.as_str(),
            event.kind.phase.as_str(),
            subject,
            event.herd,
            event.tank,
            event.data,
            event.occurred_at.utc().timestamp_micros(),
            now,
        ]));
    }
    tx.sql_for(
        "insert into outbox (business_id, seq, id, topic, phase, subject, herd_id, tank_id, data, occurred_at,
                             recorded_at)
         select $1, e.value ->> 0, unhex(e.value ->> 1, '-'), e.value ->> 2, e.value ->> 3, e.value ->> 4,
                unhex(e.value ->> 5, '-'), unhex(e.value ->> 6, '-'), e.value -> 7, e.value ->> 8,
                max(e.value ->> 9, coalesce((select o.recorded_at from outbox o
                                             where o.business_id = $1 and o.seq = $2 - 1), 0))
         from json_each($3) as e;
         insert into delivery (business_id, id, webhook_id, event_seq, subject, state, due_at, created_at)
         select $1, unhex(d.value ->> 0, '-'), unhex(d.value ->> 1, '-'), d.value ->> 2, d.value ->> 3, 'waiting',
                d.value ->> 4, d.value ->> 4
         from json_each($4) as d",
        "with entered as (
             insert into outbox (business_id, seq, id, topic, phase, subject, herd_id, tank_id, data, occurred_at,
                                 recorded_at)
             select $1, (e.value ->> 0)::bigint, (e.value ->> 1)::uuid, e.value ->> 2, e.value ->> 3, e.value ->> 4,
                    (e.value ->> 5)::uuid, (e.value ->> 6)::uuid, e.value -> 7,
                    'epoch'::timestamptz + (e.value ->> 8)::bigint * interval '1 microsecond',
                    greatest('epoch'::timestamptz + (e.value ->> 9)::bigint * interval '1 microsecond',
                             (select o.recorded_at from outbox o where o.business_id = $1 and o.seq = $2 - 1))
             from json_array_elements($3::json) as e(value))
         insert into delivery (business_id, id, webhook_id, event_seq, subject, state, due_at, created_at)
         select $1, (d.value ->> 0)::uuid, (d.value ->> 1)::uuid, (d.value ->> 2)::bigint, d.value ->> 3, 'waiting',
                'epoch'::timestamptz + (d.value ->> 4)::bigint * interval '1 microsecond',
                'epoch'::timestamptz + (d.value ->> 4)::bigint * interval '1 microsecond'
         from json_array_elements($4::json) as d(value)",
    )
    .bind(business)
    .bind(first)
    .bind(json!(rows).to_string())
    .bind(json!(deliveries).to_string())
    .run()
    .await
    .map(drop)
}

/// Enters a delivery, due at once.
async fn deliver(
    tx: &mut Tx,
    business: BusinessId,
    webhook: WebhookId,
    seq: i64,
    subject: &str,
    now: Timestamp,
) -> Result<DeliveryId> {
    let id = DeliveryId::new();
    tx.rings_for(business, webhook);
    tx.sql(
        "insert into delivery (business_id, id, webhook_id, event_seq, subject, state, due_at, created_at)
         values ($1, $2, $3, $4, $5, 'waiting', $6, $6)",
    )
    .bind(business)
    .bind(id)
    .bind(webhook)
    .bind(seq)
    .bind(subject.to_owned())
    .bind(now)
    .run()
    .await?;
    Ok(id)
}
