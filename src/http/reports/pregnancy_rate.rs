//! The 21-day pregnancy rate, and intervals between calvings.

use std::collections::HashMap;

use axum::{
    Json,
    extract::State,
    http::HeaderMap,
    response::{IntoResponse as _, Response},
};
use chrono::TimeDelta;
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::{
        reports::{
            calving_interval::{CalvingCount, CalvingInterval},
            pregnancy_rate::{CYCLE_DAYS, MOST_PERIODS, PregnancyCount, PregnancyPeriod, RESULT_DAYS},
            proportion::Proportion,
        },
        values::{HerdId, Timestamp},
    },
    form,
    http::{
        App,
        access::limits::OfHerds,
        docs::Problems,
        extract::{Permit, Read},
        page::{HerdsParam, wrong},
        problem::Problem,
        reports::{
            intervals_picture::IntervalsPicture,
            query::{PlottedFormat, ReportFormat, ReportQuery, span},
            written,
        },
    },
    store::{
        self,
        reports::record::{self, Also, Whom},
    },
};

form! {
    /// Which periods.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct PregnancyRateQuery {
        /// Only whole periods of 21 days after this moment. Default: 17 of them, about a year.
        pub from: Option<Timestamp>,
        /// When the last period ends. Default: 45 days ago, so that results are known.
        pub to: Option<Timestamp>,
        /// As JSON, CSV or a picture. Default `json`.
        #[param(inline, required = false)]
        pub format: PlottedFormat = PlottedFormat::Json,
    }
}

/// Periods that are told where nothing is said: about a year.
const USUAL_PERIODS: i64 = 17;

const DEFINITION: &str = "21-day pregnancy rate: pregnancies / eligible cycles of 21 days. A female is eligible from the end of \
    her herd's waiting period (a heifer from its age of first service) until she conceives, is not to be bred or leaves. Her \
    eligible days / 21 are rounded up where she conceived, to the nearest whole number where she is open. The whole counts \
    each female's cycles from her own start and so is not the sum of the periods.";

const SOURCE: &str = "California Demonstration Project, reproductive analysis. Interval: Wilson 1927, J Am Stat Assoc 22:209-212.";

const PROVISIONAL: &str =
    "Periods that ended less than 45 days ago are provisional: results of their services are still to come.";

/// The 21-day pregnancy rate.
#[derive(Serialize, ToSchema)]
pub struct PregnancyRateReport {
    /// What is counted, over what.
    #[schema(max_length = 1000)]
    definition: &'static str,
    /// Who defines it so.
    #[schema(max_length = 1000)]
    source: &'static str,
    /// The beginning of the first period.
    from: Timestamp,
    /// The end of the last.
    to: Timestamp,
    /// The herds; all when empty.
    herd_ids: Vec<HerdId>,
    /// Pregnancies over the eligible cycles of all females.
    all: Proportion,
    /// Period by period.
    items: Vec<PregnancyPeriod>,
    /// Heifers that are kept out because it is not known when they were born.
    #[schema(minimum = 0)]
    unknown_age: i64,
    /// What to heed.
    cautions: &'static [&'static str],
}

/// The 21-day pregnancy rate.
#[utoipa::path(get, path = "/v1/reports/pregnancy-rate", operation_id = "get_pregnancy_rate_report", tag = "Reports",
    summary = "Get the 21-day pregnancy rate",
    description = "Pregnancies over eligible cycles of 21 days, rounded as the California Demonstration Project does; and period by \
        period of 21 days the share of the eligible females that were served and that conceived, each with its 95 % interval \
        (Wilson). All pregnancies count, whoever the sire. It needs the animals that were not served too: enter all of them, heifers \
        with their birth dates.",
    params(PregnancyRateQuery, HerdsParam),
    responses(
        (status = 200, description = "The report.", content(
            (PregnancyRateReport = "application/json"), (String = "text/csv"), (String = "image/svg+xml"))),
        (status = 304, description = "The picture is still the version in If-None-Match."),
        Problems))]
