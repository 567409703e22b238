//! Timed protocols, and the animals for whom one began.

use axum::Json;
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};

use crate::{
    book::{Caller, animals::timed_protocol::RemoveProtocol, command::On},
    domain::{
        animals::timed_protocol::{
            NewStarts, NewStepState, NewStop, ProtocolStart, TimedProtocol, TimedProtocolDetails,
        },
        values::{AnimalId, HerdId, ProtocolStartId, TimedProtocolId},
    },
    form,
    http::{
        answer::{created, done, gone},
        catalogue::catalogue,
        docs::{IdempotencyKey, IfMatch},
        extract::{DeleteRequest, Optional, Report},
        page::NoFilter,
    },
    store::{
        self, Tx,
        animals::timed_protocol::{Wanted, find, find_start, list_starts},
    },
};

form! {
    /// Which protocols a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct TimedProtocolFilter {
        /// Only of this herd.
        pub herd_id: Option<HerdId>,
    }
}

async fn rows(
    tx: &mut Tx,
    caller: &Caller,
    filter: &TimedProtocolFilter,
    page: store::Page,
) -> store::Result<Vec<TimedProtocol>> {
    store::animals::timed_protocol::list(tx, caller.business_id, caller.leading_herd(filter.herd_id), page)
        .await
}

/// A protocol is taken away.
#[utoipa::path(delete, path = "/v1/timed-protocols/{id}", operation_id = "delete_timed_protocol", tag = "Timed protocols",
    summary = "Delete a timed protocol",
    description = "It begins for nobody any more. What began by it goes on as it was; stop that where it should not.",
    params(("id" = uuid::Uuid, Path, description = "Its id."), IdempotencyKey, IfMatch),
    responses((status = 204, description = "It is gone."), Problems))]
async fn remove(
    State(app): State<App>,
    Id(id): Id,
    removal: DeleteRequest<Manage>,
) -> Result<Response, Problem> {
    let act = RemoveProtocol { id: TimedProtocolId(id), if_match: removal.if_match.clone() };
    app.do_for(removal.ask, act, |()| Ok(gone())).await
}

/// What began.
#[derive(Serialize, ToSchema)]
pub struct ProtocolStarts {
    /// One for each animal, each with her calendar.
    items: Vec<ProtocolStart>,
}

/// A protocol begins.
#[utoipa::path(post, path = "/v1/timed-protocols/{id}/starts", operation_id = "create_protocol_starts", tag = "Timed protocols",
    summary = "Start a timed protocol for animals",
    description = "Each gets her calendar, by the herd's clocks: where they skip an hour, it is when they go on; where it comes \
        twice, the first. The steps are on `GET /v1/watch` and its calendar, the insemination on `GET /v1/round` of its day. It \
        ends when she is served, comes into heat, is found pregnant, calves, aborts, is not to be bred, leaves, or is stopped. All \
        begin or none: 409 `protocol-not-possible` names those that are pregnant by a check, not to be bred, gone, or in a \
        protocol already. The veterinarian who is named answers for it; his or her prescription and local law go before it.",
    request_body(content = NewStarts, example = json!({
        "animal_ids": ["01976f0e-5a52-7c3e-9d61-0c7a51e6b0ab"], "starts_on": "2026-03-02"})),
    params(("id" = uuid::Uuid, Path, description = "The protocol."), IdempotencyKey),
    responses(
        (status = 201, description = "It began.", body = ProtocolStarts,
         headers(("Location" = String, description = "All starts of the protocol."))),
        Problems))]
async fn begin(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<NewStarts, Report, Optional, Within>,
) -> Result<Response, Problem> {
    let begin = On { id: TimedProtocolId(id), command: command.body.clone() };
    app.perform(command, begin, move |items| {
        created(format!("/v1/timed-protocols/{id}/starts"), &ProtocolStarts { items })
    })
    .await
}

/// The starts of a protocol.
#[utoipa::path(get, path = "/v1/timed-protocols/{id}/starts", operation_id = "list_starts_of_timed_protocol",
    tag = "Timed protocols",
    summary = "List for whom a timed protocol began",
    params(("id" = uuid::Uuid, Path, description = "The protocol."), PageParams),
    responses(
        (status = 200, description = "A page of them, in the order of entry.", body = Page<ProtocolStart>),
        Problems))]
async fn list_of_protocol(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    listing: Listing<NoFilter>,
) -> Result<Response, Problem> {
    let page = listing.by_id()?;
    let mut tx = app.book.db.read().await?;
    let (business, now) = (caller.business_id, app.book.clock.now());
    let protocol = find(&mut tx, business, TimedProtocolId(id)).await?;
    let protocol = protocol.ok_or_else(|| Problem::not_there("timed protocol", id))?;
    let wanted = Wanted { protocol: Some(protocol.id), ..Wanted::default() };
    let rows = list_starts(&mut tx, business, wanted, page, now).await?;
    Ok(listing.list_within(rows, |start| start.id.to_string(), |start| caller.may_see(start)))
}

