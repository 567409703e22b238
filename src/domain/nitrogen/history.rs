//! What is known of a tank and what happened to it, as plain values; what a single reading or refill must keep to.

use crate::domain::{
    nitrogen::{
        DepthChart,
        filter::{Straight, count},
        thin::{SENSOR_A_DAY, thin},
    },
    values::Timestamp,
};

/// What is known of the tank itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Vessel {
    /// Depth to litres; without it the answers know depths only.
    pub chart: Option<DepthChart>,
    /// Depth of the full tank in millimetres, also when there is no chart.
    pub full_depth_mm: Option<f64>,
    /// Depth below which it must not fall, in millimetres; without it no date can be told.
    pub min_depth_mm: Option<f64>,
    /// Its rated evaporation, unopened.
    pub rated_loss: Option<RatedLoss>,
}

/// A tank's rated evaporation, unopened.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RatedLoss {
    /// In millimetres of depth a day.
    MmPerDay(f64),
    /// In litres a day; of use only with a chart.
    LitresPerDay(f64),
}

/// A level that was read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// When.
    pub at: Timestamp,
    /// Depth in millimetres.
    pub level_mm: f64,
}

/// A refill.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Refill {
    /// When it was finished.
    pub at: Timestamp,
    /// Depth before, in millimetres, when it was read.
    pub level_before_mm: Option<f64>,
    /// Depth after, in millimetres, when it was read or follows from the litres ([`level_after_mm`]); without it the
    /// next reading tells, and until then the level is not known.
    pub level_after_mm: Option<f64>,
}

/// What happened to a tank. Each list may come in any order; superseded readings are left out by the caller.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LevelHistory {
    /// Levels that were read. One at the same instant as a refill counts as read after it.
    pub readings: Vec<Reading>,
    /// Refills.
    pub refills: Vec<Refill>,
    /// When the tank was opened: each withdrawal, receipt, transfer, stocktake or discard at the tank is one opening.
    pub openings: Vec<Timestamp>,
    /// When the tank was repaired or replaced.
    pub repairs: Vec<Timestamp>,
}

impl Vessel {
    /// The filters' depths.
    pub fn straight(&self) -> Straight<'_> {
        Straight(self.chart.as_ref())
    }

    /// Rated loss in millimetres of a straight tank a day.
    pub fn rated_mm_per_day(&self) -> Option<f64> {
        let mean_slope = self.chart.as_ref().map(DepthChart::mean_slope_l_per_mm);
        match (self.rated_loss?, mean_slope) {
            (RatedLoss::LitresPerDay(litres), Some(slope)) => Some(litres / slope),
            (RatedLoss::LitresPerDay(_), None) => None,
            (RatedLoss::MmPerDay(mm), _) => Some(mm),
        }
    }

    /// Rated loss in litres a day.
    pub fn rated_litres_per_day(&self) -> Option<f64> {
        match self.rated_loss? {
            RatedLoss::LitresPerDay(litres) => Some(litres),
            RatedLoss::MmPerDay(mm) => Some(mm * self.chart.as_ref()?.mean_slope_l_per_mm()),
        }
    }

    /// Depth of the full tank.
    pub fn full_mm(&self) -> Option<f64> {
        self.full_depth_mm.or_else(|| self.chart.as_ref().map(DepthChart::full_depth_mm))
    }
}

/// Openings count only once they have been on record for so many days: before that their rate is not known.
const OPENINGS_KNOWN_AFTER_DAYS: f64 = 14.0;

/// What happened, in the order of time, as the filters take it. Days count from the first reading or refill.
#[derive(Clone, Debug, PartialEq)]
pub struct Timeline {
    /// Day 0.
    pub start: Timestamp,
    /// Readings, thinned, and refills.
    pub events: Vec<Event>,
    /// Days from the last event to now.
    pub days_since: f64,
    /// Openings since the last event.
    pub openings_since: f64,
    /// So many of the events are complete: a sensor's day that still goes on is not.
    pub complete: usize,
    /// The usual number of days between two readings, when there are two.
    pub interval_days: Option<f64>,
}

