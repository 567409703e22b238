//! After the service: when she would return to heat, when a pregnancy can be seen, when she calves.
//!
//! The service sire's breed decides the length of gestation, not the dam's: his heritability is
//! 33-47 % (USDA). All lengths are means; single gestations spread with a standard deviation of
//! 5-6 days around them (Norman et al. 2009).

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    animals::{choice::Class, history::CheckMethod},
    values::Day,
};

/// Norman et al. 2009, by breed and by heifer or cow.
const NORMAN: &str = "Norman et al. 2009, J Dairy Sci 92:2259-2269";
/// Beef breeds, heifers and cows together.
const NEVADA: &str = "Nevada Extension, beef breeds";
/// Days of a gestation where nothing more is known (Nevada Extension, all breeds).
pub const USUAL_DAYS: i64 = 283;
/// What is used when the sire's breed is not known or not in the table.
const ALL_BREEDS: (f64, &str) = (283.0, "Nevada Extension, all breeds");

/// One breed's mean gestation in days.
struct Gestation {
    codes: &'static [&'static str],
    heifer: f64,
    cow: f64,
    source: &'static str,
}

const fn dairy(codes: &'static [&'static str], heifer: f64, cow: f64) -> Gestation {
    Gestation { codes, heifer, cow, source: NORMAN }
}

const fn beef(codes: &'static [&'static str], days: f64) -> Gestation {
    Gestation { codes, heifer: days, cow: days, source: NEVADA }
}

/// Gestation by the service sire's breed.
///
/// The three-letter codes are Interbull's, from the published Farm Data Standards breed list that
/// cites it (Ayrshire has RDC there, shared with the Scandinavian Reds, and is therefore not taken
/// from it). From memory: AYS and AYR for Ayrshire, SHO for Shorthorn. RED, the red-and-white
/// Holstein, is read as Holstein.
const BREEDS: [Gestation; 13] = [
    dairy(&["HOL", "RED"], 277.8, 279.4),
    dairy(&["JER"], 278.4, 280.0),
    dairy(&["MSH"], 279.3, 281.1),
    dairy(&["AYS", "AYR"], 281.6, 281.7),
    dairy(&["GUE"], 284.8, 285.7),
    dairy(&["BSW"], 287.2, 287.5),
    beef(&["AAN"], 281.0),
    beef(&["BSH", "SHO"], 282.0),
    beef(&["HER"], 285.0),
    beef(&["CHA"], 289.0),
    beef(&["SIM"], 289.0),
    beef(&["LIM"], 289.0),
    beef(&["BRM"], 292.0),
];

/// Mean gestation in days for a service sire of `breed` (three-letter Interbull code, any case)
/// and a heifer or a cow, with the source of the figure.
///
/// A breed that is not known or not in the table has 283 days, the mean of all breeds.
pub fn gestation_days(breed: Option<&str>, is_heifer: bool) -> (f64, &'static str) {
    let is_meant = |code: &&str| breed.is_some_and(|breed| breed.trim().eq_ignore_ascii_case(code));
    BREEDS
        .iter()
        .find(|known| known.codes.iter().any(is_meant))
        .map_or(ALL_BREEDS, |known| (if is_heifer { known.heifer } else { known.cow }, known.source))
}

/// The day she is due to calve.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct DueDate {
    /// The day, counted from conception: the day of service, or seven days before an embryo transfer.
    pub due_on: Day,
    /// How many days after conception that is.
    #[schema(example = 279, minimum = 273, maximum = 292)]
    pub days: i64,
    /// Where the number of days comes from.
    #[schema(max_length = 300)]
    pub source: String,
}

/// Twins come about 4 days earlier than singles: 275.5 against 279.9 days (3,966 calves of Holstein dams).
const TWINS_EARLIER: f64 = 279.9 - 275.5;

