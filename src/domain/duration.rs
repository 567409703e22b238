//! A length of time in the words that people use: 40 s, 4 min, 11 months.

use chrono::TimeDelta;

/// The length in its one fitting unit, rounded, whatever its sign: `4 min`, `11 months`.
///
/// Seconds to a minute and a half, minutes to an hour and a half, hours to two days, days to sixty, months (of 30.44 days) to two
/// years, then years: off by a third at most.
pub fn words(length: TimeDelta) -> String {
    let seconds = length.num_seconds().abs();
    let units =
        [(1, "s", 90), (60, "min", 90), (3600, "h", 48), (86_400, "days", 60), (MONTH_S, "months", 24)];
    units
        .into_iter()
        .map(|(unit, name, below)| (rounded(seconds, unit), name, below))
        .find(|(count, _, below)| count < below)
        .map_or_else(
            || format!("{} years", rounded(seconds, YEAR_S)),
            |(count, name, _)| format!("{count} {name}"),
        )
}

/// So many seconds in words.
pub fn seconds_in_words(seconds: i64) -> String {
    TimeDelta::try_seconds(seconds).map_or_else(|| format!("{seconds} s"), words)
}

/// A year of the Gregorian calendar has 365.2425 days, in seconds; a month is the twelfth part of it.
const YEAR_S: i64 = 31_556_952;
const MONTH_S: i64 = YEAR_S / 12;

/// How many units, half rounded up.
fn rounded(seconds: i64, unit: i64) -> i64 {
    (seconds + unit / 2) / unit
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_length_is_told_in_the_unit_that_people_use() {
        for (seconds, told) in [
            (0, "0 s"),
            (1, "1 s"),
            (89, "89 s"),
            (90, "2 min"),
            (240, "4 min"),
            (269, "4 min"),
            (5399, "1 h"),
            (5400, "2 h"),
            (3 * 3600, "3 h"),
            (47 * 3600, "47 h"),
            (172_800, "2 days"),
            (51 * 86_400, "51 days"),
            (60 * 86_400, "2 months"),
            (28_532_346, "11 months"),
            (-28_532_346, "11 months"),
            (730 * 86_400, "2 years"),
            (3650 * 86_400, "10 years"),
        ] {
            assert_eq!(seconds_in_words(seconds), told, "{seconds}");
        }
    }

    proptest! {
        #[test]
        fn what_is_told_is_within_a_third_of_what_is_meant(seconds in 2_i64..4_000_000_000) {
            let told = seconds_in_words(seconds);
            let (count, unit) = told.split_once(' ').unwrap();
            let count: i64 = count.parse().unwrap();
            prop_assert!((1..1000).contains(&count), "{}", told);
            let unit = match unit {
                "s" => 1, "min" => 60, "h" => 3600, "days" => 86_400, "months" => MONTH_S, _ => YEAR_S,
            };
            let off = (count * unit - seconds).abs();
            prop_assert!(off * 3 <= seconds, "{} for {} s", told, seconds);
        }
    }
}
