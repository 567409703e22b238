//! What changed: in the order of commits, and nothing is passed over.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};
use tankside::{
    domain::values::{BusinessId, Timestamp},
    store::{self, Db, exchange::change::NewChange},
};

use crate::{
    on_both_stores,
    world::{Client, Farm, World, instant},
};

on_both_stores!(
    everything_in_the_book_is_among_the_changes,
    what_changes_again_moves_to_the_end,
    a_poller_misses_nothing_while_others_write,
    a_number_is_seen_only_with_all_below_it,
    a_wrong_place_to_start_is_refused,
);

/// All changes after a number, read in parts of `limit`.
async fn read_on(client: &Client, mut after: i64, limit: usize) -> (Vec<Value>, i64) {
    let mut items = Vec::new();
    loop {
        let page = client.get(&format!("/v1/changes?after={after}&limit={limit}")).await.expect(200);
        items.extend(page["items"].as_array().unwrap().clone());
        after = page["next_cursor"].as_i64().unwrap();
        if page["has_more"] == false {
            return (items, after);
        }
    }
}

/// Every thing that the lists show, as the changes name it.
async fn listed(client: &Client) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for list in [
        "herds",
        "tanks",
        "sires",
        "lots",
        "animals",
        "movements",
        "withdrawals",
        "services",
        "heats",
        "pregnancy-checks",
        "calvings",
        "abortions",
        "do-not-breed",
        "stocktakes",
    ] {
        let mut cursor = String::new();
        loop {
            let page = client.get(&format!("/v1/{list}?limit=500{cursor}")).await.expect(200);
            for item in page["items"].as_array().unwrap() {
                found.insert(format!("/v1/{list}/{}", item["id"].as_str().unwrap()));
            }
            let Some(next) = page["next_cursor"].as_str() else { break };
            cursor = format!("&cursor={next}");
        }
    }
    found
}

fn href(item: &Value) -> String {
    item["href"].as_str().unwrap().to_owned()
}

async fn everything_in_the_book_is_among_the_changes(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let order = json!({"animal_id": animal, "lot_id": farm.sexed});
    let taken = client.make("/v1/withdrawals", order.clone()).await;
    client.make("/v1/services", json!({"withdrawal_id": taken})).await;
    for event in ["heats", "calvings", "abortions", "do-not-breed"] {
        client.make(&format!("/v1/{event}"), json!({"animal_id": animal})).await;
    }
    let check = json!({"animal_id": animal, "method": "milk", "result": "empty"});
    client.make("/v1/pregnancy-checks", check).await;
    client.make("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": []})).await;
    let (items, last) = read_on(client, 0, 3).await;
    assert_eq!(items.iter().map(href).collect::<BTreeSet<_>>(), listed(client).await);
    for item in &items {
        // What the address says is there is there.
        assert_eq!(client.get(&href(item)).await.expect(200)["id"], item["id"]);
    }
    let numbers: Vec<i64> = items.iter().map(|item| item["seq"].as_i64().unwrap()).collect();
    assert!(numbers.is_sorted_by(|a, b| a < b), "{numbers:?}");
    let times: Vec<&str> = items.iter().map(|item| item["changed_at"].as_str().unwrap()).collect();
    assert!(times.iter().map(|at| instant(at)).is_sorted(), "{times:?}");
    assert_eq!(read_on(client, last, 100).await, (vec![], last), "nothing more");
    let neighbour = world.neighbour().await;
    assert_eq!(read_on(&neighbour, 0, 100).await, (vec![], 0), "nothing of ours is told next door");
}

async fn what_changes_again_moves_to_the_end(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let (_, before) = read_on(client, 0, 100).await;
    // The clock steps back an hour; the order stays that of commits.
    world.pass(chrono::TimeDelta::hours(-1));
    client.patch(&format!("/v1/animals/{animal}"), None, json!({"name": "Clover"})).await.expect(200);
    let (items, after) = read_on(client, before, 100).await;
    assert_eq!(items.iter().map(href).collect::<Vec<_>>(), [format!("/v1/animals/{animal}")]);
    assert_eq!(items[0]["reversed"], false);
    assert!(
        instant(items[0]["changed_at"].as_str().unwrap()) > instant(items[0]["created_at"].as_str().unwrap())
    );

    let served = client.make("/v1/services", json!({"animal_id": animal})).await;
    client.post(&format!("/v1/services/{served}/reversal"), json!({})).await.expect(200);
    let (items, _) = read_on(client, after, 100).await;
    assert_eq!(
        (items.len(), href(&items[0])),
        (1, format!("/v1/services/{served}")),
        "once, at its last change"
    );
    assert_eq!(items[0]["reversed"], true);

    // What was refused changed nothing.
    let (_, before) = read_on(client, 0, 100).await;
    let order = json!({"animal_id": animal, "lot_id": farm.conventional});
    client.post("/v1/withdrawals", order).await.problem(409, "choice-rule");
    assert_eq!(read_on(client, before, 100).await.0, [] as [Value; 0]);
}

