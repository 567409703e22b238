//! What an animal's next service calls for.

use axum::{
    Json,
    extract::{FromRequestParts, State},
    http::request::Parts,
};
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::animals::next_service::{NextService, next_service},
    domain::{
        form::Field,
        straws::semen::SemenType,
        values::{AnimalId, Timestamp},
    },
    form,
    http::{
        App,
        access::limits::Within,
        docs::Problems,
        extract::{Id, Permit, Read},
        page,
        problem::Problem,
    },
};

form! {
    /// When.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct AtMoment {
        /// The moment it is about; now when not said.
        pub at: Option<Timestamp>,
        /// Only straws of this type among those she may have.
        pub semen_type: Option<SemenType>,
    }
}

/// The parameters of a query that is not a list.
pub struct Query<T>(pub T);

impl<T: Field> FromRequestParts<App> for Query<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        page::read_query(page::query(parts)?).map(Self)
    }
}

/// What the next service calls for.
#[utoipa::path(get, path = "/v1/animals/{id}/next-service", operation_id = "get_next_service", tag = "Choosing",
    summary = "Get what an animal's next service calls for",
    description = "Before the plug comes off: the service number, the semen types it calls for and the rule that says so, the \
        straws that satisfy it with their places, sires that are blocked and why, when to serve her after standing heat, \
        how to thaw, and what to heed. Sources of the figures stand beside them; the supplier's instruction, local codes \
        and licensed practice go before all of it.",
    params(("id" = uuid::Uuid, Path, description = "The animal."), AtMoment),
    responses((status = 200, description = "What it calls for.", body = NextService), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    Query(moment): Query<AtMoment>,
) -> Result<Json<NextService>, Problem> {
    let at = moment.at.unwrap_or_else(|| app.book.clock.now());
    let mut tx = app.book.db.read().await?;
    let next = next_service(&mut tx, &caller, AnimalId(id), at, moment.semen_type).await?;
    let next = next.ok_or_else(|| Problem::not_there("animal", id))?;
    Ok(Json(next))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(read))
}
