//! The fitted level and the forecast band, for a drawing.

use crate::domain::{
    nitrogen::{
        LevelHistory, Vessel,
        estimate::{Estimate, Moment},
        filter::Bank,
        history::{Timeline, What, after_days, days_between},
    },
    values::Timestamp,
};

/// The level at one instant, with its 90 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurvePoint {
    /// When.
    pub at: Timestamp,
    /// Depth in millimetres, 5 %.
    pub low_mm: f64,
    /// Depth in millimetres, the middle.
    pub estimate_mm: f64,
    /// Depth in millimetres, 95 %.
    pub high_mm: f64,
    /// Whether the level before this point is not known or a refill lies between, so that no line joins them.
    pub begins: bool,
}

/// About so many points stand in the past, and so many in the future.
const PAST_POINTS: usize = 300;
const FUTURE_POINTS: u32 = 60;

/// The level from `from` to `until` in time order: up to `now` as the readings so far told it at each instant, after
/// `now` the forecast. Nothing before the first reading; a few hundred points at most.
pub fn curve(
    vessel: &Vessel,
    history: &LevelHistory,
    now: Timestamp,
    from: Timestamp,
    until: Timestamp,
) -> Vec<CurvePoint> {
    let Some(timeline) = Timeline::of(history, now) else { return Vec::new() };
    let mut points = past(vessel, &timeline, from, until);
    let estimate = Estimate::of(vessel, Some(&timeline));
    if estimate.track().knows_level() && until >= now {
        let ahead = days_between(now, until);
        let step = ahead / f64::from(FUTURE_POINTS);
        let mut bank = estimate.bank().into_owned();
        for at in 0..=FUTURE_POINTS {
            if at > 0 {
                bank.pass(step, 0.0);
            }
            let begins = points.is_empty();
            points.push(point(&estimate, &bank, after_days(now, step * f64::from(at)), begins));
        }
    }
    points
}

/// The level after each reading and before each refill.
fn past(vessel: &Vessel, timeline: &Timeline, from: Timestamp, until: Timestamp) -> Vec<CurvePoint> {
    let (from, until) = (days_between(timeline.start, from), days_between(timeline.start, until));
    let shown = timeline.events.iter().filter(|event| (from..=until).contains(&event.at_days)).count();
    let every = shown.div_ceil(PAST_POINTS).max(1);
    let mut points = Vec::new();
    let mut begins = true;
    let mut since_point = every;
    let mut estimate = Estimate::before(vessel);
    // The steps borrow the estimate while its units are asked for, so the units come from a second one.
    let units = Estimate::before(vessel);
    estimate.follow(timeline, |at_days, moment, track| {
        let refill_next = moment == Moment::Before(What::Refill);
        let read = matches!(moment, Moment::After(What::Read { .. }));
        if moment == Moment::After(What::Refill) {
            begins = true;
        }
        since_point += usize::from(read);
        let wanted = refill_next || (read && (begins || since_point >= every));
        if wanted && track.knows_level() && (from..=until).contains(&at_days) {
            points.push(point(&units, &track.bank(), timeline.instant(at_days), begins));
            begins = false;
            since_point = 0;
        }
    });
    points
}

fn point(estimate: &Estimate<'_>, bank: &Bank, at: Timestamp, begins: bool) -> CurvePoint {
    let depth = estimate.level_of(bank).depth_mm;
    CurvePoint { at, low_mm: depth.low, estimate_mm: depth.estimate, high_mm: depth.high, begins }
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, TimeDelta};

    use super::super::{RatedLoss, Reading, Refill};
    use super::*;

    fn day(days: i64) -> Timestamp {
        Timestamp::from(DateTime::UNIX_EPOCH).plus(TimeDelta::days(days))
    }

    #[test]
    fn the_line_breaks_at_a_refill_and_the_band_widens_ahead() {
        let vessel = Vessel { rated_loss: Some(RatedLoss::MmPerDay(3.0)), ..Vessel::default() };
        let readings = [(0, 400.0), (10, 350.0), (20, 300.0), (25, 410.0), (35, 360.0)];
        let history = LevelHistory {
            readings: readings.map(|(at, level_mm)| Reading { at: day(at), level_mm }).to_vec(),
            refills: vec![Refill { at: day(24), level_before_mm: None, level_after_mm: None }],
            ..LevelHistory::default()
        };
        let points = curve(&vessel, &history, day(40), day(-5), day(70));
        let begins: Vec<_> = points.iter().filter(|point| point.begins).map(|point| point.at).collect();
        assert_eq!(begins, [day(0), day(25)]);
        assert!(points.windows(2).all(|pair| pair[0].at <= pair[1].at));
        assert!(
            points.iter().all(|p| p.low_mm <= p.estimate_mm && p.estimate_mm <= p.high_mm && p.low_mm >= 0.0)
        );
        let width = |point: &CurvePoint| point.high_mm - point.low_mm;
        let ahead: Vec<_> = points.iter().filter(|point| point.at >= day(40)).collect();
        assert!(width(ahead[ahead.len() - 1]) > 2.0 * width(ahead[0]));
        assert_eq!(ahead[ahead.len() - 1].at, day(70));
        let part = curve(&vessel, &history, day(40), day(22), day(30));
        assert_eq!(part.iter().map(|point| point.at).collect::<Vec<_>>(), [day(24), day(25)]);
        assert!(curve(&vessel, &LevelHistory::default(), day(1), day(0), day(9)).is_empty());
    }

    #[test]
    fn a_sensor_of_years_gives_a_few_hundred_points() {
        let readings = (0..3000)
            .map(|at| Reading { at: day(at), level_mm: 400.0 - f64::from(i32::try_from(at % 40).unwrap()) })
            .collect();
        let history = LevelHistory { readings, ..LevelHistory::default() };
        let points = curve(&Vessel::default(), &history, day(3000), day(0), day(3000));
        assert!((200..500).contains(&points.len()), "{}", points.len());
    }
}
