//! Shares, with the interval that says how little is known of them.

use serde::Serialize;
use statrs::function::beta::checked_beta_reg;
use utoipa::ToSchema;

use crate::domain::nitrogen::normal::phi_inverse;

/// Below so many cases a share is not judged: a verdict on a batch of fewer is chance (this project's rule; at 30 the
/// interval of one half is 35 points wide).
pub const FEWEST: i64 = 30;

/// What is said of fewer.
pub const TOO_FEW: &str = "too few to judge";

/// A figure with the interval around it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Estimate {
    /// The lower end.
    pub low: f64,
    /// The figure.
    pub estimate: f64,
    /// The upper end.
    pub high: f64,
}

/// A share: so many of so many, with its 95 % interval by Wilson's score (Wilson 1927, J Am Stat Assoc 22:209-212), which
/// holds what it promises with few cases too; the textbook's plus or minus two standard errors does not.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Proportion {
    /// How many.
    #[schema(minimum = 0)]
    pub numerator: i64,
    /// Of how many.
    #[schema(minimum = 0)]
    pub denominator: i64,
    /// The share, from 0 to 1; null of none.
    #[schema(minimum = 0, maximum = 1)]
    pub estimate: Option<f64>,
    /// The lower end of the 95 % interval.
    #[schema(minimum = 0, maximum = 1)]
    pub low: Option<f64>,
    /// Its upper end.
    #[schema(minimum = 0, maximum = 1)]
    pub high: Option<f64>,
    /// `too few to judge` where the denominator is less than 30; else null.
    #[schema(value_type = Option<String>, max_length = 100)]
    pub judgement: Option<&'static str>,
}

impl Proportion {
    /// So many of so many.
    pub fn of(numerator: i64, denominator: i64) -> Self {
        let interval = wilson(numerator, denominator, 0.95);
        Self {
            numerator,
            denominator,
            estimate: interval.map(|interval| interval.estimate),
            low: interval.map(|interval| interval.low),
            high: interval.map(|interval| interval.high),
            judgement: (denominator < FEWEST).then_some(TOO_FEW),
        }
    }
}

/// Wilson's score interval of that coverage; `None` of no cases.
pub fn wilson(numerator: i64, denominator: i64, coverage: f64) -> Option<Estimate> {
    if denominator < 1 {
        return None;
    }
    let (n, p) = (real(denominator), real(numerator) / real(denominator));
    let z = phi_inverse(f64::midpoint(1.0, coverage));
    let z2 = z * z;
    let centre = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let half = z / (1.0 + z2 / n) * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt();
    // Of none and of all the ends are 0 and 1, up to rounding.
    let low = if numerator == 0 { 0.0 } else { (centre - half).clamp(0.0, p) };
    let high = if numerator == denominator { 1.0 } else { (centre + half).clamp(p, 1.0) };
    Some(Estimate { low, estimate: p, high })
}

/// What would be known of a share before anything of it was seen: so many of so many, as if they had been.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// As if so many had.
    pub yes: f64,
    /// As if so many had not.
    pub no: f64,
}

impl Prior {
    /// A share of `mean` that differs from one to the next by a standard deviation of `sd`: a beta distribution of these
    /// moments.
    pub fn spread(mean: f64, sd: f64) -> Self {
        let weight = (mean * (1.0 - mean) / (sd * sd) - 1.0).max(0.0);
        Self { yes: mean * weight, no: (1.0 - mean) * weight }
    }

    /// The share after so many of so many: drawn towards the prior the more, the fewer they are.
    pub fn mean_after(self, numerator: i64, denominator: i64) -> f64 {
        let (yes, no) = self.after(numerator, denominator);
        yes / (yes + no)
    }

    /// The same with its interval of that coverage.
    pub fn after_with_interval(self, numerator: i64, denominator: i64, coverage: f64) -> Estimate {
        let (yes, no) = self.after(numerator, denominator);
        let tail = (1.0 - coverage) / 2.0;
        Estimate {
            low: beta_quantile(yes, no, tail),
            estimate: yes / (yes + no),
            high: beta_quantile(yes, no, 1.0 - tail),
        }
    }

    fn after(self, numerator: i64, denominator: i64) -> (f64, f64) {
        (self.yes + real(numerator), self.no + real(denominator - numerator))
    }
}

