//! What was out of the ordinary, and whether that becomes more.

use std::collections::BTreeMap;

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::objection::{DeviationKind, Deviations},
        reports::proportion::{Estimate, Proportion, difference},
        values::Timestamp,
    },
    text_enum,
};

text_enum! {
    /// Whether something becomes more.
    Trend {
        /// More in the later half, beyond chance.
        Rising = "rising",
        /// Fewer in the later half, beyond chance.
        Falling = "falling",
        /// Chance alone could make the difference.
        NotSeen = "not_seen",
    }
}

/// Straws taken out and services, of which something can be out of the ordinary, in either half of a span.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, sqlx::FromRow)]
pub struct Occasions {
    /// In the earlier half.
    pub earlier: i64,
    /// In the later half.
    pub later: i64,
}

/// How often one kind of deviation was.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct DeviationTrend {
    /// What was out of the ordinary.
    pub kind: DeviationKind,
    /// Of all occasions those on which it was.
    pub all: Proportion,
    /// The same in the earlier half of the span.
    pub earlier: Proportion,
    /// The same in the later half.
    pub later: Proportion,
    /// The later share less the earlier, with its 95 % interval; null where a half has no occasions.
    pub difference: Option<Estimate>,
    /// Whether it becomes more: only where the interval of the difference leaves out zero.
    pub trend: Trend,
}

/// Counts the deviations of one occasion after the other.
#[derive(Debug)]
pub struct DeviationCount {
    middle: Timestamp,
    kinds: BTreeMap<&'static str, (DeviationKind, i64, i64)>,
}

impl DeviationCount {
    /// Begins to count; `middle` parts the halves.
    pub fn new(middle: Timestamp) -> Self {
        Self { middle, kinds: BTreeMap::new() }
    }

    /// Counts an occasion; of one kind once.
    pub fn add(&mut self, at: Timestamp, deviations: &Deviations) {
        let mut seen = Vec::new();
        for deviation in &deviations.0 {
            if seen.contains(&deviation.kind) {
                continue;
            }
            seen.push(deviation.kind);
            let (_, earlier, later) =
                self.kinds.entry(deviation.kind.as_str()).or_insert((deviation.kind, 0, 0));
            *(if at < self.middle { earlier } else { later }) += 1;
        }
    }

    /// What was counted, the kinds in the order of their names.
    pub fn finish(self, of: Occasions) -> Vec<DeviationTrend> {
        let told = self.kinds.into_values().map(|(kind, earlier, later)| {
            let difference = difference((later, of.later), (earlier, of.earlier));
            DeviationTrend {
                kind,
                all: Proportion::of(earlier + later, of.earlier + of.later),
                earlier: Proportion::of(earlier, of.earlier),
                later: Proportion::of(later, of.later),
                difference,
                trend: match difference {
                    Some(difference) if difference.low > 0.0 => Trend::Rising,
                    Some(difference) if difference.high < 0.0 => Trend::Falling,
                    _ => Trend::NotSeen,
                },
            }
        });
        told.collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{animals::objection::Deviation, reports::fixture::day};

    fn late() -> Deviations {
        let late = Deviation { kind: DeviationKind::LateToBath, text: "Late.".to_owned(), reason: None };
        Deviations(vec![late.clone(), late])
    }

    #[test]
    fn a_trend_is_told_only_beyond_chance() {
        let mut count = DeviationCount::new(day(100));
        (0..5).for_each(|on| count.add(day(on), &late()));
        (100..115).for_each(|on| count.add(day(on), &late()));
        let told = count.finish(Occasions { earlier: 100, later: 100 });
        // 15 of 100 less 5 of 100: Newcombe's hybrid interval 0.0160 to 0.1876 (statsmodels, tests/reference).
        let difference = told[0].difference.unwrap();
        assert!(
            (difference.low - 0.0160).abs() < 5e-5 && (difference.high - 0.1876).abs() < 5e-5,
            "{difference:?}"
        );
        assert_eq!((told[0].trend, told[0].all.numerator), (Trend::Rising, 20));

        let mut count = DeviationCount::new(day(100));
        (0..5).for_each(|on| count.add(day(on), &late()));
        (100..108).for_each(|on| count.add(day(on), &late()));
        assert_eq!(count.finish(Occasions { earlier: 100, later: 100 })[0].trend, Trend::NotSeen);
    }
}
