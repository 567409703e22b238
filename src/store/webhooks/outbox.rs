//! The outbox: what others are to be told, written in the transaction of its cause.
//!
//! An event is written when some webhook of the business wants it, with a delivery for each that
//! does. A business without webhooks pays one look at an index for each event and no write.

use crate::{
    domain::{
        values::{BusinessId, DeliveryId, HerdId, MessageId, TankId, Timestamp, WebhookId},
        webhooks::{
            event::{Event, Topic},
            webhook::{Webhook, WebhookDetails, WebhookState},
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

/// Writes an event and a delivery of it for every webhook that wants it; nothing when none does.
///
/// The deliveries are due at once. A webhook that is disabled is not told, but the event is kept,
/// so that it can be sent on demand when the receiver is back.
pub async fn write(tx: &mut Tx, business: BusinessId, now: Timestamp, event: &Event) -> Result<()> {
    let listeners: Vec<Listener> = tx
        .sql(
            "select id, state, url, topics, herd_ids, tank_ids, note from webhook
             where business_id = $1 and state <> 'deleted'",
        )
        .bind(business)
        .all()
        .await?;
    let wants = |listener: &Listener| listener.details.wants(event.kind.topic, event.herd, event.tank);
    let listeners: Vec<Listener> = listeners.into_iter().filter(wants).collect();
    if listeners.is_empty() {
        return Ok(());
    }
    let seq = enter(tx, business, now, event).await?;
    let subject = event.subject.wire();
    for listener in listeners {
        if matches!(listener.state, WebhookState::Active | WebhookState::Paused) {
            deliver(tx, business, listener.id, seq, &subject, now).await?;
        }
    }
    Ok(())
}

/// Writes an event for one webhook only, whatever it asks for; gives the delivery.
pub async fn write_to(
    tx: &mut Tx,
    business: BusinessId,
    webhook: WebhookId,
    now: Timestamp,
    event: &Event,
) -> Result<DeliveryId> {
    let seq = enter(tx, business, now, event).await?;
    deliver(tx, business, webhook, seq, &event.subject.wire(), now).await
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

/// Events that are looked at in one statement for some that a webhook missed.
const LOOK_AT: i64 = 1000;

/// Enters deliveries, due at once, of events written since then that a webhook asks for and was never told
/// because it was disabled: at most `most`, the oldest first. Gives how many.
pub async fn make_up(
    tx: &mut Tx,
    business: BusinessId,
    webhook: &Webhook,
    since: Timestamp,
    most: u64,
    now: Timestamp,
) -> Result<u64> {
    let (mut made, mut after) = (0, 0);
    loop {
        // Uses outbox_by_age.
        let missed: Vec<Missed> = tx
            .sql(
                "select e.seq, e.topic, e.subject, e.herd_id, e.tank_id from outbox e
                 where e.business_id = $1 and e.recorded_at >= $3 and e.seq > $4
                   and not exists (select 1 from delivery d
                                   where d.business_id = $1 and d.webhook_id = $2 and d.event_seq = e.seq)
                 order by e.seq limit $5",
            )
            .bind(business)
            .bind(webhook.id)
            .bind(since)
            .bind(after)
            .bind(LOOK_AT)
            .all()
            .await?;
        let Some(last) = missed.last() else { return Ok(made) };
        after = last.seq;
        for event in missed {
            if made >= most {
                return Ok(made);
            }
            if webhook.details.wants(event.topic, event.herd_id, event.tank_id) {
                deliver(tx, business, webhook.id, event.seq, &event.subject, now).await?;
                made += 1;
            }
        }
    }
}

/// Gives the event its number and enters it. The time of recording never goes back along the numbers, also when
/// the clock does.
async fn enter(tx: &mut Tx, business: BusinessId, now: Timestamp, event: &Event) -> Result<i64> {
    let seq: Option<i64> = tx
        .sql("update business set event_seq = event_seq + 1 where id = $1 returning event_seq")
        .bind(business)
        .value()
        .await?;
    let seq = seq.ok_or(crate::store::Error::Database(sqlx::Error::RowNotFound))?;
    tx.sql(
        "insert into outbox (business_id, seq, id, topic, phase, subject, herd_id, tank_id, data, occurred_at,
                             recorded_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10,
                 coalesce((select case when e.recorded_at > $11 then e.recorded_at end
                           from outbox e where e.business_id = $1 and e.seq = $2 - 1), $11))",
    )
    .bind(business)
    .bind(seq)
    .bind(MessageId::new())
    .bind(event.kind.topic)
    .bind(event.kind.phase)
    .bind(event.subject.wire())
    .bind(event.herd)
    .bind(event.tank)
    .bind(event.data.clone())
    .bind(event.occurred_at)
    .bind(now)
    .run()
    .await?;
    Ok(seq)
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
