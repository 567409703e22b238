//! Straws hung elsewhere.

use axum::{extract::State, response::Response};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::{
        cautions,
        straws::{movement::Movement, transfer::NewTransfer},
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

/// Straws are hung elsewhere.
#[utoipa::path(post, path = "/v1/transfers", operation_id = "create_transfer", tag = "Stock",
    summary = "Transfer straws",
    description = "Between places, tanks and herds of the business, in one piece. An exposure longer than 5 s for a 0.25 ml straw \
        (Univ. Illinois Extension, 8 May 2024) or 8 s (Stroud, ARSBC 2014) is recorded and warned of.",
    request_body(content = NewTransfer, example = json!({
        "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a",
        "from": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3, "cane": "B", "goblet": "upper"},
        "to": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 5, "cane": "A"},
        "straws": 4, "exposure_s": 4})),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "On record; the movement is at Location.", body = WithCautions<Movement>,
         headers(("Location" = String, description = "The movement."))),
        Problems))]
async fn transfer(
    State(app): State<App>,
    command: LedgerRequest<NewTransfer, Within>,
) -> Result<Response, Problem> {
    let new = command.body.clone();
    app.perform(command, new, |done| {
        created(movement_at(&done), &WithCautions { done, cautions: cautions::TRANSFER })
    })
    .await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(transfer))
}
