//! The farm's straws: forty lots and where they hang.

use chrono::Datelike as _;
use serde_json::{Value, json};

use crate::{
    demo::farm::SIRE_COUNT,
    domain::values::{Day, Timestamp},
};

/// How many lots there are.
pub const LOTS: usize = 40;

/// Canisters that hang in each tank.
pub const CANISTERS: usize = 6;

/// A conventional lot of a beef sire of which one straw is left, in Upper Ridge's tank.
pub const LAST_STRAW: usize = 32;

/// A lot of the same sire in the technician's tank, with its supplier's own thaw instruction.
pub const SUPPLIERS_OWN: usize = 8;

/// A sexed lot in the technician's tank that belongs to the owner of Upper Ridge.
pub const FARMERS_OWN: usize = 5;

/// A sexed lot in quarantine, in the technician's tank.
pub const QUARANTINED: usize = 11;

/// The sire of a lot: each sire's turn comes every twelve lots.
pub fn sire_of(lot: usize) -> usize {
    lot % SIRE_COUNT
}

/// The tank in which a lot hangs, so that each sire's lots hang in different tanks.
fn tank_of(lot: usize) -> usize {
    (lot + lot / SIRE_COUNT) % 3
}

/// Beef sires give conventional straws only; dairy sires one lot of each type in turn.
fn semen_type_of(lot: usize) -> &'static str {
    let is_beef = matches!(sire_of(lot), 8 | 9);
    match lot / SIRE_COUNT {
        0 if !is_beef => "sexed_female",
        2 if !is_beef => "sexed_male",
        _ => "conventional",
    }
}

fn is_half_ml(lot: usize) -> bool {
    semen_type_of(lot) == "conventional" && lot.is_multiple_of(2)
}

/// What is said of a lot; `ridge` is the herd of Upper Ridge.
pub fn lot(n: usize, sire_id: &str, ridge: &str, today: Day) -> Value {
    let semen_type = semen_type_of(n);
    let collected_on = today.plus_days(-120 - days((n * 17) % 600));
    json!({
        "sire_id": sire_id,
        "semen_type": semen_type,
        // The batch as straws carry it: year and day of the year, and a running number.
        "batch": format!("{:02}{:03}-{:02}", collected_on.0.year() % 100, collected_on.0.ordinal(), n + 1),
        "collected_on": collected_on,
        "collection_centre": format!("Made-up Centre {}", n % 3 + 1),
        "straw_ml": if is_half_ml(n) { 0.5 } else { 0.25 },
        "sexed_percentage": (semen_type != "conventional").then_some(90),
        "thaw": (n == SUPPLIERS_OWN).then(suppliers_instruction),
        "status": if n == QUARANTINED { "quarantined" } else { "usable" },
        "owner_herd_id": (n == FARMERS_OWN).then_some(ridge),
    })
}

/// 37 C for 40 s: the instruction of a supplier as invented as the lot.
fn suppliers_instruction() -> Value {
    json!({
        "min_c": 36.5,
        "max_c": 37.5,
        "aim_c": 37.0,
        "min_s": 40,
        "use_within_s": 600,
        "source": "printed on the goblet by the (made-up) supplier",
    })
}

/// A delivery into one goblet.
pub struct Delivery {
    /// Which of the farm's tanks.
    pub tank: usize,
    /// How many straws.
    pub straws: i64,
    canister: usize,
    cane: &'static str,
    goblet: &'static str,
    days_ago: i64,
}

impl Delivery {
    /// The receipt that tells it.
    pub fn receipt(&self, lot_id: &str, tank_id: &str, morning: Timestamp) -> Value {
        json!({
            "lot_id": lot_id,
            "place": {"tank_id": tank_id, "canister": self.canister, "cane": self.cane, "goblet": self.goblet},
            "straws": self.straws,
            "received_at": morning.plus(chrono::TimeDelta::days(-self.days_ago)),
        })
    }
}

/// How a lot came: a goblet full, typically 5 straws of 0.5 ml or 10 of 0.25 ml, and of every third
/// lot a second one below it. Each lot has a cane of its own.
pub fn deliveries(lot: usize) -> Vec<Delivery> {
    let full = if is_half_ml(lot) { 5 } else { 10 };
    let straws = if lot == LAST_STRAW { 1 } else { full };
    let into = |goblet, days_ago| Delivery {
        tank: tank_of(lot),
        straws,
        canister: lot / 3 % CANISTERS + 1,
        cane: ["A", "B", "C"][lot / (3 * CANISTERS) % 3],
        goblet,
        days_ago,
    };
    let mut all = vec![into("upper", 60 + days(lot) % 40)];
    if lot.is_multiple_of(3) {
        all.push(into("lower", 30 + days(lot) % 20));
    }
    all
}

fn days(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn every_goblet_holds_one_lot() {
        let mut places = HashSet::new();
        for lot in 0..LOTS {
            for d in deliveries(lot) {
                assert!(places.insert((d.tank, d.canister, d.cane, d.goblet)), "lot {lot}");
            }
        }
    }

    #[test]
    fn the_lots_of_the_story_are_what_the_story_says() {
        assert_eq!(sire_of(LAST_STRAW), sire_of(SUPPLIERS_OWN));
        assert_eq!((tank_of(LAST_STRAW), tank_of(SUPPLIERS_OWN), tank_of(QUARANTINED)), (1, 2, 2));
        assert_eq!((tank_of(FARMERS_OWN), semen_type_of(FARMERS_OWN)), (2, "sexed_female"));
        assert_eq!(semen_type_of(LAST_STRAW), semen_type_of(SUPPLIERS_OWN));
        assert_eq!(deliveries(LAST_STRAW).iter().map(|d| d.straws).sum::<i64>(), 1);
        let types: HashSet<_> = (0..LOTS).map(semen_type_of).collect();
        assert_eq!(types.len(), 3, "all three semen types");
    }
}
