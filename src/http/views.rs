//! What answers show of stock, withdrawals and services: an allow-list, written out.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    book::{
        animals::{next_service, record_service},
        straws::{receive::Moved, withdraw},
    },
    domain::{
        animals::{
            choice::{Allowed, Class},
            objection::{Deviation, Deviations},
            timing::Timing,
        },
        identifiers::{ExternalId, Identifiers},
        straws::{
            lot::Lot, movement::Movement, place::Place, semen::SemenType, sire::Sire, thaw::ThawProtocol,
            withdrawal::WithdrawalState,
        },
        values::{
            AnimalId, Celsius, Code, HerdId, LotId, Name, Note, Reason, ServiceId, SireId, Straws,
            Technician, Timestamp, WithdrawalId,
        },
    },
    store::straws::{demand::Held, ledger::Stock},
};

/// A sire in short.
#[derive(Serialize, ToSchema)]
pub struct SireView {
    /// His id.
    id: SireId,
    /// His name.
    name: Name,
    /// His breed.
    breed: Option<Code>,
    /// His official names.
    #[schema(value_type = Vec<ExternalId>)]
    identifiers: Identifiers,
}

impl From<&Sire> for SireView {
    fn from(sire: &Sire) -> Self {
        let d = &sire.details;
        Self { id: sire.id, name: d.name.clone(), breed: d.breed.clone(), identifiers: d.identifiers.clone() }
    }
}

impl From<&Held> for SireView {
    fn from(held: &Held) -> Self {
        Self {
            id: held.sire_id,
            name: held.sire_name.clone(),
            breed: held.sire_breed.clone(),
            identifiers: held.sire_identifiers.clone(),
        }
    }
}

/// Straws of one lot at one place.
#[derive(Serialize, ToSchema)]
pub struct StockView {
    /// The lot.
    lot: Lot,
    /// The sire.
    sire: SireView,
    /// The semen type.
    semen_type: SemenType,
    /// Where they hang.
    place: Place,
    /// What the tank is called.
    tank_name: Name,
    /// How many.
    #[schema(minimum = 0)]
    straws: i64,
}

impl From<&Stock> for StockView {
    fn from(stock: &Stock) -> Self {
        Self {
            sire: SireView {
                id: stock.lot.details.sire_id,
                name: stock.sire_name.clone(),
                breed: stock.sire_breed.clone(),
                identifiers: stock.sire_identifiers.clone(),
            },
            semen_type: stock.lot.details.semen_type,
            lot: stock.lot.clone(),
            place: stock.place.clone(),
            tank_name: stock.tank_name.clone(),
            straws: stock.straws,
        }
    }
}

/// A movement just written.
#[derive(Serialize, ToSchema)]
pub struct MovedView {
    #[allow(missing_docs)]
    #[serde(flatten)]
    movement: Movement,
    /// What the caller should know.
    warnings: Vec<String>,
}

impl From<Moved> for MovedView {
    fn from(moved: Moved) -> Self {
        Self { movement: moved.movement, warnings: moved.warnings }
    }
}

impl MovedView {
    /// Where the movement is to be found.
    pub fn location(moved: &Moved) -> String {
        format!("/v1/movements/{}", moved.movement.id)
    }
}

/// A straw's way out of the tank.
#[derive(Serialize, ToSchema)]
pub struct WithdrawalView {
    /// Its id.
    id: WithdrawalId,
    /// Where it is on its way.
    state: WithdrawalState,
    /// For which animal.
    animal_id: AnimalId,
    /// Her number in her herd.
    animal_number: Code,
    /// Her herd.
    herd_id: HerdId,
    /// Which service it is to be.
    #[schema(minimum = 1)]
    service_number: i64,
    /// Which insemination of that heat.
    #[schema(minimum = 1)]
    rank: i64,
    /// The lot.
    lot: Lot,
    /// The sire.
    sire: SireView,
    /// The semen type.
    semen_type: SemenType,
    /// Where the straw hung.
    place: Place,
    /// What that tank is called.
    tank_name: Name,
    /// How many straws.
    straws: Straws,
    /// When it left the tank.
    withdrawn_at: Timestamp,
    /// Who took it.
    technician: Option<Technician>,
    /// What the choice rule allowed.
    rule: Allowed,
    /// How to thaw it.
    thaw: ThawProtocol,
    /// The bath's temperature in degrees Celsius.
    bath_temp_c: Option<Celsius>,
    /// When it went into the bath.
    thaw_started_at: Option<Timestamp>,
    /// From when it may be used.
    ready_at: Option<Timestamp>,
    /// Until when it should be used.
    use_by: Option<Timestamp>,
    /// When it was served or discarded.
    resolved_at: Option<Timestamp>,
    /// Why objections were set aside.
    override_reason: Option<Reason>,
    /// What was out of the ordinary.
    #[schema(value_type = Vec<Deviation>)]
    deviations: Deviations,
    /// What the caller should know.
    warnings: Vec<String>,
    /// When it was recorded.
    recorded_at: Timestamp,
}

impl WithdrawalView {
    /// The withdrawal as it is at `now`.
    pub fn at(shown: withdraw::Shown, now: Timestamp) -> Self {
        let w = shown.withdrawal;
        Self {
            id: w.id,
            state: w.state_at(now),
            animal_id: w.animal_id,
            animal_number: shown.animal_number,
            herd_id: w.herd_id,
            service_number: w.service_number,
            rank: w.rank,
            sire: SireView::from(&shown.sire),
            semen_type: shown.lot.details.semen_type,
            lot: shown.lot,
            place: shown.place,
            tank_name: shown.tank_name,
            straws: w.straws,
            withdrawn_at: w.withdrawn_at,
            technician: w.technician,
            rule: w.rule,
            thaw: w.thaw,
            bath_temp_c: w.bath_temp_c,
            thaw_started_at: w.thaw_started_at,
            ready_at: w.ready_at,
            use_by: w.use_by,
            resolved_at: w.resolved_at,
            override_reason: w.override_reason,
            deviations: w.deviations,
            warnings: shown.warnings,
            recorded_at: w.recorded_at,
        }
    }

