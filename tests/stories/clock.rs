//! Clocks that are wrong: the service's that jumps back, a phone's that is hours off.

use chrono::TimeDelta;
use serde_json::{Value, json};
use tankside::{
    clock::Clock,
    config::Settings,
    domain::{
        form::{InputPath, read},
        straws::sire::{Sire, SireDetails},
        values::{SireId, Timestamp},
    },
    server, store,
};
use uuid::Uuid;

use crate::{
    on_both_stores,
    world::{Client, Farm, World, instant},
};

on_both_stores!(
    the_services_clock_jumps_back,
    a_clock_without_a_battery_does_not_stop_the_work,
    what_is_made_after_the_clock_was_put_back_comes_after_a_cursor,
    a_key_that_has_expired_stays_so_when_the_clock_is_put_back,
    a_minute_in_2099_is_forgotten,
    an_alert_that_was_told_in_2099_is_not_silent_until_then,
    what_is_kept_is_not_thrown_away_by_a_clock_that_leapt,
    a_phones_clock_is_hours_ahead,
    a_phones_clock_is_hours_behind,
);

async fn lines(client: &Client) -> Vec<Value> {
    client.get("/v1/movements?limit=500").await.expect(200)["items"].as_array().unwrap().clone()
}

#[track_caller]
fn warns(answer: &Value, words: &str) {
    let warnings = answer["warnings"].as_array().unwrap();
    let told = warnings.iter().any(|warning| warning.as_str().unwrap().contains(words));
    assert!(told, "no warning says {words:?}: {answer:#}");
}

async fn the_services_clock_jumps_back(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let taken =
        client.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed})).await.created();
    assert_eq!(taken["warnings"], json!([]));
    // 06:00 became 03:00.
    world.pass(TimeDelta::hours(-3));
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1});
    let untold = client.post("/v1/receipts", receipt.clone()).await.created();
    warns(&untold, "went back: the book knew 2026-03-02T05:00:00Z before. Send received_at");
    assert_eq!(untold["occurred_at"], "2026-03-02T02:00:00Z");
    // Who tells the right time is taken at his word, and it is not he who is told to look at his clock.
    let mut told = receipt;
    told["received_at"] = "2026-03-02T06:01:00+01:00".into();
    let told = client.post("/v1/receipts", told).await.created();
    warns(&told, "this service's clock went back");
    assert_eq!(told["occurred_at"], "2026-03-02T05:01:00Z");
    // The straw that is out is thawed and used with the times that its technician tells.
    let thaw = format!("/v1/withdrawals/{}/thaw", taken["id"].as_str().unwrap());
    let thaw = client.post(&thaw, json!({"bath_temp_c": 35.5, "started_at": "2026-03-02T05:02:00Z"})).await;
    assert_eq!(thaw.expect(200)["ready_at"], "2026-03-02T05:02:45Z");
    // Along the ledger the time of recording stands still until the clock has caught up; numbers go on.
    let lines = lines(client).await;
    let recorded: Vec<_> = lines.iter().map(|line| instant(line["recorded_at"].as_str().unwrap())).collect();
    assert!(recorded.is_sorted(), "{recorded:?}");
    assert_eq!(recorded.last(), Some(&instant("2026-03-02T05:00:00Z")));
    let numbers: Vec<_> = lines.iter().map(|line| line["seq"].as_u64().unwrap()).collect();
    assert_eq!(numbers, [1, 2, 3, 4, 5]);
    world.pass(TimeDelta::hours(4));
    let later = client.post(
        "/v1/discards",
        json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1, "reason": "dropped"}),
    );
    let later = later.await.created();
    assert_eq!(later["warnings"], json!([]), "the clock is right again");
    assert_eq!(later["recorded_at"], "2026-03-02T06:00:00Z");
}

/// A small computer without a battery for its clock wakes up in 1970.
async fn a_clock_without_a_battery_does_not_stop_the_work(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    world.set_clock("1970-01-01T00:01:00Z");
    let order =
        json!({"animal_id": animal, "lot_id": farm.sexed, "withdrawn_at": "2026-03-02T07:00:00+01:00"});
    let taken = client.post("/v1/withdrawals", order).await.created();
    warns(&taken, "this service's clock went back");
    assert_eq!(taken["withdrawn_at"], "2026-03-02T06:00:00Z");
    let order =
        json!({"animal_id": animal, "lot_id": farm.sexed, "withdrawn_at": "2026-03-03T07:00:00+01:00"});
    let refused = client.post("/v1/withdrawals", order).await.problem(422, "invalid-input");
    let detail = refused["errors"][0]["detail"].as_str().unwrap();
    assert!(detail.contains("more than 24 hours ahead"), "{detail}");
}

