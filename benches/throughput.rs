//! Durable withdrawals a second, beside what the machine allows, in one run.
//!
//! `cargo bench --bench throughput` prints ratios, because seconds mean nothing on another machine:
//! the service over HTTP with 64 connections, against (a) the same act without HTTP, one commit
//! each, (b) the same acts without HTTP, handed to the writer 64 at a time, and (c) a bare axum
//! handler that only parses and answers. It does so on the embedded store, and also on the PostgreSQL server that
//! `TANKSIDE_BENCH_POSTGRES_URL` names, there beside `pgbench`; its user must be allowed to create databases.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::cast_precision_loss)]

mod record;

use std::{
    future::Future,
    process::Command,
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering},
    },
    time::{Duration, Instant},
};
use tankside::{
    book::{
        Caller,
        command::{Keyed, RequestContext, StoredResponse},
        writer::Writer,
    },
    clock::Clock,
    config::Settings,
    domain::{
        access::Role,
        form::{self, InputPath},
        straws::withdraw::NewWithdrawal,
    },
    server,
    store::{self, Db},
};

use axum::{Json, Router, routing::post};
use record::Record;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, Connection as _, Executor as _, PgConnection};
use uuid::Uuid;

/// How long each way is measured.
const MEASURED: Duration = Duration::from_secs(5);

/// How many ask at once.
const CLIENTS: usize = 64;

#[tokio::main]
async fn main() {
    let folder = tempfile::tempdir().unwrap();
    measure("the embedded store", &format!("sqlite://{}", folder.path().join("bench.db").display())).await;
    if let Ok(server) = std::env::var("TANKSIDE_BENCH_POSTGRES_URL") {
        let (front, _) = server.rsplit_once('/').unwrap();
        let mut connection = PgConnection::connect(&server).await.unwrap();
        let name = format!("throughput{}", Uuid::now_v7().simple());
        connection.execute(AssertSqlSafe(format!("create database {name}"))).await.unwrap();
        let [together, alone] = measure("PostgreSQL", &format!("{front}/{name}")).await;
        connection.execute(AssertSqlSafe(format!("drop database {name}"))).await.unwrap();
        beside_pgbench(&server, together, alone);
    }
}

/// Measures each way on a new store; gives withdrawals a second over HTTP, [`CLIENTS`] at once and one by one.
async fn measure(store: &str, url: &str) -> [f64; 2] {
    let listen = "127.0.0.1:0".parse().unwrap();
    let config = Settings::on(listen, url.to_owned()).resolve().unwrap();
    let running = server::start(&config, Clock::system(), None).await.unwrap();
    let base = format!("http://{}", running.address);
    let key = running.first_key.as_ref().unwrap().reveal().to_owned();
    tankside::cryptography::use_everywhere();
    let http = reqwest::Client::builder().pool_max_idle_per_host(CLIENTS).build().unwrap();
    let (animal, lot) = stocked(&http, &base, &key).await;

    let path = format!("{base}/v1/withdrawals");
    let order = json!({"animal_id": animal, "lot_id": lot});
    let withdraw_over_http = || {
        let request = http
            .post(&path)
            .bearer_auth(&key)
            .header("idempotency-key", Uuid::now_v7().to_string())
            .json(&order);
        async move { assert_eq!(request.send().await.unwrap().status(), 201) }
    };
    let over_http = rate(CLIENTS, withdraw_over_http).await;
    let lone = rate(1, withdraw_over_http).await;

    let bare_router =
        Router::new().route("/v1/withdrawals", post(async |Json(order): Json<Value>| Json(order)));
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let bare_path = format!("http://{}/v1/withdrawals", listener.local_addr().unwrap());
    tokio::spawn(async move { axum::serve(listener, bare_router).await.unwrap() });
    let bare_http = rate(CLIENTS, || {
        let request = http
            .post(&bare_path)
            .bearer_auth(&key)
            .header("idempotency-key", Uuid::now_v7().to_string())
            .json(&order);
        async move { assert_eq!(request.send().await.unwrap().status(), 200) }
    })
    .await;
    running.stop().await.unwrap();

    let db = Db::open(url).await.unwrap();
    let business_id = store::access::business::all(&mut db.read().await.unwrap()).await.unwrap()[0].id;
    let key_id = store::access::key::all(&mut db.read().await.unwrap()).await.unwrap()[0].key.id;
    let caller = Caller { business_id, key_id, role: Role::Manager, limits: None };
    let (writer, task) = Writer::start(&db, &Clock::system());
    let withdraw = || {
        let (writer, caller) = (writer.clone(), caller.clone());
        let order = json!({"animal_id": animal, "lot_id": lot});
        let command = form::read::<NewWithdrawal>(&order, &InputPath::body()).unwrap();
        let keyed = Some(Keyed { key: Uuid::now_v7().to_string(), fingerprint: String::new() });
        let request = RequestContext::new(caller, String::new(), "", &Value::Null, keyed, None);
        async move {
            let respond = |outcome: Result<_, _>| {
                assert!(outcome.is_ok());
                Ok(StoredResponse { status: 201, location: None, etag: None, body: String::new() })
            };
            writer.run(request, command, respond).await.unwrap();
        }
    };
    let alone = rate(1, withdraw).await;
    let together = rate(CLIENTS, withdraw).await;
    drop(writer);
    task.await.unwrap();
    db.close().await;

    let mut record = Record::new("throughput", store);
    for (figure, value) in [
        ("over HTTP, a second", over_http),
        ("HTTP / (a)", over_http / alone),
        ("HTTP / (b)", over_http / together),
        ("HTTP / (c)", over_http / bare_http),
        ("(a) / lone", alone / lone),
    ] {
        record.note(figure, value);
    }
    record.write();
    println!("withdrawals a second on {store}, {CLIENTS} at once, durable:");
    println!("  over HTTP                               {over_http:9.0}");
    println!("  (a) without HTTP, a commit for each     {alone:9.0}   HTTP / (a) = {:.2}", over_http / alone);
    println!(
        "  (b) without HTTP, commits shared        {together:9.0}   HTTP / (b) = {:.2}",
        over_http / together
    );
    println!(
        "  (c) bare axum handler, nothing stored   {bare_http:9.0}   HTTP / (c) = {:.2}",
        over_http / bare_http
    );
    println!("  a lone one over HTTP                    {lone:9.0}   (a) / lone = {:.2}", alone / lone);
    [over_http, lone]
}

