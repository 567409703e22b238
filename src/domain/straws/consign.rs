//! Straws come or leave by one delivery note: all its lines, or none.

use std::collections::BTreeMap;

use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, InputPath},
        now::Now,
        rejection::Rejection,
        straws::{
            consignment::{Direction, Documents, Party},
            lot::Lot,
            movement::MovementKind,
            place::{Place, PlaceKind},
            posting::{Cause, PlaceStock, Posting, PostingEnd},
        },
        values::{Code, Day, LotId, Note, PlaceId, Straws, Technician, Timestamp},
    },
    form,
};

form! {
    /// Straws of one lot at one place.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewConsignmentLine {
        /// Of which lot.
        pub lot_id: LotId,
        /// Where they are hung, or where they hang.
        pub place: Place,
        /// How many.
        pub straws: Straws,
    }
}

form! {
    /// Straws that came or left by one delivery note.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewConsignment, check NewConsignment::check {
        /// Whether they came or left.
        pub direction: Direction,
        /// Who sent them, or to whom they went.
        pub party: Party,
        /// Numbers of the documents that went with them: delivery note, invoice, certificate.
        #[schema(value_type = Vec<Code>, required = false)]
        pub documents: Documents = Documents::default(),
        /// The day on the documents.
        pub document_on: Option<Day>,
        /// When they came or left; now when not said.
        pub moved_at: Option<Timestamp>,
        /// Who took them in or gave them away.
        pub technician: Option<Technician>,
        /// A remark.
        pub note: Option<Note>,
        /// The lots and places, at least one.
        #[schema(min_items = 1)]
        pub lines: Vec<NewConsignmentLine>,
    }
}

impl NewConsignment {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.lines.is_empty() {
            faults.push(spot.member("lines").fault("must have at least one element"));
        }
    }
}

/// What is to be written.
#[derive(Debug)]
pub struct Decision {
    /// When the straws came or left.
    pub moved_at: Timestamp,
    /// A line of the ledger for each line of the consignment.
    pub postings: Vec<Posting>,
    /// What the caller should know.
    pub warnings: Vec<String>,
}

/// A line that cannot be done.
#[derive(Debug)]
pub struct Refused {
    /// Its number, from 0.
    pub line: usize,
    /// Why.
    pub rejection: Rejection,
}

impl From<Rejection> for Refused {
    fn from(rejection: Rejection) -> Self {
        Self { line: 0, rejection }
    }
}

/// The lines of the ledger, each on top of those before it. `stock` is what the book knows of each line's lot and place.
///
/// # Errors
/// A lot or a tank is not known, a tank has no such canister, the time lies far ahead, or so many straws do not hang where
/// they are to leave.
pub fn decide(
    new: &NewConsignment,
    stock: &[(Option<Lot>, PlaceStock)],
    now: Now,
) -> Result<Decision, Refused> {
    let (moved_at, ahead) = now.client_time(new.moved_at, "moved_at")?;
    let mut shelf = Shelf::default();
    let mut postings = Vec::with_capacity(new.lines.len());
    for (n, (line, (lot, there))) in new.lines.iter().zip(stock).enumerate() {
        let refused = |rejection| Refused { line: n, rejection };
        if lot.is_none() {
            let pointer = Some(format!("#/lines/{n}/lot_id"));
            return Err(refused(Rejection::Unknown { what: "lot", id: line.lot_id.0, pointer }));
        }
        there.must_exist(&format!("lines/{n}/place")).map_err(refused)?;
        let there = shelf.now(line.lot_id, there);
        let (kind, from, to) = match new.direction {
            Direction::In => {
                let to = there.takes(line.straws);
                (MovementKind::Receipt, PostingEnd::Outside(PlaceKind::Supplier), to)
            }
            Direction::Out => {
                let missing = || format!("straws of the lot of line {} in {}", n + 1, line.place.describe());
                let from = there.gives(line.straws, missing).map_err(refused)?;
                (MovementKind::Consignment, from, PostingEnd::Outside(PlaceKind::Keeper))
            }
        };
        shelf.note(line.lot_id, &from);
        shelf.note(line.lot_id, &to);
        postings.push(Posting {
            kind,
            lot_id: line.lot_id,
            from,
            to,
            straws: line.straws,
            occurred_at: moved_at,
            technician: new.technician.clone(),
            cause: Cause::default(),
            reason: None,
            exposure_s: None,
            note: None,
            warnings: Vec::new(),
        });
    }
    Ok(Decision { moved_at, postings, warnings: ahead.into_iter().collect() })
}

