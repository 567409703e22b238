//! How long the straws of a sire and type last, as it is answered: figures rounded to what they are worth.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    alerts::stock::Lead,
    straws::{
        demand::{Demand, Interval, MOST_DAYS, UseHistory},
        semen::SemenType,
        sire::SireSummary,
    },
    values::Timestamp,
};

/// A sire's straws of one type in an area.
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct Held {
    /// The sire.
    #[sqlx(flatten)]
    pub sire: SireSummary,
    /// The type.
    pub semen_type: SemenType,
    /// How many hang there that may be used.
    pub straws: i64,
}

/// A sire's straws of one type, and how long they last.
#[derive(Debug, Serialize, ToSchema)]
pub struct StockOutlook {
    /// The sire.
    pub sire: SireSummary,
    /// The semen type.
    pub semen_type: SemenType,
    /// Straws left that may be used.
    #[schema(minimum = 0)]
    pub straws: i64,
    /// Straws used in the time looked back on.
    #[schema(minimum = 0)]
    pub used_straws: i64,
    /// Days looked back on: since the first of them came, at most 364.
    #[schema(minimum = 0)]
    pub used_in_days: f64,
    /// What that says; null when it is too little to tell.
    pub forecast: Option<StockForecast>,
    /// What the forecast rests on, or why there is none.
    pub text: String,
}

/// What the use so far says of the days to come.
#[derive(Debug, Serialize, ToSchema)]
pub struct StockForecast {
    /// Straws used a day.
    pub daily_use: StockInterval,
    /// Variance over mean of the use: 1 where straws are taken one by one, more where they go in batches.
    #[schema(minimum = 1)]
    pub dispersion: f64,
    /// Days until the last straw is taken.
    pub days_of_cover: StockInterval,
    /// The fewest straws that last until the next delivery with the service level asked for: order when no
    /// more are left.
    #[schema(minimum = 0)]
    pub reorder_point: i64,
    /// How probable it is that they do not last until then.
    #[schema(minimum = 0, maximum = 1)]
    pub stockout_probability: f64,
}

/// A figure and the interval that is meant to hold it in nine of ten cases.
#[derive(Debug, Serialize, ToSchema)]
pub struct StockInterval {
    /// One case in twenty lies below; null where it is more than ten years.
    #[schema(minimum = 0)]
    pub low: Option<f64>,
    /// The mean of a use, the median of a time; null where it is more than ten years.
    #[schema(minimum = 0)]
    pub estimate: Option<f64>,
    /// One case in twenty lies above; null where it is more than ten years.
    #[schema(minimum = 0)]
    pub high: Option<f64>,
}

impl StockInterval {
    fn rounded(interval: Interval, places: f64) -> Self {
        let told = |number: f64| (number <= MOST_DAYS).then(|| (number * places).round() / places);
        Self { low: told(interval.low), estimate: told(interval.estimate), high: told(interval.high) }
    }
}

impl StockForecast {
    fn of(demand: &Demand, straws: i64, days: f64, service_level: f64) -> Self {
        Self {
            daily_use: StockInterval::rounded(demand.daily_use(), 1e4),
            dispersion: (demand.phi * 1e2).round() / 1e2,
            days_of_cover: StockInterval::rounded(demand.lasts_days(straws), 1e1),
            reorder_point: demand.reorder_point(days, service_level),
            stockout_probability: (demand.runs_out(straws, days) * 1e4).round() / 1e4,
        }
    }
}

impl StockOutlook {
    /// How long `held` lasts by how such straws were used, with the probability `service_level` until the next
    /// delivery.
    pub fn of(held: Held, used: &UseHistory, lead: Lead, service_level: f64, now: Timestamp) -> Self {
        let Held { sire, semen_type, straws } = held;
        let (used_straws, used_in_days) = (used.straws(), (used.days * 10.0).round() / 10.0);
        let days = lead.days_from(now);
        let forecast = used.learned().map(|demand| StockForecast::of(&demand, straws, days, service_level));
        let use_so_far = format!("{used_straws} straws used in {used_in_days:.0} days");
        let text = match &forecast {
            Some(_) => format!("{use_so_far}; holds while use goes on as it went."),
            None => format!("{use_so_far}: too little to tell; a forecast takes 5 straws and 28 days."),
        };
        Self { sire, semen_type, straws, used_straws, used_in_days, forecast, text }
    }
}