/// Sets the rates beside the standard transaction of the server's own `pgbench`, seven statements with a commit, on the same
/// server: by as many clients, and by one. Says so when there is no `pgbench`.
fn beside_pgbench(server: &str, together: f64, alone: f64) {
    let run = |arguments: &[&str]| Command::new("pgbench").args(arguments).arg(server).output();
    let made = run(&["--initialize", "--quiet", "--scale", "10"]);
    if !made.is_ok_and(|made| made.status.success()) {
        println!("  pgbench is not on the PATH or failed: not compared");
        return;
    }
    let mut record = Record::new("throughput", "PostgreSQL beside pgbench");
    let seconds = MEASURED.as_secs().to_string();
    for (clients, ours) in [(CLIENTS, together), (1, alone)] {
        let (clients, jobs) = (clients.to_string(), clients.min(2).to_string());
        let arguments = ["-c", &clients, "-j", &jobs, "-T", &seconds, "-M", "prepared"];
        let said = String::from_utf8(run(&arguments).unwrap().stdout).unwrap();
        let rate =
            said.lines().find_map(|line| line.strip_prefix("tps = ")?.split(' ').next()?.parse::<f64>().ok());
        let rate = rate.unwrap_or_else(|| panic!("{said}"));
        println!(
            "  pgbench, clients: {clients:2}                     {rate:9.0}   HTTP / pgbench = {:.2}",
            ours / rate
        );
        record.note(format!("HTTP / pgbench, clients: {clients}"), ours / rate);
    }
    record.write();
}

/// How often a second `act` is done by so many at once.
async fn rate<F: Future<Output = ()> + Send + 'static>(clients: usize, act: impl Fn() -> F) -> f64 {
    let done = Arc::new(AtomicUsize::new(0));
    let started = Instant::now();
    let mut under_way = tokio::task::JoinSet::new();
    for _ in 0..clients {
        under_way.spawn(act());
    }
    while let Some(ended) = under_way.join_next().await {
        ended.unwrap();
        done.fetch_add(1, Ordering::Relaxed);
        if started.elapsed() < MEASURED {
            under_way.spawn(act());
        }
    }
    done.load(Ordering::Relaxed) as f64 / started.elapsed().as_secs_f64()
}

/// A lot of very many straws, and an animal that may have every one of them.
async fn stocked(http: &reqwest::Client, base: &str, key: &str) -> (Uuid, Uuid) {
    let make = async |path: &str, body: Value| -> Uuid {
        let request = http.post(format!("{base}{path}")).bearer_auth(key);
        let request = request.header("idempotency-key", Uuid::now_v7().to_string()).json(&body);
        let made: Value = request.send().await.unwrap().json().await.unwrap();
        made["id"].as_str().unwrap_or_else(|| panic!("{made:#}")).parse().unwrap()
    };
    let anything = json!([{"from_service": 1, "semen_types": ["conventional"]}]);
    let herd = json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna", "choice_rule": anything});
    let herd = make("/v1/herds", herd).await;
    let tank = make("/v1/tanks", json!({"name": "Dairy room", "herd_id": herd})).await;
    let sire = make("/v1/sires", json!({"name": "Invented One"})).await;
    let lot = make("/v1/lots", json!({"sire_id": sire, "semen_type": "conventional"})).await;
    let animal = make("/v1/animals", json!({"herd_id": herd, "number": "1"})).await;
    for _ in 0..10 {
        let place = json!({"tank_id": tank, "canister": 1});
        make("/v1/receipts", json!({"lot_id": lot, "place": place, "straws": 100_000})).await;
    }
    (animal, lot)
}
