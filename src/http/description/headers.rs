//! The headers of answers, each described once.

use utoipa::openapi::{
    Header, HeaderBuilder, ObjectBuilder, OpenApi, Ref, RefOr, Required, Response, Schema,
    path::Operation,
    schema::{KnownFormat, SchemaFormat, SchemaType, Type},
};

use crate::http::schemas::{direct, methods};

/// Name, type, description and example of each.
const ALL: &[(&str, Type, &str, &str)] = &[
    (
        "X-Request-Id",
        Type::String,
        "The request's id, also in the service's log: the client's own where it sent one of at most 100 letters, digits, `-`, `_` \
         and `.`.",
        "0195d3a1-6c1e-4f0e-9d61-0c7a51e6b0aa",
    ),
    (
        "RateLimit",
        Type::String,
        "How many requests this key may still send at once (`r`) and after how many seconds more (`t`), where its requests are \
         limited. (draft-ietf-httpapi-ratelimit-headers)",
        "\"default\";r=59;t=0",
    ),
    (
        "RateLimit-Policy",
        Type::String,
        "How many requests (`q`) in how many seconds (`w`) a key may send, where its requests are limited.",
        "\"default\";q=60;w=60",
    ),
    ("Retry-After", Type::Integer, "After how many seconds to send it again.", "2"),
    (
        "Idempotent-Replayed",
        Type::String,
        "`true` where this is the first answer to that Idempotency-Key again: nothing was done now.",
        "true",
    ),
    (
        "ETag",
        Type::String,
        "The version: send it as If-Match with a change, or as If-None-Match to hear only of another.",
        "\"6qmw-91qmjoga4CStSyE\"",
    ),
    (
        "Location",
        Type::String,
        "Where what was made is to be found.",
        "/v1/herds/01976f0e-5a52-7c3e-9d61-0c7a51e6b001",
    ),
    (
        "Link",
        Type::String,
        "The next page with `rel=\"next\"`, where there is one; of a missing Idempotency-Key the page that explains it with \
         `rel=\"describedby\"`. (RFC 8288)",
        "</v1/animals?limit=50&cursor=MmY1>; rel=\"next\"",
    ),
    ("WWW-Authenticate", Type::String, "How to say who asks.", "Bearer"),
    (
        "Accept-Patch",
        Type::String,
        "What a change may be sent as.",
        "application/merge-patch+json, application/json",
    ),
];

/// Says which headers each answer can have.
pub fn describe(api: &mut OpenApi) {
    for (_, operation) in api.paths.paths.values_mut().flat_map(methods) {
        let keyed = takes(operation, "Idempotency-Key");
        let required = operation.parameters.iter().flatten().any(|parameter| {
            matches!(parameter, RefOr::T(parameter) if parameter.name == "Idempotency-Key" && parameter.required == Required::True)
        });
        let paged = takes(operation, "cursor");
        let patch = operation.operation_id.as_deref().is_some_and(|id| id.starts_with("update_"));
        for (status, response) in &mut operation.responses.responses {
            let Some(response) = direct(response) else { continue };
            let is_good = status.starts_with(['2', '3']);
            refer(response, "X-Request-Id");
            // Who is not known has no limit of his own.
            if status != "401" {
                refer(response, "RateLimit");
                refer(response, "RateLimit-Policy");
            }
            match status.as_str() {
                "401" => refer(response, "WWW-Authenticate"),
                "415" if patch => refer(response, "Accept-Patch"),
                "429" | "503" => refer(response, "Retry-After"),
                "304" => refer(response, "ETag"),
                "400" if required => refer(response, "Link"),
                "200" if paged => refer(response, "Link"),
                _ => {}
            }
            // What is kept under a key: what was done, and what was refused by what is in the book.
            if keyed && (is_good || ["403", "404", "409", "412", "422"].contains(&status.as_str())) {
                refer(response, "Idempotent-Replayed");
            }
            // A picture is known by its version.
            if is_good && response.content.contains_key("image/svg+xml") {
                refer(response, "ETag");
            }
            for name in ["ETag", "Location"] {
                if response.headers.contains_key(name) {
                    refer(response, name);
                }
            }
        }
    }
    let Some(components) = &mut api.components else { return };
    for (name, kind, description, example) in ALL {
        components.headers.insert((*name).to_owned(), header(kind, description, example).into());
    }
}

fn takes(operation: &Operation, name: &str) -> bool {
    let mut parameters = operation.parameters.iter().flatten();
    parameters.any(|parameter| matches!(parameter, RefOr::T(parameter) if parameter.name == name))
}

fn refer(response: &mut Response, name: &str) {
    let reference = Ref::new(format!("#/components/headers/{name}"));
    response.headers.insert(name.to_owned(), RefOr::Ref(reference));
}

fn header(kind: &Type, description: &str, example: &str) -> Header {
    let mut schema = ObjectBuilder::new().schema_type(SchemaType::Type(kind.clone()));
    if *kind == Type::Integer {
        schema = schema.format(Some(SchemaFormat::KnownFormat(KnownFormat::Int32))).minimum(Some(0));
    }
    let mut header = HeaderBuilder::new()
        .schema(Some(RefOr::T(Schema::Object(schema.build()))))
        .description(Some(description))
        .build();
    header.example = Some(match kind {
        Type::Integer => example.parse::<i64>().unwrap_or_default().into(),
        _ => example.into(),
    });
    header
}
