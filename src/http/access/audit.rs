//! Who did what, when, with which key.

use axum::{extract::State, response::Response};
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::{
        access::audit::AuditEntry,
        values::{KeyId, Timestamp},
    },
    form,
    http::{
        App,
        docs::Problems,
        extract::{Manage, Permit},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store::access::audit::{self, AuditQuery},
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

/// The audit.
#[utoipa::path(get, path = "/v1/audit", operation_id = "list_audit_entries", tag = "Business",
    summary = "List audit entries",
    description = "Everything that was written, and what the state of the book refused, oldest first. For managers.",
    params(PageParams, AuditFilter),
    responses((status = 200, description = "A page of acts.", body = Page<AuditEntry>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Manage>,
    listing: Listing<AuditFilter>,
) -> Result<Response, Problem> {
    let f = &listing.filter;
    let wanted = AuditQuery { by: f.key_id, from: f.from, to: f.to };
    let mut tx = app.book.db.read().await?;
    let rows = audit::list(&mut tx, caller.business_id, &wanted, listing.by_id()?).await?;
    Ok(listing.list(rows, |act| act.id.to_string()))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list))
}
