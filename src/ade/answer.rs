//! Answers as the standard has them: its error resource, its batch results.

use crate::{
    book::{command::Failure, exchange::ingest::Message},
    domain::{form::Fault, rejection::Rejection},
    store,
};
use axum::{
    Json,
    body::{Body, to_bytes},
    extract::Request,
    http::{HeaderValue, StatusCode, header},
    middleware::Next,
    response::{IntoResponse, Response},
};
use serde_json::{Map, Value, json};

/// Why something is not done.
#[derive(Debug)]
pub struct AdeError {
    status: u16,
    slug: &'static str,
    title: &'static str,
    detail: String,
    faults: Vec<Fault>,
}

impl AdeError {
    fn new(status: u16, slug: &'static str, title: &'static str, detail: impl Into<String>) -> Self {
        Self { status, slug, title, detail: detail.into(), faults: Vec::new() }
    }

    /// There is no such thing.
    pub fn not_found(detail: impl Into<String>) -> Self {
        Self::new(404, "not-found", "There is no such thing", detail)
    }

    /// The caller's key may not do this.
    pub fn forbidden(detail: impl Into<String>) -> Self {
        Self::new(403, "forbidden", "The key may not do this", detail)
    }

    /// The caller's key is limited, and this is not kept to it.
    pub fn key_limited(detail: impl Into<String>) -> Self {
        Self::new(403, "key-limited", "The key is limited", detail)
    }

    /// The body is not JSON.
    pub fn not_json(detail: impl Into<String>) -> Self {
        Self::new(400, "not-json", "The body is not JSON", detail)
    }

    /// The body is not of the kind that is asked for.
    pub fn media(detail: impl Into<String>) -> Self {
        Self::new(415, "unsupported-media-type", "The content type is not understood", detail)
    }

    /// The body is too large.
    pub fn too_large(detail: impl Into<String>) -> Self {
        Self::new(413, "too-large", "The body is too large", detail)
    }

    /// The query is wrong.
    pub fn query(faults: Vec<Fault>) -> Self {
        Self { faults, ..Self::new(400, "invalid-query", "The query is wrong", "") }
    }

    /// The content is wrong.
    pub fn invalid(faults: Vec<Fault>) -> Self {
        Self { faults, ..Self::new(422, "invalid-input", "The content is wrong", "") }
    }

    /// A fault of ours.
    pub fn internal() -> Self {
        let detail = "Something went wrong here; it was logged. Nothing was changed.";
        Self::new(500, "internal", "A fault of the service", detail)
    }

    fn store_unavailable() -> Self {
        let detail = "The store cannot be reached or written just now; nothing was done. Send it again.";
        Self::new(503, "store-unavailable", "The store cannot be reached or written", detail)
    }

    /// The status.
    pub fn status(&self) -> u16 {
        self.status
    }

    /// One message for every fault, or one for the whole.
    pub fn messages(&self) -> Vec<Value> {
        let message = |detail: &str, instance: Option<&str>| {
            let mut message = json!({
                "type": format!("/problems/{}", self.slug),
                "severity": "Error",
                "status": self.status,
                "title": self.title,
                "detail": detail,
            });
            if let Some(instance) = instance {
                message["instance"] = instance.into();
            }
            message
        };
        if self.faults.is_empty() {
            return vec![message(&self.detail, None)];
        }
        let told = |fault: &Fault| {
            let detail = format!("{} {}", fault.pointer, fault.detail);
            message(&detail, Some(&fault.pointer))
        };
        self.faults.iter().map(told).collect()
    }

    /// The messages as the body of an answer.
    pub fn body(&self) -> Value {
        json!({"errors": self.messages()})
    }
}

impl IntoResponse for AdeError {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, Json(self.body())).into_response();
        if self.status == 503 {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("2"));
        }
        response
    }
}

impl From<store::Error> for AdeError {
    /// The cause goes to the log, never to the client.
    fn from(error: store::Error) -> Self {
        tracing::error!(%error, "the store failed");
        if error.is_fault() {
            return Self::internal();
        }
        Self::store_unavailable()
    }
}

impl From<Failure> for AdeError {
    fn from(failure: Failure) -> Self {
        match failure {
            Failure::Busy => {
                let detail = "Too many writes are waiting; this one was not begun. Send it again.";
                Self::new(503, "busy", "Too many writes are waiting", detail)
            }
            Failure::NotDone(error) => error.into(),
            Failure::Unavailable => Self::store_unavailable(),
            Failure::Unknown => {
                let detail = "The commit failed. Send it again: by its source and sourceId it is done once.";
                Self::new(503, "outcome-unknown", "It is not known whether it was done", detail)
            }
            Failure::Fault => Self::internal(),
        }
    }
}

