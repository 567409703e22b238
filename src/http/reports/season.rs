//! What a season takes, against what there is.

use std::collections::BTreeMap;

use axum::{
    Json,
    extract::State,
    response::{IntoResponse as _, Response},
};
use serde::Serialize;
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    domain::{
        alerts::rule::LEAD_DAYS,
        animals::choice::Class,
        form::{Fault, Field, InputPath},
        reports::{
            distribution::Distribution,
            prior::{self, HERD_LOGIT_SD, females},
            proportion::Estimate,
            season::{
                FemaleShares, PlannedHerd, PlannedService, SeasonOutcome, season, straws_for_heifer_calves,
            },
            season_book::{Given, SeasonBook},
        },
        straws::{lot::Cost, semen::SemenType},
        values::{Coefficient, Day, HerdId, LeadDays, ServiceLevel, TimeZone, WatchDays, read_text},
    },
    form,
    http::{
        App,
        docs::Problems,
        extract::{Permit, Read},
        nitrogen::status::aside,
        page::{HerdsParam, wrong},
        problem::Problem,
        reports::{
            query::{ReportFormat, ReportQuery},
            written,
        },
    },
    store::{
        Page,
        animals::herd,
        reports::{
            record::{self, Also, Whom},
            season::{self as stock, OnHand},
        },
    },
};

/// A list in a query, with commas between.
#[derive(Clone, Debug, PartialEq)]
pub struct Listed<T>(Vec<T>);

/// Services of a female in one plan at most.
const MOST_SERVICES: usize = 10;

/// Females of one class at most: what they take is worked out exactly.
const MOST_FEMALES: usize = 5000;

fn listed<T>(
    value: &Value,
    spot: &InputPath,
    faults: &mut Vec<Fault>,
    one: impl Fn(&str) -> Result<T, String>,
) -> Option<Listed<T>> {
    read_text(value, spot, faults, |text| {
        let read: Result<Vec<T>, String> = text.split(',').map(|word| one(word.trim())).collect();
        let read = read?;
        if read.len() > MOST_SERVICES {
            return Err(format!("must name at most {MOST_SERVICES} services"));
        }
        Ok(Listed(read))
    })
}

impl Field for Listed<SemenType> {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        listed(value, spot, faults, SemenType::parse)
    }
}

impl Field for Listed<f64> {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        listed(value, spot, faults, |word| {
            let rate = word.parse::<f64>().ok().filter(|rate| (0.0..=1.0).contains(rate));
            rate.ok_or_else(|| {
                "must be rates from 0 to 1 with commas between, such as 0.45,0.39,0.57".to_owned()
            })
        })
    }
}

form! {
    /// What is planned. What is not said comes from the book, and from published figures where the book knows little.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct SeasonQuery, check SeasonQuery::check {
        /// The first day of the season. Default: today.
        #[param(value_type = Option<String>, format = Date)]
        pub starts_on: Option<Day>,
        /// Heifers to be served; with it or `cows` only these count, by the rule of the herd named.
        #[param(minimum = 1, maximum = 1000)]
        pub heifers: Option<WatchDays>,
        /// Cows to be served.
        #[param(minimum = 1, maximum = 1000)]
        pub cows: Option<WatchDays>,
        /// How often each is served at most. Default 3.
        #[param(minimum = 1, maximum = 10)]
        pub services: Option<WatchDays>,
        /// The types of the heifers' services, with commas between; the last holds for all that follow. Default: the herd's choice
        /// rule.
        #[param(value_type = Option<String>, max_length = 200, example = "sexed_female,sexed_female,conventional")]
        pub heifer_types: Option<Listed<SemenType>>,
        /// The same of the cows.
        #[param(value_type = Option<String>, max_length = 200)]
        pub cow_types: Option<Listed<SemenType>>,
        /// The conception rates of the heifers' services, with commas between.
        #[param(value_type = Option<String>, max_length = 200, example = "0.45,0.39,0.57")]
        pub heifer_conception: Option<Listed<f64>>,
        /// The same of the cows.
        #[param(value_type = Option<String>, max_length = 200)]
        pub cow_conception: Option<Listed<f64>>,
        /// How uncertain the rates of a herd are: the standard deviation of its log odds. Default 0.32 (8 points at one half),
        /// less where the book knows many results; 0 takes them for certain.
        pub spread: Option<Coefficient>,
        /// Share of heifer calves of conventional semen. Default 0.485.
        pub female_conventional: Option<Coefficient>,
        /// Share of heifer calves of semen sexed for females. Default 0.9.
        pub female_sexed: Option<Coefficient>,
        /// How probable it is to be that the straws are enough. Default 0.95.
        #[param(value_type = Option<f64>, minimum = 0.5, maximum = 0.999)]
        pub service_level: Option<ServiceLevel>,
        /// Days from an order to its delivery. Default 14.
        pub lead_days: Option<LeadDays>,
        /// How many heifer calves are wanted: for so many straws of each type are told.
        #[param(minimum = 1, maximum = 1000)]
        pub wanted_heifer_calves: Option<WatchDays>,
        /// As JSON or CSV. Default `json`.
        #[param(inline, required = false)]
        pub format: ReportFormat = ReportFormat::Json,
    }
}

