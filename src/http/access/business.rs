//! Whose book this is: the business of the caller's key.

use axum::{Json, extract::State};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::access::business::Business,
    http::{
        App,
        docs::Problems,
        extract::{Permit, Read},
        problem::{Kind, Problem},
    },
    store,
};

/// Whose book this is.
#[utoipa::path(get, path = "/v1/business", operation_id = "get_business", tag = "Business",
    summary = "Get the business of the key",
    description = "Nothing crosses between businesses; another's resources do not exist for this key.",
    responses((status = 200, description = "The business.", body = Business), Problems))]
async fn read(State(app): State<App>, caller: Permit<Read>) -> Result<Json<Business>, Problem> {
    let mut tx = app.book.db.read().await?;
    let business = store::access::business::find(&mut tx, caller.business_id).await?;
    let business = business.ok_or_else(|| Problem::new(Kind::NotFound, "The business is gone."))?;
    Ok(Json(business))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(read))
}
