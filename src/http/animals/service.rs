//! Services on record.

use axum::{Json, extract::State, response::Response};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{Caller, command::StoredResponse, straws::reverse::ReverseService},
    domain::{
        animals::{record_service::NewService, service::Service},
        cautions,
        values::{AnimalId, HerdId, ServiceId, SireId, Technician, Timestamp},
    },
    form,
    http::{
        App,
        access::limits::Within,
        animals::next_service::Query,
        answer::{WithCautions, created, done as answered},
        docs::{IdempotencyKeyRequired, Problems},
        extract::{Id, LedgerRequest, Permit, Read},
        page::{Includes, Listing, Page, PageParams},
        problem::Problem,
    },
    store::{
        self,
        animals::service_list::{self, Wanted},
    },
    text_enum,
};

/// A service is recorded.
#[utoipa::path(post, path = "/v1/services", operation_id = "create_service", tag = "Services",
    summary = "Record a service",
    description = "Of `kind` `ai`, an insemination: closes the withdrawal. A natural mating (`natural`) and an embryo transfer \
        (`embryo_transfer`) name the animal and the bull, or the embryo's sire and donor; no straw of semen is used. A natural mating \
        takes a service number, an embryo transfer none, and its days count from seven days before it. What has happened is kept: a service before the straw was ready or after it should \
        have been used stands with its deviation. Refused is only what cannot be: a service before its withdrawal or more than \
        24 hours after it, a straw that was served already, a time to come; and 409 `straw-mismatch` when `straw_read` is \
        nothing of the lot or its sire, unless `already_done` says that she has been served. The answer says when she is due, when to watch for a return to heat, and \
        from when pregnancy checks can be trusted.",
    request_body(content = NewService, examples(
        ("with a withdrawn straw" = (summary = "With a straw of this book", value = json!({
            "withdrawal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b04a", "served_at": "2026-03-02T07:05:00+01:00",
            "technician": "T. Example"}))),
        ("with a foreign straw" = (summary = "With a straw that never was in this book", value = json!({
            "animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "sire_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b03a",
            "semen_type": "conventional", "served_at": "2026-01-12T08:00:00+01:00"}))),
        ("by a bull" = (summary = "A natural mating", value = json!({
            "kind": "natural", "animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa",
            "sire_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b03a", "served_at": "2026-01-12T08:00:00+01:00"}))),
        ("an embryo" = (summary = "An embryo transfer", value = json!({
            "kind": "embryo_transfer", "animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa",
            "sire_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b03a", "donor_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0ab",
            "served_at": "2026-01-12T08:00:00+01:00"}))))),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "On record.", body = WithCautions<Service>,
         headers(("Location" = String, description = "The service."))),
        Problems))]
async fn record(
    State(app): State<App>,
    command: LedgerRequest<NewService, Within>,
) -> Result<Response, Problem> {
    let new = command.body.clone();
    app.perform(command, new, |service| recorded(&service)).await
}

/// How a service just recorded is answered.
pub fn recorded(done: &Service) -> serde_json::Result<StoredResponse> {
    created(format!("/v1/services/{}", done.id), &WithCautions { done, cautions: cautions::SERVICE })
}

form! {
    /// Nothing more needs to be said.
    #[derive(Clone, ToSchema)]
    pub struct NewServiceReversal {}
}

/// A service was entered by mistake.
#[utoipa::path(post, path = "/v1/services/{id}/reversal", operation_id = "reverse_service", tag = "Services",
    summary = "Reverse a service",
    description = "It stays to be seen and no longer counts; its number is free again. A straw of this book that went into it is \
        unresolved again. If the straw never left the tank, reverse the movement of its withdrawal instead.",
    request_body(content = NewServiceReversal, example = json!({})),
    params(("id" = uuid::Uuid, Path, description = "The service."), IdempotencyKeyRequired),
    responses((status = 200, description = "It does not count any more.", body = Service), Problems))]
async fn reverse(
    State(app): State<App>,
    Id(id): Id,
    command: LedgerRequest<NewServiceReversal, Within>,
) -> Result<Response, Problem> {
    let act = ReverseService { service_id: ServiceId(id) };
    app.perform(command, act, |service| answered(&service)).await
}

