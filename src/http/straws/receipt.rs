//! Deliveries.

use axum::{extract::State, response::Response};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::command::StoredResponse,
    domain::{
        cautions,
        straws::{movement::Movement, place::Place, receive::NewReceipt},
    },
    http::{
        App,
        access::limits::Within,
        answer::created,
        docs::{IdempotencyKeyRequired, Problems},
        extract::LedgerRequest,
        problem::Problem,
        straws::movement::movement_at,
    },
};

/// A delivery on record: the movement, with its place and what hangs there now said in front.
#[derive(Serialize, ToSchema)]
pub struct Receipt {
    /// Where they hang.
    place: Option<Place>,
    /// How many straws of the lot hang at the place now.
    #[schema(minimum = 0)]
    straws_at_place: Option<i64>,
    /// What to heed. Only the answer to the act has it; local codes and licensed practice go before it.
    cautions: &'static [&'static str],
    #[allow(missing_docs)]
    #[serde(flatten)]
    movement: Movement,
}

impl From<Movement> for Receipt {
    fn from(movement: Movement) -> Self {
        Self {
            place: movement.to.place.clone(),
            straws_at_place: movement.to.straws_after,
            cautions: cautions::RECEIPT,
            movement,
        }
    }
}

/// A delivery comes in.
#[utoipa::path(post, path = "/v1/receipts", operation_id = "create_receipt", tag = "Stock",
    summary = "Record a receipt",
    description = "Straws of a lot came and hang at that place from now on: a line of the ledger.",
    request_body(content = NewReceipt, example = json!({
        "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a",
        "place": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3, "cane": "B", "goblet": "upper"},
        "straws": 10, "note": "Delivery note 4711"})),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "On record; the movement is at Location.", body = Receipt,
         headers(("Location" = String, description = "The movement."))),
        Problems))]
async fn receive(
    State(app): State<App>,
    command: LedgerRequest<NewReceipt, Within>,
) -> Result<Response, Problem> {
    let new = command.body.clone();
    app.perform(command, new, received).await
}

/// The answer to a delivery.
pub fn received(movement: Movement) -> serde_json::Result<StoredResponse> {
    created(movement_at(&movement), &Receipt::from(movement))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(receive))
}
