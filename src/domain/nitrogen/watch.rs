//! Is the tank losing more than it used to? Its vacuum may be failing.
//!
//! The watch is a state that is folded over the events of a tank in the order of time: what an event tells depends only
//! on the events before it, so nothing is judged anew, however often the tank is read later. An entry that comes late
//! is folded in at its time, and what follows it with it.
//!
//! **The quick test** compares two stories of the tank: its loss is what it was ([`Track`] on a test bank), or it rose,
//! to about twice, since the evidence was last at its floor. The evidence is the logarithm of how much better the second
//! predicted; its floor grows with the time between the readings. Above its threshold, and with more than one reading
//! behind it, the tank is failing. A reading that nobody predicted is doubted until the next one decides.
//! **The slow test** compares the loss with what it was in the first [`BASELINE_DAYS`] days.
//!
//! **An alarm stands until a stated end**: the loss has been back where it was before for three weeks and three
//! readings, at least 30 days after the alarm; or a repair or a replacement is entered. Neither a refill nor silence nor
//! another way of reading ends it.
//!
//! All thresholds were chosen on simulated tanks; how often they are wrong and how late they may be is told by the trial
//! (`docs/nitrogen.md`). A tank that fails fast is below its minimum before a weekly rod can show it.

use std::f64::consts::LN_2;

