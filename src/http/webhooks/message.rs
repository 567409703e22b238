//! The description of what is sent to webhooks: one message for each type, in the OpenAPI file's `webhooks`.

use std::collections::BTreeMap;

use utoipa::openapi::{
    Components, ContentBuilder, HttpMethod, ObjectBuilder, OpenApi, PathItem, PathsBuilder, Ref, RefOr,
    Required, ResponseBuilder, Schema,
    extensions::ExtensionsBuilder,
    path::{OperationBuilder, ParameterBuilder, ParameterIn},
    request_body::RequestBodyBuilder,
    schema::Type,
};

use crate::{
    domain::{
        alerts::AlertKind,
        webhooks::event::{EventKind, Topic},
    },
    webhooks::sign,
};

/// A type of message: its kind, the schema of its `data`, and when it is sent.
#[derive(Clone, Copy)]
struct Payload {
    kind: EventKind,
    data: &'static str,
    when: &'static str,
}

const PAYLOADS: &[Payload] = &[
    Payload {
        kind: Topic::StrawWithdrawn.happened(),
        data: "StrawWithdrawn",
        when: "Straws left the tank for an animal.",
    },
    Payload {
        kind: Topic::ServiceRecorded.happened(),
        data: "ServiceRecorded",
        when: "A service was recorded.",
    },
    Payload {
        kind: Topic::WebhookDisabled.happened(),
        data: "WebhookDisabled",
        when: "Nothing is sent to a webhook any more: every attempt failed for five days, twenty at least, or it answered 410. Told to the \
               others.",
    },
    Payload {
        kind: Topic::WebhookTest.happened(),
        data: "WebhookTest",
        when: "Someone asked for it with `POST /v1/webhooks/{id}/test`.",
    },
];

/// Describes every message by its type, and in one schema for all that have the same `data`.
pub fn describe(api: &mut OpenApi) {
    let all: Vec<_> = PAYLOADS.iter().copied().chain(of_alerts()).collect();
    let mut kinds = BTreeMap::<&str, Vec<String>>::new();
    for told in &all {
        kinds.entry(told.data).or_default().push(told.kind.wire());
    }
    let schemas = &mut api.components.get_or_insert_with(Components::new).schemas;
    for (data, kinds) in kinds {
        if let Some(schema) = with_data(schemas.get("Message"), data, kinds) {
            schemas.insert(schema_name(data), schema);
        }
    }
    let paths =
        all.iter().fold(PathsBuilder::new(), |paths, told| paths.path(told.kind.wire(), message(told)));
    api.webhooks = Some(paths.build());
}

/// What the message with that `data` is called.
fn schema_name(data: &str) -> String {
    format!("{}Message", data.strip_suffix("Data").unwrap_or(data))
}

/// `message` with that `data`, told by these types.
fn with_data(message: Option<&RefOr<Schema>>, data: &str, kinds: Vec<String>) -> Option<RefOr<Schema>> {
    let mut message = message.cloned()?;
    let RefOr::T(Schema::Object(object)) = &mut message else { return None };
    if let Some(RefOr::T(Schema::Object(kind))) = object.properties.get_mut("type") {
        kind.example = None;
        kind.enum_values = Some(kinds.into_iter().map(Into::into).collect());
    }
    let mut reference = Ref::from_schema_name(data);
    "What happened: ids, numbers and places.".clone_into(&mut reference.description);
    object.properties.insert("data".to_owned(), reference.into());
    Some(message)
}

/// The steps of every alert.
fn of_alerts() -> impl Iterator<Item = Payload> {
    AlertKind::ALL.iter().flat_map(|alert| {
        let topic = alert.topic();
        let told = |kind, when| Payload { kind, data: "AlertData", when };
        // This one says more, and is described above.
        let opened =
            (topic != Topic::WebhookDisabled).then(|| told(topic.happened(), "An alert was opened."));
        opened.into_iter().chain([
            told(topic.repeated(), "Its alert is still open and nobody has taken it on; told at most daily."),
            told(topic.acknowledged(), "Somebody took its alert on."),
            told(topic.cleared(), "Its alert is over."),
        ])
    })
}

fn message(told: &Payload) -> PathItem {
    let kind = told.kind.wire();
    let schema = RefOr::<Schema>::Ref(Ref::from_schema_name(schema_name(told.data)));
    let body = RequestBodyBuilder::new()
        .content("application/cloudevents+json", ContentBuilder::new().schema(Some(schema)).build())
        .required(Some(Required::True))
        .build();
    let header = |name: &str, description: &str| {
        ParameterBuilder::new()
            .name(name)
            .parameter_in(ParameterIn::Header)
            .required(Required::True)
            .description(Some(description))
            .schema(Some(ObjectBuilder::new().schema_type(Type::String)))
            .build()
    };
    let operation = OperationBuilder::new()
        .operation_id(Some(kind.replace('.', "_")))
        .summary(Some(told.when))
        .tag("Messages")
        .securities(Some([]))
        // A client is told these and never sends them; generators that would make calls of them leave out what is marked so.
        .extensions(Some(ExtensionsBuilder::new().add("x-internal", true).build()))
        .parameter(header(sign::ID, "The event's id; the same in every attempt."))
        .parameter(header(sign::TIMESTAMP, "When this attempt was made, in seconds since 1970."))
        .parameter(header(
            sign::SIGNATURE,
            "`v1,` and the base64 of HMAC-SHA256 over `{webhook-id}.{webhook-timestamp}.{body}`, by each secret that is \
             good, with a space between.",
        ))
        .request_body(Some(body))
        .response("2XX", ResponseBuilder::new().description("Taken. What follows is not read beyond 64 KiB."))
        .response("410", ResponseBuilder::new().description("Nothing more is wanted: the webhook is disabled."))
        .response(
            "429",
            ResponseBuilder::new()
                .description("Too much, as are 502, 503 and 504: the webhook is left alone for a while, as long as Retry-After says."),
        )
        .response("default", ResponseBuilder::new().description("Not taken: it is sent again later."));
    PathItem::new(HttpMethod::Post, operation)
}