/// Where the beta distribution has that much below it.
fn beta_quantile(yes: f64, no: f64, wanted: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    // Sixty halvings leave nothing of the interval that a double could tell.
    for _ in 0..60 {
        let at = f64::midpoint(low, high);
        if checked_beta_reg(yes, no, at).unwrap_or(1.0) < wanted { low = at } else { high = at }
    }
    f64::midpoint(low, high)
}

/// A difference of two shares with its 95 % interval: Newcombe's hybrid of two Wilson intervals (Newcombe 1998, Stat Med
/// 17:873-890, method 10). `None` where either has no cases.
pub fn difference(later: (i64, i64), earlier: (i64, i64)) -> Option<Estimate> {
    let (a, b) = (wilson(later.0, later.1, 0.95)?, wilson(earlier.0, earlier.1, 0.95)?);
    let between = a.estimate - b.estimate;
    let down = (a.estimate - a.low).hypot(b.high - b.estimate);
    let up = (a.high - a.estimate).hypot(b.estimate - b.low);
    Some(Estimate { low: between - down, estimate: between, high: between + up })
}

/// A count as a number.
#[expect(clippy::cast_precision_loss, reason = "counts of a book are far below what a double holds")]
pub fn real(count: i64) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn thirty_five_of_a_hundred() {
        // 100 bred, 35 pregnant = 35 % (extension). Its Wilson interval, 26.4-44.7 %: statsmodels (tests/reference).
        let share = Proportion::of(35, 100);
        assert_eq!((share.estimate, share.judgement), (Some(0.35), None));
        assert!((share.low.unwrap() - 0.264).abs() < 5e-4 && (share.high.unwrap() - 0.447).abs() < 1e-3);
    }

    #[test]
    fn newcombes_example() {
        // 81 of 263: 25.5-36.6 % by Wilson's score (Newcombe 1998, Stat Med 17:857-872, table I).
        let share = wilson(81, 263, 0.95).unwrap();
        assert!((share.low - 0.2553).abs() < 5e-5 && (share.high - 0.3662).abs() < 5e-5, "{share:?}");
    }

    #[test]
    fn none_has_no_share_and_few_are_not_judged() {
        assert_eq!(Proportion::of(0, 0).estimate, None);
        assert_eq!(Proportion::of(10, 29).judgement, Some(TOO_FEW));
        assert_eq!(Proportion::of(10, 30).judgement, None);
    }

    #[test]
    fn technicians_differ_by_so_much_that_a_hundred_services_count_a_third() {
        // Standard deviation 3.4-3.7 points (Everett & Bean 1986; Quebec, CJAS 1993): Beta(101.5, 101.5) at one half.
        let prior = Prior::spread(0.5, 0.035);
        assert!((prior.yes - 101.5).abs() < 0.1 && (prior.no - 101.5).abs() < 0.1, "{prior:?}");
        assert!((prior.mean_after(60, 100) - (0.5 + 0.1 / 3.03)).abs() < 1e-3);
    }

    proptest! {
        #[test]
        fn an_interval_holds_its_estimate(k in 0..2000_i64, more in 0..2000_i64) {
            prop_assume!(k + more > 0);
            let share = wilson(k, k + more, 0.95).unwrap();
            prop_assert!((0.0..=1.0).contains(&share.low) && (0.0..=1.0).contains(&share.high));
            prop_assert!(share.low <= share.estimate && share.estimate <= share.high, "{:?}", share);
            let wider = wilson(k, k + more, 0.99).unwrap();
            prop_assert!(wider.low <= share.low && share.high <= wider.high);
            let drawn = Prior::spread(0.5, 0.035).after_with_interval(k, k + more, 0.9);
            prop_assert!(drawn.low < drawn.estimate && drawn.estimate < drawn.high);
            prop_assert!((drawn.estimate - 0.5).abs() <= (share.estimate - 0.5).abs() + 1e-12);
        }

        #[test]
        fn a_difference_holds_its_estimate_and_turns_with_its_sides(
            k in 0..500_i64, m in 1..500_i64, l in 0..500_i64, o in 1..500_i64,
        ) {
            let (a, b) = ((k, k + m), (l, l + o));
            let (there, back) = (difference(a, b).unwrap(), difference(b, a).unwrap());
            prop_assert!(there.low <= there.estimate && there.estimate <= there.high);
            prop_assert!((there.low + back.high).abs() < 1e-12 && (there.estimate + back.estimate).abs() < 1e-12);
        }
    }
}
