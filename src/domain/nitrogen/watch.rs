//! Is the tank losing more than it used to? Its vacuum may be failing.
//!
//! Two tests, for the quick and the slow. **The sequential test**: each believed reading lower than predicted by z
//! standard deviations adds z - 0.5 to a sum that never falls below 0; when the sum passes its threshold, and more than
//! one reading had a part in it, the tank is failing. **The baseline test**: what the tank loses beside what it lost in
//! its first 45 days; a rise of more than a fifth and of more than two standard deviations is a failing tank too, until
//! the rise has fallen back to half of that.
//!
//! **One wrong reading raises no alarm.** A reading far from what was predicted is doubted until the next one
//! ([`Track`]); the condition is `watch` meanwhile, which asks for a second reading. A wrong reading near enough to be
//! believed is one reading, and the sum needs two. A refill forgets the level and keeps the loss. Openings that the
//! ledger knows are predicted. A sensor's day is one reading ([`super::thin`]).
//!
//! How often it is wrong and how late it may be is told by the trial (`docs/nitrogen.md`), on simulated tanks: a tank that
//! fails fast is below its minimum before a weekly rod can show it.

use crate::{
    domain::nitrogen::{
        filter::{BASELINE, Bank, DETECTION, Prior, Straight},
        history::{Event, Timeline, What},
        track::{ReadingClass, Track},
    },
    text_enum,
};

text_enum! {
    /// A tank's condition.
    Condition {
        /// It loses what it used to lose.
        Normal = "normal",
        /// A reading is lower than expected, or the loss seems to rise: read again now.
        Watch = "watch",
        /// It loses more than it used to, and more than one reading says so: the vacuum may be failing.
        Failing = "failing",
        /// Too few readings, or too old ones.
        Unknown = "unknown",
    }
}

/// A reading adds what it is lower by, less this, in standard deviations: half the rise that is looked for.
const ALLOWANCE_SD: f64 = 0.5;
/// The sum without its largest part must still be more than this, so that no single reading raises the alarm.
const FROM_OTHERS: f64 = 1.0;
/// The baseline is what the tank lost in its first so many days.
const BASELINE_DAYS: f64 = 45.0;
/// A loss so many times the baseline is a rise.
const RISE: f64 = 1.2;
/// The baseline itself may be off by so much, as a logarithm.
const BASELINE_SD: f64 = 0.1;
/// A rise is more than so many standard deviations.
const RISE_SD: f64 = 2.0;
/// An alarm stands for so many days at least.
pub const ALARM_STANDS_DAYS: f64 = 30.0;

/// From so many days between readings on, the threshold; the trial tells why.
const THRESHOLDS: [(f64, f64); 4] = [(12.0, 3.0), (6.0, 4.0), (2.5, 5.0), (0.9, 7.0)];
/// The threshold for whoever reads more often than daily, and for sensors.
const HIGHEST: f64 = 10.0;

/// The threshold that gives at most one false alarm in five tank-years when the tank is read every so many days.
///
/// A sensor misreads so little that every irregularity of the use shows: it takes the highest.
pub fn threshold_for(interval_days: f64, sensor: bool) -> f64 {
    if sensor {
        return HIGHEST;
    }
    THRESHOLDS
        .iter()
        .find(|(from_days, _)| interval_days >= *from_days)
        .map_or(HIGHEST, |(_, threshold)| *threshold)
}

/// Which test raised an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// Several readings, each a little lower than predicted.
    Sum,
    /// A reading far lower than predicted, and a second that says the same.
    Confirmed,
    /// The loss stands above its baseline.
    Baseline,
}

/// An alarm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Alarm {
    /// When, in days of the timeline.
    pub at_days: f64,
    /// By which test.
    pub why: Why,
}

/// What the tests have seen.
#[derive(Clone, Debug)]
pub struct Watch {
    quick: Track,
    slow: Track,
    threshold: f64,
    sum: f64,
    largest: f64,
    baseline: Option<(f64, f64)>,
    above: bool,
    /// When an alarm was last raised.
    raised_at: f64,
    /// Readings by which the loss could be judged.
    pub judged: usize,
    /// Every alarm so far.
    pub alarms: Vec<Alarm>,
    /// When a reading was so low that a second was asked for.
    pub asked: Vec<f64>,
}