    /// Its id.
    pub fn id(&self) -> WithdrawalId {
        self.id
    }
}

/// A service on record.
#[derive(Serialize, ToSchema)]
pub struct ServiceView {
    /// Its id.
    id: ServiceId,
    /// The animal.
    animal_id: AnimalId,
    /// Her number in her herd.
    animal_number: Code,
    /// Her herd.
    herd_id: HerdId,
    /// When.
    served_at: Timestamp,
    /// Counts her services since her last calving.
    #[schema(minimum = 1)]
    service_number: i64,
    /// Counts the inseminations within the heat.
    #[schema(minimum = 1)]
    rank: i64,
    /// Who did it.
    technician: Option<Technician>,
    /// The straw's way out of the tank.
    withdrawal_id: Option<WithdrawalId>,
    /// The lot, when the straw was from this book.
    lot: Option<Lot>,
    /// The sire, where known.
    sire: Option<SireView>,
    /// The semen type, where known.
    semen_type: Option<SemenType>,
    /// Where the straw hung.
    place: Option<Place>,
    /// What that tank is called.
    tank_name: Option<Name>,
    /// How many straws.
    straws: Straws,
    /// Whether the straw came from the herd's own tank.
    semen_from_herd_stock: bool,
    /// What was out of the ordinary.
    #[schema(value_type = Vec<Deviation>)]
    deviations: Deviations,
    /// A remark.
    note: Option<Note>,
    /// When it was found to have been entered by mistake; then it does not count.
    reversed_at: Option<Timestamp>,
    /// What follows if she conceived, or did not.
    #[serde(flatten)]
    outlook: record_service::FollowUp,
    /// What the caller should know.
    warnings: Vec<String>,
    /// When it was recorded.
    recorded_at: Timestamp,
}

impl From<record_service::Shown> for ServiceView {
    fn from(shown: record_service::Shown) -> Self {
        let s = shown.service;
        let (place, tank_name) = shown.place.unzip();
        Self {
            id: s.id,
            animal_id: s.animal_id,
            animal_number: shown.animal_number,
            herd_id: s.herd_id,
            served_at: s.served_at,
            service_number: s.service_number,
            rank: s.rank,
            technician: s.technician,
            withdrawal_id: s.withdrawal_id,
            lot: shown.lot,
            sire: shown.sire.as_ref().map(SireView::from),
            semen_type: s.semen_type,
            place,
            tank_name,
            straws: s.straws,
            semen_from_herd_stock: s.semen_from_herd_stock,
            deviations: s.deviations,
            note: s.note,
            reversed_at: s.reversed_at,
            outlook: shown.outlook,
            warnings: shown.warnings,
            recorded_at: s.recorded_at,
        }
    }
}

impl ServiceView {
    /// Its id.
    pub fn id(&self) -> ServiceId {
        self.id
    }
}

/// A sire that she may not have.
#[derive(Serialize, ToSchema)]
pub struct BlockedView {
    /// The sire.
    sire_id: SireId,
    /// His name.
    sire_name: Name,
    /// The lot, when only that is in the way.
    lot_id: Option<LotId>,
    /// Why, in words.
    reason: String,
}

/// What an animal's next service calls for.
#[derive(Serialize, ToSchema)]
pub struct NextServiceView {
    /// The animal.
    animal_id: AnimalId,
    /// Her herd.
    herd_id: HerdId,
    /// The moment it is about.
    at: Timestamp,
    /// Heifer or cow.
    class: Class,
    /// Which service it would be: counts those since her last calving.
    #[schema(minimum = 1)]
    service_number: i64,
    /// Which insemination of that heat it would be.
    #[schema(minimum = 1)]
    rank: i64,
    /// Whether nothing stands against serving her.
    permitted: bool,
    /// What stands against serving her at all.
    objections: Vec<Deviation>,
    /// The semen types that her service number calls for.
    semen_types: Vec<SemenType>,
    /// The rule that says so.
    rule: Allowed,
    /// Straws that she may have and where they hang, the first to be used first.
    candidates: Vec<StockView>,
    /// Sires in reach that she may not have, and why.
    blocked: Vec<BlockedView>,
    /// When to serve her, from her last standing heat; null without one in the last three days.
    timing: Option<Timing>,
    /// The mating plan for her, as her herd system last told it; null without one.
    plan: Option<next_service::MatingPlan>,
    /// How to thaw the first of the straws.
    thaw: ThawProtocol,
    /// What else to heed.
    cautions: Vec<String>,
}

impl From<next_service::NextService> for NextServiceView {
    fn from(next: next_service::NextService) -> Self {
        Self {
            animal_id: next.animal_id,
            herd_id: next.herd_id,
            at: next.at,
            class: next.class,
            service_number: next.numbered.service_number,
            rank: next.numbered.rank,
            permitted: next.objections.is_empty(),
            objections: next.objections,
            semen_types: next.allowed.semen_types.clone(),
            rule: next.allowed,
            candidates: next.candidates.iter().map(StockView::from).collect(),
            blocked: next
                .blocked
                .into_iter()
                .map(|b| BlockedView {
                    sire_id: b.sire_id,
                    sire_name: b.sire_name,
                    lot_id: b.lot_id,
                    reason: b.reason,
                })
                .collect(),
            timing: next.timing,
            plan: next.plan,
            thaw: next.thaw,
            cautions: next.cautions,
        }
    }
}
