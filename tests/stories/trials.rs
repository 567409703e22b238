//! A business for trials, whose book a manager may empty.

use std::collections::BTreeSet;

use futures_util::future::join_all;
use reqwest::Method;
use serde_json::{Value, json};
use tankside::{
    domain::{
        access::{Role, business::MOST_EMPTIED},
        values::BusinessId,
    },
    store::{self, Db},
};

use crate::{
    lists::stocked,
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    a_test_business_is_emptied,
    nothing_else_is_ever_emptied,
    a_book_that_is_too_large_is_not_emptied_while_others_wait,
    what_is_done_beside_it_is_before_or_after,
);

/// Every table with a business in it.
async fn tables(db: &Db) -> Vec<String> {
    let mut tx = db.read().await.unwrap();
    let names: Option<String> = tx
        .sql_for(
            "select group_concat(t.name, ' ') from sqlite_schema t join pragma_table_info(t.name) c
             where t.type = 'table' and c.name = 'business_id'",
            "select string_agg(table_name::text, ' ') from information_schema.columns
             where table_schema = 'public' and column_name = 'business_id'",
        )
        .value()
        .await
        .unwrap();
    names.unwrap().split(' ').map(ToOwned::to_owned).collect()
}

/// How many rows of a business each table has, where it has some.
async fn rows(db: &Db, business: BusinessId) -> Vec<(String, i64)> {
    let mut counts = Vec::new();
    for table in tables(db).await {
        let text = format!("select count(*) from {table} where business_id = $1");
        let statement: &'static str = Box::leak(text.into_boxed_str());
        let mut tx = db.read().await.unwrap();
        let count: Option<i64> = tx.sql(statement).bind(business).value().await.unwrap();
        if count != Some(0) {
            counts.push((table, count.unwrap()));
        }
    }
    counts.sort();
    counts
}

async fn id_of(client: &Client) -> BusinessId {
    let id = client.get("/v1/business").await.expect(200)["id"].clone();
    BusinessId(id.as_str().unwrap().parse().unwrap())
}

async fn make_it_a_trial(world: &World, client: &Client) {
    let id = id_of(client).await;
    let mut tx = world.db().write().await.unwrap();
    store::access::business::set_test(&mut tx, id).await.unwrap();
    tx.commit().await.unwrap();
}

async fn a_test_business_is_emptied(world: &World) {
    let trial = &world.neighbour().await;
    let client = &world.manager;
    stocked(client).await;
    stocked(trial).await;
    assert_eq!(trial.get("/v1/business").await.expect(200)["is_test"], false);
    make_it_a_trial(world, trial).await;
    assert_eq!(trial.get("/v1/business").await.expect(200)["is_test"], true);
    let first = async |list: &str| trial.get(list).await.expect(200)["items"][0]["id"].clone();
    let (animal, sire) = (first("/v1/animals").await, first("/v1/sires").await);
    let path = format!("/v1/animals/{}/mating-plan", animal.as_str().unwrap());
    let json = [("content-type", "application/json")];
    let plan = json!({"choices": [{"sire_id": sire}]}).to_string();
    trial.send(Method::PUT, &path, &json, plan.into_bytes()).await.created();
    // A bull whose dam is in the book, whose sire is in the book.
    trial.make("/v1/sires", json!({"name": "Her son", "dam_id": animal})).await;
    trial
        .patch(&format!("/v1/animals/{}", animal.as_str().unwrap()), None, json!({"sire_id": sire}))
        .await
        .expect(200);
    world.look_round().await;
    let ours = async || {
        let mut told = vec![client.get("/v1/business").await.expect(200)];
        for list in ["movements", "animals", "services", "webhooks", "audit"] {
            told.push(client.get(&format!("/v1/{list}?limit=500")).await.expect(200));
        }
        told
    };
    let before = ours().await;
    let id = id_of(trial).await;
    let full = rows(world.db(), id).await;
    assert!(full.len() > 25, "a book with little in it shows little: {full:?}");

    let once = [("idempotency-key", "empty")];
    trial.send(Method::DELETE, "/v1/business/book", &once, vec![]).await.expect(204);
    // Only its key is left, and that it was emptied.
    assert_eq!(rows(world.db(), id).await, [("act".to_owned(), 1), ("api_key".to_owned(), 1)]);
    let audit = trial.get("/v1/audit").await.expect(200);
    assert_eq!(audit["items"][0]["request"], "DELETE /v1/business/book");
    assert_eq!(ours().await, before, "nothing is different next door");
    // A retry is known again, and a new book is begun with the same key.
    let again = trial.send(Method::DELETE, "/v1/business/book", &once, vec![]).await;
    assert_eq!(again.header("idempotent-replayed"), "true");
    let farm = Farm::found(trial).await;
    assert_eq!(trial.get("/v1/movements?limit=1").await.expect(200)["items"][0]["seq"], 1);
    assert_eq!(farm.straws(trial, &farm.sexed).await, 10);
    trial.delete("/v1/business/book").await.expect(204);
    assert_eq!(trial.get("/v1/stock").await.expect(200)["items"], json!([]));
    world.look_round().await;
}

