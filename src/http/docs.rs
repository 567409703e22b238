//! What the interface says of itself: the OpenAPI description, the pages for people.
//!
//! Routes and descriptions are made by the same call, so none can be without the other. The pages
//! are made from the description by this binary and load nothing from elsewhere: a farm's network
//! may not reach anywhere.

mod example;
mod page;
mod schema;
mod text;

use std::collections::BTreeMap;

use axum::{
    extract::{Path, rejection::PathRejection},
    http::HeaderMap,
    response::{IntoResponse, Response},
};
use tokio::sync::OnceCell;
use utoipa::{
    IntoParams, IntoResponses, OpenApi,
    openapi::{
        self, Components, ContentBuilder, Ref, RefOr, ResponseBuilder,
        security::{HttpAuthScheme, HttpBuilder, SecurityScheme},
    },
};

use crate::{
    domain::{
        alerts::AlertData,
        webhooks::event::{ServiceRecorded, StrawWithdrawn, WebhookDisabled, WebhookTest},
    },
    http::{
        docs::text::words,
        problem::{Kind, Problem, ProblemBody, internal},
        schemas, web,
        webhooks::message as messages,
    },
    webhooks::message::Message,
};

/// The key of what may be repeated without being done twice.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "describes a header that Command reads")]
pub struct IdempotencyKey {
    /// Made up once for each act and sent again with every retry, so that it is done once.
    #[param(rename = "Idempotency-Key", min_length = 1, max_length = 255, required = false)]
    idempotency_key: String,
}

/// The same where it is required.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "describes a header that Command reads")]
pub struct IdempotencyKeyRequired {
    /// Made up once for each act, kept, and sent again with every retry, so that straws are never taken twice.
    #[param(
        rename = "Idempotency-Key",
        min_length = 1,
        max_length = 255,
        example = "8e03978e-40d5-43e8-bc93-6894a57f9324"
    )]
    idempotency_key: String,
}

/// The version that is to be changed.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "describes a header that Command reads")]
pub struct IfMatch {
    /// The ETag of the version that was read; another in the book is not overwritten (412).
    #[param(rename = "If-Match", max_length = 1000, required = false)]
    if_match: String,
}

/// Every problem that any route may answer with.
pub struct Problems;

impl IntoResponses for Problems {
    fn responses() -> BTreeMap<String, RefOr<openapi::Response>> {
        let mut by_status = BTreeMap::<u16, Vec<Kind>>::new();
        for kind in Kind::ALL {
            // No route that is described answers with it.
            if *kind != Kind::WrongHost {
                by_status.entry(kind.status()).or_default().push(*kind);
            }
        }
        let body = || RefOr::Ref(Ref::from_schema_name("Problem"));
        by_status
            .into_iter()
            .map(|(status, kinds)| {
                let slugs: Vec<_> = kinds.iter().map(|kind| format!("`{}`", kind.slug())).collect();
                let response = ResponseBuilder::new()
                    .description(format!("Not done: {}.", slugs.join(", ")))
                    .content("application/problem+json", ContentBuilder::new().schema(Some(body())).build());
                (status.to_string(), response.build().into())
            })
            .collect()
    }
}