async fn keep_writing(client: &Client, farm: &Farm, animal: &str) {
    for _ in 0..15 {
        client.make("/v1/heats", json!({"animal_id": animal})).await;
        client.patch(&format!("/v1/animals/{animal}"), None, json!({"name": "Clover"})).await.expect(200);
        farm.receive(client, &farm.sexed, 1, 1).await;
    }
}

async fn a_poller_misses_nothing_while_others_write(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animals =
        [farm.animal(client, "1").await, farm.animal(client, "2").await, farm.animal(client, "3").await];
    let writers = animals.iter().map(|animal| keep_writing(client, &farm, animal));
    let done = std::sync::atomic::AtomicBool::new(false);
    let poller = async {
        let mut last_seen: BTreeMap<String, i64> = BTreeMap::new();
        let mut after = 0;
        loop {
            let last_round = done.load(std::sync::atomic::Ordering::SeqCst);
            let (items, next) = read_on(client, after, 7).await;
            for item in items {
                let seq = item["seq"].as_i64().unwrap();
                assert!(seq > after || after == 0);
                let before = last_seen.insert(href(&item), seq);
                assert!(before.is_none_or(|before| before < seq), "a change is told once");
            }
            after = next;
            if last_round {
                return last_seen;
            }
        }
    };
    let writing = async {
        futures_util::future::join_all(writers).await;
        done.store(true, std::sync::atomic::Ordering::SeqCst);
    };
    let (seen, ()) = tokio::join!(poller, writing);
    let (all, _) = read_on(client, 0, 1000).await;
    let all: BTreeMap<String, i64> =
        all.iter().map(|item| (href(item), item["seq"].as_i64().unwrap())).collect();
    assert_eq!(seen, all, "whoever polled has what the book has, each at its last change");
    assert_eq!(seen.keys().cloned().collect::<BTreeSet<_>>(), listed(client).await);
}

/// Two transactions at once: the number of the second waits for the first. A second process does what
/// the second connection does here; SQLite lets it wait anyway.
async fn a_number_is_seen_only_with_all_below_it(world: &World) {
    let client = &world.manager;
    Farm::found(client).await;
    let (_, before) = read_on(client, 0, 100).await;
    let db = Db::open(&world.database_url).await.unwrap();
    let business: BusinessId =
        store::access::business::all(&mut db.read().await.unwrap()).await.unwrap()[0].id;
    let now = Timestamp::from(instant(crate::world::MORNING));
    let kind = tankside::domain::exchange::change::ChangeKind::Herd;
    let id = uuid::Uuid::now_v7();
    let mut slow = db.write().await.unwrap();
    store::access::business::lock(&mut slow, business, now, &[]).await.unwrap();
    store::exchange::change::note(&mut slow, business, NewChange::of(kind, id));
    // While it is open, another writes; it is answered only after the first is committed.
    let quick = client.post("/v1/sires", json!({"name": "Second"}));
    tokio::pin!(quick);
    let waited = tokio::time::timeout(std::time::Duration::from_millis(300), &mut quick).await;
    assert!(waited.is_err(), "the second writer did not wait for the first");
    assert_eq!(read_on(client, before, 100).await.0, [] as [Value; 0], "nothing is seen before its commit");
    slow.commit().await.unwrap();
    quick.await.created();
    let (items, _) = read_on(client, before, 100).await;
    let told: Vec<_> = items.iter().map(|item| item["seq"].as_i64().unwrap() - before).collect();
    assert_eq!(told, [1, 2], "dense, in the order of commits");
    assert_eq!(items[0]["id"], json!(id));
    db.close().await;
}

async fn a_wrong_place_to_start_is_refused(world: &World) {
    let client = &world.manager;
    for wrong in ["after=-1", "after=x", "after=1.5", "limit=0", "limit=1001", "cursor=1"] {
        let name = wrong.split('=').next().unwrap();
        let answer = client.get(&format!("/v1/changes?{wrong}")).await;
        assert_eq!(answer.pointers(), [name]);
        answer.problem(400, "invalid-query");
    }
}
