//! A bank of filters follows level and loss through the readings.
//!
//! One filter holds the level L in millimetres and rho, the logarithm of the loss when shut in millimetres a day.
//! Between two events `days` apart with `openings` between them
//!
//! ```text
//! u = days + omega openings      omega: days of shut loss that one opening costs
//! r = exp(rho)                   L falls by r u
//! P_LL += -2 r u P_Lr + r^2 u^2 P_rr + (kappa r)^2 u + r^2 tau^2 u^3 / 3
//! P_Lr += -r u P_rr - r tau^2 u^2 / 2
//! P_rr += tau^2 u
//! ```
//!
//! (an extended Kalman filter; tau: how fast the loss drifts; kappa: how much single days differ). How well the rod is
//! read (sigma), how restless the tank is (tau and kappa) and what an opening costs (omega) are not known, so
//! there is one filter for every combination, weighted by how well it predicted the readings.
//!
//! Assumed, not measured: the values and prior weights of every [`Grid`] and the priors of [`Prior`]. They were chosen on simulated tanks; `docs/nitrogen.md` shows how they do.

use crate::domain::nitrogen::{
    chart::DepthChart,
    normal::{density, phi, phi_inverse},
};

/// How restless the loss is taken to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Restless {
    /// Drift of the logarithm of the loss, per square root of a day.
    pub tau: f64,
    /// Difference between single days, as a share of the loss, per square root of a day.
    pub kappa: f64,
}

/// Values and their prior weights.
pub type Weighted = &'static [(f64, f64)];

/// The filters of a bank: one for every combination, each value with its prior weight.
#[derive(Clone, Debug, PartialEq)]
pub struct Grid {
    /// Standard deviation of a reading in millimetres.
    pub sigmas_mm: Weighted,
    /// How restless the loss is.
    pub restless: Vec<(Restless, f64)>,
    /// Days of shut loss that one opening costs.
    pub omegas_days: Weighted,
}

/// How well a rod or a sensor is read.
const SIGMAS_MM: Weighted = &[(3.0, 0.35), (5.0, 0.45), (8.0, 0.15), (13.0, 0.05)];
/// The same for the forecast, which a good rod makes narrower.
const FORECAST_SIGMAS_MM: Weighted = &[(1.5, 0.05), (3.0, 0.3), (5.0, 0.45), (8.0, 0.15), (13.0, 0.05)];
/// What an opening costs, where openings are on record.
const OMEGAS_DAYS: Weighted = &[(0.0, 0.2), (0.1, 0.3), (0.3, 0.3), (0.9, 0.2)];
/// The same where they are not.
const NO_OMEGA: Weighted = &[(0.0, 1.0)];

fn omegas(ledger: bool) -> Weighted {
    if ledger { OMEGAS_DAYS } else { NO_OMEGA }
}

impl Grid {
    fn product(taus: Weighted, kappas: Weighted) -> Vec<(Restless, f64)> {
        let pair = |&(tau, tau_weight): &(f64, f64)| {
            kappas.iter().map(move |&(kappa, weight)| (Restless { tau, kappa }, tau_weight * weight))
        };
        taus.iter().flat_map(pair).collect()
    }

    /// For the failing test, with openings on record or without: hardly drifts, so that a rise stands out.
    pub fn test(ledger: bool) -> Self {
        let restless = if ledger {
            Self::product(&[(0.004, 0.4), (0.012, 0.4), (0.03, 0.2)], &[(0.25, 0.6), (0.7, 0.4)])
        } else {
            Self::product(&[(0.006, 0.2), (0.02, 0.4), (0.06, 0.4)], &[(0.25, 0.5), (0.7, 0.5)])
        };
        Self { sigmas_mm: SIGMAS_MM, restless, omegas_days: omegas(ledger) }
    }

    /// For the loss as it is, beside what it was.
    pub fn follow(ledger: bool) -> Self {
        let restless = [(0.7, 0.4), (1.3, 0.4), (2.6, 0.2)]
            .map(|(scale, weight)| (Restless { tau: 0.02 * scale, kappa: 0.3 * scale }, weight));
        Self { sigmas_mm: SIGMAS_MM, restless: restless.to_vec(), omegas_days: omegas(ledger) }
    }