impl SeasonQuery {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.services.is_some_and(|services| services.get() > 10) {
            faults.push(spot.member("services").fault("must be a whole number from 1 to 10"));
        }
    }
}

/// Females that are served alike.
#[derive(Serialize, ToSchema)]
pub struct SeasonFemales {
    /// Heifers or cows.
    class: Class,
    /// How many.
    #[schema(minimum = 0)]
    count: usize,
    /// Their services, in their order.
    services: Vec<PlannedService>,
    /// The standard deviation of the shift of their herd's log odds.
    spread: f64,
}

/// What to order.
#[derive(Serialize, ToSchema)]
pub struct StrawOrder {
    /// How many more straws make enough; 0 where there are enough.
    #[schema(minimum = 0)]
    straws: i64,
    /// When the first of this type is needed: the first day of the season, or 21 days later for each service before it.
    needed_on: Day,
    /// The last day to order so that they come in time.
    order_by: Day,
    /// What they cost by the last known cost of such a straw, in the smallest unit; null where none is known.
    cost_minor: Option<i64>,
    /// ISO 4217 code.
    currency: Option<String>,
}

/// Straws of one type that the season takes.
#[derive(Serialize, ToSchema)]
pub struct SeasonStraws {
    /// The type.
    semen_type: SemenType,
    /// How many: the mean, and where it lies in nine of ten cases.
    needed: Estimate,
    /// So many are enough with the probability asked for.
    #[schema(minimum = 0)]
    enough: i64,
    /// Straws on hand that these herds may use.
    on_hand: i64,
    /// What to order.
    order: StrawOrder,
}

/// Straws that the wanted heifer calves take, each straw used once at the heifers' first conception rate of that type.
#[derive(Serialize, ToSchema)]
pub struct WantedCalves {
    /// The type.
    semen_type: SemenType,
    /// The conception rate.
    conception: f64,
    /// The share of heifer calves.
    female: f64,
    /// Straws on the average: calves / (conception x share).
    straws: f64,
}

/// What a season takes and what comes of it.
#[derive(Serialize, ToSchema)]
pub struct SeasonPlan {
    /// How it is worked out.
    #[schema(max_length = 2000)]
    definition: &'static str,
    /// Where its figures come from.
    sources: Vec<&'static str>,
    /// The first day.
    starts_on: Day,
    /// The herds; all when empty.
    herd_ids: Vec<HerdId>,
    /// The probability with which the straws are to be enough.
    service_level: f64,
    /// Days from an order to its delivery.
    lead_days: i64,
    /// Services with a known result in the book that the rates rest on.
    #[schema(minimum = 0)]
    known_services: i64,
    /// Who is served, and how.
    females: Vec<SeasonFemales>,
    /// Straws by type.
    items: Vec<SeasonStraws>,
    /// Females that get pregnant.
    pregnancies: Estimate,
    /// Heifer calves, none lost.
    heifer_calves: Estimate,
    /// Straws for the heifer calves that are wanted; null when none are asked for.
    wanted: Option<Vec<WantedCalves>>,
    /// What to heed.
    cautions: Vec<&'static str>,
}

const DEFINITION: &str = "Every female is served until she is pregnant or was served as often as the plan allows, each time with the \
    type that is planned for that service. Given the rates the straws are worked out exactly, by convolution; pregnancies and heifer \
    calves are binomial. The rates are not known for certain, and all services of a herd share that: its log odds are shifted by a \
    normal deviate, over which is averaged. Intervals hold nine of ten seasons if all that is so.";

const CAUTIONS: &[&str] = &[
    "Supposed, not measured: every heat is seen and served, no calf is lost, nobody is added or sold. Give conception rates times the \
     share of heats that are served where heats are missed.",
    "Females served already whose result is not known count as open. What if: give other numbers, types and rates.",
];

