//! How a tank stands with its nitrogen: level, loss, when to refill, condition; as figures and as a picture.

use axum::{Json, extract::State, http::HeaderMap, response::Response};
use chrono::TimeDelta;
use serde::Serialize;
use utoipa::{
    IntoParams, PartialSchema, ToSchema,
    openapi::{
        RefOr,
        schema::{ObjectBuilder, Schema, SchemaType},
    },
};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::nitrogen::status::{self, TankStatus},
    domain::{
        nitrogen::{
            Basis, CAUTION, Condition, Interval, LastAlarm, Level, Loss, Minimum,
            level::{Measured, SeenFrost, rounded},
            tank::Tank,
        },
        values::{TankId, TimeZone, Timestamp},
    },
    form,
    http::{
        App,
        access::limits::Within,
        animals::next_service::Query,
        docs::Problems,
        extract::{Id, Permit, Read},
        nitrogen::{level::tank_in, picture::Picture},
        picture::{self, Theme},
        problem::{Problem, internal},
    },
    store,
};

form! {
    /// When.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct AtMoment {
        /// The moment it is about, from what is on record up to then; now when not said.
        pub at: Option<Timestamp>,
    }
}

form! {
    /// When, and on which ground.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct PictureParams {
        /// The moment it is about, from what is on record up to then; now when not said.
        pub at: Option<Timestamp>,
        /// On a light or a dark ground. When not said, an SVG follows the reader's setting and a PNG is light.
        #[param(inline)]
        pub theme: Option<Theme>,
    }
}

/// The last reading, whether it could be used or not.
#[derive(Serialize, ToSchema)]
pub struct LastReading {
    /// When.
    read_at: Timestamp,
    /// What was read, as it was told.
    measured: Measured,
    /// How long ago that was.
    #[schema(minimum = 0)]
    age_hours: f64,
}

/// How a tank stands with its nitrogen. Intervals are 90 % ones.
#[derive(Serialize, ToSchema)]
pub struct NitrogenState {
    /// The moment it is about.
    at: Timestamp,
    /// The level then; null before the first reading.
    level: Option<Level>,
    /// The loss a day, openings at their recent rate included.
    loss: Loss,
    /// Depth below which it must not fall, in millimetres: the tank's, or 150 where nothing is said of it.
    #[schema(minimum = 0)]
    min_depth_mm: Option<f64>,
    /// When that depth is reached; null without a level.
    reaches_minimum: Option<Minimum>,
    /// Refill by then: the earliest of `reaches_minimum`.
    refill_by: Option<Timestamp>,
    /// Litres that the next refill takes, at `refill_by`; null when the tank's litres are not known.
    refill_litres: Option<Interval>,
    /// Its condition.
    condition: Condition,
    /// Why, in words.
    reason: String,
    /// The last alarm of a failing tank, whether it stands or has ended; null when there never was one.
    alarm: Option<LastAlarm>,
    /// Frost or sweat that was seen when somebody looked last, unless the tank was repaired since; null without any.
    frost: Option<SeenFrost>,
    /// The last reading; null without one in the last five years.
    last_reading: Option<LastReading>,
    /// How often the tank was opened in the 30 days before, as the ledger knows it: straws that went out or in within
    /// ten minutes are one opening, and so is a stocktake.
    #[schema(minimum = 0)]
    openings_last_30_days: usize,
    /// What the figures rest on.
    basis: Basis,
    /// Readings that were used; of a sensor one a day.
    #[schema(minimum = 0)]
    readings_used: usize,
}

fn figures(interval: Interval) -> Interval {
    Interval {
        low: rounded(interval.low),
        estimate: rounded(interval.estimate),
        high: rounded(interval.high),
    }
}

/// A day that is predicted, to the minute.
fn to_minute(at: Timestamp) -> Timestamp {
    use chrono::DurationRound as _;
    at.utc().duration_trunc(TimeDelta::minutes(1)).map_or(at, Timestamp::from)
}

