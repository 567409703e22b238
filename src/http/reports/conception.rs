//! Conception and non-return, group by group.

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
            conception::{Count, Counted, KeptOut, MOST_GROUPS, Question, Tally},
            group::{Dimension, Dimensions, GroupKey},
            proportion::{Estimate, Proportion},
        },
        values::{BusinessId, HerdId, Timestamp, WatchDays},
    },
    form,
    http::{
        App,
        docs::Problems,
        extract::{Permit, Read},
        page::{HerdsParam, wrong},
        problem::Problem,
        reports::{
            groups::{cells, key_columns, named},
            intervals_picture::IntervalsPicture,
            query::{PlottedFormat, ReportQuery, span},
            written,
        },
    },
    store::{
        self,
        reports::record::{self, Also, Whom},
    },
};

form! {
    /// Which services are counted, and by what they are grouped.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct ConceptionQuery {
        /// Only services at this moment or later.
        pub from: Option<Timestamp>,
        /// Only services before this moment.
        pub to: Option<Timestamp>,
        /// The end of the observation: what happened later is left out. Now when not said.
        pub observed_until: Option<Timestamp>,
        /// Only services at least so many days before the end of the observation; usual are 24, 56 and 90. Default 56.
        #[param(minimum = 1, maximum = 1000)]
        pub horizon_days: Option<WatchDays>,
        /// By what they are grouped: one to three of `sire`, `lot`, `semen_type`, `service_number`, `lactation`,
        /// `technician`, `tank`, `herd`, `month`, `bath`, `seconds_to_bath`, `heat_to_service`, with commas between.
        /// Default `semen_type`.
        #[param(value_type = Option<String>, max_length = 100, example = "sire,semen_type")]
        pub by: Option<Dimensions>,
        /// As JSON, CSV or a picture. Default `json`.
        #[param(inline, required = false)]
        pub format: PlottedFormat = PlottedFormat::Json,
    }
}

/// Days after which a service counts where nothing is said.
const HORIZON_DAYS: i64 = 56;

const CONCEPTION: &str = "Conception rate: services of which she conceived / services of which that is known. She conceived if a \
    check that fits the service found her pregnant, or she calved or aborted of it; she did not if a check found her empty, \
    or she was served in another heat. Two inseminations in one heat are one service.";

const CONCEPTION_SOURCE: &str = "Pregnant / inseminated (100 bred, 35 pregnant = 35 %): extension. Interval: Wilson 1927, J Am Stat \
    Assoc 22:209-212.";

const NON_RETURN: &str = "Non-return rate: services after which she was not served again in another heat within the horizon / \
    services at least the horizon before the end of the observation. Two inseminations in one heat are one service.";

const NON_RETURN_SOURCE: &str =
    "Johnson, Proc NZSAP 64 (2004) 138-139. Interval: Wilson 1927, J Am Stat Assoc 22:209-212.";

const CAUTIONS: &[&str] = &[
    "Groups differ in much besides what names them: season, herd, age, who was chosen for which bull. A difference is a \
     reason to look, not a verdict.",
    "Groups of fewer than 30 are too few to judge, and the groups are in no order of merit.",
];

/// How a report of services was asked for.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ServicesAsked {
    /// Services from then on.
    from: Option<Timestamp>,
    /// Services before then.
    to: Option<Timestamp>,
    /// The end of the observation.
    observed_until: Timestamp,
    /// How long a service must have been watched.
    #[schema(minimum = 1)]
    horizon_days: i64,
    /// By what they are grouped.
    by: Vec<Dimension>,
    /// The herds; all when empty.
    herd_ids: Vec<HerdId>,
}

/// Conception of some services.
#[derive(Clone, Copy, Debug, Serialize, ToSchema)]
pub struct ConceptionFigures {
    #[allow(missing_docs)]
    #[serde(flatten)]
    rate: Proportion,
    /// Services for each conception, the inverse of the rate; null without a conception.
    services_per_conception: Option<Estimate>,
    /// Services of which nothing is known yet; they are not in the denominator.
    #[schema(minimum = 0)]
    unknown: i64,
    /// Of the conceptions, those of which the pregnancy was lost.
    #[schema(minimum = 0)]
    lost: i64,
    /// Of a technician, grouped by nothing else: the rate drawn towards that of all with its 90 % interval, because few services
    /// say little (technicians differ by a standard deviation of 3.4-3.7 points: Everett & Bean 1986; Quebec, CJAS 1993).
    shrunk: Option<Estimate>,
}

/// Conception of one group.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ConceptionGroup {
    /// What its services have in common.
    keys: Vec<GroupKey>,
    #[allow(missing_docs)]
    #[serde(flatten)]
    figures: ConceptionFigures,
}

