//! Readings of a tank's nitrogen, and refills.

use axum::{Json, extract::State, response::Response};
use futures_util::{FutureExt as _, future::BoxFuture};
use serde::Serialize;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{
        Caller,
        command::{On, StoredResponse},
    },
    domain::{
        nitrogen::{
            level::{NewReading, NewRefill, NewRepair, Reading, Refill, Repair},
            tank::Tank,
        },
        values::{BusinessId, ReadingId, RefillId, TankId, Timestamp},
    },
    form,
    http::{
        App,
        access::limits::Within,
        answer::created,
        docs::{IdempotencyKey, Problems},
        extract::{CommandRequest, Id, Measure, Optional, Permit, Read},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store::{self, Tx, nitrogen::level},
};

form! {
    /// Which readings or refills a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct WhenFilter {
        /// Only those at this moment or later.
        pub from: Option<Timestamp>,
        /// Only those before this moment.
        pub to: Option<Timestamp>,
    }
}

/// The tank whose list is asked for.
pub async fn tank_in(tx: &mut Tx, caller: &Caller, id: uuid::Uuid) -> Result<Tank, Problem> {
    let tank = store::nitrogen::tank::find(tx, caller.business_id, TankId(id)).await?;
    tank.ok_or_else(|| Problem::not_there("tank", id))
}

/// The moments from which on and before which a list shows something, where said.
type When = (Option<Timestamp>, Option<Timestamp>);

/// A list of what was told of a tank, which `rows` reads.
async fn of_tank<T: Serialize>(
    app: &App,
    caller: &Caller,
    id: uuid::Uuid,
    listing: &Listing<WhenFilter>,
    rows: impl for<'t> FnOnce(
        &'t mut Tx,
        BusinessId,
        TankId,
        When,
        store::Page,
    ) -> BoxFuture<'t, store::Result<Vec<T>>>,
    place: impl Fn(&T) -> String,
) -> Result<Response, Problem> {
    let page = listing.by_id()?;
    let mut tx = app.book.db.read().await?;
    let tank = tank_in(&mut tx, caller, id).await?;
    let when = (listing.filter.from, listing.filter.to);
    let rows = rows(&mut tx, caller.business_id, tank.id, when, page).await?;
    Ok(listing.list(rows, place))
}

/// A level was read.
#[utoipa::path(post, path = "/v1/tanks/{id}/nitrogen-readings", operation_id = "create_nitrogen_reading", tag = "Nitrogen",
    summary = "Record a reading of the level",
    description = "With a SOLID rod: to the bottom for 5 to 10 s, wave it in the air, read the lower edge of the frost; never a \
        hollow tube, which spouts. Or by weight: (gross - tare) / 0.806 kg a litre. Late readings and readings out of order \
        are right; a wrong one is corrected by another that `supersedes` it. Nitrogen gas displaces air without warning and \
        the liquid burns: ventilate, dry loose gloves, face shield. Frost or sweat on the neck or outside: move the straws at \
        once. Local codes go before this.",
    request_body(content = NewReading, example = json!({
        "read_at": "2026-03-02T06:10:00+01:00", "depth_mm": 310, "technician": "T. Example"})),
    params(("id" = uuid::Uuid, Path, description = "The tank."), IdempotencyKey),
    responses(
        (status = 201, description = "On record.", body = Reading,
         headers(("Location" = String, description = "Where it is to be found."))),
        Problems))]
async fn add_reading(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<NewReading, Measure, Optional, Within>,
) -> Result<Response, Problem> {
    let act = On { id: TankId(id), command: command.body.clone() };
    app.perform(command, act, |reading| level_read(&reading)).await
}

/// The answer to a reading.
pub fn level_read(reading: &Reading) -> serde_json::Result<StoredResponse> {
    created(format!("/v1/nitrogen-readings/{}", reading.id), reading)
}

/// The readings of a tank.
#[utoipa::path(get, path = "/v1/tanks/{id}/nitrogen-readings", operation_id = "list_nitrogen_readings", tag = "Nitrogen",
    summary = "List readings of a tank",
    params(("id" = uuid::Uuid, Path, description = "The tank."), PageParams, WhenFilter),
    responses((status = 200, description = "A page of them, in the order of entry, superseded ones among them.",
               body = Page<Reading>), Problems))]
async fn list_readings(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    listing: Listing<WhenFilter>,
) -> Result<Response, Problem> {
    of_tank(
        &app,
        &caller,
        id,
        &listing,
        |tx, business, tank, when, page| level::readings(tx, business, tank, when, page).boxed(),
        |reading| reading.id.to_string(),
    )
    .await
}

/// One reading.
#[utoipa::path(get, path = "/v1/nitrogen-readings/{id}", operation_id = "get_nitrogen_reading", tag = "Nitrogen",
    summary = "Get a reading",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it was told.", body = Reading), Problems))]
async fn read_reading(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
) -> Result<Json<Reading>, Problem> {
    let mut tx = app.book.db.read().await?;
    let reading = level::reading(&mut tx, caller.business_id, ReadingId(id)).await?;
    reading.map(Json).ok_or_else(|| Problem::not_there("reading", id))
}

