//! The snapshot that a device at the tank keeps.

use axum::{
    Json,
    extract::{FromRequestParts, State},
    http::{HeaderMap, StatusCode, header, request::Parts},
    response::{IntoResponse, Response},
};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{
        at_the_tank::{self, AnimalAtTank, Hanging, Kept, LotAtTank, MOST_OF_OTHERS},
        catalogue::version_of_bytes,
    },
    domain::{
        access::Role,
        alerts::Alert,
        animals::round::Round,
        straws::{thaw::ThawProtocol, withdrawal::Withdrawal},
        values::{Day, HerdId, Name, TimeZone, Timestamp},
    },
    form,
    http::{
        App,
        access::limits::Within,
        answer::{is_known, with_etag},
        docs::Problems,
        extract::{Permit, Read},
        nitrogen::{
            status::aside,
            tank::{TankAnswer, with_nitrogen},
        },
        page::{HerdsParam, query_with_many, read_query},
        problem::{Kind, Problem},
    },
    store::access::business::{self, Standing},
};

/// Herds that are told of.
const MOST_HERDS: i64 = 500;

/// How long what depends on the time alone may be told as it was, in seconds: five minutes.
const SLICE_SECONDS: i64 = 5 * 60;

form! {
    /// Which day.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct WhichDay {
        /// The day of the round; today at the herds when not said.
        #[param(value_type = Option<String>, format = Date)]
        pub date: Option<Day>,
    }
}

/// Which day, and at which herds.
struct SnapshotQuery {
    day: WhichDay,
    herds: Vec<HerdId>,
}

impl FromRequestParts<App> for SnapshotQuery {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let (members, herds) = query_with_many(parts, "herd_id")?;
        Ok(Self { day: read_query::<WhichDay>(members)?, herds })
    }
}

/// What a device at the tank keeps: one moment of the book.
#[derive(Serialize, ToSchema)]
pub struct Snapshot {
    /// The number of the last change in the book, as `GET /v1/changes` counts them; 0 before the first.
    #[schema(minimum = 0)]
    seq: i64,
    /// The moment it is about.
    at: Timestamp,
    /// Whose device it is.
    key: KeyAtTank,
    /// The day's round.
    round: Round,
    /// Every animal on it, in the order of its stops; then those in heat whose hour is on another day.
    animals: Vec<AnimalAtTank>,
    /// What hangs where in the tanks of these herds and the technician's, in the order in which it should be used.
    stock: Vec<Hanging>,
    /// What lots that is, each once.
    lots: Vec<LotAtTank>,
    /// These tanks, each with how it stands with its nitrogen.
    tanks: Vec<TankAnswer>,
    /// How straws are thawed; others name a protocol by its place in this list, from 0.
    thaw_protocols: Vec<ThawProtocol>,
    /// Straws that are out and neither served nor discarded.
    withdrawals: Vec<Withdrawal>,
    /// Alerts that are open, about these herds or about none.
    alerts: Vec<Alert>,
    /// The herds.
    herds: Vec<HerdAtTank>,
    /// Which of these lists are too long to be told whole.
    #[schema(value_type = Vec<String>)]
    truncated: Vec<&'static str>,
}

/// The key of a device.
#[derive(Serialize, ToSchema)]
pub struct KeyAtTank {
    /// Who holds it.
    name: Name,
    /// What its holder may do.
    role: Role,
    /// The herds that were asked for, or all.
    herds: Vec<HerdId>,
}

/// A herd.
#[derive(Serialize, ToSchema)]
pub struct HerdAtTank {
    /// The herd.
    id: HerdId,
    /// What it is called.
    name: Name,
    /// Where its days begin.
    #[schema(value_type = String)]
    time_zone: TimeZone,
    /// How it thaws straws whose lot says nothing; null where it says nothing itself.
    thaw: Option<ThawProtocol>,
}