/// When a female served on `served` calves, by the service sire's breed: the mean rounded half up
/// to whole days; of twins, known to be such, earlier.
///
/// The days are counted in the calendar. Printed 283-day tables that give 10 October for a service
/// on 1 January are a day short in a common year.
pub fn due_on(served: Day, breed: Option<&str>, is_heifer: bool, is_multiple: bool) -> DueDate {
    let (mean_days, source) = gestation_days(breed, is_heifer);
    let days = half_up(if is_multiple { mean_days - TWINS_EARLIER } else { mean_days });
    let unknown = breed.filter(|_| (mean_days, source) == ALL_BREEDS);
    let source = match unknown {
        Some(breed) => {
            format!("{source}: {breed:?} is no breed code of its tables, so the mean of all breeds is taken")
        }
        None => source.to_owned(),
    };
    let source = if is_multiple {
        format!("{source}; twins about 4 days earlier than singles (275.5 against 279.9 days, 3,966 calves)")
    } else {
        source
    };
    DueDate { due_on: served.plus_days(days), days, source }
}

/// Whole days, half a day rounded up.
fn half_up(days: f64) -> i64 {
    #[expect(clippy::cast_possible_truncation, reason = "whole, and a table's number of days")]
    let whole = (days + 0.5).floor() as i64;
    whole
}

/// Days after a service within which she comes back into heat if she did not conceive.
const RETURN_DAYS: (i64, i64, i64) = (18, 21, 24);

/// The days on which to watch for a return to heat.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ReturnWatch {
    /// The first day: 18 days after the service.
    pub from_on: Day,
    /// The likeliest day: 21 days after it.
    pub mean_on: Day,
    /// The last day: 24 days after it.
    pub to_on: Day,
    /// Where the days come from.
    #[schema(value_type = String, max_length = 300)]
    pub source: &'static str,
}

/// When a female served on `served` would return to heat: a normal cycle of 18-24 days, mean 21
/// (Extension; NZ AB series I).
pub fn return_watch(served: Day) -> ReturnWatch {
    let (from, mean, to) = RETURN_DAYS;
    ReturnWatch {
        from_on: served.plus_days(from),
        mean_on: served.plus_days(mean),
        to_on: served.plus_days(to),
        source: "a normal cycle of 18-24 days, mean 21: Extension; NZ AB series I",
    }
}

/// The shortest time from a service to the calving that it led to, in days: calves born sooner are not
/// born alive (common practice, no source).
pub const SHORTEST_DAYS: i64 = 240;

/// Methods for which a first day is published.
const DATED: [CheckMethod; 4] =
    [CheckMethod::Ultrasound, CheckMethod::Palpation, CheckMethod::Milk, CheckMethod::Blood];

/// Days after the service from which a check by `method` can be trusted, and where the figure comes
/// from; none is published for the others.
///
/// Ultrasound 29 days in cows and 26 in heifers, where it found all of 1,400 (sensitivity in cows 74.5 % on day 24, in
/// heifers 50 % on day 21: Prairie View A&M), palpation 35 days (35-45) after the service (Texas A&M and CSU
/// report). Pregnancy-associated glycoprotein "over 28 days" after it, which is the 29th, and at
/// least 60 days after calving (Sterry, Univ. Wisconsin Extension).
pub fn reliable_from(method: CheckMethod, class: Class) -> Option<(i64, &'static str)> {
    match (method, class) {
        (CheckMethod::Ultrasound, Class::Cow) => {
            Some((29, "day 29 in cows, where it found all; 74.5 % on day 24 (1,400 scans): Prairie View A&M"))
        }
        (CheckMethod::Ultrasound, Class::Heifer) => Some((
            26,
            "day 26 in heifers, where it found all; 50 % on day 21 (1,400 scans): Prairie View A&M",
        )),
        (CheckMethod::Palpation, _) => Some((35, "35-45 days after the service: Texas A&M / CSU report")),
        (CheckMethod::Milk | CheckMethod::Blood, _) => Some((
            29,
            "more than 28 days after the service and at least 60 days after calving: Sterry, Univ. Wisconsin \
             Extension",
        )),
        (CheckMethod::Visual | CheckMethod::Other, _) => None,
    }
}

