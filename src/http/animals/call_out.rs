//! Call-outs: a farm asks for the technician.

use axum::{Json, extract::State, response::Response};
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::command::On,
    domain::{
        animals::call_out::{CallOut, CallOutState, NewCallOut, NewClosing},
        values::{CallOutId, HerdId},
    },
    form,
    http::{
        App,
        access::limits::Within,
        answer::{created, done},
        docs::{IdempotencyKey, Problems},
        extract::{CommandRequest, Id, Optional, Permit, Read, Report},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store::animals::call_out::{self, Wanted},
};

/// A farm asks for the technician.
#[utoipa::path(post, path = "/v1/requests", operation_id = "create_request", tag = "Requests",
    summary = "Ask for the technician",
    description = "A farm asks for animals, or in words such as \"heat seen\". The call-out waits until every animal that it names \
        was served, or until somebody closes it. Its herd software may ask for it.",
    request_body(content = NewCallOut, examples(
        ("with a time" = (summary = "With a time and a telephone", value = json!({
            "herd_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b001", "text": "Heat seen at six.",
            "wanted_by": "2026-03-02T18:00:00+01:00", "caller": "A. Example", "telephone": "00 000"}))),
        ("in words" = (summary = "In words", value = json!({
            "herd_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b001", "text": "Two heifers of the young stock in heat."}))))),
    params(IdempotencyKey),
    responses(
        (status = 201, description = "It waits.", body = CallOut,
         headers(("Location" = String, description = "The call-out."))),
        Problems))]
async fn ask(
    State(app): State<App>,
    command: CommandRequest<NewCallOut, Report, Optional, Within>,
) -> Result<Response, Problem> {
    let new = command.body.clone();
    app.perform(command, new, |call_out| created(format!("/v1/requests/{}", call_out.id), &call_out)).await
}

/// A call-out is closed by hand.
#[utoipa::path(post, path = "/v1/requests/{id}/closing", operation_id = "close_request", tag = "Requests",
    summary = "Close a call-out",
    description = "For what ends without a service. What is closed already is answered as it stands: the first closing is kept. A \
        service that is reversed later does not open it again; ask anew.",
    request_body(content = NewClosing, example = json!({"reason": "The farm rang: not in heat after all."})),
    params(("id" = uuid::Uuid, Path, description = "The call-out."), IdempotencyKey),
    responses((status = 200, description = "It waits no more.", body = CallOut), Problems))]
async fn close(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<NewClosing, Report, Optional, Within>,
) -> Result<Response, Problem> {
    let close = On { id: CallOutId(id), command: command.body.clone() };
    app.perform(command, close, |call_out| done(&call_out)).await
}

form! {
    /// Which call-outs a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct CallOutFilter {
        /// Only of this herd.
        pub herd_id: Option<HerdId>,
        /// Only those that wait, or only those that do not any more.
        #[param(inline)]
        pub state: Option<CallOutState>,
    }
}

/// Call-outs.
#[utoipa::path(get, path = "/v1/requests", operation_id = "list_requests", tag = "Requests",
    summary = "List call-outs",
    params(PageParams, CallOutFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<CallOut>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    listing: Listing<CallOutFilter>,
) -> Result<Response, Problem> {
    let page = listing.by_id()?;
    let wanted = Wanted { herd: caller.leading_herd(listing.filter.herd_id), state: listing.filter.state };
    let mut tx = app.book.db.read().await?;
    let rows = call_out::list(&mut tx, caller.business_id, wanted, page).await?;
    Ok(listing.list_within(rows, |call_out| call_out.id.to_string(), |call_out| caller.may_see(call_out)))
}

/// One call-out.
#[utoipa::path(get, path = "/v1/requests/{id}", operation_id = "get_request", tag = "Requests",
    summary = "Get a call-out",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = CallOut), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
) -> Result<Json<CallOut>, Problem> {
    let mut tx = app.book.db.read().await?;
    let found = call_out::find(&mut tx, caller.business_id, CallOutId(id)).await?;
    found.map(Json).ok_or_else(|| Problem::not_there("request", id))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list, ask)).routes(routes!(read)).routes(routes!(close))
}
