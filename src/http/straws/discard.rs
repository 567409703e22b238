//! Straws thrown away from stock. A withdrawn straw is discarded under its withdrawal.

use axum::{extract::State, response::Response};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::{
        cautions,
        straws::{discard::NewDiscard, movement::Movement},
    },
    http::{
        App,
        access::limits::Within,
        answer::{WithCautions, created},
        docs::{IdempotencyKeyRequired, Problems},
        extract::LedgerRequest,
        problem::Problem,
        straws::movement::movement_at,
    },
};

/// Straws are thrown away.
#[utoipa::path(post, path = "/v1/discards", operation_id = "create_discard", tag = "Stock",
    summary = "Discard straws",
    description = "Straws that hang in a tank and are not to be used go out of it, with the reason. Refused with 409 `not-in-stock` when so \
        many do not hang there.",
    request_body(content = NewDiscard, example = json!({
        "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a",
        "place": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3, "cane": "B", "goblet": "upper"},
        "straws": 1, "reason": "exposed"})),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "On record; the movement is at Location.", body = WithCautions<Movement>,
         headers(("Location" = String, description = "The movement."))),
        Problems))]
async fn discard(
    State(app): State<App>,
    command: LedgerRequest<NewDiscard, Within>,
) -> Result<Response, Problem> {
    let new = command.body.clone();
    app.perform(command, new, |done| {
        created(movement_at(&done), &WithCautions { done, cautions: cautions::DISCARD })
    })
    .await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(discard))
}
