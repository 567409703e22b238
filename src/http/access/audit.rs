//! Who did what, when, with which key.

use axum::{extract::State, response::Response};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    domain::values::{KeyId, Name, Timestamp},
    form,
    http::{
        App,
        docs::Problems,
        extract::{Manage, Permit},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store::access::audit::{self, AuditEntry, AuditQuery},
};

form! {
    /// Which acts a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct AuditFilter {
        /// Only with this key.
        pub key_id: Option<KeyId>,
        /// Only at this moment or later.
        pub from: Option<Timestamp>,
        /// Only before this moment.
        pub to: Option<Timestamp>,
    }
}

/// Something that was done, or refused by the state of the book.
#[derive(Serialize, ToSchema)]
pub struct ActView {
    /// Its id.
    id: Uuid,
    /// When.
    at: Timestamp,
    /// The key with which it was asked for.
    key_id: KeyId,
    /// Who holds the key.
    key_name: Name,
    /// What was asked for: method and path.
    #[schema(example = "POST /v1/withdrawals", max_length = 1000)]
    request: String,
    /// The HTTP status it was answered with.
    #[schema(minimum = 200, maximum = 599)]
    status: i64,
    /// What was made.
    location: Option<String>,
    /// The Idempotency-Key under which it came.
    idempotency_key: Option<String>,
}

impl From<AuditEntry> for ActView {
    fn from(act: AuditEntry) -> Self {
        Self {
            id: act.id,
            at: act.recorded_at,
            key_id: act.key_id,
            key_name: act.key_name,
            request: act.request,
            status: act.status,
            location: act.location,
            idempotency_key: act.idempotency_key,
        }
    }
}

/// The audit.
#[utoipa::path(get, path = "/v1/audit", operation_id = "list_audit_entries", tag = "Business",
    summary = "List audit entries",
    description = "Everything that was written, and what the state of the book refused, oldest first. For managers.",
    params(PageParams, AuditFilter),
    responses((status = 200, description = "A page of acts.", body = Page<ActView>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Manage>,
    listing: Listing<AuditFilter>,
) -> Result<Response, Problem> {
    let f = &listing.filter;
    let wanted = AuditQuery { by: f.key_id, from: f.from, to: f.to };
    let mut tx = app.book.db.read().await?;
    let rows = audit::list(&mut tx, caller.business_id, &wanted, listing.by_id()?).await?;
    Ok(listing.list(rows, |act| act.id.to_string(), ActView::from))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list))
}
