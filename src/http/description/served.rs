//! `GET /openapi.json`.

use std::sync::LazyLock;

use axum::{http::HeaderMap, response::Response};

use crate::http::{docs::COMMITTED, web::File};

/// The description as it is committed: compressed once, for those who take it so, and known by its ETag.
static FILE: LazyLock<File> = LazyLock::new(|| File::seldom("/openapi.json", COMMITTED.as_bytes()));

/// `GET /openapi.json`.
pub async fn openapi(asked: HeaderMap) -> Response {
    FILE.answer(&asked)
}
