//! Level now, loss a day, when the minimum is reached: from a bank of filters to a figure with its interval.
//!
//! Of each filter, `h` days ahead and at even steps `z` of a standard normal with weights w:
//!
//! ```text
//! V_r = P_rr + tau^2 h / 3     c = P_Lr / V_r     V = P_LL - P_Lr^2 / V_r     r = exp(rho + sqrt(V_r) z)
//! P(reached by h) = sum of w Phi( (L_min - (L + c sqrt(V_r) z) + r h) / sqrt(V + (kappa r)^2 h) )
//! ```
//!
//! mixed over the bank. **Openings are part of the loss here**, not counted: the bank is made without them. Counting them
//! predicts the past better and the future worse, because how often the tank will be opened is not known: in the trial
//! the 90 % interval then holds in 81-88 % of the tanks with three refills or more behind them, and once it is widened by
//! what is not known of the openings to come it is no narrower than this one. The watch for a failing tank looks back and
//! counts them.

use crate::domain::nitrogen::{
    filter::{Bank, Filter},
    normal::{NODES, passes, phi},
    outlook::Interval,
};

/// Further ahead than this nothing is told, in days: ten years.
pub const FURTHEST_DAYS: f64 = 3650.0;
/// The ends and the middle of a 90 % interval.
const ENDS: [f64; 3] = [0.05, 0.5, 0.95];

/// The chance that the level has fallen to `min_mm` in so many days.
pub fn reached_by(bank: &Bank, min_mm: f64, days: f64) -> f64 {
    bank.mix(|filter| {
        let v_r = filter.p_rr + filter.tau * filter.tau * days / 3.0;
        let sd_r = v_r.sqrt();
        let lean = filter.p_lr / sd_r;
        let v = (filter.p_ll - lean * lean).max(1e-9);
        NODES
            .iter()
            .map(|(z, weight)| {
                let r = (filter.rho + sd_r * z).exp();
                let spread = v + (filter.kappa * r).powi(2) * days;
                weight * phi((min_mm - filter.level_mm - lean * z + r * days) / spread.sqrt())
            })
            .sum()
    })
}

/// In how many days the level has fallen to `min_mm` with chance `chance`; none beyond [`FURTHEST_DAYS`].
pub fn days_until(bank: &Bank, min_mm: f64, chance: f64) -> Option<f64> {
    let reached = |days| reached_by(bank, min_mm, days);
    let (mut before, mut by) = (0.0, 1.0);
    while reached(by) < chance {
        before = by;
        by *= 2.0;
        if before >= FURTHEST_DAYS {
            return None;
        }
    }
    let days = passes(reached, chance, before, by, 1e-7);
    (days <= FURTHEST_DAYS).then_some(days)
}

/// The level, in millimetres of a straight tank, from 0 to `ceiling`.
pub fn level(bank: &Bank, ceiling: f64) -> Interval {
    interval(bank, |filter| (filter.level_mm, filter.p_ll.sqrt())).map(|level| level.clamp(0.0, ceiling))
}

/// The loss that is told is the mean of so many days to come.
pub const LOSS_DAYS: f64 = 14.0;

/// The mean loss of the next [`LOSS_DAYS`] days, openings included, in millimetres of a straight tank a day: what the
/// loss drifts and how single days differ until then is in it.
pub fn loss(bank: &Bank) -> Interval {
    let variance = |filter: &Filter| {
        filter.p_rr + filter.tau.powi(2) * LOSS_DAYS / 3.0 + filter.kappa.powi(2) / LOSS_DAYS
    };
    interval(bank, |filter| (filter.rho, variance(filter).sqrt())).map(f64::exp)
}

/// The interval of a quantity of which `of` tells mean and standard deviation in a filter, normal in each.
fn interval(bank: &Bank, of: impl Fn(&Filter) -> (f64, f64)) -> Interval {
    let below = |x: f64| {
        bank.mix(|filter| {
            let (mean, sd) = of(filter);
            phi((x - mean) / sd.max(1e-9))
        })
    };
    let reach = bank.filters.iter().map(|filter| {
        let (mean, sd) = of(filter);
        (mean - 9.0 * sd, mean + 9.0 * sd)
    });
    let (low, high) = reach.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), (least, most)| {
        (f64::min(low, least), f64::max(high, most))
    });
    let [low, estimate, high] = ENDS.map(|chance| passes(below, chance, low, high, 1e-9));
    Interval { low, estimate, high }
}