/// What earlier lines of the same consignment left where.
#[derive(Default)]
struct Shelf {
    places: BTreeMap<Place, PlaceId>,
    held: BTreeMap<(LotId, Place), i64>,
}

impl Shelf {
    /// The place as it is after the earlier lines.
    fn now(&self, lot: LotId, there: &PlaceStock) -> PlaceStock {
        let place = there.place.clone();
        let id = there.id.or_else(|| self.places.get(&place).copied());
        let held = self.held.get(&(lot, place)).copied().unwrap_or(there.held);
        PlaceStock { id, held, ..there.clone() }
    }

    /// A line was added.
    fn note(&mut self, lot: LotId, end: &PostingEnd) {
        if let PostingEnd::Tank { id, place, straws_after, .. } = end {
            self.places.insert(place.clone(), *id);
            self.held.insert((lot, place.clone()), *straws_after);
        }
    }
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::domain::{
        form,
        values::{Canister, Name, TankId},
    };

    fn lot(id: LotId) -> Lot {
        let details = json!({"sire_id": id, "semen_type": "conventional"});
        let details = form::read(&details, &InputPath::body()).unwrap();
        Lot { id, details, created_at: Timestamp::from(DateTime::UNIX_EPOCH) }
    }

    proptest! {
        /// However lines meet at places, what each leaves is what the lines up to it add up to, no place is entered
        /// twice, and nothing goes below zero.
        #[test]
        fn lines_follow_each_other(
            lines in prop::collection::vec((0..2_usize, 1..3_i64, 1..6_i64), 1..12),
            held in 0..12_i64,
            out in any::<bool>(),
        ) {
            let tank = TankId::new();
            let lots = [LotId::new(), LotId::new()];
            let known = |canister: i64| (canister == 1).then_some(PlaceId(uuid::Uuid::from_u128(1)));
            let body = json!({
                "direction": if out { "out" } else { "in" }, "party": {"name": "Invented Station"},
                "lines": lines.iter().map(|(lot, canister, straws)| json!({
                    "lot_id": lots[*lot], "place": {"tank_id": tank, "canister": canister}, "straws": straws,
                })).collect::<Vec<_>>(),
            });
            let new: NewConsignment = form::read(&body, &InputPath::body()).unwrap();
            let before = |canister: i64| if canister == 1 { held } else { 0 };
            let stock: Vec<_> = new.lines.iter().map(|line| (Some(lot(line.lot_id)), PlaceStock {
                place: line.place.clone(),
                id: known(line.place.canister.get()),
                held: before(line.place.canister.get()),
                tank: Some((Name::parse("Van").unwrap(), Canister::new(6).unwrap())),
            })).collect();
            let now = Timestamp::from(DateTime::UNIX_EPOCH);
            let decided = decide(&new, &stock, Now { now, latest: now });
            let mut left = BTreeMap::new();
            let mut short = None;
            for (n, (lot, canister, straws)) in lines.iter().enumerate() {
                let there = left.entry((*lot, *canister)).or_insert_with(|| before(*canister));
                *there += if out { -straws } else { *straws };
                if *there < 0 {
                    short = Some(n);
                    break;
                }
            }
            match (decided, short) {
                (Err(refused), Some(n)) => prop_assert_eq!(refused.line, n),
                (Ok(decision), None) => {
                    let mut entered = Vec::new();
                    let mut last = BTreeMap::new();
                    for (posting, (lot, canister, _)) in decision.postings.iter().zip(&lines) {
                        let end = if out { &posting.from } else { &posting.to };
                        let PostingEnd::Tank { id, is_new, straws_after, .. } = end else { panic!("{end:?}") };
                        if *is_new {
                            prop_assert!(!entered.contains(id));
                            entered.push(*id);
                        }
                        last.insert((*lot, *canister), *straws_after);
                    }
                    prop_assert!(entered.len() <= 1, "only canister 2 was not there");
                    prop_assert_eq!(last, left);
                }
                (decided, short) => prop_assert!(false, "{:?} but {:?}", decided, short),
            }
        }
    }
}