async fn pregnancy_rate(
    State(app): State<App>,
    caller: Permit<Read, OfHerds>,
    query: ReportQuery<PregnancyRateQuery>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let ReportQuery { asked, herds } = query;
    let now = app.book.clock.now();
    let to = asked.to.unwrap_or_else(|| now.plus(-TimeDelta::days(RESULT_DAYS))).min(now);
    let from = asked.from.unwrap_or_else(|| to.plus(-TimeDelta::days(CYCLE_DAYS * USUAL_PERIODS)));
    let periods = to.since(from).num_days() / CYCLE_DAYS;
    if periods < 1 {
        return Err(wrong("from", format!("must be at least {CYCLE_DAYS} days before the end")));
    }
    if periods > MOST_PERIODS {
        return Err(wrong(
            "from",
            format!("must be at most {} days before the end", MOST_PERIODS * CYCLE_DAYS),
        ));
    }
    let mut tx = app.book.db.read().await?;
    let known = record::herds(&mut tx, caller.business_id).await?;
    let mut count = PregnancyCount::new(from, to, now, known);
    let from = count.from();
    let whom = Whom::Kept { herds: herds.clone() };
    let add = |animal| count.add(&animal);
    record::each(&mut tx, caller.business_id, &whom, now, Some(Also::DoNotBreed), add).await?;
    drop(tx);
    let rate = count.finish();
    Ok(match asked.format {
        PlottedFormat::Json => Json(PregnancyRateReport {
            definition: DEFINITION,
            source: SOURCE,
            from,
            to,
            herd_ids: herds,
            all: rate.all,
            items: rate.periods,
            unknown_age: rate.unknown_age,
            cautions: &[PROVISIONAL],
        })
        .into_response(),
        PlottedFormat::Csv => {
            let columns = [
                "from",
                "to",
                "eligible",
                "served",
                "served_estimate",
                "served_low",
                "served_high",
                "pregnant",
                "pregnant_estimate",
                "pregnant_low",
                "pregnant_high",
                "judgement",
                "is_provisional",
            ];
            let figures = |share: &Proportion| {
                let ends = [share.estimate, share.low, share.high].map(written::number);
                std::iter::once(share.numerator.to_string()).chain(ends)
            };
            let rows = rate.periods.iter().map(|period| {
                let mut line = vec![
                    period.from.to_string(),
                    period.to.to_string(),
                    period.served.denominator.to_string(),
                ];
                line.extend(figures(&period.served).chain(figures(&period.pregnant)));
                line.push(period.pregnant.judgement.unwrap_or_default().to_owned());
                line.push(period.is_provisional.to_string());
                line
            });
            written::csv("pregnancy-rate", &columns, rows)
        }
        PlottedFormat::Svg => {
            let name = |period: &PregnancyPeriod| {
                let provisional = if period.is_provisional { " (provisional)" } else { "" };
                format!("from {}{provisional}", period.from.utc().date_naive())
            };
            let rows = rate.periods.iter().map(|period| (name(period), period.pregnant)).collect();
            let picture = IntervalsPicture::of("21-day pregnancy rate", DEFINITION, rate.all, rows);
            written::svg(&app, &headers, picture).await?
        }
    })
}

form! {
    /// Which intervals.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct CalvingIntervalQuery {
        /// Only intervals whose later calving was at this moment or later.
        pub from: Option<Timestamp>,
        /// Only intervals whose later calving was before this moment.
        pub to: Option<Timestamp>,
        /// As JSON or CSV. Default `json`.
        #[param(inline, required = false)]
        pub format: ReportFormat = ReportFormat::Json,
    }
}

const CALVING_DEFINITION: &str = "Calving interval: days from one calving to the next of the same cow, of which the later lies in \
    the span asked. Cows that did not calve again are not in it, so it looks the better the more of those are culled.";

const CALVING_SOURCE: &str = "Common practice, no source. Interval of the mean: Student's t.";

