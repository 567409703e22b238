//! The description of the interface: committed, current, and complete in what it says of each operation.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeSet;

use serde_json::Value;

const COMMITTED: &str = include_str!("../openapi/openapi.json");

#[test]
fn the_committed_description_says_what_the_code_says() {
    assert!(
        COMMITTED == tankside::http::docs::openapi_json(),
        "refresh it, read what changed, and commit it: cargo run -- openapi > openapi/openapi.json"
    );
}

#[test]
fn every_operation_says_what_it_is_and_what_it_may_answer() {
    let api: Value = serde_json::from_str(COMMITTED).unwrap();
    assert!(api["openapi"].as_str().unwrap().starts_with("3.1"));
    let mut ids = BTreeSet::new();
    for (path, item) in api["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            let named = format!("{method} {path}");
            let id =
                operation["operationId"].as_str().unwrap_or_else(|| panic!("{named} has no operationId"));
            assert!(ids.insert(id.to_owned()), "{id} stands twice");
            assert!(operation["summary"].is_string(), "{named} has no summary");
            let tag = &operation["tags"][0];
            let known = api["tags"].as_array().unwrap().iter().any(|known| known["name"] == *tag);
            assert!(known, "{named}: {tag} is not among the tags");
            let responses = operation["responses"].as_object().unwrap();
            assert!(responses.keys().any(|status| status.starts_with('2')), "{named} never succeeds");
            for status in ["401", "403", "404", "429", "500", "503"] {
                assert!(responses.contains_key(status), "{named} does not say {status}");
            }
        }
    }
    assert!(ids.len() > 50);
}
