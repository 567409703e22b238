//! When to inseminate: by how the heat was found, and by semen type.
//!
//! A cow that stands in the morning is served that evening, one that stands in the evening is
//! served next morning (AM-PM rule, Penn State Extension EC402). Sexed semen lives shorter in
//! the cow and goes in later. A sensor tells the onset, which nobody sees; a timed protocol needs no heat.

use chrono::TimeDelta;
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::history::{FoundHeat, HeatMethod},
        straws::semen::SemenType,
        values::{Name, TimeZone, Timestamp},
    },
    text_enum,
};

text_enum! {
    /// Where a moment lies in the window for the insemination.
    WindowState {
        /// Before it.
        Early = "early",
        /// Within it.
        Open = "open",
        /// After it.
        Passed = "passed",
    }
}

/// When to inseminate after a heat.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Timing {
    /// The semen type the times are for.
    pub semen_type: SemenType,
    /// How the heat was found.
    pub method: HeatMethod,
    /// From when the hours count: seen standing; the sensor's threshold; of a timed protocol the second GnRH, or the
    /// hour that the veterinarian set for the insemination.
    pub standing_at: Timestamp,
    /// Not before this.
    pub earliest_at: Timestamp,
    /// The time to aim at.
    pub best_at: Timestamp,
    /// Not after this.
    pub latest_at: Timestamp,
    /// Where the moment asked about lies.
    pub state: WindowState,
    /// When she was served in this heat already.
    pub served_at: Option<Timestamp>,
    /// The same in words, in the herd's own time.
    #[schema(max_length = 500)]
    pub text: String,
    /// Where the hours come from.
    #[schema(max_length = 1000)]
    pub source: String,
}

/// Hours after the heat: earliest, best, latest, and where they come from.
struct Hours {
    earliest: i64,
    best: i64,
    latest: i64,
    source: &'static str,
}

/// 4-16 h after onset (Dransfield et al. 1998, as quoted; Currin, Virginia Tech 2009); 12 h after
/// standing heat was seen is common practice, no source.
const CONVENTIONAL: Hours = Hours {
    earliest: 4,
    best: 12,
    latest: 16,
    source: "12 h after standing heat was seen: common practice, no source, and the AM-PM rule (Penn State \
             Extension EC402); 4-16 h: Dransfield et al. 1998 as quoted, and Currin, Virginia Tech 2009",
};

/// 14-20 h and 16-24 h in extension texts, later is better (Kansas State KAES 9:1, 2023: past 21 h
/// best in heifers). 14 and 24 are the ends of the two windows; 20 h, which lies in both, is our choice.
const SEXED: Hours = Hours {
    earliest: 14,
    best: 20,
    latest: 24,
    source: "14-20 h and 16-24 h after standing heat in extension texts, 20 h lies in both; later is better \
             (Kansas State KAES 9:1, 2023: more than 21 h best in heifers)",
};

/// From the sensor's threshold; the two best classes of Tippenhauer et al. are 13-18 h (34.0 % pregnant) and 19-24 h
/// (32.0 %). 16 h, the middle of the best class, is our choice.
const SENSOR: Hours = Hours {
    earliest: 13,
    best: 16,
    latest: 24,
    source: "hours from the sensor's threshold to insemination, 3,420 Holstein cows, pregnant: 1-6 h 23.0 %, 7-12 h 30.0 %, \
             13-18 h 34.0 %, 19-24 h 32.0 %, 25-48 h 26.8 %; no effect of semen type (Tippenhauer et al., Freie Universitaet \
             Berlin, J Dairy Sci 2021)",
};

/// From the second GnRH; the middle, 20 h, is our choice.
const TIMED: Hours = Hours {
    earliest: 16,
    best: 20,
    latest: 25,
    source: "16-25 h after the second GnRH of a timed protocol: extension, as read by a second source; the protocol's own \
             hours go before this",
};

fn hours(method: HeatMethod, semen: SemenType) -> Hours {
    match method {
        HeatMethod::Sensor
        | HeatMethod::Pedometer
        | HeatMethod::Collar
        | HeatMethod::EarTag
        | HeatMethod::Bolus => SENSOR,
        HeatMethod::TimedProtocol | HeatMethod::Chemical => TIMED,
        HeatMethod::Seen | HeatMethod::Other if semen.is_sexed() => SEXED,
        HeatMethod::Seen | HeatMethod::Other => CONVENTIONAL,
    }
}

