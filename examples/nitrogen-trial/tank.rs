//! A simulated tank and the people who use it: all of it assumed, none of it measured.
//!
//! Rated loss 0.8-8 mm a day (log-uniform); really lost when shut about 1.15 times that; openings add 15-140 % on
//! average, by season and in bursts, each opening costing more or less; the shut loss drifts, follows the seasons a
//! little, and differs from day to day; the rod is read with an error of 3-13 mm (standard deviation, log-uniform) and
//! rounded to 5 or 10 mm.

use std::f64::consts::TAU;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rand_distr::{Distribution, Gamma, LogNormal, Normal, Poisson};
use tankside::domain::nitrogen::{
    filter::{Prior, Straight, count},
    history::{Event, What},
};

/// Chance, by a seed and the number of a tank: the same on every machine and in any order.
pub struct Chance(ChaCha8Rng);

impl Chance {
    pub fn new(seed: u64, tank: u64) -> Self {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        chance.set_stream(tank);
        Self(chance)
    }

    /// Uniform from `low` to `high`.
    #[expect(clippy::cast_precision_loss, reason = "53 bits of chance are exact")]
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        let unit = (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
        low + (high - low) * unit
    }

    /// Uniform in the logarithm.
    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    pub fn happens(&mut self, chance: f64) -> bool {
        self.between(0.0, 1.0) < chance
    }

    #[expect(clippy::expect_used, reason = "the parameters are fixed in this file")]
    pub fn draw(&mut self, from: Result<impl Distribution<f64>, impl std::fmt::Debug>) -> f64 {
        from.expect("a distribution of sensible parameters").sample(&mut self.0)
    }

    pub fn normal(&mut self, sd: f64) -> f64 {
        self.draw(Normal::new(0.0, sd))
    }

    /// Lognormal with mean 1 and a standard deviation of about `spread`.
    fn about_one(&mut self, spread: f64) -> f64 {
        self.draw(LogNormal::new(-spread * spread / 2.0, spread))
    }
}

/// What the tank is like.
#[derive(Clone, Debug)]
pub struct Kind {
    pub rated_mm_per_day: f64,
    pub full_mm: f64,
    pub min_mm: f64,
    /// Really lost when shut, before drift.
    pub shut_mm_per_day: f64,
    pub openings_per_day: f64,
    /// Days of shut loss that one opening costs on average.
    pub opening_costs_days: f64,
    /// How much openings come in bursts: 0 evenly.
    bursts: f64,
    season: f64,
    season_phase: f64,
    drift: f64,
    day_spread: f64,
    /// Standard deviation of a reading.
    pub sigma_mm: f64,
    rounded_to_mm: f64,
}

impl Kind {
    pub fn any(chance: &mut Chance) -> Self {
        let rated_mm_per_day = chance.log_between(0.8, 8.0);
        let added = chance.between(0.15, 1.4);
        // An opening costs at most a day and a half of shut loss.
        let openings_per_day = chance.log_between((added / 1.5).max(0.3), 8.0);
        Self {
            rated_mm_per_day,
            full_mm: chance.between(350.0, 450.0),
            min_mm: 150.0,
            shut_mm_per_day: rated_mm_per_day * 1.15 * chance.about_one(0.25),
            openings_per_day,
            opening_costs_days: added / openings_per_day,
            bursts: chance.between(0.0, 1.5),
            season: chance.between(0.0, 0.6),
            season_phase: chance.between(0.0, TAU),
            drift: chance.log_between(0.001, 0.01),
            day_spread: chance.log_between(0.05, 0.4),
            sigma_mm: chance.log_between(3.0, 13.0),
            rounded_to_mm: if chance.happens(0.5) { 5.0 } else { 10.0 },
        }
    }

    /// Days from full to the minimum, on average.
    pub fn lasts_days(&self) -> f64 {
        let used = 1.0 + self.openings_per_day * self.opening_costs_days;
        (self.full_mm - self.min_mm) / (self.shut_mm_per_day * used)
    }

    pub fn prior(&self, openings_known: bool) -> Prior {
        Prior::of_rated(self.rated_mm_per_day, openings_known)
    }
}

/// A tank at work.
#[derive(Clone)]
pub struct Tank {
    pub kind: Kind,
    chance: Chance,
    pub now_days: f64,
    pub level_mm: f64,
    /// The shut loss is so many times what it was: a failing vacuum.
    pub failing: f64,
    drifted: f64,
    day: i64,
    loss_today: f64,
    /// When the openings of today are, in days.
    openings_today: Vec<f64>,
    openings_since: f64,
    last_event_days: f64,
}

