//! Many technicians at once, one tank.

use std::collections::HashSet;

use chrono::TimeDelta;
use serde_json::json;
use tankside::{
    domain::values::Timestamp,
    store::{self, Db, alerts::sweep::claim},
};

use crate::{
    on_both_stores,
    world::{Farm, World},
};

on_both_stores!(
    a_hundred_clients_and_fifty_straws,
    a_straw_is_served_once,
    the_ledger_pages_without_gap_or_repeat_while_others_write,
    a_business_in_which_others_write_keeps_no_other_waiting,
    a_business_is_gone_through_by_one_process_at_a_time,
);

async fn a_hundred_clients_and_fifty_straws(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let lot = farm.lot(client, "sexed_female", "2022-01-01").await;
    farm.receive(client, &lot, 1, 50).await;
    let mut animals = Vec::new();
    for n in 0..100 {
        animals.push(farm.animal(client, &n.to_string()).await);
    }
    let orders = animals.into_iter().map(|animal| {
        let (client, order) = (client.clone(), json!({"animal_id": animal, "lot_id": lot}));
        tokio::spawn(async move { client.post("/v1/withdrawals", order).await })
    });
    let (mut taken, mut refused) = (0, 0);
    for order in orders.collect::<Vec<_>>() {
        let answer = order.await.unwrap();
        if answer.status == 201 {
            taken += 1;
        } else {
            answer.problem(409, "not-in-stock");
            refused += 1;
        }
    }
    assert_eq!((taken, refused), (50, 50));
    assert_eq!(farm.straws(client, &lot).await, 0);
}

async fn a_straw_is_served_once(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let order = json!({"animal_id": animal, "lot_id": farm.sexed});
    let taken = client.post("/v1/withdrawals", order).await.created();
    let attempts = (0..20).map(|_| {
        let (client, service) = (client.clone(), json!({"withdrawal_id": taken["id"]}));
        tokio::spawn(async move { client.post("/v1/services", service).await.status })
    });
    let mut statuses = Vec::new();
    for attempt in attempts.collect::<Vec<_>>() {
        statuses.push(attempt.await.unwrap());
    }
    assert_eq!(statuses.iter().filter(|status| **status == 201).count(), 1);
    assert_eq!(statuses.iter().filter(|status| **status == 409).count(), 19);
}

async fn the_ledger_pages_without_gap_or_repeat_while_others_write(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    for _ in 0..20 {
        farm.receive(client, &farm.sexed, 1, 1).await;
    }
    let at_start = client.get("/v1/movements?limit=500").await.expect(200)["items"].as_array().unwrap().len();
    let writer = {
        let (client, lot, place) = (client.clone(), farm.sexed.clone(), farm.place(2));
        tokio::spawn(async move {
            for _ in 0..40 {
                let receipt = json!({"lot_id": lot, "place": place, "straws": 1});
                client.post("/v1/receipts", receipt).await.created();
            }
        })
    };
    let mut seen = Vec::new();
    let mut path = "/v1/movements?limit=3".to_owned();
    loop {
        let page = client.get(&path).await;
        seen.extend(page.body["items"].as_array().unwrap().iter().map(|line| line["seq"].as_i64().unwrap()));
        match page.body["next_cursor"].as_str() {
            Some(cursor) => {
                let link = page.headers["link"].to_str().unwrap();
                assert!(link.contains(cursor) && link.ends_with("rel=\"next\""), "{link}");
                path = format!("/v1/movements?limit=3&cursor={cursor}");
            }
            None => break,
        }
    }
    writer.await.unwrap();
    assert!(seen.len() >= at_start);
    let expected: Vec<i64> = (1..).take(seen.len()).collect();
    assert_eq!(seen, expected, "dense, in order, each once");
    assert_eq!(seen.iter().collect::<HashSet<_>>().len(), seen.len());
}

async fn a_business_in_which_others_write_keeps_no_other_waiting(world: &World) {
    if world.db().is_embedded() {
        // Nobody else writes in the file.
        return;
    }
    let (mut neighbours, client) = (Vec::new(), world.manager.clone());
    // More than there are transactions at the same time, so that some share one with the business that is locked.
    for _ in 0..12 {
        neighbours.push(world.neighbour().await);
    }
    let another = Db::open(&world.database_url).await.unwrap();
    let business = store::access::business::all(&mut another.read().await.unwrap()).await.unwrap()[0].id;
    let mut slow = another.write().await.unwrap();
    let now = Timestamp::from(world.now());
    store::access::business::lock(&mut slow, business, now, &[]).await.unwrap();
    let waits = tokio::spawn(async move { client.post("/v1/sires", json!({"name": "One"})).await });
    for round in 0..3 {
        for neighbour in &neighbours {
            neighbour.post("/v1/sires", json!({"name": format!("Sire {round}")})).await.created();
        }
    }
    assert!(!waits.is_finished(), "nobody was locked out");
    slow.commit().await.unwrap();
    waits.await.unwrap().created();
    another.close().await;
}

async fn a_business_is_gone_through_by_one_process_at_a_time(world: &World) {
    if world.db().is_embedded() {
        return;
    }
    world.stop_clockwork().await;
    for _ in 0..5 {
        world.neighbour().await;
    }
    let another = Db::open(&world.database_url).await.unwrap();
    let mut tx = another.write().await.unwrap();
    store::alerts::sweep::enter_new(&mut tx).await.unwrap();
    // The service's own rounds may have been there.
    tx.sql("update sweep set looked_at = null, tanks_looked_at = null").run().await.unwrap();
    tx.commit().await.unwrap();
    let now = Timestamp::from(world.now());
    let (every, tanks) = (TimeDelta::seconds(20), TimeDelta::minutes(15));
    let mut one = world.db().write().await.unwrap();
    let mut other = another.write().await.unwrap();
    let first = claim(&mut one, now, every, tanks, 4).await.unwrap();
    let second = claim(&mut other, now, every, tanks, 4).await.unwrap();
    one.commit().await.unwrap();
    other.commit().await.unwrap();
    assert_eq!((first.len(), second.len()), (4, 2), "nobody waits, and each is taken up once");
    let all: HashSet<_> = first.iter().chain(&second).map(|sweep| sweep.business_id).collect();
    assert_eq!(all.len(), 6);
    assert!(first.iter().chain(&second).all(|sweep| sweep.tanks));
    let again = async |later: TimeDelta| {
        let mut tx = another.write().await.unwrap();
        let taken = claim(&mut tx, now.plus(later), every, tanks, 10).await.unwrap();
        tx.commit().await.unwrap();
        (taken.len(), taken.iter().filter(|sweep| sweep.tanks).count())
    };
    assert_eq!(again(TimeDelta::seconds(19)).await, (0, 0));
    // The clock of another machine is a little behind.
    assert_eq!(again(TimeDelta::seconds(-2)).await, (0, 0));
    assert_eq!(again(TimeDelta::seconds(20)).await, (6, 0));
    assert_eq!(again(TimeDelta::minutes(15)).await, (6, 6));
    // The clock was set back.
    assert_eq!(again(TimeDelta::hours(-1)).await, (6, 6));
    another.close().await;
}
