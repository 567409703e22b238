//! Whether the service lives, and whether it can do its work.

use std::net::IpAddr;

use axum::{
    Json,
    extract::State,
    http::{HeaderMap, StatusCode, header, uri::Authority},
    response::{IntoResponse, Response},
};
use serde_json::json;

use crate::{
    http::{
        App,
        problem::{Kind, Problem},
    },
    store::Room,
};

/// `GET /healthz`: the process lives. Depends on nothing else.
pub async fn healthz() -> Response {
    Json(json!({"status": "ok"})).into_response()
}

/// `GET /readyz`: it can read and write the book and is not on its way out. Otherwise `failing` says what is
/// wrong: `stopping`, `writer` (the last write failed), `store` (it cannot be read), `disk-full` or `read-only`,
/// told before a write fails where it can be seen. A ready one says under `attention` what somebody has to see to, though it
/// works: `backup`, when the last copy that was to be made by itself was not.
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
        None => {
            let failed = app.backups.as_ref().is_some_and(|backups| backups.standing().failed.is_some());
            let body = if failed {
                json!({"status": "ready", "attention": ["backup"]})
            } else {
                json!({"status": "ready"})
            };
            Json(body).into_response()
        }
        Some(check) => {
            let body = Json(json!({"status": "not ready", "failing": check}));
            (StatusCode::SERVICE_UNAVAILABLE, body).into_response()
        }
    }
}

/// `GET /metrics` on the operator's own listener: counters in Prometheus text. They are told without a key, so a page of
/// another site that has its own name lead here must not read them.
pub async fn metrics(State(app): State<App>, headers: HeaderMap) -> Response {
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or_default();
    if !is_near(host, &app.metrics_hosts) {
        let detail = "Ask under an address or a name without a dot, or have the operator allow this name.";
        return Problem::new(Kind::WrongHost, detail).into_response();
    }
    measure(&app);
    app.metrics
        .as_ref()
        .map(metrics_exporter_prometheus::PrometheusHandle::render)
        .unwrap_or_default()
        .into_response()
}

/// What is looked at only when somebody asks.
fn measure(app: &App) {
    let writer = &app.book.writer;
    metrics::gauge!("tankside_writer_waiting_acts").set(number(writer.waiting()));
    metrics::gauge!("tankside_writer_sound").set(f64::from(u8::from(writer.is_sound())));
    metrics::gauge!("tankside_build_info", "version" => env!("CARGO_PKG_VERSION")).set(1.0);
    if let Some(backups) = &app.backups {
        let standing = backups.standing();
        metrics::gauge!("tankside_backup_failing").set(f64::from(u8::from(standing.failed.is_some())));
        if let Some(last) = standing.last {
            metrics::gauge!("tankside_backup_last_timestamp_seconds").set(number(last.utc().timestamp()));
        }
    }
    if let Some((file, log)) = app.book.db.bytes() {
        metrics::gauge!("tankside_store_bytes", "file" => "book").set(number(file));
        metrics::gauge!("tankside_store_bytes", "file" => "log").set(number(log));
    }
}

/// A number as a gauge has it.
fn number(of: impl TryInto<u64>) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a gauge need not be exact beyond 2^52")]
    of.try_into().map_or(f64::MAX, |number| number as f64)
}

/// Whether a Host is one that no other site can have: an address, a name without a dot, or one of `allowed`. None at
/// all, as in HTTP/1.0, comes from no browser.
fn is_near(host: &str, allowed: &[String]) -> bool {
    let Ok(authority) = host.parse::<Authority>() else { return host.is_empty() };
    let name = authority.host();
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    bare.parse::<IpAddr>().is_ok()
        || !name.contains('.')
        || allowed.iter().any(|allowed| allowed.eq_ignore_ascii_case(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_name_that_leads_nowhere_else_is_near() {
        let allowed = ["metrics.example.org".to_owned()];
        for (host, near) in [
            ("127.0.0.1:8080", true),
            ("[::1]:8080", true),
            ("localhost", true),
            ("tankside:8080", true),
            ("", true),
            ("Metrics.Example.org:80", true),
            ("rebound.example.org", false),
            ("127.0.0.1.example.org", false),
            ("a b", false),
        ] {
            assert_eq!(is_near(host, &allowed), near, "{host}");
        }
    }
}
