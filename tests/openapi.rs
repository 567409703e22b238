//! The description of the interface: what is committed, and what must be in it.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

use std::{
    collections::{BTreeMap, BTreeSet},
    path::PathBuf,
};

use jsonschema::Registry;
use serde_json::Value;
use tankside::http::{docs::openapi_json, problem::Kind};

fn api() -> Value {
    serde_json::from_str(&openapi_json().unwrap()).unwrap()
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
        committed == openapi_json().unwrap(),
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
    let mut used: BTreeSet<_> =
        operations(&api).iter().map(|(_, _, operation)| operation["tags"][0].as_str().unwrap()).collect();
    used.extend(
        api["webhooks"].as_object().unwrap().values().map(|item| item["post"]["tags"][0].as_str().unwrap()),
    );
    assert_eq!(tags, used, "every tag has operations");
    for (path, method, operation) in operations(&api) {
        let named = format!("{method} {path}");
        let id = operation["operationId"].as_str().unwrap_or_else(|| panic!("{named} has no operationId"));
        assert_eq!(ids.insert(id.to_owned(), named.clone()), None, "{id} is the id of two operations");
        assert!(!operation["summary"].as_str().unwrap_or_default().is_empty(), "{named} has no summary");
        assert!(
            !operation["description"].as_str().unwrap_or_default().is_empty(),
            "{named} has no description"
        );
        let own = operation["tags"].as_array().unwrap();
        assert!(own.len() == 1 && tags.contains(own[0].as_str().unwrap()), "{named}: {own:?}");

        let responses = operation["responses"].as_object().unwrap();
        assert!(responses.keys().any(|status| status.starts_with('2')), "{named} never succeeds");
        for (status, response) in responses.iter().filter(|(status, _)| status.starts_with(['4', '5'])) {
            let told = response["description"].as_str().unwrap();
            let content = &response["content"]["application/problem+json"];
            assert_eq!(content["schema"]["$ref"], "#/components/schemas/Problem", "{named}");
            for slug in content["examples"].as_object().unwrap().keys() {
                assert!(told.contains(&format!("`{slug}`")), "{named} does not tell of {slug}");
                let kind = Kind::ALL.iter().find(|kind| kind.slug() == slug).unwrap();
                assert_eq!(kind.status().to_string(), *status, "{named}: {slug}");
                assert_eq!(api["components"]["examples"][slug]["value"]["title"], kind.title());
            }
        }
        // Whoever asks can be refused for want of a key, and be told that the service is unwell.
        for status in ["400", "401", "429", "500", "503"] {
            assert!(responses.contains_key(status), "{named} does not tell of {status}");
        }
        assert!(!responses.contains_key("405"), "{named} is there, so it is allowed");
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
        let expected = match method {
            "patch" => "application/merge-patch+json",
            _ if path == "/v1/imports/{list}" => "text/csv",
            _ => "application/json",
        };
        assert_eq!(media, expected, "{named}");
        let has_example = !content["example"].is_null() || content["examples"].is_object();
        assert!(has_example, "{named} has no example");
    }
}

/// Types of which a schema is made, by the name that they give it, each with its file.
fn described_types() -> Vec<(String, PathBuf)> {
    let mut found = Vec::new();
    let mut folders = vec![PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/src"))];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
                continue;
            }
            let text = std::fs::read_to_string(&path).unwrap();
            // What is written for the unit tests is not described.
            let text = text.split("#[cfg(test)]").next().unwrap();
            let mut described = false;
            let mut named = None;
            for line in text.lines().map(str::trim) {
                described |=
                    line == "text_enum! {" || line.starts_with("#[derive(") && line.contains("ToSchema");
                named = line.strip_prefix("#[schema(as = ").and_then(|rest| rest.split(')').next()).or(named);
                if line.starts_with("//") || line.starts_with("#[") || line == "text_enum! {" {
                    continue;
                }
                let words: Vec<_> =
                    line.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).collect();
                let name = words.iter().find(|word| !["pub", "crate", "struct", "enum"].contains(word));
                if let Some(name) = name.filter(|_| described) {
                    found.push((named.unwrap_or(name).to_owned(), path.clone()));
                }
                (described, named) = (false, None);
            }
        }
    }
    found
}