form! {
    /// Which starts a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    #[allow(clippy::struct_field_names, reason = "the parameters are called so")]
    pub struct ProtocolStartFilter {
        /// Only of this protocol, also one that was taken away since.
        pub protocol_id: Option<TimedProtocolId>,
        /// Only of this animal.
        pub animal_id: Option<AnimalId>,
        /// Only of this herd.
        pub herd_id: Option<HerdId>,
    }
}

/// Starts.
#[utoipa::path(get, path = "/v1/protocol-starts", operation_id = "list_protocol_starts", tag = "Timed protocols",
    summary = "List for whom timed protocols began",
    params(PageParams, ProtocolStartFilter),
    responses(
        (status = 200, description = "A page of them, in the order of entry.", body = Page<ProtocolStart>),
        Problems))]
async fn list_all(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    listing: Listing<ProtocolStartFilter>,
) -> Result<Response, Problem> {
    let page = listing.by_id()?;
    let f = &listing.filter;
    let wanted =
        Wanted { protocol: f.protocol_id, animal: f.animal_id, herd: caller.leading_herd(f.herd_id) };
    let mut tx = app.book.db.read().await?;
    let rows = list_starts(&mut tx, caller.business_id, wanted, page, app.book.clock.now()).await?;
    Ok(listing.list_within(rows, |start| start.id.to_string(), |start| caller.may_see(start)))
}

/// One start.
#[utoipa::path(get, path = "/v1/protocol-starts/{id}", operation_id = "get_protocol_start", tag = "Timed protocols",
    summary = "Get an animal's timed protocol",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = ProtocolStart), Problems))]
async fn read_start(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
) -> Result<Json<ProtocolStart>, Problem> {
    let mut tx = app.book.db.read().await?;
    let found = find_start(&mut tx, caller.business_id, ProtocolStartId(id), app.book.clock.now()).await?;
    found.map(Json).ok_or_else(|| Problem::not_there("protocol start", id))
}

/// A start is stopped.
#[utoipa::path(post, path = "/v1/protocol-starts/{id}/stopping", operation_id = "stop_protocol_start",
    tag = "Timed protocols",
    summary = "Stop an animal's timed protocol",
    description = "Its steps and its insemination are asked for no more. What is stopped already is answered as it stands: the \
        first reason is kept.",
    request_body(content = NewStop, example = json!({"reason": "Lame; the veterinarian stopped it."})),
    params(("id" = uuid::Uuid, Path, description = "The start."), IdempotencyKey),
    responses((status = 200, description = "It runs no more.", body = ProtocolStart), Problems))]
async fn stop(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<NewStop, Report, Optional, Within>,
) -> Result<Response, Problem> {
    let stop = On { id: ProtocolStartId(id), command: command.body.clone() };
    app.perform(command, stop, |start| done(&start)).await
}

/// What became of a step.
#[utoipa::path(post, path = "/v1/protocol-starts/{id}/steps", operation_id = "set_protocol_step", tag = "Timed protocols",
    summary = "Say what became of a step",
    description = "That it was done, is not needed, or is to be done after all. A step that is not planned any more leaves the \
        watch list. The insemination is told by recording the service.",
    request_body(content = NewStepState, example = json!({"step": 1, "step_state": "done"})),
    params(("id" = uuid::Uuid, Path, description = "The start."), IdempotencyKey),
    responses((status = 200, description = "As it stands now.", body = ProtocolStart), Problems))]
async fn mark(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<NewStepState, Report, Optional, Within>,
) -> Result<Response, Problem> {
    let mark = On { id: ProtocolStartId(id), command: command.body.clone() };
    app.perform(command, mark, |start| done(&start)).await
}

/// The routes, each with its description.
pub fn all_routes() -> OpenApiRouter<App> {
    routes()
        .routes(routes!(remove))
        .routes(routes!(list_of_protocol, begin))
        .routes(routes!(list_all))
        .routes(routes!(read_start))
        .routes(routes!(stop))
        .routes(routes!(mark))
}

catalogue! {
    thing TimedProtocol, details TimedProtocolDetails, answer Tagged<TimedProtocol>, permission Manage, limits Within,
    path "/v1/timed-protocols", one "timed protocol", tag "Timed protocols",
    create "create_timed_protocol" "Create a timed protocol"
        "A herd's list of steps as its veterinarian gave it: the day, counted from 0, the hour, and what in plain words; the last \
         is the insemination. It prescribes nothing: a text that states a quantity with a unit is refused, because doses belong to \
         the veterinarian's own prescription, which goes before this as does local law.",
        example {"herd_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b001", "name": "Heifers, spring", "prescribed_by": "Dr. Example",
                 "steps": [
                     {"day": 0, "time": "07:30", "kind": "treatment", "text": "First treatment, as prescribed"},
                     {"day": 7, "time": "07:30", "kind": "treatment", "text": "Second treatment, as prescribed"},
                     {"day": 10, "time": "08:00", "kind": "insemination", "text": "Inseminate all, in heat or not"}]},
    list "list_timed_protocols" "List timed protocols" TimedProtocolFilter, params TimedProtocolFilter,
    read "get_timed_protocol" "Get a timed protocol",
    change "update_timed_protocol" "Update a timed protocol"
        "A merge patch; `steps` is replaced as a whole. What began by it already keeps the steps that it began with.",
        example {"name": "Heifers, autumn"},
    rows rows
}
