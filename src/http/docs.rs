//! What the interface says of itself: the OpenAPI description, the pages for people.
//!
//! Routes and descriptions are made by the same call, so none can be without the other. The pages
//! are made from the description by this binary and load nothing from elsewhere: a farm's network
//! may not reach anywhere.

use std::{collections::BTreeMap, fmt::Write as _, sync::OnceLock};

use axum::{
    body::Body,
    extract::{Path, rejection::PathRejection},
    http::header,
    response::{Html, IntoResponse, Response},
};
use serde_json::Value;
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
        markup,
        problem::{Kind, Problem, ProblemBody},
        schemas,
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
pub async fn docs() -> Result<Response, Problem> {
    static MADE: OnceLock<String> = OnceLock::new();
    if let Some(made) = MADE.get() {
        return Ok(page(made.as_str()));
    }
    let made = docs_page(&serde_json::from_str(COMMITTED)?);
    Ok(page(MADE.get_or_init(|| made).as_str()))
}

/// `GET /problems/{slug}`.
pub async fn problem(slug: Result<Path<String>, PathRejection>) -> Response {
    let known = slug.ok().and_then(|Path(slug)| Kind::ALL.iter().find(|kind| kind.slug() == slug));
    match known {
        Some(kind) => page(problem_page(*kind)),
        None => {
            Problem::new(Kind::NotFound, "There is no problem of that name; see /problems.").into_response()
        }
    }
}

/// `GET /problems`.
pub async fn problems() -> Response {
    let mut body = String::from(
        "<h1>Problems</h1><p>Each <code>type</code> of a problem document leads to its page.</p><ul>",
    );
    for kind in Kind::ALL {
        let _ = write!(
            body,
            "<li><a href=\"/problems/{slug}\">{slug}</a> ({status}): {title}</li>",
            slug = kind.slug(),
            status = kind.status(),
            title = kind.title()
        );
    }
    body.push_str("</ul>");
    page(html("Problems", &body))
}

fn problem_page(kind: Kind) -> String {
    let body = format!(
        "<p><a href=\"/problems\">Problems</a></p><h1>{title}</h1><p><code>/problems/{slug}</code>, status {status}</p><p>{mend}</p>",
        title = kind.title(),
        slug = kind.slug(),
        status = kind.status(),
        mend = words(kind.mend())
    );
    html(kind.title(), &body)
}

fn page(html: impl Into<Body>) -> Response {
    let policy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
    ([(header::CONTENT_SECURITY_POLICY, policy)], Html(html.into())).into_response()
}

const METHODS: [&str; 5] = ["get", "post", "patch", "put", "delete"];

fn docs_page(api: &Value) -> String {
    let text = |value: &Value| words(value.as_str().unwrap_or_default());
    let mut body = format!(
        "<h1>{} {}</h1><p>{}</p><p><a href=\"/openapi.json\">openapi.json</a> | <a href=\"/problems\">problems</a></p>",
        text(&api["info"]["title"]),
        text(&api["info"]["version"]),
        text(&api["info"]["description"]),
    );
    body.push_str(START);
    for tag in api["tags"].as_array().into_iter().flatten() {
        let _ = write!(body, "<h2>{}</h2><p>{}</p>", text(&tag["name"]), text(&tag["description"]));
        for (path, item) in api["paths"].as_object().into_iter().flatten() {
            for method in METHODS {
                let operation = &item[method];
                if operation["tags"][0] == tag["name"] {
                    body.push_str(&operation_html(api, path, method, operation));
                }
            }
        }
    }
    body.push_str("<h2>What webhooks are told</h2>");
    for (kind, item) in api["webhooks"].as_object().into_iter().flatten() {
        let message = &item["post"]["requestBody"]["content"]["application/cloudevents+json"]["schema"];
        let data = &resolved(api, message)["properties"]["data"];
        let _ = write!(
            body,
            "<details><summary><code>{}</code> {}</summary>{}</details>",
            words(kind),
            text(&item["post"]["summary"]),
            schema_html(api, "data", data)
        );
    }
    html("Tankside", &body)
}

fn operation_html(api: &Value, path: &str, method: &str, operation: &Value) -> String {
    let text = |value: &Value| words(value.as_str().unwrap_or_default());
    let mut out = format!(
        "<details><summary><code><b>{}</b> {}</code> {}</summary><p>{}</p>",
        method.to_uppercase(),
        words(path),
        text(&operation["summary"]),
        text(&operation["description"]),
    );
    let parameters = operation["parameters"].as_array().map(Vec::as_slice).unwrap_or_default();
    if !parameters.is_empty() {
        out.push_str("<table><tr><th>parameter</th><th>in</th><th></th></tr>");
        for parameter in parameters {
            let required = if parameter["required"] == true { ", required" } else { "" };
            let _ = write!(
                out,
                "<tr><td><code>{}</code></td><td>{}{required}</td><td>{}</td></tr>",
                text(&parameter["name"]),
                text(&parameter["in"]),
                text(&parameter["description"])
            );
        }
        out.push_str("</table>");
    }
    for (_, media) in operation["requestBody"]["content"].as_object().into_iter().flatten() {
        out.push_str(&schema_html(api, "Body", &media["schema"]));
        if let Ok(example) = serde_json::to_string_pretty(&media["example"]) {
            let _ = write!(out, "<pre>{}</pre>", words(&example));
        }
    }
    for (status, response) in operation["responses"].as_object().into_iter().flatten() {
        let _ = write!(out, "<p><b>{status}</b> {}</p>", text(&response["description"]));
        if status.starts_with('2') {
            for (_, media) in response["content"].as_object().into_iter().flatten() {
                out.push_str(&schema_html(api, "Answer", &media["schema"]));
            }
        }
    }
    out.push_str("</details>");
    out
}

