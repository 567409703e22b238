//! Whom events are told to: webhooks are made, changed, paused, resumed, removed, tried out, and told again.

use std::sync::Arc;

use chrono::TimeDelta;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    book::{
        CommandError,
        alerts::alert,
        catalogue::{CatalogueItem, Change, check_version},
        command::{Command, CommandContext},
        lookup,
    },
    domain::{
        alerts::{About, AlertKind},
        form::Fault,
        rejection::Rejection,
        values::{BusinessId, DeliveryId, EventNumber, Timestamp, WebhookId},
        webhooks::{
            address::EgressPolicy,
            event::{self, Event, Subject, Topic, WebhookTest},
            webhook::{Delivery, MOST_WEBHOOKS, Webhook, WebhookDetails, WebhookState},
        },
    },
    store::{self, Tx, webhooks::outbox},
    webhooks::{
        seal::{SealError, SecretKeys},
        sign::Secret,
    },
};

impl CatalogueItem for Webhook {
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
    async fn check(&self, cx: &mut CommandContext<'_>, _: Option<&Self>) -> Result<(), CommandError> {
        for (n, herd) in self.details.herd_ids.0.iter().enumerate() {
            lookup::herd(cx, *herd, Some(&format!("#/herd_ids/{n}"))).await?;
        }
        for (n, tank) in self.details.tank_ids.0.iter().enumerate() {
            lookup::tank(cx, *tank, Some(&format!("#/tank_ids/{n}"))).await?;
        }
        Ok(())
    }
}

/// Refuses an address to which this service does not send, as far as that can be told now.
fn in_reach(webhook: &Webhook, reach: &EgressPolicy) -> Result<(), Rejection> {
    let judged = webhook.details.url.parts().map(|url| reach.judge_url(&url));
    match judged {
        Some(Err(blocked)) => Err(Rejection::Invalid(vec![Fault::at("url", blocked.to_string())])),
        _ => Ok(()),
    }
}

async fn found(cx: &mut CommandContext<'_>, id: WebhookId) -> Result<Webhook, CommandError> {
    let business = cx.business();
    let webhook = store::webhooks::webhook::find(cx.tx, business, id).await?;
    webhook.ok_or_else(|| Rejection::Unknown { what: Webhook::WHAT, id: id.0, pointer: None }.into())
}

/// Refuses what only makes sense for a webhook that is told something.
fn active(webhook: &Webhook) -> Result<(), Rejection> {
    if webhook.state == WebhookState::Active {
        return Ok(());
    }
    Err(Rejection::WebhookNotActive { webhook: webhook.id, state: webhook.state })
}

/// Nothing of a secret is kept that cannot be encrypted as the operator wants it.
fn cannot_be_kept(error: &SealError) -> CommandError {
    store::Error::Unusable(error.to_string()).into()
}

/// Makes a webhook.
pub struct AddWebhook {
    /// What is said of it.
    pub details: WebhookDetails,
    /// Its secret, to be shown once.
    pub secret: Secret,
    /// What the secret is encrypted with.
    pub keys: Arc<SecretKeys>,
    /// Where webhooks may lead.
    pub reach: Arc<EgressPolicy>,
}

impl Command for AddWebhook {
    type Done = Webhook;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Webhook, CommandError> {
        let webhook = Webhook::new(self.details.clone(), cx.now);
        in_reach(&webhook, &self.reach)?;
        webhook.check(cx, None).await?;
        let business = cx.business();
        if store::webhooks::webhook::count(cx.tx, business).await? >= MOST_WEBHOOKS {
            return Err(Rejection::TooManyWebhooks.into());
        }
        webhook.add(cx.tx, business).await?;
        let kept =
            self.keys.seal(business, webhook.id, &self.secret).map_err(|error| cannot_be_kept(&error))?;
        store::webhooks::webhook::add_secret(cx.tx, business, webhook.id, &kept, cx.now, cx.now).await?;
        Ok(webhook)
    }
}

/// Changes a webhook. Another address is given another chance at once.
pub struct ChangeWebhook {
    /// The change.
    pub change: Change<Webhook>,
    /// Where webhooks may lead.
    pub reach: Arc<EgressPolicy>,
}

impl Command for ChangeWebhook {
    type Done = Webhook;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Webhook, CommandError> {
        let before = found(cx, WebhookId(self.change.id)).await?;
        let after = self.change.run(cx).await?;
        if after.details.url == before.details.url {
            return Ok(after);
        }
        in_reach(&after, &self.reach)?;
        let business = cx.business();
        store::webhooks::webhook::reset(cx.tx, business, after.id).await?;
        Ok(Webhook { failing_since: None, ..after })
    }
}

/// What is done to a webhook without more words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StateChange {
    /// It waits.
    Pause,
    /// It is told again.
    Resume,
    /// It is removed.
    Remove,
}

/// Pauses, resumes or removes a webhook.
pub struct ChangeState {
    /// Which.
    pub webhook_id: WebhookId,
    /// What is done.
    pub change: StateChange,
    /// The versions of which one must still be in the book.
    pub if_match: Option<Vec<String>>,
}

