//! The register of straws, for whoever inspects.

use axum::{extract::State, response::Response};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::{
        straws::register::{RegisterEntry, Retention},
        values::Timestamp,
    },
    form,
    http::{
        App,
        docs::Problems,
        exchange::export::{Export, ExportFormat, ExportList, stream},
        extract::{Permit, Read},
        page::{Listing, Page, PageParams},
        problem::Problem,
        reports::query::ReportFormat,
    },
    store::straws::register,
};

form! {
    /// Which lines the register shows, and how.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct RegisterFilter {
        /// Only what happened at this moment or later.
        pub from: Option<Timestamp>,
        /// Only what happened before this moment.
        pub to: Option<Timestamp>,
        /// `csv` for the whole of it in one file; else a page of JSON.
        #[param(inline)]
        pub format: Option<ReportFormat>,
    }
}

/// A page of the register, and how long it must be kept.
#[derive(Serialize, ToSchema)]
pub struct Register {
    #[allow(missing_docs)]
    #[serde(flatten)]
    page: Page<RegisterEntry>,
    /// How long it must be kept.
    retention: Retention,
}

/// The register.
#[utoipa::path(get, path = "/v1/reports/register", operation_id = "get_register", tag = "Reports",
    summary = "Get the register of straws",
    description = "Where every straw came from and where it went: deliveries with who sent them and by which document, uses with \
        the animal and her herd, discards, consignments to other keepers, differences that stocktakes found, and what undid any of \
        these. In the order of time; what was only hung elsewhere is left out. `retention` says how long it must be kept as far as \
        is known: the competent authority decides.",
    params(PageParams, RegisterFilter),
    responses(
        (status = 200, description = "A page of the register.", content(
            (Register = "application/json"), (String = "text/csv"))),
        Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read>,
    listing: Listing<RegisterFilter>,
) -> Result<Response, Problem> {
    let RegisterFilter { from, to, format } = listing.filter;
    if format == Some(ReportFormat::Csv) {
        let (db, clock) = (app.book.db.clone(), app.book.clock.clone());
        let whole = Export::new(db, clock, caller.business_id, ExportList::Register, ExportFormat::Csv);
        return stream(whole.between(from, to)).await;
    }
    let (after, limit) = listing.by_time_and_line()?;
    let mut tx = app.book.db.read().await?;
    let rows = register::list(&mut tx, caller.business_id, from, to, after, limit).await?;
    let page = listing.page(rows, |entry| format!("{} {}", entry.movement.occurred_at, entry.movement.seq));
    let next = page.next_cursor.clone();
    Ok(listing.answer(next.as_deref(), Register { page, retention: Retention::KNOWN }))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list))
}
