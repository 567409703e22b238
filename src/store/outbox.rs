//! The outbox: what others are to be told, written in the transaction of its cause.
//!
//! An event is written when some webhook of the business wants it, with a delivery for each that
//! does. A business without webhooks pays one look at an index for each event and no write.

use super::{Result, Tx};
use crate::domain::{
    event::{Event, Topic},
    values::{BusinessId, DeliveryId, HerdId, MessageId, TankId, Timestamp, WebhookId},
    webhook::WebhookState,
};

/// A webhook that wants an event, as far as writing needs to know it.
#[derive(Clone, Copy, Debug, sqlx::FromRow)]
struct Listener {
    id: WebhookId,
    state: WebhookState,
}

/// Writes an event and a delivery of it for every webhook that wants it; nothing when none does.
///
/// The deliveries are due at once. A webhook that is disabled is not told, but the event is kept,
/// so that it can be sent on demand when the receiver is back.
pub async fn write(tx: &mut Tx, business: BusinessId, now: Timestamp, event: &Event) -> Result<()> {
    let listeners = listeners(tx, business, event.kind.topic, event.herd, event.tank).await?;
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

/// The webhooks that ask for this: by topic, and by herd or tank when they are limited to some.
async fn listeners(
    tx: &mut Tx,
    business: BusinessId,
    topic: Topic,
    herd: Option<HerdId>,
    tank: Option<TankId>,
) -> Result<Vec<Listener>> {
    tx.sql_for(
        "select id, state from webhook w
         where business_id = $1 and state <> 'deleted'
           and (w.topics = '[]' or exists (select 1 from json_each(w.topics) where value = $2))
           and (w.herd_ids = '[]' and w.tank_ids = '[]'
                or exists (select 1 from json_each(w.herd_ids) where value = $3)
                or exists (select 1 from json_each(w.tank_ids) where value = $4))",
        "select id, state from webhook w
         where business_id = $1 and state <> 'deleted'
           and (w.topics = '[]' or w.topics @> to_jsonb($2::text))
           and (w.herd_ids = '[]' and w.tank_ids = '[]'
                or coalesce(w.herd_ids @> to_jsonb($3::text), false)
                or coalesce(w.tank_ids @> to_jsonb($4::text), false))",
    )
    .bind(business)
    .bind(topic.as_str())
    .bind(herd.map(|id| id.to_string()))
    .bind(tank.map(|id| id.to_string()))
    .all()
    .await
}

/// Gives the event its number and enters it.
async fn enter(tx: &mut Tx, business: BusinessId, now: Timestamp, event: &Event) -> Result<i64> {
    let seq: Option<i64> = tx
        .sql("update business set event_seq = event_seq + 1 where id = $1 returning event_seq")
        .bind(business)
        .value()
        .await?;
    let seq = seq.ok_or(super::Error::Database(sqlx::Error::RowNotFound))?;
    tx.sql(
        "insert into outbox (business_id, seq, id, topic, phase, subject, herd_id, tank_id, data, occurred_at,
                             recorded_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
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