impl From<Rejection> for AdeError {
    fn from(refusal: Rejection) -> Self {
        match refusal {
            Rejection::Invalid(faults) => Self::invalid(faults.into_iter().map(in_their_words).collect()),
            Rejection::Unknown { what, id, pointer } => {
                let at = pointer.unwrap_or_else(|| "#".to_owned());
                let fault = Fault { pointer: at, detail: format!("names no {what} {id} of this book") };
                Self::invalid(vec![in_their_words(fault)])
            }
            Rejection::Forbidden { text } => Self::forbidden(text),
            Rejection::Counted { .. } => Self::new(
                409,
                "not-reversible",
                "It cannot be undone as it stands",
                "A stocktake that was accepted since counted the straw.",
            ),
            Rejection::CountAgain { text } | Rejection::NotReversible { text } => {
                Self::new(409, "not-reversible", "It cannot be undone as it stands", text)
            }
            Rejection::InUse { text } => Self::new(409, "in-use", "It is needed as it is", text),
            Rejection::ProtocolNotPossible { text } => {
                Self::new(409, "protocol-not-possible", "The timed protocol is not possible now", text)
            }
            Rejection::NotInStock(missing) => {
                let detail =
                    format!("{} asked for, {} there: {}.", missing.asked, missing.held, missing.text);
                Self::new(409, "not-in-stock", "So many straws do not hang there", detail)
            }
            Rejection::Stale
            | Rejection::Objected(_)
            | Rejection::IdTaken { .. }
            | Rejection::AlreadyResolved { .. }
            | Rejection::AlreadyReversed { .. }
            | Rejection::AlreadyThawing { .. }
            | Rejection::AlreadyRecorded { .. }
            | Rejection::AlreadySuperseded { .. }
            | Rejection::WebhookNotActive { .. }
            | Rejection::TooManyWebhooks
            | Rejection::TooManyKeys
            | Rejection::NotATestBusiness
            | Rejection::LastManagerKey { .. }
            | Rejection::KeyEnded { .. }
            | Rejection::BathTooHot(_)
            | Rejection::BathTooCold(_) => {
                let detail = "The book as it stands does not allow it; nothing was changed.";
                Self::new(409, "in-use", "It is needed as it is", detail)
            }
        }
    }
}

/// Our names for members, and the standard's.
fn in_their_words(fault: Fault) -> Fault {
    let ours = fault.pointer.strip_prefix("#/").unwrap_or_default();
    let theirs = match ours {
        "served_at" | "withdrawn_at" | "reversed_at" => "eventDateTime",
        "animal_id" => "animal",
        "born_on" => "birthDate",
        "left_on" => "status",
        "number" => "managementTag",
        "sire_id" | "dam_id" => "parentage",
        _ => return fault,
    };
    Fault { pointer: format!("#/{theirs}"), ..fault }
}

/// What the sender should know of something that was done.
pub fn told(message: &Message) -> Value {
    let (severity, title) =
        if message.is_warning { ("Warning", "Look at this") } else { ("Information", "For information") };
    json!({"severity": severity, "status": 200, "title": title, "detail": message.text})
}

/// Problems that the rest of the service tells (no key, no such path, too many requests, ...) are told
/// under `/ade` as the standard has it: `errors`, or for a batch a list of results.
pub async fn in_the_standards_words(request: Request, next: Next) -> Response {
    let path = request.uri().path();
    let (is_ours, is_batch) =
        (path == "/ade" || path.starts_with("/ade/"), path.starts_with("/ade/batches/"));
    let response = next.run(request).await;
    let is_problem = response
        .headers()
        .get(header::CONTENT_TYPE)
        .is_some_and(|media| media.as_bytes() == b"application/problem+json");
    let is_error = response.status().as_u16() >= 400;
    if !is_ours || !(is_problem || (is_batch && is_error)) {
        return response;
    }
    let (mut parts, body) = response.into_parts();
    let bytes = to_bytes(body, 1024 * 1024).await.unwrap_or_default();
    parts.headers.remove(header::CONTENT_LENGTH);
    parts.headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/json"));
    if bytes.is_empty() {
        // The answer to HEAD.
        return Response::from_parts(parts, Body::empty());
    }
    let told = serde_json::from_slice::<Value>(&bytes).unwrap_or_default();
    let messages = match told.get("errors").filter(|_| !is_problem) {
        Some(errors) => errors.clone(),
        None => json!([message_of(&told)]),
    };
    let body = if is_batch { json!([{"messages": messages}]) } else { json!({"errors": messages}) };
    Response::from_parts(parts, Body::from(body.to_string()))
}

fn message_of(problem: &Value) -> Value {
    let mut message = Map::new();
    message.insert("severity".to_owned(), "Error".into());
    for name in ["type", "status", "title", "detail"] {
        if let Some(value) = problem.get(name) {
            message.insert(name.to_owned(), value.clone());
        }
    }
    Value::Object(message)
}
