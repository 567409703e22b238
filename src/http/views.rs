//! What answers show of stock, withdrawals and services: an allow-list, written out.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    book::{animals::next_service, straws::receive::Moved},
    domain::{
        animals::{
            choice::{Allowed, Class},
            objection::Deviation,
            timing::Timing,
        },
        straws::{movement::Movement, semen::SemenType, stock::Stock, thaw::ThawProtocol},
        values::{AnimalId, HerdId, LotId, Name, SireId, Timestamp},
    },
};

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
    candidates: Vec<Stock>,
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
            candidates: next.candidates,
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
