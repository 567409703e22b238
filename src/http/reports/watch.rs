//! The sequential watch over conception.

use axum::{
    Json,
    extract::State,
    response::{IntoResponse as _, Response},
};
use chrono::TimeDelta;
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::reports::watch,
    domain::{
        reports::{
            cusum::LIMIT,
            group::{GroupKey, Part},
            proportion::{Proportion, real},
            watch::{MOST_SERVICES, Watched},
        },
        values::{HerdId, Timestamp},
    },
    form,
    http::{
        App,
        docs::Problems,
        extract::{Permit, Read},
        page::{HerdsParam, wrong},
        problem::Problem,
        reports::{
            groups::names,
            query::{ReportFormat, ReportQuery, span},
            written,
        },
    },
};

form! {
    /// Over whom or what is watched.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct ConceptionWatchQuery {
        /// Over technicians, lots, tanks or sires. Default `technician`.
        #[param(inline, required = false)]
        pub of: Watched = Watched::Technician,
        /// When the watch begins; what is expected is learned in the two years before. Default: a year before the end.
        pub from: Option<Timestamp>,
        /// When it ends. Default: now.
        pub to: Option<Timestamp>,
        /// As JSON or CSV. Default `json`.
        #[param(inline, required = false)]
        pub format: ReportFormat = ReportFormat::Json,
    }
}

/// How one of those watched stands.
#[derive(Serialize, ToSchema)]
pub struct WatchedConception {
    /// Who or which.
    key: GroupKey,
    #[allow(missing_docs)]
    #[serde(flatten)]
    rate: Proportion,
    /// The rate that was to be expected of these services.
    #[schema(minimum = 0, maximum = 1)]
    expected: f64,
    /// The cumulative sum after the last service, in units; it alarms from `limit` on.
    #[schema(minimum = 0)]
    sum: i64,
    /// Whether conception seems to fall: a hint, never a verdict.
    is_falling: bool,
    /// The service with which it did.
    since: Option<Timestamp>,
    /// Services from one false alarm to the next on the average, as long as all is as expected; exact for these expectations.
    run_length_in_control: f64,
    /// Services until a fall of the odds to 7 in 13 (50 to 35 %) is found, on the average.
    run_length_when_fallen: f64,
    /// What to look at first; empty unless it seems to fall.
    look_first: &'static [&'static str],
}

/// The sequential watch over conception.
#[derive(Serialize, ToSchema)]
pub struct ConceptionWatchReport {
    /// How it is worked out.
    #[schema(max_length = 2000)]
    definition: &'static str,
    /// Who defines it so.
    #[schema(max_length = 1000)]
    source: &'static str,
    /// Over whom or what.
    of: Watched,
    /// When the watch begins.
    from: Timestamp,
    /// When it ends.
    to: Timestamp,
    /// The herds; all when empty.
    herd_ids: Vec<HerdId>,
    /// The sum from which on it alarms.
    limit: i64,
    /// In the order of their names.
    items: Vec<WatchedConception>,
    /// What to heed.
    cautions: &'static [&'static str],
}

const DEFINITION: &str = "A cumulative sum over the services with a known result in the order of time: it rises when she did not conceive \
    and falls when she did, by the log likelihood ratio of the expected rate and one whose odds are 7 in 13 of it (50 and 35 %). What \
    is expected of a service is its herd's own rate with that class, semen type and service number (1, 2, 3 and later) in the two \
    years before, drawn towards published rates. It alarms at the limit and clears at half of it.";

const SOURCE: &str = "Risk-adjusted CUSUM: Steiner et al. 2000, Biostatistics 1:441-452; run lengths as a Markov chain: Brook & Evans \
    1972, Biometrika 59:539-549. Expectations: Norman & Hutchison 2009; Norman 2010. Herds differ by 8-12 points: Everett & Bean 1986; \
    Quebec, CJAS 1993.";