/// A reading or a refill.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Event {
    /// When, in days.
    pub at_days: f64,
    /// Days since the event before.
    pub days: f64,
    /// Openings since the event before.
    pub openings: f64,
    /// Whether openings had been on record for long enough, then.
    pub ledger: bool,
    /// What it was.
    pub what: What,
}

/// What happened.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum What {
    /// Nitrogen was filled in; the level after it is not known.
    Refill,
    /// The tank was repaired or replaced.
    Repair,
    /// A level was read.
    Read {
        /// Depth in millimetres.
        level_mm: f64,
        /// How many readings it stands for.
        stands_for: usize,
    },
}

impl Event {
    /// Whether it is a reading.
    pub fn is_reading(&self) -> bool {
        matches!(self.what, What::Read { .. })
    }
}

impl Timeline {
    /// Puts in order what happened up to `now`; nothing when there was neither a reading nor a refill.
    pub fn of(history: &LevelHistory, now: Timestamp) -> Option<Self> {
        let steps = steps(history, now);
        let start = steps.first()?.0;
        let days_of = |at: Timestamp| days_between(start, at);
        let mut openings: Vec<f64> =
            history.openings.iter().filter(|at| **at <= now).map(|at| days_of(*at)).collect();
        openings.sort_unstable_by(f64::total_cmp);
        let now_days = days_of(now);
        let ledger_from = openings.first().map_or(f64::INFINITY, |first| first + OPENINGS_KNOWN_AFTER_DAYS);
        let mut counted = Count { openings: &openings, before: openings.partition_point(|at| *at <= 0.0) };
        let mut last = 0.0;
        let events: Vec<_> = steps
            .into_iter()
            .map(|(at, what)| {
                let at_days = days_of(at);
                let days = at_days - last;
                last = at_days;
                let ledger = at_days >= ledger_from;
                Event { at_days, days, openings: counted.until(at_days), ledger, what }
            })
            .collect();
        let complete = complete(&events, now_days);
        Some(Self {
            start,
            days_since: now_days - last,
            openings_since: counted.until(now_days),
            complete,
            interval_days: usual_interval(&events),
            events,
        })
    }

    /// The events that are complete.
    pub fn settled(&self) -> &[Event] {
        &self.events[..self.complete]
    }

    /// The instant so many days after the start.
    pub fn instant(&self, days: f64) -> Timestamp {
        after_days(self.start, days)
    }
}

/// Counts openings from event to event.
struct Count<'o> {
    openings: &'o [f64],
    before: usize,
}

impl Count<'_> {
    fn until(&mut self, days: f64) -> f64 {
        let rest = &self.openings[self.before..];
        let more = rest.partition_point(|at| *at <= days);
        self.before += more;
        count(more)
    }
}

/// Readings and refills up to `now` in the order of time, the readings thinned between refills.
fn steps(history: &LevelHistory, now: Timestamp) -> Vec<(Timestamp, What)> {
    let mut readings: Vec<_> = history.readings.iter().copied().filter(|reading| reading.at <= now).collect();
    readings.sort_by_key(|reading| reading.at);
    let refills = history.refills.iter().map(|refill| (refill.at, Some(refill)));
    let repairs = history.repairs.iter().map(|at| (*at, None));
    let mut breaks: Vec<_> = repairs.chain(refills).filter(|(at, _)| *at <= now).collect();
    breaks.sort_by_key(|(at, _)| *at);
    let mut steps = Vec::with_capacity(readings.len() + 3 * breaks.len());
    let read = |at, level_mm, stands_for| (at, What::Read { level_mm, stands_for });
    let mut rest = readings.as_slice();
    let mut take = |until: &dyn Fn(&Reading) -> bool, steps: &mut Vec<_>| {
        let (segment, later) = rest.split_at(rest.partition_point(until));
        steps.extend(
            thin(segment).into_iter().map(|one| read(one.reading.at, one.reading.level_mm, one.stands_for)),
        );
        rest = later;
    };
    for (at, refill) in breaks {
        take(&|reading| reading.at < at, &mut steps);
        let Some(refill) = refill else {
            steps.push((at, What::Repair));
            continue;
        };
        steps.extend(refill.level_before_mm.map(|level| read(refill.at, level, 1)));
        steps.push((refill.at, What::Refill));
        steps.extend(refill.level_after_mm.map(|level| read(refill.at, level, 1)));
    }
    take(&|_| true, &mut steps);
    steps
}