    /// For level, loss and date. Openings are part of the loss here ([`super::forecast`]).
    pub fn forecast() -> Self {
        let restless =
            Self::product(&[(0.001, 0.4), (0.02, 0.3), (0.07, 0.3)], &[(0.04, 0.4), (0.3, 0.3), (0.8, 0.3)]);
        Self { sigmas_mm: FORECAST_SIGMAS_MM, restless, omegas_days: NO_OMEGA }
    }
}

/// A filter of less weight than this is dropped.
const NEGLIGIBLE: f64 = 1e-9;
/// The loss stays within these, in millimetres a day: the least that is a loss, and a tank that empties in minutes.
const LEAST_LOSS: f64 = 1e-3;
const MOST_LOSS: f64 = 1e5;
/// No variance falls below this, whatever rounding does.
const LEAST_VARIANCE: f64 = 1e-12;

/// What is supposed of the loss before the first reading: lognormal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Its median when shut, in millimetres a day.
    pub median_mm_per_day: f64,
    /// Standard deviation of its logarithm.
    pub sd_log: f64,
}

impl Prior {
    /// From the rated loss in millimetres a day. A tank at work loses about 1.15 times its rated loss when shut; where
    /// openings are not counted they are in the loss itself, hence 1.7 (assumed, both).
    pub fn of_rated(rated_mm_per_day: f64, openings_known: bool) -> Self {
        let factor = if openings_known { 1.15 } else { 1.7 };
        Self { median_mm_per_day: factor * rated_mm_per_day, sd_log: 0.33 }
    }

    /// Of any tank: 4 mm a day (assumed).
    pub const ANY_TANK: Self = Self { median_mm_per_day: 4.0, sd_log: 0.8 };
}

/// One filter.
#[derive(Clone, Debug, PartialEq)]
pub struct Filter {
    /// Its share of the bank.
    pub weight: f64,
    /// Standard deviation of a reading in millimetres.
    pub sigma_mm: f64,
    /// Drift of the logarithm of the loss.
    pub tau: f64,
    /// Difference between single days.
    pub kappa: f64,
    /// Days of shut loss that one opening costs.
    pub omega_days: f64,
    /// Level in millimetres.
    pub level_mm: f64,
    /// Logarithm of the loss when shut, in millimetres a day.
    pub rho: f64,
    /// Variance of the level.
    pub p_ll: f64,
    /// Covariance of both.
    pub p_lr: f64,
    /// Variance of `rho`.
    pub p_rr: f64,
    /// Whether it supposes that the loss has lately risen ([`Bank::supposing`]).
    pub risen: bool,
}

impl Filter {
    /// Loss when shut, in millimetres a day.
    pub fn loss(&self) -> f64 {
        self.rho.exp()
    }

    fn pass(&mut self, days: f64, openings: f64) {
        let u = days + self.omega_days * openings;
        let r = self.loss();
        let (r2, tau2) = (r * r, self.tau * self.tau);
        self.level_mm -= r * u;
        self.p_ll += u
            * (-2.0 * r * self.p_lr
                + r2 * u * self.p_rr
                + self.kappa * self.kappa * r2
                + r2 * tau2 * u * u / 3.0);
        self.p_lr -= r * u * (self.p_rr + tau2 * u / 2.0);
        self.p_rr += tau2 * u;
    }

    fn anchor(&mut self, sighting: Sighting) {
        self.level_mm = sighting.level_mm;
        self.p_ll = self.noise(sighting);
        self.p_lr = 0.0;
    }

    fn noise(&self, sighting: Sighting) -> f64 {
        let sigma = self.sigma_mm * sighting.stretch;
        sigma * sigma
    }

    /// Error and variance of a sighting as this filter predicts it.
    fn predicted(&self, sighting: Sighting) -> (f64, f64) {
        (sighting.level_mm - self.level_mm, self.p_ll + self.noise(sighting))
    }

