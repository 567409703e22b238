//! By what services are grouped.

use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    domain::{
        form::{Fault, Field, InputPath},
        reports::record::{AnimalRecord, ServedHeat, ServiceFacts},
        straws::semen::SemenType,
        values::{TimeZone, Timestamp},
    },
    text_enum,
};

text_enum! {
    /// By what services are grouped.
    Dimension {
        /// The bull.
        Sire = "sire",
        /// The lot of straws.
        Lot = "lot",
        /// Conventional or sexed.
        SemenType = "semen_type",
        /// The first service of a lactation, the second and so on.
        ServiceNumber = "service_number",
        /// Calvings before the service; 0 for heifers.
        Lactation = "lactation",
        /// Who served.
        Technician = "technician",
        /// The tank that the straw hung in.
        Tank = "tank",
        /// The animal's herd then.
        Herd = "herd",
        /// The month, by the herd's calendar.
        Month = "month",
        /// The temperature of the bath.
        Bath = "bath",
        /// Seconds from the tank to the bath.
        SecondsToBath = "seconds_to_bath",
        /// Hours from the heat to the service.
        HeatToService = "heat_to_service",
    }
}

/// By how many things services are grouped at once.
pub const MOST_DIMENSIONS: usize = 3;

/// What services are grouped by: up to three, with commas between.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Dimensions(pub Vec<Dimension>);

impl Field for Dimensions {
    fn read(value: &serde_json::Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        crate::domain::values::read_text(value, spot, faults, |text| {
            let mut read: Vec<Dimension> = Vec::new();
            for word in text.split(',') {
                let dimension = Dimension::parse(word.trim())?;
                if read.contains(&dimension) {
                    return Err(format!("names {dimension} twice"));
                }
                read.push(dimension);
            }
            if read.len() > MOST_DIMENSIONS {
                return Err(format!("names more than {MOST_DIMENSIONS}"));
            }
            Ok(Self(read))
        })
    }
}

/// One part of what a group has in common. What is not on record comes last.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// A number.
    Number(i64),
    /// A class of a measure, by its place, with its name.
    Class(u8, &'static str),
    /// Words: a technician, a month.
    Text(String),
    /// A sire, lot, tank or herd.
    Id(Uuid),
    /// Inseminations of one heat that differ in it.
    Several,
    /// Not on record.
    None,
}

/// A part of what a group has in common, as it is told.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
pub struct GroupKey {
    /// In what.
    pub by: Dimension,
    /// What: an id, a number or a word; null where it is not on record, or differs within one heat.
    #[schema(max_length = 200)]
    pub value: Option<String>,
    /// What people call it.
    #[schema(max_length = 300)]
    pub label: String,
}

impl Part {
    /// As it is told; `name` tells what people call a thing of that id.
    pub fn told(&self, by: Dimension, name: impl Fn(Uuid) -> Option<String>) -> GroupKey {
        let (value, label) = match self {
            Self::Number(0) if by == Dimension::Lactation => (Some("0".to_owned()), "heifer".to_owned()),
            Self::Number(number) => (Some(number.to_string()), number.to_string()),
            Self::Class(_, class) => (Some((*class).to_owned()), (*class).to_owned()),
            Self::Text(text) => (Some(text.clone()), text.clone()),
            Self::Id(id) => (Some(id.to_string()), name(*id).unwrap_or_else(|| id.to_string())),
            Self::Several => (None, "several in one heat".to_owned()),
            Self::None => (None, "not on record".to_owned()),
        };
        GroupKey { by, value, label }
    }
}

impl Dimension {
    /// Whether its values are ids.
    pub const fn is_of_things(self) -> bool {
        matches!(self, Self::Sire | Self::Lot | Self::Tank | Self::Herd)
    }

    /// What the inseminations of a heat have in common in it.
    pub fn of(self, animal: &AnimalRecord, heat: &ServedHeat, zone: TimeZone) -> Part {
        match self {
            Self::Lactation => return Part::Number(animal.lactation(heat.at)),
            Self::Month => {
                let day = heat.at.day_in(zone).to_string();
                return Part::Text(day.get(..7).unwrap_or(&day).to_owned());
            }
            Self::HeatToService => return heat_to_service(animal, heat.at),
            _ => {}
        }
        let own = animal.services.get(heat.services.clone()).unwrap_or_default();
        let mut parts = own.iter().map(|service| self.of_service(service));
        let Some(first) = parts.next() else { return Part::None };
        if parts.all(|part| part == first) { first } else { Part::Several }
    }

