//! A time of day as a clock on the wall shows it.

use std::fmt;

use chrono::{NaiveTime, TimeDelta, Timelike as _};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use crate::domain::{
    form::{Fault, Field, InputPath},
    values::{Day, TimeZone, Timestamp, read_text},
};

/// Hours and minutes, `00:00` to `23:59`, in whatever zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ClockTime(NaiveTime);

impl ClockTime {
    /// The time that is written so, two digits each.
    ///
    /// # Errors
    /// It is not.
    pub fn parse(text: &str) -> Result<Self, String> {
        let time = NaiveTime::parse_from_str(text, "%H:%M").ok().map(Self);
        // The library also reads "7:5".
        time.filter(|time| time.to_string() == text)
            .ok_or_else(|| "must be a time of day, such as \"07:30\"".to_owned())
    }

    /// The instant at which clocks in `zone` show it on `day`: the first one where they show it twice; where they skip it, the
    /// one at which they go on.
    pub fn on(self, day: Day, zone: TimeZone) -> Timestamp {
        let shown = day.0.and_time(self.0);
        let minutes = 0..24 * 60;
        let first = minutes
            .into_iter()
            .find_map(|n| (shown + TimeDelta::minutes(n)).and_local_timezone(zone.0).earliest());
        Timestamp::from(first.map_or_else(|| shown.and_utc(), |first| first.to_utc()))
    }
}

impl fmt::Display for ClockTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}:{:02}", self.0.hour(), self.0.minute())
    }
}

impl Serialize for ClockTime {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for ClockTime {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        Self::parse(&String::deserialize(from)?).map_err(serde::de::Error::custom)
    }
}

impl Field for ClockTime {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        read_text(value, spot, faults, Self::parse)
    }
}

impl utoipa::PartialSchema for ClockTime {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .description(Some("A time of day by the herd's clocks, `00:00` to `23:59`."))
            .pattern(Some("^([01][0-9]|2[0-3]):[0-5][0-9]$"))
            .min_length(Some(5))
            .max_length(Some(5))
            .examples(["07:30"])
            .into()
    }
}
impl ToSchema for ClockTime {}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(day: &str, time: &str, zone: &str) -> String {
        let zone = TimeZone::parse(zone).unwrap();
        ClockTime::parse(time).unwrap().on(Day(day.parse().unwrap()), zone).to_string()
    }

    #[test]
    fn only_two_digits_each_are_a_time() {
        for wrong in ["", "7:30", "07:5", "24:00", "07:60", "07:30:00", "7.30", "07:30 ", "noon", "-7:30"] {
            assert!(ClockTime::parse(wrong).is_err(), "{wrong}");
        }
        assert_eq!(ClockTime::parse("00:00").unwrap().to_string(), "00:00");
        assert_eq!(ClockTime::parse("23:59").unwrap().to_string(), "23:59");
    }

    /// The tz database, file `europe`: Europe/Vienna follows the rule `EU`, whose changes are at 1:00 UTC on the last Sunday of
    /// March (+1:00) and of October (back). In 2026 those are 29 March and 25 October, in 2028 26 March and 29 October.
    #[test]
    fn clocks_in_vienna_change_when_the_tz_database_says() {
        let vienna = |day, time| at(day, time, "Europe/Vienna");
        assert_eq!(vienna("2026-03-28", "07:00"), "2026-03-28T06:00:00Z");
        assert_eq!(vienna("2026-03-29", "01:59"), "2026-03-29T00:59:00Z");
        // 02:00 to 02:59 is skipped: the clocks go on at 03:00.
        for skipped in ["02:00", "02:10", "02:59", "03:00"] {
            assert_eq!(vienna("2026-03-29", skipped), "2026-03-29T01:00:00Z", "{skipped}");
        }
        assert_eq!(vienna("2026-03-29", "07:00"), "2026-03-29T05:00:00Z");
        // 02:00 to 02:59 comes twice: the first one.
        assert_eq!(vienna("2026-10-25", "02:30"), "2026-10-25T00:30:00Z");
        assert_eq!(vienna("2026-10-25", "03:00"), "2026-10-25T02:00:00Z");
        assert_eq!(vienna("2028-03-26", "07:00"), "2028-03-26T05:00:00Z");
        assert_eq!(vienna("2028-10-29", "07:00"), "2028-10-29T06:00:00Z");
        assert_eq!(vienna("2028-02-29", "07:00"), "2028-02-29T06:00:00Z");
    }

    /// The tz database, file `australasia`: Lord Howe Island moves by half an hour, on the first Sunday of October at 2:00
    /// (rule `LH`); Pacific/Apia had no 30 December 2011.
    #[test]
    fn odd_changes_are_changes_too() {
        let howe = |time| at("2026-10-04", time, "Australia/Lord_Howe");
        assert_eq!(howe("01:59"), "2026-10-03T15:29:00Z");
        assert_eq!(howe("02:10"), "2026-10-03T15:30:00Z");
        assert_eq!(howe("02:30"), "2026-10-03T15:30:00Z");
        assert_eq!(at("2011-12-30", "07:00", "Pacific/Apia"), "2011-12-30T10:00:00Z");
    }
}