impl Watch {
    /// Before the first reading.
    pub fn new(prior: Prior, openings_known: bool, threshold: f64) -> Self {
        let track = |restless| Track::new(Bank::new(prior, restless, openings_known));
        Self {
            quick: track(DETECTION),
            slow: track(BASELINE),
            threshold,
            sum: 0.0,
            largest: 0.0,
            baseline: None,
            above: false,
            raised_at: f64::NEG_INFINITY,
            judged: 0,
            alarms: Vec::new(),
            asked: Vec::new(),
        }
    }

    /// Follows a tank through what happened.
    pub fn over(timeline: &Timeline, straight: Straight<'_>, prior: Prior, threshold: f64) -> Self {
        let mut watch = Self::new(prior, timeline.openings_known, threshold);
        timeline.events.iter().for_each(|event| watch.take(event, straight));
        watch
    }

    /// Takes the next event.
    pub fn take(&mut self, event: &Event, straight: Straight<'_>) {
        self.quick.pass(event.days, event.openings);
        self.slow.pass(event.days, event.openings);
        match event.what {
            What::Refill => {
                self.quick.refill();
                self.slow.refill();
            }
            What::Read { level_mm, .. } => {
                let seen = straight.sighting(level_mm);
                let heard = self.quick.read(seen);
                self.sum_up(event.at_days, heard);
                self.slow.read(seen);
                self.compare(event.at_days);
            }
        }
    }

    /// The sequential test.
    fn sum_up(&mut self, at_days: f64, heard: ReadingClass) {
        match heard {
            ReadingClass::First => {}
            ReadingClass::Expected { lower_by_sd } => {
                self.judged += 1;
                let part = lower_by_sd - ALLOWANCE_SD;
                self.sum = (self.sum + part).max(0.0);
                self.largest = if self.sum > 0.0 { self.largest.max(part) } else { 0.0 };
                if self.sum > self.threshold && self.sum - self.largest > FROM_OTHERS {
                    self.raise(at_days, Why::Sum);
                }
            }
            ReadingClass::Doubted { low } => {
                if low {
                    self.asked.push(at_days);
                }
            }
            ReadingClass::Confirmed { loss } => {
                self.judged += 1;
                if loss {
                    self.raise(at_days, Why::Confirmed);
                }
            }
        }
    }

    /// The baseline test.
    fn compare(&mut self, at_days: f64) {
        let (mean, variance) = self.slow.believed_bank().rho();
        let Some((base, base_variance)) = self.baseline else {
            if at_days >= BASELINE_DAYS && self.slow.learned() >= 3 {
                self.baseline = Some((mean, variance));
            }
            return;
        };
        let risen = mean - base;
        let sd = (variance + base_variance + BASELINE_SD * BASELINE_SD).sqrt();
        if !self.above && risen > RISE.ln() && risen > RISE_SD * sd {
            self.raise(at_days, Why::Baseline);
            self.above = true;
        } else if self.above && risen < RISE.ln() / 2.0 {
            self.above = false;
        }
    }

    /// Raises an alarm; one that stands already goes on.
    fn raise(&mut self, at_days: f64, why: Why) {
        if self.standing(at_days).is_none() {
            self.alarms.push(Alarm { at_days, why });
        }
        self.raised_at = at_days;
        self.sum = 0.0;
        self.largest = 0.0;
    }

    /// The alarm that stands at `now_days`: an alarm stands for [`ALARM_STANDS_DAYS`] after it was last raised, and as
    /// long as the loss is above its baseline.
    pub fn standing(&self, now_days: f64) -> Option<Alarm> {
        let stands = self.above || now_days - self.raised_at < ALARM_STANDS_DAYS;
        self.alarms.last().copied().filter(|_| stands)
    }

    /// Whether the last reading was too low to be believed at once.
    pub fn doubts_low(&self) -> bool {
        self.quick.doubts() == Some(true)
    }

    /// How near the sum is to its threshold, 0 to 1.
    pub fn nearness(&self) -> f64 {
        self.sum / self.threshold
    }

    /// How many times its baseline the tank loses now, once there is a baseline.
    pub fn times_baseline(&self) -> Option<f64> {
        self.baseline.map(|(base, _)| (self.slow.believed_bank().rho().0 - base).exp())
    }
}
