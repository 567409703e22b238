//! Whether the service lives, and whether it can do its work.

use axum::{
    Json,
    extract::State,
    http::StatusCode,
    response::{IntoResponse, Response},
};
use serde_json::json;

use crate::{http::App, store::Room};

/// `GET /healthz`: the process lives. Depends on nothing else.
pub async fn healthz() -> Response {
    Json(json!({"status": "ok"})).into_response()
}

/// `GET /readyz`: it can read and write the book and is not on its way out. Otherwise `failing` says what is
/// wrong: `stopping`, `writer` (the last write failed), `store` (it cannot be read), `disk-full` or `read-only`,
/// told before a write fails where it can be seen.
pub async fn readyz(State(app): State<App>) -> Response {
    let failing = if app.is_stopping() {
        Some("stopping")
    } else {
        match app.book.db.room().await {
            Err(_) => Some("store"),
            Ok(Room::Full) => Some("disk-full"),
            Ok(Room::ReadOnly) => Some("read-only"),
            Ok(Room::Enough) => (!app.book.writer.is_sound()).then_some("writer"),
        }
    };
    match failing {
        None => Json(json!({"status": "ready"})).into_response(),
        Some(check) => {
            let body = Json(json!({"status": "not ready", "failing": check}));
            (StatusCode::SERVICE_UNAVAILABLE, body).into_response()
        }
    }
}

/// `GET /metrics`: counters in Prometheus text.
pub async fn metrics(State(app): State<App>) -> Response {
    app.metrics
        .as_ref()
        .map(metrics_exporter_prometheus::PrometheusHandle::render)
        .unwrap_or_default()
        .into_response()
}
