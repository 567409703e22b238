//! A tank's level and loss as the bank of filters has them, told in the tank's own units.

use std::borrow::Cow;

use crate::domain::{
    nitrogen::{
        filter::{Bank, Grid, Prior, Straight},
        forecast::{self, days_until},
        history::{Timeline, Vessel, What, after_days},
        outlook::{Basis, Interval, Level, Loss, Minimum},
        track::Track,
        watch::REPAIRED_SD,
    },
    values::Timestamp,
};

/// The state of a tank now.
pub struct Estimate<'v> {
    vessel: &'v Vessel,
    track: Track,
    has_events: bool,
    /// Readings that were used, after thinning.
    pub readings: usize,
}

/// What is supposed of a tank's loss before the first reading.
pub fn prior(vessel: &Vessel, openings_known: bool) -> Prior {
    vessel.rated_mm_per_day().map_or(Prior::ANY_TANK, |rated| Prior::of_rated(rated, openings_known))
}

impl<'v> Estimate<'v> {
    /// Before anything happened.
    pub fn before(vessel: &'v Vessel) -> Self {
        let track = Track::new(Bank::new(prior(vessel, false), &Grid::forecast()));
        Self { vessel, track, has_events: false, readings: 0 }
    }

    /// Follows the tank through what happened, up to now.
    pub fn of(vessel: &'v Vessel, timeline: Option<&Timeline>) -> Self {
        let mut estimate = Self::before(vessel);
        if let Some(timeline) = timeline {
            estimate.follow(timeline, |_, _, _| {});
            estimate.track.pass(timeline.days_since, timeline.openings_since);
        }
        estimate
    }

    /// Goes through the events, telling `each` the state just before and just after it.
    pub fn follow(&mut self, timeline: &Timeline, mut each: impl FnMut(f64, Moment, &Track)) {
        let straight = self.straight();
        self.has_events = true;
        for event in &timeline.events {
            self.track.pass(event.days, event.openings);
            each(event.at_days, Moment::Before(event.what), &self.track);
            match event.what {
                What::Refill => self.track.refill(),
                What::Repair => self.track.repaired(REPAIRED_SD),
                What::Read { level_mm, .. } => {
                    self.readings += 1;
                    self.track.read(straight.sighting(level_mm));
                }
            }
            each(event.at_days, Moment::After(event.what), &self.track);
        }
    }

    /// The tank's straight depths.
    pub fn straight(&self) -> Straight<'v> {
        self.vessel.straight()
    }

    /// The bank now.
    pub fn bank(&self) -> Cow<'_, Bank> {
        self.track.bank()
    }

    /// The track now.
    pub fn track(&self) -> &Track {
        &self.track
    }

    /// The highest level there can be, in millimetres of a straight tank.
    pub fn ceiling_mm(&self) -> f64 {
        self.vessel.full_mm().map_or(f64::INFINITY, |full| self.straight().level_mm(full))
    }

    /// The level, when it is known.
    pub fn level(&self) -> Option<Level> {
        self.track.knows_level().then(|| self.level_of(&self.bank()))
    }

    /// The level of a bank.
    pub fn level_of(&self, bank: &Bank) -> Level {
        let straight = self.straight();
        let level = forecast::level(bank, self.ceiling_mm());
        let depth_mm = level.map(|level| straight.depth_mm(level));
        let litres = self.litres(level);
        let percent = match (litres, &self.vessel.chart, self.vessel.full_mm()) {
            (Some(litres), Some(chart), _) => Some(litres.map(|litres| 100.0 * litres / chart.capacity_l())),
            (_, _, Some(full)) => Some(depth_mm.map(|depth| 100.0 * depth / full)),
            _ => None,
        };
        Level { depth_mm, litres, percent }
    }

    fn litres(&self, level: Interval) -> Option<Interval> {
        let straight = self.straight();
        straight.0.map(|_| level.map(|level| straight.litres(level).unwrap_or_default()))
    }

    /// The loss a day; in millimetres, at the level now.
    pub fn loss(&self, level: Option<&Level>) -> Loss {
        let loss = forecast::loss(&self.bank());
        let chart = self.vessel.chart.as_ref();
        let mean_slope = chart.map(super::DepthChart::mean_slope_l_per_mm);
        let stretch = level.map_or(1.0, |level| self.straight().sighting(level.depth_mm.estimate).stretch);
        Loss {
            mm_per_day: loss.map(|mm| mm / stretch),
            litres_per_day: mean_slope.map(|slope| loss.map(|mm| mm * slope)),
            rated_litres_per_day: self.vessel.rated_litres_per_day(),
        }
    }

    /// When the minimum is reached.
    pub fn minimum(&self, now: Timestamp) -> Option<Minimum> {
        let min_mm = self.straight().level_mm(self.vessel.min_depth_mm?);
        let bank = self.track.knows_level().then(|| self.bank())?;
        let at = |chance| days_until(&bank, min_mm, chance).map(|days| after_days(now, days));
        Some(Minimum { earliest: at(0.05)?, estimate: at(0.5)?, latest: at(0.95) })
    }

    /// Litres that fill the tank up in so many days.
    pub fn refill_l(&self, days: f64) -> Option<Interval> {
        let capacity_l = self.vessel.chart.as_ref()?.capacity_l();
        let mut bank = self.bank().into_owned();
        bank.pass(days, 0.0);
        self.level_of(&bank).litres.map(|litres| litres.map_falling(|litres| capacity_l - litres))
    }

    /// What the figures rest on.
    pub fn basis(&self) -> Basis {
        match (self.track.learned(), self.vessel.rated_mm_per_day()) {
            (1.., _) => Basis::Readings,
            (0, Some(_)) => Basis::RatedLoss,
            (0, None) => Basis::AnyTank,
        }
    }

    /// The same in words.
    pub fn basis_text(&self) -> String {
        let loss = match self.basis() {
            Basis::Readings => format!("{} readings of this tank", self.readings),
            Basis::RatedLoss => {
                "The tank's rated loss: with fewer than two readings since a refill its own loss is not known yet"
                    .to_owned()
            }
            Basis::AnyTank => "Any tank's loss, 4 mm a day give or take a factor of two: neither its own loss (two \
                readings without a refill between them) nor its rated loss is known"
                .to_owned(),
        };
        let rated = match (self.basis(), self.vessel.rated_loss, self.vessel.rated_mm_per_day()) {
            (Basis::Readings, None, _) => "; its rated loss is not known",
            (_, Some(_), None) => {
                "; its rated loss is in litres and of no use without its chart, or its capacity and full depth"
            }
            _ => "",
        };
        let level = if self.track.knows_level() {
            ""
        } else if self.has_events {
            ". The level after the last refill is not known: read it"
        } else {
            ". No level has been read yet"
        };
        format!("{loss}{rated}{level}. Openings are part of the loss. {}", super::ASSUMPTIONS)
    }
}

/// Where in an event a state is told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Moment {
    /// Before it.
    Before(What),
    /// After it.
    After(What),
}
