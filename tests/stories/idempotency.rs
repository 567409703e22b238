//! A retry never counts twice, and hears the first answer.

use reqwest::Method;
use serde_json::json;
use tankside::domain::access::Role;

use crate::{
    on_both_stores,
    world::{Farm, World},
};

on_both_stores!(
    a_retry_hears_the_first_answer_and_takes_no_second_straw,
    the_ledger_requires_a_key,
    another_request_under_the_same_key_is_refused,
    a_refusal_stays_refused_for_its_key,
    what_was_wrong_may_be_mended_under_the_same_key,
    keys_are_the_businesss_and_not_the_callers,
    many_at_once_under_one_key_are_one,
    a_client_that_hangs_up_finds_its_answer,
    a_change_repeated_after_it_was_made_is_no_conflict,
);

async fn a_retry_hears_the_first_answer_and_takes_no_second_straw(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let order = json!({"animal_id": animal, "lot_id": farm.sexed});
    let first = client.post_as("/v1/withdrawals", "straw-1", order.clone()).await;
    assert!(!first.headers.contains_key("idempotent-replayed"));
    // Days later, from another phone of the same farm, the key in quotation marks, the body written otherwise.
    world.pass(chrono::TimeDelta::days(3));
    let technician = world.caller(Role::Technician).await;
    let headers = [("content-type", "application/json"), ("idempotency-key", "\"straw-1\"")];
    let body = format!("{{ \"lot_id\":\"{}\",\n\"animal_id\":\"{animal}\" }}", farm.sexed);
    let again = technician.send(Method::POST, "/v1/withdrawals", &headers, body.into_bytes()).await;
    assert_eq!(again.headers["idempotent-replayed"], "true");
    assert_eq!(again.headers["location"], first.headers["location"]);
    assert_eq!((again.status, &again.body), (first.status, &first.body));
    assert_eq!(farm.straws(client, &farm.sexed).await, 9);
}

async fn the_ledger_requires_a_key(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let headers = [("content-type", "application/json")];
    let id = uuid::Uuid::now_v7();
    for path in [
        "/v1/receipts".to_owned(),
        "/v1/withdrawals".to_owned(),
        format!("/v1/withdrawals/{id}/thaw"),
        format!("/v1/withdrawals/{id}/discard"),
        "/v1/services".to_owned(),
    ] {
        let answer = client.send(Method::POST, &path, &headers, b"{}".to_vec()).await;
        assert!(answer.headers["link"].to_str().unwrap().contains("describedby"));
        let told = answer.problem(400, "idempotency-key-missing");
        assert!(told["detail"].as_str().unwrap().contains("Idempotency-Key:"));
    }
    for key in ["", "\"\"", &"x".repeat(256)] {
        let headers = [("content-type", "application/json"), ("idempotency-key", key)];
        let answer = client.send(Method::POST, "/v1/receipts", &headers, b"{}".to_vec()).await;
        answer.problem(400, "idempotency-key-invalid");
    }
    // What writes neither may do without.
    let heat = json!({"animal_id": farm.animal(client, "1").await}).to_string().into_bytes();
    client.send(Method::POST, "/v1/heats", &headers, heat).await.created();
}

async fn another_request_under_the_same_key_is_refused(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let receipt = |straws: i64| json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": straws});
    client.post_as("/v1/receipts", "delivery", receipt(5)).await.created();
    client.post_as("/v1/receipts", "delivery", receipt(6)).await.problem(422, "idempotency-mismatch");
    let animal = farm.animal(client, "1").await;
    let order = json!({"animal_id": animal, "lot_id": farm.sexed});
    client.post_as("/v1/withdrawals", "delivery", order).await.problem(422, "idempotency-mismatch");
    assert_eq!(farm.straws(client, &farm.sexed).await, 15);
}

async fn a_refusal_stays_refused_for_its_key(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let lot = farm.lot(client, "sexed_female", "2025-01-01").await;
    let order = json!({"animal_id": animal, "lot_id": lot});
    let refused = client.post_as("/v1/withdrawals", "late", order.clone()).await;
    assert_eq!(refused.status, 409);
    farm.receive(client, &lot, 1, 5).await;
    // A delayed duplicate must not take straws that nobody pulled.
    let again = client.post_as("/v1/withdrawals", "late", order.clone()).await;
    assert_eq!(again.headers["idempotent-replayed"], "true");
    assert_eq!(again.body, refused.body);
    again.problem(409, "not-in-stock");
    assert_eq!(farm.straws(client, &lot).await, 5);
    client.post_as("/v1/withdrawals", "new", order).await.created();
}