    fn learn(&mut self, sighting: Sighting) {
        let (error, variance) = self.predicted(sighting);
        let (gain_l, gain_r) = (self.p_ll / variance, self.p_lr / variance);
        self.level_mm += gain_l * error;
        self.rho = (self.rho + gain_r * error).clamp(LEAST_LOSS.ln(), MOST_LOSS.ln());
        self.p_rr = (self.p_rr - gain_r * self.p_lr).max(LEAST_VARIANCE);
        self.p_lr -= gain_l * self.p_lr;
        self.p_ll = (self.p_ll - gain_l * self.p_ll).max(LEAST_VARIANCE);
    }
}

/// A level that was seen, as the filters take it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sighting {
    /// Level in millimetres of a straight tank ([`Straight`]).
    pub level_mm: f64,
    /// How many millimetres of a straight tank one millimetre on the rod is, there.
    pub stretch: f64,
}

/// Depths as they would be in a tank with straight walls and the same full depth and litres, in which a steady
/// evaporation lowers the level steadily. The filters work in these; without a chart a depth is taken as it is.
#[derive(Clone, Copy, Debug)]
pub struct Straight<'c>(pub Option<&'c DepthChart>);

impl Straight<'_> {
    /// From the depth on the rod.
    pub fn level_mm(self, depth_mm: f64) -> f64 {
        self.0.map_or(depth_mm, |chart| chart.litres(depth_mm) / chart.mean_slope_l_per_mm())
    }

    /// A reading.
    pub fn sighting(self, depth_mm: f64) -> Sighting {
        // Where the chart is flat the rod tells nothing of the litres: the least stretch keeps it of this world.
        let stretch =
            self.0.map_or(1.0, |chart| chart.slope_l_per_mm(depth_mm) / chart.mean_slope_l_per_mm()).max(0.1);
        Sighting { level_mm: self.level_mm(depth_mm), stretch }
    }

    /// Back to the depth on the rod.
    pub fn depth_mm(self, level_mm: f64) -> f64 {
        self.0.map_or(level_mm, |chart| chart.depth_mm(level_mm * chart.mean_slope_l_per_mm()))
    }

    /// Litres, with a chart.
    pub fn litres(self, level_mm: f64) -> Option<f64> {
        self.0.map(|chart| (level_mm * chart.mean_slope_l_per_mm()).clamp(0.0, chart.capacity_l()))
    }
}

/// Filters, weighted; their weights sum to 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Bank {
    /// The filters.
    pub filters: Vec<Filter>,
}

impl Bank {
    /// Before the first reading.
    pub fn new(prior: Prior, grid: &Grid) -> Self {
        let mut filters =
            Vec::with_capacity(grid.sigmas_mm.len() * grid.restless.len() * grid.omegas_days.len());
        for &(omega_days, omega_weight) in grid.omegas_days {
            for &(sigma_mm, sigma_weight) in grid.sigmas_mm {
                for &(Restless { tau, kappa }, weight) in &grid.restless {
                    filters.push(Filter {
                        weight: omega_weight * sigma_weight * weight,
                        sigma_mm,
                        tau,
                        kappa,
                        omega_days,
                        level_mm: 0.0,
                        rho: prior.median_mm_per_day.clamp(LEAST_LOSS, MOST_LOSS).ln(),
                        p_ll: 0.0,
                        p_lr: 0.0,
                        p_rr: prior.sd_log * prior.sd_log,
                        risen: false,
                    });
                }
            }
        }
        Self { filters }
    }

    /// Time passes and the tank is opened so many times.
    pub fn pass(&mut self, days: f64, openings: f64) {
        self.filters.iter_mut().for_each(|filter| filter.pass(days, openings));
    }

    /// Takes a level as the first after a refill: whatever stood there before is forgotten, the loss is kept.
    pub fn anchor(&mut self, sighting: Sighting) {
        self.filters.iter_mut().for_each(|filter| filter.anchor(sighting));
    }

    /// The chance, as predicted, of a level at or below this one.
    pub fn chance_below(&self, sighting: Sighting) -> f64 {
        self.mix(|filter| {
            let (error, variance) = filter.predicted(sighting);
            phi(error / variance.sqrt())
        })
    }

    /// By how many standard deviations a level is lower than predicted; negative when it is higher.
    pub fn lower_by_sd(&self, sighting: Sighting) -> f64 {
        -phi_inverse(self.chance_below(sighting))
    }

