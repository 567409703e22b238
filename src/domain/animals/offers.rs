//! Which straws within her reach an animal may have.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    animals::{
        candidate::{Candidate, Turn},
        herd::HerdDetails,
        kinship::Inbreeding,
        objection::Objection,
    },
    straws::stock::Stock,
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

/// The straws of `stock` that she may have, in the order in which they should be used: those that the choice rule names
/// otherwise only where there is no other; and the sires of straws that
/// she may not have for another reason than the choice rule. Her pedigree must know all sires of the stock.
pub fn offers(candidate: &Candidate, turn: &Turn, stock: Vec<Stock>) -> (Vec<Stock>, Vec<Blocked>) {
    let sires = sires_of(&stock);
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
    for hanging in stock.into_iter().filter(|hanging| hanging.lot.details.is_for(candidate.herd_id)) {
        let objections = against(turn, &hanging);
        for objection in &objections {
            let found = barred(&hanging, objection, &candidate.herd);
            let is_new = |new: &Blocked| {
                !blocked.iter().any(|known| known.sire_id == new.sire_id && known.lot_id == new.lot_id)
            };
            blocked.extend(found.filter(is_new));
        }
        if objections.is_empty() {
            free.push(hanging);
        } else if against(&widened, &hanging).is_empty() {
            others.push(hanging);
        }
    }
    if free.is_empty() {
        free = others;
    }
    // Keeps the order of age within what the rule names first.
    free.sort_by_key(|hanging| turn.allowed.preference(hanging.semen_type));
    (free, blocked)
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