const CAUTIONS: &[&str] = &[
    "A hint, never a verdict: in the long run every one of those watched alarms without a cause, once in the run length given. Who watches \
     twenty sees twenty times as many.",
    "It finds a change that lasts a season, weeks after it began, because results come late. It does not see one bad thaw or a tank that \
     warmed once, and says nothing of fewer than 30 services.",
    "Expectations learned from few services are uncertain and make false alarms two to three times as frequent.",
];

/// The watch.
#[utoipa::path(get, path = "/v1/reports/conception-watch", operation_id = "get_conception_watch", tag = "Reports",
    summary = "Watch conception for a fall",
    description = "Whether the conception of a technician, lot, tank or sire falls against what their herds may expect: a cumulative sum \
        over the services, with its run lengths and what to look at first (thaw, tank level history, lot trace). The alert \
        `conception.falling` tells of it where a rule switches it on.",
    params(ConceptionWatchQuery, HerdsParam),
    responses(
        (status = 200, description = "The watch.", content(
            (ConceptionWatchReport = "application/json"), (String = "text/csv"))),
        Problems))]
async fn conception_watch(
    State(app): State<App>,
    caller: Permit<Read>,
    query: ReportQuery<ConceptionWatchQuery>,
) -> Result<Response, Problem> {
    let ReportQuery { asked, herds } = query;
    let now = app.book.clock.now();
    let to = asked.to.unwrap_or(now);
    let from = asked.from.unwrap_or_else(|| to.plus(-TimeDelta::days(watch::WATCHED_DAYS)));
    let (from, to) = span(from, to)?;
    let mut tx = app.book.db.read().await?;
    let business = caller.business_id;
    let subjects = watch::watch(&mut tx, business, (from, to), now, &herds, &[asked.of]).await?;
    let mut subjects = subjects.map_err(|_| {
        wrong("from", format!("gives more than {MOST_SERVICES} services or too many to watch; ask for a shorter time or fewer herds"))
    })?;
    let names = names(&mut tx, business, subjects.iter().map(|subject| &subject.part)).await?;
    drop(tx);
    let key = |part: &Part| part.told(asked.of.dimension(), |id| names.get(&id).cloned());
    subjects.sort_by_cached_key(|subject| (key(&subject.part).label, subject.part.clone()));
    let items: Vec<WatchedConception> = subjects
        .iter()
        .map(|subject| WatchedConception {
            key: key(&subject.part),
            rate: Proportion::of(subject.conceived, subject.services),
            expected: subject.expected / real(subject.services.max(1)),
            sum: subject.cusum.sum,
            is_falling: subject.cusum.alarm,
            since: subject.since,
            run_length_in_control: subject.in_control,
            run_length_when_fallen: subject.when_fallen,
            look_first: if subject.cusum.alarm { asked.of.look_first() } else { &[] },
        })
        .collect();
    Ok(match asked.format {
        ReportFormat::Json => Json(ConceptionWatchReport {
            definition: DEFINITION,
            source: SOURCE,
            of: asked.of,
            from,
            to,
            herd_ids: herds,
            limit: LIMIT,
            items,
            cautions: CAUTIONS,
        })
        .into_response(),
        ReportFormat::Csv => {
            let mut columns = vec!["value", "label"];
            columns.extend(written::SHARE);
            columns.extend([
                "expected",
                "sum",
                "limit",
                "is_falling",
                "since",
                "run_length_in_control",
                "run_length_when_fallen",
            ]);
            let rows = items.iter().map(|item| {
                let mut line = vec![item.key.value.clone().unwrap_or_default(), item.key.label.clone()];
                line.extend(written::share(&item.rate));
                line.extend([
                    item.expected.to_string(),
                    item.sum.to_string(),
                    LIMIT.to_string(),
                    item.is_falling.to_string(),
                    written::told(item.since),
                    item.run_length_in_control.to_string(),
                    item.run_length_when_fallen.to_string(),
                ]);
                line
            });
            written::csv("conception-watch", &columns, rows)
        }
    })
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(conception_watch))
}
