//! What to watch, as a list and as a calendar.

use axum::{
    Json,
    extract::State,
    http::{HeaderValue, header, request::Parts},
    response::{IntoResponse, Response},
};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::animals::calendar::hash,
    domain::{
        animals::watch::{self, WatchItem, WatchKind},
        form::InputPath,
        values::{BusinessId, Day, HerdId, KeyId, Timestamp},
    },
    form,
    http::{
        App,
        access::limits::Within,
        access::{auth, failures},
        docs::Problems,
        extract::{Permit, Read},
        ics::{self, Event},
        page::{query, read_query},
        problem::{Kind, Problem},
    },
    store::{self, Tx, animals::calendar},
};

/// Days ahead that are told when the client does not say.
const USUAL_DAYS: i64 = 14;

/// Days ahead that a calendar tells.
const CALENDAR_DAYS: i64 = 90;

/// Animals of which all herds may be asked at once.
const MOST_ANIMALS: i64 = 20_000;

form! {
    /// Of which herd, and how far ahead.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct WatchQuery {
        /// Only of this herd.
        pub herd_id: Option<HerdId>,
        /// What begins on this day or before; 14 days ahead when not said.
        pub until: Option<Day>,
    }
}

/// What to watch, the earliest first.
#[derive(Serialize, ToSchema)]
pub struct Watch {
    /// What, of whom, when and why.
    items: Vec<WatchItem>,
    /// The last day that this looks ahead to; each herd's own when it was not said.
    until: Option<Day>,
}

/// What to watch.
#[utoipa::path(get, path = "/v1/watch", operation_id = "get_watch", tag = "Watch",
    summary = "Get what to watch",
    description = "Returns to heat (day 18-24), pregnancy checks by method, rechecks (day 60-90), calvings due and overdue, \
        cows past the herd's waiting period without a service, steps of timed protocols: each with its days in the herd's own calendar, its reason and the \
        source of the days. Without `herd_id` it covers all herds of a business of up to 20,000 animals. These are dates to look \
        at an animal; what is done then is for her keeper and a veterinarian.",
    params(WatchQuery),
    responses((status = 200, description = "The whole list.", body = Watch), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    parts: Parts,
) -> Result<Json<Watch>, Problem> {
    let WatchQuery { herd_id, until } = read_query(query(&parts)?)?;
    let mut tx = app.book.db.read().await?;
    let now = app.book.clock.now();
    let until_of = |today: Day| until.unwrap_or_else(|| today.plus_days(USUAL_DAYS));
    let herd_id = caller.leading_herd(herd_id);
    let mut items = items(&mut tx, caller.business_id, herd_id, now, until_of).await?;
    items.retain(|item| caller.may_see_herd(item.herd_id));
    Ok(Json(Watch { items, until }))
}

async fn items(
    tx: &mut Tx,
    business: BusinessId,
    herd: Option<HerdId>,
    now: Timestamp,
    until: impl Fn(Day) -> Day,
) -> Result<Vec<WatchItem>, Problem> {
    if herd.is_none() && store::animals::watch::count_up_to(tx, business, MOST_ANIMALS).await? > MOST_ANIMALS
    {
        let detail =
            format!("is required where there are more than {MOST_ANIMALS} animals: ask herd by herd");
        let fault = InputPath::query().member("herd_id").fault(detail);
        return Err(Problem::invalid(Kind::InvalidQuery, vec![fault]));
    }
    let animals = store::animals::watch::animals(tx, business, herd, now).await?;
    let starts = store::animals::timed_protocol::ahead(tx, business, herd, now).await?;
    Ok(watch::all(&animals, starts, now, until))
}

/// `GET /v1/watch.ics`: what to watch as a calendar (RFC 5545), by the token in its address and nothing else.
pub async fn feed(State(app): State<App>, parts: Parts) -> Result<Response, Problem> {
    let from = failures::address(&parts.extensions);
    let unknown = || {
        let unknown =
            Problem::new(Kind::NotFound, "There is no calendar of this token, or it was taken away.");
        let counted = app.failures.as_ref().zip(from).map(|(failures, from)| failures.count(from));
        counted.and_then(Result::err).unwrap_or(unknown)
    };
    let hash = query(&parts)?.get("token").and_then(|token| token.as_str()).and_then(hash);
    let feed = match hash {
        Some(hash) => {
            let mut tx = app.book.db.read_at_once().await?;
            calendar::by_hash(&mut tx, &hash).await?
        }
        None => None,
    };
    let feed = feed.ok_or_else(unknown)?;
    // A calendar is held to the bounds of a key.
    let reader = KeyId(feed.calendar.id.0);
    if let Some(limiter) = &app.limiter
        && let Err(wait) = limiter.count(reader)
    {
        return Ok(auth::too_many(limiter, wait));
    }
    let _turn = app.readers.take(reader).await?;
    let mut tx = app.book.db.read().await?;
    let now = app.book.clock.now();
    let until = |today: Day| today.plus_days(CALENDAR_DAYS);
    let items = items(&mut tx, feed.business_id, feed.calendar.details.herd_id, now, until).await?;
    let events: Vec<_> = items.iter().map(|item| event(item, now)).collect();
    let text = ics::calendar(feed.calendar.details.name.as_str(), &events);
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("text/calendar; charset=utf-8")),
        (header::CACHE_CONTROL, HeaderValue::from_static("private, no-store")),
    ];
    Ok((headers, text).into_response())
}

/// An item as an event: what to do, of whom, on which days.
fn event(item: &WatchItem, now: Timestamp) -> Event {
    let what = match item.kind {
        WatchKind::ReturnToHeat => "watch for heat",
        WatchKind::PregnancyCheck => "pregnancy check",
        WatchKind::Recheck => "check the pregnancy again",
        WatchKind::Calving => "due to calve",
        WatchKind::FirstService => "not served since she calved",
        WatchKind::ProtocolStep => item.reason.as_str(),
    };
    let (from, to) = match item.kind {
        // One day says more than a span around it.
        WatchKind::Calving | WatchKind::FirstService => (item.on, item.on),
        _ => (item.from_on, item.to_on.unwrap_or(item.from_on)),
    };
    let follows = item.service_id.map_or(item.animal_id.0, |service| service.0);
    let follows = match &item.protocol {
        Some(step) => format!("{}-{}", step.start_id, step.step),
        None => follows.to_string(),
    };
    Event {
        uid: format!("{}-{follows}@tankside", item.kind),
        said_at: now,
        from,
        to,
        summary: format!("{} ({}): {what}", item.animal_number, item.herd_name),
        description: format!("{}\nSource: {}", item.reason, item.source),
        category: item.kind.as_str(),
    }
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list))
}
