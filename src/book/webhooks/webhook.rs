//! Whom events are told to: webhooks are made, changed, paused, resumed, removed, tried out, and told again.

use std::sync::Arc;

use chrono::TimeDelta;
use uuid::Uuid;

use crate::{
    book::{
        Refusal, Stop,
        catalogue::{Change, Entered},
        lookup,
        writer::{Act, Turn},
    },
    domain::{
        form::Fault,
        values::{BusinessId, DeliveryId, Timestamp, WebhookId},
        webhooks::{
            address::Reach,
            event::{self, Event, Subject, Topic, WebhookTest},
            webhook::{MOST_WEBHOOKS, Webhook, WebhookDetails, WebhookState},
        },
    },
    store::{
        self, Tx,
        webhooks::{outbox, webhook::Delivery},
    },
};

impl Entered for Webhook {
    type Details = WebhookDetails;
    const WHAT: &'static str = "webhook";

    fn new(details: WebhookDetails, now: Timestamp) -> Self {
        Self {
            id: WebhookId::new(),
            details,
            state: WebhookState::Active,
            disabled_reason: None,
            failing_since: None,
            created_at: now,
        }
    }
    fn id(&self) -> Uuid {
        self.id.0
    }
    fn details(&self) -> &WebhookDetails {
        &self.details
    }
    fn with(self, details: WebhookDetails) -> Self {
        Self { details, ..self }
    }
    async fn find(tx: &mut Tx, business: BusinessId, id: Uuid) -> store::Result<Option<Self>> {
        store::webhooks::webhook::find(tx, business, WebhookId(id)).await
    }
    async fn add(&self, tx: &mut Tx, business: BusinessId) -> store::Result<()> {
        store::webhooks::webhook::add(tx, business, self).await
    }
    async fn change(&self, tx: &mut Tx, business: BusinessId) -> store::Result<()> {
        store::webhooks::webhook::change(tx, business, self.id, &self.details).await
    }
    async fn check(&self, turn: &mut Turn<'_>, _: Option<&Self>) -> Result<(), Stop> {
        for (n, herd) in self.details.herd_ids.0.iter().enumerate() {
            lookup::herd(turn, *herd, Some(&format!("#/herd_ids/{n}"))).await?;
        }
        for (n, tank) in self.details.tank_ids.0.iter().enumerate() {
            lookup::tank(turn, *tank, Some(&format!("#/tank_ids/{n}"))).await?;
        }
        Ok(())
    }
}

/// Refuses an address to which this service does not send, as far as that can be told now.
fn in_reach(webhook: &Webhook, reach: &Reach) -> Result<(), Refusal> {
    let judged = webhook.details.url.parts().map(|url| reach.judge_url(&url));
    match judged {
        Some(Err(blocked)) => Err(Refusal::Invalid(vec![Fault::at("url", blocked.to_string())])),
        _ => Ok(()),
    }
}

async fn found(turn: &mut Turn<'_>, id: WebhookId) -> Result<Webhook, Stop> {
    let business = turn.business();
    let webhook = store::webhooks::webhook::find(turn.tx, business, id).await?;
    webhook.ok_or_else(|| Refusal::Unknown { what: Webhook::WHAT, id: id.0, pointer: None }.into())
}

/// Refuses what only makes sense for a webhook that is told something.
fn active(webhook: &Webhook) -> Result<(), Refusal> {
    if webhook.state == WebhookState::Active {
        return Ok(());
    }
    Err(Refusal::WebhookNotActive { webhook: webhook.id, state: webhook.state })
}

/// Makes a webhook.
pub struct AddWebhook {
    /// What is said of it.
    pub details: WebhookDetails,
    /// Its secret, to be shown once.
    pub secret: String,
    /// Where webhooks may lead.
    pub reach: Arc<Reach>,
}

impl Act for AddWebhook {
    type Done = Webhook;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<Webhook, Stop> {
        let webhook = Webhook::new(self.details.clone(), turn.now);
        in_reach(&webhook, &self.reach)?;
        webhook.check(turn, None).await?;
        let business = turn.business();
        if store::webhooks::webhook::count(turn.tx, business).await? >= MOST_WEBHOOKS {
            return Err(Refusal::TooManyWebhooks.into());
        }
        webhook.add(turn.tx, business).await?;
        store::webhooks::webhook::add_secret(turn.tx, business, webhook.id, &self.secret, turn.now, turn.now)
            .await?;
        Ok(webhook)
    }
}

/// Changes a webhook. Another address is given another chance at once.
pub struct ChangeWebhook {
    /// The change.
    pub change: Change<Webhook>,
    /// Where webhooks may lead.
    pub reach: Arc<Reach>,
}

impl Act for ChangeWebhook {
    type Done = Webhook;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<Webhook, Stop> {
        let before = found(turn, WebhookId(self.change.id)).await?;
        let after = self.change.perform(turn).await?;
        if after.details.url == before.details.url {
            return Ok(after);
        }
        in_reach(&after, &self.reach)?;
        let business = turn.business();
        store::webhooks::webhook::forgive(turn.tx, business, after.id).await?;
        Ok(Webhook { failing_since: None, ..after })
    }
}

