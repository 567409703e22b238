//! The farm's animals and what happened to them before the round.
//!
//! The first of each herd are those whom the round meets; the others follow from their number by a
//! little arithmetic, so that the farm looks the same every time.

use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::{
    demo::farm::{SIRE_COUNT, sire},
    domain::values::Timestamp,
};

/// The animals of Lower Meadow, by number.
const MEADOW: std::ops::RangeInclusive<u32> = 101..=190;

/// The animals of Upper Ridge, by number.
const RIDGE: std::ops::RangeInclusive<u32> = 301..=360;

/// Gestation to reckon back with: the mean of all breeds (Nevada Extension).
const GESTATION_DAYS: i64 = 283;

/// Days from one heat to the next (mean 21: common practice, no source).
const CYCLE_DAYS: i64 = 21;

/// A herd of the farm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Home {
    /// Lower Meadow.
    Meadow,
    /// Upper Ridge.
    Ridge,
}

/// An animal's life up to the round, in days before it.
#[derive(Clone, Debug)]
pub struct Life {
    /// Her number in her herd.
    pub number: u32,
    /// Her herd.
    pub home: Home,
    /// Her breed.
    pub breed: &'static str,
    /// How old she is.
    pub age_days: i64,
    /// Her sire, where known.
    pub sire: Option<usize>,
    /// Her dam's number, where she is in the book.
    pub dam: Option<u32>,
    calved: Option<i64>,
    served: Vec<i64>,
    found_pregnant: Option<i64>,
    not_to_be_bred: Option<i64>,
}

/// Something that happened, in hours before the round.
#[derive(Clone, Debug)]
pub struct Event {
    hours_ago: i64,
    what: What,
}

#[derive(Clone, Debug)]
enum What {
    Heat,
    Served { sire: usize, semen_type: &'static str },
    Calved,
    FoundPregnant,
    NotToBeBred,
}

/// Every animal of the farm.
pub fn lives() -> Vec<Life> {
    MEADOW.chain(RIDGE).map(|number| met(number).unwrap_or_else(|| other(number))).collect()
}

/// The animals whom the round meets.
fn met(number: u32) -> Option<Life> {
    Some(match number {
        101 => Life { sire: Some(sire::CEDAR), ..heifer(number, 450) },
        102 => Life { served: vec![21], ..cow(number, 85) },
        103 => cow(number, 70),
        104 => cow(number, 72),
        105 => heifer(number, 470),
        106 => Life { served: vec![95], found_pregnant: Some(60), ..cow(number, 160) },
        107 => Life { sire: Some(sire::ALDER), ..heifer(number, 440) },
        108 => Life { served: vec![150, 129, 108], not_to_be_bred: Some(30), ..cow(number, 210) },
        109 => Life { served: vec![42, 21], ..cow(number, 130) },
        110 => Life { served: vec![20], ..cow(number, 90) },
        111 => heifer(number, 430),
        301 => cow(number, 66),
        302 => cow(number, 68),
        303 => Life { served: vec![22], ..heifer(number, 500) },
        _ => return None,
    })
}

/// The others: of five, one is a calf of the one before her, one a heifer, three are cows.
fn other(number: u32) -> Life {
    let n = i64::from(number);
    match number % 5 {
        0 => calf_of(&other(number - 1), number),
        1 => Life { sire: sire_by_turn(number), ..heifer(number, 420 + n * 13 % 150) },
        _ => {
            let in_milk = 20 + n * 37 % 280;
            let services = (n % 4 + 1).min((in_milk - 60) / CYCLE_DAYS + 1);
            let served: Vec<i64> = (0..services)
                .map(|nth| in_milk - 60 - nth * CYCLE_DAYS)
                .filter(|days_ago| *days_ago > 3)
                .collect();
            // Ultrasound 35 days after the service, well past the 25 to 30 from which it can be trusted.
            let found_pregnant = served.last().map(|last| last - 35).filter(|ago| *ago > 0 && n % 3 != 0);
            Life { sire: sire_by_turn(number), served, found_pregnant, ..cow(number, in_milk) }
        }
    }
}

/// Of every second animal the sire is known: dairy sires at Lower Meadow, one sire at Upper Ridge.
fn sire_by_turn(number: u32) -> Option<usize> {
    let dairy = [0, 1, 2, 3, 4];
    number.is_multiple_of(2).then(|| match home(number) {
        Home::Meadow => dairy[number as usize / 2 % dairy.len()],
        Home::Ridge => sire::MAPLE,
    })
}

fn home(number: u32) -> Home {
    if MEADOW.contains(&number) { Home::Meadow } else { Home::Ridge }
}

fn heifer(number: u32, age_days: i64) -> Life {
    let home = home(number);
    Life {
        number,
        home,
        breed: if home == Home::Meadow { "HOL" } else { "BSW" },
        age_days,
        sire: None,
        dam: None,
        calved: None,
        served: Vec::new(),
        found_pregnant: None,
        not_to_be_bred: None,
    }
}

fn cow(number: u32, in_milk: i64) -> Life {
    let age_at_calving = 740 + 380 * i64::from(number % 3);
    Life { calved: Some(in_milk), ..heifer(number, in_milk + age_at_calving) }
}

/// The calf whom `dam` had at her last calving.
fn calf_of(dam: &Life, number: u32) -> Life {
    let born = dam.calved.unwrap_or_default();
    Life { dam: Some(dam.number), sire: Some(dam.served_by(0)), ..heifer(number, born) }
}

impl Life {
    /// Which sire served her, at the `nth` service since before her last calving; never her own.
    fn served_by(&self, nth: usize) -> usize {
        let turn = (self.number as usize * 5 + nth * 7) % SIRE_COUNT;
        if self.sire == Some(turn) { (turn + 1) % SIRE_COUNT } else { turn }
    }

