//! A liquid-nitrogen tank.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, Field, InputPath},
        nitrogen::{ChartPoint, DepthChart, RatedLoss, Vessel},
        values::{
            Canister, DepthMm, HerdId, Kilograms, Litres, LitresPerDay, Name, ReadDepthMm, ReadLitres,
            TankId, Timestamp,
        },
    },
    form, json_column,
};

form! {
    /// A line of a tank's chart.
    #[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
    pub struct ChartLine {
        /// Depth on the rod, in millimetres.
        #[schema(example = 250)]
        pub depth_mm: ReadDepthMm,
        /// Litres of liquid nitrogen at that depth.
        #[schema(example = 12.1)]
        pub litres: ReadLitres,
    }
}

/// A tank's chart, from the shallowest line to the full tank: depth and litres both rise from line to line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
#[schema(min_items = 1, max_items = 100)]
pub struct TankChart(Vec<ChartLine>);
json_column!(TankChart);

impl TankChart {
    fn points(&self) -> Vec<ChartPoint> {
        let point =
            |line: &ChartLine| ChartPoint { depth_mm: line.depth_mm.get(), litres: line.litres.get() };
        self.0.iter().map(point).collect()
    }
}

impl Field for TankChart {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let chart = Self(Field::read(value, spot, faults)?);
        DepthChart::through(&chart.points()).map_err(|wrong| faults.push(spot.fault(wrong))).ok()?;
        Some(chart)
    }
}

form! {
    /// What is said of a tank.
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct TankDetails, check TankDetails::check {
        /// What people call it.
        #[schema(example = "Dairy room")]
        pub name: Name,
        /// The herd whose own tank it is; left out for the technician's.
        pub herd_id: Option<HerdId>,
        /// How many canisters hang in it, numbered from 1. Default 6.
        #[schema(required = false)]
        pub canisters: Canister = Canister::SIX,
        /// Liquid nitrogen that it holds when full, in litres.
        #[schema(example = 24.0)]
        pub capacity_l: Option<Litres>,
        /// Depth of liquid nitrogen when full, in millimetres.
        #[schema(example = 440)]
        pub full_depth_mm: Option<DepthMm>,
        /// Depth below which it must not fall, in millimetres.
        #[schema(example = 150)]
        pub min_depth_mm: Option<DepthMm>,
        /// Its rated evaporation, unopened, in litres a day.
        #[schema(example = 0.12)]
        pub static_loss_l_per_day: Option<LitresPerDay>,
        /// The chart that came with it; without one depth and litres are taken as proportional.
        pub chart: Option<TankChart>,
        /// What it weighs without nitrogen, with its canisters and straws, in kilograms.
        #[schema(example = 12.4)]
        pub tare_kg: Option<Kilograms>,
    }
}

/// The depth below which a tank must not fall when nothing is said of it: 15 cm, the commonest (TNAU/IASRI
/// e-course).
pub const USUAL_MIN_DEPTH_MM: f64 = 150.0;

/// A whole number of millimetres; all that are kept are exact as `f64`.
fn mm(depth: DepthMm) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "at most 5000")]
    let mm = depth.get() as f64;
    mm
}

