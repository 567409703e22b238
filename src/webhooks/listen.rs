//! A receiver to try it with: says what arrives and whether it is genuine.

use std::{
    collections::HashSet,
    sync::{Arc, Mutex, PoisonError},
};

use axum::{
    Router,
    body::Bytes,
    extract::State,
    http::{HeaderMap, Method, StatusCode},
};
use serde_json::{Value, json};
use tokio::net::TcpListener;

use crate::{
    clock::Clock,
    webhooks::sign::{self, Secret},
};

/// Ids that are remembered to tell what came before.
const MOST_REMEMBERED: usize = 100_000;

/// Messages up to this size are taken.
const MOST_BYTES: usize = 64 * 1024;

struct ReceiverState {
    secrets: Vec<Secret>,
    clock: Clock,
    seen: Mutex<HashSet<String>>,
    told: Box<dyn Fn(Value) + Send + Sync>,
}

/// Answers what comes to `listener` and calls `told` with a line for each message: what it says, whether its signature fits one
/// of `secrets`, and whether it came before. Answers 204 to what is genuine, 401 to what is not. Without secrets
/// nothing can be verified, and everything is taken.
///
/// # Errors
/// The listener ended.
pub async fn listen(
    listener: TcpListener,
    secrets: Vec<Secret>,
    clock: Clock,
    told: impl Fn(Value) + Send + Sync + 'static,
) -> std::io::Result<()> {
    let ear = ReceiverState { secrets, clock, seen: Mutex::default(), told: Box::new(told) };
    let router = Router::new()
        .fallback(hear)
        .layer(axum::extract::DefaultBodyLimit::max(MOST_BYTES))
        .with_state(Arc::new(ear));
    axum::serve(listener, router).await
}

async fn hear(
    State(ear): State<Arc<ReceiverState>>,
    method: Method,
    headers: HeaderMap,
    body: Bytes,
) -> StatusCode {
    if method != Method::POST {
        return StatusCode::METHOD_NOT_ALLOWED;
    }
    let header = |name| headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let (id, at, signature) = (header(sign::ID), header(sign::TIMESTAMP), header(sign::SIGNATURE));
    let now = ear.clock.now();
    let verdict = if ear.secrets.is_empty() {
        None
    } else {
        Some(sign::verify(&ear.secrets, (id, at, signature), &body, now.utc().timestamp()))
    };
    let forged = verdict.and_then(Result::err);
    let message = serde_json::from_slice(&body).unwrap_or_else(|_| json!(String::from_utf8_lossy(&body)));
    let mut line = json!({"received_at": now, "webhook_id": id, "message": message});
    line["genuine"] = match (verdict, forged) {
        (None, _) => Value::Null,
        (_, forged) => json!(forged.is_none()),
    };
    if let Some(forged) = forged {
        line["why"] = json!(forged.to_string());
    } else {
        line["came_before"] = json!(ear.came_before(id));
    }
    (ear.told)(line);
    if forged.is_some() { StatusCode::UNAUTHORIZED } else { StatusCode::NO_CONTENT }
}

impl ReceiverState {
    fn came_before(&self, id: &str) -> bool {
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        if seen.len() >= MOST_REMEMBERED {
            seen.clear();
        }
        !seen.insert(id.to_owned())
    }
}
