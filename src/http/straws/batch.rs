//! What was done offline: many withdrawals at once, each under its own Idempotency-Key.

use axum::{
    Json,
    body::to_bytes,
    extract::{FromRequest, FromRequestParts, Request, State},
    http::{StatusCode, header},
    response::{IntoResponse, Response},
};
use futures_util::future::join_all;
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{
        Caller,
        command::{Keyed, RequestContext},
    },
    domain::{
        form::{self, Fault, Field as _, InputPath},
        straws::withdraw::NewWithdrawal,
    },
    http::{
        App,
        docs::Problems,
        extract::{MOST_BYTES, Permit, Work, fingerprint_of, no_query, read_key},
        json,
        problem::{Kind, Problem},
        straws::withdrawal::withdrawn,
    },
};

/// Withdrawals that one batch may have.
const MOST_ITEMS: usize = 1000;

/// The items of a batch, as they were sent.
struct Batch {
    caller: Caller,
    items: Vec<Result<Value, Problem>>,
}

impl FromRequest<App> for Batch {
    type Rejection = Problem;

    async fn from_request(request: Request, app: &App) -> Result<Self, Problem> {
        let (mut parts, body) = request.into_parts();
        let caller = Permit::<Work>::from_request_parts(&mut parts, app).await?.0;
        no_query(&parts.uri)?;
        let media =
            parts.headers.get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
        let media = media.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
        let bytes = to_bytes(body, MOST_BYTES).await.map_err(|_| {
            Problem::new(Kind::TooLarge, format!("The body has more than {MOST_BYTES} bytes, or broke off."))
        })?;
        let items: Vec<Result<Value, Problem>> = match media.as_str() {
            "application/json" => match json::read(&bytes)? {
                Value::Array(items) => items.into_iter().map(Ok).collect(),
                other => {
                    let detail = format!("must be a list of withdrawals, not {}", form::kind(&other));
                    return Err(Problem::invalid(Kind::InvalidInput, vec![InputPath::body().fault(detail)]));
                }
            },
            "application/x-ndjson" | "application/jsonl" => bytes
                .split(|byte| *byte == b'\n')
                .filter(|line| !line.trim_ascii().is_empty())
                // One too many is enough to see that there are too many.
                .take(MOST_ITEMS + 1)
                .map(json::read)
                .collect(),
            _ => {
                let detail =
                    "Send application/json with a list, or application/x-ndjson with one withdrawal a line.";
                return Err(Problem::new(Kind::UnsupportedMediaType, detail));
            }
        };
        if items.is_empty() || items.len() > MOST_ITEMS {
            let detail = format!("must have 1 to {MOST_ITEMS} withdrawals");
            return Err(Problem::invalid(Kind::InvalidInput, vec![InputPath::body().fault(detail)]));
        }
        Ok(Self { caller, items })
    }
}

/// Withdrawals, each with its own `idempotency_key`.
#[derive(ToSchema)]
#[schema(value_type = Vec<Object>, min_items = 1, max_items = 1000)]
#[allow(dead_code, reason = "describes what Batch reads item by item")]
struct NewBatch(Vec<Value>);

/// What came of one item.
#[derive(Serialize, ToSchema)]
pub struct ItemResult {
    /// Which item, from 0.
    #[schema(minimum = 0)]
    index: usize,
    /// Its Idempotency-Key, where it could be read.
    idempotency_key: Option<String>,
    /// The status that it would have had alone.
    #[schema(minimum = 200, maximum = 599)]
    status: u16,
    /// Whether this is the first answer again.
    replayed: bool,
    /// The answer that it would have had alone: a withdrawal, or a problem.
    #[schema(value_type = Object)]
    body: Value,
}

/// What came of each item.
#[derive(Serialize, ToSchema)]
pub struct BatchResult {
    /// In the order of the items.
    results: Vec<ItemResult>,
}

/// Many withdrawals at once.
#[utoipa::path(post, path = "/v1/withdrawals/batch", operation_id = "create_withdrawal_batch", tag = "Withdrawals",
    summary = "Record withdrawals made offline",
    description = "A JSON list, or NDJSON with one withdrawal a line (`application/x-ndjson`), of at most 1000: the members of a \
        withdrawal and its own `idempotency_key`. Each is done or refused by itself, in order, exactly as if it had been posted \
        alone; a batch may be sent again as a whole after a broken connection, and adds nothing twice. Always 207, with one \
        result for each item. The same key answers the same here and at `POST /v1/withdrawals`.",
    request_body(content(
        (NewBatch = "application/json", example = json!([{
            "idempotency_key": "tablet-7-0001", "animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa",
            "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a", "withdrawn_at": "2026-03-01T17:20:00+01:00"}])),
        (String = "application/x-ndjson"))),
    responses((status = 207, description = "What came of each.", body = BatchResult), Problems))]
async fn batch(State(app): State<App>, batch: Batch) -> Result<Response, Problem> {
    let Batch { caller, items } = batch;
    // Handed to the writer in order without waiting in between, so that they share commits.
    let results = items.into_iter().enumerate().map(|(index, item)| one(&app, caller.clone(), index, item));
    let results = join_all(results).await.into_iter().collect::<Result<_, _>>()?;
    Ok((StatusCode::MULTI_STATUS, Json(BatchResult { results })).into_response())
}

/// Faults that are told of an item: more than it has members, and few enough for a thousand items.
const MOST_FAULTS: usize = 20;

async fn one(
    app: &App,
    caller: Caller,
    index: usize,
    item: Result<Value, Problem>,
) -> Result<ItemResult, Problem> {
    let (key, outcome) = match item.and_then(|item| read_item(caller, item)) {
        Ok((key, ask, new)) => (Some(key), app.run(ask, new, |withdrawal| withdrawn(&withdrawal)).await),
        Err(problem) => (None, Err(problem.with_at_most(MOST_FAULTS))),
    };
    let (reply, replayed) = outcome.unwrap_or_else(|problem| (problem.reply(), false));
    let body = serde_json::from_str(&reply.body)?;
    Ok(ItemResult { index, idempotency_key: key, status: reply.status, replayed, body })
}

/// One item: its key, and the withdrawal that the other members are.
fn read_item(caller: Caller, item: Value) -> Result<(String, RequestContext, NewWithdrawal), Problem> {
    let invalid = |faults: Vec<Fault>| Problem::invalid(Kind::InvalidInput, faults);
    let Value::Object(mut members) = item else {
        return Err(invalid(vec![
            InputPath::body().fault(format!("must be a JSON object, not {}", form::kind(&item))),
        ]));
    };
    let key = members.remove("idempotency_key");
    let key = key.as_ref().and_then(Value::as_str).and_then(read_key);
    let mut faults = Vec::new();
    if key.is_none() {
        faults.push(Fault::at("idempotency_key", "is required: text of 1 to 255 visible characters"));
    }
    let body = Value::Object(members);
    let new = NewWithdrawal::read(&body, &InputPath::body(), &mut faults);
    let (Some(key), Some(new), true) = (key, new, faults.is_empty()) else { return Err(invalid(faults)) };
    // As if it had been posted alone, so that the same key answers the same there.
    let keyed = Keyed { key: key.clone(), fingerprint: fingerprint_of("POST", "/v1/withdrawals", &body) };
    let ask =
        RequestContext { caller, request: "POST /v1/withdrawals (batch)".to_owned(), keyed: Some(keyed) };
    Ok((key, ask, new))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(batch))
}
