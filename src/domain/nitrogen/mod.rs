//! Liquid nitrogen in a tank: how much there is, how fast it goes, when to refill, and whether the tank is failing.
//!
//! The technician dips a rod once a week; a sensor may read every hour. From these readings, the refills and the
//! openings that the ledger knows, [`outlook`](fn@outlook) tells the level now, the loss a day, the day on which the
//! minimum is reached (earliest, likely, latest) and the tank's condition, each with its interval and its basis.
//!
//! - [`facts`]: properties of nitrogen with their sources; weight to litres
//! - [`chart`]: depth to litres and back
//! - [`history`]: what is known of a tank, as plain values, and the checks of a single reading or refill
//! - [`thin`]: a sensor's many readings become one a day
//! - [`filter`], [`normal`]: a bank of filters follows level and loss through the readings
//! - [`track`]: a reading that was not predicted is doubted until the next one
//! - [`forecast`], [`estimate`]: level now, loss a day, when the minimum is reached
//! - [`watch`]: is it losing more than it used to?
//! - [`outlook`](mod@outlook): all of it in one answer
//! - [`curve`](mod@curve): the fitted level and the forecast band, for a drawing
//!
//! What a caller needs is [`Vessel`], [`LevelHistory`], [`outlook`](fn@outlook) and [`curve`](fn@curve); before recording,
//! [`history::check_level`], [`history::check_refill`], [`DepthChart::through`]. How well it does is told in
//! `docs/nitrogen.md`.
//!
//! All figures come from simulation with assumed parameters and from handbook physics; no measured tank data stood
//! behind them. Say so wherever a figure is shown ([`ASSUMPTIONS`]).
//!
//! Levels are depths in millimetres on the dipstick, times are [`Timestamp`](super::values::Timestamp)s, spans are
//! days. Who records readings in litres or by weight converts them first: [`DepthChart::depth_mm`],
//! [`facts::litres_of_gross_kg`].

pub mod chart;
pub mod curve;
pub mod estimate;
pub mod facts;
pub mod filter;
pub mod forecast;
pub mod history;
pub mod level;
pub mod normal;
pub mod outlook;
pub mod read_level;
pub mod tank;
pub mod thin;
pub mod track;
mod verdict;
pub mod watch;

pub use chart::{ChartPoint, DepthChart};
pub use curve::{CurvePoint, curve};
pub use history::{LevelHistory, RatedLoss, Reading, Refill, Vessel};
pub use outlook::{Basis, Interval, Level, LevelForecast, Loss, Minimum, outlook};
pub use verdict::LastAlarm;
pub use watch::{AlarmCause, AlarmEnd, Condition};

/// Where the figures come from, to be shown beside them.
pub const ASSUMPTIONS: &str = "Estimated by a model whose parameters were chosen by simulation and from handbook \
    physics; no measured tank data stood behind it.";

/// The caution that belongs beside every answer about nitrogen.
pub const CAUTION: &str = "Nitrogen gas displaces air without warning (hazardous below 19.5 % oxygen: OSHA, 29 CFR \
    1910.146): ventilate, and secure the tank in a vehicle. The liquid burns: loose dry cryogenic gloves and a face \
    shield. Never seal the neck. A rod read once a week cannot save a tank that fails fast: frost or sweat on the neck \
    or the outside means moving the straws at once. Local codes and licensed practice go before this answer.";