/// The members of a schema as a table.
fn schema_html(api: &Value, title: &str, schema: &Value) -> String {
    let mut rows = String::new();
    members(api, schema, &mut rows);
    if rows.is_empty() {
        return String::new();
    }
    format!("<table><tr><th>{title}</th><th>type</th><th></th></tr>{rows}</table>")
}

fn members(api: &Value, schema: &Value, rows: &mut String) {
    let schema = resolved(api, schema);
    for part in schema["allOf"].as_array().into_iter().flatten() {
        members(api, part, rows);
    }
    let required = schema["required"].as_array().map(Vec::as_slice).unwrap_or_default();
    for (name, member) in schema["properties"].as_object().into_iter().flatten() {
        let mark = if required.iter().any(|r| r == name) { " *" } else { "" };
        let described = [&member["description"], &resolved(api, member)["description"]];
        let description = described.iter().find_map(|text| text.as_str()).unwrap_or_default();
        let _ = write!(
            rows,
            "<tr><td><code>{}</code>{mark}</td><td>{}</td><td>{}</td></tr>",
            words(name),
            words(&type_name(api, member)),
            words(description)
        );
    }
}

fn resolved<'a>(api: &'a Value, schema: &'a Value) -> &'a Value {
    let reference = schema["$ref"].as_str().and_then(|path| path.strip_prefix('#'));
    reference.and_then(|pointer| api.pointer(pointer)).unwrap_or(schema)
}

fn type_name(api: &Value, schema: &Value) -> String {
    if let Some(options) = schema["oneOf"].as_array() {
        return options.iter().map(|option| type_name(api, option)).collect::<Vec<_>>().join(" or ");
    }
    let target = resolved(api, schema);
    if let Some(values) = target["enum"].as_array() {
        return values.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
    }
    match &target["type"] {
        Value::String(kind) if kind == "array" => format!("list of {}", type_name(api, &target["items"])),
        Value::String(kind) => {
            target["format"].as_str().map_or_else(|| kind.clone(), |format| format!("{kind} ({format})"))
        }
        Value::Array(kinds) => kinds.iter().filter_map(Value::as_str).collect::<Vec<_>>().join(" or "),
        _ => "object".to_owned(),
    }
}

/// Text for HTML: escaped, with `code` and paragraphs.
fn words(text: &str) -> String {
    let escaped = markup::escaped(text);
    let mut out = String::with_capacity(escaped.len());
    for (n, part) in escaped.split('`').enumerate() {
        if n % 2 == 1 {
            let _ = write!(out, "<code>{part}</code>");
        } else {
            out.push_str(part);
        }
    }
    out.replace("\n\n", "</p><p>")
}

fn html(title: &str, body: &str) -> String {
    markup::document(title, STYLE, body)
}

const STYLE: &str = ":root{color-scheme:light dark}body{font:16px/1.5 system-ui,sans-serif;max-width:60rem;margin:2rem auto;\
    padding:0 1rem}code{font-size:.95em}details{margin:.4rem 0;border-top:1px solid #8886;padding:.3rem 0}summary{cursor:pointer}\
    table{border-collapse:collapse;margin:.6rem 0}td,th{border:1px solid #8886;padding:.2rem .5rem;text-align:left;\
    vertical-align:top}pre{overflow:auto;padding:.6rem;border:1px solid #8886}";

const START: &str = "<h2>From a delivery to a recorded service</h2><p>Every request carries \
    <code>Authorization: Bearer &lt;key&gt;</code>. What writes the ledger or a service carries an \
    <code>Idempotency-Key</code> that the sender makes up once, keeps, and sends again with every retry: then a straw is \
    never taken twice, even when the phone comes back from the barn after days. Retry on network errors, 429 and 503, \
    waiting longer each time; not on other 4xx. Unknown members are refused, and <code>errors</code> lists every fault at \
    once. New members may be added to answers and new values to lists of words: ignore what you do not know.</p><pre>\
curl -sS localhost:8080/v1/animals/$ANIMAL/next-service -H \"Authorization: Bearer $KEY\"\n\
curl -sS localhost:8080/v1/withdrawals -H \"Authorization: Bearer $KEY\" -H 'Content-Type: application/json' \\\n     \
-H \"Idempotency-Key: $(uuidgen)\" -d '{\"animal_id\": \"...\", \"sire_id\": \"...\"}'\n\
curl -sS localhost:8080/v1/withdrawals/$WITHDRAWAL/thaw -H \"Authorization: Bearer $KEY\" -H 'Content-Type: application/json' \\\n     \
-H \"Idempotency-Key: $(uuidgen)\" -d '{\"bath_temp_c\": 35.6}'\n\
curl -sS localhost:8080/v1/services -H \"Authorization: Bearer $KEY\" -H 'Content-Type: application/json' \\\n     \
-H \"Idempotency-Key: $(uuidgen)\" -d '{\"withdrawal_id\": \"...\"}'</pre>";
