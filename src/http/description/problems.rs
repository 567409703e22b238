//! Which problems an operation can answer with.
//!
//! Most follow from what it is: a read, a write, with a body, an id, an Idempotency-Key. What only some can answer with stands
//! in one table, [`OWN`]. The client of the stories holds every answer that it gets against this.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};
use utoipa::openapi::{
    Content, ContentBuilder, Object, OpenApi, Ref, RefOr, ResponseBuilder, Schema,
    example::ExampleBuilder,
    extensions::ExtensionsBuilder,
    path::{Operation, ParameterIn},
    schema::{KnownFormat, SchemaFormat, Type},
};

use crate::http::{
    problem::Kind,
    schemas::{Schemas, direct, methods, name_of, parts},
};

/// What stands against a straw for an animal.
const OBJECTIONS: &[Kind] = &[
    Kind::ChoiceRule,
    Kind::AnimalPregnant,
    Kind::DoNotBreed,
    Kind::AnimalLeft,
    Kind::TooYoung,
    Kind::Kinship,
    Kind::LotNotUsable,
    Kind::OnHold,
    Kind::NotYours,
    Kind::StrawMismatch,
];

/// By operation, the problems that do not follow from what it is.
const OWN: &[(&str, &[Kind])] = &[
    // Reads that only some roles may.
    ("list_audit_entries", &[Kind::Forbidden]),
    ("export_list", &[Kind::Forbidden]),
    ("list_calendars", &[Kind::Forbidden]),
    ("get_calendar", &[Kind::Forbidden]),
    ("list_webhooks", &[Kind::Forbidden]),
    ("get_webhook", &[Kind::Forbidden]),
    ("list_deliveries", &[Kind::Forbidden]),
    ("get_delivery", &[Kind::Forbidden]),
    ("list_keys", &[Kind::Forbidden]),
    ("get_key", &[Kind::Forbidden]),
    // Keys, files and books.
    ("create_key", &[Kind::TooManyKeys]),
    ("rotate_key", &[Kind::KeyEnded]),
    ("revoke_key", &[Kind::LastManagerKey]),
    ("import_list", &[Kind::FileKnown, Kind::FileWrong]),
    ("empty_book", &[Kind::NotATestBusiness, Kind::InUse]),
    // Reads of what may be missing without an id in the path.
    ("get_business", &[Kind::NotFound]),
    ("get_page", &[Kind::NotFound]),
    ("get_thaw_advice", &[Kind::NotFound]),
    // What is changed while something hangs on it.
    ("create_alert_rule", &[Kind::InUse]),
    ("update_alert_rule", &[Kind::InUse]),
    ("update_tank", &[Kind::InUse]),
    ("update_lot", &[Kind::InUse]),
    // What a person settles is done at once, as at `POST /v1/withdrawals` with `already_done`, and may undo what stood.
    ("resolve_ade_item", &[Kind::InUse, Kind::NotInStock, Kind::NotReversible, Kind::AlreadyResolved]),
    // Straws on their way.
    ("create_withdrawal", &[Kind::NotInStock]),
    ("thaw_withdrawal", &[Kind::AlreadyResolved, Kind::AlreadyThawing, Kind::BathTooHot, Kind::BathTooCold]),
    ("discard_withdrawal", &[Kind::AlreadyResolved]),
    ("create_service", &[Kind::AlreadyResolved, Kind::StrawMismatch]),
    ("reverse_service", &[Kind::NotReversible]),
    ("create_transfer", &[Kind::NotInStock]),
    ("create_discard", &[Kind::NotInStock]),
    ("create_consignment", &[Kind::NotInStock]),
    ("accept_stocktake", &[Kind::InUse, Kind::CountAgain, Kind::NotInStock]),
    (
        "reverse_movement",
        &[Kind::AlreadyReversed, Kind::NotReversible, Kind::NotInStock, Kind::InUse, Kind::AlreadyResolved],
    ),
    // The liquid.
    ("create_nitrogen_reading", &[Kind::AlreadyRecorded, Kind::AlreadySuperseded]),
    ("create_refill", &[Kind::AlreadyRecorded, Kind::AlreadySuperseded]),
    ("create_repair", &[Kind::AlreadyRecorded, Kind::AlreadySuperseded]),
    // Timed protocols.
    ("create_protocol_starts", &[Kind::ProtocolNotPossible]),
    ("stop_protocol_start", &[Kind::ProtocolNotPossible]),
    ("set_protocol_step", &[Kind::ProtocolNotPossible]),
    // Webhooks.
    ("create_webhook", &[Kind::TooManyWebhooks]),
    ("test_webhook", &[Kind::WebhookNotActive]),
    ("pause_webhook", &[Kind::WebhookNotActive]),
    ("redeliver_event", &[Kind::WebhookNotActive]),
    ("redeliver_events", &[Kind::WebhookNotActive]),
];

