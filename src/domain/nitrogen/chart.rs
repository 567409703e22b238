//! A tank's chart: depth on the dipstick to litres, and back.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// One line of the chart that came with the tank.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ChartPoint {
    /// Depth on the dipstick in millimetres, 0 or more.
    #[schema(minimum = 0.0, maximum = 5000.0, example = 250.0)]
    pub depth_mm: f64,
    /// Litres of liquid nitrogen at that depth, 0 or more.
    #[schema(minimum = 0.0, maximum = 2000.0, example = 18.7)]
    pub litres: f64,
}

/// Depth to litres and back, strictly rising from an empty tank to a full one.
#[derive(Clone, Debug, PartialEq)]
pub struct DepthChart {
    points: Vec<ChartPoint>,
    slopes_l_per_mm: Vec<f64>,
}

impl DepthChart {
    /// A straight chart, when only the full depth and the capacity are known.
    ///
    /// # Errors
    /// Says what is wrong when either is not more than 0.
    pub fn linear(full_depth_mm: f64, capacity_l: f64) -> Result<Self, String> {
        Self::through(&[ChartPoint { depth_mm: full_depth_mm, litres: capacity_l }])
    }

    /// A smooth chart through the tank's own points, the last of which is the full tank. An empty tank (0 mm, 0 l)
    /// is put before them when they do not begin at 0 mm.
    ///
    /// # Errors
    /// Says which point is wrong when depth or litres do not rise from point to point.
    pub fn through(_points: &[ChartPoint]) -> Result<Self, String> {
        Err("not yet".to_owned())
    }

    /// Depth of the full tank in millimetres.
    pub fn full_depth_mm(&self) -> f64 {
        self.points.last().map_or(0.0, |point| point.depth_mm)
    }

    /// Litres in the full tank.
    pub fn capacity_l(&self) -> f64 {
        self.points.last().map_or(0.0, |point| point.litres)
    }

    /// Litres at a depth; a depth outside the chart counts as its end.
    pub fn litres(&self, _depth_mm: f64) -> f64 {
        0.0
    }

    /// Depth at which the tank holds so many litres; litres outside the chart count as its end.
    pub fn depth_mm(&self, _litres: f64) -> f64 {
        0.0
    }

    /// Litres a millimetre at a depth.
    pub fn slope_l_per_mm(&self, _depth_mm: f64) -> f64 {
        self.slopes_l_per_mm.first().copied().unwrap_or(0.0)
    }
}
