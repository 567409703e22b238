//! The ledger: every movement of straws, and how a mistake in it is undone.

use axum::{Json, extract::State, response::Response};
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::command::On,
    domain::{
        straws::{
            movement::{Movement, MovementKind},
            reverse::NewReversal,
        },
        values::{AnimalId, LotId, MovementId, SireId, TankId, Technician, Timestamp},
    },
    form,
    http::{
        App,
        access::limits::{OfTanks, Within},
        answer::created,
        docs::{IdempotencyKeyRequired, Problems},
        extract::{Id, LedgerRequest, Permit, Read},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store::straws::movement::{self, Wanted},
};

form! {
    /// Which movements a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct MovementFilter {
        /// Only of this lot.
        pub lot_id: Option<LotId>,
        /// Only of this sire's lots.
        pub sire_id: Option<SireId>,
        /// Only out of or into this tank.
        pub tank_id: Option<TankId>,
        /// Only of this kind.
        pub kind: Option<MovementKind>,
        /// Only for this animal.
        pub animal_id: Option<AnimalId>,
        /// Only by this technician.
        pub technician: Option<Technician>,
        /// Only what happened at this moment or later.
        pub from: Option<Timestamp>,
        /// Only what happened before this moment.
        pub to: Option<Timestamp>,
    }
}

/// The ledger.
#[utoipa::path(get, path = "/v1/movements", operation_id = "list_movements", tag = "Stock",
    summary = "List movements",
    description = "Every movement of straws in the order of the book, with what hung at both places after it. Following \
        `next_cursor` gives each line once, also while others write.",
    params(PageParams, MovementFilter),
    responses((status = 200, description = "A page of the ledger.", body = Page<Movement>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, OfTanks>,
    listing: Listing<MovementFilter>,
) -> Result<Response, Problem> {
    let (after, limit) = listing.by_line()?;
    let mut tx = app.book.db.read().await?;
    let f = &listing.filter;
    let wanted = Wanted {
        lot: f.lot_id,
        sire: f.sire_id,
        tank: caller.leading_tank(f.tank_id),
        kind: f.kind,
        animal: f.animal_id,
        technician: f.technician.clone(),
        from: f.from,
        to: f.to,
    };
    let rows = movement::list(&mut tx, caller.business_id, &wanted, after, limit).await?;
    let place = |movement: &Movement| movement.seq.to_string();
    Ok(listing.list_within(rows, place, |movement| caller.may_see(movement)))
}

/// Where a movement is to be found.
pub fn movement_at(movement: &Movement) -> String {
    format!("/v1/movements/{}", movement.id)
}

/// One movement.
#[utoipa::path(get, path = "/v1/movements/{id}", operation_id = "get_movement", tag = "Stock",
    summary = "Get a movement",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "The movement.", body = Movement), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
) -> Result<Json<Movement>, Problem> {
    let mut tx = app.book.db.read().await?;
    let movement = movement::find(&mut tx, caller.business_id, MovementId(id)).await?;
    let movement = movement.ok_or_else(|| Problem::not_there("movement", id))?;
    Ok(Json(movement))
}

/// A mistake is undone.
#[utoipa::path(post, path = "/v1/movements/{id}/reversal", operation_id = "reverse_movement", tag = "Stock",
    summary = "Reverse a movement",
    description = "Writes another line the other way round; the pair stays to be seen. Once only, and only if the straws can be \
        there: 409 `not-in-stock` when they were moved on. A reversed withdrawal never left the tank: the service recorded with \
        it no longer counts, and its number is free again.",
    request_body(content = NewReversal, example = json!({
        "reason": "did_not_happen", "technician": "T. Example"})),
    params(("id" = uuid::Uuid, Path, description = "The movement."), IdempotencyKeyRequired),
    responses(
        (status = 201, description = "Undone; the reversal is at Location.", body = Movement,
         headers(("Location" = String, description = "The reversal."))),
        Problems))]
async fn reverse(
    State(app): State<App>,
    Id(id): Id,
    command: LedgerRequest<NewReversal, Within>,
) -> Result<Response, Problem> {
    let reverse = On { id: MovementId(id), command: command.body.clone() };
    app.perform(command, reverse, |movement| created(movement_at(&movement), &movement)).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list)).routes(routes!(read)).routes(routes!(reverse))
}
