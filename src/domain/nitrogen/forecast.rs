//! Level now, loss a day, when the minimum is reached: from a bank of filters to a figure with its interval.
//!
//! With openings at their recent mean rate, u = days (1 + omega openings a day) is the shut loss that a horizon costs.
//! Of each filter, V_r = P_rr + tau^2 u / 3, c = P_Lr / V_r, V = P_LL - P_Lr^2 / V_r, and at the nodes z_i of a
//! Gauss-Hermite rule r_i = exp(rho + sqrt(V_r) z_i):
//!
//! ```text
//! P(reached by) = sum w_i Phi( (L_min - (L + c sqrt(V_r) z_i) + r_i u) / sqrt(V + (kappa r_i)^2 u) )
//! ```
//!
//! mixed over the bank. That openings go on as in the last weeks is assumed; it is what the forecast rests on most when
//! little has been learned yet.

use super::{
    filter::{Bank, Filter},
    normal::{NODES, passes, phi},
    outlook::Interval,
};

/// Further ahead than this nothing is told, in days: ten years.
pub const FURTHEST_DAYS: f64 = 3650.0;
/// The ends and the middle of a 90 % interval.
const ENDS: [f64; 3] = [0.05, 0.5, 0.95];

/// The chance that the level has fallen to `min_mm` in so many days.
pub fn reached_by(bank: &Bank, min_mm: f64, openings_per_day: f64, days: f64) -> f64 {
    bank.mix(|filter| {
        let u = days * (1.0 + filter.omega_days * openings_per_day);
        let v_r = filter.p_rr + filter.tau * filter.tau * u / 3.0;
        let sd_r = v_r.sqrt();
        let lean = filter.p_lr / sd_r;
        let v = (filter.p_ll - lean * lean).max(1e-9);
        NODES
            .iter()
            .map(|(z, weight)| {
                let r = (filter.rho + sd_r * z).exp();
                let spread = v + (filter.kappa * r).powi(2) * u;
                weight * phi((min_mm - filter.level_mm - lean * z + r * u) / spread.sqrt())
            })
            .sum()
    })
}

/// In how many days the level has fallen to `min_mm` with chance `chance`; none beyond [`FURTHEST_DAYS`].
pub fn days_until(bank: &Bank, min_mm: f64, openings_per_day: f64, chance: f64) -> Option<f64> {
    let reached = |days| reached_by(bank, min_mm, openings_per_day, days);
    let (mut before, mut by) = (0.0, 1.0);
    while reached(by) < chance {
        before = by;
        by *= 2.0;
        if before >= FURTHEST_DAYS {
            return None;
        }
    }
    let days = passes(reached, chance, before, by, 1e-9);
    (days <= FURTHEST_DAYS).then_some(days)
}

/// The level, in millimetres of a straight tank, from 0 to `ceiling`.
pub fn level(bank: &Bank, ceiling: f64) -> Interval {
    interval(bank, |filter| (filter.level_mm, filter.p_ll.sqrt())).map(|level| level.clamp(0.0, ceiling))
}

/// The loss in millimetres of a straight tank a day, openings at that rate included.
pub fn loss(bank: &Bank, openings_per_day: f64) -> Interval {
    interval(bank, |filter| {
        (filter.rho + (1.0 + filter.omega_days * openings_per_day).ln(), filter.p_rr.sqrt())
    })
    .map(f64::exp)
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
    let [low, likely, high] = ENDS.map(|chance| passes(below, chance, low, high, 1e-9));
    Interval { low, likely, high }
}
