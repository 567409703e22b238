//! Webhooks: who is told, and how it went.

use axum::{Json, extract::State, http::HeaderMap, response::Response};
use chrono::TimeDelta;
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{
        catalogue::Change,
        webhooks::webhook::{
            AddWebhook, ChangeState, ChangeWebhook, Redeliver, RedeliverSince, RedeliveryResult,
            RotateSecret, SendTest, StateChange,
        },
    },
    domain::{
        values::{DeliveryId, EventNumber, GraceHours, Timestamp, WebhookId},
        webhooks::{
            event::Topic,
            webhook::{Delivery, DeliveryAttempt, DeliveryState, Webhook, WebhookDetails},
        },
    },
    form,
    http::{
        App,
        answer::{Tagged, all_tagged, created, done, gone, tagged},
        docs::{IdempotencyKey, IfMatch, Problems},
        extract::{CommandRequest, DeleteRequest, Id, Manage, Permit},
        page::{Listing, NoFilter, Page, PageParams},
        problem::{Kind, Problem, no_random_numbers},
    },
    store,
    webhooks::{message::Message, seal::SecretKeys, sign::Secret},
};

/// A webhook that was just made.
#[derive(Serialize, ToSchema)]
#[allow(dead_code, reason = "describes an answer to which the secret is added at the last moment")]
pub struct WebhookWithSecret {
    #[serde(flatten)]
    webhook: Tagged<Webhook>,
    /// Signs every delivery; shown this once. A repeated answer under the same Idempotency-Key has none: ask for
    /// another then.
    #[schema(example = "whsec_AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8=", max_length = 100)]
    secret: Option<String>,
}

/// A webhook is made.
#[utoipa::path(post, path = "/v1/webhooks", operation_id = "create_webhook", tag = "Webhooks",
    summary = "Create a webhook",
    description = "Events are sent as CloudEvents 1.0 (structured JSON), signed as Standard Webhooks 1.0.0 say, at least once. \
        The answer shows the secret with which they are signed, this once. Only https and only public addresses, unless the \
        operator allows others; redirects are not followed.",
    request_body(content = WebhookDetails, example = json!({
        "url": "https://herd.example.com/tankside", "events": ["stock.low", "nitrogen.low"]
    })),
    params(IdempotencyKey),
    responses(
        (status = 201, description = "Made.", body = WebhookWithSecret,
         headers(("Location" = String, description = "Where it is to be found."),
                 ("ETag" = String, description = "Its version."))),
        Problems))]
async fn create(
    State(app): State<App>,
    command: CommandRequest<WebhookDetails, Manage>,
) -> Result<Response, Problem> {
    let secret = Secret::random().map_err(no_random_numbers)?;
    can_be_kept(&app.secret_keys)?;
    let shown = secret.reveal();
    let act = AddWebhook {
        details: command.body.clone(),
        secret,
        keys: app.secret_keys.clone(),
        reach: app.reach.clone(),
    };
    app.perform_and_show(command, act, &shown, |webhook| {
        tagged(201, Some(format!("/v1/webhooks/{}", webhook.id)), webhook)
    })
    .await
}

/// Webhooks.
#[utoipa::path(get, path = "/v1/webhooks", operation_id = "list_webhooks", tag = "Webhooks",
    summary = "List webhooks",
    params(PageParams),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<Tagged<Webhook>>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Manage>,
    listing: Listing<NoFilter>,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let rows = store::webhooks::webhook::list(&mut tx, caller.business_id, listing.by_id()?).await?;
    Ok(listing.list(all_tagged(rows)?, |webhook| webhook.thing.id.to_string()))
}

/// One webhook.
#[utoipa::path(get, path = "/v1/webhooks/{id}", operation_id = "get_webhook", tag = "Webhooks",
    summary = "Get a webhook",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses(
        (status = 200, description = "As it stands.", body = Tagged<Webhook>,
         headers(("ETag" = String, description = "Its version."))),
        (status = 304, description = "It is still the version in If-None-Match."),
        Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Manage>,
    Id(id): Id,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let found = store::webhooks::webhook::find(&mut tx, caller.business_id, WebhookId(id)).await?;
    let found = found.ok_or_else(|| Problem::not_there("webhook", id))?;
    Ok(Tagged::new(found)?.answer(&headers))
}

