//! The fitted level and the forecast band, for a drawing.

use super::{History, Vessel};
use crate::domain::values::Timestamp;

/// The level at one instant, with its 90 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurvePoint {
    /// When.
    pub at: Timestamp,
    /// Depth in millimetres, 5 %.
    pub low_mm: f64,
    /// Depth in millimetres, the middle.
    pub likely_mm: f64,
    /// Depth in millimetres, 95 %.
    pub high_mm: f64,
    /// Whether a refill stands between this point and the one before, so that no line joins them.
    pub begins: bool,
}

/// The level from `from` to `until` in time order: up to `now` as the readings so far told it at each instant, after
/// `now` the forecast. Nothing before the first reading; at most a few hundred points.
pub fn curve(
    vessel: &Vessel,
    history: &History,
    now: Timestamp,
    from: Timestamp,
    until: Timestamp,
) -> Vec<CurvePoint> {
    let _ = (vessel, history, now, from, until);
    Vec::new()
}
