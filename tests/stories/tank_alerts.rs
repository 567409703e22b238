//! Alerts about a tank's nitrogen, and rounds that several processes go at once.

use chrono::TimeDelta;
use serde_json::{Value, json};
use tankside::{
    book::{
        Book,
        access::{device::Devices, key_use::KeyUses},
        writer::Writer,
    },
    clock::Clock,
    domain::values::Timestamp,
    scheduler::Rounds,
    store::Db,
};

use crate::{
    alerts::{alerts, listen, open, take, told},
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    a_tank_that_was_never_read_is_nobodys_alarm,
    a_tank_runs_low_by_its_readings_and_by_time_alone,
    a_tank_that_loses_more_than_it_did_is_told,
    a_tanks_own_rule_goes_before_the_herds,
    rounds_at_once_tell_it_once,
);

async fn read(world: &World, farm: &Farm, depth_mm: f64) {
    let reading = json!({"read_at": world.now(), "depth_mm": depth_mm});
    let path = format!("/v1/tanks/{}/nitrogen-readings", farm.tank);
    world.manager.post(&path, reading).await.created();
}

async fn kinds(client: &Client) -> Vec<String> {
    let mut kinds: Vec<_> =
        open(client).await.iter().map(|alert| alert["kind"].as_str().unwrap().to_owned()).collect();
    kinds.sort();
    kinds
}

async fn a_tank_that_was_never_read_is_nobodys_alarm(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    client
        .post("/v1/alert-rules", json!({"kind": "nitrogen.reading_overdue", "tank_id": farm.tank}))
        .await
        .created();
    world.pass(TimeDelta::days(60));
    world.look_round().await;
    assert_eq!(alerts(client, "").await, Vec::<Value>::new());
}

async fn a_tank_runs_low_by_its_readings_and_by_time_alone(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    // 10 mm above the minimum: the reading itself tells that a refill is due.
    read(world, &farm, 160.0).await;
    assert_eq!(kinds(client).await, ["nitrogen.refill_due"]);
    let due = open(client).await.remove(0);
    assert_eq!((&due["tank_id"], &due["herd_id"]), (&json!(farm.tank), &json!(farm.herd)));
    assert_eq!(due["subject"], format!("/v1/tanks/{}", farm.tank));
    assert!(due["text"].as_str().unwrap().starts_with("Dairy room: refill by 2026-03-0"), "{due}");
    assert!(due["figures"]["measured"].as_f64() <= Some(3.0), "{due}");
    let caution = due["caution"].as_str().unwrap();
    assert!(caution.contains("19.5 % oxygen") && caution.contains("frost or sweat"), "{caution}");
    // Five days later nobody read, and yet it is below.
    world.pass(TimeDelta::days(5));
    world.look_round().await;
    assert_eq!(kinds(client).await, ["nitrogen.low", "nitrogen.refill_due"]);
    let low = alerts(client, "kind=nitrogen.low").await.remove(0);
    assert!(low["text"].as_str().unwrap().contains("last read 160 mm at 2026-03-02T05:00:00Z"), "{low}");
    assert_eq!(low["figures"]["threshold"], 150.0);
    assert!(low["advice"].as_str().unwrap().contains("refill now"));

    let refill = json!({"filled_at": world.now(), "depth_after_mm": 425});
    client.post(&format!("/v1/tanks/{}/refills", farm.tank), refill).await.created();
    assert_eq!(kinds(client).await, [""; 0]);
    world.pass(TimeDelta::days(2));
    world.look_round().await;
    assert_eq!(kinds(client).await, [""; 0], "read every seventh day is often enough");
    world.pass(TimeDelta::hours(1));
    world.look_round().await;
    assert_eq!(kinds(client).await, ["nitrogen.reading_overdue"]);
    let overdue = open(client).await.remove(0);
    assert!(overdue["text"].as_str().unwrap().starts_with("Dairy room: last read 7 days ago"), "{overdue}");
    read(world, &farm, 417.0).await;
    let mut events = told(world).await;
    events.retain(|event| !event.ends_with("repeated"));
    assert_eq!(
        events,
        [
            "nitrogen.refill_due happened",
            "nitrogen.low happened",
            "nitrogen.low cleared",
            "nitrogen.refill_due cleared",
            "nitrogen.reading_overdue happened",
            "nitrogen.reading_overdue cleared",
        ]
    );
}