/// A webhook is changed.
#[utoipa::path(patch, path = "/v1/webhooks/{id}", operation_id = "update_webhook", tag = "Webhooks",
    summary = "Update a webhook",
    description = "A merge patch. With another address it is tried again at once.",
    request_body(content = WebhookDetails, content_type = "application/merge-patch+json",
        description = "The members that are to be different; null removes one (RFC 7396).",
        example = json!({"events": ["stock.low", "stock.out"]})),
    params(("id" = uuid::Uuid, Path, description = "Its id."), IdempotencyKey, IfMatch),
    responses(
        (status = 200, description = "As it stands now.", body = Tagged<Webhook>,
         headers(("ETag" = String, description = "Its new version."))),
        Problems))]
async fn change(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<serde_json::Value, Manage>,
) -> Result<Response, Problem> {
    let change = Change::<Webhook> {
        id,
        patch: command.body.clone(),
        if_match: command.if_match.clone(),
        kind: std::marker::PhantomData,
    };
    let act = ChangeWebhook { change, reach: app.reach.clone() };
    app.perform(command, act, |webhook| tagged(200, None, webhook)).await
}

/// A webhook is removed.
#[utoipa::path(delete, path = "/v1/webhooks/{id}", operation_id = "delete_webhook", tag = "Webhooks",
    summary = "Delete a webhook",
    description = "Nothing is sent to it any more. Its address and secrets are forgotten at once.",
    params(("id" = uuid::Uuid, Path, description = "Its id."), IdempotencyKey, IfMatch),
    responses((status = 204, description = "It is gone."), Problems))]
async fn remove(
    State(app): State<App>,
    Id(id): Id,
    removal: DeleteRequest<Manage>,
) -> Result<Response, Problem> {
    let act =
        ChangeState { webhook_id: WebhookId(id), change: StateChange::Remove, if_match: removal.if_match };
    app.do_for(removal.ask, act, |_| Ok(gone())).await
}

form! {
    /// Nothing more needs to be said.
    #[derive(Clone, ToSchema)]
    pub struct Nothing {}
}

/// A webhook waits.
#[utoipa::path(post, path = "/v1/webhooks/{id}/pause", operation_id = "pause_webhook", tag = "Webhooks",
    summary = "Pause a webhook",
    description = "Events are kept for it, up to 30 days, and sent when it is resumed.",
    request_body(content = Nothing, example = json!({})),
    params(("id" = uuid::Uuid, Path, description = "Its id."), IdempotencyKey, IfMatch),
    responses(
        (status = 200, description = "It waits.", body = Tagged<Webhook>,
         headers(("ETag" = String, description = "Its new version."))),
        Problems))]
async fn pause(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<Nothing, Manage>,
) -> Result<Response, Problem> {
    let act = ChangeState {
        webhook_id: WebhookId(id),
        change: StateChange::Pause,
        if_match: command.if_match.clone(),
    };
    app.perform(command, act, |webhook| tagged(200, None, webhook)).await
}

/// A webhook is told again.
#[utoipa::path(post, path = "/v1/webhooks/{id}/resume", operation_id = "resume_webhook", tag = "Webhooks",
    summary = "Resume a webhook",
    description = "Also one that was disabled. What it missed while it was disabled is sent by \
        `POST /v1/webhooks/{id}/redelivery`.",
    request_body(content = Nothing, example = json!({})),
    params(("id" = uuid::Uuid, Path, description = "Its id."), IdempotencyKey, IfMatch),
    responses(
        (status = 200, description = "It is told again.", body = Tagged<Webhook>,
         headers(("ETag" = String, description = "Its new version."))),
        Problems))]
async fn resume(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<Nothing, Manage>,
) -> Result<Response, Problem> {
    let act = ChangeState {
        webhook_id: WebhookId(id),
        change: StateChange::Resume,
        if_match: command.if_match.clone(),
    };
    app.perform(command, act, |webhook| tagged(200, None, webhook)).await
}

