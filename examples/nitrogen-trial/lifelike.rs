//! Tanks as they may be in use: seasons, openings that come in bursts, a ledger that misses some of them, rods and sensors
//! of every quality. All parameters are assumed; none is measured.

use std::f64::consts::TAU;

use rand_distr::{Gamma, Poisson};
use tankside::domain::nitrogen::{
    filter::{Bank, Grid, Prior},
    forecast::{LOSS_DAYS, loss, reached_by},
    history::{Event, What},
    track::Track,
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
    /// The same every day, with what the openings cost; none is on record.
    Constant,
}

/// How a tank is read.
#[derive(Clone, Copy, Debug)]
pub struct Reader {
    pub every_days: f64,
    pub sensor: bool,
    /// Whether openings are recorded at all.
    pub ledger: bool,
    /// Share of readings that are wrong by 30 to 150 mm.
    pub wrong: f64,
    /// Whether it is read daily while an alarm stands.
    pub daily_under_alarm: bool,
}

impl Reader {
    /// A rod, read every so many days.
    pub fn rod(every_days: f64, ledger: bool) -> Self {
        Self { every_days, sensor: false, ledger, wrong: 0.0, daily_under_alarm: false }
    }

    /// A sensor.
    pub fn sensor(ledger: bool) -> Self {
        Self { sensor: true, ..Self::rod(1.0, ledger) }
    }
}

/// What becomes of a sound tank.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fate {
    /// It stays sound.
    Sound,
    /// Its shut loss rises to so many times what it was, for good.
    Fails(f64),
    /// The same, until an alarm: then it is mended, and nobody enters that.
    Mended(f64),
}

/// What came of a tank.
#[derive(Clone, Debug, Default)]
pub struct Watched {
    pub sound_days: f64,
    pub false_alarms: usize,
    /// Days from the failure to the alarm.
    pub noticed_after: Option<f64>,
    /// Days from that alarm to its end.
    pub ended_after: Option<f64>,
}

/// Days watched after a failure.
const AFTER_DAYS: u32 = 250;
/// The minimum of every tank.
const MIN_MM: f64 = 150.0;

#[derive(Clone)]
struct Tank {
    population: Population,
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
    /// All that it ever lost.
    lost_mm: f64,
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
            population,
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
            lost_mm: 0.0,
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
        let mut lost = shut * times;
        if self.population == Population::Constant {
            lost += self.rated * self.share;
            left = 0.0;
        }
        while left > 0.5 {
            left -= 1.0;
            lost += self.opening_mm * gamma(&mut self.chance, 1.0, 0.7);
            recorded += if self.chance.happens(self.recorded) { 1.0 } else { 0.0 };
        }
        self.lost_mm += lost;
        self.level_mm = (self.level_mm - lost).max(0.0);
        recorded
    }

    /// What it loses a day on average.
    fn usual(&self) -> f64 {
        self.rated * (self.age + self.share)
    }

    /// Whether nobody would read such a tank so rarely.
    fn is_out_of_reach(&self, reader: Reader) -> bool {
        (self.full_mm - MIN_MM) / self.usual() < 2.0 * reader.every_days
    }

    /// Whether it is filled up at this reading.
    fn is_due(&mut self, read_mm: f64, reader: Reader) -> bool {
        let spare = self.chance.between(10.0, 80.0).max(1.5 * reader.every_days * self.usual());
        read_mm < MIN_MM + spare
    }

    fn fill(&mut self) {
        self.level_mm = self.full_mm - self.chance.normal(10.0).abs();
    }

    /// What it loses a day in the next [`LOSS_DAYS`], and in how many days the minimum is reached if nobody fills it.
    fn to_come(&self, day: u32) -> (f64, f64) {
        let mut tank = self.clone();
        let (level_mm, lost_mm) = (self.level_mm, self.lost_mm);
        let lost = |tank: &Self| tank.lost_mm - lost_mm;
        let (mut days, mut mean, mut reached) = (0.0, None, None);
        for day in day.. {
            let before = lost(&tank);
            tank.pass_day(f64::from(day), 1.0);
            days += 1.0;
            if reached.is_none() && level_mm - lost(&tank) <= MIN_MM {
                reached = Some(days - 1.0 + (level_mm - before - MIN_MM).max(0.0) / (lost(&tank) - before));
            }
            if days >= LOSS_DAYS {
                mean.get_or_insert(lost(&tank) / days);
            }
            if let Some(told) = mean.zip(reached) {
                return told;
            }
        }
        (f64::NAN, f64::NAN)
    }

    fn read(&mut self, reader: Reader) -> What {
        if reader.sensor {
            self.bias_mm = 0.9 * self.bias_mm + self.chance.normal(0.5);
            let level_mm = (self.level_mm + self.bias_mm + self.chance.normal(1.0)).max(0.0);
            return What::Read { level_mm, stands_for: 24 };
        }
        let mut seen = self.level_mm + self.chance.normal(self.sigma_mm);
        if reader.wrong > 0.0 && self.chance.happens(reader.wrong) {
            let off = self.chance.between(30.0, 150.0);
            seen += if self.chance.happens(0.5) { off } else { -off };
        }
        let step = self.rounded_mm;
        let level_mm = if step > 0.0 { (seen / step).round() * step } else { seen }.max(0.0);
        What::Read { level_mm, stands_for: 1 }
    }
}