impl HerdAtTank {
    fn of(row: &Standing) -> Option<Self> {
        let (id, name, time_zone) = (row.herd_id?, row.herd_name.clone()?, row.time_zone?);
        Some(Self { id, name, time_zone, thaw: row.thaw.clone() })
    }
}

/// The version of a snapshot: how far the book has come, and which five minutes it is, for states and texts follow from
/// time alone. Weak, because two of the same version may tell other seconds.
fn version(standing: &Standing, query: &SnapshotQuery, role: Role, now: Timestamp) -> String {
    let told = format!(
        "{} {standing:?} {:?} {:?} {role} {}",
        env!("CARGO_PKG_VERSION"),
        query.day.date,
        query.herds,
        now.utc().timestamp().div_euclid(SLICE_SECONDS)
    );
    format!("W/\"{}\"", version_of_bytes(told.as_bytes()))
}

/// A snapshot of what is needed at the tank.
#[utoipa::path(get, path = "/v1/page", operation_id = "get_page", tag = "Choosing",
    summary = "Get what a device at the tank keeps",
    description = "One moment of the book for a device that will be without a signal: the day's round, what the next service of \
        every animal on it or in heat calls for, what hangs where, how to thaw, the tanks, straws that are out, and open alerts. The choice is \
        made here and never on the device. With the ETag of the snapshot at hand as If-None-Match it answers 304 while nothing \
        changed; what follows from time alone is told anew every five minutes.",
    params(WhichDay, HerdsParam),
    responses(
        (status = 200, description = "The snapshot.", body = Snapshot,
         headers(("ETag" = String, description = "Its version, weak."))),
        (status = 304, description = "It is still the version in If-None-Match."),
        Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    mut query: SnapshotQuery,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let now = app.book.clock.now();
    let business = caller.business_id;
    query.herds = caller.herds(query.herds);
    let mut tx = app.book.db.read().await?;
    let rows = business::standing(&mut tx, business, caller.key_id, MOST_HERDS, MOST_OF_OTHERS).await?;
    let standing = rows.first().ok_or_else(|| Problem::new(Kind::NotFound, "The key is gone."))?;
    let etag = version(standing, &query, caller.role, now);
    if is_known(&headers, etag.trim_start_matches("W/")) {
        return Ok(with_etag(StatusCode::NOT_MODIFIED.into_response(), &etag));
    }
    let mut herds: Vec<HerdAtTank> = rows.iter().filter_map(HerdAtTank::of).collect();
    herds.retain(|herd| query.herds.is_empty() || query.herds.contains(&herd.id));
    let zone = herds.first().map_or(TimeZone::UTC, |herd| herd.time_zone);
    let date = query.day.date.unwrap_or_else(|| now.day_in(zone));
    let mut gathered = at_the_tank::gather(&mut tx, &caller, date, &query.herds, now).await?;
    drop(tx);
    let tanks = std::mem::take(&mut gathered.tanks);
    let (kept, tanks) =
        futures_util::future::try_join(aside(move || gathered.kept()), with_nitrogen(tanks, now)).await?;
    let Kept { round, animals, stock, lots, thaw_protocols, withdrawals, alerts, mut truncated } = kept;
    if usize::try_from(MOST_HERDS).is_ok_and(|most| rows.len() >= most) {
        truncated.push("herds");
    }
    let key = KeyAtTank {
        name: standing.key_name.clone(),
        role: caller.role,
        herds: herds.iter().map(|herd| herd.id).collect(),
    };
    let snapshot = Snapshot {
        seq: standing.seq,
        at: now,
        key,
        round,
        animals,
        stock,
        lots,
        tanks,
        thaw_protocols,
        withdrawals,
        alerts,
        herds,
        truncated,
    };
    let mut response = with_etag(Json(snapshot).into_response(), &etag);
    response.headers_mut().insert(header::VARY, header::HeaderValue::from_static("authorization"));
    Ok(response)
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(read))
}
