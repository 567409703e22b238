//! Many technicians at once, one tank.

use std::collections::HashSet;

use serde_json::json;

use crate::{
    on_both_stores,
    world::{Farm, World},
};

on_both_stores!(
    a_hundred_clients_and_fifty_straws,
    a_straw_is_served_once,
    the_ledger_pages_without_gap_or_repeat_while_others_write,
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
