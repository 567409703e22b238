//! Every straw of a lot: where it is, whom it served, when, by whom, with what result.

use crate::{
    book::lookup,
    domain::{
        animals::{history::ServiceResult, service::Service},
        straws::{lot::Lot, place::PlaceKind, sire::Sire, stock::Stock, withdrawal::Withdrawal},
        values::{BusinessId, LotId, Timestamp},
    },
    store::{self, Tx, straws::ledger},
};

/// Every straw of a lot.
#[derive(Debug)]
pub struct LotTrace {
    /// The lot.
    pub lot: Lot,
    /// Its sire.
    pub sire: Sire,
    /// How many straws came, and where they are.
    pub totals: Totals,
    /// Where the rest hangs.
    pub stock: Vec<Stock>,
    /// Out of the tank and not accounted for.
    pub unresolved: Vec<Withdrawal>,
    /// Whom they served.
    pub services: Vec<TracedService>,
}

/// Where a lot's straws are: `received + counted = in_stock + used + discarded`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, utoipa::ToSchema)]
pub struct Totals {
    /// Came from the supplier.
    pub received: i64,
    /// Hang in tanks.
    pub in_stock: i64,
    /// Went out for services, the unresolved included.
    pub used: i64,
    /// Were thrown away.
    pub discarded: i64,
    /// Found by stocktakes; negative when fewer hung there than the book said.
    pub counted: i64,
}

/// A service with a straw of the lot.
#[derive(Debug)]
pub struct TracedService {
    /// The service.
    pub service: Service,
    /// What came of it, and when that was known.
    pub outcome: Option<(ServiceResult, Timestamp)>,
}

/// Traces every straw of `lot`; `None` when there is no such lot.
pub async fn lot_trace(tx: &mut Tx, business: BusinessId, lot: LotId) -> store::Result<Option<LotTrace>> {
    let Some(lot) = store::straws::lot::find(tx, business, lot).await? else { return Ok(None) };
    let sire = lookup::sire_of(tx, business, lot.details.sire_id).await?;
    let stock = ledger::stock_of_lot(tx, business, lot.id).await?;
    let mut totals =
        Totals { in_stock: stock.iter().map(|hanging| hanging.straws).sum(), ..Totals::default() };
    for (kind, straws) in ledger::outside_of_lot(tx, business, lot.id).await? {
        match kind {
            PlaceKind::Supplier => totals.received = -straws,
            PlaceKind::Used => totals.used = straws,
            PlaceKind::Discarded => totals.discarded = straws,
            PlaceKind::Counted => totals.counted = -straws,
            PlaceKind::Tank => {}
        }
    }
    let mut services = Vec::new();
    for service in store::animals::service::of_lot(tx, business, lot.id).await? {
        let outcome = match service.reversed_at {
            None => lookup::history(tx, business, service.animal_id).await?.outcome(service.served_at),
            Some(_) => None,
        };
        services.push(TracedService { service, outcome });
    }
    let unresolved = store::straws::withdrawal::unresolved_of_lot(tx, business, lot.id).await?;
    Ok(Some(LotTrace { lot, sire, totals, stock, unresolved, services }))
}
