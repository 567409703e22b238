//! What one caller cannot take from the others, and what is refused before anything is looked at.

use std::{
    io::{Read as _, Write as _},
    net::TcpStream,
    num::NonZeroU32,
    time::{Duration, Instant},
};

use reqwest::Method;
use serde_json::json;
use tankside::{book::access::key::Secret, domain::access::Role};

use crate::{
    on_both_stores,
    receiver::eventually,
    support,
    world::{Farm, World},
};

on_both_stores!(
    writes_go_on_while_one_key_reads_without_measure,
    every_answer_guards_itself,
    what_is_counted_is_told_on_a_listener_of_its_own,
    a_request_without_one_host_or_with_two_callers_is_refused,
);

/// A hundred readers with one key: the others work on, and the key hears that it asks for too much.
async fn writes_go_on_while_one_key_reads_without_measure(world: &World) {
    const READERS: usize = 100;
    let farm = Farm::found(&world.manager).await;
    for n in 0..60 {
        farm.animal(&world.manager, &n.to_string()).await;
    }
    let reader = world.caller(Role::Reader).await;
    // Long enough for keys to be looked up anew.
    let until = Instant::now() + Duration::from_secs(7);
    let mut readers = tokio::task::JoinSet::new();
    for _ in 0..READERS {
        let reader = reader.clone();
        readers.spawn(async move {
            let mut refused = 0;
            while Instant::now() < until {
                let answer = reader.get("/v1/animals?limit=500").await;
                if answer.status == 429 {
                    assert_eq!((answer.slug(), answer.header("retry-after")), ("too-many-reads", "2"));
                    refused += 1;
                    // As a client does that was told to wait.
                    tokio::time::sleep(Duration::from_millis(200)).await;
                } else {
                    answer.expect(200);
                }
            }
            refused
        });
    }
    let mut written = 0;
    while Instant::now() < until {
        farm.animal(&world.manager, &format!("beside {written}")).await;
        world.manager.get("/v1/business").await.expect(200);
        written += 1;
    }
    let refused: usize = readers.join_all().await.into_iter().sum();
    println!("{written} written beside {READERS} readers");
    assert!(written > 0, "nothing was written");
    assert!(refused > 0, "a key may read as much at once as it likes");
}

async fn every_answer_guards_itself(world: &World) {
    let client = &world.manager;
    for path in
        ["/", "/docs", "/healthz", "/problems", "/openapi.json", "/v1/herds", "/v1/nothing", "/ade/locations"]
    {
        let answer = client.get(path).await;
        assert_eq!(answer.header("x-content-type-options"), "nosniff", "{path}");
        assert_eq!(answer.header("referrer-policy"), "no-referrer", "{path}");
    }
    let operator = client.at(&world.metrics_base);
    let metrics = async |host: &str| {
        operator.send_without_key(Method::GET, "/metrics", &[("host", host)], vec![]).await.status
    };
    // A site that has its own name lead here (DNS rebinding) is told nothing.
    assert_eq!(metrics("rebound.example.org").await, 421);
    assert_eq!(metrics("tankside:8080").await, 200);
    assert_eq!(metrics("127.0.0.1").await, 200);
}

async fn what_is_counted_is_told_on_a_listener_of_its_own(world: &World) {
    let client = &world.manager;
    // Not where the book is, with a key or without.
    client.get("/metrics").await.problem(404, "not-found");
    client.send_without_key(Method::GET, "/metrics", &[], vec![]).await.problem(401, "key-missing");
    // And nothing of the book where it is told, whoever asks.
    let operator = client.at(&world.metrics_base);
    for path in ["/", "/v1/business", "/v1/herds", "/openapi.json", "/docs", "/readyz"] {
        // Not held against the description, which tells what is there where the book is.
        let asked =
            support::http_client().get(format!("{}{path}", world.metrics_base)).bearer_auth(&client.key);
        assert_eq!(asked.send().await.unwrap().status(), 404, "{path}");
    }
    operator.post("/metrics", json!({})).await.problem(405, "method-not-allowed");

    Farm::found(client).await;
    let told = world.metrics().await.text;
    // How long statements took by where they stand, how long commands waited, and how many wait just now.
    for counted in [
        "tankside_store_statement_seconds_count{part=\"animals/herd\"}",
        "tankside_store_begin_seconds_count{kind=\"write\"}",
        "tankside_store_begin_seconds_count{kind=\"read\"}",
        "tankside_writer_wait_seconds_count",
        "tankside_writer_commit_seconds_count",
        "tankside_writer_waiting_acts ",
        "tankside_writer_sound 1",
        concat!("tankside_build_info{version=\"", env!("CARGO_PKG_VERSION"), "\"} 1"),
    ] {
        assert!(told.contains(counted), "{counted} is missing:\n{told}");
    }
    // Every name tells what it is (prometheus.io, exposition formats: HELP and TYPE).
    for line in told.lines().filter(|line| line.starts_with("# TYPE ")) {
        let name = line.split(' ').nth(2).unwrap();
        assert!(told.contains(&format!("# HELP {name} ")), "{name} is not explained");
    }
}

