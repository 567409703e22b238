//! Many acts in one request: withdrawals, thaws, services and discards that were done offline; receipts, animals and readings.
//! Each is done or refused by itself, under its own Idempotency-Key.

use std::marker::PhantomData;

use axum::{
    Json,
    body::to_bytes,
    extract::{FromRequest, FromRequestParts, Request, State},
    http::StatusCode,
    response::{IntoResponse, Response},
};
use futures_util::future::join_all;
use serde::Serialize;
use serde_json::{Map, Value};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{
        Caller,
        catalogue::Add,
        command::{Keyed, On, PastAct, RequestContext},
    },
    domain::{
        animals::{
            animal::{Animal, AnimalDetails},
            record_service::NewService,
        },
        form::{self, Fault, Field, InputPath},
        nitrogen::level::NewReading,
        straws::{
            discard_withdrawn::NewDiscardOfWithdrawn, receive::NewReceipt, start_thaw::NewThaw,
            withdraw::NewWithdrawal,
        },
        values::{TankId, WithdrawalId},
    },
    http::{
        App,
        access::{device, limits::Within},
        animals::service::recorded,
        answer::tagged,
        docs::Problems,
        extract::{
            MOST_BYTES, Measure, Permission, Permit, Report, Work, fingerprint_of, media_type, no_query,
            permitted, plainly_coded, read_key,
        },
        json,
        nitrogen::level::level_read,
        problem::{Kind, Problem},
        straws::{
            receipt::received,
            withdrawal::{discarded, thawing, withdrawn},
        },
    },
    text_enum,
};

/// Steps that one batch may have.
const MOST_ITEMS: usize = 1000;

/// The items of a batch, as they were sent by whoever may do `P`.
struct Batch<P> {
    items: BatchItems,
    permission: PhantomData<fn() -> P>,
}

struct BatchItems {
    caller: Caller,
    told: PastAct,
    items: Vec<Result<Value, Problem>>,
}

impl<P: Permission> FromRequest<App> for Batch<P> {
    type Rejection = Problem;

    async fn from_request(request: Request, app: &App) -> Result<Self, Problem> {
        let (mut parts, body) = request.into_parts();
        let caller = Permit::<P, Within>::from_request_parts(&mut parts, app).await?.0;
        no_query(&parts.uri)?;
        plainly_coded(&parts.headers)?;
        let bytes = to_bytes(body, MOST_BYTES).await.map_err(|_| {
            Problem::new(Kind::TooLarge, format!("The body has more than {MOST_BYTES} bytes, or broke off."))
        })?;
        let items: Vec<Result<Value, Problem>> = match media_type(&parts.headers).as_str() {
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
        Ok(Self { items: BatchItems { caller, told, items }, permission: PhantomData })
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
        /// Straws were delivered, as at `POST /v1/receipts`.
        Receipt = "receipt",
        /// An animal is entered, as at `POST /v1/animals`.
        Animal = "animal",
        /// A tank's level was read, as at `POST /v1/tanks/{tank_id}/nitrogen-readings`.
        NitrogenReading = "nitrogen_reading",
    }
}

impl StepKind {
    /// Whether it is entered at a desk or by a program, and not told of what was done at the cow.
    fn is_entry(self) -> bool {
        matches!(self, Self::Receipt | Self::Animal | Self::NitrogenReading)
    }

