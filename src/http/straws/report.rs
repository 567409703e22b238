//! Reports: what became of a lot.

use axum::{Json, extract::State};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::{straws::lot_trace::LotTrace, values::LotId},
    http::{
        App,
        docs::Problems,
        extract::{Id, Permit, Read},
        problem::Problem,
    },
    store::straws::lot_trace,
};

/// Every straw of a lot.
#[utoipa::path(get, path = "/v1/reports/lot-trace/{id}", operation_id = "get_lot_trace", tag = "Reports",
    summary = "Get the trace of a lot",
    description = "Where the straws are, which animals were served with them, when, by whom, with what result: what a recall asks for.",
    params(("id" = uuid::Uuid, Path, description = "The lot.")),
    responses((status = 200, description = "Every straw.", body = LotTrace), Problems))]
async fn trace(State(app): State<App>, caller: Permit<Read>, Id(id): Id) -> Result<Json<LotTrace>, Problem> {
    let mut tx = app.book.db.read().await?;
    let trace = lot_trace::find(&mut tx, caller.business_id, LotId(id)).await?;
    trace.map(Json).ok_or_else(|| Problem::not_there("lot", id))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(trace))
}
