//! What is charged.

use axum::{extract::State, http::HeaderMap, response::Response};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::reports::price_list::SetPriceList,
    domain::reports::charges::{PriceList, PriceListDetails},
    http::{
        App,
        answer::{Tagged, tagged},
        docs::{IdempotencyKey, IfMatch, Problems},
        extract::{CommandRequest, Manage, Permit, Read},
        problem::Problem,
    },
    store::reports::charges,
};

/// The price list.
#[utoipa::path(get, path = "/v1/price-list", operation_id = "get_price_list", tag = "Business",
    summary = "Get the price list",
    description = "What `GET /v1/reports/charges` charges for visits, services and straws. Empty before it was set.",
    responses(
        (status = 200, description = "As it stands.", body = Tagged<PriceList>,
         headers(("ETag" = String, description = "Its version."))),
        (status = 304, description = "It is still the version in If-None-Match."),
        Problems))]
async fn read(State(app): State<App>, caller: Permit<Read>, headers: HeaderMap) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let list = charges::price_list(&mut tx, caller.business_id).await?;
    Ok(Tagged::new(list)?.answer(&headers))
}

/// The price list is set anew.
#[utoipa::path(put, path = "/v1/price-list", operation_id = "replace_price_list", tag = "Business",
    summary = "Replace the price list",
    description = "Sets all prices anew. What was charged before is told by the new prices: keep what you sent to an owner.",
    request_body(content = PriceListDetails, example = json!({"currency": "EUR", "items": [
        {"of": "visit", "amount_minor": 1500}, {"of": "service", "amount_minor": 2000},
        {"of": "sexed_female_straw", "amount_minor": 4800}]})),
    params(IdempotencyKey, IfMatch),
    responses(
        (status = 200, description = "As it stands now.", body = Tagged<PriceList>,
         headers(("ETag" = String, description = "Its new version."))),
        Problems))]
async fn replace(
    State(app): State<App>,
    command: CommandRequest<PriceListDetails, Manage>,
) -> Result<Response, Problem> {
    let act = SetPriceList { details: command.body.clone(), if_match: command.if_match.clone() };
    app.perform(command, act, |list| tagged(200, None, list)).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(read, replace))
}