/// Watches a tank that is sound for a year; then its fate begins. None when nobody would read such a tank so rarely, or a
/// false alarm stands when it fails.
pub fn watched(
    seed: u64,
    number: u64,
    population: Population,
    reader: Reader,
    fate: Fate,
) -> Option<Watched> {
    let mut tank = Tank::new(Chance::new(seed, number), population);
    if tank.is_out_of_reach(reader) {
        return None;
    }
    let mut watch = Watch::new(Prior::of_rated(tank.rated, reader.ledger), reader.ledger);
    let (fails, ends, mut times) = match fate {
        Fate::Sound => (365, 365, 1.0),
        Fate::Fails(times) | Fate::Mended(times) => {
            let fails = 365 + days(tank.chance.between(0.0, reader.every_days));
            (fails, fails + AFTER_DAYS, times)
        }
    };
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
                if let (true, Some(noticed)) = (before.1 && watch.standing().is_none(), told.noticed_after) {
                    told.ended_after.get_or_insert(at_days - f64::from(fails) - noticed);
                }
            };
            let what = tank.read(reader);
            event(what);
            let What::Read { level_mm, .. } = what else { continue };
            if tank.is_due(level_mm, reader) {
                tank.fill();
                event(What::Refill);
                if tank.chance.happens(0.8) {
                    event(tank.read(reader));
                }
            }
            if told.noticed_after.is_some() && matches!(fate, Fate::Mended(_)) {
                times = 1.0;
            }
            let daily = reader.daily_under_alarm && watch.standing().is_some();
            let every_days = if daily { 1.0 } else { reader.every_days };
            next = day + days(every_days * tank.chance.between(0.75, 1.25)).max(1);
        }
        openings += tank.pass_day(at_days, if day >= fails { times } else { 1.0 });
    }
    Some(told)
}

/// Whether the 90 % intervals held what came.
#[derive(Clone, Copy, Debug)]
pub struct Held {
    /// That of the loss a day.
    pub loss: bool,
    /// That of the day on which the minimum is reached.
    pub date: bool,
}

/// Asks a sound tank after a reading in each third of a year: what was told, and what came? None when nobody would read
/// such a tank so rarely.
pub fn asked(seed: u64, number: u64, population: Population, reader: Reader) -> Option<Vec<Held>> {
    let mut tank = Tank::new(Chance::new(seed, number), population);
    if tank.is_out_of_reach(reader) {
        return None;
    }
    let mut track = Track::new(Bank::new(Prior::of_rated(tank.rated, false), &Grid::forecast()));
    let mut asks: Vec<u32> =
        [60.0, 160.0, 260.0].map(|day| days(day + tank.chance.between(0.0, 100.0))).into();
    let (mut held, mut last, mut next) = (Vec::new(), 0.0, 0);
    for day in 0.. {
        let at_days = f64::from(day);
        if day >= next {
            track.pass(at_days - last, 0.0);
            last = at_days;
            let see = |tank: &mut Tank, track: &mut Track| {
                let What::Read { level_mm, .. } = tank.read(reader) else { return 0.0 };
                track.read(STRAIGHT.sighting(level_mm));
                level_mm
            };
            let read_mm = see(&mut tank, &mut track);
            if tank.is_due(read_mm, reader) {
                tank.fill();
                track.refill();
                if tank.chance.happens(0.8) {
                    see(&mut tank, &mut track);
                }
            }
            if asks.first().is_some_and(|ask| day >= *ask) && track.knows_level() {
                asks.remove(0);
                let bank = track.bank();
                let (mean, reached) = tank.to_come(day);
                let told = loss(&bank);
                held.push(Held {
                    loss: (told.low..=told.high).contains(&mean),
                    date: (0.05..=0.95).contains(&reached_by(&bank, MIN_MM, reached)),
                });
                if asks.is_empty() {
                    break;
                }
            }
            next = day + days(reader.every_days * tank.chance.between(0.75, 1.25)).max(1);
        }
        tank.pass_day(at_days, 1.0);
    }
    Some(held)
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some days")]
fn days(number: f64) -> u32 {
    number.round().max(0.0) as u32
}
