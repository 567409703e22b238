//! A tank's chart: depth on the dipstick to litres, and back.
//!
//! Litres follow the depth along straight walls and leave the line at the shoulder, so a chart is the tank's own (dewar
//! user manual). Between its points the curve is a monotone cubic, PCHIP after Fritsch and Butland: the slope at a
//! point is the weighted harmonic mean of its neighbours', at the ends the three-point formula. It never falls, does
//! not overshoot, and is what `scipy.interpolate.PchipInterpolator` draws (tests/reference/nitrogen).

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Most points a chart may have.
pub const MOST_POINTS: usize = 500;

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
    /// At least two.
    points: Vec<ChartPoint>,
    /// The slope at each point.
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
    pub fn through(points: &[ChartPoint]) -> Result<Self, String> {
        let mut all = Vec::with_capacity(points.len() + 1);
        if points.first().is_some_and(|first| first.depth_mm > 0.0) {
            all.push(ChartPoint { depth_mm: 0.0, litres: 0.0 });
        }
        all.extend_from_slice(points);
        check(points, all.len())?;
        for (at, pair) in all.windows(2).enumerate() {
            rises(at + 2 + points.len() - all.len(), pair[0], pair[1])?;
        }
        let slopes_l_per_mm = slopes(&all);
        Ok(Self { points: all, slopes_l_per_mm })
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
    pub fn litres(&self, depth_mm: f64) -> f64 {
        let depth_mm = depth_mm.clamp(self.points[0].depth_mm, self.full_depth_mm());
        let at = self.points.partition_point(|point| point.depth_mm <= depth_mm);
        self.piece(at).litres(depth_mm)
    }

    /// Depth at which the tank holds so many litres; litres outside the chart count as its end.
    pub fn depth_mm(&self, litres: f64) -> f64 {
        let litres = litres.clamp(self.points[0].litres, self.capacity_l());
        let at = self.points.partition_point(|point| point.litres <= litres);
        self.piece(at).depth_mm(litres)
    }

    /// Litres a millimetre at a depth; a depth outside the chart counts as its end. May be 0 at an end.
    pub fn slope_l_per_mm(&self, depth_mm: f64) -> f64 {
        let depth_mm = depth_mm.clamp(self.points[0].depth_mm, self.full_depth_mm());
        let at = self.points.partition_point(|point| point.depth_mm <= depth_mm);
        self.piece(at).slope_l_per_mm(depth_mm)
    }

    /// Litres a millimetre over the whole tank.
    pub fn mean_slope_l_per_mm(&self) -> f64 {
        let (first, full) = (self.points[0], self.points[self.points.len() - 1]);
        (full.litres - first.litres) / (full.depth_mm - first.depth_mm)
    }

    /// The piece that ends at point number `at`; before the first and after the last, the piece at the end.
    fn piece(&self, at: usize) -> Piece {
        let end = at.clamp(1, self.points.len() - 1);
        Piece {
            from: self.points[end - 1],
            to: self.points[end],
            slope_from: self.slopes_l_per_mm[end - 1],
            slope_to: self.slopes_l_per_mm[end],
        }
    }
}

/// Refuses too few, too many and negative points; `in_all` counts the empty tank put before them.
fn check(points: &[ChartPoint], in_all: usize) -> Result<(), String> {
    if in_all < 2 {
        return Err(
            "must hold at least one point above 0 mm: the depth and the litres of the full tank".to_owned()
        );
    }
    if points.len() > MOST_POINTS {
        return Err(format!("must hold at most {MOST_POINTS} points"));
    }
    let good = |number: f64| number.is_finite() && number >= 0.0;
    match points.iter().position(|point| !good(point.depth_mm) || !good(point.litres)) {
        Some(at) => Err(format!("point {} must have depth and litres of 0 or more", at + 1)),
        None => Ok(()),
    }
}

/// Refuses a point, by its number from 1, that does not stand above the one before.
fn rises(number: usize, before: ChartPoint, point: ChartPoint) -> Result<(), String> {
    let (d, l) = (point.depth_mm, point.litres);
    if d <= before.depth_mm {
        Err(format!("point {number} must be deeper than the one before: {d} mm after {} mm", before.depth_mm))
    } else if l <= before.litres {
        Err(format!(
            "point {number} must hold more than the one before: {l} l at {d} mm after {} l at {} mm",
            before.litres, before.depth_mm
        ))
    } else {
        Ok(())
    }
}

/// The slope at each point.
fn slopes(points: &[ChartPoint]) -> Vec<f64> {
    let (widths, chords): (Vec<f64>, Vec<f64>) = points
        .windows(2)
        .map(|pair| {
            let width = pair[1].depth_mm - pair[0].depth_mm;
            (width, (pair[1].litres - pair[0].litres) / width)
        })
        .unzip();
    let last = chords.len() - 1;
    if last == 0 {
        return vec![chords[0]; 2];
    }
    let mut slopes = vec![end_slope(widths[0], widths[1], chords[0], chords[1])];
    slopes.extend((1..=last).map(|at| {
        let (before, after) = (2.0 * widths[at] + widths[at - 1], widths[at] + 2.0 * widths[at - 1]);
        (before + after) / (before / chords[at - 1] + after / chords[at])
    }));
    slopes.push(end_slope(widths[last], widths[last - 1], chords[last], chords[last - 1]));
    slopes
}

/// The slope at an end by the three-point formula, but never falling.
fn end_slope(width: f64, next_width: f64, chord: f64, next_chord: f64) -> f64 {
    let slope = ((2.0 * width + next_width) * chord - width * next_chord) / (width + next_width);
    slope.max(0.0)
}

