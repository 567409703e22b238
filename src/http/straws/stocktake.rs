//! Stocktakes.

use axum::{Json, extract::State, response::Response};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::straws::stocktake::{Accept, TakeStock},
    domain::{
        form::{self, Fault, Field, InputPath},
        straws::{place::Place, stocktake::Stocktake},
        values::{
            Canister, CountedStraws, LineNumber, LotId, Note, StocktakeId, TankId, Technician, Timestamp,
        },
    },
    form,
    http::{
        App,
        answer::{created, done},
        docs::{IdempotencyKeyRequired, Problems},
        extract::{Id, LedgerRequest, Permit, Read},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store,
};

form! {
    /// How many straws of one lot were counted at one place.
    #[derive(Clone, ToSchema)]
    pub struct Count {
        /// Of which lot.
        pub lot_id: LotId,
        /// Where.
        pub place: Place,
        /// How many, 0 included.
        pub straws: CountedStraws,
    }
}

/// Counts of a whole tank; more than other lists may have.
#[derive(Clone, ToSchema)]
#[schema(max_items = 5000)]
pub struct Counts(Vec<Count>);

/// Counts that one stocktake may have.
const MOST_COUNTS: usize = 5000;

impl Field for Counts {
    fn read(value: &serde_json::Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let Some(elements) = value.as_array().filter(|elements| elements.len() <= MOST_COUNTS) else {
            faults.push(spot.fault(format!("must be a list of at most {MOST_COUNTS} counts")));
            return None;
        };
        form::read_each(elements, spot, faults).map(Self)
    }
}

form! {
    /// What was counted in a tank or one canister of it.
    #[derive(Clone, ToSchema)]
    pub struct NewStocktake {
        /// In which tank.
        pub tank_id: TankId,
        /// Only in this canister.
        pub canister: Option<Canister>,
        /// Whether what was not counted is not there. Default false: only what was counted is compared.
        #[schema(required = false)]
        pub complete: bool = false,
        /// The line of the ledger up to which it was counted, as `GET /v1/stock` tells it; the last one when not said.
        pub as_of_seq: Option<LineNumber>,
        /// When; now when not said.
        pub counted_at: Option<Timestamp>,
        /// What was counted.
        #[schema(value_type = Vec<Count>)]
        pub counts: Counts,
        /// Who counted.
        pub technician: Option<Technician>,
        /// A remark.
        pub note: Option<Note>,
    }
}

/// A count is compared with the book.
#[utoipa::path(post, path = "/v1/stocktakes", operation_id = "create_stocktake", tag = "Stock",
    summary = "Record a stocktake",
    description = "Answers the differences by lot and place and changes no balance. They are taken against the book as it stood \
        at the line up to which it was counted, so straws taken while counting are no difference.",
    request_body(content = NewStocktake, example = json!({
        "tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3,
        "counts": [{
            "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a",
            "place": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3, "cane": "B", "goblet": "upper"},
            "straws": 9}]})),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "The differences.", body = Stocktake,
         headers(("Location" = String, description = "The stocktake."))),
        Problems))]
async fn take(State(app): State<App>, command: LedgerRequest<NewStocktake>) -> Result<Response, Problem> {
    let new = command.body.clone();
    let act = TakeStock {
        tank_id: new.tank_id,
        canister: new.canister,
        complete: new.complete,
        as_of_seq: new.as_of_seq,
        counted_at: new.counted_at,
        counts: new.counts.0.into_iter().map(|count| (count.lot_id, count.place, count.straws)).collect(),
        technician: new.technician,
        note: new.note,
    };
    app.perform(command, act, |stocktake| created(format!("/v1/stocktakes/{}", stocktake.id), &stocktake))
        .await
}

form! {
    /// Nothing more needs to be said.
    #[derive(Clone, ToSchema)]
    pub struct NewAcceptance {}
}

/// The differences are posted.
#[utoipa::path(post, path = "/v1/stocktakes/{id}/acceptance", operation_id = "accept_stocktake", tag = "Stock",
    summary = "Accept a stocktake",
    description = "Writes a `count` movement for each difference, all or none. They are posted as differences: what was taken or \
        came since the count stays as it is. 409 `not-in-stock` when so many are missing that others, taken since, cannot have \
        been there: count again.",
    request_body(content = NewAcceptance, example = json!({})),
    params(("id" = uuid::Uuid, Path, description = "The stocktake."), IdempotencyKeyRequired),
    responses((status = 200, description = "Posted; each line names its movement.", body = Stocktake), Problems))]
async fn accept(
    State(app): State<App>,
    Id(id): Id,
    command: LedgerRequest<NewAcceptance>,
) -> Result<Response, Problem> {
    app.perform(command, Accept { stocktake_id: StocktakeId(id) }, |stocktake| done(&stocktake)).await
}

form! {
    /// Which stocktakes a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct StocktakeFilter {
        /// Only of this tank.
        pub tank_id: Option<TankId>,
    }
}

/// Stocktakes.
#[utoipa::path(get, path = "/v1/stocktakes", operation_id = "list_stocktakes", tag = "Stock",
    summary = "List stocktakes",
    params(PageParams, StocktakeFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<Stocktake>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read>,
    listing: Listing<StocktakeFilter>,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let page = listing.by_id()?;
    let rows =
        store::straws::stocktake::list(&mut tx, caller.business_id, listing.filter.tank_id, page).await?;
    Ok(listing.list(rows, |stocktake| stocktake.id.to_string()))
}

/// One stocktake.
#[utoipa::path(get, path = "/v1/stocktakes/{id}", operation_id = "get_stocktake", tag = "Stock",
    summary = "Get a stocktake",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = Stocktake), Problems))]
async fn read(State(app): State<App>, caller: Permit<Read>, Id(id): Id) -> Result<Json<Stocktake>, Problem> {
    let mut tx = app.book.db.read().await?;
    let found = store::straws::stocktake::find(&mut tx, caller.business_id, StocktakeId(id)).await?;
    found.map(Json).ok_or_else(|| Problem::not_there("stocktake", id))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list, take)).routes(routes!(read)).routes(routes!(accept))
}