async fn a_request_without_one_host_or_with_two_callers_is_refused(world: &World) {
    let key = &world.manager.key;
    let address = world.base.trim_start_matches("http://");
    let say = |headers: &str| {
        let mut stream = TcpStream::connect(address).unwrap();
        write!(stream, "GET /v1/business HTTP/1.1\r\n{headers}connection: close\r\n\r\n").unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    };
    let (host, caller) = ("host: localhost\r\n", format!("authorization: Bearer {key}\r\n"));
    assert!(say(&format!("{host}{caller}")).starts_with("HTTP/1.1 200"));
    for wrong in [caller.clone(), format!("{host}{host}{caller}"), format!("{host}{caller}{caller}")] {
        let answer = say(&wrong);
        assert!(answer.starts_with("HTTP/1.1 400") && answer.contains("/problems/bad-request"), "{answer}");
    }
}

#[tokio::test]
async fn an_address_that_fails_too_often_is_no_longer_looked_at() {
    let world = World::with(|config| config.failures_per_minute = NonZeroU32::new(5)).await;
    let known = world.caller(Role::Reader).await;
    known.get("/v1/business").await.expect(200);
    let wrong = world.manager.with_key(Secret::random().unwrap().reveal());
    let mut refused = Vec::new();
    for _ in 0..8 {
        refused.push(wrong.get("/v1/business").await);
    }
    let limited = refused.iter().filter(|answer| answer.status == 429).count();
    assert!((2..=4).contains(&limited), "{limited} of 8");
    let last = refused.last().unwrap();
    assert_eq!(last.slug(), "too-many-failures");
    assert!((1..=60).contains(&last.header("retry-after").parse::<u64>().unwrap()));
    // Behind one proxy all have its address: who was let in before is let in still.
    known.get("/v1/business").await.expect(200);
    // And a key that was made through this process: it is known at once.
    let phone =
        world.manager.post("/v1/keys", json!({"name": "Barn phone", "role": "reader"})).await.created();
    let phone = world.manager.with_key(phone["secret"].as_str().unwrap());
    phone.get("/v1/business").await.expect(200);
    // One that another process made is known within seconds, however many fail meanwhile.
    let stranger = world.caller(Role::Reader).await;
    eventually(async || {
        // Now and then one more is looked up.
        assert!([401, 429].contains(&wrong.get("/v1/business").await.status));
        let answer = stranger.get("/v1/business").await;
        assert!([200, 429].contains(&answer.status), "{answer:?}");
        (answer.status == 200).then_some(())
    })
    .await;
    let answer = known.post("/v1/herds", json!({})).await;
    assert_eq!(answer.status, 403, "and is told what it may not");
    let counted = world.metrics().await.text;
    for why in ["unknown", "limited"] {
        assert!(counted.contains(&format!("tankside_auth_failures_total{{why=\"{why}\"}}")), "{why}");
    }
    world.close().await;
}

/// After a restart, in the middle of an attack from one address with all others behind the same proxy, everybody with a key goes
/// on working at once, also those that this process has never seen.
#[tokio::test]
async fn after_a_start_in_an_attack_every_good_key_is_let_in_at_once() {
    let world = World::with(|config| config.failures_per_minute = NonZeroU32::new(1)).await;
    let mut crew = Vec::new();
    for n in 0..20 {
        let new = json!({"name": format!("Phone {n}"), "role": "technician"});
        let made = world.manager.post("/v1/keys", new).await.created();
        crew.push(world.manager.with_key(made["secret"].as_str().unwrap()));
    }
    let wrong = world.manager.with_key(Secret::random().unwrap().reveal());
    // What is known of these keys is that there are such: none of them has been sent yet.
    let mut limited = 0;
    for member in &crew {
        limited += usize::from(wrong.get("/v1/business").await.status == 429);
        member.get("/v1/business").await.expect(200);
    }
    assert!(limited > 0, "there was no attack");
    // A revoked one is no longer let in, whatever the limit.
    let id = crew[0].get("/v1/keys/current").await.expect(200)["id"].as_str().unwrap().to_owned();
    world.manager.delete(&format!("/v1/keys/{id}")).await;
    assert!([401, 429].contains(&crew[0].get("/v1/business").await.status));
    crew[1].get("/v1/business").await.expect(200);
    world.close().await;
}