/// Another process wrote in the book while its clock stood in 2099, and was the last.
async fn what_is_made_after_the_clock_was_put_back_comes_after_a_cursor(world: &World) {
    let client = &world.manager;
    // UUIDv7 of the first millisecond of 2099-01-01 (RFC 9562, section 5.7: 48 bits of milliseconds since 1970).
    let ahead = Uuid::from_u128((4_070_908_800_000 << 80) | (7 << 76) | (2 << 62));
    let mut tx = world.db().write().await.unwrap();
    let business = store::access::business::all(&mut tx).await.unwrap()[0].id;
    let details: SireDetails = read(&json!({"name": "Invented Zero"}), &InputPath::body()).unwrap();
    let sire = Sire { id: SireId(ahead), details, created_at: Timestamp::from(world.now()) };
    store::straws::sire::add(&mut tx, business, &sire).await.unwrap();
    tx.flush().await.unwrap();
    tx.sql("update business set last_id = $1").bind(ahead).run().await.unwrap();
    tx.commit().await.unwrap();
    let known = |items: &Value| -> Vec<Uuid> {
        items.as_array().unwrap().iter().map(|item| item["id"].as_str().unwrap().parse().unwrap()).collect()
    };
    let mut last = ahead;
    for name in ["Invented One", "Invented Two"] {
        client.make("/v1/sires", json!({"name": name})).await;
        let sires = known(&client.get("/v1/sires").await.expect(200)["items"]);
        assert!(sires.last().unwrap() > &last, "{sires:?}");
        last = *sires.last().unwrap();
    }
    // What the audit says of it too; and the last is kept for whoever writes next.
    let acts = known(&client.get("/v1/audit").await.expect(200)["items"]);
    assert!(acts.iter().all(|act| *act > ahead), "{acts:?}");
    let kept =
        world.db().read().await.unwrap().sql("select last_id from business").value::<Uuid>().await.unwrap();
    assert!(kept.unwrap() >= last.max(*acts.last().unwrap()));
}

async fn a_key_that_has_expired_stays_so_when_the_clock_is_put_back(world: &World) {
    let short = world.caller_until("2026-03-02T07:00:00Z").await;
    let long = world.caller_until("2026-03-02T09:00:00Z").await;
    world.pass(TimeDelta::hours(3));
    world.manager.make("/v1/sires", json!({"name": "Invented One"})).await;
    // 08:00 became 05:00.
    world.pass(TimeDelta::hours(-3));
    let refused = short.get("/v1/sires").await;
    assert!(refused.text.contains("This key has expired."), "{}", refused.text);
    long.get("/v1/sires").await.expect(200);
    let acts = world.manager.get("/v1/audit").await.expect(200);
    assert_eq!(acts["items"][0]["at"], "2026-03-02T08:00:00Z");
    world.manager.make("/v1/sires", json!({"name": "Invented Two"})).await;
    let acts = world.manager.get("/v1/audit").await.expect(200);
    assert_eq!(acts["items"][1]["at"], "2026-03-02T08:00:00Z", "it stands still meanwhile");
}

async fn a_minute_in_2099_is_forgotten(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let key = world.caller_until("2027-01-01T00:00:00Z").await;
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1});
    world.set_clock("2099-01-01T00:00:00Z");
    assert_eq!(key.get("/v1/sires").await.status, 401);
    let ahead = client.post("/v1/receipts", receipt.clone()).await.created();
    assert_eq!(ahead["recorded_at"], "2099-01-01T00:00:00Z");
    world.set_clock("2026-03-02T05:01:00Z");
    key.get("/v1/sires").await.expect(200);
    for _ in 0..2 {
        let after = client.post("/v1/receipts", receipt.clone()).await.created();
        assert_eq!((&after["warnings"], &after["recorded_at"]), (&json!([]), &json!("2026-03-02T05:01:00Z")));
    }
    key.get("/v1/sires").await.expect(200);
    // And the clock may still be put back from there.
    world.set_clock("2026-03-02T04:01:00Z");
    let back = client.post("/v1/receipts", receipt).await.created();
    warns(&back, "the book knew 2026-03-02T05:01:00Z before");
}

async fn an_alert_that_was_told_in_2099_is_not_silent_until_then(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let count = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 8});
    client.post("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": [count]})).await.created();
    let told = async || {
        let alerts = client.get("/v1/alerts").await.expect(200);
        let alert =
            alerts["items"].as_array().unwrap().iter().find(|one| one["kind"] == "stocktake.difference");
        alert.unwrap()["notified_at"].as_str().unwrap().to_owned()
    };
    assert_eq!(instant(&told().await), world.now());
    world.set_clock("2099-01-01T00:00:00Z");
    world.look_round().await;
    assert_eq!(told().await, "2099-01-01T00:00:00Z", "it is told once a day, by whatever clock");
    world.set_clock("2026-03-02T06:00:00Z");
    world.look_round().await;
    assert_eq!(told().await, "2026-03-02T06:00:00Z");
    // Once, and then once a day.
    world.set_clock("2026-03-03T05:59:00Z");
    world.look_round().await;
    assert_eq!(told().await, "2026-03-02T06:00:00Z");
    world.set_clock("2026-03-03T06:00:00Z");
    world.look_round().await;
    assert_eq!(told().await, "2026-03-03T06:00:00Z");
    // Nor does a clock that woke up in 1970 make it silent until today.
    world.set_clock("1970-01-01T00:01:00Z");
    world.look_round().await;
    let woken = told().await;
    world.set_clock("2026-03-04T06:00:00Z");
    world.look_round().await;
    assert_eq!((woken.as_str(), told().await.as_str()), ("1970-01-01T00:01:00Z", "2026-03-04T06:00:00Z"));
}

