//! Whether a tank's nitrogen needs attention.

use chrono::TimeDelta;

use crate::domain::{
    alerts::{
        AlertKind, Figures, Finding,
        rule::{AlertRuleDetails, READING_DAYS, REFILL_DAYS},
    },
    nitrogen::{Condition, LevelForecast, tank::TankDetails},
    values::{Timestamp, WatchDays},
};

/// What is found of a tank. Of one that was never read nothing is told: nobody keeps its level here.
pub fn judge(
    kind: AlertKind,
    rule: &AlertRuleDetails,
    tank: &TankDetails,
    outlook: &LevelForecast,
    now: Timestamp,
) -> Finding {
    if let (AlertKind::NitrogenLossHigh, Some(_)) = (kind, outlook.frost) {
        return Finding::Wrong { figures: Figures::default(), text: outlook.reason.clone() };
    }
    let Some(read) = outlook.last_reading else { return Finding::Between };
    match kind {
        AlertKind::NitrogenLow => {
            let below = rule.below_depth_mm.map(|depth| real(depth.get())).or_else(|| tank.min_mm());
            let last = format!("last read {:.0} mm at {}", read.level_mm, read.at);
            below.map_or(Finding::Between, |below| low(outlook, below, &last))
        }
        AlertKind::NitrogenRefillDue => refill_due(outlook, days(rule.within_days, REFILL_DAYS), now),
        AlertKind::NitrogenLossHigh => match outlook.condition {
            Condition::Failing => {
                let figures =
                    Figures { measured: Some(outlook.loss.mm_per_day.estimate), ..Figures::default() };
                Finding::Wrong { figures, text: outlook.reason.clone() }
            }
            Condition::Normal => Finding::Right { text: outlook.reason.clone() },
            Condition::Watch | Condition::Unknown => Finding::Between,
        },
        AlertKind::NitrogenReadingOverdue => {
            let every = days(rule.every_days, READING_DAYS);
            let passed = in_days(now.since(read.at));
            if passed <= every {
                return Finding::Right { text: format!("It was read at {}.", read.at) };
            }
            let figures = Figures { straws: None, measured: Some(passed.floor()), threshold: Some(every) };
            let text = format!("last read {passed:.0} days ago, at {}; told after {every:.0} days.", read.at);
            Finding::Wrong { figures, text }
        }
        _ => Finding::Between,
    }
}

/// Opens when the level is as likely below as above; clears when hardly anything speaks for below any more.
fn low(outlook: &LevelForecast, below: f64, last: &str) -> Finding {
    let Some(level) = outlook.level else { return Finding::Between };
    let depth = level.depth_mm;
    if depth.estimate < below {
        let figures =
            Figures { straws: None, measured: Some(depth.estimate.round()), threshold: Some(below) };
        let text = format!(
            "the level is about {:.0} mm ({:.0} to {:.0} mm in nine of ten cases), {last}; told below {below:.0} mm.",
            depth.estimate,
            depth.low.max(0.0),
            depth.high
        );
        Finding::Wrong { figures, text }
    } else if depth.low >= below {
        Finding::Right { text: format!("The level is about {:.0} mm now, {last}.", depth.estimate) }
    } else {
        Finding::Between
    }
}

/// Opens so many days ahead of the earliest date; clears when there is a quarter more time.
fn refill_due(outlook: &LevelForecast, within: f64, now: Timestamp) -> Finding {
    let Some(minimum) = outlook.minimum else { return Finding::Between };
    let ahead = in_days(minimum.earliest.since(now));
    if ahead <= within {
        let latest = minimum.latest.map_or_else(|| "in more than ten years".to_owned(), day);
        let litres = outlook
            .refill_l
            .map_or_else(String::new, |litres| format!(" About {:.0} l fill it up.", litres.estimate));
        let text = format!(
            "refill by {}: the minimum depth is reached between then and {latest} in nine of ten cases, most likely on \
             {}.{litres}",
            day(minimum.earliest),
            day(minimum.estimate)
        );
        let figures =
            Figures { straws: None, measured: Some(ahead.max(0.0).floor()), threshold: Some(within) };
        Finding::Wrong { figures, text }
    } else if ahead >= within * 1.25 {
        Finding::Right { text: format!("A refill is due by {} only.", day(minimum.earliest)) }
    } else {
        Finding::Between
    }
}

/// The day in UTC: a forecast is no better than that.
fn day(at: Timestamp) -> String {
    at.utc().format("%Y-%m-%d").to_string()
}

fn days(told: Option<WatchDays>, usual: i64) -> f64 {
    told.map_or_else(|| real(usual), WatchDays::real)
}

#[expect(clippy::cast_precision_loss, reason = "seconds of a few years")]
fn in_days(delta: TimeDelta) -> f64 {
    delta.num_seconds() as f64 / 86_400.0
}

#[expect(clippy::cast_precision_loss, reason = "days and millimetres")]
fn real(whole: i64) -> f64 {
    whole as f64
}
