//! What hangs where.

use axum::{extract::State, response::Response};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::{
        straws::{semen::SemenType, stock::Stock},
        values::{HerdId, LotId, SireId, TankId},
    },
    form,
    http::{
        App,
        access::limits::Within,
        docs::Problems,
        extract::{Permit, Read},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store::{
        access::business,
        straws::stock::{self, Wanted},
    },
};

form! {
    /// Which stock a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct StockFilter {
        /// Only in this tank.
        pub tank_id: Option<TankId>,
        /// Only of this sire.
        pub sire_id: Option<SireId>,
        /// Only of this lot.
        pub lot_id: Option<LotId>,
        /// Only of this semen type.
        pub semen_type: Option<SemenType>,
        /// Only straws that belong to this herd's owner.
        pub owner_herd_id: Option<HerdId>,
    }
}

/// A page of stock, and the total of all pages.
#[derive(Serialize, ToSchema)]
pub struct StockList {
    #[allow(missing_docs)]
    #[serde(flatten)]
    page: Page<Stock>,
    /// Straws on all pages together.
    #[schema(minimum = 0)]
    total_straws: i64,
    /// The last line of the ledger that this takes in; a count made by it is posted with it.
    #[schema(minimum = 0)]
    as_of_seq: i64,
}

/// What hangs where.
#[utoipa::path(get, path = "/v1/stock", operation_id = "list_stock", tag = "Stock",
    summary = "List stock",
    description = "Every lot at every place with its number of straws, and the total of the whole list.",
    params(PageParams, StockFilter),
    responses((status = 200, description = "A page of stock.", body = StockList), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    listing: Listing<StockFilter>,
) -> Result<Response, Problem> {
    let f = &listing.filter;
    let wanted = Wanted {
        tank: f.tank_id,
        sire: f.sire_id,
        lot: f.lot_id,
        semen_type: f.semen_type,
        owner_herd: f.owner_herd_id,
        herds: caller.limits().and_then(|limits| limits.herds().map(ToOwned::to_owned)),
        tanks: caller.limits().and_then(|limits| limits.tanks().map(ToOwned::to_owned)),
    };
    let (after, limit) = listing.by_two_ids()?;
    let mut tx = app.book.db.read().await?;
    let rows = stock::list(&mut tx, caller.business_id, &wanted, after, limit).await?;
    let total_straws = stock::total(&mut tx, caller.business_id, &wanted).await?;
    let business = business::find(&mut tx, caller.business_id).await?;
    let as_of_seq = business.map_or(0, |business| business.movements);
    let mut page = listing.page(rows, |row| format!("{} {}", row.lot.id, row.place_id));
    page.items.retain(|stock| caller.may_see(stock));
    let next = page.next_cursor.clone();
    Ok(listing.answer(next.as_deref(), StockList { page, total_straws, as_of_seq }))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list))
}