    fn of_service(self, service: &ServiceFacts) -> Part {
        let id = |id: Option<Uuid>| id.map_or(Part::None, Part::Id);
        match self {
            Self::Sire => id(service.sire.map(|sire| sire.0)),
            Self::Lot => id(service.lot.map(|lot| lot.0)),
            Self::Tank => id(service.tank.map(|tank| tank.0)),
            Self::Herd => id(service.herd.map(|herd| herd.0)),
            Self::SemenType => {
                let place = |of| SemenType::ALL.iter().position(|semen_type| *semen_type == of);
                let class = |of: SemenType| Part::Class(small(place(of)), of.as_str());
                service.semen_type.map_or(Part::None, class)
            }
            Self::ServiceNumber => Part::Number(service.service_number),
            Self::Technician => {
                service.technician.as_ref().map_or(Part::None, |who| Part::Text(who.to_string()))
            }
            Self::Bath => service.bath.map_or(Part::None, |bath| classed(&BATH, bath.get())),
            Self::SecondsToBath => {
                let took = service.to_bath.map(|(out, bath)| bath.since(out).num_seconds());
                // A straw that was in the bath before it left the tank was told wrongly.
                took.filter(|took| *took >= 0).map_or(Part::None, |took| classed(&TO_BATH, seconds(took)))
            }
            Self::Lactation | Self::Month | Self::HeatToService => Part::None,
        }
    }
}

fn small(place: Option<usize>) -> u8 {
    place.and_then(|place| u8::try_from(place).ok()).unwrap_or(u8::MAX)
}

#[expect(clippy::cast_precision_loss, reason = "seconds of days")]
fn seconds(whole: i64) -> f64 {
    whole as f64
}