impl Clone for Chance {
    fn clone(&self) -> Self {
        Self(self.0.clone())
    }
}

impl Tank {
    pub fn new(kind: Kind, chance: Chance) -> Self {
        let mut tank = Self {
            level_mm: kind.full_mm,
            kind,
            chance,
            now_days: 0.0,
            failing: 1.0,
            drifted: 0.0,
            day: 0,
            loss_today: 0.0,
            openings_today: Vec::new(),
            openings_since: 0.0,
            last_event_days: 0.0,
        };
        tank.begin_day();
        tank
    }

    #[expect(clippy::cast_precision_loss, reason = "days of some years")]
    fn begin_day(&mut self) {
        let kind = &self.kind;
        let chance = &mut self.chance;
        let season = (TAU * self.day as f64 / 365.0 + kind.season_phase).sin();
        let busy = kind.openings_per_day * (1.0 + kind.season * season);
        let busy = if kind.bursts > 0.05 {
            let shape = 1.0 / kind.bursts;
            busy * chance.draw(Gamma::new(shape, 1.0 / shape))
        } else {
            busy
        };
        let openings = if busy > 1e-6 { chance.draw(Poisson::new(busy)) } else { 0.0 };
        let mut cost = 0.0;
        self.openings_today.clear();
        let mut left = openings;
        while left > 0.5 {
            cost += kind.opening_costs_days * chance.about_one(0.5);
            self.openings_today.push(self.day as f64 + chance.between(0.25, 0.75));
            left -= 1.0;
        }
        self.openings_today.sort_by(f64::total_cmp);
        // The drift is drawn back to 0 over half a year.
        self.drifted = self.drifted * (1.0 - 1.0 / 180.0) + chance.normal(kind.drift);
        let shut = kind.shut_mm_per_day * self.drifted.exp() * (1.0 + 0.05 * season);
        self.loss_today = shut * chance.about_one(kind.day_spread) * (self.failing + cost);
    }

    /// Lets time pass; stops at once when the level reaches `stop_mm`, and says whether it did.
    #[expect(clippy::cast_precision_loss, reason = "days of some years")]
    pub fn pass(&mut self, days: f64, stop_mm: f64) -> bool {
        let until = self.now_days + days;
        while self.now_days < until {
            let day_ends = (self.day + 1) as f64;
            let to = until.min(day_ends);
            let after = self.level_mm - self.loss_today * (to - self.now_days);
            if after <= stop_mm {
                self.now_days += (self.level_mm - stop_mm) / self.loss_today;
                self.level_mm = stop_mm;
                return true;
            }
            let opened = self.openings_today.iter().filter(|at| **at > self.now_days && **at <= to);
            self.openings_since += count(opened.count());
            self.level_mm = after.max(0.0);
            self.now_days = to;
            if to >= day_ends {
                self.day += 1;
                self.begin_day();
            }
        }
        false
    }

    /// Its vacuum begins to fail: the shut loss of what is left of today rises too.
    pub fn fail(&mut self, times: f64) {
        let shut = self.kind.shut_mm_per_day * self.drifted.exp();
        self.loss_today += (times - self.failing) * shut;
        self.failing = times;
    }

    /// What the rod shows, `wrong_mm` beside what it should.
    pub fn dip(&mut self, wrong_mm: f64) -> Event {
        let seen = self.level_mm + wrong_mm + self.chance.normal(self.kind.sigma_mm);
        let step = self.kind.rounded_to_mm;
        let level_mm = ((seen / step).round() * step).clamp(0.0, self.kind.full_mm + 30.0);
        self.event(What::Read { level_mm, stands_for: 1 })
    }

    /// The median of a sensor's day, which is off by a millimetre.
    pub fn sense(&mut self) -> Event {
        let level_mm = (self.level_mm + self.chance.normal(1.0)).max(0.0);
        self.event(What::Read { level_mm, stands_for: 24 })
    }

    /// Fills it up.
    pub fn refill(&mut self) -> Event {
        self.level_mm = self.kind.full_mm * self.chance.between(0.93, 1.0);
        self.event(What::Refill)
    }

    fn event(&mut self, what: What) -> Event {
        let event = Event {
            at_days: self.now_days,
            days: self.now_days - self.last_event_days,
            openings: std::mem::take(&mut self.openings_since),
            ledger: true,
            what,
        };
        self.last_event_days = self.now_days;
        event
    }

    pub fn chance(&mut self) -> &mut Chance {
        &mut self.chance
    }
}

/// Depths as they are: the simulated tanks have straight walls.
pub const STRAIGHT: Straight<'static> = Straight(None);
