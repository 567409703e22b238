//! Straws thrown away from stock. A withdrawn straw is discarded under its withdrawal.

use axum::{extract::State, response::Response};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::straws::{discard::NewDiscard, movement::Movement},
    http::{
        App,
        answer::created,
        docs::{IdempotencyKeyRequired, Problems},
        extract::LedgerRequest,
        problem::Problem,
        straws::movement::movement_at,
    },
};

/// Straws are thrown away.
#[utoipa::path(post, path = "/v1/discards", operation_id = "create_discard", tag = "Stock",
    summary = "Discard straws",
    request_body(content = NewDiscard, example = json!({
        "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a",
        "place": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3, "cane": "B", "goblet": "upper"},
        "straws": 1, "reason": "exposed"})),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "On record; the movement is at Location.", body = Movement,
         headers(("Location" = String, description = "The movement."))),
        Problems))]
async fn discard(State(app): State<App>, command: LedgerRequest<NewDiscard>) -> Result<Response, Problem> {
    let new = command.body.clone();
    app.perform(command, new, |movement| created(movement_at(&movement), &movement)).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(discard))
}