form! {
    /// How a secret is replaced.
    #[derive(Clone, ToSchema)]
    pub struct Rotation {
        /// How long both secrets sign, in hours; 0 when the old one is known to strangers. Default 24.
        #[schema(required = false)]
        pub grace_hours: GraceHours = GraceHours::DAY,
    }
}

/// A secret that was just made.
#[derive(Serialize, ToSchema)]
#[allow(dead_code, reason = "describes an answer to which the secret is added at the last moment")]
pub struct NewSecret {
    /// Until when deliveries are signed with the secret before as well.
    previous_valid_until: Timestamp,
    /// The new secret; shown this once. A repeated answer under the same Idempotency-Key has none: rotate again then.
    #[schema(example = "whsec_AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8=", max_length = 100)]
    secret: Option<String>,
}

/// A secret is replaced.
#[utoipa::path(post, path = "/v1/webhooks/{id}/secret-rotation", operation_id = "rotate_webhook_secret", tag = "Webhooks",
    summary = "Rotate a webhook's secret",
    description = "Deliveries carry both signatures, the new one first, until the grace period is over; a receiver that \
        knows either verifies them. A third secret ends the first at once.",
    request_body(content = Rotation, example = json!({"grace_hours": 24})),
    params(("id" = uuid::Uuid, Path, description = "The webhook."), IdempotencyKey),
    responses((status = 200, description = "Replaced.", body = NewSecret), Problems))]
async fn rotate(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<Rotation, Manage>,
) -> Result<Response, Problem> {
    let secret = Secret::random().map_err(no_random_numbers)?;
    can_be_kept(&app.secret_keys)?;
    let shown = secret.reveal();
    let act = RotateSecret {
        webhook_id: WebhookId(id),
        secret,
        keys: app.secret_keys.clone(),
        grace: TimeDelta::hours(command.body.grace_hours.get()),
    };
    app.perform_and_show(command, act, &shown, |until| {
        done(&serde_json::json!({"previous_valid_until": until}))
    })
    .await
}

/// Refuses to make a secret that could only be kept in the clear, where it was to be encrypted.
fn can_be_kept(keys: &SecretKeys) -> Result<(), Problem> {
    let Some(trouble) = keys.trouble() else { return Ok(()) };
    tracing::error!("no secret of a webhook can be made: {trouble}");
    Err(Problem::new(
        Kind::StoreUnavailable,
        "The key under which webhooks' secrets are encrypted is not to be had; who runs the service must see to it. Nothing \
         was changed.",
    ))
}

/// A delivery with what was sent and how each attempt went.
#[derive(Serialize, ToSchema)]
pub struct DeliveryDetail {
    #[serde(flatten)]
    delivery: Delivery,
    /// What is sent.
    message: Option<Message>,
    /// The latest attempts, at most 50, the last first.
    log: Vec<DeliveryAttempt>,
}

/// A test event is sent.
#[utoipa::path(post, path = "/v1/webhooks/{id}/test", operation_id = "test_webhook", tag = "Webhooks",
    summary = "Send a test event",
    description = "A `webhook.test` is sent to this webhook at once, whatever it asks for. How it went stands at `Location` a \
        moment later.",
    request_body(content = Nothing, example = json!({})),
    params(("id" = uuid::Uuid, Path, description = "The webhook."), IdempotencyKey),
    responses(
        (status = 201, description = "It is on its way.", body = Delivery,
         headers(("Location" = String, description = "The delivery."))),
        Problems))]
async fn test(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<Nothing, Manage>,
) -> Result<Response, Problem> {
    app.perform(command, SendTest { webhook_id: WebhookId(id) }, |delivery| {
        created(format!("/v1/deliveries/{}", delivery.id), &delivery)
    })
    .await
}

form! {
    /// Which deliveries a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct DeliveryFilter {
        /// Only in this state.
        pub state: Option<DeliveryState>,
        /// Only of this topic.
        pub event: Option<Topic>,
    }
}

/// Deliveries.
#[utoipa::path(get, path = "/v1/webhooks/{id}/deliveries", operation_id = "list_deliveries", tag = "Webhooks",
    summary = "List deliveries of a webhook",
    description = "Kept for 30 days.",
    params(("id" = uuid::Uuid, Path, description = "The webhook."), PageParams, DeliveryFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<Delivery>), Problems))]
