//! Alerts: what needs attention.

use axum::{Json, extract::State, response::Response};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::alerts::alert::Acknowledge,
    domain::{
        alerts::{Alert, AlertKind},
        values::{AlertId, HerdId, Note, Reason, TankId},
    },
    form,
    http::{
        App,
        access::limits::Within,
        answer::done,
        docs::{IdempotencyKey, Problems},
        extract::{CommandRequest, Id, Optional, Permit, Read, Work},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store::{self, alerts::alert::WantedAlerts},
};

form! {
    /// Which alerts a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct AlertFilter {
        /// True: those that are open; false: those that are over.
        pub open: Option<bool>,
        /// Only of this kind.
        pub kind: Option<AlertKind>,
        /// Only about this, as an alert's `subject` says it.
        pub subject: Option<Reason>,
        /// Only about this herd.
        pub herd_id: Option<HerdId>,
        /// Only about this tank.
        pub tank_id: Option<TankId>,
    }
}

/// Alerts.
#[utoipa::path(get, path = "/v1/alerts", operation_id = "list_alerts", tag = "Alerts",
    summary = "List alerts",
    description = "One alert is open for each kind and subject: opened when its condition begins, told again at most daily until \
        somebody acknowledges it, over when its condition is. Each step is an event for webhooks.",
    params(PageParams, AlertFilter),
    responses((status = 200, description = "A page of them, in the order in which they were opened.", body = Page<Alert>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    listing: Listing<AlertFilter>,
) -> Result<Response, Problem> {
    let f = &listing.filter;
    let wanted = WantedAlerts {
        open: f.open,
        kind: f.kind,
        subject: f.subject.as_ref().map(ToString::to_string),
        herd: f.herd_id,
        tank: f.tank_id,
    };
    let mut tx = app.book.db.read().await?;
    let rows = store::alerts::alert::list(&mut tx, caller.business_id, &wanted, listing.by_id()?).await?;
    Ok(listing.list_within(rows, |alert| alert.id.to_string(), |alert| caller.may_see(alert)))
}

/// One alert.
#[utoipa::path(get, path = "/v1/alerts/{id}", operation_id = "get_alert", tag = "Alerts",
    summary = "Get an alert",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = Alert), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
) -> Result<Json<Alert>, Problem> {
    let mut tx = app.book.db.read().await?;
    let found = store::alerts::alert::find(&mut tx, caller.business_id, AlertId(id)).await?;
    found.map(Json).ok_or_else(|| Problem::not_there("alert", id))
}

form! {
    /// What there is to say.
    #[derive(Clone, ToSchema)]
    pub struct NewAcknowledgement {
        /// A remark.
        pub note: Option<Note>,
    }
}

/// Somebody takes an alert on.
#[utoipa::path(post, path = "/v1/alerts/{id}/acknowledgement", operation_id = "acknowledge_alert", tag = "Alerts",
    summary = "Acknowledge an alert",
    description = "It is not told again while it stays open, and is over when its condition is. An alert of what happened once \
        (`rule.overridden`, `stocktake.difference`, `act.refused`) is over with it. The first acknowledgement stands.",
    request_body(content = NewAcknowledgement, example = json!({"note": "Ordered today."})),
    params(("id" = uuid::Uuid, Path, description = "The alert."), IdempotencyKey),
    responses((status = 200, description = "As it stands now.", body = Alert), Problems))]
async fn acknowledge(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<NewAcknowledgement, Work, Optional, Within>,
) -> Result<Response, Problem> {
    let act = Acknowledge { alert_id: AlertId(id), note: command.body.note.clone() };
    app.perform(command, act, |alert| done(&alert)).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list)).routes(routes!(read)).routes(routes!(acknowledge))
}
