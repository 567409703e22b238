//! What holds of every request: paths, methods, headers, limits, and the pages without a key.

use std::collections::BTreeSet;

use reqwest::Method;
use serde_json::{Value, json};
use tankside::http::problem::Kind;

use crate::{
    on_both_stores, support,
    world::{Client, Farm, World, operations},
};

on_both_stores!(
    what_is_not_there_is_not_found,
    another_method_hears_which_there_are,
    head_tells_what_get_would_without_its_body,
    a_request_has_an_id,
    a_write_takes_no_query,
    answers_are_not_for_shared_caches,
    the_open_pages_need_no_key_and_no_other_host,
    the_description_comes_compressed_and_once,
    requests_are_counted_by_route,
);

/// A path of the description with an id in the place of `{id}`.
fn filled(path: &str, id: &str) -> String {
    path.replace("{id}", id)
}

async fn what_is_not_there_is_not_found(world: &World) {
    let client = &world.manager;
    for path in [
        "/nothing",
        "/v1",
        "/v1/",
        "/v1/nothing",
        "/v2/animals",
        "/v1/animals/",
        "/v1/animals/412",
        "/v1/animals/%00",
        "/v1/animals/%ff",
        "/v1/Animals",
        "/docs/",
        "/problems/",
        "/problems/nothing",
        "/problems/%ff",
        "//v1/animals",
        "/v1/animals/01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa/x",
    ] {
        client.get(path).await.problem(404, "not-found");
    }
    let id = uuid::Uuid::now_v7().to_string();
    for (method, path, _) in operations().iter().filter(|(_, path, _)| path.contains("{id}")) {
        let headers = [("content-type", "application/json"), ("idempotency-key", "x")];
        let body = match path.as_str() {
            "/v1/withdrawals/{id}/thaw" => json!({"bath_temp_c": 35.6}),
            "/v1/withdrawals/{id}/discard" => json!({"reason": "dropped"}),
            "/v1/ade-items/{id}/resolution" => json!({"resolution": "dismiss"}),
            "/v1/movements/{id}/reversal" => json!({"reason": "wrong_data"}),
            "/v1/tanks/{id}/nitrogen-readings" if *method == Method::POST => json!({"depth_mm": 310}),
            "/v1/tanks/{id}/refills" if *method == Method::POST => json!({"depth_after_mm": 425}),
            "/v1/tanks/{id}/repairs" if *method == Method::POST => json!({"kind": "repaired"}),
            "/v1/animals/{id}/mating-plan" => json!({"choices": [{"sire_id": id}]}),
            "/v1/requests/{id}/closing" | "/v1/protocol-starts/{id}/stopping" => {
                json!({"reason": "Not in heat."})
            }
            "/v1/protocol-starts/{id}/steps" => json!({"step": 1, "step_state": "done"}),
            "/v1/timed-protocols/{id}/starts" if *method == Method::POST => {
                json!({"animal_ids": [id], "starts_on": "2026-03-03"})
            }
            "/v1/webhooks/{id}/redelivery" => json!({"since": "2026-03-01T00:00:00Z"}),
            _ => json!({}),
        };
        let answer = client.send(method.clone(), &filled(path, &id), &headers, body.to_string().into()).await;
        assert!(answer.body["detail"].as_str().unwrap().contains(&id), "{method} {path}: {answer:?}");
        answer.problem(404, "not-found");
    }
}

async fn another_method_hears_which_there_are(world: &World) {
    let client = &world.manager;
    let mut paths: BTreeSet<(String, BTreeSet<String>)> = BTreeSet::new();
    let open = ["/healthz", "/readyz", "/openapi.json", "/docs", "/problems", "/problems/busy", "/"];
    paths.extend(open.map(|path| (path.to_owned(), ["GET", "HEAD"].map(str::to_owned).into())));
    for (_, path, _) in operations() {
        let known = operations().iter().filter(|(_, other, _)| other == path);
        let mut methods: BTreeSet<String> = known.map(|(method, ..)| method.to_string()).collect();
        if methods.contains("GET") {
            methods.insert("HEAD".to_owned());
        }
        paths.insert((filled(path, &uuid::Uuid::now_v7().to_string()), methods));
    }
    for (path, methods) in paths {
        for method in ["GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND"] {
            if methods.contains(method) {
                continue;
            }
            // RFC 9110, section 15.5.6: the answer must say which methods there are.
            let answer = client.send(method.parse().unwrap(), &path, &[], vec![]).await;
            let told: BTreeSet<String> =
                answer.header("allow").split(',').map(|name| name.trim().to_owned()).collect();
            assert_eq!(told, methods, "{method} {path}");
            answer.problem(405, "method-not-allowed");
        }
    }
}

