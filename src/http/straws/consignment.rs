//! Consignments: straws that come or leave by one delivery note.

use axum::{Json, extract::State, response::Response};
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::{
        straws::{
            consign::NewConsignment,
            consignment::{Consignment, Direction},
        },
        values::ConsignmentId,
    },
    form,
    http::{
        App,
        answer::created,
        docs::{IdempotencyKeyRequired, Problems},
        extract::{Id, LedgerRequest, Permit, Read},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store::straws::consignment,
};

/// Straws come or leave.
#[utoipa::path(post, path = "/v1/consignments", operation_id = "create_consignment", tag = "Stock",
    summary = "Record a consignment",
    description = "In: the receipts of a delivery note in one act, with who sent them. Out: straws leave for another keeper. All \
        lines or none; each is a line of the ledger, `receipt` or `consignment`, and is undone like any other by \
        `POST /v1/movements/{id}/reversal`. The lots are entered before.",
    request_body(content = NewConsignment, example = json!({
        "direction": "in",
        "party": {"name": "Invented Station", "approval_number": "ZZ 00 123"},
        "documents": ["DN-4711"], "document_on": "2026-02-27",
        "lines": [{
            "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a",
            "place": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3, "cane": "B", "goblet": "upper"},
            "straws": 10}]})),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "On record.", body = Consignment,
         headers(("Location" = String, description = "The consignment."))),
        Problems))]
async fn consign(
    State(app): State<App>,
    command: LedgerRequest<NewConsignment>,
) -> Result<Response, Problem> {
    let new = command.body.clone();
    app.perform(command, new, |consignment| {
        created(format!("/v1/consignments/{}", consignment.id), &consignment)
    })
    .await
}

form! {
    /// Which consignments a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct ConsignmentFilter {
        /// Only what came, or only what left.
        #[param(inline)]
        pub direction: Option<Direction>,
    }
}

/// Consignments.
#[utoipa::path(get, path = "/v1/consignments", operation_id = "list_consignments", tag = "Stock",
    summary = "List consignments",
    params(PageParams, ConsignmentFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<Consignment>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read>,
    listing: Listing<ConsignmentFilter>,
) -> Result<Response, Problem> {
    let page = listing.by_id()?;
    let mut tx = app.book.db.read().await?;
    let rows = consignment::list(&mut tx, caller.business_id, listing.filter.direction, page).await?;
    Ok(listing.list(rows, |consignment| consignment.id.to_string()))
}

/// One consignment.
#[utoipa::path(get, path = "/v1/consignments/{id}", operation_id = "get_consignment", tag = "Stock",
    summary = "Get a consignment",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = Consignment), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read>,
    Id(id): Id,
) -> Result<Json<Consignment>, Problem> {
    let mut tx = app.book.db.read().await?;
    let found = consignment::find(&mut tx, caller.business_id, ConsignmentId(id)).await?;
    found.map(Json).ok_or_else(|| Problem::not_there("consignment", id))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list, consign)).routes(routes!(read))
}
