//! A count is compared with the book; no balance changes.

use std::collections::BTreeMap;

use utoipa::ToSchema;

use crate::{
    domain::{
        form::{self, Fault, Field, InputPath},
        nitrogen::tank::Tank,
        now::Now,
        rejection::Rejection,
        straws::{
            lot::Lot,
            place::Place,
            posting::PlaceStock,
            stocktake::{Stocktake, StocktakeState, compare},
        },
        values::{
            Canister, CountedStraws, LineNumber, LotId, Note, StocktakeId, TankId, Technician, Timestamp,
        },
    },
    form,
};

form! {
    /// How many straws of one lot were counted at one place.
    #[derive(Clone, Debug, ToSchema)]
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
#[derive(Clone, Debug, ToSchema)]
#[schema(max_items = 5000)]
pub struct Counts(pub Vec<Count>);

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
    #[derive(Clone, Debug, ToSchema)]
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
        #[schema(value_type = Vec<Count>, max_items = 5000)]
        pub counts: Counts,
        /// Who counted.
        pub technician: Option<Technician>,
        /// A remark.
        pub note: Option<Note>,
    }
}

/// What is to be known before a count is compared.
#[derive(Debug)]
pub struct Facts {
    /// The tank.
    pub tank: Option<Tank>,
    /// The last line of the ledger.
    pub last_line: i64,
    /// The lot, if it is known, and the place of each count.
    pub counted: Vec<(Option<Lot>, PlaceStock)>,
    /// What hung in the tank by the book at the line up to which it was counted.
    pub expected: Vec<(LotId, Place, i64)>,
}

/// The stocktake with its differences.
///
/// # Errors
/// A lot or a tank is not known, a place lies outside what was counted or is counted twice, the line lies ahead of the
/// book, or the time far ahead.
pub fn decide(new: &NewStocktake, facts: &Facts, now: Now) -> Result<Stocktake, Rejection> {
    let (counted_at, _) = now.client_time(new.counted_at, "counted_at")?;
    let tank = facts.tank.as_ref().ok_or_else(|| Rejection::Unknown {
        what: "tank",
        id: new.tank_id.0,
        pointer: Some("#/tank_id".to_owned()),
    })?;
    let last = facts.last_line;
    let as_of_seq = new.as_of_seq.map_or(last, LineNumber::get);
    if as_of_seq > last {
        let detail = format!("lies ahead of the book, whose last line is {last}");
        return Err(Rejection::Invalid(vec![Fault::at("as_of_seq", detail)]));
    }
    let canisters = tank.details.canisters;
    if new.canister.is_some_and(|only| only > canisters) {
        let detail = format!("the tank has canisters 1 to {canisters}");
        return Err(Rejection::Invalid(vec![Fault::at("canister", detail)]));
    }
    let counted = counted(new, canisters, &facts.counted)?;
    let expected = facts.expected.iter().map(|(lot, place, n)| ((place.clone(), *lot), *n)).collect();
    Ok(Stocktake {
        id: StocktakeId::new(),
        tank_id: new.tank_id,
        tank_herd_id: tank.details.herd_id,
        canister: new.canister,
        complete: new.complete,
        as_of_seq,
        counted_at,
        technician: new.technician.clone(),
        note: new.note.clone(),
        lines: compare(&expected, &counted, new.complete),
        state: StocktakeState::Open,
        accepted_at: None,
        recorded_at: now.now,
    })
}

/// The counts, each lot and place once and all of them where it is said that was counted.
fn counted(
    new: &NewStocktake,
    canisters: Canister,
    found: &[(Option<Lot>, PlaceStock)],
) -> Result<BTreeMap<(Place, LotId), i64>, Rejection> {
    let unknown = |what, id, n: usize, member: &str| Rejection::Unknown {
        what,
        id,
        pointer: Some(format!("#/counts/{n}/{member}")),
    };
    let mut faults = Vec::new();
    let mut counted = BTreeMap::new();
    for (n, (count, (lot, there))) in new.counts.0.iter().zip(found).enumerate() {
        if lot.is_none() {
            return Err(unknown("lot", count.lot_id.0, n, "lot_id"));
        }
        let place = &count.place;
        if place.tank_id != new.tank_id {
            if there.tank.is_none() {
                return Err(unknown("tank", place.tank_id.0, n, "place/tank_id"));
            }
            faults.push(Fault::at(&format!("counts/{n}/place/tank_id"), "is not the tank that was counted"));
        } else if place.canister > canisters {
            let detail = format!("the tank has canisters 1 to {canisters}");
            faults.push(Fault::at(&format!("counts/{n}/place/canister"), detail));
        } else if new.canister.is_some_and(|only| place.canister != only) {
            faults.push(Fault::at(
                &format!("counts/{n}/place/canister"),
                "is not the canister that was counted",
            ));
        }
        if counted.insert((place.clone(), count.lot_id), count.straws.get()).is_some() {
            faults.push(Fault::at(&format!("counts/{n}"), "counts this lot at this place a second time"));
        }
    }
    if faults.is_empty() { Ok(counted) } else { Err(Rejection::Invalid(faults)) }
}