    /// Whether the caller may do it alone.
    fn may(self, caller: &Caller) -> Result<(), Problem> {
        match self {
            Self::Animal => permitted::<Report, Within>(caller),
            Self::NitrogenReading => permitted::<Measure, Within>(caller),
            Self::Withdrawal | Self::Thaw | Self::Service | Self::Discard | Self::Receipt => {
                permitted::<Work, Within>(caller)
            }
        }
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
async fn batch(State(app): State<App>, batch: Batch<Work>) -> Result<Response, Problem> {
    all(&app, batch.items).await
}

/// Many acts in one request.
#[utoipa::path(post, path = "/v1/batch", operation_id = "create_batch", tag = "Business",
    summary = "Do many things in one request",
    description = "A JSON list, or NDJSON with one step a line (`application/x-ndjson`), of at most 1000 steps. A step says by `step` what it \
        is: `animal`, `receipt` or `nitrogen_reading` (which names the tank by `tank_id`), or one of `POST /v1/withdrawals/batch`, where \
        what is said there holds; it has the members of that request and its own `idempotency_key`. Each is done or refused by itself, \
        exactly as if it had been posted alone with the same key, and those after a refused one go on; a key may do here what it may do \
        there. The same batch may be sent again after a broken connection and adds nothing twice. Always 207, with one result for each \
        step.",
    request_body(content(
        (NewBatch = "application/json", example = json!([{
            "idempotency_key": "office-0001", "step": "animal", "herd_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b001", "number": "512"},
            {"idempotency_key": "office-0002", "step": "receipt", "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a",
            "place": {"tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a", "canister": 3, "cane": "B", "goblet": "upper"}, "straws": 10},
            {"idempotency_key": "office-0003", "step": "nitrogen_reading", "tank_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b02a",
            "read_at": "2026-03-02T05:50:00+01:00", "depth_mm": 310}])),
        (String = "application/x-ndjson"))),
    responses((status = 207, description = "What came of each.", body = BatchResult), Problems))]
async fn many(State(app): State<App>, batch: Batch<Report>) -> Result<Response, Problem> {
    all(&app, batch.items).await
}

async fn all(app: &App, batch: BatchItems) -> Result<Response, Problem> {
    let BatchItems { caller, told, items } = batch;
    // Handed to the writer in order without waiting in between, so that they share commits.
    let results = items
        .into_iter()
        .enumerate()
        .map(|(index, item)| one(app, caller.clone(), told.clone(), index, item));
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
    let step = item.as_ref().ok().and_then(|item| item["step"].as_str());
    let is_entry = matches!(step.map(StepKind::parse), Some(Ok(kind)) if kind.is_entry());
    let read = item.and_then(read_item).and_then(|item| item.kind.may(&caller).map(|()| item));
    let (key, outcome) = match read {
        Ok(Item { kind, key, path, fingerprint, said, step }) => {
            let keyed = Keyed { key: key.clone(), fingerprint };
            let request = format!("POST {path} (batch)");
            let told = (!kind.is_entry() || told.waited()).then_some(told);
            let ask = RequestContext::new(caller, request, &path, &said, Some(keyed), told);
            let outcome = match step {
                Step::Withdrawal(new) => app.run(ask, *new, |withdrawal| withdrawn(&withdrawal)).await,
                Step::Thaw(thaw) => app.run(ask, thaw, |withdrawal| thawing(&withdrawal)).await,
                Step::Service(new) => app.run(ask, *new, |service| recorded(&service)).await,
                Step::Discard(discard) => app.run(ask, discard, |withdrawal| discarded(&withdrawal)).await,
                Step::Receipt(new) => app.run(ask, *new, received).await,
                Step::Animal(details) => {
                    let act = Add::<Animal> { details: *details };
                    let at = |animal: &Animal| Some(format!("/v1/animals/{}", animal.id));
                    app.run(ask, act, move |animal| tagged(201, at(&animal), animal)).await
                }
                Step::NitrogenReading(reading) => {
                    app.run(ask, *reading, |reading| level_read(&reading)).await
                }
            };
            (Some(key), outcome)
        }
        Err(problem) => {
            if let Some(key) = sent_key.filter(|_| !is_entry || told.waited()) {
                let keyed = Some(Keyed { key, fingerprint: String::new() });
                let request = "POST /v1/withdrawals/batch".to_owned();
                let ask = RequestContext::new(caller, request, "", &Value::Null, keyed, Some(told));
                app.note_refused(&ask, &problem).await?;
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
    Receipt(Box<NewReceipt>),
    Animal(Box<AnimalDetails>),
    NitrogenReading(Box<On<TankId, NewReading>>),
}

/// A step with the request that it would be alone.
struct Item {
    kind: StepKind,
    key: String,
    path: String,
    /// As if it had been posted alone, so that the same key answers the same there.
    fingerprint: String,
    /// What it says, as it came.
    said: Value,
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
    let tank: Option<TankId> = match kind {
        Some(StepKind::NitrogenReading) => {
            id_of(&mut members, "tank_id", "is required: the tank whose level it is", &mut faults)
        }
        _ => None,
    };
    let named: Option<WithdrawalId> = match kind {
        Some(StepKind::Thaw | StepKind::Discard) => {
            id_of(&mut members, "withdrawal_id", "is required: the withdrawal whose straw it is", &mut faults)
        }
        _ => None,
    };
    let sent = Value::Object(members.clone());
    // A discard has nothing that could stand against it, and the others are no acts at the cow.
    if matches!(kind, None | Some(StepKind::Withdrawal | StepKind::Thaw | StepKind::Service)) {
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
        Some(StepKind::Receipt) => NewReceipt::read(&body, &top, &mut faults)
            .map(|new| ("/v1/receipts".to_owned(), Step::Receipt(Box::new(new)))),
        Some(StepKind::Animal) => AnimalDetails::read(&body, &top, &mut faults)
            .map(|new| ("/v1/animals".to_owned(), Step::Animal(Box::new(new)))),
        Some(StepKind::NitrogenReading) => {
            NewReading::read(&body, &top, &mut faults).zip(tank).map(|(command, id)| {
                let path = format!("/v1/tanks/{id}/nitrogen-readings");
                (path, Step::NitrogenReading(Box::new(On { id, command })))
            })
        }
    };
    let (Some(kind), Some(key), Some((path, step)), true) = (kind, key, read, faults.is_empty()) else {
        return Err(invalid(faults));
    };
    let fingerprint = fingerprint_of("POST", &path, &sent);
    Ok(Item { kind, key, path, fingerprint, said: sent, step })
}

/// Takes the id of a thing, under which the step would stand alone, out of its members.
fn id_of<T: Field>(
    members: &mut Map<String, Value>,
    name: &'static str,
    missing: &'static str,
    faults: &mut Vec<Fault>,
) -> Option<T> {
    let Some(id) = members.remove(name) else {
        faults.push(Fault::at(name, missing));
        return None;
    };
    T::read(&id, &InputPath::body().member(name), faults)
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(batch)).routes(routes!(many))
}