impl From<&TankStatus> for NitrogenState {
    fn from(standing: &TankStatus) -> Self {
        let TankStatus { at, vessel, history, outlook, last_read, .. } = standing;
        let lately = at.plus(-TimeDelta::days(30));
        let last_reading = last_read.map(|(read_at, measured)| {
            #[expect(clippy::cast_precision_loss, reason = "at most five years of seconds")]
            let seconds = at.since(read_at).num_seconds() as f64;
            LastReading { read_at, measured, age_hours: rounded(seconds / 3600.0) }
        });
        Self {
            at: *at,
            level: outlook.level.map(|level| Level {
                depth_mm: figures(level.depth_mm),
                litres: level.litres.map(figures),
                percent: level.percent.map(figures),
            }),
            loss: Loss {
                mm_per_day: figures(outlook.loss.mm_per_day),
                litres_per_day: outlook.loss.litres_per_day.map(figures),
                rated_litres_per_day: outlook.loss.rated_litres_per_day,
            },
            min_depth_mm: vessel.min_depth_mm,
            reaches_minimum: outlook.minimum.map(|minimum| Minimum {
                earliest: to_minute(minimum.earliest),
                estimate: to_minute(minimum.estimate),
                latest: minimum.latest.map(to_minute),
            }),
            refill_by: outlook.refill_by.map(to_minute),
            refill_litres: outlook.refill_l.map(figures),
            condition: outlook.condition,
            reason: outlook.reason.clone(),
            alarm: outlook.alarm,
            frost: outlook.frost,
            last_reading,
            openings_last_30_days: history.openings.iter().filter(|opened| **opened > lately).count(),
            basis: outlook.basis,
            readings_used: outlook.readings_used,
        }
    }
}

/// How a tank stands with its nitrogen, with what to heed and where the figures come from.
#[derive(Serialize, ToSchema)]
pub struct NitrogenStatus {
    /// The tank.
    tank_id: TankId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    state: NitrogenState,
    /// What the figures rest on, in words.
    basis_text: String,
    /// What to heed.
    cautions: Vec<String>,
    /// Where the figures come from.
    sources: Vec<String>,
}

/// Where what is said of nitrogen comes from.
const SOURCES: &[&str] = &[
    "Nitrogen at its boiling point, 0.806 kg a litre: equation of state of Span et al. 2000 (NIST).",
    "A solid rod, read daily or at least weekly: common practice, no source.",
];

impl NitrogenStatus {
    fn of(tank: &Tank, standing: &TankStatus) -> Self {
        let d = &tank.details;
        let mut cautions = Vec::new();
        if standing.unusable > 0 {
            cautions.push(format!(
                "{} readings do not count: enter the tank's chart, or full_depth_mm and capacity_l, and tare_kg for \
                 weights.",
                standing.unusable
            ));
        }
        if standing.reckoned {
            cautions.push(
                "The level after the last refill is reckoned from the litres told; read it with the rod."
                    .to_owned(),
            );
        }
        if d.chart.is_none() && standing.vessel.chart.is_some() {
            cautions.push(
                "No chart of the tank is entered: litres are taken in proportion to depth, which is wrong at its shoulder."
                    .to_owned(),
            );
        }
        cautions.push(CAUTION.to_owned());
        let usual_minimum = d.min_depth_mm.is_none().then(|| {
            "Minimum depth 150 mm, the commonest: TNAU/IASRI e-course; others say 76 to 254 mm. Set the tank's own."
                .to_owned()
        });
        Self {
            tank_id: tank.id,
            state: standing.into(),
            basis_text: standing.outlook.basis_text.clone(),
            cautions,
            sources: SOURCES.iter().map(ToString::to_string).chain(usual_minimum).collect(),
        }
    }
}

/// How a tank stands.
#[utoipa::path(get, path = "/v1/tanks/{id}/nitrogen", operation_id = "get_nitrogen_status", tag = "Nitrogen",
    summary = "Get the nitrogen status of a tank",
    description = "The level, the loss a day, when the minimum is reached, by when to refill and with how much, and whether the \
        tank is failing, each with its 90 % interval; from the readings, the refills and the openings that the ledger knows. \
        With no or one reading it rests on the rated loss and says so. An estimate: a rod read once a week cannot save a tank \
        that fails fast, and frost or sweat on the neck or outside means moving the straws at once. Nitrogen gas displaces \
        air without warning (hazardous below 19.5 % oxygen: OSHA, 29 CFR 1910.146) and the liquid burns: ventilate, gloves, \
        face shield, secure the tank in a vehicle, never seal the neck. Local codes and licensed practice go before this.",
    params(("id" = uuid::Uuid, Path, description = "The tank."), AtMoment),
    responses((status = 200, description = "How it stands.", body = NitrogenStatus), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    Query(moment): Query<AtMoment>,
) -> Result<Json<NitrogenStatus>, Problem> {
    let at = moment.at.unwrap_or_else(|| app.book.clock.now());
    let mut tx = app.book.db.read().await?;
    let tank = tank_in(&mut tx, &caller, id).await?;
    let record = status::record(&mut tx, caller.business_id, &tank, at).await?;
    drop(tx);
    let view = aside(move || NitrogenStatus::of(&record.tank, &record.standing(at))).await?;
    Ok(Json(view))
}