/// The first day on which a pregnancy check of one method can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct EarliestCheck {
    /// How the pregnancy is looked for.
    pub method: CheckMethod,
    /// The first day.
    pub earliest_on: Day,
    /// Where the day comes from.
    #[schema(value_type = String, max_length = 300)]
    pub source: &'static str,
}

/// The first day for a check by `method` of a female served on `served`; `None` where none is published.
/// Heifers have no `last_calving`.
pub fn earliest_check(method: CheckMethod, served: Day, last_calving: Option<Day>) -> Option<EarliestCheck> {
    let class = if last_calving.is_some() { Class::Cow } else { Class::Heifer };
    let (days, source) = reliable_from(method, class)?;
    let after_service = served.plus_days(days);
    // The old pregnancy's glycoprotein lingers; the 60th day after calving counts.
    let after_calving = match method {
        CheckMethod::Milk | CheckMethod::Blood => last_calving.map(|calved| calved.plus_days(60)),
        _ => None,
    };
    let earliest_on = after_calving.map_or(after_service, |day| after_service.max(day));
    Some(EarliestCheck { method, earliest_on, source })
}

/// The first day for each method that has one.
pub fn earliest_checks(served: Day, last_calving: Option<Day>) -> Vec<EarliestCheck> {
    DATED.iter().filter_map(|method| earliest_check(*method, served, last_calving)).collect()
}

/// When to look again at a pregnancy that was found, because some are lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Recheck {
    /// The first day: 60 days after the service.
    pub from_on: Day,
    /// The last day: 90 days after it.
    pub to_on: Day,
    /// Why, and where the figures come from.
    #[schema(value_type = String, max_length = 300)]
    pub source: &'static str,
}