async fn what_was_wrong_may_be_mended_under_the_same_key(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let receipt = |straws: i64, lot: &str| json!({"lot_id": lot, "place": farm.place(1), "straws": straws});
    client.post_as("/v1/receipts", "k", receipt(0, &farm.sexed)).await.problem(422, "invalid-input");
    let nothing = uuid::Uuid::now_v7().to_string();
    client.post_as("/v1/receipts", "k", receipt(5, &nothing)).await.problem(404, "not-found");
    let reader = world.caller(Role::Reader).await;
    reader.post_as("/v1/receipts", "k", receipt(5, &farm.sexed)).await.problem(403, "forbidden");
    client.post_as("/v1/receipts", "k", receipt(5, &farm.sexed)).await.created();
}

async fn keys_are_the_businesss_and_not_the_callers(world: &World) {
    let client = &world.manager;
    Farm::found(client).await;
    let neighbour = world.neighbour().await;
    let herd = json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna"});
    let ours = client.post_as("/v1/herds", "same", herd.clone()).await.created();
    let theirs = neighbour.post_as("/v1/herds", "same", herd).await;
    assert!(!theirs.headers.contains_key("idempotent-replayed"));
    assert_ne!(theirs.created()["id"], ours["id"]);
}

async fn many_at_once_under_one_key_are_one(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let order = json!({"animal_id": animal, "lot_id": farm.sexed});
    let sends = (0..200).map(|_| {
        let (client, order) = (client.clone(), order.clone());
        tokio::spawn(async move { client.post_as("/v1/withdrawals", "storm", order).await })
    });
    let mut bodies = Vec::new();
    for send in sends.collect::<Vec<_>>() {
        bodies.push(send.await.unwrap().created());
    }
    bodies.dedup();
    assert_eq!(bodies.len(), 1, "every one hears the same");
    assert_eq!(farm.straws(client, &farm.sexed).await, 9);
}

async fn a_client_that_hangs_up_finds_its_answer(world: &World) {
    use tokio::io::AsyncWriteExt as _;
    let client = &world.manager;
    let farm = Farm::found(client).await;
    farm.receive(client, &farm.sexed, 3, 90).await;
    let address = world.base.trim_start_matches("http://").to_owned();
    for n in 0..100 {
        let animal = farm.animal(client, &n.to_string()).await;
        let body = json!({"animal_id": animal, "lot_id": farm.sexed}).to_string();
        let request = format!(
            "POST /v1/withdrawals HTTP/1.1\r\nhost: {address}\r\nauthorization: Bearer {}\r\n\
             content-type: application/json\r\nidempotency-key: gone-{n}\r\ncontent-length: {}\r\n\r\n{body}",
            client.key,
            body.len()
        );
        let mut connection = tokio::net::TcpStream::connect(&address).await.unwrap();
        connection.write_all(request.as_bytes()).await.unwrap();
        drop(connection);
        let order = serde_json::from_str(&body).unwrap();
        client.post_as("/v1/withdrawals", &format!("gone-{n}"), order).await.created();
    }
    assert_eq!(
        farm.straws(client, &farm.sexed).await,
        0,
        "one straw each, whether the first attempt was done or not"
    );
}

async fn a_change_repeated_after_it_was_made_is_no_conflict(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let path = format!("/v1/tanks/{}", farm.tank);
    let etag = client.get(&path).await.headers["etag"].to_str().unwrap().to_owned();
    let headers = [
        ("content-type", "application/merge-patch+json"),
        ("if-match", etag.as_str()),
        ("idempotency-key", "rename"),
    ];
    let change = || client.send(Method::PATCH, &path, &headers, b"{\"name\": \"Milk room\"}".to_vec());
    let first = change().await;
    assert_eq!(first.status, 200);
    let again = change().await;
    assert_eq!(
        (again.status, again.body),
        (200, first.body),
        "the retry is not 412: RFC 9110, 13.1.1 allows it"
    );
}
