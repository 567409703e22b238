//! How straws were used, and what was out of the ordinary.

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
    domain::{
        reports::{
            conception::MOST_GROUPS,
            deviation_trend::{DeviationCount, DeviationTrend, Occasions},
            group::{Dimension, Dimensions, GroupKey},
            straw_use::{ExposureCause, StrawUse, USE_DIMENSIONS, UseCount},
        },
        straws::withdrawal::DiscardReason,
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
            groups::{cells, key_columns, named},
            query::{ReportFormat, ReportQuery, span},
            written,
        },
    },
    store::{
        self,
        reports::{record, straw_use},
    },
};

form! {
    /// Which straws, and by what they are grouped.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct StrawUseQuery {
        /// Only what happened at this moment or later.
        pub from: Option<Timestamp>,
        /// Only what happened before this moment.
        pub to: Option<Timestamp>,
        /// By what they are grouped: one to three of `sire`, `lot`, `semen_type`, `technician`, `herd`, `month`, with commas
        /// between. Default `sire,semen_type`.
        #[param(value_type = Option<String>, max_length = 100, example = "technician,month")]
        pub by: Option<Dimensions>,
        /// As JSON or CSV. Default `json`.
        #[param(inline, required = false)]
        pub format: ReportFormat = ReportFormat::Json,
    }
}

/// How the straws of one group were used.
#[derive(Serialize, ToSchema)]
pub struct StrawUseGroup {
    /// What they have in common.
    keys: Vec<GroupKey>,
    #[allow(missing_docs)]
    #[serde(flatten)]
    straws: StrawUse,
}

/// How straws were used.
#[derive(Serialize, ToSchema)]
pub struct StrawUseReport {
    /// What is counted.
    #[schema(max_length = 1000)]
    definition: &'static str,
    /// From when on.
    from: Option<Timestamp>,
    /// Before when.
    to: Option<Timestamp>,
    /// By what they are grouped.
    by: Vec<Dimension>,
    /// The herds; all when empty.
    herd_ids: Vec<HerdId>,
    /// In all; the groups sum to it.
    all: StrawUse,
    /// Group by group.
    items: Vec<StrawUseGroup>,
}

const USE: &str = "Straws by the ledger, without what was undone. Used: out of a tank for a service, those not accounted for \
    included. Thrown away: also a straw that was taken out and not used. A straw belongs to the herd of the animal that it was \
    taken out for, else to that of its tank. Cost: the lot's cost of a straw.";

/// How straws were used.
#[utoipa::path(get, path = "/v1/reports/use", operation_id = "get_straw_use_report", tag = "Reports",
    summary = "Get the use of straws",
    description = "Straws used and thrown away with their cost, discards by reason, and how often straws were above the frost line: \
        moved, with the seconds that somebody measured, or on the way to the bath by the times on record. An exposure is a time, not \
        a damage: how warm a straw got is not known.",
    params(StrawUseQuery, HerdsParam),
    responses(
        (status = 200, description = "The report.", content(
            (StrawUseReport = "application/json"), (String = "text/csv"))),
        Problems))]
async fn straws(
    State(app): State<App>,
    caller: Permit<Read>,
    query: ReportQuery<StrawUseQuery>,
) -> Result<Response, Problem> {
    let ReportQuery { asked, herds } = query;
    let by = asked.by.map_or_else(|| vec![Dimension::Sire, Dimension::SemenType], |by| by.0);
    if let Some(other) = by.iter().find(|by| !USE_DIMENSIONS.contains(by)) {
        let known: Vec<_> = USE_DIMENSIONS.iter().map(ToString::to_string).collect();
        return Err(wrong("by", format!("does not know {other} here; known are {}", known.join(", "))));
    }
    let (from, to) = store::whole_span(asked.from, asked.to);
    let within = span(from, to)?;
    let mut tx = app.book.db.read().await?;
    let known = record::herds(&mut tx, caller.business_id).await?;
    let mut count = UseCount::new(by.clone(), &known);
    straw_use::each(&mut tx, caller.business_id, within, &herds, |line| count.add(&line)).await?;
    let (all, groups) = count.finish().map_err(|_| {
        wrong("by", format!("gives more than {MOST_GROUPS} groups; ask for a shorter time or less detail"))
    })?;
    let groups = named(&mut tx, caller.business_id, &by, groups).await?;
    drop(tx);
    Ok(match asked.format {
        ReportFormat::Json => Json(StrawUseReport {
            definition: USE,
            from: asked.from,
            to: asked.to,
            by,
            herd_ids: herds,
            all,
            items: groups.into_iter().map(|(keys, straws)| StrawUseGroup { keys, straws }).collect(),
        })
        .into_response(),
        ReportFormat::Csv => {
            let mut columns: Vec<&str> = key_columns(&by);
            columns.extend(["used", "discarded"]);
            let reasons: Vec<String> =
                DiscardReason::ALL.iter().map(|reason| format!("discarded_{reason}")).collect();
            columns.extend(reasons.iter().map(String::as_str));
            columns.extend([
                "exposed_transfer",
                "exposed_transfer_over_limit",
                "exposed_to_bath",
                "exposed_to_bath_over_limit",
            ]);
            columns.extend(["cost_used_minor", "cost_discarded_minor", "without_cost"]);
            let rows = groups.iter().map(|(keys, own)| {
                let mut line = cells(keys);
                line.extend([own.used.to_string(), own.discarded.to_string()]);
                let of = |reason| own.discards.iter().find(|discard| discard.reason == reason);
                line.extend(
                    DiscardReason::ALL.iter().map(|reason| of(*reason).map_or(0, |of| of.straws).to_string()),
                );
                for cause in ExposureCause::ALL {
                    let of = own.exposures.iter().find(|by| by.cause == *cause);
                    line.extend([
                        of.map_or(0, |of| of.times).to_string(),
                        of.map_or(0, |of| of.over_limit).to_string(),
                    ]);
                }
                let costs = |of: fn(&crate::domain::reports::straw_use::StrawCost) -> i64| {
                    let each: Vec<_> =
                        own.cost.iter().map(|cost| format!("{} {}", of(cost), cost.currency)).collect();
                    each.join("; ")
                };
                line.extend([costs(|cost| cost.used_minor), costs(|cost| cost.discarded_minor)]);
                line.push(own.without_cost.to_string());
                line
            });
            written::csv("use", &columns, rows)
        }
    })
}