text_enum! {
    /// What a service is told with.
    ServiceInclude {
        /// The animal, with her official names.
        Animal = "animal",
        /// The straw's way out of the tank: when it left, how it was thawed, what was set aside.
        Withdrawal = "withdrawal",
    }
}

form! {
    /// What a service is told with.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct ServiceBeside {
        /// What to show besides, with commas between.
        #[param(value_type = Vec<ServiceInclude>, inline, required = false, style = Form, explode = false, max_items = 2)]
        pub include: Includes<ServiceInclude>,
    }
}

/// The service with what is asked for, as it is at `now`; without its animal where she is of a herd by now that the caller's key is
/// not good for.
fn shown(
    mut service: Service,
    include: &Includes<ServiceInclude>,
    caller: &Caller,
    now: Timestamp,
) -> Service {
    service
        .animal
        .take_if(|animal| !include.has(&ServiceInclude::Animal) || !caller.may_see(animal.as_ref()));
    let withdrawal = service.withdrawal.take().filter(|_| include.has(&ServiceInclude::Withdrawal));
    service.withdrawal = withdrawal.map(|withdrawal| withdrawal.map(|it| Box::new(it.at(now))));
    service
}

form! {
    /// Which services a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct ServiceFilter {
        /// Only of this animal.
        pub animal_id: Option<AnimalId>,
        /// Only of this herd.
        pub herd_id: Option<HerdId>,
        /// Only by this sire.
        pub sire_id: Option<SireId>,
        /// Only by this technician.
        pub technician: Option<Technician>,
        /// True: only what was entered by mistake; false: only what counts.
        pub reversed: Option<bool>,
        /// Only what happened at this moment or later.
        pub from: Option<Timestamp>,
        /// Only what happened before this moment.
        pub to: Option<Timestamp>,
        /// What to show besides, with commas between.
        #[param(value_type = Vec<ServiceInclude>, inline, required = false, style = Form, explode = false, max_items = 2)]
        pub include: Includes<ServiceInclude>,
    }
}

/// Services.
#[utoipa::path(get, path = "/v1/services", operation_id = "list_services", tag = "Services",
    summary = "List services",
    description = "A page at a time, by no more statements of the database with `include` than without. With \
        `include=animal,withdrawal` each has her record and the straw's way beside it.",
    params(PageParams, ServiceFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<Service>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    listing: Listing<ServiceFilter>,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let f = &listing.filter;
    let wanted = Wanted {
        animal: f.animal_id,
        herd: caller.leading_herd(f.herd_id),
        sire: f.sire_id,
        technician: f.technician.clone(),
        reversed: f.reversed,
        from: f.from,
        to: f.to,
        beside: f.include.any(),
    };
    let rows = service_list::list(&mut tx, caller.business_id, &wanted, listing.by_id()?).await?;
    let rows = store::animals::history::with_due_dates(&mut tx, caller.business_id, rows).await?;
    let now = app.book.clock.now();
    let rows = rows.into_iter().map(|service| shown(service, &f.include, &caller, now)).collect();
    let place = |service: &Service| service.id.to_string();
    Ok(listing.list_within(rows, place, |service| caller.may_see(service)))
}

/// One service.
#[utoipa::path(get, path = "/v1/services/{id}", operation_id = "get_service", tag = "Services",
    summary = "Get a service",
    params(("id" = uuid::Uuid, Path, description = "Its id."), ServiceBeside),
    responses((status = 200, description = "As it stands.", body = Service), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    Query(asked): Query<ServiceBeside>,
) -> Result<Json<Service>, Problem> {
    let mut tx = app.book.db.read().await?;
    let (business, service) = (caller.business_id, ServiceId(id));
    let found = if asked.include.any() {
        store::animals::service::find_beside(&mut tx, business, service).await?
    } else {
        store::animals::service::find(&mut tx, business, service).await?
    };
    let found = found.into_iter().collect();
    let found = store::animals::history::with_due_dates(&mut tx, caller.business_id, found).await?.pop();
    let found = found.ok_or_else(|| Problem::not_there("service", id))?;
    Ok(Json(shown(found, &asked.include, &caller, app.book.clock.now())))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list, record)).routes(routes!(read)).routes(routes!(reverse))
}
