//! Tanks as they may be in use: seasons, openings that come in bursts, a ledger that misses some of them, rods and sensors
//! of every quality. All parameters are assumed; none is measured.

use std::f64::consts::TAU;

use rand_distr::{Gamma, Poisson};
use tankside::domain::nitrogen::{
    filter::Prior,
    history::{Event, What},
    watch::Watch,
};

use super::tank::{Chance, STRAIGHT};

/// What the tanks are like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Population {
    /// With seasons, bursts and openings that are not on record.
    LifeLike,
    /// The same every day but for the chance of an opening; every opening is on record.
    Steady,
}

/// How a tank is read.
#[derive(Clone, Copy, Debug)]
pub struct Reader {
    pub every_days: f64,
    pub sensor: bool,
    /// Whether openings are recorded at all.
    pub ledger: bool,
}

/// What came of a tank.
#[derive(Clone, Debug, Default)]
pub struct Watched {
    pub sound_days: f64,
    pub false_alarms: usize,
    /// Days from the failure to the alarm.
    pub noticed_after: Option<f64>,
    /// Whether that alarm ended although the loss stayed risen.
    pub ended: bool,
}

/// Days watched after a failure.
const AFTER_DAYS: u32 = 250;

struct Tank {
    chance: Chance,
    rated: f64,
    full_mm: f64,
    age: f64,
    season: f64,
    phase: f64,
    restless: f64,
    busy: f64,
    busy_season: f64,
    burst_sd: f64,
    burst: f64,
    opening_mm: f64,
    share: f64,
    recorded: f64,
    sigma_mm: f64,
    rounded_mm: f64,
    bias_mm: f64,
    level_mm: f64,
}

fn pick(chance: &mut Chance, of: &[(f64, f64)]) -> f64 {
    let mut at = chance.between(0.0, 1.0);
    let found = of.iter().find(|(_, weight)| {
        at -= weight;
        at < 0.0
    });
    found.or(of.last()).map_or(0.0, |(value, _)| *value)
}

fn gamma(chance: &mut Chance, mean: f64, cv: f64) -> f64 {
    let shape = 1.0 / (cv * cv);
    chance.draw(Gamma::new(shape, mean / shape))
}

impl Tank {
    fn new(mut chance: Chance, population: Population) -> Self {
        let alive = if population == Population::LifeLike { 1.0 } else { 0.0 };
        let rated = chance.log_between(0.8, 8.0);
        let full_mm = chance.between(350.0, 600.0);
        let busy = chance.log_between(0.5, 4.0);
        let mean_share = pick(&mut chance, &[(0.15, 0.25), (0.6, 0.5), (1.4, 0.25)]);
        let share = gamma(&mut chance, mean_share, 0.6);
        Self {
            rated,
            full_mm,
            age: (1.15_f64.ln() + chance.normal(0.2)).exp(),
            season: alive * chance.between(0.03, 0.22),
            phase: chance.between(0.0, TAU),
            restless: 0.0,
            busy,
            busy_season: alive
                * pick(&mut chance, &[(0.1, 1.0), (0.3, 1.0), (0.6, 1.0)].map(|(b, w)| (b, w / 3.0))),
            burst_sd: alive * pick(&mut chance, &[(0.2, 0.3), (0.4, 0.5), (0.8, 0.2)]),
            burst: 0.0,
            opening_mm: share * rated / busy,
            share,
            recorded: if alive > 0.0 { chance.between(0.5, 1.0) } else { 1.0 },
            sigma_mm: pick(&mut chance, &[(2.9, 0.25), (5.0, 0.45), (7.0, 0.2), (10.0, 0.1)]),
            rounded_mm: pick(&mut chance, &[(0.0, 0.3), (5.0, 0.5), (10.0, 0.2)]),
            bias_mm: 0.0,
            level_mm: full_mm,
            chance,
        }
    }