/// When to inseminate with `semen` a female found in heat so, as asked at `at`; `served_at` is her last service of this heat.
pub fn timing(
    heat: FoundHeat,
    semen: SemenType,
    at: Timestamp,
    served_at: Option<Timestamp>,
    zone: TimeZone,
) -> Timing {
    let hours = hours(heat.method, semen);
    let after = |h| heat.at.plus(TimeDelta::hours(h));
    let (earliest_at, best_at, latest_at) = (after(hours.earliest), after(hours.best), after(hours.latest));
    let state = if at < earliest_at {
        WindowState::Early
    } else if at <= latest_at {
        WindowState::Open
    } else {
        WindowState::Passed
    };
    let local = |at: Timestamp| at.display_in(zone);
    let window = match state {
        WindowState::Early => format!(
            "The window opens {} and ends {}; best {}.",
            local(earliest_at),
            local(latest_at),
            local(best_at)
        ),
        WindowState::Open => {
            format!("The window is open until {}; best {}.", local(latest_at), local(best_at))
        }
        WindowState::Passed => format!(
            "The window of this heat has passed, it ended {}: fewer conceive. Watch for the next heat in 18-24 days.",
            local(latest_at)
        ),
    };
    let text = match served_at {
        // What has passed is of no use to somebody who came in time.
        Some(served) if state == WindowState::Passed && served <= latest_at => {
            format!("She was served in this heat already, {}.", local(served))
        }
        Some(served) => format!("She was served in this heat already, {}. {window}", local(served)),
        None => window,
    };
    Timing {
        semen_type: semen,
        method: heat.method,
        standing_at: heat.at,
        earliest_at,
        best_at,
        latest_at,
        state,
        served_at,
        text,
        source: hours.source.to_owned(),
    }
}

