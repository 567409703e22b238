//! Holds on the straws of tanks and canisters.

use axum::{Json, extract::State, response::Response};
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::straws::hold::Lift,
    domain::{
        straws::hold::{Hold, NewHold},
        values::{HoldId, TankId},
    },
    form,
    http::{
        App,
        access::limits::Within,
        answer::{created, gone},
        docs::{IdempotencyKey, Problems},
        extract::{CommandRequest, DeleteRequest, Id, Optional, Permit, Read, Work},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store,
};

/// Straws are not to be used.
#[utoipa::path(post, path = "/v1/holds", operation_id = "create_hold", tag = "Stock",
    summary = "Put straws on hold",
    description = "Straws of that tank or canister are neither offered nor given (409 `on-hold`) until the hold is lifted: a failed \
        tank, a flood, a doubt. They may be moved out of it, and other straws into it. While any liquid is left straws may be \
        sound: move them to a sound tank at once (Univ. Illinois Extension, 2024). Nitrogen gas displaces air without warning: \
        air the room first, wear loose dry cryogenic gloves and a face shield, and follow local codes.",
    request_body(content = NewHold, example = json!({
        "tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3, "reason": "Stood above the liquid; to be tested.",
        "technician": "T. Example"})),
    params(IdempotencyKey),
    responses(
        (status = 201, description = "On hold.", body = Hold,
         headers(("Location" = String, description = "The hold."))),
        Problems))]
async fn hold(
    State(app): State<App>,
    command: CommandRequest<NewHold, Work, Optional, Within>,
) -> Result<Response, Problem> {
    let new = command.body.clone();
    app.perform(command, new, |hold| created(format!("/v1/holds/{}", hold.id), &hold)).await
}

/// Straws may be used again.
#[utoipa::path(delete, path = "/v1/holds/{id}", operation_id = "lift_hold", tag = "Stock",
    summary = "Lift a hold",
    description = "The straws are offered and given again. The hold stays to be seen, with the time until which it held. Whether \
        straws that were in doubt are sound is for somebody who is answerable for it to say, after a test where one can be made.",
    params(("id" = uuid::Uuid, Path, description = "The hold."), IdempotencyKey),
    responses((status = 204, description = "Lifted, now or before."), Problems))]
async fn lift(
    State(app): State<App>,
    Id(id): Id,
    removal: DeleteRequest<Work, Within>,
) -> Result<Response, Problem> {
    app.do_for(removal.ask, Lift { hold_id: HoldId(id) }, |()| Ok(gone())).await
}

form! {
    /// Which holds a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct HoldFilter {
        /// Only of this tank.
        pub tank_id: Option<TankId>,
        /// Only those that are not lifted.
        #[param(required = false)]
        pub open: bool = false,
    }
}

/// Holds.
#[utoipa::path(get, path = "/v1/holds", operation_id = "list_holds", tag = "Stock",
    summary = "List holds",
    params(PageParams, HoldFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<Hold>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    listing: Listing<HoldFilter>,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let (filter, business) = (&listing.filter, caller.business_id);
    let tank = caller.leading_tank(filter.tank_id);
    let rows = store::straws::hold::list(&mut tx, business, tank, filter.open, listing.by_id()?).await?;
    Ok(listing.list_within(rows, |hold| hold.id.to_string(), |hold| caller.may_see(hold)))
}

/// One hold.
#[utoipa::path(get, path = "/v1/holds/{id}", operation_id = "get_hold", tag = "Stock",
    summary = "Get a hold",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = Hold), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
) -> Result<Json<Hold>, Problem> {
    let mut tx = app.book.db.read().await?;
    let found = store::straws::hold::find(&mut tx, caller.business_id, HoldId(id)).await?;
    Ok(Json(found.ok_or_else(|| Problem::not_there("hold", id))?))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list, hold)).routes(routes!(read, lift))
}
