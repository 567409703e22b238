//! The ledger: deliveries, and every movement of straws.

use axum::{Json, extract::State, response::Response};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use super::{
    App,
    answer::created,
    docs::{IdempotencyKeyRequired, Problems},
    extract::{Id, LedgerCommand, Permit, Read},
    page::{Listing, Page, PageParams},
    problem::{Kind, Problem},
};
use crate::{
    book::receive::{Receive, Received},
    domain::{
        movement::Movement,
        place::Place,
        values::{LotId, MovementId, Note, Straws, Technician, Timestamp},
    },
    form,
    store::ledger,
};

form! {
    /// A delivery of straws of one lot to one place.
    #[derive(Clone, ToSchema)]
    pub struct NewReceipt {
        /// Of which lot.
        pub lot_id: LotId,
        /// Where they hang.
        pub place: Place,
        /// How many.
        pub straws: Straws,
        /// When they came; now when not said.
        pub received_at: Option<Timestamp>,
        /// Who took them in.
        pub technician: Option<Technician>,
        /// A remark, such as the number of the delivery note.
        pub note: Option<Note>,
    }
}

/// A delivery on record.
#[derive(Serialize, ToSchema)]
pub struct ReceiptView {
    #[allow(missing_docs)]
    #[serde(flatten)]
    movement: Movement,
    /// Where they hang.
    place: Option<Place>,
    /// How many straws of the lot hang at the place now.
    #[schema(minimum = 0)]
    straws_at_place: i64,
    /// What the caller should know.
    warnings: Vec<String>,
}

impl From<Received> for ReceiptView {
    fn from(received: Received) -> Self {
        Self {
            place: received.movement.to.place.clone(),
            movement: received.movement,
            straws_at_place: received.straws_at_place,
            warnings: received.warnings,
        }
    }
}

/// A delivery comes in.
#[utoipa::path(post, path = "/v1/receipts", operation_id = "receive", tag = "Stock",
    summary = "Take in a delivery",
    request_body(content = NewReceipt, example = json!({
        "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a", "place": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3,
        "cane": "B", "goblet": "upper"}, "straws": 10, "received_at": "2026-03-01T16:30:00+01:00"})),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "On record; the movement is at Location.", body = ReceiptView,
         headers(("Location" = String, description = "The movement."))),
        Problems))]
async fn receive(State(app): State<App>, command: LedgerCommand<NewReceipt>) -> Result<Response, Problem> {
    let receipt = command.body.clone();
    let act = Receive {
        lot_id: receipt.lot_id,
        place: receipt.place,
        straws: receipt.straws,
        received_at: receipt.received_at,
        technician: receipt.technician,
        note: receipt.note,
    };
    app.perform(command, act, |received| {
        let location = format!("/v1/movements/{}", received.movement.id);
        created(location, &ReceiptView::from(received))
    })
    .await
}

form! {
    /// Which movements a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct MovementFilter {
        /// Only of this lot.
        pub lot_id: Option<LotId>,
    }
}

/// The ledger.
#[utoipa::path(get, path = "/v1/movements", operation_id = "list_movements", tag = "Stock",
    summary = "Read the ledger",
    description = "Every movement of straws in the order of the book. Following `next_cursor` gives each line once, also while \
        others write.",
    params(PageParams, MovementFilter),
    responses((status = 200, description = "A page of the ledger.", body = Page<Movement>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read>,
    listing: Listing<MovementFilter>,
) -> Result<Response, Problem> {
    let (after, limit) = listing.by_line()?;
    let mut tx = app.book.db.read().await?;
    let rows = ledger::movements(&mut tx, caller.business_id, listing.filter.lot_id, after, limit).await?;
    Ok(listing.list(rows, |movement| movement.seq.to_string(), |movement| movement))
}

/// One movement.
#[utoipa::path(get, path = "/v1/movements/{id}", operation_id = "read_movement", tag = "Stock",
    summary = "Read a line of the ledger",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "The movement.", body = Movement), Problems))]
async fn read(State(app): State<App>, caller: Permit<Read>, Id(id): Id) -> Result<Json<Movement>, Problem> {
    let mut tx = app.book.db.read().await?;
    let movement = ledger::movement(&mut tx, caller.business_id, MovementId(id)).await?;
    let movement = movement
        .ok_or_else(|| Problem::new(Kind::NotFound, format!("There is no movement {id} in this book.")))?;
    Ok(Json(movement))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(receive)).routes(routes!(list)).routes(routes!(read))
}
