//! How long the stock lasts.

use axum::{extract::State, response::Response};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::straws::outlook::{ForecastRequest, Shortage, StockForecast, outlook},
    domain::{
        alerts::{
            rule::LEAD_DAYS,
            stock::{Area, Lead},
        },
        form::{Fault, InputPath},
        straws::{
            demand::{COVERAGE, Interval, MOST_DAYS},
            semen::SemenType,
            sire::SireSummary,
        },
        values::{HerdId, LeadDays, ServiceLevel, SireId, TankId, Timestamp},
    },
    form,
    http::{
        App,
        docs::Problems,
        extract::{Permit, Read},
        page::{Listing, Page, PageParams},
        problem::{Kind, Problem},
    },
    store::straws::demand::WantedOutlook,
};

form! {
    /// Of which straws an outlook is asked, and until when.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct OutlookFilter, check one_area {
        /// Only of this sire.
        pub sire_id: Option<SireId>,
        /// Only of this semen type.
        pub semen_type: Option<SemenType>,
        /// Only in this herd's own tanks, and what was used out of them.
        pub herd_id: Option<HerdId>,
        /// Only in this tank, and what was used out of it.
        pub tank_id: Option<TankId>,
        /// Days until a delivery that is ordered now. Default 14.
        pub lead_days: Option<LeadDays>,
        /// When the next delivery comes, instead of `lead_days`; an instant to come.
        pub delivery_at: Option<Timestamp>,
        /// The probability with which the stock is to last until then. Default 0.95.
        #[param(value_type = Option<f64>, minimum = 0.5, maximum = 0.999)]
        pub service_level: Option<ServiceLevel>,
    }
}

fn one_area(filter: &OutlookFilter, spot: &InputPath, faults: &mut Vec<Fault>) {
    if filter.tank_id.is_some() && filter.herd_id.is_some() {
        faults.push(spot.member("herd_id").fault("must not stand beside tank_id; ask for one of them"));
    }
    if filter.lead_days.is_some() && filter.delivery_at.is_some() {
        faults.push(spot.member("lead_days").fault("must not stand beside delivery_at; ask for one of them"));
    }
}

/// A figure and the interval that is meant to hold it in nine of ten cases.
#[derive(Serialize, ToSchema)]
pub struct IntervalView {
    /// One case in twenty lies below; null where it is more than ten years.
    #[schema(minimum = 0)]
    low: Option<f64>,
    /// The mean of a use, the median of a time; null where it is more than ten years.
    #[schema(minimum = 0)]
    estimate: Option<f64>,
    /// One case in twenty lies above; null where it is more than ten years.
    #[schema(minimum = 0)]
    high: Option<f64>,
}

impl IntervalView {
    fn new(interval: Interval, places: f64) -> Self {
        let told = |number: f64| (number <= MOST_DAYS).then(|| (number * places).round() / places);
        Self { low: told(interval.low), estimate: told(interval.estimate), high: told(interval.high) }
    }
}

/// What the use so far says of the days to come.
#[derive(Serialize, ToSchema)]
pub struct ForecastView {
    /// Straws used a day.
    daily_use: IntervalView,
    /// Variance over mean of the use: 1 where straws are taken one by one, more where they go in batches.
    #[schema(minimum = 1)]
    dispersion: f64,
    /// Days until the last straw is taken.
    days_of_cover: IntervalView,
    /// The fewest straws that last until the next delivery with the service level asked for: order when no
    /// more are left.
    #[schema(minimum = 0)]
    reorder_point: i64,
    /// How probable it is that they do not last until then.
    #[schema(minimum = 0, maximum = 1)]
    stockout_probability: f64,
}

impl From<&Shortage> for ForecastView {
    fn from(forecast: &Shortage) -> Self {
        Self {
            daily_use: IntervalView::new(forecast.daily_use, 1e4),
            dispersion: (forecast.dispersion * 1e2).round() / 1e2,
            days_of_cover: IntervalView::new(forecast.lasts_days, 1e1),
            reorder_point: forecast.reorder_point,
            stockout_probability: (forecast.runs_out * 1e4).round() / 1e4,
        }
    }
}

/// A sire's straws of one type, and how long they last.
#[derive(Serialize, ToSchema)]
pub struct OutlookView {
    /// The sire.
    sire: SireSummary,
    /// The semen type.
    semen_type: SemenType,
    /// Straws left that may be used.
    #[schema(minimum = 0)]
    straws: i64,
    /// Straws used in the time looked back on.
    #[schema(minimum = 0)]
    used_straws: i64,
    /// Days looked back on: since the first of them came, at most 364.
    #[schema(minimum = 0)]
    used_in_days: f64,
    /// What that says; null when it is too little to tell.
    forecast: Option<ForecastView>,
    /// What the forecast rests on, or why there is none.
    text: String,
}