const SOURCES: &[&str] = &[
    prior::SOURCE,
    "Herds differ by 8-12 points: Everett & Bean 1986; Quebec, CJAS 1993.",
    "Share of heifer calves: 90 % sexed (Norman 2010), 48.5 % conventional (1.06 males for each female: Beef Magazine).",
];

fn given(
    count: Option<WatchDays>,
    types: Option<Listed<SemenType>>,
    conception: Option<Listed<f64>>,
) -> Given {
    Given {
        count: count.and_then(|count| usize::try_from(count.get()).ok()),
        types: types.map(|types| types.0),
        conception: conception.map(|rates| rates.0),
    }
}

/// What a season takes.
#[utoipa::path(get, path = "/v1/reports/season-plan", operation_id = "get_season_plan", tag = "Reports",
    summary = "Plan a season",
    description = "How many straws of each type the females to be served take, with the pregnancies and heifer calves that come of it, \
        each with the interval that holds nine of ten seasons; against the straws on hand: what to order, by when, and what it costs. \
        Who is to be served, with which types and at what rates comes from the book: open females, the herd's choice rule, own results \
        drawn towards published ones. Every parameter can be given instead, to see what if.",
    params(SeasonQuery, HerdsParam),
    responses(
        (status = 200, description = "The plan.", content(
            (SeasonPlan = "application/json"), (String = "text/csv"))),
        Problems))]
async fn plan(
    State(app): State<App>,
    caller: Permit<Read>,
    query: ReportQuery<SeasonQuery>,
) -> Result<Response, Problem> {
    let ReportQuery { asked, herds } = query;
    let now = app.book.clock.now();
    let business = caller.business_id;
    let mut tx = app.book.db.read().await?;
    let all = herd::list(&mut tx, business, Page { after: Uuid::nil(), limit: 500 }).await?;
    let own: Vec<_> = all.into_iter().filter(|herd| herds.is_empty() || herds.contains(&herd.id)).collect();
    let zone = own.first().map_or(TimeZone::UTC, |herd| herd.details.time_zone);
    let starts_on = asked.starts_on.unwrap_or_else(|| now.day_in(zone));
    let mut book = SeasonBook::new(own, starts_on, now);
    let whom = Whom::Kept { herds: herds.clone() };
    record::each(&mut tx, business, &whom, now, Some(Also::DoNotBreed), |animal| book.add(&animal)).await?;
    let on_hand = stock::on_hand(&mut tx, business, &herds).await?;
    drop(tx);

    let services = usize::try_from(asked.services.map_or(3, WatchDays::get)).unwrap_or(MOST_SERVICES);
    let spread = asked.spread.map_or(HERD_LOGIT_SD, Coefficient::get);
    let mut said = BTreeMap::new();
    said.insert(Class::Heifer, given(asked.heifers, asked.heifer_types, asked.heifer_conception));
    said.insert(Class::Cow, given(asked.cows, asked.cow_types, asked.cow_conception));
    let herds_planned = book.plan(services, spread, &said);
    let many =
        herds_planned.iter().flat_map(|herd| &herd.females).any(|females| females.count > MOST_FEMALES);
    if many {
        return Err(wrong(
            "herd_id",
            format!("has more than {MOST_FEMALES} females of a class; give numbers instead"),
        ));
    }
    let share = |given: Option<Coefficient>, usual| given.map_or(usual, Coefficient::get);
    let shares = FemaleShares {
        conventional: share(asked.female_conventional, females(SemenType::Conventional)),
        sexed_female: share(asked.female_sexed, females(SemenType::SexedFemale)),
        sexed_male: females(SemenType::SexedMale),
    };
    let service_level = asked.service_level.map_or(0.95, ServiceLevel::get);
    let lead_days = asked.lead_days.map_or(LEAD_DAYS, LeadDays::get);
    let (outcome, herds_planned) = aside(move || (season(&herds_planned, shares), herds_planned)).await?;

    let terms = Terms { starts_on, service_level, lead_days };
    let items = straws(&outcome, &herds_planned, &on_hand, terms);
    if asked.format == ReportFormat::Csv {
        return Ok(csv(&items));
    }
    let wanted = asked.wanted_heifer_calves.map(|calves| wanted(calves.get(), &herds_planned, shares));
    let planned =
        herds_planned.iter().flat_map(|herd| herd.females.iter().map(|females| (herd.spread, females)));
    let planned = planned.filter(|(_, females)| females.count > 0);
    Ok(Json(SeasonPlan {
        definition: DEFINITION,
        sources: SOURCES.to_vec(),
        starts_on,
        herd_ids: herds,
        service_level,
        lead_days,
        known_services: book.known_services(),
        females: planned
            .map(|(spread, females)| SeasonFemales {
                class: females.class,
                count: females.count,
                services: females.services.clone(),
                spread,
            })
            .collect(),
        items,
        pregnancies: outcome.pregnancies.told(),
        heifer_calves: outcome.heifer_calves.told(),
        wanted,
        cautions: CAUTIONS.to_vec(),
    })
    .into_response())
}