/// How many events are complete: a sensor's readings of the last 24 hours wait until their day is over, so that the
/// median that stands for a day does not change afterwards.
fn complete(events: &[Event], now_days: f64) -> usize {
    let sensors =
        |event: &Event| matches!(event.what, What::Read { stands_for, .. } if stands_for >= SENSOR_A_DAY);
    let goes_on = |event: &&Event| event.is_reading() && now_days - event.at_days < 1.0;
    let last = events.iter().rev().take_while(goes_on).count();
    let before = events.len() - last;
    let of_a_sensor = events[before..].iter().any(sensors)
        || events[..before].last().is_some_and(|event| sensors(event) && now_days - event.at_days < 3.0);
    if of_a_sensor { before } else { events.len() }
}

/// The median number of days between two readings.
fn usual_interval(events: &[Event]) -> Option<f64> {
    let mut gaps: Vec<f64> = events
        .windows(2)
        .filter(|pair| pair.iter().all(Event::is_reading))
        .map(|pair| pair[1].days)
        .collect();
    let middle = gaps.len() / 2;
    (!gaps.is_empty()).then(|| *gaps.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// Seconds of a day.
const DAY_S: f64 = 86_400.0;

/// Days from one instant to another.
#[expect(clippy::cast_precision_loss, reason = "microseconds of 250 years still stand in 53 bits")]
pub fn days_between(from: Timestamp, to: Timestamp) -> f64 {
    to.since(from).num_microseconds().unwrap_or(i64::MAX) as f64 / (DAY_S * 1e6)
}

/// The instant so many days, at most a thousand years, after another.
#[expect(clippy::cast_possible_truncation, reason = "a thousand years of seconds stand in an i64")]
pub fn after_days(from: Timestamp, days: f64) -> Timestamp {
    let days = days.clamp(-365_000.0, 365_000.0);
    from.plus(chrono::TimeDelta::seconds((days * DAY_S).round() as i64))
}

/// Depth after so many litres were added to a tank that stood at `before_mm`.
///
/// # Errors
/// Says so when they do not fit in. A twentieth of the capacity more than fits is taken as full: litres are read off a
/// scale or a bill, and some evaporate while filling.
pub fn level_after_mm(chart: &DepthChart, before_mm: f64, added_l: f64) -> Result<f64, String> {
    if added_l <= 0.0 {
        return Err("must be more than 0".to_owned());
    }
    let (before_l, capacity_l) = (chart.litres(before_mm), chart.capacity_l());
    if before_l + added_l > capacity_l * 1.05 {
        return Err(format!(
            "must fit in: the tank holds {capacity_l:.1} l and {before_l:.1} l stood in it at {before_mm:.0} mm"
        ));
    }
    Ok(chart.depth_mm(before_l + added_l))
}

/// A rod may show so much more than full, in millimetres: twice its reading error at its worst, 13 mm (assumed, no source).
pub const ABOVE_FULL_MM: f64 = 26.0;

/// Whether a depth can be read off a rod in the tank.
///
/// # Errors
/// Says what is wrong when it is below 0 or above the full depth by more than [`ABOVE_FULL_MM`].
pub fn check_level(level_mm: f64, full_depth_mm: Option<f64>) -> Result<(), String> {
    match full_depth_mm {
        _ if !level_mm.is_finite() || level_mm < 0.0 => Err("must be 0 mm or more".to_owned()),
        Some(full) if level_mm > full + ABOVE_FULL_MM => Err(format!(
            "must be at most the depth of the full tank, which is {full} mm, and {ABOVE_FULL_MM} mm for the rod's error"
        )),
        _ => Ok(()),
    }
}

/// Whether a refill raised the level. `before_mm` is the depth before, as it was read.
///
/// # Errors
/// Says what is wrong when it did not.
pub fn check_refill(before_mm: Option<f64>, after_mm: Option<f64>) -> Result<(), String> {
    match (before_mm, after_mm) {
        (Some(before), Some(after)) if after <= before => {
            Err(format!("must be more than the depth before the refill, which was {before} mm"))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, TimeDelta};

    use super::*;

    fn day(days: i64) -> Timestamp {
        Timestamp::from(DateTime::UNIX_EPOCH).plus(TimeDelta::days(days))
    }

    fn reading(days: i64, level_mm: f64) -> Reading {
        Reading { at: day(days), level_mm }
    }

    #[test]
    fn what_happened_is_put_in_order_and_the_future_is_left_out() {
        let history = LevelHistory {
            readings: vec![reading(9, 350.0), reading(2, 380.0), reading(20, 300.0), reading(10, 420.0)],
            refills: vec![Refill { at: day(10), level_before_mm: Some(345.0), level_after_mm: None }],
            openings: vec![day(3), day(8), day(-20), day(12), day(30)],
            ..LevelHistory::default()
        };
        let timeline = Timeline::of(&history, day(14)).unwrap();
        let told: Vec<_> =
            timeline.events.iter().map(|event| (event.at_days, event.openings, event.what)).collect();
        let read = |level_mm| What::Read { level_mm, stands_for: 1 };
        assert_eq!(
            told,
            [
                (0.0, 0.0, read(380.0)),
                (7.0, 2.0, read(350.0)),
                (8.0, 0.0, read(345.0)),
                (8.0, 0.0, What::Refill),
                (8.0, 0.0, read(420.0)),
            ]
        );
        assert!((timeline.days_since - 4.0).abs() < 1e-12 && (timeline.openings_since - 1.0).abs() < 1e-12);
        assert!(timeline.events.iter().all(|event| event.ledger == (event.at_days >= 0.0)));
        assert_eq!(Timeline::of(&LevelHistory::default(), day(1)), None);
        assert_eq!(Timeline::of(&history, day(1)), None);
    }

    #[test]
    fn a_depth_outside_the_tank_is_refused() {
        assert!(check_level(0.0, Some(430.0)).is_ok() && check_level(456.0, Some(430.0)).is_ok());
        assert_eq!(check_level(-1.0, None).unwrap_err(), "must be 0 mm or more");
        assert!(check_level(f64::NAN, None).is_err());
        assert!(check_level(457.0, Some(430.0)).unwrap_err().contains("430 mm"));
        assert!(check_level(4000.0, None).is_ok());
    }

    #[test]
    fn a_refill_raises_the_level() {
        assert!(check_refill(Some(200.0), Some(420.0)).is_ok());
        assert!(check_refill(None, Some(420.0)).is_ok() && check_refill(Some(200.0), None).is_ok());
        assert!(check_refill(Some(200.0), Some(190.0)).unwrap_err().contains("200 mm"));
        assert!(check_refill(Some(200.0), Some(200.0)).is_err());
    }

    #[test]
    fn litres_that_were_added_raise_the_level_by_the_chart() {
        let chart = DepthChart::linear(400.0, 20.0).unwrap();
        assert!((level_after_mm(&chart, 200.0, 5.0).unwrap() - 300.0).abs() < 1e-6);
        assert!((level_after_mm(&chart, 200.0, 10.9).unwrap() - 400.0).abs() < 1e-6);
        assert!(level_after_mm(&chart, 200.0, 11.1).unwrap_err().contains("20.0 l"));
        assert!(level_after_mm(&chart, 200.0, 0.0).is_err());
    }
}