/// When to inseminate at the end of a timed protocol of which `prescribed_by` set the hour: that hour goes before all others,
/// and the window around it is as wide as the published one around its middle.
pub fn planned(
    hour: Timestamp,
    prescribed_by: &Name,
    semen: SemenType,
    at: Timestamp,
    served_at: Option<Timestamp>,
    zone: TimeZone,
) -> Timing {
    let heat = FoundHeat { at: hour.plus(TimeDelta::hours(-TIMED.best)), method: HeatMethod::TimedProtocol };
    Timing {
        standing_at: hour,
        source: format!(
            "the hour that {prescribed_by} set, which goes before any other; the window about it is as wide as 16-25 h after the \
             second GnRH (extension, as read by a second source) about 20 h"
        ),
        ..timing(heat, semen, at, served_at, zone)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn instant(text: &str) -> Timestamp {
        Timestamp::from(chrono::DateTime::parse_from_rfc3339(text).unwrap().to_utc())
    }

    fn vienna() -> TimeZone {
        TimeZone::parse("Europe/Vienna").unwrap()
    }

    fn of(at: &str, method: HeatMethod, semen: SemenType, now: &str) -> Timing {
        timing(FoundHeat { at: instant(at), method }, semen, instant(now), None, vienna())
    }

    fn hours_of(method: HeatMethod, semen: SemenType) -> [i64; 3] {
        let heat = "2026-03-02T05:10:00Z";
        let timing = of(heat, method, semen, heat);
        [timing.earliest_at, timing.best_at, timing.latest_at].map(|at| at.since(instant(heat)).num_hours())
    }

    #[test]
    fn conventional_semen_is_used_twelve_hours_after_standing_heat() {
        // 12 h: common practice, no source; 4-16 h: Dransfield et al. 1998 as quoted, Currin 2009.
        assert_eq!(hours_of(HeatMethod::Seen, SemenType::Conventional), [4, 12, 16]);
    }

    #[test]
    fn sexed_semen_is_used_later() {
        // 14-20 h and 16-24 h in extension texts; later is better (Kansas State KAES 9:1, 2023).
        assert_eq!(hours_of(HeatMethod::Seen, SemenType::SexedFemale), [14, 20, 24]);
        assert_eq!(hours_of(HeatMethod::Seen, SemenType::SexedMale), [14, 20, 24]);
    }

    #[test]
    fn a_sensors_hours_count_from_its_threshold() {
        // 13-24 h best (Tippenhauer et al., n = 3,420): onset 06:00, window 19:00 to 06:00 next day.
        let onset = "2026-03-02T06:00:00+01:00";
        let conventional = of(onset, HeatMethod::Sensor, SemenType::Conventional, onset);
        assert_eq!(conventional.earliest_at, instant("2026-03-02T19:00:00+01:00"));
        assert_eq!(conventional.latest_at, instant("2026-03-03T06:00:00+01:00"));
        assert!(
            conventional.earliest_at < conventional.best_at && conventional.best_at < conventional.latest_at
        );
        // No effect of semen type; whatever sensor it is.
        for method in [HeatMethod::Pedometer, HeatMethod::Collar, HeatMethod::EarTag, HeatMethod::Bolus] {
            assert_eq!(
                hours_of(method, SemenType::SexedFemale),
                hours_of(HeatMethod::Sensor, SemenType::Conventional)
            );
        }
    }

    #[test]
    fn a_timed_protocol_counts_from_the_second_gnrh() {
        // 16-25 h: extension, as read by a second source.
        for method in [HeatMethod::TimedProtocol, HeatMethod::Chemical] {
            let [earliest, best, latest] = hours_of(method, SemenType::SexedFemale);
            assert_eq!((earliest, latest), (16, 25));
            assert!((earliest..latest).contains(&best));
        }
    }

    #[test]
    fn a_planned_insemination_is_best_at_the_hour_that_was_set() {
        let hour = instant("2026-03-12T08:00:00+01:00");
        let by = Name::parse("Dr. Example").unwrap();
        let timing = planned(hour, &by, SemenType::SexedFemale, hour, None, vienna());
        assert_eq!((timing.best_at, timing.standing_at), (hour, hour));
        // 16-25 h about 20 h: extension, as read by a second source.
        assert_eq!(timing.earliest_at, instant("2026-03-12T04:00:00+01:00"));
        assert_eq!(timing.latest_at, instant("2026-03-12T13:00:00+01:00"));
        assert!(timing.source.contains("Dr. Example") && timing.method.is_timed());
    }

    #[test]
    fn hours_are_hours_when_the_clocks_change() {
        // The night of 28 to 29 March 2026 has one hour less in Vienna (tz database).
        let seen = of(
            "2026-03-28T20:00:00+01:00",
            HeatMethod::Seen,
            SemenType::Conventional,
            "2026-03-28T21:00:00+01:00",
        );
        assert_eq!(seen.best_at, instant("2026-03-29T09:00:00+02:00"));
        assert!(seen.text.contains("09:00"), "{}", seen.text);
    }

    #[test]
    fn a_window_that_has_passed_says_so_and_so_does_a_service_in_this_heat() {
        let heat = "2026-03-02T06:00:00Z";
        let at = |now| of(heat, HeatMethod::Seen, SemenType::Conventional, now);
        assert_eq!(at("2026-03-02T09:59:00Z").state, WindowState::Early);
        assert_eq!(at("2026-03-02T10:00:00Z").state, WindowState::Open);
        assert_eq!(at("2026-03-02T22:00:00Z").state, WindowState::Open);
        let late = at("2026-03-02T22:00:01Z");
        assert_eq!(late.state, WindowState::Passed);
        assert!(late.text.contains("has passed"), "{}", late.text);
        let found = FoundHeat { at: instant(heat), method: HeatMethod::Seen };
        let served = Some(instant("2026-03-02T18:00:00Z"));
        let again = timing(found, SemenType::Conventional, instant("2026-03-02T19:00:00Z"), served, vienna());
        assert!(again.text.starts_with("She was served in this heat already"), "{}", again.text);
    }

    #[test]
    fn the_times_say_where_they_come_from() {
        let source = |method, semen| of("2026-03-02T06:00:00Z", method, semen, "2026-03-02T06:00:00Z").source;
        assert!(source(HeatMethod::Seen, SemenType::Conventional).contains("common practice, no source"));
        assert!(source(HeatMethod::Seen, SemenType::SexedMale).contains("Kansas State"));
        assert!(source(HeatMethod::Sensor, SemenType::SexedMale).contains("Tippenhauer"));
        assert!(source(HeatMethod::TimedProtocol, SemenType::SexedMale).contains("second GnRH"));
    }
}
