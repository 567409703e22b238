//! Whose book this is: the business of the caller's key.

use axum::{Json, extract::State};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::values::{BusinessId, Name, Timestamp},
    http::{
        App,
        docs::Problems,
        extract::{Permit, Read},
        problem::{Kind, Problem},
    },
    store,
};

/// A business.
#[derive(Serialize, ToSchema)]
pub struct BusinessView {
    /// Its id.
    id: BusinessId,
    /// What people call it.
    name: Name,
    /// How many lines its ledger has.
    #[schema(minimum = 0)]
    movements: i64,
    /// When it was entered.
    created_at: Timestamp,
}

/// Whose book this is.
#[utoipa::path(get, path = "/v1/business", operation_id = "get_business", tag = "Business",
    summary = "Get the business of the key",
    description = "Nothing crosses between businesses; another's resources do not exist for this key.",
    responses((status = 200, description = "The business.", body = BusinessView), Problems))]
async fn read(State(app): State<App>, caller: Permit<Read>) -> Result<Json<BusinessView>, Problem> {
    let mut tx = app.book.db.read().await?;
    let business = store::access::business::find(&mut tx, caller.business_id).await?;
    let business = business.ok_or_else(|| Problem::new(Kind::NotFound, "The business is gone."))?;
    Ok(Json(BusinessView {
        id: business.id,
        name: business.name,
        movements: business.movement_seq,
        created_at: business.created_at,
    }))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(read))
}
