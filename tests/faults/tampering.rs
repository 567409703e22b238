//! Whoever changes the book behind the service's back is found out by `verify`: one change for each of its rules.

use serde_json::{Value, json};
use sqlx::{Connection as _, Executor as _, PgConnection, SqliteConnection};
use uuid::Uuid;

use crate::{
    service::{Service, farm, made, post, run, said, sqlite},
    support::{self, new_postgres_database},
};

/// The rule that a change breaks; the change on SQLite, and on PostgreSQL.
type Change = (&'static str, &'static str, &'static str);

const CHANGES: &[Change] = &[
    both("a balance equals the sum of its movements", "update balance set straws = straws + 1"),
    both(
        "straws hang only in canisters that their tank has",
        "update place set canister = 60 where tank_id is not null",
    ),
    both(
        "the lines of the ledger are numbered without a gap",
        "update business set movement_seq = movement_seq + 1",
    ),
    both(
        "each line of the ledger stands with the tanks that it touches",
        "update movement_tank set seq = seq + 1000",
    ),
    (
        "the time of recording goes back along the ledger only from where the clock leapt ahead by more than a month",
        "drop trigger movement_no_update; update movement set recorded_at = recorded_at - 3600000000 where seq = 3",
        "alter table movement disable trigger user;
         update movement set recorded_at = recorded_at - interval '1 hour' where seq = 3",
    ),
    both("every withdrawal has its movement, of as many straws", "update withdrawal set straws = straws + 1"),
    both(
        "a withdrawal is served exactly when a service stands for it",
        "update withdrawal set state = 'out', resolved_at = null where state = 'served'",
    ),
    both(
        "only an insemination has a straw",
        "update service set kind = 'natural' where withdrawal_id is not null",
    ),
    (
        "a reversal is its movement the other way round",
        "drop trigger movement_no_update; update movement set straws = straws + 1 where kind = 'reversal'",
        "alter table movement disable trigger user; update movement set straws = straws + 1 where kind = 'reversal'",
    ),
    both(
        "a withdrawal is reversed exactly when its movement is",
        "update withdrawal set state = 'reversed', resolved_at = recorded_at where state = 'out'",
    ),
    (
        "a line says what hung at its places after it",
        "drop trigger movement_no_update; update movement set to_held = to_held + 1 where seq = 2",
        "alter table movement disable trigger user; update movement set to_held = to_held + 1 where seq = 2",
    ),
    both(
        "a withdrawal is resolved, or in the bath, from a time on",
        "update withdrawal set resolved_at = null where state = 'served'",
    ),
    both(
        "the differences of a stocktake are in the ledger exactly when it is accepted",
        "update stocktake set state = 'accepted', accepted_at = recorded_at",
    ),
    both(
        "every service has the number that its animal's history gives it",
        "update service set rank = rank + 1 where reversed_at is null",
    ),
    both("what was answered as done is in the book", "delete from call_out_animal; delete from service"),
    both("what was answered as done is in the book", "delete from alert; delete from stocktake"),
    both(
        "the first answer under an Idempotency-Key is kept whole, once",
        "update act set body = null where idempotency_key is not null",
    ),
    both("the ledger is guarded against changes", "drop index act_by_key"),
    (
        "the ledger is guarded against changes",
        "drop trigger movement_no_delete",
        "alter table movement disable trigger movement_no_delete",
    ),
    both(
        "a reading is superseded exactly when another of its tank stands in its place",
        "update nitrogen_reading set superseded_at = read_at",
    ),
    both(
        "a refill is superseded exactly when another of its tank stands in its place",
        "update nitrogen_refill set superseded_at = filled_at",
    ),
    both(
        "a repair is superseded exactly when another of its tank stands in its place",
        "update tank_repair set superseded_at = repaired_at",
    ),
    both(
        "an animal has left every herd of which something that happened to her is on record",
        "delete from former_herd",
    ),
    (
        "at most one alert is open for each kind and subject",
        "drop index alert_open_once; update alert set cleared_at = null, kind = 'stock.low', subject = '/v1/lots/1'",
        "drop index alert_open_once; update alert set cleared_at = null, kind = 'stock.low', subject = '/v1/lots/1'",
    ),
    both("every thing in the book is among the changes", "delete from change where kind = 'movement'"),
    both(
        "a line of the ledger belongs to a consignment of its direction, or to none",
        "update consignment set direction = 'in' where direction = 'out'",
    ),
    both(
        "a call-out is done when its animals were served, or somebody closed it, and is among the changes",
        "update call_out set state = 'open', closed_at = null",
    ),
    both("a consignment has lines, and is among the changes", "delete from consignment_line"),
    both(
        "a mating plan names sires of the book, and is among the changes",
        "delete from change where kind = 'mating_plan'",
    ),
    (
        "a mating plan names sires of the book, and is among the changes",
        "update mating_plan set choices = json_set(choices, '$[0].sire_id', '00000000-0000-7000-8000-000000000000')",
        "update mating_plan set choices = jsonb_set(choices, '{0,sire_id}', '\"00000000-0000-7000-8000-000000000000\"')",
    ),
    both(
        "a consignment that was answered as done is in the book",
        "delete from consignment_line; delete from consignment",
    ),
    (
        "every reference points to something",
        "pragma foreign_keys = off; delete from animal",
        "alter table lot add constraint late foreign key (business_id) references business (id) not valid",
    ),
];

const fn both(rule: &'static str, change: &'static str) -> Change {
    (rule, change, change)
}

/// A stopped store with some of everything that the rules speak of.
async fn store(url: &str) {
    let http = support::http_client();
    let service = Service::start(url);
    let (base, key) = (service.base.as_str(), service.first_key.as_deref().unwrap());
    let (herd, tank, lot) = farm(&http, base, key).await;
    let make = async |path: &str, order: Value| made(&http, base, key, path, order).await;
    let animal = make("/v1/animals", json!({"herd_id": herd, "number": "1"})).await;
    let sire = make("/v1/sires", json!({"name": "Invented Two"})).await;
    let plan = http.put(format!("{base}/v1/animals/{animal}/mating-plan")).bearer_auth(key);
    let plan = plan.json(&json!({"choices": [{"sire_id": sire}]})).send().await.unwrap();
    assert_eq!(plan.status(), 201);
    let place = json!({"tank_id": tank, "canister": 1});
    make("/v1/receipts", json!({"lot_id": lot, "place": place, "straws": 10})).await;
    let twice = make("/v1/receipts", json!({"lot_id": lot, "place": place, "straws": 10})).await;
    make(&format!("/v1/movements/{twice}/reversal"), json!({"reason": "did_not_happen"})).await;
    let withdrawal = json!({"animal_id": animal, "lot_id": lot});
    let taken = make("/v1/withdrawals", withdrawal.clone()).await;
    make("/v1/requests", json!({"herd_id": herd, "animal_ids": [animal]})).await;
    make("/v1/services", json!({"withdrawal_id": taken})).await;
    make("/v1/withdrawals", withdrawal).await;
    make(&format!("/v1/tanks/{tank}/nitrogen-readings"), json!({"depth_mm": 310})).await;
    make(&format!("/v1/tanks/{tank}/refills"), json!({"depth_after_mm": 425})).await;
    make(&format!("/v1/tanks/{tank}/repairs"), json!({"kind": "repaired"})).await;
    let moved = make("/v1/animals", json!({"herd_id": herd, "number": "2"})).await;
    make("/v1/heats", json!({"animal_id": moved})).await;
    let elsewhere = make("/v1/herds", json!({"name": "Upper Meadow", "time_zone": "Europe/Vienna"})).await;
    let patched = http.patch(format!("{base}/v1/animals/{moved}")).bearer_auth(key);
    let patched = patched.json(&json!({"herd_id": elsewhere})).send().await.unwrap();
    assert_eq!(patched.status(), 200);
    make("/v1/alert-rules", json!({"kind": "stock.low", "lot_id": lot, "below_straws": 50})).await;
    make("/v1/receipts", json!({"lot_id": lot, "place": place, "straws": 1})).await;
    let line = json!({"lot_id": lot, "place": place, "straws": 1});
    for direction in ["in", "out"] {
        let party = json!({"name": "Invented Station"});
        let consignment = json!({"direction": direction, "party": party, "lines": [line]});
        make("/v1/consignments", consignment).await;
    }
    let count = json!({"lot_id": lot, "place": place, "straws": 8});
    let stocktake = json!({"tank_id": tank, "counts": [count]});
    let act = Uuid::now_v7().to_string();
    assert_eq!(post(&http, base, key, "/v1/stocktakes", &act, &stocktake).await.unwrap().0, 201);
    assert_eq!(service.terminate(), 0);
    let sound = run(&["verify"], url);
    assert!(sound.status.success() && said(&sound).contains("The book adds up."), "{}", said(&sound));
}

#[track_caller]
fn is_found(rule: &str, url: &str) {
    let verified = run(&["verify"], url);
    let told = said(&verified);
    assert!(!verified.status.success() && told.contains(&format!("BROKEN: {rule}: ")), "{rule}: {told}");
}

#[tokio::test]
async fn every_change_is_found_on_sqlite() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    store(&url).await;
    for (rule, change, _) in CHANGES {
        let copy = folder.path().join("changed.db");
        std::fs::copy(folder.path().join("tankside.db"), &copy).unwrap();
        let url = format!("sqlite://{}", copy.display());
        let mut connection = SqliteConnection::connect(&url).await.unwrap();
        connection.execute(sqlx::raw_sql(*change)).await.unwrap();
        connection.close().await.unwrap();
        is_found(rule, &url);
    }
}

#[tokio::test]
async fn every_change_is_found_on_postgres() {
    let url = new_postgres_database().await;
    store(&url).await;
    let (server, original) = url.rsplit_once('/').unwrap();
    let mut own = PgConnection::connect(&format!("{server}/postgres")).await.unwrap();
    for (rule, _, change) in CHANGES {
        let copy = format!("t{}", Uuid::now_v7().simple());
        let make = format!("create database {copy} template {original}");
        own.execute(sqlx::AssertSqlSafe(make)).await.unwrap();
        let url = format!("{server}/{copy}");
        let mut connection = PgConnection::connect(&url).await.unwrap();
        connection.execute(sqlx::raw_sql(*change)).await.unwrap();
        connection.close().await.unwrap();
        is_found(rule, &url);
    }
}
