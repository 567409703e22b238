//! The bath before the straw.

use axum::{Json, extract::State};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{CommandError, straws::thaw_advice::thaw_advice},
    domain::{
        rejection::Rejection,
        straws::thaw_advice::{BathQuestion, ThawAdvice},
    },
    http::{
        App,
        access::limits::Within,
        animals::next_service::Query,
        docs::Problems,
        extract::{Permit, Read},
        problem::{Kind, Problem},
    },
};

/// Judges a bath.
#[utoipa::path(get, path = "/v1/thaw-advice", operation_id = "get_thaw_advice", tag = "Choosing",
    summary = "Get advice on the thaw bath",
    description = "Ask before a straw is lifted: from then on it has seconds to the bath. Says whether the bath is right by the lot's own \
        instruction, else the herd's, else the default; what to add in millilitres and in steps, with a measurement after each; how \
        long a straw stays in; until when it is used; how many may go in now beside the technician's straws that are in the \
        bath. By default the bath is accepted from 35.0 to 37.0 C, aim 35.6 C. Below 33.3 C and above 38.0 C it never is. What is \
        said of the straws must not contradict the lot.",
    params(BathQuestion),
    responses((status = 200, description = "What to do.", body = ThawAdvice), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Query(asked): Query<BathQuestion>,
) -> Result<Json<ThawAdvice>, Problem> {
    let now = app.book.clock.now();
    let mut tx = app.book.db.read().await?;
    match thaw_advice(&mut tx, &caller, &asked, now).await {
        Ok(advice) => Ok(Json(advice)),
        Err(CommandError::Rejected(rejection)) => Err(match *rejection {
            Rejection::Invalid(faults) => Problem::invalid(Kind::InvalidQuery, faults),
            other => other.into(),
        }),
        Err(CommandError::Failed(error)) => Err(error.into()),
    }
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(read))
}