async fn nothing_else_is_ever_emptied(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let before = client.get("/v1/movements").await.expect(200);
    let told = client.delete("/v1/business/book").await.problem(409, "not-a-test-business");
    assert!(told["detail"].as_str().unwrap().contains("is kept"), "{told}");
    assert_eq!(client.get("/v1/movements").await.expect(200), before);
    // Nor by a slip of ours: the store itself keeps the ledger.
    let id = id_of(client).await;
    let mut tx = world.db().write().await.unwrap();
    let refused = store::access::book::empty(&mut tx, id).await.unwrap_err().to_string();
    assert!(refused.contains("append-only"), "{refused}");
    drop(tx);
    assert_eq!(farm.straws(client, &farm.sexed).await, 10);
    // In a test business it is for its managers to do.
    make_it_a_trial(world, client).await;
    for role in [Role::Reader, Role::Technician, Role::Integration] {
        let refused = world.caller(role).await.delete("/v1/business/book").await.problem(403, "forbidden");
        assert!(refused["detail"].as_str().unwrap().contains("manager's"), "{refused}");
    }
    assert_eq!(client.get("/v1/movements").await.expect(200), before);
}

async fn a_book_that_is_too_large_is_not_emptied_while_others_wait(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    make_it_a_trial(world, client).await;
    let id = id_of(client).await;
    let mut tx = world.db().write().await.unwrap();
    // As many entries of the change feed as a book may have, and those of the farm.
    tx.sql_for(
        "with recursive n(i) as (select 1 union all select i + 1 from n where i < $2)
         insert into change (business_id, kind, subject_id, seq, reversed, created_at, changed_at)
         select $1, 'herd', randomblob(16), 1000000 + i, 0, 0, 0 from n",
        "insert into change (business_id, kind, subject_id, seq, reversed, created_at, changed_at)
         select $1, 'herd', gen_random_uuid(), 1000000 + i, false, now(), now() from generate_series(1, $2) i",
    )
    .bind(id)
    .bind(MOST_EMPTIED)
    .run()
    .await
    .unwrap();
    tx.commit().await.unwrap();
    let refused = client.delete("/v1/business/book").await.problem(409, "in-use");
    assert!(refused["detail"].as_str().unwrap().contains("another test business"), "{refused}");
    assert_eq!(farm.straws(client, &farm.sexed).await, 10);
    let mut tx = world.db().write().await.unwrap();
    tx.sql("delete from change where business_id = $1 and seq > 1000000").bind(id).run().await.unwrap();
    tx.commit().await.unwrap();
    client.delete("/v1/business/book").await.expect(204);
}

async fn what_is_done_beside_it_is_before_or_after(world: &World) {
    let client = &world.manager;
    make_it_a_trial(world, client).await;
    for _ in 0..6 {
        let herd = || client.post("/v1/herds", json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna"}));
        // They wait together, and so share transactions of the writer.
        let (made, emptied) =
            tokio::join!(join_all((0..16).map(|_| herd())), client.delete("/v1/business/book"));
        emptied.expect(204);
        for made in made {
            made.created();
        }
        let ids = |told: Value, name: &str| {
            let all = told["items"].as_array().unwrap().iter();
            all.map(|item| item[name].as_str().unwrap().to_owned()).collect::<BTreeSet<_>>()
        };
        let herds = ids(client.get("/v1/herds?limit=500").await.expect(200), "id");
        let told = ids(client.get("/v1/changes?limit=500").await.expect(200), "id");
        assert_eq!(told, herds, "the change feed tells of what is in the book, and of nothing else");
    }
}
