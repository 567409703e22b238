//! What is known of a tank and what happened to it, as plain values.

use super::DepthChart;
use crate::domain::values::Timestamp;

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
    /// Threshold of the alarm; without it the default for the tank's own reading interval
    /// ([`super::watch::threshold_for`]).
    pub alarm_threshold: Option<f64>,
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
    /// next reading tells.
    pub level_after_mm: Option<f64>,
}

/// What happened to a tank. Each list may come in any order; superseded readings are left out by the caller.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct History {
    /// Levels that were read.
    pub readings: Vec<Reading>,
    /// Refills.
    pub refills: Vec<Refill>,
    /// When the tank was opened: each withdrawal, receipt, transfer, stocktake or discard at the tank is one opening.
    pub openings: Vec<Timestamp>,
}

/// Depth after so many litres were added to a tank that stood at `before_mm`.
///
/// # Errors
/// Says so when they do not fit in.
pub fn level_after_mm(chart: &DepthChart, before_mm: f64, added_l: f64) -> Result<f64, String> {
    let _ = (chart, before_mm, added_l);
    Err("not yet".to_owned())
}

/// Whether a depth can stand in the tank.
///
/// # Errors
/// Says what is wrong when it is below 0 or above the full depth.
pub fn check_level(level_mm: f64, full_depth_mm: Option<f64>) -> Result<(), String> {
    let _ = (level_mm, full_depth_mm);
    Ok(())
}

/// Whether a refill raised the level. `before_mm` is the depth before, as it was read.
///
/// # Errors
/// Says what is wrong when it lowered the level.
pub fn check_refill(before_mm: Option<f64>, after_mm: Option<f64>) -> Result<(), String> {
    let _ = (before_mm, after_mm);
    Ok(())
}