    /// What semen type her herd's rule called for, at the `nth` service of a cycle from 0.
    fn semen_type(&self, nth: usize) -> &'static str {
        let sexed = match self.home {
            Home::Meadow => nth == 0,
            Home::Ridge => self.calved.is_none() && nth < 2,
        };
        if sexed { "sexed_female" } else { "conventional" }
    }

    /// What happened to her, the oldest first.
    pub fn history(&self) -> Vec<Event> {
        let ago = |days: i64, what| Event { hours_ago: days * 24, what };
        let mut events = Vec::new();
        if let Some(calved) = self.calved {
            let what = What::Served { sire: self.served_by(0), semen_type: "conventional" };
            events.push(ago(calved + GESTATION_DAYS, what));
            events.push(ago(calved, What::Calved));
        }
        for (nth, days_ago) in self.served.iter().enumerate() {
            let semen_type = self.semen_type(nth);
            // 12 h after standing heat: common practice, no source; sexed semen later, 14 to 24 h.
            let after_heat = if semen_type == "conventional" { 12 } else { 20 };
            events.push(Event { hours_ago: days_ago * 24 + after_heat, what: What::Heat });
            events.push(ago(*days_ago, What::Served { sire: self.served_by(nth + 1), semen_type }));
        }
        events.extend(self.found_pregnant.map(|days| ago(days, What::FoundPregnant)));
        events.extend(self.not_to_be_bred.map(|days| ago(days, What::NotToBeBred)));
        events
    }
}

impl Event {
    /// Where and how it is reported of `animal`.
    pub fn say<'s>(
        &self,
        animal: &str,
        morning: Timestamp,
        sire_id: impl Fn(usize) -> Option<&'s str>,
    ) -> (&'static str, Value) {
        let at = morning.plus(TimeDelta::hours(-self.hours_ago));
        match self.what {
            What::Heat => ("/v1/heats", json!({"animal_id": animal, "standing_at": at})),
            What::Served { sire, semen_type } => (
                "/v1/services",
                json!({"animal_id": animal, "sire_id": sire_id(sire), "semen_type": semen_type, "served_at": at}),
            ),
            What::Calved => ("/v1/calvings", json!({"animal_id": animal, "calved_at": at})),
            What::FoundPregnant => (
                "/v1/pregnancy-checks",
                json!({"animal_id": animal, "checked_at": at, "method": "ultrasound", "result": "pregnant"}),
            ),
            What::NotToBeBred => ("/v1/do-not-breed", json!({"animal_id": animal, "decided_at": at})),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_farm_has_150_animals_and_calves_have_grown_dams() {
        let lives = lives();
        assert_eq!(lives.len(), 150);
        for calf in lives.iter().filter(|life| life.dam.is_some()) {
            let dam = lives.iter().find(|life| Some(life.number) == calf.dam).unwrap();
            assert_eq!(dam.calved, Some(calf.age_days), "{} of {}", calf.number, dam.number);
            assert_eq!(dam.home, calf.home);
        }
    }

    #[test]
    fn histories_run_forward_and_end_before_the_round() {
        for life in lives() {
            let hours: Vec<_> = life.history().iter().map(|event| event.hours_ago).collect();
            assert!(hours.is_sorted_by(|a, b| a > b), "{} {hours:?}", life.number);
            assert!(
                hours.iter().all(|ago| (0..life.age_days * 24).contains(ago)),
                "{} {hours:?}",
                life.number
            );
        }
    }
}
