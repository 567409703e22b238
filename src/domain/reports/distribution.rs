//! Distributions of whole numbers, exactly: what n females take, when it is known what one takes.

use statrs::function::gamma::ln_gamma;

use crate::domain::reports::proportion::{Estimate, real};

/// Mass below this is left out at either end of a distribution; it is far beyond what any quantile here can tell.
const NOTHING: f64 = 1e-30;

/// How probable each whole number is, from the first on.
#[derive(Clone, Debug, PartialEq)]
pub struct Distribution {
    first: usize,
    mass: Vec<f64>,
}

impl Distribution {
    /// Certainly that number.
    pub fn certainly(number: usize) -> Self {
        Self { first: number, mass: vec![1.0] }
    }

    /// The numbers from 0 on, each with its probability.
    pub fn of(mass: Vec<f64>) -> Self {
        Self { first: 0, mass }.trimmed()
    }

    /// Successes in `n` trials of probability `p`.
    pub fn binomial(n: usize, p: f64) -> Self {
        if p <= 0.0 || p >= 1.0 {
            return Self::certainly(if p >= 1.0 { n } else { 0 });
        }
        let whole = |number: usize| real(i64::try_from(number).unwrap_or(i64::MAX));
        let (all, (yes, no)) = (ln_gamma(whole(n) + 1.0), (p.ln(), (-p).ln_1p()));
        let log = |k: usize| {
            all - ln_gamma(whole(k) + 1.0) - ln_gamma(whole(n - k) + 1.0) + whole(k) * yes + whole(n - k) * no
        };
        Self { first: 0, mass: (0..=n).map(|k| log(k).exp()).collect() }.trimmed()
    }

    fn trimmed(mut self) -> Self {
        let keep = self.mass.iter().rposition(|mass| *mass >= NOTHING).map_or(0, |last| last + 1);
        self.mass.truncate(keep);
        let skip = self.mass.iter().position(|mass| *mass >= NOTHING).unwrap_or(0);
        self.mass.drain(..skip);
        self.first += skip;
        self
    }

    /// The sum of two numbers that know nothing of each other.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        let mut mass = vec![0.0; (self.mass.len() + other.mass.len()).saturating_sub(1)];
        for (n, one) in self.mass.iter().enumerate() {
            for (place, two) in mass.iter_mut().skip(n).zip(&other.mass) {
                *place += one * two;
            }
        }
        Self { first: self.first + other.first, mass }.trimmed()
    }

    /// The sum of `n` such numbers that know nothing of each other.
    #[must_use]
    pub fn times(&self, n: usize) -> Self {
        let (mut sum, mut power, mut left) = (Self::certainly(0), self.clone(), n);
        while left > 0 {
            if left % 2 == 1 {
                sum = sum.plus(&power);
            }
            left /= 2;
            if left > 0 {
                power = power.plus(&power);
            }
        }
        sum
    }

    /// What is to be expected when it is one of several, each with its weight; the weights sum to one.
    pub fn mixed(parts: &[(f64, Self)]) -> Self {
        let first = parts.iter().map(|(_, part)| part.first).min().unwrap_or(0);
        let end = parts.iter().map(|(_, part)| part.first + part.mass.len()).max().unwrap_or(0);
        let mut mass = vec![0.0; end.saturating_sub(first)];
        for (weight, part) in parts {
            for (place, own) in mass.iter_mut().skip(part.first - first).zip(&part.mass) {
                *place += weight * own;
            }
        }
        Self { first, mass }
    }

    /// How probable that number is.
    pub fn at(&self, number: usize) -> f64 {
        number.checked_sub(self.first).and_then(|place| self.mass.get(place)).copied().unwrap_or(0.0)
    }

    /// How probable at most that number is.
    pub fn at_most(&self, number: usize) -> f64 {
        let count = (number + 1).saturating_sub(self.first);
        self.mass.iter().take(count).sum()
    }

    /// All of it: one, up to rounding.
    pub fn total(&self) -> f64 {
        self.mass.iter().sum()
    }

    /// The mean.
    pub fn mean(&self) -> f64 {
        self.numbers().map(|(number, mass)| number * mass).sum()
    }

    /// The variance.
    pub fn variance(&self) -> f64 {
        let mean = self.mean();
        self.numbers().map(|(number, mass)| (number - mean).powi(2) * mass).sum()
    }

    fn numbers(&self) -> impl Iterator<Item = (f64, f64)> {
        let number = |place: usize| real(i64::try_from(self.first + place).unwrap_or(i64::MAX));
        self.mass.iter().enumerate().map(move |(place, mass)| (number(place), *mass))
    }

    /// The least number that is reached or undercut with that probability.
    pub fn quantile(&self, probability: f64) -> usize {
        let mut below = 0.0;
        for (place, mass) in self.mass.iter().enumerate() {
            below += mass;
            // What rounding takes off the whole must not push a quantile to the end.
            if below >= probability * (1.0 - 1e-12) {
                return self.first + place;
            }
        }
        self.first + self.mass.len().saturating_sub(1)
    }

    /// The mean with the interval that holds nine of ten.
    pub fn told(&self) -> Estimate {
        let end = |probability| real(i64::try_from(self.quantile(probability)).unwrap_or(i64::MAX));
        Estimate { low: end(0.05), estimate: self.mean(), high: end(0.95) }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_distribution_sums_to_one(
            weights in proptest::collection::vec(0.0..1.0_f64, 1..6), n in 0..300_usize, p in 0.0..=1.0_f64,
        ) {
            let sum: f64 = weights.iter().sum();
            prop_assume!(sum > 0.01);
            let one = Distribution::of(weights.iter().map(|weight| weight / sum).collect());
            let many = one.times(n);
            prop_assert!((many.total() - 1.0).abs() < 1e-9, "{}", many.total());
            let whole = real(i64::try_from(n).unwrap());
            prop_assert!((many.mean() - whole * one.mean()).abs() < 1e-6 * (1.0 + whole));
            prop_assert!((many.variance() - whole * one.variance()).abs() < 1e-6 * (1.0 + whole));
            let trials = Distribution::binomial(n, p);
            prop_assert!((trials.total() - 1.0).abs() < 1e-9);
            prop_assert!((trials.mean() - whole * p).abs() < 1e-6 * (1.0 + whole));
            let mixed = Distribution::mixed(&[(0.25, many.clone()), (0.75, trials.clone())]);
            prop_assert!((mixed.total() - 1.0).abs() < 1e-9);
            for q in [0.05, 0.5, 0.95] {
                let at = many.quantile(q);
                prop_assert!(many.at_most(at) >= q - 1e-9 && (at == 0 || many.at_most(at - 1) < q + 1e-9));
            }
        }
    }
}
