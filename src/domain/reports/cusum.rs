//! The sequential watch: a cumulative sum that rises with every service that fails and falls with every one that takes.
//!
//! Its score is the logarithm of the likelihood ratio of two hypotheses: conception is as expected, or its odds have fallen
//! to 7 in 13 of that, which is from 50 to 35 %. A service with an expectation of its own has scores of its own (the
//! risk-adjusted form, Steiner et al. 2000, Biostatistics 1:441-452), rounded to whole units so that what the watch does in the
//! long run can be worked out exactly, as a Markov chain (Brook & Evans 1972, Biometrika 59:539-549). At an expectation of one
//! half the scores are +12 and -16 units and the limit 184: the same as +3, -4 and 46.
//!
//! It finds a change that lasts a season. It is not made for one bad thaw or a warmed tank, and no verdict on anybody.

/// What the odds fall to: from even ones, 50 %, to 35 in 65.
pub const ODDS_RATIO: f64 = 0.35 / 0.65;

/// Where it alarms. At an expectation of one half a false alarm comes every 1221 services on the average, and a fall to 35 %
/// is found after 69.
pub const LIMIT: i64 = 184;

/// The log likelihood that one unit stands for: ln(0.65 / 0.5) / 12.
const UNIT: f64 = 0.262_364_264_467_491_06 / 12.0;

/// What a service adds, in units.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Scores {
    /// Added when she did not conceive.
    pub up: i64,
    /// Taken off when she did.
    pub down: i64,
}

/// The rate to which an expected rate falls.
pub fn fallen(expected: f64) -> f64 {
    let odds = expected / (1.0 - expected) * ODDS_RATIO;
    odds / (1.0 + odds)
}

/// The log likelihood ratios of an expected rate: of a service that took, and of one that did not.
pub fn log_likelihoods(expected: f64) -> (f64, f64) {
    let fallen = fallen(expected);
    ((fallen / expected).ln(), ((1.0 - fallen) / (1.0 - expected)).ln())
}

/// The scores of a service of which that rate is expected; the rate lies between 0.02 and 0.98.
pub fn scores(expected: f64) -> Scores {
    let (took, not) = log_likelihoods(expected.clamp(0.02, 0.98));
    #[expect(clippy::cast_possible_truncation, reason = "a few dozen units")]
    let units = |ratio: f64| (ratio.abs() / UNIT).round() as i64;
    Scores { up: units(not), down: units(took) }
}

/// The sum over services in their order.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Cusum {
    /// The sum, in units; never below 0 nor above the limit.
    pub sum: i64,
    /// Whether it alarms: from the limit on, until it has fallen to half of it.
    pub alarm: bool,
}

impl Cusum {
    /// Takes up what came of a service; says whether the alarm begins with it.
    pub fn add(&mut self, scores: Scores, conceived: bool) -> bool {
        let score = if conceived { -scores.down } else { scores.up };
        self.sum = (self.sum + score).clamp(0, LIMIT);
        let begins = !self.alarm && self.sum >= LIMIT;
        self.alarm = begins || (self.alarm && self.sum > LIMIT / 2);
        begins
    }
}

/// Services of one expectation in a mix: their share, how probably such a service takes, and its scores.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// Of all services; the shares sum to one.
    pub share: f64,
    /// How probably it takes.
    pub takes: f64,
    /// What it adds.
    pub scores: Scores,
}

