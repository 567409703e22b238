//! How far the calvings of a cow lie apart.

use std::collections::BTreeMap;

use serde::Serialize;
use statrs::distribution::{ContinuousCDF as _, StudentsT};
use utoipa::ToSchema;

use crate::domain::{
    animals::history::AnimalEvent,
    reports::{
        proportion::{FEWEST, TOO_FEW, real},
        record::AnimalRecord,
    },
    values::{HerdId, Timestamp},
};

/// Intervals between calvings, each with its later calving in the span that was asked.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct CalvingInterval {
    /// How many intervals.
    #[schema(minimum = 0)]
    pub count: i64,
    /// Their mean in days; null of none.
    pub mean_days: Option<f64>,
    /// The lower end of the mean's 95 % interval (Student's t); null of fewer than two.
    pub low: Option<f64>,
    /// Its upper end.
    pub high: Option<f64>,
    /// Their standard deviation in days; null of fewer than two.
    pub sd_days: Option<f64>,
    /// The median in days.
    pub median_days: Option<f64>,
    /// `too few to judge` where there are fewer than 30; else null.
    #[schema(value_type = Option<String>, max_length = 100)]
    pub judgement: Option<&'static str>,
}

/// Intervals by their days: so many of each, however long the book.
#[derive(Clone, Debug, Default)]
pub struct Intervals(BTreeMap<i64, i64>);

impl Intervals {
    fn add(&mut self, days: i64) {
        *self.0.entry(days).or_default() += 1;
    }

    /// What they come to.
    pub fn told(&self) -> CalvingInterval {
        let count: i64 = self.0.values().sum();
        let n = real(count);
        let sum: f64 = self.0.iter().map(|(days, times)| real(*days) * real(*times)).sum();
        let mean = (count > 0).then(|| sum / n);
        let sd = mean.filter(|_| count > 1).map(|mean| {
            let squares = self.0.iter().map(|(days, times)| (real(*days) - mean).powi(2) * real(*times));
            (squares.sum::<f64>() / (n - 1.0)).sqrt()
        });
        let half = sd.and_then(|sd| {
            let t = StudentsT::new(0.0, 1.0, n - 1.0).ok()?;
            Some(t.inverse_cdf(0.975) * sd / n.sqrt())
        });
        CalvingInterval {
            count,
            mean_days: mean,
            low: mean.zip(half).map(|(mean, half)| mean - half),
            high: mean.zip(half).map(|(mean, half)| mean + half),
            sd_days: sd,
            median_days: self.median(count),
            judgement: (count < FEWEST).then_some(TOO_FEW),
        }
    }

    fn median(&self, count: i64) -> Option<f64> {
        let nth = |n: i64| {
            let mut seen = 0;
            let reached = |times: i64, seen: &mut i64| {
                *seen += times;
                *seen > n
            };
            self.0.iter().find(|(_, times)| reached(**times, &mut seen)).map(|(days, _)| real(*days))
        };
        Some(f64::midpoint(nth((count - 1).max(0) / 2)?, nth(count / 2)?))
    }
}

/// Counts one animal after the other, by herd and by the lactation that the later calving began.
#[derive(Debug)]
pub struct CalvingCount {
    from: Timestamp,
    to: Timestamp,
    /// By herd and lactation.
    pub groups: BTreeMap<(HerdId, i64), Intervals>,
    /// In all.
    pub all: Intervals,
}

impl CalvingCount {
    /// Begins to count intervals whose later calving lies in that span.
    pub fn new(from: Timestamp, to: Timestamp) -> Self {
        Self { from, to, groups: BTreeMap::new(), all: Intervals::default() }
    }

    /// Counts an animal.
    pub fn add(&mut self, animal: &AnimalRecord) {
        let calvings = animal.history.happenings.iter();
        let calvings: Vec<Timestamp> = calvings
            .filter(|(_, what)| matches!(what, AnimalEvent::Calving { .. }))
            .map(|(when, _)| *when)
            .collect();
        for (lactation, pair) in (2..).zip(calvings.windows(2)) {
            let [earlier, later] = pair else { continue };
            if (self.from..self.to).contains(later) {
                let days = later.since(*earlier).num_days();
                self.groups.entry((animal.herd, lactation)).or_default().add(days);
                self.all.add(days);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::reports::fixture::{animal, calved, day};

    #[test]
    fn three_calvings_are_two_intervals() {
        let mut count = CalvingCount::new(day(0), day(2000));
        count.add(&animal(&[], &[(0, calved()), (380, calved()), (800, calved())]));
        count.add(&animal(&[], &[(100, calved()), (500, calved())]));
        let all = count.all.told();
        // 380, 420 and 400 days: mean 400, standard deviation 20, t of two degrees 4.3027 (any table of Student's t).
        assert_eq!(
            (all.count, all.mean_days, all.sd_days, all.median_days),
            (3, Some(400.0), Some(20.0), Some(400.0))
        );
        assert!((all.low.unwrap() - (400.0 - 4.3027 * 20.0 / 3f64.sqrt())).abs() < 1e-3);
        assert_eq!(count.groups.keys().map(|(_, lactation)| *lactation).collect::<Vec<_>>(), [2, 3]);
        let even: Vec<_> = count.groups.values().map(|intervals| intervals.told().median_days).collect();
        assert_eq!(even, [Some(390.0), Some(420.0)]);
        let later = CalvingCount::new(day(600), day(2000));
        assert_eq!(later.all.told().mean_days, None);
    }
}
