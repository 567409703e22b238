//! A tank's condition, with the reason in words.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    nitrogen::{
        Condition, Vessel,
        estimate::{Estimate, prior},
        history::{Timeline, What},
        watch::{Alarm, AlarmCause, AlarmEnd, Watch},
    },
    values::Timestamp,
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
/// The same where no interval is usual yet: a month, assumed.
const LONG_AGO_DAYS: f64 = 30.0;

/// A condition and why.
pub struct Verdict {
    pub condition: Condition,
    pub reason: String,
    pub alarm: Option<LastAlarm>,
}

/// The last alarm of a tank, whether it stands or has ended.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct LastAlarm {
    /// When it was raised.
    pub raised_at: Timestamp,
    /// By what.
    pub cause: AlarmCause,
    /// When it ended; null while it stands.
    pub ended_at: Option<Timestamp>,
    /// What ended it; null while it stands.
    pub ended_by: Option<AlarmEnd>,
}

impl LastAlarm {
    /// How it ended, in words.
    fn ended(&self) -> Option<String> {
        let how = match self.ended_by? {
            AlarmEnd::LossBack => "the loss had been back where it was before for three weeks",
            AlarmEnd::Repair => "the tank was entered as repaired or replaced",
        };
        let (raised, ended) =
            (self.raised_at.utc().format("%Y-%m-%d"), self.ended_at?.utc().format("%Y-%m-%d"));
        Some(format!(" The alarm of {raised} ended on {ended}: {how}."))
    }
}

impl Verdict {
    /// Judges a tank.
    pub fn of(vessel: &Vessel, timeline: Option<&Timeline>, estimate: &Estimate<'_>) -> Self {
        let Some(timeline) = timeline else {
            let reason = "No level has been read yet.".to_owned();
            return Self { condition: Condition::Unknown, reason, alarm: None };
        };
        let watch = Watch::over(timeline, vessel.straight(), |ledger| prior(vessel, ledger));
        let alarm = watch.alarms.last().map(|alarm| LastAlarm {
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

fn judge(
    vessel: &Vessel,
    timeline: &Timeline,
    estimate: &Estimate<'_>,
    watch: &Watch,
) -> (Condition, String) {
    if let Some(alarm) = watch.standing() {
        return (Condition::Failing, failing(alarm, timeline, watch));
    }
    let watched = |reason: &str| (Condition::Watch, reason.to_owned());
    if dry(timeline) {
        return watched(
            "The last reading is 0 mm: no nitrogen is left at the rod, and the loss of an empty tank cannot be told. \
             Straws that hang in it are lost or about to be: move them at once, then fill up and read again.",
        );
    }
    if watch.doubts_low() {
        return watched(
            "The last reading is far lower than expected. Read again now: if the second reading says the same, the \
             nitrogen is gone and the tank may be failing; until then the forecast is half with it, half without it.",
        );
    }
    if watch.sudden() {
        return watched(
            "Much more was lost than expected, and a second reading said the same: nitrogen was taken out or spilled, or \
             the tank is failing. Look for frost or sweat on the neck and the outside, and read again tomorrow: only a \
             loss that goes on tells.",
        );
    }
    if let Some(reason) = overdue(timeline).or_else(|| too_few(watch)) {
        return (Condition::Unknown, reason);
    }
    if watch.nearness() > NEAR {
        return watched(
            "The last readings were lower than expected, though not yet by enough for an alarm. Read again soon.",
        );
    }
    let rated = times_rated(vessel, estimate);
    if let Some((_, estimate)) = rated.filter(|(low, _)| *low > FAR_ABOVE_RATED) {
        return watched(&format!(
            "It loses about {estimate:.1} times its rated loss, more than openings explain: look for frost or sweat on \
             the neck and the outside, check the rated loss that is entered, and read again soon."
        ));
    }
    (Condition::Normal, normal(rated, estimate, watch))
}

/// Whether the last thing known is a level of 0 mm.
fn dry(timeline: &Timeline) -> bool {
    matches!(timeline.events.last().map(|event| event.what), Some(What::Read { level_mm, .. }) if level_mm <= 0.0)
}

fn failing(alarm: &Alarm, timeline: &Timeline, watch: &Watch) -> String {
    let since = timeline.instant(alarm.at_days).utc().format("%Y-%m-%d");
    let how = match alarm.cause {
        AlarmCause::Sum => "several readings in a row were lower than expected",
        AlarmCause::Confirmed => "a reading was far lower than expected and a second one said the same",
        AlarmCause::Baseline => "its loss has risen above what it was in the first weeks",
    };
    let times = watch
        .times_before()
        .filter(|times| *times > 1.1)
        .map(|times| format!(" It now loses about {times:.1} times what it lost before."))
        .unwrap_or_default();
    format!(
        "On {since} {how}.{times} The vacuum may be failing, unless nitrogen was taken out or spilled: look for frost or \
         sweat on the neck and the outside, read the level daily, and have another tank ready to move the straws to. The alarm stands until the loss \
         has been back for three weeks, or until a repair or replacement of the tank is entered."
    )
}

/// Too long without a reading.
fn overdue(timeline: &Timeline) -> Option<String> {
    let last = timeline.events.iter().rev().find(|event| event.is_reading())?;
    let now_days = timeline.events.last()?.at_days + timeline.days_since;
    let age = now_days - last.at_days;
    let Some(interval) = timeline.interval_days else {
        return (age > LONG_AGO_DAYS)
            .then(|| format!("The last reading is {age:.0} days old: read the level."));
    };
    let limit = (OVERDUE_INTERVALS * interval).max(OVERDUE_DAYS);
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
    let loses = match watch.times_before() {
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
