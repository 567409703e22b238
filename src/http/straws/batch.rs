//! What was done offline: withdrawals, thaws, services and discards in one list, each under its own Idempotency-Key.

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
        command::{Keyed, On, PastAct, RequestContext},
    },
    domain::{
        animals::record_service::NewService,
        form::{self, Fault, Field as _, InputPath},
        straws::{discard_withdrawn::NewDiscardOfWithdrawn, start_thaw::NewThaw, withdraw::NewWithdrawal},
        values::WithdrawalId,
    },
    http::{
        App,
        access::device,
        animals::service::recorded,
        docs::Problems,
        extract::{MOST_BYTES, Permit, Work, fingerprint_of, no_query, read_key},
        json,
        problem::{Kind, Problem},
        straws::withdrawal::{discarded, thawing, withdrawn},
    },
    text_enum,
};

/// Steps that one batch may have.
const MOST_ITEMS: usize = 1000;

/// The items of a batch, as they were sent.
struct Batch {
    caller: Caller,
    told: PastAct,
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
                    let detail = format!("must be a list of steps, not {}", form::kind(&other));
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
                    "Send application/json with a list, or application/x-ndjson with one step a line.";
                return Err(Problem::new(Kind::UnsupportedMediaType, detail));
            }
        };
        if items.is_empty() || items.len() > MOST_ITEMS {
            let detail = format!("must have 1 to {MOST_ITEMS} steps");
            return Err(Problem::invalid(Kind::InvalidInput, vec![InputPath::body().fault(detail)]));
        }
        // All of it has happened.
        let told = PastAct { device: device::note(&parts.headers) };
        Ok(Self { caller, told, items })
    }
}

text_enum! {
    /// What a step of a batch is.
    StepKind {
        /// A straw left the tank, as at `POST /v1/withdrawals`.
        Withdrawal = "withdrawal",
        /// It went into the bath, as at `POST /v1/withdrawals/{withdrawal_id}/thaw`.
        Thaw = "thaw",
        /// She was served, as at `POST /v1/services`.
        Service = "service",
        /// It was thrown away, as at `POST /v1/withdrawals/{withdrawal_id}/discard`.
        Discard = "discard",
    }
}

/// Steps, each with its own `idempotency_key`.
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
    /// The answer that it would have had alone: a withdrawal, a service, or a problem.
    #[schema(value_type = Object)]
    body: Value,
}

/// What came of each item.
#[derive(Serialize, ToSchema)]
pub struct BatchResult {
    /// In the order of the items.
    results: Vec<ItemResult>,
}

/// What was done offline, step by step.
#[utoipa::path(post, path = "/v1/withdrawals/batch", operation_id = "create_withdrawal_batch", tag = "Withdrawals",
    summary = "Record what was done offline",
    description = "A JSON list, or NDJSON with one step a line (`application/x-ndjson`), of at most 1000 steps in the order in \
        which they were done. A step says what it is by `step`: `withdrawal` (also without it), `thaw`, `service` or \
        `discard`; it has the members of that request and its own `idempotency_key`; a thaw and a discard name the straw by \
        `withdrawal_id`, which may be an `id` that the client made for a withdrawal before it. All of it has happened, so \
        `already_done` is true for every step. Each is done or refused by itself, exactly as if it had been posted alone with \
        `already_done: true`, and those after a refused one go on. A batch may be sent again as a whole after a broken \
        connection and adds nothing twice; the same key with the same members answers the same here and at the request of \
        its own. Always 207, \
        with one result for each step.",
    request_body(content(
        (NewBatch = "application/json", example = json!([{
            "idempotency_key": "tablet-7-0001", "step": "withdrawal", "id": "019cacea-b970-7c3e-9d61-0c7a51e6b0ff",
            "animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a",
            "withdrawn_at": "2026-03-02T06:00:00+01:00"},
            {"idempotency_key": "tablet-7-0002", "step": "thaw", "withdrawal_id": "019cacea-b970-7c3e-9d61-0c7a51e6b0ff",
            "bath_temp_c": 35.6, "started_at": "2026-03-02T06:00:06+01:00"},
            {"idempotency_key": "tablet-7-0003", "step": "service", "withdrawal_id": "019cacea-b970-7c3e-9d61-0c7a51e6b0ff",
            "served_at": "2026-03-02T06:03:00+01:00", "straw_read": "0HO123"}])),
        (String = "application/x-ndjson"))),
    responses((status = 207, description = "What came of each.", body = BatchResult), Problems))]
async fn batch(State(app): State<App>, batch: Batch) -> Result<Response, Problem> {
    let Batch { caller, told, items } = batch;
    // Handed to the writer in order without waiting in between, so that they share commits.
    let results = items
        .into_iter()
        .enumerate()
        .map(|(index, item)| one(&app, caller.clone(), told.clone(), index, item));
    let results = join_all(results).await.into_iter().collect::<Result<_, _>>()?;
    Ok((StatusCode::MULTI_STATUS, Json(BatchResult { results })).into_response())
}

/// Faults that are told of an item: more than it has members, and few enough for a thousand items.
const MOST_FAULTS: usize = 20;

