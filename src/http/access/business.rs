//! Whose book this is: the business of the caller's key.

use axum::{Json, extract::State, response::Response};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::access::empty::EmptyBook,
    domain::access::business::OwnBusiness,
    http::{
        App,
        access::limits::Within,
        answer::gone,
        docs::{IdempotencyKey, Problems},
        extract::{DeleteRequest, Manage, Permit, Read},
        problem::{Kind, Problem},
    },
    store,
};

/// Whose book this is.
#[utoipa::path(get, path = "/v1/business", operation_id = "get_business", tag = "Business",
    summary = "Get the business of the key",
    description = "Nothing crosses between businesses; another's resources do not exist for this key.",
    responses((status = 200, description = "The business.", body = OwnBusiness), Problems))]
async fn read(State(app): State<App>, caller: Permit<Read, Within>) -> Result<Json<OwnBusiness>, Problem> {
    let mut tx = app.book.db.read().await?;
    let business = store::access::business::own(&mut tx, caller.business_id).await?;
    let business = business.ok_or_else(|| Problem::new(Kind::NotFound, "The business is gone."))?;
    Ok(Json(business))
}

/// The book of a test business is emptied.
#[utoipa::path(delete, path = "/v1/business/book", operation_id = "empty_book", tag = "Business",
    summary = "Empty the book of a test business",
    description = "For trials: everything goes but the business and its keys, webhooks, the audit and the Idempotency-Keys of earlier \
        acts among it. Only in a business that the operator made for it with `tankside business create --test` (`is_test`); in any other \
        nothing is ever deleted (409 `not-a-test-business`).",
    params(IdempotencyKey),
    responses((status = 204, description = "The book is empty."), Problems))]
async fn empty(State(app): State<App>, removal: DeleteRequest<Manage>) -> Result<Response, Problem> {
    app.do_for(removal.ask, EmptyBook, |()| Ok(gone())).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(read)).routes(routes!(empty))
}