form! {
    /// Which span.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct DeviationQuery {
        /// From when on. Default: a year before the end.
        pub from: Option<Timestamp>,
        /// Until when. Default: now.
        pub to: Option<Timestamp>,
        /// As JSON or CSV. Default `json`.
        #[param(inline, required = false)]
        pub format: ReportFormat = ReportFormat::Json,
    }
}

/// What was out of the ordinary, by kind.
#[derive(Serialize, ToSchema)]
pub struct DeviationReport {
    /// What is counted, over what.
    #[schema(max_length = 1000)]
    definition: &'static str,
    /// Who defines it so.
    #[schema(max_length = 1000)]
    source: &'static str,
    /// From when on.
    from: Timestamp,
    /// Where the later half begins.
    middle: Timestamp,
    /// Until when.
    to: Timestamp,
    /// The herds; all when empty.
    herd_ids: Vec<HerdId>,
    /// Inseminations, and straws taken out that did not serve, in either half.
    occasions: DeviationOccasions,
    /// Kind by kind.
    items: Vec<DeviationTrend>,
}

/// Of what something could have been out of the ordinary.
#[derive(Serialize, ToSchema)]
pub struct DeviationOccasions {
    /// In the earlier half of the span.
    #[schema(minimum = 0)]
    earlier: i64,
    /// In the later half.
    #[schema(minimum = 0)]
    later: i64,
}

const DEVIATIONS: &str = "Share of the inseminations, and of the straws taken out that did not serve, on which something of that \
    kind is on record; each counts once for a kind. The trend compares the later half of the span with the earlier one and is told \
    only where the 95 % interval of the difference leaves out zero.";

const DEVIATIONS_SOURCE: &str = "Intervals: Wilson 1927, J Am Stat Assoc 22:209-212; of the difference Newcombe 1998, Stat Med \
    17:873-890, method 10.";

/// What was out of the ordinary.
#[utoipa::path(get, path = "/v1/reports/deviations", operation_id = "get_deviation_report", tag = "Reports",
    summary = "Get deviations by kind",
    description = "What is on record as out of the ordinary (rules set aside, baths, late straws), by kind: how often, and whether it \
        becomes more or fewer. Who records honestly has more on record; fewer deviations of a technician say nothing by themselves.",
    params(DeviationQuery, HerdsParam),
    responses(
        (status = 200, description = "The report.", content(
            (DeviationReport = "application/json"), (String = "text/csv"))),
        Problems))]
async fn deviations(
    State(app): State<App>,
    caller: Permit<Read, OfHerds>,
    query: ReportQuery<DeviationQuery>,
) -> Result<Response, Problem> {
    let ReportQuery { asked, herds } = query;
    let now = app.book.clock.now();
    let to = asked.to.unwrap_or(now);
    let from = asked.from.unwrap_or_else(|| to.plus(-TimeDelta::days(365)));
    let (from, to) = span(from, to)?;
    // What happens at this very moment is not yet to come.
    let within = (from, asked.to.unwrap_or_else(|| now.plus(TimeDelta::microseconds(1))));
    let middle = from.plus(to.since(from) / 2);
    let mut tx = app.book.db.read().await?;
    let mut count = DeviationCount::new(middle);
    let give = |at, deviations: &_| count.add(at, deviations);
    straw_use::each_deviation(&mut tx, caller.business_id, within, &herds, give).await?;
    let occasions = straw_use::occasions(&mut tx, caller.business_id, within, middle, &herds).await?;
    drop(tx);
    let items = count.finish(occasions);
    let Occasions { earlier, later } = occasions;
    Ok(match asked.format {
        ReportFormat::Json => Json(DeviationReport {
            definition: DEVIATIONS,
            source: DEVIATIONS_SOURCE,
            from,
            middle,
            to,
            herd_ids: herds,
            occasions: DeviationOccasions { earlier, later },
            items,
        })
        .into_response(),
        ReportFormat::Csv => {
            let mut columns = vec!["kind"];
            columns.extend(written::SHARE);
            columns.extend([
                "earlier",
                "earlier_of",
                "later",
                "later_of",
                "difference",
                "difference_low",
                "difference_high",
                "trend",
            ]);
            let rows = items.iter().map(|item| {
                let mut line = vec![item.kind.to_string()];
                line.extend(written::share(&item.all));
                for half in [&item.earlier, &item.later] {
                    line.extend([half.numerator.to_string(), half.denominator.to_string()]);
                }
                line.extend(written::estimate(item.difference));
                line.push(item.trend.to_string());
                line
            });
            written::csv("deviations", &columns, rows)
        }
    })
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(straws)).routes(routes!(deviations))
}