/// Operations that some role but a manager may ask for and that are about more than a key's limits: a key that is limited to herds, to
/// tanks or to either is refused. The story `limited_keys` holds it to what they do.
const BEYOND_LIMITS: &[&str] = &[
    "list_alert_rules",
    "get_alert_rule",
    "list_devices",
    "list_consignments",
    "get_consignment",
    "create_consignment",
    "get_price_list",
    "export_list",
    "get_stock_outlook",
    "list_movements",
    "list_stocktakes",
    "get_stocktake",
    "create_stocktake",
    "accept_stocktake",
    "get_tank_labels",
    "list_ade_items",
    "get_ade_item",
    "resolve_ade_item",
    "list_changes",
    "get_calving_interval_report",
    "get_charges",
    "get_conception_report",
    "get_conception_watch",
    "get_deviation_report",
    "get_lot_trace",
    "get_non_return_report",
    "get_pregnancy_rate_report",
    "get_register",
    "get_season_plan",
    "get_straw_use_report",
];

/// Says of each operation with which problems it can answer, and with no others.
pub fn narrow(api: &mut OpenApi) {
    let schemas = api.components.as_ref().map(|components| components.schemas.clone()).unwrap_or_default();
    let mut told = BTreeSet::new();
    for (path, item) in &mut api.paths.paths {
        for (method, operation) in methods(item) {
            let kinds = possible(&schemas, path, method, operation);
            told.extend(kinds.iter().map(|kind| kind.slug()));
            let otherwise = otherwise_written(operation);
            operation.responses.responses.retain(|status, _| !status.starts_with(['4', '5']));
            answer_with(operation, &kinds);
            for (status, contents) in otherwise {
                if let Some(response) = operation.responses.responses.get_mut(&status).and_then(direct) {
                    response.content.extend(contents);
                }
            }
        }
    }
    let Some(components) = &mut api.components else { return };
    for kind in Kind::ALL.iter().filter(|kind| told.contains(kind.slug())) {
        let example = ExampleBuilder::new().summary(kind.title()).value(Some(example(*kind)));
        components.examples.insert(kind.slug().to_owned(), example.build().into());
    }
    name_types(&mut components.schemas);
}

/// Contents of an answer by their media types.
type Contents = Vec<(String, RefOr<Content>)>;

/// What its problems can be written as beside JSON, by status.
fn otherwise_written(operation: &mut Operation) -> Vec<(String, Contents)> {
    let problems = operation.responses.responses.iter_mut().filter(|(status, _)| status.starts_with('4'));
    problems
        .filter_map(|(status, response)| {
            let contents = direct(response)?.content.iter();
            let others = contents.filter(|(media, _)| *media != "application/problem+json");
            let others: Vec<_> = others.map(|(media, content)| (media.clone(), content.clone())).collect();
            (!others.is_empty()).then(|| (status.clone(), others))
        })
        .collect()
}

/// The problems with which an operation can answer, in the order of the table of all.
fn possible(schemas: &Schemas, path: &str, method: &str, operation: &Operation) -> Vec<Kind> {
    let reads = method == "get";
    let parameters: Vec<_> = operation.parameters.iter().flatten().collect();
    let parameter = |name: &str| {
        parameters.iter().find_map(|parameter| match parameter {
            RefOr::T(parameter) if parameter.name == name => Some(parameter),
            _ => None,
        })
    };
    let in_query = parameters.iter().any(
        |parameter| matches!(parameter, RefOr::T(parameter) if parameter.parameter_in == ParameterIn::Query),
    );
    let names_in_query = parameters.iter().any(|parameter| match parameter {
        RefOr::T(parameter) => {
            let schema = parameter.schema.as_ref();
            parameter.parameter_in == ParameterIn::Query
                && schema.is_some_and(|schema| has_ids(schemas, schema))
        }
        RefOr::Ref(_) => false,
    });
    let body = body_of(schemas, operation);
    let key = parameter("Idempotency-Key");
    let id = operation.operation_id.as_deref().unwrap_or_default();
    let own = OWN.iter().find(|(operation, _)| *operation == id).map_or(&[][..], |(_, kinds)| kinds);
    let can = |kind: &Kind| {
        own.contains(kind)
            || match kind {
                Kind::BadRequest
                | Kind::KeyMissing
                | Kind::KeyNotValid
                | Kind::RateLimited
                | Kind::TooManyFailures
                | Kind::Internal
                | Kind::Overloaded
                | Kind::StoreUnavailable => true,
                Kind::TooManyReads => reads,
                // Every role may read; none but some may write.
                Kind::Forbidden | Kind::Busy | Kind::OutcomeUnknown => !reads,
                // A write takes no query at all, and says so.
                Kind::InvalidQuery => !reads || in_query,
                Kind::KeyLimited => BEYOND_LIMITS.contains(&id),
                // What a filter names is there to a key that is limited, or the key is told so.
                Kind::NotFound => path.contains('{') || body.names_others || names_in_query,
                Kind::NotJson | Kind::UnsupportedMediaType | Kind::TooLarge | Kind::InvalidInput => {
                    body.is_there
                }
                Kind::IdTaken => body.has_id,
                Kind::IdempotencyKeyInvalid | Kind::IdempotencyMismatch => key.is_some(),
                Kind::IdempotencyKeyMissing => {
                    key.is_some_and(|key| key.required == utoipa::openapi::Required::True)
                }
                Kind::Stale => parameter("If-Match").is_some(),
                kind => id == "create_withdrawal" && OBJECTIONS.contains(kind),
            }
    };
    Kind::ALL.iter().copied().filter(can).collect()
}

