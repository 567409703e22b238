//! Straws thrown away from stock. A withdrawn straw is discarded under its withdrawal.

use axum::{extract::State, response::Response};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::straws::discard::Discard,
    domain::{
        form::{Fault, InputPath},
        straws::{movement::Movement, place::Place, withdrawal::DiscardReason},
        values::{LotId, Note, Straws, Technician, Timestamp, needs_note},
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
    /// Straws of one lot thrown away from one place.
    #[derive(Clone, ToSchema)]
    pub struct NewDiscard, check NewDiscard::check {
        /// Of which lot.
        pub lot_id: LotId,
        /// Where they hang.
        pub place: Place,
        /// How many.
        pub straws: Straws,
        /// Why.
        pub reason: DiscardReason,
        /// When; now when not said.
        pub discarded_at: Option<Timestamp>,
        /// Who did it.
        pub technician: Option<Technician>,
        /// A remark; required with the reason `other`.
        pub note: Option<Note>,
    }
}

impl NewDiscard {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        needs_note(self.reason == DiscardReason::Other, self.note.as_ref(), spot, faults);
    }
}

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
    let act = Discard {
        lot_id: new.lot_id,
        place: new.place,
        straws: new.straws,
        reason: new.reason,
        discarded_at: new.discarded_at,
        technician: new.technician,
        note: new.note,
    };
    app.perform(command, act, |movement| created(movement_at(&movement), &movement)).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(discard))
}