/// The cubic between two points.
struct Piece {
    from: ChartPoint,
    to: ChartPoint,
    slope_from: f64,
    slope_to: f64,
}

impl Piece {
    fn width(&self) -> f64 {
        self.to.depth_mm - self.from.depth_mm
    }

    /// The two coefficients of the cubic beyond the slope at its beginning.
    fn bend(&self) -> (f64, f64) {
        let chord = (self.to.litres - self.from.litres) / self.width();
        let c = (3.0 * chord - 2.0 * self.slope_from - self.slope_to) / self.width();
        let d = (self.slope_from + self.slope_to - 2.0 * chord) / (self.width() * self.width());
        (c, d)
    }

    fn litres(&self, depth_mm: f64) -> f64 {
        let (x, (c, d)) = (depth_mm - self.from.depth_mm, self.bend());
        self.from.litres + x * (self.slope_from + x * (c + x * d))
    }

    fn slope_l_per_mm(&self, depth_mm: f64) -> f64 {
        let (x, (c, d)) = (depth_mm - self.from.depth_mm, self.bend());
        self.slope_from + x * (2.0 * c + x * 3.0 * d)
    }

    /// By Newton's steps, halving where one would leave the bracket.
    fn depth_mm(&self, litres: f64) -> f64 {
        let (mut low, mut high) = (self.from.depth_mm, self.to.depth_mm);
        let mut depth =
            low + self.width() * (litres - self.from.litres) / (self.to.litres - self.from.litres);
        for _ in 0..100 {
            let over = self.litres(depth) - litres;
            if over > 0.0 {
                high = depth;
            } else {
                low = depth;
            }
            let step = depth - over / self.slope_l_per_mm(depth);
            let next = if step > low && step < high { step } else { f64::midpoint(low, high) };
            if (next - depth).abs() < 1e-11 * high.max(1.0) {
                return next;
            }
            depth = next;
        }
        depth
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn point(depth_mm: f64, litres: f64) -> ChartPoint {
        ChartPoint { depth_mm, litres }
    }

    fn fault(points: &[ChartPoint]) -> String {
        DepthChart::through(points).unwrap_err()
    }

    #[test]
    fn a_straight_tank_holds_in_proportion() {
        let chart = DepthChart::linear(430.0, 20.5).unwrap();
        assert!((chart.litres(215.0) - 10.25).abs() < 1e-12);
        assert!((chart.depth_mm(10.25) - 215.0).abs() < 1e-9);
        assert!((chart.slope_l_per_mm(100.0) - 20.5 / 430.0).abs() < 1e-12);
        assert!((chart.full_depth_mm() - 430.0).abs() < 1e-12 && (chart.capacity_l() - 20.5).abs() < 1e-12);
    }

    #[test]
    fn outside_the_chart_its_ends_hold() {
        let chart = DepthChart::linear(430.0, 20.5).unwrap();
        assert!(chart.litres(-1.0).abs() < 1e-12 && (chart.litres(900.0) - 20.5).abs() < 1e-12);
        assert!(chart.depth_mm(-1.0).abs() < 1e-12 && (chart.depth_mm(99.0) - 430.0).abs() < 1e-9);
    }

    #[test]
    fn a_chart_that_does_not_rise_is_refused_with_its_point() {
        assert_eq!(
            fault(&[point(100.0, 5.0), point(100.0, 6.0)]),
            "point 2 must be deeper than the one before: 100 mm after 100 mm"
        );
        assert_eq!(
            fault(&[point(0.0, 0.0), point(100.0, 8.0), point(200.0, 8.0)]),
            "point 3 must hold more than the one before: 8 l at 200 mm after 8 l at 100 mm"
        );
        assert!(fault(&[point(100.0, 0.0)]).contains("point 1 must hold more"));
        assert!(fault(&[]).contains("at least one point"));
        assert!(fault(&[point(0.0, 0.0)]).contains("at least one point"));
        assert!(fault(&[point(-5.0, 1.0), point(5.0, 2.0)]).contains("point 1"));
        assert!(fault(&[point(5.0, f64::NAN)]).contains("point 1"));
        assert!(fault(&vec![point(5.0, 1.0); MOST_POINTS + 1]).contains("at most"));
        assert!(DepthChart::linear(0.0, 20.0).is_err() && DepthChart::linear(430.0, 0.0).is_err());
    }

    /// Charts that rise, of 1 to 9 steps.
    fn charts() -> impl Strategy<Value = DepthChart> {
        prop::collection::vec((1.0..100.0_f64, 0.01..20.0_f64), 1..10).prop_map(|steps| {
            let mut at = point(0.0, 0.0);
            let points: Vec<_> = steps
                .into_iter()
                .map(|(mm, l)| {
                    at = point(at.depth_mm + mm, at.litres + l);
                    at
                })
                .collect();
            DepthChart::through(&points).unwrap()
        })
    }

    proptest! {
        #[test]
        fn litres_never_fall_with_depth_and_there_and_back_is_the_same(
            chart in charts(), one in 0.0..1.0_f64, other in 0.0..1.0_f64,
        ) {
            let full = chart.full_depth_mm();
            let (low, high) = if one <= other { (one * full, other * full) } else { (other * full, one * full) };
            prop_assert!(chart.litres(low) <= chart.litres(high) + 1e-9);
            prop_assert!(chart.slope_l_per_mm(low) >= -1e-9);
            let litres = one * chart.capacity_l();
            prop_assert!((chart.litres(chart.depth_mm(litres)) - litres).abs() < 1e-6);
        }
    }
}