async fn head_tells_what_get_would_without_its_body(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let herd = format!("/v1/herds/{}", farm.herd);
    let mut paths =
        vec![herd.clone(), "/docs".to_owned(), "/problems/busy".to_owned(), "/healthz".to_owned()];
    paths.extend(
        operations()
            .iter()
            .filter(|(method, path, _)| *method == Method::GET && !path.contains('{'))
            // Advice is about a bath.
            .map(|(_, path, _)| match path.as_str() {
                "/v1/thaw-advice" => format!("{path}?bath_temp_c=35.6"),
                _ => path.clone(),
            }),
    );
    for path in paths {
        let get = client.get(&path).await;
        let head = client.send(Method::HEAD, &path, &[], vec![]).await;
        assert_eq!((head.status, head.text.as_str()), (200, ""), "{path}");
        for name in ["content-type", "content-length", "etag"] {
            assert_eq!(head.headers.get(name), get.headers.get(name), "{name} of {path}");
        }
    }
    let head = client.send(Method::HEAD, "/v1/animals/412", &[], vec![]).await;
    assert_eq!((head.status, head.text.as_str()), (404, ""));
    let head = client.send_without_key(Method::HEAD, &herd, &[], vec![]).await;
    assert_eq!((head.status, head.text.as_str()), (401, ""));
}

async fn a_request_has_an_id(world: &World) {
    let client = &world.manager;
    let ask = async |sent: &[(&str, &str)], path: &str| {
        client.send(Method::GET, path, sent, vec![]).await.header("x-request-id").to_owned()
    };
    for path in ["/healthz", "/v1/herds", "/v1/nothing", "/nothing"] {
        let longest = "x".repeat(100);
        for kept in ["barn-7", "A.b_c-9", &longest] {
            assert_eq!(ask(&[("x-request-id", kept)], path).await, kept);
        }
        let made = ask(&[], path).await;
        assert!(uuid::Uuid::try_parse(&made).is_ok(), "{made}");
        assert_ne!(made, ask(&[], path).await);
        // What could garble a log or has no end is replaced.
        for replaced in ["", "two words", "a\"b", "a;b", "<b>", "é", "\u{1b}", "a\tb", &"x".repeat(101)] {
            if reqwest::header::HeaderValue::from_bytes(replaced.as_bytes()).is_err() {
                continue;
            }
            let given = ask(&[("x-request-id", replaced)], path).await;
            assert!(uuid::Uuid::try_parse(&given).is_ok(), "{replaced:?} became {given}");
        }
    }
}

async fn a_write_takes_no_query(world: &World) {
    let client = &world.manager;
    let before = client.get("/v1/business").await.expect(200);
    let id = uuid::Uuid::now_v7().to_string();
    for (method, path, _) in operations().iter().filter(|(method, ..)| *method != Method::GET) {
        let headers = [("content-type", "application/json"), ("idempotency-key", "x")];
        // A file says what it is about in its path, and how it is to be read in the query.
        let query = if path.starts_with("/v1/imports/") { "colour=red" } else { "dry_run=true" };
        let path = format!("{}?{query}", filled(path, &id).replace("{list}", "animals"));
        let answer = client.send(method.clone(), &path, &headers, b"{}".to_vec()).await;
        assert_eq!((answer.status, answer.slug()), (400, "invalid-query"), "{method} {path}");
    }
    assert_eq!(client.get("/v1/business").await.expect(200), before);
}

async fn answers_are_not_for_shared_caches(world: &World) {
    let client = &world.manager;
    for path in ["/v1/herds", "/v1/business", "/v1/animals/412", "/v1/nothing"] {
        assert_eq!(client.get(path).await.header("cache-control"), "no-store", "{path}");
    }
}

async fn the_description_comes_compressed_and_once(world: &World) {
    let http = support::http_client();
    let asked = |name: &'static str, value: String| {
        http.get(format!("{}/openapi.json", world.base)).header(name, value)
    };
    let plain = asked("accept-encoding", "identity".to_owned()).send().await.unwrap();
    assert!(!plain.headers().contains_key("content-encoding"));
    let etag = plain.headers()["etag"].to_str().unwrap().to_owned();
    let text = plain.bytes().await.unwrap();

    let small = asked("accept-encoding", "gzip, br".to_owned()).send().await.unwrap();
    assert_eq!(small.headers()["content-encoding"], "br");
    assert_eq!(small.headers()["vary"], "accept-encoding");
    // Another sequence of bytes is another version (RFC 9110, section 8.8.3).
    assert_ne!(small.headers()["etag"], etag.as_str());
    let sent = small.bytes().await.unwrap();
    assert!(sent.len() * 5 < text.len(), "{} of {} bytes", sent.len(), text.len());
    let mut back = Vec::new();
    std::io::Read::read_to_end(&mut brotli::Decompressor::new(&sent[..], 4096), &mut back).unwrap();
    assert!(back == text, "what is compressed is what it was");

    let again = asked("if-none-match", etag.clone()).send().await.unwrap();
    assert_eq!((again.status().as_u16(), again.headers()["etag"].to_str().unwrap()), (304, etag.as_str()));
    assert!(again.bytes().await.unwrap().is_empty());
    let other = asked("if-none-match", "\"another\"".to_owned()).send().await.unwrap();
    assert_eq!(other.status(), 200);
}