impl Command for ChangeState {
    type Done = Webhook;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Webhook, CommandError> {
        let webhook = found(cx, self.webhook_id).await?;
        check_version(self.if_match.as_deref(), &webhook)?;
        let business = cx.business();
        match self.change {
            StateChange::Pause if webhook.state == WebhookState::Disabled => active(&webhook)?,
            StateChange::Pause => store::webhooks::webhook::pause(cx.tx, business, webhook.id).await?,
            StateChange::Resume => store::webhooks::webhook::resume(cx.tx, business, webhook.id).await?,
            StateChange::Remove => {
                store::webhooks::webhook::remove(cx.tx, business, webhook.id, cx.now).await?;
            }
        }
        if webhook.state == WebhookState::Disabled {
            let about = About::webhook(webhook.id);
            alert::settle(cx.tx, business, cx.now, AlertKind::WebhookDisabled, about).await?;
        }
        match self.change {
            StateChange::Remove => Ok(webhook),
            StateChange::Pause | StateChange::Resume => found(cx, self.webhook_id).await,
        }
    }
}

/// Gives a webhook another secret.
pub struct RotateSecret {
    /// Which.
    pub webhook_id: WebhookId,
    /// The new secret, to be shown once.
    pub secret: Secret,
    /// What it is encrypted with.
    pub keys: Arc<SecretKeys>,
    /// How long the one before stays good.
    pub grace: TimeDelta,
}

impl Command for RotateSecret {
    /// Until when the one before is good.
    type Done = Timestamp;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Timestamp, CommandError> {
        let webhook = found(cx, self.webhook_id).await?;
        let business = cx.business();
        let until = cx.now.plus(self.grace);
        let kept =
            self.keys.seal(business, webhook.id, &self.secret).map_err(|error| cannot_be_kept(&error))?;
        store::webhooks::webhook::add_secret(cx.tx, business, webhook.id, &kept, until, cx.now).await?;
        Ok(until)
    }
}

/// Sends a test event to a webhook.
pub struct SendTest {
    /// Which.
    pub webhook_id: WebhookId,
}

impl Command for SendTest {
    type Done = Delivery;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Delivery, CommandError> {
        let webhook = found(cx, self.webhook_id).await?;
        active(&webhook)?;
        let business = cx.business();
        let event = Event {
            kind: Topic::WebhookTest.happened(),
            subject: Subject::Webhook(webhook.id),
            occurred_at: cx.now,
            herd: None,
            tank: None,
            data: event::data(&WebhookTest { webhook_id: webhook.id }),
        };
        let delivery = outbox::write_to(cx.tx, business, webhook.id, cx.now, &event).await?;
        store::webhooks::webhook::resume_after_backoff(cx.tx, business, webhook.id).await?;
        delivery_of(cx, delivery).await
    }
}

async fn delivery_of(cx: &mut CommandContext<'_>, id: DeliveryId) -> Result<Delivery, CommandError> {
    let business = cx.business();
    let delivery = store::webhooks::webhook::delivery(cx.tx, business, id).await?;
    delivery.ok_or_else(|| Rejection::Unknown { what: "delivery", id: id.0, pointer: None }.into())
}

/// Sends one delivery once more.
pub struct Redeliver {
    /// Which.
    pub delivery_id: DeliveryId,
}

impl Command for Redeliver {
    type Done = Delivery;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Delivery, CommandError> {
        let delivery = delivery_of(cx, self.delivery_id).await?;
        active(&found(cx, delivery.webhook_id).await?)?;
        let business = cx.business();
        store::webhooks::webhook::redeliver(cx.tx, business, delivery.id, cx.now).await?;
        store::webhooks::webhook::resume_after_backoff(cx.tx, business, delivery.webhook_id).await?;
        delivery_of(cx, self.delivery_id).await
    }
}

/// Events that one act looks at: it shares its transaction with withdrawals.
const MOST_TOGETHER: i64 = 1000;

/// Sends again what a webhook missed.
pub struct RedeliverSince {
    /// Which webhook.
    pub webhook_id: WebhookId,
    /// Of events recorded since then.
    pub since: Timestamp,
    /// And whose number is above this one.
    pub after: EventNumber,
    /// Whether also what was delivered is sent again.
    pub also_delivered: bool,
}

/// How many are sent once more.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct RedeliveryResult {
    /// So many deliveries are due now.
    #[schema(minimum = 0)]
    pub deliveries: u64,
    /// The number of the last event that was looked at: the `after` of the next request.
    #[schema(minimum = 0)]
    pub next_cursor: i64,
    /// Whether there are events after it; then ask again.
    pub has_more: bool,
}

impl Command for RedeliverSince {
    type Done = RedeliveryResult;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<RedeliveryResult, CommandError> {
        let (since, _) = lookup::client_time(Some(self.since), cx, "since")?;
        let webhook = found(cx, self.webhook_id).await?;
        active(&webhook)?;
        let (business, now) = (cx.business(), cx.now);
        let after = self.after.get();
        let Some(events) = outbox::stretch(cx.tx, business, since, after, MOST_TOGETHER).await? else {
            return Ok(RedeliveryResult { deliveries: 0, next_cursor: after, has_more: false });
        };
        let again = store::webhooks::webhook::redeliver_stretch(
            cx.tx,
            business,
            webhook.id,
            events,
            self.also_delivered,
            now,
        )
        .await?;
        let missed = outbox::make_up(cx.tx, business, &webhook, events, now).await?;
        store::webhooks::webhook::resume_after_backoff(cx.tx, business, webhook.id).await?;
        Ok(RedeliveryResult { deliveries: again + missed, next_cursor: events.last, has_more: events.more })
    }
}