async fn a_tank_that_loses_more_than_it_did_is_told(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let mut depth = 425.0;
    for day in 0..25 {
        read(world, &farm, depth).await;
        assert_eq!(kinds(client).await, [""; 0], "day {day}");
        depth -= 3.0 + f64::from(day % 3) - 1.0;
        world.pass(TimeDelta::days(1));
    }
    for _ in 0..5 {
        depth -= 25.0;
        read(world, &farm, depth).await;
        world.pass(TimeDelta::days(1));
    }
    let high = alerts(client, "open=true&kind=nitrogen.loss_high").await.remove(0);
    assert!(high["text"].as_str().unwrap().contains("vacuum"), "{high}");
    assert!(high["advice"].as_str().unwrap().contains("move the straws"), "{high}");
    // A history that is brought along later is no news of today.
    let late = json!({"read_at": "2026-02-01T05:00:00Z", "depth_mm": 400});
    client.post(&format!("/v1/tanks/{}/nitrogen-readings", farm.tank), late).await.created();
}

async fn a_tanks_own_rule_goes_before_the_herds(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    for rule in [
        json!({"kind": "nitrogen.low", "below_depth_mm": 50}),
        json!({"kind": "nitrogen.low", "tank_id": farm.tank, "below_depth_mm": 300}),
        json!({"kind": "nitrogen.refill_due", "herd_id": farm.herd, "enabled": false}),
    ] {
        client.post("/v1/alert-rules", rule).await.created();
    }
    read(world, &farm, 200.0).await;
    assert_eq!(kinds(client).await, ["nitrogen.low"], "200 mm and 300 asked for");
    let own = alerts(client, "").await[0]["rule_id"].as_str().unwrap().to_owned();
    client.delete(&format!("/v1/alert-rules/{own}")).await.expect(204);
    assert_eq!(kinds(client).await, [""; 0], "200 mm and 50 asked for");
}

async fn rounds_at_once_tell_it_once(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    client.post("/v1/alert-rules", json!({"kind": "stock.low", "below_straws": 11})).await.created();
    read(world, &farm, 150.0).await;
    let animal = farm.animal(client, "412").await;
    client.make("/v1/withdrawals", take(&animal, &farm.sexed)).await;
    world.pass(TimeDelta::days(9));
    // Three rounds of this process, and three of others where the store allows others.
    let now = Timestamp::from(world.now());
    let others = if world.database_url.starts_with("postgres") { 3 } else { 0 };
    let mut rounds = Vec::new();
    for _ in 0..others {
        let db = Db::open(&world.database_url).await.unwrap();
        rounds.push(tokio::spawn(async move {
            let clock = Clock::from_fn(move || now);
            let (writer, writing) = Writer::start(&db, &clock);
            let book = Book {
                db: db.clone(),
                writer,
                clock,
                devices: Devices::default(),
                key_uses: KeyUses::default(),
            };
            Rounds::default().look(&book).await.unwrap();
            drop(book);
            writing.await.unwrap();
            db.close().await;
        }));
    }
    tokio::join!(world.look_round(), world.look_round(), world.look_round());
    for round in rounds {
        round.await.unwrap();
    }
    let told = told(world).await;
    for kind in ["stock.low", "withdrawal.unresolved", "nitrogen.reading_overdue", "nitrogen.low"] {
        let times = told.iter().filter(|event| **event == format!("{kind} happened")).count();
        assert_eq!(times, if kind == "stock.low" { 2 } else { 1 }, "{kind}: {told:?}");
    }
    let repeated = told.iter().filter(|event| event.ends_with("repeated")).count();
    assert!(repeated <= open(client).await.len(), "{told:?}");
}
