//! A stocktake: what was counted in a tank or part of it, beside what the book said.
//!
//! Counting takes time, and straws are taken meanwhile. A stocktake therefore names the line of the
//! ledger up to which it was counted; differences are taken against the book as it stood there,
//! and posted as differences, so that what moved since is not undone.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        straws::place::Place,
        values::{Canister, HerdId, LotId, MovementId, Note, StocktakeId, TankId, Technician, Timestamp},
    },
    json_column, text_enum,
};

text_enum! {
    /// What became of a stocktake.
    StocktakeState {
        /// Its differences are told and not posted.
        Open = "open",
        /// Its differences are in the ledger.
        Accepted = "accepted",
    }
}

/// One lot at one place: what the book said and what was counted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Line {
    /// The lot.
    pub lot_id: LotId,
    /// The place.
    pub place: Place,
    /// Straws that hung there by the book at the line up to which it was counted.
    #[schema(minimum = 0)]
    pub expected: i64,
    /// Straws that were counted.
    #[schema(minimum = 0)]
    pub counted: i64,
    /// `counted - expected`.
    pub difference: i64,
    /// The movement by which the difference was posted.
    pub movement_id: Option<MovementId>,
}

/// Lines in the order of their places.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct Lines(pub Vec<Line>);
json_column!(Lines);

/// A stocktake.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Stocktake {
    /// Its id.
    pub id: StocktakeId,
    /// The tank.
    pub tank_id: TankId,
    /// Whose tank it is; the technician's when none.
    #[serde(skip)]
    pub tank_herd_id: Option<HerdId>,
    /// Only this canister; the whole tank when null.
    pub canister: Option<Canister>,
    /// Whether what was not counted is not there.
    pub complete: bool,
    /// The line of the ledger up to which it was counted.
    #[schema(minimum = 0)]
    pub as_of_seq: i64,
    /// When it was counted.
    pub counted_at: Timestamp,
    /// Who counted.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
    /// What the book said and what was counted.
    #[schema(value_type = Vec<Line>)]
    pub lines: Lines,
    /// What became of it.
    pub state: StocktakeState,
    /// When its differences were posted.
    pub accepted_at: Option<Timestamp>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
}

/// Sets what was counted beside what the book says. Of a complete stocktake, what the book knows
/// and nobody counted was counted as none.
pub fn compare(
    expected: &BTreeMap<(Place, LotId), i64>,
    counted: &BTreeMap<(Place, LotId), i64>,
    complete: bool,
) -> Lines {
    let mut keys: Vec<_> = counted.keys().collect();
    if complete {
        keys.extend(
            expected
                .iter()
                .filter(|(key, straws)| **straws > 0 && !counted.contains_key(*key))
                .map(|(key, _)| key),
        );
    }
    keys.sort();
    let lines = keys.into_iter().map(|key| {
        let expected = expected.get(key).copied().unwrap_or(0);
        let counted = counted.get(key).copied().unwrap_or(0);
        let (place, lot_id) = key.clone();
        Line { lot_id, place, expected, counted, difference: counted - expected, movement_id: None }
    });
    Lines(lines.collect())
}