#[test]
fn every_schema_has_a_name_of_its_own_and_none_is_private() {
    let api = api();
    let schemas = api["components"]["schemas"].as_object().unwrap();
    for name in schemas.keys() {
        let is_word = name.starts_with(|c: char| c.is_ascii_uppercase())
            && name.chars().all(|c| c.is_ascii_alphanumeric());
        assert!(is_word, "{name} is no name for a type");
        for private in ["Tagged", "Page", "View", "Details", "Row"] {
            assert!(
                !name.starts_with(private) && !name.ends_with(private),
                "{name} is named by how the code makes it"
            );
        }
    }
    for expected in
        ["Herd", "HerdList", "NewHerd", "HerdPatch", "Withdrawal", "WithdrawalList", "Tank", "TankList"]
    {
        assert!(schemas.contains_key(expected), "{expected} is missing");
    }
    // Two types of one name would share a schema, and the description would be wrong of one of them.
    let mut known = BTreeMap::new();
    let types = described_types();
    assert!(types.len() > 150, "only {} types were found", types.len());
    for (name, file) in types {
        if !schemas.contains_key(&name) && !schemas.contains_key(&format!("{name}Input")) {
            continue;
        }
        // A tank's answer holds the tank.
        if name == "Tank" && file.ends_with("domain/nitrogen/tank.rs") {
            continue;
        }
        if let Some(other) = known.insert(name.clone(), file.clone()) {
            panic!("{name} is a type in {} and in {}", other.display(), file.display());
        }
    }
}

/// An answer of one thing has one schema, whatever a `oneOf` could match.
#[test]
fn no_list_answers_one_of_several() {
    let api = api();
    for (path, _, operation) in operations(&api) {
        for (status, response) in operation["responses"].as_object().unwrap() {
            for (_, content) in response["content"].as_object().into_iter().flatten() {
                let schema = &content["schema"];
                let target = schema["$ref"].as_str().map_or(schema, |path| api.pointer(&path[1..]).unwrap());
                assert!(target["oneOf"].is_null(), "{path} answers {status} with one of several");
            }
        }
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
        // What is told only when it is asked for, by `include`.
        let asked_for: &[&str] = match name.as_str() {
            "Tank" => &["nitrogen"],
            "Service" | "ServiceWithCautions" => &["animal", "withdrawal"],
            "Withdrawal" | "WithdrawalWithCautions" => &["animal"],
            _ => &[],
        };
        let all: BTreeSet<_> = schemas[name]["properties"]
            .as_object()
            .unwrap()
            .keys()
            .map(String::as_str)
            .filter(|member| !asked_for.contains(member))
            .collect();
        assert_eq!(required, all, "{name}");
        assert!(schemas[name]["additionalProperties"].is_null(), "{name} may gain members");
    }
}

/// The kinds of problem that an operation tells of.
fn problems_of<'a>(api: &'a Value, path: &str, method: &str) -> BTreeSet<&'a str> {
    let responses = api["paths"][path][method]["responses"].as_object().unwrap();
    let examples =
        responses.values().map(|response| &response["content"]["application/problem+json"]["examples"]);
    examples.filter_map(Value::as_object).flatten().map(|(slug, _)| slug.as_str()).collect()
}