/// When a pregnancy of a female served on `served` is looked at again.
pub fn recheck(served: Day) -> Recheck {
    Recheck {
        from_on: served.plus_days(60),
        to_on: served.plus_days(90),
        source: "pregnancies lost: 27 % (19-32 d), 13 % (30-45 d), 7 % (45-60 d), 2 % (60-90 d); 19,723 diagnoses, 46 studies: \
                 JDS Communications 2023, 4:144-148",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Day {
        Day(text.parse().unwrap())
    }

    #[test]
    fn a_gestation_follows_the_service_sires_breed_and_whether_she_is_a_heifer() {
        // Norman et al. 2009, J Dairy Sci 92:2259-2269.
        for (breed, heifer, cow) in [
            ("HOL", 277.8, 279.4),
            ("JER", 278.4, 280.0),
            ("MSH", 279.3, 281.1),
            ("AYS", 281.6, 281.7),
            ("AYR", 281.6, 281.7),
            ("GUE", 284.8, 285.7),
            ("BSW", 287.2, 287.5),
        ] {
            assert_eq!(gestation_days(Some(breed), true), (heifer, NORMAN), "{breed}");
            assert_eq!(gestation_days(Some(breed), false), (cow, NORMAN), "{breed}");
        }
        // Nevada Extension.
        for (breed, days) in [
            ("AAN", 281.0),
            ("BSH", 282.0),
            ("HER", 285.0),
            ("CHA", 289.0),
            ("SIM", 289.0),
            ("LIM", 289.0),
            ("BRM", 292.0),
        ] {
            assert_eq!(gestation_days(Some(breed), true), (days, NEVADA), "{breed}");
            assert_eq!(gestation_days(Some(breed), false), (days, NEVADA), "{breed}");
        }
    }

    #[test]
    fn an_unknown_breed_has_the_mean_of_all_breeds() {
        for breed in [None, Some(""), Some("XXX"), Some("HOLSTEIN"), Some("RDC")] {
            assert_eq!(gestation_days(breed, false), ALL_BREEDS, "{breed:?}");
        }
        assert_eq!(gestation_days(Some(" hol "), false), gestation_days(Some("HOL"), false));
        let named = due_on(day("2026-03-02"), Some("Holstein"), false, false);
        assert_eq!(named.days, 283);
        assert!(named.source.contains("\"Holstein\" is no breed code"), "{}", named.source);
        assert_eq!(due_on(day("2026-03-02"), None, false, false).source, ALL_BREEDS.1);
    }

    #[test]
    fn a_mean_is_rounded_half_up_to_whole_days() {
        // Norman et al. 2009: Holstein 277.8 / 279.4, Brown Swiss cows 287.5.
        let served = day("2026-03-02");
        assert_eq!(due_on(served, Some("HOL"), true, false).days, 278);
        assert_eq!(due_on(served, Some("HOL"), false, false).days, 279);
        assert_eq!(due_on(served, Some("BSW"), false, false).days, 288);
        assert_eq!(due_on(served, Some("HOL"), false, false).due_on, day("2026-12-06"));
    }

    #[test]
    fn the_283_days_from_new_year_end_on_11_october_in_a_common_year() {
        // Calendar arithmetic; printed 283-day tables say 10 October.
        assert_eq!(due_on(day("2026-01-01"), None, false, false).due_on, day("2026-10-11"));
        assert_eq!(due_on(day("2028-01-01"), None, false, false).due_on, day("2028-10-10"));
    }

    #[test]
    fn a_return_is_watched_for_from_18_to_24_days() {
        // Normal cycle 18-24 d, mean 21: common practice, no source.
        let watch = return_watch(day("2026-02-20"));
        assert_eq!(
            (watch.from_on, watch.mean_on, watch.to_on),
            (day("2026-03-10"), day("2026-03-13"), day("2026-03-16"))
        );
    }

    #[test]
    fn a_glycoprotein_test_waits_for_the_service_and_for_the_last_calving() {
        // Over 28 d after service and at least 60 d after calving: Sterry, Univ. Wisconsin Extension.
        let served = day("2026-03-01");
        let first = |calved| earliest_check(CheckMethod::Milk, served, calved).unwrap().earliest_on;
        assert_eq!(first(None), day("2026-03-30"));
        assert_eq!(first(Some(day("2026-01-01"))), day("2026-03-30"));
        assert_eq!(first(Some(day("2026-02-01"))), day("2026-04-02"));
        assert_eq!(
            first(Some(day("2026-02-01"))),
            earliest_check(CheckMethod::Blood, served, Some(day("2026-02-01"))).unwrap().earliest_on
        );
    }

    #[test]
    fn each_method_has_its_first_day() {
        // Ultrasound from day 26 in heifers and 29 in cows: Prairie View A&M; palpation 35-45 d: Texas A&M / CSU report.
        let days = |calved| -> Vec<_> {
            let checks = earliest_checks(day("2026-03-01"), calved);
            checks.iter().map(|check| check.earliest_on.to_string()).collect()
        };
        assert_eq!(days(None), ["2026-03-27", "2026-04-05", "2026-03-30", "2026-03-30"]);
        assert_eq!(days(Some(day("2025-11-01")))[0], "2026-03-30");
    }

    #[test]
    fn twins_are_due_about_four_days_earlier() {
        // 275.5 against 279.9 d, 3,966 calves of Holstein dams.
        let due = |multiple| due_on(day("2026-03-02"), Some("HOL"), false, multiple);
        assert_eq!((due(false).days, due(true).days), (279, 275));
        assert!(due(true).source.contains("twins"), "{}", due(true).source);
    }

    #[test]
    fn a_pregnancy_is_looked_at_again_between_60_and_90_days() {
        // Losses fall from 27 % to 2 %: JDS Communications 2023, 4:144-148.
        let again = recheck(day("2026-03-01"));
        assert_eq!((again.from_on, again.to_on), (day("2026-04-30"), day("2026-05-30")));
        assert!(again.source.contains("27 %") && again.source.contains("2 % (60-90 d)"));
    }
}
