//! Stocktakes.

use axum::{Json, extract::State, response::Response};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::straws::stocktake::Accept,
    domain::{
        straws::{stocktake::Stocktake, take_stock::NewStocktake},
        values::{StocktakeId, TankId},
    },
    form,
    http::{
        App,
        access::limits::OfTanks,
        answer::{created, done},
        docs::{IdempotencyKeyRequired, Problems},
        extract::{Id, LedgerRequest, Permit, Read},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store,
};

/// A count is compared with the book.
#[utoipa::path(post, path = "/v1/stocktakes", operation_id = "create_stocktake", tag = "Stock",
    summary = "Record a stocktake",
    description = "Answers the differences by lot and place and changes no balance. They are taken against the book as it stood \
        at the line up to which it was counted, so straws taken while counting are no difference.",
    request_body(content = NewStocktake, example = json!({
        "tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3,
        "counts": [{
            "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a",
            "place": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3, "cane": "B", "goblet": "upper"},
            "straws": 9}]})),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "The differences.", body = Stocktake,
         headers(("Location" = String, description = "The stocktake."))),
        Problems))]
async fn take(
    State(app): State<App>,
    command: LedgerRequest<NewStocktake, OfTanks>,
) -> Result<Response, Problem> {
    let new = command.body.clone();
    app.perform(command, new, |stocktake| created(format!("/v1/stocktakes/{}", stocktake.id), &stocktake))
        .await
}

form! {
    /// Nothing more needs to be said.
    #[derive(Clone, ToSchema)]
    pub struct NewAcceptance {}
}

/// The differences are posted.
#[utoipa::path(post, path = "/v1/stocktakes/{id}/acceptance", operation_id = "accept_stocktake", tag = "Stock",
    summary = "Accept a stocktake",
    description = "Writes a `count` movement for each difference, all or none. They are posted as differences: what was taken or \
        came since the count stays as it is. 409 `count-again` when the book was corrected there since by another count or by the \
        reversal of a line before the count; 409 `not-in-stock` when so many are missing that others, taken since, cannot have \
        been there: count again.",
    request_body(content = NewAcceptance, example = json!({})),
    params(("id" = uuid::Uuid, Path, description = "The stocktake."), IdempotencyKeyRequired),
    responses((status = 200, description = "Posted; each line names its movement.", body = Stocktake), Problems))]
async fn accept(
    State(app): State<App>,
    Id(id): Id,
    command: LedgerRequest<NewAcceptance, OfTanks>,
) -> Result<Response, Problem> {
    app.perform(command, Accept { stocktake_id: StocktakeId(id) }, |stocktake| done(&stocktake)).await
}

form! {
    /// Which stocktakes a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct StocktakeFilter {
        /// Only of this tank.
        pub tank_id: Option<TankId>,
    }
}

/// Stocktakes.
#[utoipa::path(get, path = "/v1/stocktakes", operation_id = "list_stocktakes", tag = "Stock",
    summary = "List stocktakes",
    params(PageParams, StocktakeFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<Stocktake>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, OfTanks>,
    listing: Listing<StocktakeFilter>,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let page = listing.by_id()?;
    let tank = caller.leading_tank(listing.filter.tank_id);
    let rows = store::straws::stocktake::list(&mut tx, caller.business_id, tank, page).await?;
    let place = |stocktake: &Stocktake| stocktake.id.to_string();
    Ok(listing.list_within(rows, place, |stocktake| caller.may_see(stocktake)))
}

/// One stocktake.
#[utoipa::path(get, path = "/v1/stocktakes/{id}", operation_id = "get_stocktake", tag = "Stock",
    summary = "Get a stocktake",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = Stocktake), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, OfTanks>,
    Id(id): Id,
) -> Result<Json<Stocktake>, Problem> {
    let mut tx = app.book.db.read().await?;
    let found = store::straws::stocktake::find(&mut tx, caller.business_id, StocktakeId(id)).await?;
    found.map(Json).ok_or_else(|| Problem::not_there("stocktake", id))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list, take)).routes(routes!(read)).routes(routes!(accept))
}
