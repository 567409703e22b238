//! Calendars of what to watch: who reads them needs no key, but the token in their address.

use axum::{Json, extract::State, response::Response};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::animals::calendar::{AddCalendar, RemoveCalendar, hash, new_token},
    domain::{
        animals::calendar::{Calendar, CalendarDetails},
        values::CalendarId,
    },
    http::{
        App,
        answer::{created, gone},
        docs::{IdempotencyKey, Problems},
        extract::{CommandRequest, DeleteRequest, Id, Manage, Permit},
        page::{Listing, NoFilter, Page, PageParams},
        problem::{Problem, internal},
    },
    store::animals::calendar,
};

/// A calendar that was just made, with its token.
#[derive(Serialize, ToSchema)]
pub struct CalendarWithToken {
    #[allow(missing_docs)]
    #[serde(flatten)]
    calendar: Calendar,
    /// The token, shown this once; null when the answer is given again.
    #[schema(max_length = 100)]
    secret: Option<String>,
}

/// A calendar is made.
#[utoipa::path(post, path = "/v1/calendars", operation_id = "create_calendar", tag = "Watch",
    summary = "Create a calendar",
    description = "What to watch in the next 90 days, for programs that subscribe to calendars (iCalendar, RFC 5545) at \
        `/v1/watch.ics?token=` with the token behind it. The token is shown once and opens nothing else. Whoever has the address \
        can read the calendar: take the calendar away when it is in the wrong hands.",
    request_body(content = CalendarDetails, example = json!({
        "name": "Lower Meadow, to watch", "herd_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b001"})),
    params(IdempotencyKey),
    responses(
        (status = 201, description = "Made.", body = CalendarWithToken,
         headers(("Location" = String, description = "Where it is to be found."))),
        Problems))]
async fn create(
    State(app): State<App>,
    command: CommandRequest<CalendarDetails, Manage>,
) -> Result<Response, Problem> {
    let token = new_token().map_err(|_| internal())?;
    let hash = hash(&token).ok_or_else(internal)?;
    let act = AddCalendar { details: command.body.clone(), hash };
    app.perform_and_show(command, act, &token, |calendar| {
        created(format!("/v1/calendars/{}", calendar.id), &calendar)
    })
    .await
}

/// Calendars.
#[utoipa::path(get, path = "/v1/calendars", operation_id = "list_calendars", tag = "Watch",
    summary = "List calendars",
    params(PageParams),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<Calendar>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Manage>,
    listing: Listing<NoFilter>,
) -> Result<Response, Problem> {
    let page = listing.by_id()?;
    let mut tx = app.book.db.read().await?;
    let rows = calendar::list(&mut tx, caller.business_id, page).await?;
    Ok(listing.list(rows, |calendar| calendar.id.to_string()))
}

/// One calendar.
#[utoipa::path(get, path = "/v1/calendars/{id}", operation_id = "get_calendar", tag = "Watch",
    summary = "Get a calendar",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = Calendar), Problems))]
async fn read(State(app): State<App>, caller: Permit<Manage>, Id(id): Id) -> Result<Json<Calendar>, Problem> {
    let mut tx = app.book.db.read().await?;
    let found = calendar::find(&mut tx, caller.business_id, CalendarId(id)).await?;
    found.map(Json).ok_or_else(|| Problem::not_there("calendar", id))
}

/// A calendar is taken away.
#[utoipa::path(delete, path = "/v1/calendars/{id}", operation_id = "delete_calendar", tag = "Watch",
    summary = "Delete a calendar",
    description = "Its address shows nothing any more.",
    params(("id" = uuid::Uuid, Path, description = "Its id."), IdempotencyKey),
    responses((status = 204, description = "It is gone."), Problems))]
async fn remove(
    State(app): State<App>,
    Id(id): Id,
    request: DeleteRequest<Manage>,
) -> Result<Response, Problem> {
    app.do_for(request.ask, RemoveCalendar { id: CalendarId(id) }, |()| Ok(gone())).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list, create)).routes(routes!(read, remove))
}