/// How many services it takes on the average from 0 to an alarm at `limit`, exactly; infinite where it never comes.
pub fn run_length(mix: &[Share], limit: i64) -> f64 {
    let states = usize::try_from(limit).unwrap_or(0);
    let band = mix.iter().flat_map(|part| [part.scores.up, part.scores.down]).max().unwrap_or(0);
    let band = usize::try_from(band).unwrap_or(0).min(states);
    // (I - Q) x = 1, where x is the length from each sum.
    let mut rows: Vec<Vec<f64>> = Vec::with_capacity(states);
    for (state, from) in (0..states).zip(0_i64..) {
        let mut row = vec![0.0; states + 1];
        row[state] += 1.0;
        row[states] = 1.0;
        for part in mix {
            for (probability, score) in [(part.takes, -part.scores.down), (1.0 - part.takes, part.scores.up)]
            {
                let to = (from + score).max(0);
                if let Some(place) = usize::try_from(to).ok().filter(|to| *to < states) {
                    row[place] -= part.share * probability;
                }
            }
        }
        rows.push(row);
    }
    // The matrix is a band and its diagonal outweighs the rest, so it is eliminated without exchanging rows.
    for pivot in 0..states {
        let (above, below) = rows.split_at_mut(pivot + 1);
        let own = &above[pivot];
        if own[pivot] < 1e-13 {
            return f64::INFINITY;
        }
        for row in below.iter_mut().take(band) {
            let factor = row[pivot] / own[pivot];
            if factor != 0.0 {
                for place in (pivot..states.min(pivot + band + 1)).chain([states]) {
                    row[place] -= factor * own[place];
                }
            }
        }
    }
    let mut lengths = vec![0.0; states];
    for state in (0..states).rev() {
        let row = &rows[state];
        let known: f64 =
            (state + 1..states.min(state + band + 1)).map(|place| row[place] * lengths[place]).sum();
        lengths[state] = (row[states] - known) / row[state];
    }
    lengths.first().copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn one(takes: f64, up: i64, down: i64) -> [Share; 1] {
        [Share { share: 1.0, takes, scores: Scores { up, down } }]
    }

    #[test]
    fn the_run_length_is_the_markov_chains() {
        // Worked out by numpy.linalg.solve on the absorbing chain (tests/reference/cusum.py).
        let near =
            |got: f64, wanted: f64| assert!((got / wanted - 1.0).abs() < 5e-5, "{got} is not {wanted}");
        near(run_length(&one(0.5, 3, 4), 46), 1220.9);
        assert!((run_length(&one(0.35, 3, 4), 46) - 69.0).abs() < 0.05);
        near(run_length(&one(0.5, 3, 4), 52), 2_071.970_866);
        near(run_length(&one(0.35, 3, 4), 52), 79.856_353);
        // In finer units it is the same chain.
        near(run_length(&one(0.5, 12, 16), 184), 1220.9);
    }

    #[test]
    fn at_one_half_the_scores_are_three_to_four() {
        assert_eq!(scores(0.5), Scores { up: 12, down: 16 });
        let (took, not) = log_likelihoods(0.5);
        // ln(0.35 / 0.5) and ln(0.65 / 0.5).
        assert!(
            (took - -0.356_674_943_938_732_45).abs() < 1e-12
                && (not - 0.262_364_264_467_491_06).abs() < 1e-12
        );
        assert!((fallen(0.5) - 0.35).abs() < 1e-12);
    }

    #[test]
    fn it_opens_at_the_limit_and_clears_at_half_of_it() {
        let (mut cusum, half) = (Cusum::default(), scores(0.5));
        // Sixteen failures in a row: 16 x 12 = 192 is beyond 184, 15 x 12 is not.
        let begins: Vec<bool> = (0..17).map(|_| cusum.add(half, false)).collect();
        assert_eq!(begins.iter().position(|begins| *begins), Some(15));
        assert_eq!(begins.iter().filter(|begins| **begins).count(), 1);
        for _ in 0..5 {
            cusum.add(half, true);
        }
        assert!(cusum.alarm, "184 - 80 is more than 92");
        cusum.add(half, true);
        assert!(!cusum.alarm, "88 is not");
        for _ in 0..20 {
            cusum.add(half, true);
        }
        assert_eq!(cusum.sum, 0);
    }

    proptest! {
        #[test]
        fn what_falls_is_found_sooner(p in 0.1..0.9_f64, limit in 20..120_i64) {
            let own = scores(p);
            let steady = run_length(&[Share { share: 1.0, takes: p, scores: own }], limit);
            let falling = run_length(&[Share { share: 1.0, takes: fallen(p), scores: own }], limit);
            prop_assert!(falling < steady);
            prop_assert!(falling >= f64::from(i32::try_from(limit / own.up).unwrap()));
            // A mix of two alike is neither more nor less.
            let two = [0.3, 0.7].map(|share| Share { share, takes: p, scores: own });
            prop_assert!((run_length(&two, limit) / steady - 1.0).abs() < 1e-6);
        }
    }
}