impl TankDetails {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.full_depth_mm.is_some_and(|full| full.get() == 0) {
            faults.push(spot.member("full_depth_mm").fault("must be more than 0"));
        }
        if let (Some(min), Some(full)) = (self.min_depth_mm, self.full_depth_mm)
            && min >= full
        {
            faults.push(
                spot.member("min_depth_mm")
                    .fault(format!("must be less than full_depth_mm, which is {full}")),
            );
        }
        let Some(deepest) = self.chart.as_ref().and_then(|chart| chart.points().last().copied()) else {
            return;
        };
        let mut wrong = |detail: String| faults.push(spot.member("chart").fault(detail));
        if let Some(full) = self.full_depth_mm.filter(|full| deepest.depth_mm > mm(*full)) {
            wrong(format!("must not go deeper than full_depth_mm, which is {full}"));
        }
        if let Some(capacity) = self.capacity_l.filter(|capacity| deepest.litres > capacity.get()) {
            wrong(format!("must not hold more than capacity_l, which is {}", capacity.get()));
        }
        if self.full_depth_mm.is_none() && self.min_depth_mm.is_some_and(|min| mm(min) >= deepest.depth_mm) {
            faults.push(spot.member("min_depth_mm").fault(format!(
                "must be less than the deepest line of the chart, which is at {} mm",
                deepest.depth_mm
            )));
        }
    }

    /// Depth to litres: by its chart, which the full tank closes where the chart ends before it; else in
    /// proportion, when full depth and capacity are known.
    pub fn depth_chart(&self) -> Option<DepthChart> {
        let full = self.full_depth_mm.zip(self.capacity_l);
        let full = full.map(|(depth, litres)| ChartPoint { depth_mm: mm(depth), litres: litres.get() });
        let mut points = self.chart.as_ref().map(TankChart::points).unwrap_or_default();
        let closes = |full: &ChartPoint| {
            points.last().is_none_or(|last| full.depth_mm > last.depth_mm && full.litres > last.litres)
        };
        points.extend(full.filter(closes));
        DepthChart::through(&points).ok()
    }

    /// Depth of the full tank, in millimetres.
    pub fn full_mm(&self) -> Option<f64> {
        self.full_depth_mm.map(mm).or_else(|| Some(self.depth_chart()?.full_depth_mm()))
    }

    /// What it holds when full, in litres.
    pub fn full_l(&self) -> Option<f64> {
        self.capacity_l.map(Litres::get).or_else(|| Some(self.depth_chart()?.capacity_l()))
    }

    /// The depth below which it must not fall: as it is said, else the usual one where that is less than half
    /// of the full depth.
    pub fn min_mm(&self) -> Option<f64> {
        let usual = || self.full_mm().is_none_or(|full| USUAL_MIN_DEPTH_MM < full / 2.0);
        self.min_depth_mm.map(mm).or_else(|| usual().then_some(USUAL_MIN_DEPTH_MM))
    }

    /// The tank as the mathematics of its nitrogen sees it.
    pub fn vessel(&self) -> Vessel {
        Vessel {
            chart: self.depth_chart(),
            full_depth_mm: self.full_mm(),
            min_depth_mm: self.min_mm(),
            rated_loss: self.static_loss_l_per_day.map(|loss| RatedLoss::LitresPerDay(loss.get())),
        }
    }
}

/// A tank.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Tank {
    /// Its id.
    pub id: TankId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub details: TankDetails,
    /// When it was entered.
    pub created_at: Timestamp,
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::domain::form::read;

    fn tank(details: &Value) -> TankDetails {
        read(details, &InputPath::body()).unwrap()
    }

    #[test]
    fn the_full_tank_closes_a_chart_that_ends_before_it() {
        let chart = json!([{"depth_mm": 100, "litres": 4}, {"depth_mm": 300, "litres": 14}]);
        let short = tank(&json!({"name": "N", "chart": chart}));
        assert_eq!((short.full_mm(), short.full_l()), (Some(300.0), Some(14.0)));
        let closed = json!({"name": "N", "chart": chart, "full_depth_mm": 430, "capacity_l": 18.5});
        let closed = tank(&closed).depth_chart().unwrap();
        assert!((closed.litres(430.0) - 18.5).abs() < 1e-9 && (closed.litres(300.0) - 14.0).abs() < 1e-9);
        assert_eq!(tank(&json!({"name": "N", "capacity_l": 20})).depth_chart(), None);
    }

    #[test]
    fn the_usual_minimum_is_for_tanks_that_are_deep_enough() {
        // 15 cm: TNAU/IASRI e-course.
        let min = |details: Value| tank(&details).min_mm();
        assert_eq!(min(json!({"name": "N"})), Some(150.0));
        assert_eq!(min(json!({"name": "N", "full_depth_mm": 430})), Some(150.0));
        assert_eq!(min(json!({"name": "N", "full_depth_mm": 300})), None);
        assert_eq!(min(json!({"name": "N", "full_depth_mm": 300, "min_depth_mm": 60})), Some(60.0));
    }
}