/// A tank was topped up.
#[utoipa::path(post, path = "/v1/tanks/{id}/refills", operation_id = "create_refill", tag = "Nitrogen",
    summary = "Record a refill",
    description = "With the depth after it and best before it too, or the litres that went in. A wrong one is corrected by \
        another that `supersedes` it. Pour slowly, with open doors, dry loose gloves and a face shield: nitrogen gas displaces \
        air without warning (hazardous below 19.5 % oxygen: OSHA, 29 CFR 1910.146) and the liquid burns. Secure the tank in a \
        vehicle and never seal its neck. Local codes go before this.",
    request_body(content = NewRefill, example = json!({
        "filled_at": "2026-03-02T06:30:00+01:00", "depth_before_mm": 180, "depth_after_mm": 425})),
    params(("id" = uuid::Uuid, Path, description = "The tank."), IdempotencyKey),
    responses(
        (status = 201, description = "On record.", body = Refill,
         headers(("Location" = String, description = "Where it is to be found."))),
        Problems))]
async fn add_refill(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<NewRefill, Measure, Optional, Within>,
) -> Result<Response, Problem> {
    let act = On { id: TankId(id), command: command.body.clone() };
    app.perform(command, act, |refill| created(format!("/v1/refills/{}", refill.id), &refill)).await
}

/// The refills of a tank.
#[utoipa::path(get, path = "/v1/tanks/{id}/refills", operation_id = "list_refills", tag = "Nitrogen",
    summary = "List refills of a tank",
    params(("id" = uuid::Uuid, Path, description = "The tank."), PageParams, WhenFilter),
    responses((status = 200, description = "A page of them, in the order of entry, superseded ones among them.",
               body = Page<Refill>), Problems))]
async fn list_refills(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    listing: Listing<WhenFilter>,
) -> Result<Response, Problem> {
    of_tank(
        &app,
        &caller,
        id,
        &listing,
        |tx, business, tank, when, page| level::refills(tx, business, tank, when, page).boxed(),
        |refill| refill.id.to_string(),
    )
    .await
}

/// One refill.
#[utoipa::path(get, path = "/v1/refills/{id}", operation_id = "get_refill", tag = "Nitrogen",
    summary = "Get a refill",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it was told.", body = Refill), Problems))]
async fn read_refill(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
) -> Result<Json<Refill>, Problem> {
    let mut tx = app.book.db.read().await?;
    let refill = level::refill(&mut tx, caller.business_id, RefillId(id)).await?;
    refill.map(Json).ok_or_else(|| Problem::not_there("refill", id))
}

/// A tank was repaired or replaced.
#[utoipa::path(post, path = "/v1/tanks/{id}/repairs", operation_id = "create_repair", tag = "Nitrogen",
    summary = "Record a repair or replacement",
    description = "Ends an alarm that stands (`nitrogen.loss_high`): the watch begins anew with this tank's next readings, and what \
        it lost before counts little. Enter it only when the tank was mended or another stands in its place: a tank that \
        was only filled up goes on failing. Read the level afterwards. A wrong entry is corrected by another that `supersedes` \
        it, or taken back by one of the kind `not_done`; then the watch is as if it had never been.",
    request_body(content = NewRepair, example = json!({
        "repaired_at": "2026-03-02T10:00:00+01:00", "kind": "repaired", "note": "Vacuum renewed"})),
    params(("id" = uuid::Uuid, Path, description = "The tank."), IdempotencyKey),
    responses(
        (status = 201, description = "On record.", body = Repair,
         headers(("Location" = String, description = "Where the tank's repairs are to be found."))),
        Problems))]
async fn add_repair(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<NewRepair, Measure, Optional, Within>,
) -> Result<Response, Problem> {
    let act = On { id: TankId(id), command: command.body.clone() };
    app.perform(command, act, |repair| created(format!("/v1/tanks/{}/repairs", repair.tank_id), &repair))
        .await
}

/// The repairs of a tank.
#[utoipa::path(get, path = "/v1/tanks/{id}/repairs", operation_id = "list_repairs", tag = "Nitrogen",
    summary = "List repairs of a tank",
    params(("id" = uuid::Uuid, Path, description = "The tank."), PageParams, WhenFilter),
    responses((status = 200, description = "A page of them, in the order of entry, superseded ones among them.",
               body = Page<Repair>), Problems))]
async fn list_repairs(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    listing: Listing<WhenFilter>,
) -> Result<Response, Problem> {
    of_tank(
        &app,
        &caller,
        id,
        &listing,
        |tx, business, tank, when, page| level::repairs(tx, business, tank, when, page).boxed(),
        |repair| repair.id.to_string(),
    )
    .await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list_readings, add_reading))
        .routes(routes!(read_reading))
        .routes(routes!(list_refills, add_refill))
        .routes(routes!(read_refill))
        .routes(routes!(list_repairs, add_repair))
}
