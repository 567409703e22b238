//! Straws hung elsewhere.

use axum::{extract::State, response::Response};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::straws::transfer::Transfer,
    domain::{
        straws::{movement::Movement, place::Place},
        values::{ExposureSeconds, LotId, Note, Straws, Technician, Timestamp},
    },
    form,
    http::{
        App,
        answer::created,
        docs::{IdempotencyKeyRequired, Problems},
        extract::LedgerRequest,
        problem::Problem,
        straws::movement::movement_at,
    },
};

form! {
    /// Straws of one lot hung at another place, of this or another tank.
    #[derive(Clone, ToSchema)]
    pub struct NewTransfer {
        /// Of which lot.
        pub lot_id: LotId,
        /// Where they hang.
        pub from: Place,
        /// Where they are to hang.
        pub to: Place,
        /// How many.
        pub straws: Straws,
        /// Seconds that they were above the frost line, where measured.
        #[schema(example = 6)]
        pub exposure_s: Option<ExposureSeconds>,
        /// When; now when not said.
        pub transferred_at: Option<Timestamp>,
        /// Who did it.
        pub technician: Option<Technician>,
        /// A remark.
        pub note: Option<Note>,
    }
}

/// Straws are hung elsewhere.
#[utoipa::path(post, path = "/v1/transfers", operation_id = "create_transfer", tag = "Stock",
    summary = "Transfer straws",
    description = "Between places, tanks and herds of the business, in one piece. An exposure longer than 5 s for a 0.25 ml straw \
        (trade guidance) or 8 s (Stroud, ARSBC 2014) is recorded and warned of. Gloves and a face shield; ventilate.",
    request_body(content = NewTransfer, example = json!({
        "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a",
        "from": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3, "cane": "B", "goblet": "upper"},
        "to": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 5, "cane": "A"},
        "straws": 4, "exposure_s": 4})),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "On record; the movement is at Location.", body = Movement,
         headers(("Location" = String, description = "The movement."))),
        Problems))]
async fn transfer(State(app): State<App>, command: LedgerRequest<NewTransfer>) -> Result<Response, Problem> {
    let new = command.body.clone();
    let act = Transfer {
        lot_id: new.lot_id,
        from: new.from,
        to: new.to,
        straws: new.straws,
        exposure_s: new.exposure_s,
        transferred_at: new.transferred_at,
        technician: new.technician,
        note: new.note,
    };
    app.perform(command, act, |movement| created(movement_at(&movement), &movement)).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(transfer))
}