async fn deliveries(
    State(app): State<App>,
    caller: Permit<Manage>,
    Id(id): Id,
    listing: Listing<DeliveryFilter>,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let business = caller.business_id;
    let webhook = store::webhooks::webhook::find(&mut tx, business, WebhookId(id)).await?;
    let webhook = webhook.ok_or_else(|| Problem::not_there("webhook", id))?;
    let DeliveryFilter { state, event } = listing.filter;
    let rows =
        store::webhooks::webhook::deliveries(&mut tx, business, webhook.id, state, event, listing.by_id()?)
            .await?;
    Ok(listing.list(rows, |delivery| delivery.id.to_string()))
}

/// One delivery.
#[utoipa::path(get, path = "/v1/deliveries/{id}", operation_id = "get_delivery", tag = "Webhooks",
    summary = "Get a delivery with its attempts",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = DeliveryDetail), Problems))]
async fn delivery(
    State(app): State<App>,
    caller: Permit<Manage>,
    Id(id): Id,
) -> Result<Json<DeliveryDetail>, Problem> {
    let mut tx = app.book.db.read().await?;
    let business = caller.business_id;
    let found = store::webhooks::webhook::delivery(&mut tx, business, DeliveryId(id)).await?;
    let found = found.ok_or_else(|| Problem::not_there("delivery", id))?;
    let event = store::webhooks::webhook::event(&mut tx, business, found.seq).await?;
    let log = store::webhooks::webhook::attempts(&mut tx, business, found.id).await?;
    Ok(Json(DeliveryDetail {
        delivery: found,
        message: event.map(|event| Message::of(business, &event)),
        log,
    }))
}

/// One delivery is sent once more.
#[utoipa::path(post, path = "/v1/deliveries/{id}/redelivery", operation_id = "redeliver_event", tag = "Webhooks",
    summary = "Redeliver an event",
    description = "Whatever became of it before; with the same `webhook-id`, and with the whole schedule of retries before it.",
    request_body(content = Nothing, example = json!({})),
    params(("id" = uuid::Uuid, Path, description = "The delivery."), IdempotencyKey),
    responses((status = 200, description = "It is on its way.", body = Delivery), Problems))]
async fn redeliver(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<Nothing, Manage>,
) -> Result<Response, Problem> {
    let act = Redeliver { delivery_id: DeliveryId(id) };
    app.perform(command, act, |delivery| done(&delivery)).await
}

form! {
    /// What is sent once more.
    #[derive(Clone, ToSchema)]
    pub struct Redelivery {
        /// Events recorded since then.
        pub since: Timestamp,
        /// And after the one of this number: `next_cursor` of the answer before, with the same `since`.
        #[schema(required = false)]
        pub after: EventNumber = EventNumber::BEGINNING,
        /// Also those that were delivered. Default false: those that failed, and those that happened while the webhook
        /// was disabled.
        #[schema(required = false)]
        pub also_delivered: bool = false,
    }
}

/// What a webhook missed is sent.
#[utoipa::path(post, path = "/v1/webhooks/{id}/redelivery", operation_id = "redeliver_events", tag = "Webhooks",
    summary = "Redeliver missed events",
    description = "At most 1000 events are looked at in one go, the oldest first. While `has_more` is true, ask again with \
        `next_cursor` as `after`.",
    request_body(content = Redelivery, example = json!({"since": "2026-03-01T00:00:00Z"})),
    params(("id" = uuid::Uuid, Path, description = "The webhook."), IdempotencyKey),
    responses((status = 200, description = "They are on their way.", body = RedeliveryResult), Problems))]
async fn redeliver_since(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<Redelivery, Manage>,
) -> Result<Response, Problem> {
    let Redelivery { since, after, also_delivered } = command.body;
    let act = RedeliverSince { webhook_id: WebhookId(id), since, after, also_delivered };
    app.perform(command, act, |result| done(&result)).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list, create))
        .routes(routes!(read, change, remove))
        .routes(routes!(pause))
        .routes(routes!(resume))
        .routes(routes!(rotate))
        .routes(routes!(test))
        .routes(routes!(deliveries))
        .routes(routes!(redeliver_since))
        .routes(routes!(delivery))
        .routes(routes!(redeliver))
}