/// Conception, group by group.
#[derive(Debug, Serialize, ToSchema)]
pub struct ConceptionReport {
    /// What is counted, over what.
    #[schema(max_length = 1000)]
    definition: &'static str,
    /// Who defines it so.
    #[schema(max_length = 1000)]
    source: &'static str,
    /// What was asked.
    asked: ServicesAsked,
    /// In all; the groups sum to it.
    all: ConceptionFigures,
    /// Group by group, in the order of their names.
    items: Vec<ConceptionGroup>,
    /// What was kept out.
    kept_out: KeptOut,
    /// What to heed.
    cautions: &'static [&'static str],
}

/// Non-return of one group.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct NonReturnGroup {
    /// What its services have in common.
    keys: Vec<GroupKey>,
    #[allow(missing_docs)]
    #[serde(flatten)]
    rate: Proportion,
}

/// Non-return, group by group.
#[derive(Debug, Serialize, ToSchema)]
pub struct NonReturnReport {
    /// What is counted, over what.
    #[schema(max_length = 1000)]
    definition: &'static str,
    /// Who defines it so.
    #[schema(max_length = 1000)]
    source: &'static str,
    /// What was asked.
    asked: ServicesAsked,
    /// In all; the groups sum to it.
    all: Proportion,
    /// Group by group, in the order of their names.
    items: Vec<NonReturnGroup>,
    /// What was kept out.
    kept_out: KeptOut,
    /// What to heed.
    cautions: &'static [&'static str],
}

/// What was counted, with the groups in the order of their names.
struct Answer {
    asked: ServicesAsked,
    format: PlottedFormat,
    all: Tally,
    groups: Vec<(Vec<GroupKey>, Tally)>,
    kept_out: KeptOut,
}

async fn counted(
    app: &App,
    business: BusinessId,
    query: ReportQuery<ConceptionQuery>,
) -> Result<Answer, Problem> {
    let ReportQuery { asked, herds } = query;
    let now = app.book.clock.now();
    let observed_until = asked.observed_until.unwrap_or(now).min(now);
    let (from, to) = store::whole_span(asked.from, asked.to);
    let (from, to) = span(from, to)?;
    let by = asked.by.map_or_else(|| vec![Dimension::SemenType], |by| by.0);
    let horizon_days = asked.horizon_days.map_or(HORIZON_DAYS, WatchDays::get);
    let also = by.contains(&Dimension::HeatToService).then_some(Also::Heats);
    let mut tx = app.book.db.read().await?;
    let known = record::herds(&mut tx, business).await?;
    let question = Question {
        from,
        to,
        observed_until,
        horizon: TimeDelta::days(horizon_days),
        herds: herds.clone(),
        by: by.clone(),
    };
    let mut count = Count::new(question, &known);
    let whom = Whom::Served { from, to, herds: herds.clone() };
    record::each(&mut tx, business, &whom, observed_until, also, |animal| count.add(&animal)).await?;
    let counted = count.finish().map_err(|_| {
        let detail = format!(
            "gives more than {MOST_GROUPS} groups; ask for fewer herds, a shorter time or less detail"
        );
        wrong("by", detail)
    })?;
    let Counted { all, groups, kept_out } = counted;
    let groups = named(&mut tx, business, &by, groups).await?;
    let format = asked.format;
    let asked =
        ServicesAsked { from: asked.from, to: asked.to, observed_until, horizon_days, by, herd_ids: herds };
    Ok(Answer { asked, format, all, groups, kept_out })
}

/// What the groups have in common, in one line for each.
fn lines<'g>(groups: impl IntoIterator<Item = (&'g [GroupKey], Proportion)>) -> Vec<(String, Proportion)> {
    let label = |keys: &[GroupKey]| {
        let labels: Vec<&str> = keys.iter().map(|key| key.label.as_str()).collect();
        labels.join(", ")
    };
    groups.into_iter().map(|(keys, share)| (label(keys), share)).collect()
}

/// The columns of a table of groups: what they have in common, their share, and then these.
fn columns(by: &[Dimension], more: &[&'static str]) -> Vec<&'static str> {
    key_columns(by).into_iter().chain(written::SHARE).chain(more.iter().copied()).collect()
}

/// Conception.
#[utoipa::path(get, path = "/v1/reports/conception", operation_id = "get_conception_report", tag = "Reports",
    summary = "Get conception rates",
    description = "Of the services of which the result is known, how many conceived: in all and group by group, each with numerator, \
        denominator and 95 % interval (Wilson). Services count that were watched for at least `horizon_days`. Natural matings (a \
        bull running with the group among them), embryo transfers and inseminations by an unknown sire are kept out and counted \
        apart. The groups come in the order of their names, never of their rates; fewer than 30 services are too few to judge.",
    params(ConceptionQuery, HerdsParam),
    responses(
        (status = 200, description = "The report.", content(
            (ConceptionReport = "application/json"), (String = "text/csv"), (String = "image/svg+xml"))),
        (status = 304, description = "The picture is still the version in If-None-Match."),
        Problems))]