async fn one(
    app: &App,
    caller: Caller,
    told: PastAct,
    index: usize,
    item: Result<Value, Problem>,
) -> Result<ItemResult, Problem> {
    let sent_key = item.as_ref().ok().and_then(|item| item["idempotency_key"].as_str()).and_then(read_key);
    let (key, outcome) = match item.and_then(read_item) {
        Ok(Item { key, path, fingerprint, step }) => {
            let keyed = Keyed { key: key.clone(), fingerprint };
            let request = format!("POST {path} (batch)");
            let ask = RequestContext { caller, request, keyed: Some(keyed), told: Some(told) };
            let outcome = match step {
                Step::Withdrawal(new) => app.run(ask, *new, |withdrawal| withdrawn(&withdrawal)).await,
                Step::Thaw(thaw) => app.run(ask, thaw, |withdrawal| thawing(&withdrawal)).await,
                Step::Service(new) => app.run(ask, *new, |service| recorded(&service)).await,
                Step::Discard(discard) => app.run(ask, discard, |withdrawal| discarded(&withdrawal)).await,
            };
            (Some(key), outcome)
        }
        Err(problem) => {
            if let Some(key) = sent_key {
                let keyed = Some(Keyed { key, fingerprint: String::new() });
                let request = "POST /v1/withdrawals/batch".to_owned();
                app.note_refused(&RequestContext { caller, request, keyed, told: Some(told) }, &problem)
                    .await?;
            }
            (None, Err(problem.with_at_most(MOST_FAULTS)))
        }
    };
    let (reply, replayed) = outcome.unwrap_or_else(|problem| (problem.reply(), false));
    let body = serde_json::from_str(&reply.body)?;
    Ok(ItemResult { index, idempotency_key: key, status: reply.status, replayed, body })
}

/// A step, read.
enum Step {
    Withdrawal(Box<NewWithdrawal>),
    Thaw(On<WithdrawalId, NewThaw>),
    Service(Box<NewService>),
    Discard(On<WithdrawalId, NewDiscardOfWithdrawn>),
}

/// A step with the request that it would be alone.
struct Item {
    key: String,
    path: String,
    /// As if it had been posted alone, so that the same key answers the same there.
    fingerprint: String,
    step: Step,
}

/// One item: its key, what it is, and the request that the other members are.
fn read_item(item: Value) -> Result<Item, Problem> {
    let invalid = |faults: Vec<Fault>| Problem::invalid(Kind::InvalidInput, faults);
    let Value::Object(mut members) = item else {
        return Err(invalid(vec![
            InputPath::body().fault(format!("must be a JSON object, not {}", form::kind(&item))),
        ]));
    };
    let mut faults = Vec::new();
    let key = members.remove("idempotency_key");
    let key = key.as_ref().and_then(Value::as_str).and_then(read_key);
    if key.is_none() {
        faults.push(Fault::at("idempotency_key", "is required: text of 1 to 255 visible characters"));
    }
    let top = InputPath::body();
    let kind = match members.remove("step") {
        None => Some(StepKind::Withdrawal),
        Some(step) => StepKind::read(&step, &top.member("step"), &mut faults),
    };
    let named = matches!(kind, Some(StepKind::Thaw | StepKind::Discard))
        .then(|| {
            let Some(id) = members.remove("withdrawal_id") else {
                faults.push(Fault::at("withdrawal_id", "is required: the withdrawal whose straw it is"));
                return None;
            };
            WithdrawalId::read(&id, &top.member("withdrawal_id"), &mut faults)
        })
        .flatten();
    let sent = Value::Object(members.clone());
    // A discard has nothing that could stand against it.
    if kind != Some(StepKind::Discard) {
        if members.get("already_done").is_some_and(|said| *said != Value::Bool(true)) {
            faults
                .push(Fault::at("already_done", "must be true or left out: what a batch tells has happened"));
        }
        members.insert("already_done".to_owned(), Value::Bool(true));
    }
    let body = Value::Object(members);
    let of = |what: &str| named.map_or_else(String::new, |id| format!("/v1/withdrawals/{id}/{what}"));
    let read = match kind {
        None => None,
        Some(StepKind::Withdrawal) => NewWithdrawal::read(&body, &top, &mut faults)
            .map(|new| ("/v1/withdrawals".to_owned(), Step::Withdrawal(Box::new(new)))),
        Some(StepKind::Thaw) => NewThaw::read(&body, &top, &mut faults)
            .zip(named)
            .map(|(command, id)| (of("thaw"), Step::Thaw(On { id, command }))),
        Some(StepKind::Service) => NewService::read(&body, &top, &mut faults)
            .map(|new| ("/v1/services".to_owned(), Step::Service(Box::new(new)))),
        Some(StepKind::Discard) => NewDiscardOfWithdrawn::read(&body, &top, &mut faults)
            .zip(named)
            .map(|(command, id)| (of("discard"), Step::Discard(On { id, command }))),
    };
    let (Some(key), Some((path, step)), true) = (key, read, faults.is_empty()) else {
        return Err(invalid(faults));
    };
    let fingerprint = fingerprint_of("POST", &path, &sent);
    Ok(Item { key, path, fingerprint, step })
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(batch))
}