/// Intervals between calvings of one herd's cows in one lactation.
#[derive(Serialize, ToSchema)]
pub struct CalvingIntervalGroup {
    /// The herd that keeps the cows now.
    herd_id: HerdId,
    /// What people call it.
    herd_name: String,
    /// The lactation that the later calving began: 2 for the interval between the first and the second calving.
    #[schema(minimum = 2)]
    lactation: i64,
    #[allow(missing_docs)]
    #[serde(flatten)]
    interval: CalvingInterval,
}

/// Intervals between calvings.
#[derive(Serialize, ToSchema)]
pub struct CalvingIntervalReport {
    /// What is counted.
    #[schema(max_length = 1000)]
    definition: &'static str,
    /// Who defines it so.
    #[schema(max_length = 1000)]
    source: &'static str,
    /// The span of the later calvings.
    from: Option<Timestamp>,
    /// Its end.
    to: Option<Timestamp>,
    /// The herds; all when empty.
    herd_ids: Vec<HerdId>,
    /// In all.
    all: CalvingInterval,
    /// By herd and lactation.
    items: Vec<CalvingIntervalGroup>,
}

/// Intervals between calvings.
#[utoipa::path(get, path = "/v1/reports/calving-intervals", operation_id = "get_calving_interval_report", tag = "Reports",
    summary = "Get calving intervals",
    description = "Days from one calving to the next: count, mean with its 95 % interval, standard deviation and median, in all and \
        by herd and lactation.",
    params(CalvingIntervalQuery, HerdsParam),
    responses(
        (status = 200, description = "The report.", content(
            (CalvingIntervalReport = "application/json"), (String = "text/csv"))),
        Problems))]
async fn calving_intervals(
    State(app): State<App>,
    caller: Permit<Read, OfHerds>,
    query: ReportQuery<CalvingIntervalQuery>,
) -> Result<Response, Problem> {
    let ReportQuery { asked, herds } = query;
    let (from, to) = store::whole_span(asked.from, asked.to);
    let (from, to) = span(from, to)?;
    let mut tx = app.book.db.read().await?;
    let known = record::herds(&mut tx, caller.business_id).await?;
    let mut count = CalvingCount::new(from, to);
    let whom = Whom::Kept { herds: herds.clone() };
    record::each(&mut tx, caller.business_id, &whom, to, None, |animal| count.add(&animal)).await?;
    drop(tx);
    let names: HashMap<HerdId, String> =
        known.into_iter().map(|herd| (herd.id, herd.name.to_string())).collect();
    let items = count.groups.iter().map(|((herd_id, lactation), intervals)| CalvingIntervalGroup {
        herd_id: *herd_id,
        herd_name: names.get(herd_id).cloned().unwrap_or_default(),
        lactation: *lactation,
        interval: intervals.told(),
    });
    Ok(match asked.format {
        ReportFormat::Json => Json(CalvingIntervalReport {
            definition: CALVING_DEFINITION,
            source: CALVING_SOURCE,
            from: asked.from,
            to: asked.to,
            herd_ids: herds,
            all: count.all.told(),
            items: items.collect(),
        })
        .into_response(),
        ReportFormat::Csv => {
            let columns = [
                "herd_id",
                "herd_name",
                "lactation",
                "count",
                "mean_days",
                "low",
                "high",
                "sd_days",
                "median_days",
                "judgement",
            ];
            let rows = items.map(|group| {
                let CalvingInterval { count, mean_days, low, high, sd_days, median_days, judgement } =
                    group.interval;
                let mut line = vec![
                    group.herd_id.to_string(),
                    group.herd_name,
                    group.lactation.to_string(),
                    count.to_string(),
                ];
                line.extend([mean_days, low, high, sd_days, median_days].map(written::number));
                line.push(judgement.unwrap_or_default().to_owned());
                line
            });
            written::csv("calving-intervals", &columns, rows)
        }
    })
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(pregnancy_rate)).routes(routes!(calving_intervals))
}