/// The description without its routes.
#[derive(OpenApi)]
#[openapi(
    info(
        title = "Tankside",
        description = "The book of record for a cattle inseminator's liquid-nitrogen tank: which animal is due, which sire and \
            semen type her service number calls for, where that straw hangs, how to thaw it, and what was done.\n\n\
            Liquid nitrogen burns and its gas displaces air without warning; insemination may need a licence. Suppliers' \
            instructions, local codes and licensed practice go before anything this service says.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    servers((url = "/", description = "This service.")),
    components(schemas(
        ProblemBody, Message, AlertData, StrawWithdrawn, ServiceRecorded, WebhookDisabled, WebhookTest
    )),
    tags(
        (name = "Herds", description = "Whose animals they are, and what their owners decided."), (name = "Tanks", description = "The vessels and their canisters."),
        (name = "Nitrogen", description = "How much there is, how long it lasts, whether the tank is failing."),
        (name = "Sires", description = "Bulls, their names on straws and their pedigree."), (name = "Lots", description = "Straws of one sire, one type and one collection."), (name = "Animals", description = "Who is served."),
        (name = "Animals' events", description = "Heats, pregnancy checks, calvings, abortions, decisions whether to breed."),
        (name = "Watch", description = "What to look at on which day, and calendars of it. A calendar is read without a key at \
            `/v1/watch.ics?token=`."),
        (name = "Timed protocols", description = "A veterinarian's steps to an insemination at a set hour, and for whom they began. The \
            veterinarian's prescription and local law go before them; no dose stands here."),
        (name = "Requests", description = "Farms that ask for the technician."),
        (name = "Choosing", description = "Before the plug comes off."),
        (name = "Stock", description = "Deliveries, what hangs where, the ledger."),
        (name = "Alerts", description = "What needs attention, and of what one wants to be told."),
        (name = "Withdrawals", description = "A straw's way out: withdrawn, thawed, discarded."),
        (name = "Services", description = "Services on record."),
        (name = "Reports", description = "What came of it: figures with their definitions and sources, as JSON, CSV and pictures."),
        (name = "Herd software", description = "What came in by the open Animal Data Exchange (ICAR ADE), under `/ade`, and \
            what of it a person must settle. The paths under `/ade` are those of the standard's own documents."),
        (name = "Changes", description = "For integrations that poll."),
        (name = "Webhooks", description = "Who is told of what happens, and how that went."),
        (name = "Messages", description = "What webhooks are sent."),
        (name = "Business", description = "Whose book this is.")
    ),
    security(("key" = []))
)]
pub struct Description;

/// Completes the description: how a key is sent, and what bodies and answers hold exactly.
pub fn complete(api: &mut openapi::OpenApi) {
    let bearer = HttpBuilder::new()
        .scheme(HttpAuthScheme::Bearer)
        .bearer_format("tks_...")
        .description(Some("A key of this service, made with `tankside key create`."))
        .build();
    api.components
        .get_or_insert_with(Components::new)
        .add_security_scheme("key", SecurityScheme::Http(bearer));
    messages::describe(api);
    schemas::sharpen(api);
}

/// The description as it is committed and served; a test holds it to the code. To make it anew at every start would
/// take memory that is never given back.
pub const COMMITTED: &str = include_str!("../../openapi/openapi.json");

/// The whole description as the code says it: JSON with a line feed at the end.
pub fn openapi_json() -> serde_json::Result<String> {
    Ok(super::description().to_pretty_json()? + "\n")
}

/// `GET /docs`.
pub async fn docs(asked: HeaderMap) -> Result<Response, Problem> {
    static MADE: OnceCell<web::File> = OnceCell::const_new();
    // It takes a while, once.
    let make = || async {
        let made = tokio::task::spawn_blocking(|| {
            let html = page::of(&serde_json::from_str(COMMITTED)?);
            Ok::<_, serde_json::Error>(web::File::made("/docs.html", html.into()))
        });
        made.await.map_err(|_| internal())?.map_err(Problem::from)
    };
    Ok(MADE.get_or_try_init(make).await?.answer(&asked))
}

/// `GET /problems/{slug}`.
pub async fn problem(slug: Result<Path<String>, PathRejection>) -> Response {
    let known = slug.ok().and_then(|Path(slug)| Kind::ALL.iter().find(|kind| kind.slug() == slug));
    match known {
        Some(kind) => web::page(problem_page(*kind)),
        None => {
            Problem::new(Kind::NotFound, "There is no problem of that name; see /problems.").into_response()
        }
    }
}

/// `GET /problems`.
pub async fn problems() -> Response {
    let body = format!(
        "<main><p><a href=\"/docs\">Documentation</a></p><h1>Problems</h1>{}</main>",
        page::problems()
    );
    web::page(page::document("Problems", "text", &body))
}

fn problem_page(kind: Kind) -> String {
    let body = format!(
        "<main><p><a href=\"/docs\">Documentation</a> <a href=\"/problems\">Problems</a></p><h1>{title}</h1>\
         <p><code>/problems/{slug}</code>, status {status}</p><p>{mend}</p></main>",
        title = kind.title(),
        slug = kind.slug(),
        status = kind.status(),
        mend = words(kind.mend())
    );
    page::document(kind.title(), "text", &body)
}
