//! Every straw of a lot: where it is, whom it served, when, by whom, with what result.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    animals::history::{AnimalHistory, ServiceResult},
    row::Joined,
    straws::{lot::Lot, place::Place, sire::SireSummary, stock::Stock, withdrawal::WithdrawalState},
    values::{AnimalId, Code, HeatHours, HerdId, ServiceId, Straws, Technician, Timestamp, WithdrawalId},
};

/// Every straw of a lot.
#[derive(Debug, Serialize, ToSchema)]
pub struct LotTrace {
    /// The lot.
    pub lot: Lot,
    /// The sire.
    pub sire: SireSummary,
    /// How many straws came, and where they are.
    pub totals: Totals,
    /// Where the rest hangs.
    pub stock: Vec<Stock>,
    /// Out of the tank and not accounted for.
    pub unresolved: Vec<UnresolvedStraw>,
    /// Whom they served.
    pub services: Vec<TracedService>,
}

/// Where a lot's straws are: `received + counted = in_stock + used + discarded + consigned`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Totals {
    /// Came from the supplier.
    pub received: i64,
    /// Hang in tanks.
    #[sqlx(skip)]
    pub in_stock: i64,
    /// Went out for services, the unresolved included.
    pub used: i64,
    /// Were thrown away.
    pub discarded: i64,
    /// Went to other keepers.
    pub consigned: i64,
    /// Found by stocktakes; negative when fewer hung there than the book said.
    pub counted: i64,
}

/// A straw out of the tank and not accounted for.
#[derive(Debug, Serialize, ToSchema, sqlx::FromRow)]
pub struct UnresolvedStraw {
    /// The withdrawal.
    pub withdrawal_id: WithdrawalId,
    /// For which animal.
    pub animal_id: AnimalId,
    /// When it left the tank.
    #[sqlx(rename = "at")]
    pub withdrawn_at: Timestamp,
    /// Who took it.
    pub technician: Option<Technician>,
    /// How many straws.
    pub straws: Straws,
    /// Where it is on its way.
    pub state: WithdrawalState,
}

impl Joined for UnresolvedStraw {
    const KEY: &'static str = "state";
}

/// A service with a straw of the lot.
#[derive(Debug, Serialize, ToSchema, sqlx::FromRow)]
pub struct TracedService {
    /// The service.
    pub service_id: ServiceId,
    /// The animal.
    pub animal_id: AnimalId,
    /// Her number in her herd.
    pub animal_number: Code,
    /// Her herd then.
    pub herd_id: HerdId,
    /// When.
    #[sqlx(rename = "at")]
    pub served_at: Timestamp,
    /// Which service of hers it was.
    #[schema(minimum = 1)]
    pub service_number: i64,
    /// Who did it.
    pub technician: Option<Technician>,
    /// Where the straw hung.
    #[sqlx(flatten)]
    pub place: Place,
    /// How many straws.
    pub straws: Straws,
    /// When it was found to have been entered by mistake.
    pub reversed_at: Option<Timestamp>,
    /// Within how many hours her herd counts inseminations as one service.
    #[serde(skip)]
    pub same_heat_hours: HeatHours,
    /// What came of it, as far as known.
    #[sqlx(skip)]
    pub result: Option<ServiceResult>,
    /// When that was known.
    #[sqlx(skip)]
    pub result_at: Option<Timestamp>,
}

impl Joined for TracedService {
    const KEY: &'static str = "service_id";
}

impl TracedService {
    /// The same with what came of it by what is on record of her; nothing comes of one entered by mistake.
    #[must_use]
    pub fn judged(self, history: Option<&AnimalHistory>) -> Self {
        let history = history.filter(|_| self.reversed_at.is_none());
        let (result, result_at) =
            history.and_then(|history| history.outcome(self.served_at, self.same_heat_hours)).unzip();
        Self { result, result_at, ..self }
    }
}
