//! The answer about a tank's nitrogen, in one value.

use serde::Serialize;
use utoipa::ToSchema;

use super::{
    Condition, History, Reading, Vessel,
    estimate::Estimate,
    history::{Timeline, days_between},
    verdict::Verdict,
};
use crate::{domain::values::Timestamp, text_enum};

/// A figure with its 90 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Interval {
    /// 5 %: the true figure is below this in one case of twenty.
    pub low: f64,
    /// The middle.
    pub likely: f64,
    /// 95 %.
    pub high: f64,
}

impl Interval {
    /// The interval of something that rises with this.
    #[must_use]
    pub fn map(self, of: impl Fn(f64) -> f64) -> Self {
        Self { low: of(self.low), likely: of(self.likely), high: of(self.high) }
    }

    /// The interval of something that falls as this rises.
    #[must_use]
    pub fn map_falling(self, of: impl Fn(f64) -> f64) -> Self {
        Self { low: of(self.high), likely: of(self.likely), high: of(self.low) }
    }
}

text_enum! {
    /// What the answer rests on.
    Basis {
        /// Readings of this tank, at least two after each other without a refill between them.
        Readings = "readings",
        /// Its rated loss; with fewer than two readings its own loss is not known yet.
        RatedLoss = "rated_loss",
        /// Neither: any tank's loss.
        AnyTank = "any_tank",
    }
}

/// The level now.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Level {
    /// Depth in millimetres.
    pub depth_mm: Interval,
    /// Litres, when the tank has a chart.
    pub litres: Option<Interval>,
    /// Percent of the full tank: of its litres, or of its depth without a chart.
    pub percent: Option<Interval>,
}

/// The loss a day, openings included at their recent rate.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Loss {
    /// In millimetres of depth a day.
    pub mm_per_day: Interval,
    /// In litres a day, when the tank has a chart.
    pub litres_per_day: Option<Interval>,
    /// Its rated loss, unopened, in litres a day, when it is known.
    pub rated_litres_per_day: Option<f64>,
}

/// When the minimum depth is reached: a 90 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Minimum {
    /// 5 %. Refill by then.
    pub earliest: Timestamp,
    /// The middle.
    pub likely: Timestamp,
    /// 95 %; null when it is more than ten years ahead.
    pub latest: Option<Timestamp>,
}

/// What can be said of a tank's nitrogen.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlook {
    /// What the figures rest on.
    pub basis: Basis,
    /// The same in words, with what is missing.
    pub basis_text: String,
    /// Readings that were used, after thinning.
    pub readings_used: usize,
    /// The last reading, whether it was believed or not.
    pub last_reading: Option<Reading>,
    /// The level now; none before the first reading.
    pub level: Option<Level>,
    /// The loss a day.
    pub loss: Loss,
    /// When the minimum is reached; none without a level or without a minimum.
    pub minimum: Option<Minimum>,
    /// Refill by then: the earliest date of [`Self::minimum`].
    pub refill_by: Option<Timestamp>,
    /// Litres that fill the tank up at [`Self::refill_by`], when it has a chart.
    pub refill_l: Option<Interval>,
    /// Its condition.
    pub condition: Condition,
    /// Why, in words.
    pub reason: String,
}

/// What can be said of a tank's nitrogen at `now`. What lies after `now` is left out.
pub fn outlook(vessel: &Vessel, history: &History, now: Timestamp) -> Outlook {
    let timeline = Timeline::of(history, now);
    let estimate = Estimate::of(vessel, timeline.as_ref());
    let verdict = Verdict::of(vessel, timeline.as_ref(), &estimate);
    let level = estimate.level();
    let minimum = estimate.minimum(now);
    let refill_by = minimum.map(|minimum| minimum.earliest);
    Outlook {
        basis: estimate.basis(),
        basis_text: estimate.basis_text(),
        readings_used: estimate.readings,
        last_reading: last_reading(history, now),
        level,
        loss: estimate.loss(level.as_ref()),
        minimum,
        refill_by,
        refill_l: refill_by.and_then(|by| estimate.refill_l(days_between(now, by))),
        condition: verdict.condition,
        reason: verdict.reason,
    }
}

/// The last reading up to `now`.
fn last_reading(history: &History, now: Timestamp) -> Option<Reading> {
    history.readings.iter().filter(|reading| reading.at <= now).max_by_key(|reading| reading.at).copied()
}