impl OutlookView {
    fn of(outlook: &StockForecast) -> Self {
        let used_straws = outlook.used.straws();
        let used_in_days = (outlook.used.days * 10.0).round() / 10.0;
        let use_so_far = format!("{used_straws} straws used in {used_in_days:.0} days");
        let text = match &outlook.forecast {
            Some(_) => format!("{use_so_far}; holds while use goes on as it went."),
            None => format!("{use_so_far}: too little to tell; a forecast takes 5 straws and 28 days."),
        };
        Self {
            sire: outlook.held.sire.clone(),
            semen_type: outlook.held.semen_type,
            straws: outlook.held.straws,
            used_straws,
            used_in_days,
            forecast: outlook.forecast.as_ref().map(ForecastView::from),
            text,
        }
    }
}

/// A page of outlooks, with what they rest on.
#[derive(Serialize, ToSchema)]
pub struct OutlookPage {
    #[allow(missing_docs)]
    #[serde(flatten)]
    page: Page<OutlookView>,
    /// Days until the next delivery, as asked for.
    #[schema(minimum = 0)]
    days_until_delivery: f64,
    /// The service level asked for.
    service_level: f64,
    /// The share of cases that each interval is meant to hold.
    coverage: f64,
    /// What the forecasts rest on, and what they cannot know.
    assumptions: [&'static str; 5],
}

const ASSUMPTIONS: [&str; 5] = [
    "Use is withdrawals for animals in the last 364 days, reversals left out, each day's weight halved every 90 days; \
     discards and transfers are no use.",
    "Straws asked for are negative binomial, with the dispersion of the weekly use: batches are in it.",
    "It holds while use goes on as it went. The start of a season is outside its reach.",
    "What would have been used while nothing was left is not seen.",
    "Tried by simulation only: of a promised 95 % it kept 87 to 99 % with steady and batched use, 80 % where the season \
     swings by 60 % and the delivery takes 42 days.",
];

/// How long the stock lasts.
#[utoipa::path(get, path = "/v1/stock/outlook", operation_id = "get_stock_outlook", tag = "Stock",
    summary = "Get the stock outlook",
    description = "For each sire and semen type: daily use, days of cover, reorder point and the probability of running out \
        before the next delivery, each with what it rests on. With too little use to tell, it says so instead. Only usable \
        lots count. The start of a season is outside its reach.",
    params(PageParams, OutlookFilter),
    responses((status = 200, description = "A page of outlooks.", body = OutlookPage), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read>,
    listing: Listing<OutlookFilter>,
) -> Result<Response, Problem> {
    let now = app.book.clock.now();
    let f = &listing.filter;
    if f.delivery_at.is_some_and(|at| at <= now) {
        let fault =
            InputPath::query().member("delivery_at").fault(format!("must be to come; it is {now} here"));
        return Err(Problem::invalid(Kind::InvalidQuery, vec![fault]));
    }
    let area = match (f.tank_id, f.herd_id) {
        (Some(tank), _) => Area::Tank(tank),
        (_, Some(herd)) => Area::Herd(herd),
        (None, None) => Area::Everywhere,
    };
    let lead = Lead { days: f.lead_days.map_or(LEAD_DAYS, LeadDays::get), delivery_at: f.delivery_at };
    let asked = ForecastRequest {
        wanted: WantedOutlook { sire: f.sire_id, semen_type: f.semen_type, area },
        lead,
        service_level: f.service_level.map_or(0.95, ServiceLevel::get),
    };
    let (after, limit) = listing.by_id_and(SemenType::parse)?;
    let after = (after.0, after.1.map_or("", SemenType::as_str));
    let mut tx = app.book.db.read().await?;
    let rows = outlook(&mut tx, caller.business_id, &asked, after, limit, now).await?;
    let page = listing.page(
        rows,
        |row| format!("{} {}", row.held.sire.id, row.held.semen_type),
        |row| OutlookView::of(&row),
    );
    let next = page.next_cursor.clone();
    let body = OutlookPage {
        page,
        days_until_delivery: lead.days_from(now),
        service_level: asked.service_level,
        coverage: COVERAGE,
        assumptions: ASSUMPTIONS,
    };
    Ok(listing.answer(next.as_deref(), body))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list))
}