/// What is older than a month is forgotten: by a clock that is believed.
async fn what_is_kept_is_not_thrown_away_by_a_clock_that_leapt(world: &World) {
    let client = &world.manager;
    client.make("/v1/sires", json!({"name": "Invented One"})).await;
    let mut tx = world.db().write().await.unwrap();
    let business = store::access::business::all(&mut tx).await.unwrap()[0].id;
    let by = |at: &str| Timestamp::from(instant(at));
    let known = by("2026-03-02T05:00:00Z");
    for (clock, believed) in [
        ("2026-03-02T06:00:00Z", by("2026-03-02T06:00:00Z")),
        ("2026-03-30T06:00:00Z", by("2026-03-30T06:00:00Z")),
        ("2099-01-01T00:00:00Z", known),
        ("1970-01-01T00:01:00Z", by("1970-01-01T00:01:00Z")),
    ] {
        let now = store::access::business::believed(&mut tx, business, by(clock)).await.unwrap();
        assert_eq!(now, believed, "{clock}");
    }
    drop(tx);
}

async fn a_phones_clock_is_hours_ahead(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let withdraw = async |at: &str| {
        let order = json!({"animal_id": animal, "lot_id": farm.sexed, "withdrawn_at": at});
        client.post("/v1/withdrawals", order).await
    };
    // Five minutes are nothing; two hours are kept and told; a day and more is a typing error.
    assert_eq!(withdraw("2026-03-02T06:05:00+01:00").await.created()["warnings"], json!([]));
    let taken = withdraw("2026-03-02T08:00:00+01:00").await.created();
    warns(
        &taken,
        "withdrawn_at is 2 h ahead of this service's clock; it is kept as told, but look at the sender's",
    );
    assert_eq!(taken["withdrawn_at"], "2026-03-02T07:00:00Z");
    // Thawed by the right clock, so before it was taken out by the phone's.
    let thaw = format!("/v1/withdrawals/{}/thaw", taken["id"].as_str().unwrap());
    client.post(&thaw, json!({"bath_temp_c": 35.5})).await.expect(200);
    let refused = withdraw("2026-03-03T06:00:01+01:00").await;
    assert_eq!(refused.pointers(), ["#/withdrawn_at"]);
    assert!(refused.text.contains("which says 2026-03-02T05:00:00Z"), "{}", refused.text);
    // The line says both times: the client's word, and when it came in.
    let lines = lines(client).await;
    let line = lines.last().unwrap();
    assert_eq!(
        (&line["occurred_at"], &line["recorded_at"]),
        (&json!("2026-03-02T07:00:00Z"), &json!("2026-03-02T05:00:00Z"))
    );
}

/// The book remembers what the clock said before the service was started. One after the other on a file, and beside
/// each other on a server, where it can be shown.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_service_that_starts_with_a_wrong_clock_knows() {
    let world = World::postgres().await;
    let farm = Farm::found(&world.manager).await;
    let settings = Settings::on("127.0.0.1:0".parse().unwrap(), world.database_url.clone());
    let clock = Clock::from_fn(|| Timestamp::from(chrono::DateTime::UNIX_EPOCH));
    let late = server::start(&settings.resolve().unwrap(), clock, None).await.unwrap();
    let client = world.manager.at(&format!("http://{}", late.address));
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1});
    let received = client.post("/v1/receipts", receipt).await.created();
    warns(&received, "went back: the book knew 2026-03-02T05:00:00Z before");
    assert_eq!(received["recorded_at"], "2026-03-02T05:00:00Z");
    late.stop().await.unwrap();
    world.close().await;
}

/// Not to be told from an act that comes in late, so it is kept as told beside the time of recording.
async fn a_phones_clock_is_hours_behind(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1,
                         "received_at": "2026-03-01T22:00:00+01:00"});
    let received = client.post("/v1/receipts", receipt).await.created();
    assert_eq!(received["warnings"], json!([]));
    assert_eq!(
        (&received["occurred_at"], &received["recorded_at"]),
        (&json!("2026-03-01T21:00:00Z"), &json!("2026-03-02T05:00:00Z"))
    );
}