#[test]
fn an_operation_tells_of_no_problem_that_it_cannot_have() {
    let api = api();
    let read = problems_of(&api, "/v1/herds/{id}", "get");
    for cannot in [
        "forbidden",
        "busy",
        "stale",
        "invalid-query",
        "invalid-input",
        "choice-rule",
        "idempotency-mismatch",
    ] {
        assert!(!read.contains(cannot), "a herd is read without {cannot}");
    }
    let withdrawal = problems_of(&api, "/v1/withdrawals", "post");
    for can in [
        "choice-rule",
        "not-in-stock",
        "idempotency-key-missing",
        "not-found",
        "id-taken",
        "forbidden",
        "busy",
    ] {
        assert!(withdrawal.contains(can), "a withdrawal can be answered with {can}");
    }
    for cannot in ["bath-too-hot", "too-many-webhooks", "stale", "too-many-reads"] {
        assert!(!withdrawal.contains(cannot), "a withdrawal is never answered with {cannot}");
    }
    // Every kind but these is told of somewhere: the name of a host is asked for by /metrics alone, and a described method is
    // allowed.
    let all = operations(&api);
    let told: BTreeSet<_> =
        all.iter().flat_map(|(path, method, _)| problems_of(&api, path, method)).collect();
    let nowhere: Vec<_> =
        Kind::ALL.iter().map(|kind| kind.slug()).filter(|slug| !told.contains(slug)).collect();
    assert_eq!(nowhere, ["method-not-allowed", "wrong-host"]);
    let types = api["components"]["schemas"]["ProblemType"]["enum"].as_array().unwrap();
    assert_eq!(types.len(), Kind::ALL.len());
}

/// Visits every schema, wherever it stands.
fn every_schema(value: &Value, visit: &mut impl FnMut(&Value)) {
    match value {
        Value::Object(members) => {
            let is_schema = ["type", "$ref", "oneOf", "allOf", "anyOf", "enum"]
                .iter()
                .any(|name| members.contains_key(*name));
            if is_schema {
                visit(value);
            }
            members.iter().filter(|(name, _)| *name != "example" && *name != "examples").for_each(
                |(_, inner)| {
                    every_schema(inner, visit);
                },
            );
        }
        Value::Array(list) => list.iter().for_each(|inner| every_schema(inner, visit)),
        _ => {}
    }
}

/// What generators of clients do not manage, each found with one of them.
#[test]
fn clients_can_be_made_of_it() {
    let api = api();
    every_schema(&api, &mut |schema| {
        // openapi-python-client drops an enum of fractions and all that uses it.
        let values = schema["enum"].as_array().into_iter().flatten();
        assert!(values.clone().all(|value| value.is_string() || value.is_null()), "{schema}");
        // openapi-generator has no name for a part of an allOf that has none.
        assert!(schema["allOf"].is_null() && schema["anyOf"].is_null(), "{schema}");
        // One of two is a thing of its own or null; what is a text or a number says null by its type.
        if let Some(options) = schema["oneOf"].as_array() {
            assert_eq!(options.len(), 2, "{schema}");
            assert!(options[0]["$ref"].is_string() && options[1]["type"] == "null", "{schema}");
        }
    });
    for (name, schema) in api["components"]["schemas"].as_object().unwrap() {
        let is_list = schema["type"] == "array";
        let is_named =
            schema["enum"].is_array() || schema["properties"].is_object() || schema["type"] == "object";
        assert!(is_list || is_named, "{name} is a single value: it stands where it is used");
        if let Some(items) = name.ends_with("List").then(|| &schema["properties"]["items"]["items"]) {
            assert!(items["$ref"].is_string(), "the items of {name} have no name");
        }
    }
    // Of a tag openapi-generator makes one file; webhooks and routes in one overwrite each other. What is only told is no call.
    let tags: BTreeSet<_> =
        operations(&api).iter().map(|(_, _, operation)| operation["tags"][0].to_string()).collect();
    for (name, item) in api["webhooks"].as_object().unwrap() {
        assert!(!tags.contains(&item["post"]["tags"][0].to_string()), "{name}");
        assert_eq!(item["post"]["x-internal"], true, "{name}");
        let schema = &item["post"]["requestBody"]["content"]["application/cloudevents+json"]["schema"];
        assert!(schema["$ref"].is_string(), "{name}: {schema}");
    }
}