/// Has something reckoned beside the requests, which it would hold up.
pub async fn aside<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Problem> {
    tokio::task::spawn_blocking(work).await.map_err(|error| {
        tracing::error!(%error, "reckoning failed");
        internal()
    })
}

/// The picture of a tank, as its bytes and their kind.
async fn drawn(
    app: &App,
    caller: &Permit<Read, Within>,
    id: uuid::Uuid,
    asked: PictureParams,
    headers: &HeaderMap,
    media: &'static str,
    draw: fn(&Picture, Option<Theme>) -> Result<Vec<u8>, picture::Error>,
) -> Result<Response, Problem> {
    let at = asked.at.unwrap_or_else(|| app.book.clock.now());
    let mut tx = app.book.db.read().await?;
    let found = store::nitrogen::tank::find_with_zone(&mut tx, caller.business_id, TankId(id)).await?;
    let (tank, zone) = found.ok_or_else(|| Problem::not_there("tank", id))?;
    let zone = zone.unwrap_or(TimeZone::UTC);
    let record = status::record(&mut tx, caller.business_id, &tank, at).await?;
    drop(tx);
    let bytes = aside(move || {
        let standing = record.standing(at);
        draw(&Picture::of(&record.tank, &standing, zone), asked.theme)
    })
    .await?
    .map_err(|error| {
        tracing::error!(%error, "a picture could not be drawn");
        internal()
    })?;
    Ok(picture::answer(bytes, media, headers))
}

/// The picture for screens of any size.
#[utoipa::path(get, path = "/v1/tanks/{id}/nitrogen.svg", operation_id = "get_nitrogen_svg", tag = "Nitrogen",
    summary = "Get the level of a tank as a picture (SVG)",
    description = "Readings, refills, the fitted level, the forecast with its 90 % band and the minimum, with dates in the herd's \
        time zone (UTC for the technician's tank). An estimate; frost or sweat on the neck means moving the straws at once.",
    params(("id" = uuid::Uuid, Path, description = "The tank."), PictureParams),
    responses(
        (status = 200, description = "The picture.", content_type = "image/svg+xml", body = String,
         headers(("ETag" = String, description = "Its version."))),
        (status = 304, description = "It is still the version in If-None-Match."),
        Problems))]
async fn svg(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    Query(asked): Query<PictureParams>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    drawn(&app, &caller, id, asked, &headers, "image/svg+xml", picture::svg).await
}

/// A PNG; what is not text has no schema beyond its media type (OpenAPI 3.1, 4.8.14.2).
struct PngFile;

impl PartialSchema for PngFile {
    fn schema() -> RefOr<Schema> {
        ObjectBuilder::new().schema_type(SchemaType::AnyValue).content_media_type("image/png").into()
    }
}
impl ToSchema for PngFile {}

/// The picture for what cannot show SVG.
#[utoipa::path(get, path = "/v1/tanks/{id}/nitrogen.png", operation_id = "get_nitrogen_png", tag = "Nitrogen",
    summary = "Get the level of a tank as a picture (PNG)",
    description = "The same as the SVG, 1200 by 900 pixels.",
    params(("id" = uuid::Uuid, Path, description = "The tank."), PictureParams),
    responses(
        (status = 200, description = "The picture.", content_type = "image/png", body = inline(PngFile),
         headers(("ETag" = String, description = "Its version."))),
        (status = 304, description = "It is still the version in If-None-Match."),
        Problems))]
async fn png(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    Query(asked): Query<PictureParams>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    drawn(&app, &caller, id, asked, &headers, "image/png", picture::png).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(read)).routes(routes!(svg)).routes(routes!(png))
}