/// What is done to a webhook without more words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// It waits.
    Pause,
    /// It is told again.
    Resume,
    /// It is removed.
    Remove,
}

/// Pauses, resumes or removes a webhook.
pub struct Take {
    /// Which.
    pub webhook_id: WebhookId,
    /// What is done.
    pub step: Step,
    /// The versions of which one must still be in the book.
    pub if_match: Option<Vec<String>>,
}

impl Act for Take {
    type Done = Webhook;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<Webhook, Stop> {
        let webhook = found(turn, self.webhook_id).await?;
        if self.if_match.as_ref().is_some_and(|wanted| !wanted.contains(&crate::book::catalogue::version(&webhook)))
        {
            return Err(Refusal::Stale.into());
        }
        let business = turn.business();
        match self.step {
            Step::Pause if webhook.state == WebhookState::Disabled => active(&webhook)?,
            Step::Pause => store::webhooks::webhook::pause(turn.tx, business, webhook.id).await?,
            Step::Resume => store::webhooks::webhook::resume(turn.tx, business, webhook.id).await?,
            Step::Remove => {
                store::webhooks::webhook::remove(turn.tx, business, webhook.id, turn.now).await?;
                return Ok(webhook);
            }
        }
        found(turn, self.webhook_id).await
    }
}

/// Gives a webhook another secret.
pub struct RotateSecret {
    /// Which.
    pub webhook_id: WebhookId,
    /// The new secret, to be shown once.
    pub secret: String,
    /// How long the one before stays good.
    pub grace: TimeDelta,
}

impl Act for RotateSecret {
    /// Until when the one before is good.
    type Done = Timestamp;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<Timestamp, Stop> {
        let webhook = found(turn, self.webhook_id).await?;
        let business = turn.business();
        let until = turn.now.plus(self.grace);
        store::webhooks::webhook::add_secret(turn.tx, business, webhook.id, &self.secret, until, turn.now)
            .await?;
        Ok(until)
    }
}

/// Sends a test event to a webhook.
pub struct Try {
    /// Which.
    pub webhook_id: WebhookId,
}

impl Act for Try {
    type Done = Delivery;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<Delivery, Stop> {
        let webhook = found(turn, self.webhook_id).await?;
        active(&webhook)?;
        let business = turn.business();
        let event = Event {
            kind: Topic::WebhookTest.happened(),
            subject: Subject::Webhook(webhook.id),
            occurred_at: turn.now,
            herd: None,
            tank: None,
            data: event::data(&WebhookTest { webhook_id: webhook.id }),
        };
        let delivery = outbox::write_to(turn.tx, business, webhook.id, turn.now, &event).await?;
        store::webhooks::webhook::wake(turn.tx, business, webhook.id).await?;
        delivery_of(turn, delivery).await
    }
}

async fn delivery_of(turn: &mut Turn<'_>, id: DeliveryId) -> Result<Delivery, Stop> {
    let business = turn.business();
    let delivery = store::webhooks::webhook::delivery(turn.tx, business, id).await?;
    delivery.ok_or_else(|| Refusal::Unknown { what: "delivery", id: id.0, pointer: None }.into())
}

/// Sends one delivery once more.
pub struct Redeliver {
    /// Which.
    pub delivery_id: DeliveryId,
}

impl Act for Redeliver {
    type Done = Delivery;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<Delivery, Stop> {
        let delivery = delivery_of(turn, self.delivery_id).await?;
        active(&found(turn, delivery.webhook_id).await?)?;
        let business = turn.business();
        store::webhooks::webhook::redeliver(turn.tx, business, delivery.id, turn.now).await?;
        store::webhooks::webhook::wake(turn.tx, business, delivery.webhook_id).await?;
        delivery_of(turn, self.delivery_id).await
    }
}

/// Deliveries that are sent once more by one act: it shares its transaction with withdrawals.
const MOST_TOGETHER: u64 = 1000;

/// Sends again what a webhook missed.
pub struct RedeliverSince {
    /// Which webhook.
    pub webhook_id: WebhookId,
    /// Of events recorded since then.
    pub since: Timestamp,
    /// Whether also what was delivered is sent again.
    pub also_delivered: bool,
}

/// How many are sent again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Redelivered {
    /// So many now.
    pub deliveries: u64,
    /// Whether there may be more, for another call.
    pub more: bool,
}

impl Act for RedeliverSince {
    type Done = Redelivered;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<Redelivered, Stop> {
        let (since, _) = lookup::told_time(Some(self.since), turn, "since")?;
        let webhook = found(turn, self.webhook_id).await?;
        active(&webhook)?;
        let (business, now) = (turn.business(), turn.now);
        let most = i64::try_from(MOST_TOGETHER).unwrap_or(i64::MAX);
        let again = store::webhooks::webhook::redeliver_since(
            turn.tx,
            business,
            webhook.id,
            since,
            self.also_delivered,
            most,
            now,
        )
        .await?;
        let left = MOST_TOGETHER - again;
        let missed = outbox::make_up(turn.tx, business, &webhook, since, left, now).await?;
        store::webhooks::webhook::wake(turn.tx, business, webhook.id).await?;
        let deliveries = again + missed;
        Ok(Redelivered { deliveries, more: deliveries >= MOST_TOGETHER })
    }
}