    /// How well it predicted a level: the density there, a millimetre.
    pub fn likelihood(&self, sighting: Sighting) -> f64 {
        self.mix(|filter| {
            let (error, variance) = filter.predicted(sighting);
            density(error, variance)
        })
    }

    /// Learns from a level: every filter from its error, the bank which filter predicted best.
    pub fn learn(&mut self, sighting: Sighting) {
        let squares = |filter: &Filter| {
            let (error, variance) = filter.predicted(sighting);
            error * error / variance
        };
        // Measured from the best, so that a level that nobody predicted leaves somebody standing.
        let best = self.filters.iter().map(squares).fold(f64::INFINITY, f64::min);
        for filter in &mut self.filters {
            let (_, variance) = filter.predicted(sighting);
            filter.weight *= ((best - squares(filter)) / 2.0).exp() / variance.sqrt();
            filter.learn(sighting);
        }
        self.tidy();
    }

    /// The same tank, supposing that `sighting` is right although it was not predicted: the level is taken from it, and
    /// the loss is what it was or, if the level is lower than predicted, may have risen to any of `risen` times that.
    #[must_use]
    pub fn supposing(&self, sighting: Sighting, risen: &[f64]) -> Self {
        let mut filters = Vec::with_capacity(self.filters.len() * (1 + risen.len()));
        let share = 1.0 / count(1 + risen.len());
        for filter in self.filters.iter().filter(|filter| filter.weight > 1e-4) {
            for times in std::iter::once(&1.0).chain(risen) {
                let mut filter = filter.clone();
                filter.anchor(sighting);
                filter.rho += times.ln();
                filter.weight *= share;
                filter.risen = *times > 1.0;
                if filter.risen {
                    filter.p_rr += SPREAD_OF_RISEN * SPREAD_OF_RISEN;
                }
                filters.push(filter);
            }
        }
        let mut bank = Self { filters };
        bank.tidy();
        bank
    }

    /// This and another, half and half.
    #[must_use]
    pub fn or(&self, other: &Self) -> Self {
        let mut filters = [self.filters.as_slice(), &other.filters].concat();
        for filter in &mut filters {
            filter.weight /= 2.0;
        }
        Self { filters }
    }

    /// The same tank with another loss: its logarithm more by `by`, give or take `sd`.
    #[must_use]
    pub fn shifted(&self, by: f64, sd: f64) -> Self {
        let mut bank = self.clone();
        for filter in &mut bank.filters {
            filter.rho += by;
            filter.p_rr += sd * sd;
        }
        bank
    }

    /// The filters that suppose a risen loss and the others, each a bank of its own with the weight that it had here.
    pub fn split(&self) -> [Option<(Self, f64)>; 2] {
        let part = |risen: bool| {
            let filters: Vec<_> = self.filters.iter().filter(|one| one.risen == risen).cloned().collect();
            let weight: f64 = filters.iter().map(|filter| filter.weight).sum();
            (weight > 0.0).then(|| {
                let mut bank = Self { filters };
                bank.tidy();
                (bank, weight)
            })
        };
        [part(true), part(false)]
    }

    /// Mean and variance of rho.
    pub fn rho(&self) -> (f64, f64) {
        let mean = self.mix(|filter| filter.rho);
        let variance = self.mix(|filter| filter.p_rr + (filter.rho - mean).powi(2));
        (mean, variance)
    }

    /// The weighted mean of something.
    pub fn mix(&self, of: impl Fn(&Filter) -> f64) -> f64 {
        self.filters.iter().map(|filter| filter.weight * of(filter)).sum()
    }

    /// Makes the weights sum to 1 and drops who has none.
    fn tidy(&mut self) {
        let sum: f64 = self.filters.iter().map(|filter| filter.weight).sum();
        self.filters.iter_mut().for_each(|filter| filter.weight /= sum);
        self.filters.retain(|filter| filter.weight > NEGLIGIBLE);
    }
}

/// Standard deviation of the logarithm around each multiple of a risen loss: half the way to the next.
const SPREAD_OF_RISEN: f64 = 0.35;

/// A small count as a number to reckon with.
#[expect(clippy::cast_precision_loss, reason = "counts of openings, readings and filters are far below 2^52")]
pub fn count(number: usize) -> f64 {
    number as f64
}