async fn the_open_pages_need_no_key_and_no_other_host(world: &World) {
    let client = &world.manager;
    let open = async |path: &str| client.send_without_key(Method::GET, path, &[], vec![]).await;
    assert_eq!(open("/healthz").await.expect(200), json!({"status": "ok"}));
    assert_eq!(open("/readyz").await.expect(200), json!({"status": "ready"}));

    let api = open("/openapi.json").await;
    assert_eq!(api.header("content-type"), "application/json");
    assert_eq!(api.text, tankside::http::docs::openapi_json().unwrap());

    let policy = open("/").await.header("content-security-policy").to_owned();
    assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe") && !policy.contains("http"));
    let mut pages = vec!["/docs".to_owned(), "/problems".to_owned()];
    pages.extend(Kind::ALL.iter().map(|kind| format!("/problems/{}", kind.slug())));
    for path in pages {
        let page = open(&path).await;
        assert_eq!(page.status, 200, "{path}");
        assert!(page.header("content-type").starts_with("text/html"), "{path}");
        // Nothing inline, and nothing from elsewhere: as the page at the tank.
        assert_eq!(page.header("content-security-policy"), policy, "{path}");
        for inline in ["<style", "style=\"", "<script>", "onclick", "@import", "url("] {
            assert!(!page.text.contains(inline), "{path} has {inline}");
        }
        for named in ["href=\"", "src=\""] {
            for target in page.text.split(named).skip(1) {
                let is_own =
                    target.starts_with('#') || (target.starts_with('/') && !target.starts_with("//"));
                assert!(is_own, "{path} leads to {target:.60}");
            }
        }
    }

    let list = open("/problems").await.text;
    let docs = open("/docs").await.text;
    for kind in Kind::ALL {
        let path = format!("/problems/{}", kind.slug());
        assert!(list.contains(&format!("href=\"{path}\"")), "/problems does not name {path}");
        let page = open(&path).await.text;
        assert!(page.contains(kind.title()) && page.contains(&kind.status().to_string()), "{path}");
    }
    for (_, path, operation) in operations() {
        assert!(docs.contains(path), "/docs does not name {path}");
        assert!(docs.contains(operation["summary"].as_str().unwrap()), "/docs does not tell of {path}");
    }
}

async fn requests_are_counted_by_route(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    client.get(&format!("/v1/herds/{}", farm.herd)).await.expect(200);
    client.get("/v1/nothing").await.expect(404);
    let metrics = world.metrics().await;
    assert!(metrics.header("content-type").starts_with("text/plain"));
    let line = |method: &str, route: &str, status: u16| {
        format!(
            "tankside_http_request_seconds_count{{method=\"{method}\",route=\"{route}\",status=\"{status}\"}}"
        )
    };
    for line in [line("GET", "/v1/herds/{id}", 200), line("POST", "/v1/lots", 201), line("GET", "other", 404)]
    {
        assert!(metrics.text.contains(&line), "{line} is missing");
    }
    // Ids have no bound and must not become labels, nor may a method that anyone can make up.
    assert!(!metrics.text.contains(&farm.herd));
    client.send("MOO".parse().unwrap(), "/v1/herds", &[], vec![]).await.expect(405);
    let metrics = world.metrics().await;
    assert!(!metrics.text.contains("MOO"), "a method of the caller's own became a label");
}

/// The parameters of a structured-field item such as `"default";q=3;w=60` (RFC 9651).
fn parameters(header: &str) -> (String, Value) {
    let mut parts = header.split(';');
    let name = parts.next().unwrap();
    let name = name.strip_prefix('"').and_then(|name| name.strip_suffix('"')).expect("a string in quotes");
    let mut values = json!({});
    for part in parts {
        let (key, value) = part.split_once('=').unwrap();
        values[key] = json!(value.parse::<i64>().unwrap());
    }
    (name.to_owned(), values)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_asks_too_often_waits_and_nobody_else_does() {
    let world = World::limited_to(3).await;
    let client = &world.manager;
    let ask = async |client: &Client| client.get("/v1/business").await;
    for left in [2, 1, 0] {
        let answer = ask(client).await;
        // draft-ietf-httpapi-ratelimit-headers: q requests in w seconds, r of them left.
        assert_eq!(
            parameters(answer.header("ratelimit-policy")),
            ("default".to_owned(), json!({"q": 3, "w": 60}))
        );
        let (name, state) = parameters(answer.header("ratelimit"));
        assert_eq!((name.as_str(), &state["r"]), ("default", &json!(left)));
        answer.expect(200);
    }
    let refused = ask(client).await;
    let wait: i64 = refused.header("retry-after").parse().unwrap();
    let (_, state) = parameters(refused.header("ratelimit"));
    assert_eq!(state["r"], 0);
    assert!(wait >= state["t"].as_i64().unwrap() && (1..=21).contains(&wait), "{refused:?}");
    refused.problem(429, "rate-limited");
    // Also what would be refused for another reason, and what needs no key is not counted.
    client.get("/v1/nothing").await.problem(429, "rate-limited");
    client.get("/healthz").await.expect(200);
    let other = world.neighbour().await;
    ask(&other).await.expect(200);
    world.close().await;
}
