//! Every answer that a story gets is one that the description declares for the operation: its status, its problem, its
//! content type, its headers, and, where it is JSON, its shape, by a validator of JSON Schema that is not ours.

use std::{
    collections::{BTreeMap, HashMap},
    sync::{Arc, LazyLock, Mutex},
};

use jsonschema::{Registry, Validator};
use reqwest::Method;
use serde_json::Value;

use crate::world::{Answer, description, operations};

/// The headers that mean something to a client.
const HEADERS: &[&str] = &[
    "x-request-id",
    "ratelimit",
    "ratelimit-policy",
    "retry-after",
    "idempotent-replayed",
    "etag",
    "location",
    "link",
    "www-authenticate",
    "accept-patch",
];

/// An operation as it is described.
struct Operation {
    method: Method,
    /// The parts of its path.
    parts: Vec<String>,
    described: &'static Value,
}

static ALL: LazyLock<Vec<Operation>> = LazyLock::new(|| {
    let all = operations().iter().map(|(method, path, described)| {
        let parts = path.split('/').map(ToOwned::to_owned).collect();
        Operation { method: method.clone(), parts, described }
    });
    let mut all: Vec<_> = all.collect();
    // What stands there in words goes before what stands for anything.
    all.sort_by_key(|operation| operation.parts.iter().filter(|part| part.starts_with('{')).count());
    all
});

/// The description, as what schemas refer to.
static REGISTRY: LazyLock<Registry<'static>> =
    LazyLock::new(|| Registry::new().add(AT, description().clone()).unwrap().prepare().unwrap());

/// Where the description stands for the validator.
const AT: &str = "urn:description";

/// Validators by what they validate; each is made once.
static VALIDATORS: LazyLock<Mutex<HashMap<String, Arc<Validator>>>> = LazyLock::new(Mutex::default);

fn operation(method: &Method, path: &str) -> Option<&'static Operation> {
    let path = path.split('?').next().unwrap();
    let sent: Vec<_> = path.split('/').collect();
    let is_there = |operation: &&Operation| {
        operation.parts.len() == sent.len()
            && operation.parts.iter().zip(&sent).all(|(part, sent)| part.starts_with('{') || part == sent)
    };
    // The path first: what stands there in words takes no method of what stands for anything.
    let parts = &ALL.iter().find(is_there)?.parts;
    ALL.iter().find(|operation| operation.method == method && operation.parts == *parts)
}

/// A validator of a schema that stands somewhere in the description.
fn validator(schema: &Value) -> Arc<Validator> {
    let mut known = VALIDATORS.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let validator = known.entry(schema.to_string()).or_insert_with(|| {
        let text = schema.to_string().replace("\"#/", &format!("\"{AT}#/"));
        let options = jsonschema::options().should_validate_formats(true);
        let validator = options.with_registry(&REGISTRY).build(&serde_json::from_str(&text).unwrap());
        Arc::new(validator.unwrap_or_else(|error| panic!("no schema: {error}: {schema}")))
    });
    validator.clone()
}

/// What is wrong with `value` by that schema.
pub fn faults(schema: &Value, value: &Value) -> Vec<String> {
    let validator = validator(schema);
    validator.iter_errors(value).map(|error| format!("{} at #{}", error, error.instance_path())).collect()
}

/// Holds an answer against what the description says of the operation; what it does not describe is none of its business.
#[track_caller]
pub fn hold(method: &Method, path: &str, answer: &Answer) {
    let Some(operation) = operation(method, path) else { return };
    let named = format!("{method} {path} answers {}", answer.status);
    let declared = &operation.described["responses"][answer.status.to_string()];
    assert!(declared.is_object(), "{named}, which is not described: {}", answer.text);

    for name in HEADERS.iter().filter(|name| answer.headers.contains_key(**name)) {
        let mut described = declared["headers"].as_object().into_iter().flatten();
        assert!(
            described.any(|(header, _)| header.eq_ignore_ascii_case(name)),
            "{named} with {name}, which is not described"
        );
    }
    let sent = answer.headers.get("content-type").map(|media| media.to_str().unwrap());
    let media = sent.map(|media| media.split(';').next().unwrap().trim());
    let contents: BTreeMap<&str, &Value> = declared["content"]
        .as_object()
        .into_iter()
        .flatten()
        .map(|(media, content)| (media.as_str(), content))
        .collect();
    if answer.text.is_empty() && contents.is_empty() {
        return;
    }
    let media = media.unwrap_or_else(|| panic!("{named} without a content type"));
    let content = contents.get(media).unwrap_or_else(|| panic!("{named} as {media}, which is not described"));
    if media == "application/problem+json" {
        let examples = content["examples"].as_object().unwrap();
        assert!(examples.contains_key(answer.slug()), "{named} {}, which is not described", answer.slug());
    }
    if media == "application/json" || media.ends_with("+json") {
        let faults = faults(&content["schema"], &answer.body);
        assert!(faults.is_empty(), "{named}, not as described: {faults:#?}\n{:#}", answer.body);
    }
}