use crate::{
    domain::nitrogen::{
        filter::{Bank, Grid, Prior, Sighting, Straight},
        history::{Event, Timeline, What},
        thin::SENSOR_A_DAY,
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

text_enum! {
    /// Which test raised an alarm.
    AlarmCause {
        /// Several readings, each a little lower than predicted.
        Sum = "sum",
        /// A reading far lower than predicted, and a second that says the same.
        Confirmed = "confirmed",
        /// The loss stands above what it was in the first weeks.
        Baseline = "baseline",
    }
}

text_enum! {
    /// What ended an alarm.
    AlarmEnd {
        /// The loss was back where it was before, for three weeks and three readings at least.
        LossBack = "loss_back",
        /// The tank was repaired or replaced, as it was entered.
        Repair = "repair",
    }
}

/// The floor of the evidence, a logarithm of the days between two readings.
const FLOOR_PER_LOG_DAY: f64 = 1.7;
/// From so many days on the floor grows no more.
const FLOOR_DAYS: f64 = 28.0;
/// A loss that rose is taken to have doubled, give or take this, as a logarithm.
const RISEN_SD: f64 = 0.3;
/// Before the logarithm of the loss is known to this, a rise cannot be told from a wrong guess.
const KNOWN_SD: f64 = 0.25;
/// The evidence without its largest part must still be so far above its floor, so that no single reading raises the alarm.
const FROM_OTHERS: f64 = 1.0;
/// What a takeover by a rival is weighed against: before its reading three of its filters in four supposed a rise.
const RISEN_TO_OTHERS: f64 = 3.0;

/// The baseline is what the tank lost in its first so many days.
pub const BASELINE_DAYS: f64 = 45.0;
/// And in so many readings at least.
const BASELINE_READINGS: usize = 3;
/// Variance of the baseline itself.
const BASELINE_VARIANCE: f64 = 0.01;
/// A rise is more than so many standard deviations.
const RISE_SD: f64 = 2.0;

/// An alarm stands for so many days at least.
pub const ALARM_STANDS_DAYS: f64 = 30.0;
/// The loss is back below so many times what it was.
const BACK: f64 = 1.15;
/// It must be back for so many days and at so many readings in a row.
const BACK_DAYS: f64 = 21.0;
const BACK_READINGS: usize = 3;

/// How much less is supposed of the loss when shut once the openings are counted beside it.
const OPENINGS_SHARE: f64 = 1.7 / 1.15;
/// How little is known of the loss after a repair, as a logarithm.
pub const REPAIRED_SD: f64 = 0.33;

/// The thresholds of both tests.
#[derive(Clone, Copy, Debug)]
struct Limits {
    rod: f64,
    sensor: f64,
    /// A loss so many times the baseline is a rise,
    rise: f64,
    /// when it has lasted so many days,
    rise_days: f64,
    /// or is so many times the baseline.
    steep: f64,
}

/// With openings on record.
const LEDGER: Limits = Limits { rod: 6.2, sensor: 7.4, rise: 1.6, rise_days: 5.0, steep: 2.5 };
/// Without: bursts of use look like a rise.
const NO_LEDGER: Limits = Limits { rod: 7.5, sensor: 8.4, rise: 2.0, rise_days: 28.0, steep: 3.0 };

/// An alarm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Alarm {
    /// When, in days of the timeline.
    pub at_days: f64,
    /// By which test.
    pub cause: AlarmCause,
    /// When it ended and why; none while it stands.
    pub ended: Option<(f64, AlarmEnd)>,
    /// Logarithm of the loss before, in millimetres a day.
    reference: f64,
    /// When it was last raised or confirmed.
    raised_at: f64,
}

/// Readings in a row, since when and how many.
type Run = Option<(f64, usize)>;

fn longer(run: Run, at_days: f64) -> (f64, usize) {
    run.map_or((at_days, 1), |(since, readings)| (since, readings + 1))
}

/// What the tests have seen.
#[derive(Clone, Debug)]
pub struct Watch {
    ledger: bool,
    /// Nothing changed.
    same: Track,
    /// For the loss as it is, whatever changed.
    follow: Track,
    /// The loss rose.
    risen: Option<Bank>,
    evidence: f64,
    floor: f64,
    /// The evidence where the second story began.
    began: f64,
    largest: f64,
    /// Logarithm of the loss when the second story began.
    reference: f64,
    baseline: Option<(f64, f64)>,
    /// The baseline is taken so many days and readings after this.
    baseline_from: (f64, usize),
    above: Run,
    back: Run,
    /// Much more was lost than predicted, as two readings say; whether it goes on is not told yet.
    sudden: bool,
    /// The threshold of the last reading.
    threshold: f64,
    /// Readings by which the loss could be judged.
    pub judged: usize,
    /// Every alarm so far.
    pub alarms: Vec<Alarm>,
    /// When a reading was so low that a second was asked for.
    pub asked: Vec<f64>,
}

impl Watch {
    /// Before the first reading.
    pub fn new(prior: Prior, ledger: bool) -> Self {
        Self {
            ledger,
            same: Track::new(Bank::new(prior, &Grid::test(ledger))),
            follow: Track::new(Bank::new(prior, &Grid::follow(ledger))),
            risen: None,
            evidence: f64::NEG_INFINITY,
            floor: 0.0,
            began: 0.0,
            largest: 0.0,
            reference: 0.0,
            baseline: None,
            baseline_from: (0.0, 0),
            above: None,
            back: None,
            sudden: false,
            threshold: limits(ledger).rod,
            judged: 0,
            alarms: Vec::new(),
            asked: Vec::new(),
        }
    }

    /// Follows a tank through what happened and is complete. `prior` tells what is supposed with and without openings
    /// on record.
    pub fn over(timeline: &Timeline, straight: Straight<'_>, prior: impl Fn(bool) -> Prior) -> Self {
        let ledger = timeline.settled().first().is_some_and(|first| first.ledger);
        let mut watch = Self::new(prior(ledger), ledger);
        timeline.settled().iter().for_each(|event| watch.take(event, straight));
        watch
    }

    /// Takes the next event.
    pub fn take(&mut self, event: &Event, straight: Straight<'_>) {
        if event.ledger && !self.ledger {
            self.count_openings(event.at_days);
        }
        self.pass(event.days, event.openings);
        match event.what {
            What::Refill => {
                self.same.refill();
                self.follow.refill();
            }
            What::Repair => self.repaired(event.at_days),
            What::Read { level_mm, stands_for } => {
                let limits = limits(self.ledger);
                self.threshold = if stands_for >= SENSOR_A_DAY { limits.sensor } else { limits.rod };
                let seen = straight.sighting(level_mm);
                if self.standing().is_some() {
                    self.look_for_the_end(event.at_days, seen);
                } else {
                    self.weigh(event.at_days, seen);
                    self.compare(event.at_days, limits);
                }
            }
        }
    }

    fn pass(&mut self, days: f64, openings: f64) {
        let watching = self.standing().is_none();
        if watching && days > 0.0 {
            self.floor = FLOOR_PER_LOG_DAY * days.min(FLOOR_DAYS).ln();
            if self.evidence < self.floor {
                self.begin_anew();
            }
        }
        self.same.pass(days, openings);
        self.follow.pass(days, openings);
        if let Some(risen) = self.risen.as_mut().filter(|_| watching) {
            risen.pass(days, openings);
        }
    }

    /// The second story begins: the loss rises from here on.
    fn begin_anew(&mut self) {
        let known = self.same.believed_bank().rho().1 <= KNOWN_SD * KNOWN_SD;
        self.risen = known.then(|| self.same.believed_bank().shifted(LN_2, RISEN_SD));
        self.evidence = if known { self.floor } else { f64::NEG_INFINITY };
        self.began = self.floor;
        self.largest = 0.0;
        self.sudden = false;
        self.reference = self.loss().0;
    }

    /// Forgets the evidence.
    fn drop_evidence(&mut self) {
        self.evidence = f64::NEG_INFINITY;
        self.risen = None;
        self.above = None;
        self.back = None;
        self.sudden = false;
    }

    /// The quick test.
    fn weigh(&mut self, at_days: f64, seen: Sighting) {
        let same = self.same.believed_bank().likelihood(seen).ln();
        let part = self.risen.as_ref().map(|risen| risen.likelihood(seen).ln() - same);
        let class = self.same.read(seen);
        self.follow.read(seen);
        match class {
            ReadingClass::First => {
                if let Some(risen) = &mut self.risen {
                    risen.anchor(seen);
                }
            }
            ReadingClass::Expected => {
                self.judged += 1;
                let (Some(risen), Some(part)) = (&mut self.risen, part) else { return };
                risen.learn(seen);
                self.evidence += part;
                self.largest = self.largest.max(part);
                if self.evidence > self.threshold && self.evidence - self.largest > self.began + FROM_OTHERS {
                    self.believe_the_rise();
                    self.raise(at_days, AlarmCause::Sum, self.reference);
                }
            }
            ReadingClass::Doubted { low: true } => self.asked.push(at_days),
            ReadingClass::Doubted { low: false } => {}
            ReadingClass::TakenOver { low: true } => {
                self.judged += 1;
                self.split(at_days);
            }
            ReadingClass::TakenOver { low: false } => {
                self.judged += 1;
                self.drop_evidence();
            }
            ReadingClass::LowerStill => {
                self.judged += 1;
                self.raise(at_days, AlarmCause::Confirmed, self.reference);
            }
        }
    }

    /// A doubted low reading was confirmed: was it a rise, or was it one bad day?
    fn split(&mut self, at_days: f64) {
        let [risen, others] = self.same.believed_bank().split();
        let odds = match (&risen, &others) {
            (Some((_, a)), Some((_, b))) => (a / (RISEN_TO_OTHERS * b)).ln(),
            (Some(_), None) => f64::INFINITY,
            (None, _) => f64::NEG_INFINITY,
        };
        self.evidence = self.evidence.max(self.floor) + odds;
        self.risen = risen.map(|(bank, _)| bank);
        self.sudden = true;
        if let Some((bank, _)) = others {
            self.same.adopt(bank);
        }
        if self.evidence > self.threshold {
            self.believe_the_rise();
            self.raise(at_days, AlarmCause::Confirmed, self.reference);
        }
    }

    fn believe_the_rise(&mut self) {
        if let Some(risen) = self.risen.take() {
            self.same.adopt(risen);
        }
    }

    /// The slow test.
    fn compare(&mut self, at_days: f64, limits: Limits) {
        if self.standing().is_some() {
            return;
        }
        let (mean, variance) = self.loss();
        let Some((base, base_variance)) = self.baseline else {
            let (days, readings) = self.baseline_from;
            if at_days - days >= BASELINE_DAYS && self.follow.learned() >= readings + BASELINE_READINGS {
                self.baseline = Some((mean, variance));
            }
            return;
        };
        let rise = mean - base;
        let sd = (variance + base_variance + BASELINE_VARIANCE).sqrt();
        if rise <= limits.rise.ln() || rise <= RISE_SD * sd {
            self.above = None;
            return;
        }
        let (since, readings) = longer(self.above, at_days);
        self.above = Some((since, readings));
        if readings >= 2 && (at_days - since >= limits.rise_days || rise > limits.steep.ln()) {
            self.raise(at_days, AlarmCause::Baseline, base);
        }
    }

    fn raise(&mut self, at_days: f64, cause: AlarmCause, reference: f64) {
        self.drop_evidence();
        self.alarms.push(Alarm { at_days, cause, ended: None, reference, raised_at: at_days });
    }

    /// An alarm stands: is the loss back?
    fn look_for_the_end(&mut self, at_days: f64, seen: Sighting) {
        let class = self.same.read(seen);
        self.follow.read(seen);
        let (mean, _) = self.loss();
        let Some(alarm) = self.alarms.last_mut() else { return };
        match class {
            ReadingClass::First | ReadingClass::TakenOver { low: false } => {}
            ReadingClass::Expected => self.judged += 1,
            ReadingClass::Doubted { low } => self.asked.extend(low.then_some(at_days)),
            ReadingClass::TakenOver { low: true } | ReadingClass::LowerStill => alarm.raised_at = at_days,
        }
        if mean - alarm.reference >= BACK.ln() {
            self.back = None;
            return;
        }
        let (since, readings) = longer(self.back, at_days);
        self.back = Some((since, readings));
        if readings >= BACK_READINGS
            && at_days - since >= BACK_DAYS
            && at_days - alarm.raised_at >= ALARM_STANDS_DAYS
        {
            self.end(at_days, AlarmEnd::LossBack);
        }
    }

    fn end(&mut self, at_days: f64, end: AlarmEnd) {
        if let Some(alarm) = self.alarms.last_mut().filter(|alarm| alarm.ended.is_none()) {
            alarm.ended = Some((at_days, end));
        }
        self.drop_evidence();
    }

    /// The tank was repaired or replaced: what was known of its loss counts little, and its level is to be read anew.
    fn repaired(&mut self, at_days: f64) {
        self.end(at_days, AlarmEnd::Repair);
        for track in [&mut self.same, &mut self.follow] {
            track.repaired(REPAIRED_SD);
            track.refill();
            track.settle_doubt();
        }
        self.take_baseline_anew(at_days);
    }

    fn take_baseline_anew(&mut self, at_days: f64) {
        self.baseline = None;
        self.baseline_from = (at_days, self.follow.learned());
    }

    /// From here on openings are counted: both tracks begin anew with the loss that is left for the shut tank. An alarm
    /// that stands goes on.
    fn count_openings(&mut self, at_days: f64) {
        self.ledger = true;
        let less = OPENINGS_SHARE.ln();
        let begun = |track: &Track, grid: &Grid| {
            let prior = Prior {
                median_mm_per_day: (track.believed_bank().rho().0 - less).exp(),
                sd_log: REPAIRED_SD,
            };
            Track::new(Bank::new(prior, grid))
        };
        self.same = begun(&self.same, &Grid::test(true));
        self.follow = begun(&self.follow, &Grid::follow(true));
        if let Some(alarm) = self.alarms.last_mut().filter(|alarm| alarm.ended.is_none()) {
            alarm.reference -= less;
        }
        self.drop_evidence();
        self.take_baseline_anew(at_days);
    }

    /// Mean and variance of the logarithm of the loss as it is followed.
    fn loss(&self) -> (f64, f64) {
        self.follow.believed_bank().rho()
    }

    /// The alarm that stands.
    pub fn standing(&self) -> Option<&Alarm> {
        self.alarms.last().filter(|alarm| alarm.ended.is_none())
    }

    /// Whether the last reading was too low to be believed at once.
    pub fn doubts_low(&self) -> bool {
        self.same.doubts() == Some(true)
    }

    /// Whether two readings said that much was lost at once, and the readings since have not yet told whether it goes on.
    pub fn sudden(&self) -> bool {
        self.sudden
    }

    /// The evidence for a rise, a natural logarithm; minus infinity where there is none.
    pub fn evidence(&self) -> f64 {
        self.evidence
    }

    /// How near the evidence is to its threshold: 1 is an alarm.
    pub fn nearness(&self) -> f64 {
        self.evidence / self.threshold
    }

    /// How many times what it lost before the alarm, or in its first weeks, the tank loses now, as far as it is known.
    pub fn times_before(&self) -> Option<f64> {
        let before = self.standing().map(|alarm| alarm.reference).or(self.baseline.map(|(base, _)| base))?;
        Some((self.loss().0 - before).exp())
    }
}

fn limits(ledger: bool) -> Limits {
    if ledger { LEDGER } else { NO_LEDGER }
}