async fn conception(
    State(app): State<App>,
    caller: Permit<Read>,
    query: ReportQuery<ConceptionQuery>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Answer { asked, format, all, groups, kept_out } = counted(&app, caller.business_id, query).await?;
    let alone = asked.by == [Dimension::Technician];
    let figures = |tally: &Tally| ConceptionFigures {
        rate: tally.conception(),
        services_per_conception: tally.services_per_conception(),
        unknown: tally.unknown,
        lost: tally.lost,
        shrunk: if alone { tally.shrunk(&all) } else { None },
    };
    Ok(match format {
        PlottedFormat::Json => {
            let items = groups
                .iter()
                .map(|(keys, tally)| ConceptionGroup { keys: keys.clone(), figures: figures(tally) });
            Json(ConceptionReport {
                definition: CONCEPTION,
                source: CONCEPTION_SOURCE,
                asked,
                all: ConceptionFigures { shrunk: None, ..figures(&all) },
                items: items.collect(),
                kept_out,
                cautions: CAUTIONS,
            })
            .into_response()
        }
        PlottedFormat::Csv => {
            let more = [
                "unknown",
                "lost",
                "services_per_conception",
                "services_per_conception_low",
                "services_per_conception_high",
            ];
            let rows = groups.iter().map(|(keys, tally)| {
                let each = tally.services_per_conception();
                let mut line = cells(keys);
                line.extend(written::share(&tally.conception()));
                line.extend([tally.unknown.to_string(), tally.lost.to_string()]);
                line.extend(written::estimate(each));
                line
            });
            written::csv("conception", &columns(&asked.by, &more), rows)
        }
        PlottedFormat::Svg => {
            let rows = lines(groups.iter().map(|(keys, tally)| (keys.as_slice(), tally.conception())));
            let picture = IntervalsPicture::of("Conception rate", CONCEPTION, all.conception(), rows);
            written::svg(&app, &headers, picture).await?
        }
    })
}

/// Non-return.
#[utoipa::path(get, path = "/v1/reports/non-return", operation_id = "get_non_return_report", tag = "Reports",
    summary = "Get non-return rates",
    description = "Of the services at least `horizon_days` before the end of the observation, after how many she was not served \
        again in another heat within that time: in all and group by group, each with numerator, denominator and 95 % interval \
        (Wilson). Who left sooner is kept out, as are natural matings (a bull running with the group among them), embryo \
        transfers and unknown sires; each is counted apart. A cow that was not served again need not be pregnant: no bull, \
        no heat seen, sold.",
    params(ConceptionQuery, HerdsParam),
    responses(
        (status = 200, description = "The report.", content(
            (NonReturnReport = "application/json"), (String = "text/csv"), (String = "image/svg+xml"))),
        (status = 304, description = "The picture is still the version in If-None-Match."),
        Problems))]
async fn non_return(
    State(app): State<App>,
    caller: Permit<Read>,
    query: ReportQuery<ConceptionQuery>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Answer { asked, format, all, groups, kept_out } = counted(&app, caller.business_id, query).await?;
    Ok(match format {
        PlottedFormat::Json => Json(NonReturnReport {
            definition: NON_RETURN,
            source: NON_RETURN_SOURCE,
            asked,
            all: all.non_return(),
            items: groups
                .into_iter()
                .map(|(keys, tally)| NonReturnGroup { keys, rate: tally.non_return() })
                .collect(),
            kept_out,
            cautions: CAUTIONS,
        })
        .into_response(),
        PlottedFormat::Csv => {
            let rows = groups.iter().map(|(keys, tally)| {
                let mut line = cells(keys);
                line.extend(written::share(&tally.non_return()));
                line
            });
            written::csv("non-return", &columns(&asked.by, &[]), rows)
        }
        PlottedFormat::Svg => {
            let rows = lines(groups.iter().map(|(keys, tally)| (keys.as_slice(), tally.non_return())));
            let title = format!("Non-return rate, {} days", asked.horizon_days);
            let picture = IntervalsPicture::of(&title, NON_RETURN, all.non_return(), rows);
            written::svg(&app, &headers, picture).await?
        }
    })
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(conception)).routes(routes!(non_return))
}