/// Classes of a measure: up to and with the number, or, with false, below it.
type Classes<const N: usize> = [(f64, bool, &'static str); N];

/// The bath in degrees Celsius: too cold below 33.3 (US trade press), accepted from 35.0 to 37.0 (the usual protocol of this
/// service), harmful above 38.0 (Animals 2022, 12(18):2330).
const BATH: Classes<5> = [
    (33.3, false, "below 33.3"),
    (35.0, false, "33.3 to below 35.0"),
    (37.0, true, "35.0 to 37.0"),
    (38.0, true, "above 37.0 to 38.0"),
    (f64::INFINITY, true, "above 38.0"),
];

/// Seconds from the tank to the bath: 5-10 s to find the cane (Univ. Illinois Extension, 8 May 2024); by 15 s and 25 s the cores of
/// a 0.25 and a 0.5 ml straw near -80 C in computed still air; after 60 s it goes on record as late.
const TO_BATH: Classes<5> = [
    (5.0, true, "0 to 5"),
    (15.0, true, "6 to 15"),
    (25.0, true, "16 to 25"),
    (60.0, true, "26 to 60"),
    (f64::INFINITY, true, "more than 60"),
];

/// Hours from the heat to the service, in the classes of Tippenhauer et al. (Freie Universitaet Berlin, abstract); a heat
/// counts for 72 hours here.
const HEAT: Classes<6> = [
    (6.0, true, "0 to 6"),
    (12.0, true, "more than 6 to 12"),
    (18.0, true, "more than 12 to 18"),
    (24.0, true, "more than 18 to 24"),
    (48.0, true, "more than 24 to 48"),
    (f64::INFINITY, true, "more than 48 to 72"),
];

fn classed<const N: usize>(classes: &Classes<N>, measure: f64) -> Part {
    let fits = |(end, with, _): &(f64, bool, &str)| measure < *end || (*with && measure <= *end);
    let place = classes.iter().position(fits);
    place
        .and_then(|place| classes.get(place))
        .map_or(Part::None, |(_, _, name)| Part::Class(small(place), name))
}

/// The time since the heat that she was served in; a timed protocol has no standing heat and is a class of its own.
fn heat_to_service(animal: &AnimalRecord, at: Timestamp) -> Part {
    match animal.heat_before(at) {
        None => Part::None,
        Some(heat) if heat.method.is_timed() => Part::Class(u8::MAX, "timed protocol"),
        Some(heat) => classed(&HEAT, seconds(at.since(heat.at).num_seconds()) / 3600.0),
    }
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;
    use serde_json::json;

    use super::*;
    use crate::domain::{
        animals::history::{AnimalEvent, HeatMethod},
        form::read,
        reports::fixture,
    };

    fn class<const N: usize>(classes: &Classes<N>, measure: f64) -> &'static str {
        match classed(classes, measure) {
            Part::Class(_, name) => name,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn measures_fall_into_the_classes_of_their_sources() {
        let of = |measure| class(&BATH, measure);
        assert_eq!(
            [33.2, 33.3, 34.9, 35.0, 37.0].map(of),
            ["below 33.3", "33.3 to below 35.0", "33.3 to below 35.0", "35.0 to 37.0", "35.0 to 37.0"]
        );
        assert_eq!([37.1, 38.0, 38.1].map(of), ["above 37.0 to 38.0", "above 37.0 to 38.0", "above 38.0"]);
        let of = |measure| class(&TO_BATH, measure);
        assert_eq!(
            [0.0, 5.0, 6.0, 15.0, 16.0, 60.0, 61.0].map(of),
            ["0 to 5", "0 to 5", "6 to 15", "6 to 15", "16 to 25", "26 to 60", "more than 60"]
        );
        let of = |measure| class(&HEAT, measure);
        assert_eq!(
            [6.0, 6.1, 12.0, 24.5, 72.0].map(of),
            ["0 to 6", "more than 6 to 12", "more than 6 to 12", "more than 24 to 48", "more than 48 to 72"]
        );
    }

    #[test]
    fn a_month_is_the_farms_and_a_time_that_cannot_be_is_not_classed() {
        let one = fixture::animal(&[(30, fixture::ai(1, 1, "A", SemenType::Conventional))], &[]);
        let heat = one.heats().remove(0);
        let late = ServedHeat { at: heat.at.plus(TimeDelta::minutes(23 * 60 + 30)), ..heat };
        let month = |zone: &str| Dimension::Month.of(&one, &late, TimeZone::parse(zone).unwrap());
        // Half past eleven at night on 31 January by UTC is February in Vienna.
        assert_eq!(month("UTC"), Part::Text("2026-01".to_owned()));
        assert_eq!(month("Europe/Vienna"), Part::Text("2026-02".to_owned()));
        let took = |seconds| ServiceFacts {
            to_bath: Some((late.at, late.at.plus(TimeDelta::seconds(seconds)))),
            ..ServiceFacts::default()
        };
        assert_eq!(Dimension::SecondsToBath.of_service(&took(0)), Part::Class(0, "0 to 5"));
        assert_eq!(Dimension::SecondsToBath.of_service(&took(-1)), Part::None);
    }

    #[test]
    fn the_heat_is_the_last_one_before_that_still_counts() {
        let served = [(30, fixture::ai(1, 1, "A", SemenType::Conventional))];
        let seen = |on| (on, AnimalEvent::Heat { method: HeatMethod::Seen });
        let of = |heats: &[i64]| {
            let heats: Vec<_> = heats.iter().copied().map(seen).collect();
            let one = fixture::animal(&served, &heats);
            Dimension::HeatToService.of(&one, &one.heats()[0], TimeZone::UTC)
        };
        assert_eq!(of(&[29]), Part::Class(3, "more than 18 to 24"));
        assert_eq!(of(&[28, 29, 31]), of(&[29]), "one that came later is not hers to count");
        assert_eq!(of(&[27]), Part::Class(5, "more than 48 to 72"));
        assert_eq!(of(&[26]), Part::None, "four days are no heat to serve on");
    }

    #[test]
    fn up_to_three_dimensions_are_read() {
        let of = |text: &str| read::<Dimensions>(&json!(text), &InputPath::body());
        assert_eq!(of("sire, month").unwrap().0, [Dimension::Sire, Dimension::Month]);
        for wrong in ["", "bull", "sire,sire", "sire,lot,tank,herd", "sire,"] {
            assert!(of(wrong).is_err(), "{wrong}");
        }
    }
}
