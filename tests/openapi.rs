//! The description of the interface: what is committed, and what must be in it.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;
use tankside::http::{docs::openapi_json, problem::Kind};

fn api() -> Value {
    serde_json::from_str(&openapi_json()).unwrap()
}

/// Every operation: its path, its method in lower case, and what is said of it.
fn operations(api: &Value) -> Vec<(&str, &str, &Value)> {
    let paths = api["paths"].as_object().unwrap().iter();
    let all = paths.flat_map(|(path, item)| {
        item.as_object()
            .unwrap()
            .iter()
            .map(move |(method, operation)| (path.as_str(), method.as_str(), operation))
    });
    let all: Vec<_> = all.collect();
    assert!(all.len() > 40, "the description lost its operations");
    all
}

/// Every schema name that is referred to anywhere.
fn referred(value: &Value, found: &mut BTreeSet<String>) {
    match value {
        Value::Object(members) => {
            let reference = members.get("$ref").and_then(Value::as_str);
            found.extend(
                reference.and_then(|path| path.strip_prefix("#/components/schemas/")).map(str::to_owned),
            );
            members.values().for_each(|inner| referred(inner, found));
        }
        Value::Array(list) => list.iter().for_each(|inner| referred(inner, found)),
        _ => {}
    }
}

#[test]
fn what_is_committed_is_what_the_code_says() {
    let committed = include_str!("../openapi/openapi.json");
    // Not assert_eq: two documents of thousands of lines tell nobody anything.
    assert!(
        committed == openapi_json(),
        "openapi/openapi.json is not what the code says: cargo run -- openapi > openapi/openapi.json"
    );
}

#[test]
fn it_is_openapi_3_1_and_whole() {
    let api = api();
    assert!(api["openapi"].as_str().unwrap().starts_with("3.1."));
    assert_eq!(api["info"]["version"], env!("CARGO_PKG_VERSION"));
    let mut names = BTreeSet::new();
    referred(&api, &mut names);
    let known: BTreeSet<String> = api["components"]["schemas"].as_object().unwrap().keys().cloned().collect();
    assert_eq!(names, known, "every schema is there, and none that nothing refers to");
    let key = &api["components"]["securitySchemes"]["key"];
    assert_eq!((&key["type"], &key["scheme"]), (&"http".into(), &"bearer".into()));
    assert!(api["security"].as_array().unwrap().iter().any(|way| way["key"].is_array()), "a key is required");
}

#[test]
fn every_operation_says_what_a_caller_needs_to_know() {
    let api = api();
    let mut ids = BTreeMap::new();
    let tags: BTreeSet<_> =
        api["tags"].as_array().unwrap().iter().map(|tag| tag["name"].as_str().unwrap()).collect();
    let used: BTreeSet<_> =
        operations(&api).iter().map(|(_, _, operation)| operation["tags"][0].as_str().unwrap()).collect();
    assert_eq!(tags, used, "every tag has operations");
    for (path, method, operation) in operations(&api) {
        let named = format!("{method} {path}");
        let id = operation["operationId"].as_str().unwrap_or_else(|| panic!("{named} has no operationId"));
        assert_eq!(ids.insert(id.to_owned(), named.clone()), None, "{id} is the id of two operations");
        assert!(!operation["summary"].as_str().unwrap_or_default().is_empty(), "{named} has no summary");
        let own = operation["tags"].as_array().unwrap();
        assert!(own.len() == 1 && tags.contains(own[0].as_str().unwrap()), "{named}: {own:?}");

        let responses = operation["responses"].as_object().unwrap();
        assert!(responses.keys().any(|status| status.starts_with('2')), "{named} never succeeds");
        for kind in Kind::ALL {
            let response = &responses[&kind.status().to_string()];
            let told = response["description"].as_str().unwrap();
            assert!(told.contains(&format!("`{}`", kind.slug())), "{named} does not tell of {}", kind.slug());
            assert!(response["content"]["application/problem+json"]["schema"].is_object(), "{named}");
        }
        for parameter in operation["parameters"].as_array().into_iter().flatten() {
            assert!(parameter["description"].is_string(), "{named}: {} is not described", parameter["name"]);
        }

        let body = &operation["requestBody"];
        let sends = !["get", "delete"].contains(&method);
        assert_eq!(body.is_object(), sends, "{named}");
        if !sends {
            continue;
        }
        assert_eq!(body["required"], true, "{named}");
        let (media, content) = body["content"].as_object().unwrap().iter().next().unwrap();
        let expected = if method == "patch" { "application/merge-patch+json" } else { "application/json" };
        assert_eq!(media, expected, "{named}");
        let has_example = !content["example"].is_null() || content["examples"].is_object();
        assert!(has_example, "{named} has no example");
    }
}

#[test]
fn what_is_sent_is_closed_and_what_is_told_is_whole() {
    let api = api();
    let schemas = &api["components"]["schemas"];
    let (mut sent, mut told) = (BTreeSet::new(), BTreeSet::new());
    for (_, _, operation) in operations(&api) {
        referred(&operation["requestBody"], &mut sent);
        referred(&operation["responses"], &mut told);
    }
    for names in [&mut sent, &mut told] {
        loop {
            let before = names.len();
            for name in names.clone() {
                referred(&schemas[&name], names);
            }
            if names.len() == before {
                break;
            }
        }
    }
    let objects = |names: &BTreeSet<String>| -> BTreeSet<String> {
        names.iter().filter(|name| schemas[name.as_str()]["properties"].is_object()).cloned().collect()
    };
    let (sent, told) = (objects(&sent), objects(&told));
    assert!(sent.len() > 20 && told.len() > 20);
    assert_eq!(sent.intersection(&told).count(), 0, "what may be left out of a request is always told");
    for name in sent {
        assert_eq!(schemas[&name]["additionalProperties"], false, "{name} takes anything");
    }
    for name in told.iter().filter(|name| *name != "Problem") {
        let required: BTreeSet<_> = schemas[name]["required"]
            .as_array()
            .unwrap()
            .iter()
            .map(|member| member.as_str().unwrap())
            .collect();
        let all: BTreeSet<_> =
            schemas[name]["properties"].as_object().unwrap().keys().map(String::as_str).collect();
        assert_eq!(required, all, "{name}");
        assert!(schemas[name]["additionalProperties"].is_null(), "{name} may gain members");
    }
}
