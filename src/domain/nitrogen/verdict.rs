//! A tank's condition, with the reason in words.

use crate::domain::nitrogen::{
    Condition, Vessel,
    estimate::{Estimate, prior},
    history::Timeline,
    watch::{Alarm, AlarmCause, AlarmEnd, Watch},
};

/// From so many judged readings on a condition is told.
const ENOUGH: usize = 2;
/// From this share of the threshold on the readings are watched.
const NEAR: f64 = 0.7;
/// Beyond so many times its rated loss a tank's openings no longer explain it: among the simulated tanks, age and openings
/// made up to about 2.8 times.
const FAR_ABOVE_RATED: f64 = 3.0;
/// The lower end of a 90 % interval, in standard deviations.
const LOW_SD: f64 = 1.645;
/// After so many usual intervals, and at least so many days, without a reading nothing is known any more.
const OVERDUE_INTERVALS: f64 = 4.0;
const OVERDUE_DAYS: f64 = 3.0;

/// A condition and why.
pub struct Verdict {
    pub condition: Condition,
    pub reason: String,
}

impl Verdict {
    /// Judges a tank.
    pub fn of(vessel: &Vessel, timeline: Option<&Timeline>, estimate: &Estimate<'_>) -> Self {
        let Some(timeline) = timeline else {
            return unknown("No level has been read yet.".to_owned());
        };
        let watch = Watch::over(timeline, vessel.straight(), |ledger| prior(vessel, ledger));
        let alarm = watch.alarms.last().copied().map(|alarm| LastAlarm {
            raised_at: timeline.instant(alarm.at_days),
            cause: alarm.cause,
            ended_at: alarm.ended.map(|(at_days, _)| timeline.instant(at_days)),
            ended_by: alarm.ended.map(|(_, end)| end),
        });
        let (condition, reason) = judge(vessel, timeline, estimate, &watch);
        let ended = alarm.as_ref().and_then(LastAlarm::ended).unwrap_or_default();
        Self { condition, reason: reason + &ended, alarm }
    }
}
@@
            return Self { condition: Condition::Failing, reason: failing(alarm, timeline, &watch) };
        }
        if watch.doubts_low() {
            return Self {
                condition: Condition::Watch,
                reason: "The last reading is far lower than expected. Read again now: if the second reading says the \
                    same, the tank is failing; until then the forecast is half with it, half without it."
                    .to_owned(),
            };
        }
        if let Some(reason) = overdue(timeline).or_else(|| too_few(&watch)) {
            return unknown(reason);
        }
        if watch.nearness() >= NEAR {
            return Self {
                condition: Condition::Watch,
                reason: "The last readings were lower than expected, though not yet by enough for an alarm. Read again \
                    soon."
                    .to_owned(),
            };
        }
        let rated = times_rated(vessel, estimate);
        if let Some((_, estimate)) = rated.filter(|(low, _)| *low > FAR_ABOVE_RATED) {
            return Self {
                condition: Condition::Watch,
                reason: format!(
                    "It loses about {estimate:.1} times its rated loss, more than openings explain: look for frost or sweat on \
                     the neck and the outside, check the rated loss that is entered, and read again soon."
                ),
            };
        }
        Self { condition: Condition::Normal, reason: normal(rated, estimate, &watch) }
    }
}

fn unknown(reason: String) -> Verdict {
    Verdict { condition: Condition::Unknown, reason }
}

fn failing(alarm: Alarm, timeline: &Timeline, watch: &Watch) -> String {
    let since = timeline.instant(alarm.at_days).utc().format("%Y-%m-%d");
    let how = match alarm.why {
        Why::Sum => "several readings in a row were lower than expected",
        Why::Confirmed => "a reading was far lower than expected and a second one said the same",
        Why::Baseline => "its loss has risen above what it was in the first weeks",
    };
    let times = watch
        .times_baseline()
        .filter(|times| *times > 1.1)
        .map(|times| format!(" It now loses about {times:.1} times what it lost then."))
        .unwrap_or_default();
    format!(
        "On {since} {how}.{times} The vacuum may be failing, unless nitrogen was taken out or spilled: look for frost or \
         sweat on the neck and the outside, read the level daily, and have another tank ready to move the straws to."
    )
}

/// Too long without a reading.
fn overdue(timeline: &Timeline) -> Option<String> {
    let interval = timeline.interval_days?;
    let limit = (OVERDUE_INTERVALS * interval).max(OVERDUE_DAYS);
    let last = timeline.events.iter().rev().find(|event| event.is_reading())?;
    let now_days = timeline.events.last()?.at_days + timeline.days_since;
    let age = now_days - last.at_days;
    (age > limit).then(|| {
        format!("The last reading is {age:.0} days old; it is usually read every {interval:.0} days.")
    })
}

fn too_few(watch: &Watch) -> Option<String> {
    (watch.judged < ENOUGH).then(|| {
        "Too few readings to tell: it takes three without a refill between them, or more with refills."
            .to_owned()
    })
}

/// How many times its rated loss a tank loses, openings included: at least, in 19 of 20 cases, and likely.
fn times_rated(vessel: &Vessel, estimate: &Estimate<'_>) -> Option<(f64, f64)> {
    let rated = vessel.rated_mm_per_day()?;
    let (mean, variance) = estimate.bank().rho();
    Some(((mean - LOW_SD * variance.sqrt()).exp() / rated, mean.exp() / rated))
}

fn normal(rated: Option<(f64, f64)>, estimate: &Estimate<'_>, watch: &Watch) -> String {
    let loses = match watch.times_baseline() {
        Some(times) => format!("It loses {times:.1} times what it lost in the first weeks."),
        None => "Its readings are as expected.".to_owned(),
    };
    let high = if estimate.track().doubts() == Some(false) {
        " The last reading is far higher than expected: was there a refill? Read again; until then the forecast is half \
         with it, half without it."
    } else {
        ""
    };
    let rated = rated
        .map(|(_, estimate)| format!(" With its openings it loses about {estimate:.1} times its rated loss."))
        .unwrap_or_default();
    format!("{loses}{rated}{high}")
}