    /// A day goes by with a shut loss so many times what it was; the openings of it that are on record.
    fn pass_day(&mut self, day: f64, times: f64) -> f64 {
        let turn = TAU * day / 365.0 + self.phase;
        let keep = (-1.0_f64 / 5.0).exp();
        self.restless = keep * self.restless + self.chance.normal(0.02 * (1.0 - keep * keep).sqrt());
        let keep = (-1.0_f64 / 20.0).exp();
        self.burst = keep * self.burst + self.chance.normal(self.burst_sd * (1.0 - keep * keep).sqrt());
        let (season, restless) = if self.season > 0.0 { (self.season, self.restless) } else { (0.0, 0.0) };
        let shut = self.rated * self.age * (1.0 + season * turn.sin() + restless);
        let bursts = (self.burst - self.burst_sd * self.burst_sd / 2.0).exp();
        let busy = self.busy * bursts * (1.0 + self.busy_season * (turn + 1.0).sin());
        let mut left = self.chance.draw(Poisson::new(busy.max(1e-9)));
        let mut recorded = 0.0;
        self.level_mm -= shut * times;
        while left > 0.5 {
            left -= 1.0;
            self.level_mm -= self.opening_mm * gamma(&mut self.chance, 1.0, 0.7);
            recorded += if self.chance.happens(self.recorded) { 1.0 } else { 0.0 };
        }
        self.level_mm = self.level_mm.max(0.0);
        recorded
    }

    fn read(&mut self, sensor: bool) -> What {
        if sensor {
            self.bias_mm = 0.9 * self.bias_mm + self.chance.normal(0.5);
            let level_mm = (self.level_mm + self.bias_mm + self.chance.normal(1.0)).max(0.0);
            return What::Read { level_mm, stands_for: 24 };
        }
        let seen = self.level_mm + self.chance.normal(self.sigma_mm);
        let step = self.rounded_mm;
        let level_mm = if step > 0.0 { (seen / step).round() * step } else { seen }.max(0.0);
        What::Read { level_mm, stands_for: 1 }
    }
}

/// Watches a tank that is sound for a year; then its shut loss rises to `times` what it was (1: it stays). None when
/// nobody would read such a tank so rarely, or a false alarm stands when it fails.
pub fn watched(
    seed: u64,
    number: u64,
    population: Population,
    reader: Reader,
    times: f64,
) -> Option<Watched> {
    const MIN_MM: f64 = 150.0;
    let mut tank = Tank::new(Chance::new(seed, number), population);
    let usual = tank.rated * (tank.age + tank.share);
    if (tank.full_mm - MIN_MM) / usual < 2.0 * reader.every_days {
        return None;
    }
    let mut watch = Watch::new(Prior::of_rated(tank.rated, reader.ledger), reader.ledger);
    let fails = 365 + if times > 1.0 { days(tank.chance.between(0.0, reader.every_days)) } else { 0 };
    let ends = fails + if times > 1.0 { AFTER_DAYS } else { 0 };
    let mut told = Watched { sound_days: 365.0, ..Watched::default() };
    let (mut last, mut openings, mut next) = (0.0, 0.0, 0);
    for day in 0..ends {
        let at_days = f64::from(day);
        if day == fails && watch.standing().is_some() {
            return None;
        }
        if day >= next {
            let mut event = |what| {
                let before = (watch.alarms.len(), watch.standing().is_some());
                let openings = if reader.ledger { std::mem::take(&mut openings) } else { 0.0 };
                watch.take(
                    &Event { at_days, days: at_days - last, openings, ledger: reader.ledger, what },
                    STRAIGHT,
                );
                last = at_days;
                if watch.alarms.len() > before.0 {
                    if day < fails {
                        told.false_alarms += 1;
                    } else {
                        told.noticed_after.get_or_insert(at_days - f64::from(fails));
                    }
                }
                told.ended |= day >= fails && before.1 && watch.standing().is_none();
            };
            let what = tank.read(reader.sensor);
            event(what);
            let What::Read { level_mm, .. } = what else { continue };
            let spare = tank.chance.between(10.0, 80.0).max(1.5 * reader.every_days * usual);
            if level_mm < MIN_MM + spare {
                tank.level_mm = tank.full_mm - tank.chance.normal(10.0).abs();
                event(What::Refill);
                if tank.chance.happens(0.8) {
                    event(tank.read(reader.sensor));
                }
            }
            next = day + days(reader.every_days * tank.chance.between(0.75, 1.25)).max(1);
        }
        openings += tank.pass_day(at_days, if day >= fails { times } else { 1.0 });
    }
    Some(told)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some days")]
fn days(number: f64) -> u32 {
    number.round().max(0.0) as u32
}