/// What matters here of a request's body.
#[derive(Default)]
struct Body {
    is_there: bool,
    /// It may carry an id for what is made.
    has_id: bool,
    /// It may name other things by their ids.
    names_others: bool,
}

fn body_of(schemas: &Schemas, operation: &Operation) -> Body {
    let Some(RefOr::T(body)) = &operation.request_body else { return Body::default() };
    let contents = body.content.values().filter_map(|content| match content {
        RefOr::T(content) => content.schema.as_ref(),
        RefOr::Ref(_) => None,
    });
    let mut found = Body { is_there: true, ..Body::default() };
    for schema in contents {
        let top = resolved(schemas, schema);
        let Some(RefOr::T(Schema::Object(object))) = top else { continue };
        for (name, member) in &object.properties {
            if name == "id" {
                found.has_id |= has_ids(schemas, member);
            } else {
                found.names_others |= has_ids(schemas, member);
            }
        }
    }
    found
}

fn resolved<'s>(schemas: &'s Schemas, schema: &'s RefOr<Schema>) -> Option<&'s RefOr<Schema>> {
    match schema {
        RefOr::Ref(reference) => schemas.get(name_of(reference)),
        here @ RefOr::T(_) => Some(here),
    }
}

/// Whether there are ids in it, here or deeper.
fn has_ids(schemas: &Schemas, schema: &RefOr<Schema>) -> bool {
    match resolved(schemas, schema) {
        Some(RefOr::T(Schema::Object(Object {
            format: Some(SchemaFormat::KnownFormat(KnownFormat::Uuid)),
            ..
        }))) => true,
        Some(RefOr::T(inner)) => parts(inner).into_iter().any(|part| has_ids(schemas, part)),
        _ => false,
    }
}

/// Describes these answers of an operation, by status; each kind with an example of its name.
fn answer_with(operation: &mut Operation, kinds: &[Kind]) {
    let mut by_status = BTreeMap::<u16, Vec<Kind>>::new();
    for kind in kinds {
        by_status.entry(kind.status()).or_default().push(*kind);
    }
    for (status, kinds) in by_status {
        let slugs: Vec<_> = kinds.iter().map(|kind| format!("`{}`", kind.slug())).collect();
        let examples = kinds.iter().map(|kind| {
            let reference = Ref::new(format!("#/components/examples/{}", kind.slug()));
            (kind.slug(), RefOr::Ref(reference))
        });
        let content = ContentBuilder::new()
            .schema(Some(RefOr::<Schema>::Ref(Ref::from_schema_name("Problem"))))
            .examples_from_iter(examples)
            .build();
        let response = ResponseBuilder::new()
            .description(format!("Not done: {}.", slugs.join(", ")))
            .content("application/problem+json", content)
            .build();
        operation.responses.responses.insert(status.to_string(), response.into());
    }
}

/// A problem of that kind, as the smallest document that it is.
fn example(kind: Kind) -> Value {
    json!({
        "type": format!("/problems/{}", kind.slug()),
        "title": kind.title(),
        "status": kind.status(),
        "detail": kind.mend(),
    })
}

/// Gives `type` the list of kinds, with names for programs that make constants of them.
fn name_types(schemas: &mut Schemas) {
    let Some(RefOr::T(Schema::Object(problem))) = schemas.get_mut("Problem") else { return };
    let Some(kind) = problem.properties.get_mut("type") else { return };
    let mut types = Object::with_type(Type::String);
    if let Some(Schema::Object(before)) = direct(kind) {
        types.description.clone_from(&before.description);
    }
    let slugs = || Kind::ALL.iter().map(|kind| kind.slug());
    types.enum_values = Some(slugs().map(|slug| format!("/problems/{slug}").into()).collect());
    let names: Vec<_> = slugs().map(|slug| slug.replace('-', "_").to_uppercase()).collect();
    types.extensions = Some(ExtensionsBuilder::new().add("x-enum-varnames", names).build());
    let mut reference = Ref::from_schema_name("ProblemType");
    reference.description = types.description.clone().unwrap_or_default();
    *kind = RefOr::Ref(reference);
    schemas.insert("ProblemType".to_owned(), Schema::Object(types).into());
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_names_operations_that_there_are_and_problems_that_need_it() {
        let api = crate::http::description();
        let ids: BTreeSet<_> = api
            .paths
            .paths
            .values()
            .flat_map(|item| [&item.get, &item.post, &item.put, &item.patch, &item.delete])
            .flatten()
            .filter_map(|operation| operation.operation_id.clone())
            .collect();
        for id in OWN.iter().map(|(id, _)| id).chain(BEYOND_LIMITS) {
            assert!(ids.contains(*id), "no operation is called {id}");
        }
        let named: BTreeSet<_> = OWN.iter().map(|(id, _)| id).collect();
        assert_eq!(named.len(), OWN.len(), "an operation stands twice in the table");
    }
}