/// From when on, how surely and how soon straws are to be there.
#[derive(Clone, Copy)]
struct Terms {
    starts_on: Day,
    service_level: f64,
    lead_days: i64,
}

/// The straws that the plan takes, against those on hand.
fn straws(
    outcome: &SeasonOutcome,
    herds: &[PlannedHerd],
    on_hand: &[OnHand],
    terms: Terms,
) -> Vec<SeasonStraws> {
    let of_type = |(semen_type, straws): (&SemenType, &Distribution)| {
        let there = on_hand.iter().find(|there| there.semen_type == *semen_type);
        let held = there.map_or(0, |there| there.straws);
        let enough = i64::try_from(straws.quantile(terms.service_level)).unwrap_or(i64::MAX);
        let needed_on = terms.starts_on.plus_days(21 * (first_service(herds, *semen_type) - 1));
        let missing = (enough - held).max(0);
        let cost: Option<&Cost> = there.and_then(|there| there.cost.as_ref());
        SeasonStraws {
            semen_type: *semen_type,
            needed: straws.told(),
            enough,
            on_hand: held,
            order: StrawOrder {
                straws: missing,
                needed_on,
                order_by: needed_on.plus_days(-terms.lead_days),
                cost_minor: cost.map(|cost| cost.amount_minor.get() * missing),
                currency: cost.map(|cost| cost.currency.to_string()),
            },
        }
    };
    outcome.straws.iter().map(of_type).collect()
}

/// Straws for so many heifer calves, at the conception rates of the first herd's heifers.
fn wanted(calves: i64, herds: &[PlannedHerd], shares: FemaleShares) -> Vec<WantedCalves> {
    let heifers = herds.first().and_then(|herd| herd.females.first());
    let first = |semen_type: SemenType| {
        let mut planned = heifers.into_iter().flat_map(|females| &females.services);
        let planned = planned.find(|service| service.semen_type == semen_type);
        planned.map_or_else(|| prior::published(Class::Heifer, semen_type, 1), |service| service.conception)
    };
    let types =
        [(SemenType::SexedFemale, shares.sexed_female), (SemenType::Conventional, shares.conventional)];
    types
        .into_iter()
        .map(|(semen_type, female)| (semen_type, female, first(semen_type)))
        .filter(|(_, female, conception)| female * conception > 0.0)
        .map(|(semen_type, female, conception)| WantedCalves {
            semen_type,
            conception,
            female,
            straws: straws_for_heifer_calves(calves, conception, female),
        })
        .collect()
}

/// The first service of anybody that takes this type.
fn first_service(herds: &[PlannedHerd], semen_type: SemenType) -> i64 {
    let females = herds.iter().flat_map(|herd| &herd.females).filter(|females| females.count > 0);
    let services = females.flat_map(|females| &females.services);
    let of_type = services.filter(|service| service.semen_type == semen_type);
    of_type.map(|service| service.service_number).min().unwrap_or(1)
}

fn csv(items: &[SeasonStraws]) -> Response {
    let columns = [
        "semen_type",
        "needed",
        "needed_low",
        "needed_high",
        "enough",
        "on_hand",
        "order",
        "needed_on",
        "order_by",
        "cost_minor",
        "currency",
    ];
    let rows = items.iter().map(|item| {
        vec![
            item.semen_type.to_string(),
            item.needed.estimate.to_string(),
            item.needed.low.to_string(),
            item.needed.high.to_string(),
            item.enough.to_string(),
            item.on_hand.to_string(),
            item.order.straws.to_string(),
            item.order.needed_on.to_string(),
            item.order.order_by.to_string(),
            written::told(item.order.cost_minor),
            written::told(item.order.currency.as_ref()),
        ]
    });
    written::csv("season-plan", &columns, rows)
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(plan))
}