#[test]
fn every_body_and_answer_has_an_example_that_is_one() {
    let api = api();
    let registry = Registry::new().add("urn:description", api.clone()).unwrap().prepare().unwrap();
    let mut validators = BTreeMap::new();
    let mut checked = 0;
    for (path, method, operation) in operations(&api) {
        let sent = &operation["requestBody"]["content"];
        let told = operation["responses"].as_object().unwrap().values().map(|response| &response["content"]);
        for (media, content) in std::iter::once(sent).chain(told).filter_map(Value::as_object).flatten() {
            // Lists of lines and pictures speak for themselves.
            if media != "application/json" && !media.ends_with("+json") {
                continue;
            }
            let named = content["examples"].as_object().into_iter().flatten().map(|(_, example)| {
                let target =
                    example["$ref"].as_str().map_or(example, |path| api.pointer(&path[1..]).unwrap());
                &target["value"]
            });
            let mut examples: Vec<_> = named.chain(content.get("example")).collect();
            examples.retain(|example| !example.is_null());
            assert!(!examples.is_empty(), "{method} {path} has no example as {media}");
            let schema = content["schema"].to_string().replace("\"#/", "\"urn:description#/");
            let validator = validators.entry(schema).or_insert_with_key(|schema| {
                let options = jsonschema::options().should_validate_formats(true);
                options.with_registry(&registry).build(&serde_json::from_str(schema).unwrap()).unwrap()
            });
            for example in examples {
                checked += 1;
                let faults: Vec<_> = validator.iter_errors(example).map(|fault| fault.to_string()).collect();
                assert!(faults.is_empty(), "{method} {path}: {faults:?} in {example:#}");
            }
        }
    }
    assert!(checked > 500, "only {checked} examples were found");
}

#[test]
fn headers_are_described_where_they_come() {
    let api = api();
    let headers = api["components"]["headers"].as_object().unwrap();
    for header in headers.values() {
        assert!(header["description"].is_string() && !header["example"].is_null(), "{header}");
    }
    for (path, method, operation) in operations(&api) {
        let responses = operation["responses"].as_object().unwrap();
        for (status, response) in responses {
            let has = |name: &str| {
                let reference = format!("#/components/headers/{name}");
                assert!(headers.contains_key(name), "{name}");
                response["headers"][name]["$ref"] == reference.as_str()
            };
            let named = format!("{method} {path} {status}");
            assert!(has("X-Request-Id"), "{named}");
            assert_eq!(has("RateLimit"), status != "401", "{named}");
            assert_eq!(has("Retry-After"), ["429", "503"].contains(&status.as_str()), "{named}");
            let parameters = operation["parameters"].as_array().map(Vec::as_slice).unwrap_or_default();
            let takes = |name: &str| parameters.iter().any(|parameter| parameter["name"] == name);
            if status.starts_with('2') {
                assert_eq!(has("Idempotent-Replayed"), takes("Idempotency-Key"), "{named}");
                assert_eq!(has("Link"), takes("cursor"), "{named}");
            }
        }
        // What has an ETag can be asked for with it.
        assert!(!responses.contains_key("304") || method == "get", "{method} {path}");
    }
}

#[test]
fn a_page_has_from_1_to_500_things() {
    let api = api();
    let mut lists = 0;
    for (path, _, operation) in operations(&api) {
        for parameter in operation["parameters"].as_array().into_iter().flatten() {
            if parameter["name"] == "limit" {
                let most = if path == "/v1/changes" { 1000 } else { 500 };
                assert_eq!(
                    (&parameter["schema"]["minimum"], &parameter["schema"]["maximum"]),
                    (&1.into(), &most.into()),
                    "{path}"
                );
                lists += 1;
            }
        }
    }
    assert!(lists > 20);
}
