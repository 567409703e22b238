//! Values as they stand on paper, where the interface takes them otherwise.

use chrono::{LocalResult, NaiveTime, TimeZone as _};
use serde_json::Value;

use crate::domain::{
    form::{self, Fault, Field, InputPath},
    identifiers::{ExternalId, INTERNATIONAL_ID, ISO_11784, UNIFORM_CODE},
    values::{Code, Day, TimeZone, Timestamp},
};

/// When something happened: the moment, or the day only, as most lists have it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// At this moment.
    At(Timestamp),
    /// On this day.
    On(Day),
}

impl When {
    /// The moment; of a day its noon in `zone`, from which no half day leads to another one.
    pub fn moment(self, zone: TimeZone) -> Timestamp {
        match self {
            Self::At(moment) => moment,
            Self::On(Day(day)) => {
                let noon = day.and_time(NaiveTime::MIN) + chrono::TimeDelta::hours(12);
                match zone.0.from_local_datetime(&noon) {
                    LocalResult::Single(at) | LocalResult::Ambiguous(at, _) => at.to_utc().into(),
                    LocalResult::None => noon.and_utc().into(),
                }
            }
        }
    }
}

impl Field for When {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let mut neither = Vec::new();
        let at = Timestamp::read(value, spot, &mut neither).map(Self::At);
        let read = at.or_else(|| Day::read(value, spot, &mut neither).map(Self::On));
        if read.is_none() {
            faults.push(spot.fault(
                "must be a date between 1950 and 2200, such as 2026-03-02, or a date and time with an offset, such \
                 as 2026-03-02T06:10:00+01:00",
            ));
        }
        read
    }
}

/// A value of several members, written as JSON in one cell, as exports do.
#[derive(Clone, Debug)]
pub struct Json<T>(pub T);

impl<T: Field> Field for Json<T> {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let Some(json) = value.as_str().and_then(|text| serde_json::from_str(text).ok()) else {
            faults.push(spot.fault("must be JSON, as an export writes it, or empty"));
            return None;
        };
        form::read(&json, &InputPath::body())
            .map(Self)
            .map_err(|wrong: Vec<Fault>| {
                let within =
                    |fault: Fault| format!("{}: {}", fault.pointer.trim_start_matches('#'), fault.detail);
                faults.extend(wrong.into_iter().map(|fault| spot.fault(within(fault))));
            })
            .ok()
    }
}

macro_rules! codes {
    ($($(#[$doc:meta])* $name:ident $scheme:expr;)+) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug)]
        pub struct $name(pub ExternalId);

        impl Field for $name {
            fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
                let id = Code::read(value, spot, faults)?;
                let read = Code::parse($scheme).and_then(|scheme| ExternalId::new(scheme, &id));
                read.map(Self).map_err(|wrong| faults.push(spot.fault(wrong))).ok()
            }
        }
    )+};
}

codes! {
    /// An international ID.
    InternationalId INTERNATIONAL_ID;
    /// A uniform code.
    UniformCode UNIFORM_CODE;
    /// A 15-digit animal code.
    AnimalCode ISO_11784;
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::domain::form::read;

    #[test]
    fn a_day_alone_is_its_noon_where_the_herd_is() {
        let vienna = TimeZone::parse("Europe/Vienna").unwrap();
        let read = |text: &str| read::<When>(&json!(text), &InputPath::query());
        let at = |text: &str| read(text).unwrap().moment(vienna).to_string();
        assert_eq!(at("2026-03-02"), "2026-03-02T11:00:00Z");
        assert_eq!(at("2026-07-02"), "2026-07-02T10:00:00Z");
        assert_eq!(at("2026-03-02T06:10:00+01:00"), "2026-03-02T05:10:00Z");
        for wrong in ["2026-3-2", "02.03.2026", "2026-03-02T06:10:00", "2026-02-30", "06:10"] {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }
}
