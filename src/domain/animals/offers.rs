//! Which straws within her reach an animal may have.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    animals::{
        candidate::{Candidate, Turn},
        herd::HerdDetails,
        kinship::Inbreeding,
        mating_plan::{MatingPlan, Offered, StandingChoice, standings},
        objection::Objection,
    },
    straws::{semen::SemenType, stock::Stock},
    values::{LotId, Name, SireId},
};

/// A sire whose straws are in reach and may not be used for her, and why.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct Blocked {
    /// The sire.
    pub sire_id: SireId,
    /// His name.
    pub sire_name: Name,
    /// The lot, when only that is in the way and not the sire.
    pub lot_id: Option<LotId>,
    /// Why, in words.
    pub reason: String,
}

/// What straws there are for an animal.
#[derive(Debug, Default)]
pub struct Offers {
    /// Those that she may have, in the order in which they should be used.
    pub free: Vec<Stock>,
    /// The sires of straws in reach that she may not have for another reason than the choice rule.
    pub blocked: Vec<Blocked>,
    /// What comes of her plan.
    pub planned: Vec<StandingChoice>,
}

/// The straws of `stock` within her reach that she may have: those that her plan wants first, then by what the choice rule
/// names first, then the oldest; those that the rule names otherwise only where there is no other. Straws of planned sires may
/// hang elsewhere too; only what comes of the plan tells of them. Of the `wanted` semen type only, where one is. Her pedigree
/// must know all sires of the stock and of her plan.
pub fn offers(candidate: &Candidate, turn: &Turn, stock: Vec<Stock>, wanted: Option<SemenType>) -> Offers {
    let mut sires = sires_of(&stock);
    sires.extend(candidate.plan.iter().flat_map(MatingPlan::sires));
    sires.sort_unstable();
    sires.dedup();
    let inbreeding = candidate.inbreeding(&sires);
    let of =
        |sire: SireId| sires.binary_search(&sire).map_or_else(|_| Inbreeding::default(), |n| inbreeding[n]);

    let (mut free, mut others, mut blocked) = (Vec::new(), Vec::new(), Vec::<Blocked>::new());
    let widened = turn.clone().with_otherwise();
    let against = |turn: &Turn, hanging: &Stock| {
        let inbreeding = of(hanging.lot.details.sire_id);
        let mut objections = candidate.objections_to(turn, &hanging.lot, hanging.sire.purpose, inbreeding);
        objections.extend(hanging.on_hold.clone().map(|reason| Objection::OnHold { reason }));
        objections
    };
    // Another owner's straws are none of hers, so nothing is said of them.
    let is_meant =
        |hanging: &Stock| candidate.reaches(hanging) && hanging.lot.details.is_for(candidate.herd_id);
    for (n, hanging) in stock.iter().enumerate().filter(|(_, hanging)| is_meant(hanging)) {
        let objections = against(turn, hanging);
        for objection in &objections {
            let found = barred(hanging, objection, &candidate.herd);
            let is_new = |new: &Blocked| {
                !blocked.iter().any(|known| known.sire_id == new.sire_id && known.lot_id == new.lot_id)
            };
            blocked.extend(found.filter(is_new));
        }
        if objections.is_empty() {
            free.push(n);
        } else if against(&widened, hanging).is_empty() {
            others.push(n);
        }
    }
    if free.is_empty() {
        free = others;
    }
    free.retain(|n| wanted.is_none_or(|wanted| stock[*n].semen_type == wanted));
    let is_offered = |n: usize| free.contains(&n);
    let offered = Offered { stock: &stock, is_offered: &is_offered, inbreeding: &of, wanted };
    let planned = standings(candidate, turn, &offered);
    // Keeps the order of age within what the plan and the rule name first.
    free.sort_by_cached_key(|n| precedence(candidate, turn, &stock[*n]));
    let mut stock: Vec<Option<Stock>> = stock.into_iter().map(Some).collect();
    let free = free.into_iter().filter_map(|n| stock[n].take()).collect();
    Offers { free, blocked, planned }
}

/// How soon a straw is offered, the least first, among those of one age: by her plan, then by the choice rule.
pub fn precedence(candidate: &Candidate, turn: &Turn, stock: &Stock) -> (usize, usize) {
    (candidate.plan_rank(turn, &stock.sire, stock.semen_type), turn.allowed.preference(stock.semen_type))
}

/// The sires of straws, each once, in order.
pub fn sires_of(stock: &[Stock]) -> Vec<SireId> {
    let mut sires: Vec<SireId> = stock.iter().map(|hanging| hanging.lot.details.sire_id).collect();
    sires.sort_unstable();
    sires.dedup();
    sires
}

/// What an objection bars beyond her service number: a whole sire, or a lot.
fn barred(hanging: &Stock, objection: &Objection, herd: &HerdDetails) -> Option<Blocked> {
    let lot = &hanging.lot;
    let (lot_id, reason) = match objection {
        Objection::Kinship { .. } => (None, objection.describe(herd)),
        Objection::LotNotUsable { status } => {
            (Some(lot.id), format!("Only {} of his is barred: it is {status}.", lot.details.describe()))
        }
        Objection::OnHold { reason } => {
            let (batch, place) = (lot.details.describe(), hanging.place.describe());
            let text = format!("{batch} in {}, {place}, is on hold: {reason}", hanging.tank_name);
            (Some(lot.id), text)
        }
        _ => return None,
    };
    Some(Blocked { sire_id: lot.details.sire_id, sire_name: hanging.sire.name.clone(), lot_id, reason })
}
