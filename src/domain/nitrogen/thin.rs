//! A sensor's many readings become one a day.
//!
//! A day's readings of a sensor hang together, and taking each for a new witness would raise false alarms. Readings of
//! one day (24 hours from its first, and no refill between them) are taken together when there are at least
//! [`SENSOR_A_DAY`] of them: the median stands for all, at its own time. Fewer are left as they are, so that a second
//! reading taken at once can confirm a first.

use crate::domain::nitrogen::history::Reading;

/// From so many readings within a day on they are taken for a sensor's.
pub const SENSOR_A_DAY: usize = 4;

/// A reading, or the median of a day of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thinned {
    /// The reading, or that one of them which is the median.
    pub reading: Reading,
    /// How many it stands for.
    pub stands_for: usize,
}

/// Thins `readings`, which are in the order of time and without a refill between them.
pub fn thin(readings: &[Reading]) -> Vec<Thinned> {
    let mut thinned = Vec::new();
    let mut rest = readings;
    while let Some(first) = rest.first() {
        let day_ends = first.at.plus(chrono::TimeDelta::days(1));
        let (day, later) = rest.split_at(rest.partition_point(|reading| reading.at < day_ends));
        if day.len() >= SENSOR_A_DAY {
            thinned.push(Thinned { reading: median(day), stands_for: day.len() });
        } else {
            thinned.extend(day.iter().map(|reading| Thinned { reading: *reading, stands_for: 1 }));
        }
        rest = later;
    }
    thinned
}

/// The reading in the middle by level; of an even number the lower of the two.
fn median(day: &[Reading]) -> Reading {
    let mut by_level = day.to_vec();
    let middle = (day.len() - 1) / 2;
    *by_level.select_nth_unstable_by(middle, |one, other| one.level_mm.total_cmp(&other.level_mm)).1
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, TimeDelta};

    use super::*;
    use crate::domain::values::Timestamp;

    fn readings(hours_and_levels: &[(i64, f64)]) -> Vec<Reading> {
        let start = Timestamp::from(DateTime::UNIX_EPOCH);
        hours_and_levels
            .iter()
            .map(|(hours, level_mm)| Reading {
                at: start.plus(TimeDelta::hours(*hours)),
                level_mm: *level_mm,
            })
            .collect()
    }

    fn levels(thinned: &[Thinned]) -> Vec<(f64, usize)> {
        thinned.iter().map(|one| (one.reading.level_mm, one.stands_for)).collect()
    }

    #[test]
    fn an_hourly_sensor_becomes_one_median_a_day() {
        let hourly: Vec<_> =
            (0..48).map(|hour| (hour, 400.0 - f64::from(i32::try_from(hour).unwrap()))).collect();
        assert_eq!(levels(&thin(&readings(&hourly))), [(388.0, 24), (364.0, 24)]);
    }

    #[test]
    fn a_wrong_reading_among_a_sensors_is_outvoted() {
        let day = [(0, 400.0), (1, 0.0), (2, 399.0), (3, 398.0)];
        assert_eq!(levels(&thin(&readings(&day))), [(398.0, 4)]);
    }

    #[test]
    fn a_second_reading_to_confirm_the_first_stands_for_itself() {
        let rod = [(0, 400.0), (2, 300.0), (30, 395.0)];
        assert_eq!(levels(&thin(&readings(&rod))), [(400.0, 1), (300.0, 1), (395.0, 1)]);
        assert!(thin(&[]).is_empty());
    }
}
