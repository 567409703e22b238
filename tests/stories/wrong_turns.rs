//! Wrong turns that programs and people take, and what they are told: what is wrong and what would be right.

use axum::http::Method;
use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    alerts::listen,
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    a_query_says_what_it_knows,
    a_body_is_sent_plainly,
    what_needs_nothing_said_needs_no_body,
    a_name_shows_all_of_itself,
    an_etag_without_quotation_marks_will_do,
    who_may_not_is_told_who_may,
    an_alert_and_its_event_have_one_address,
);

async fn detail(client: &Client, path: &str) -> String {
    client.get(path).await.body["detail"].as_str().unwrap().to_owned()
}

async fn a_query_says_what_it_knows(world: &World) {
    let client = &world.manager;
    let told = detail(client, "/v1/herds?colour=red").await;
    assert_eq!(told, "colour is not known here; known are limit, cursor.");
    let told = detail(client, "/v1/services?colour=red").await;
    assert!(told.contains("technician") && told.ends_with("limit, cursor."), "{told}");
    let told = detail(client, "/v1/herds?limit=1000").await;
    assert_eq!(told, "limit must be a whole number from 1 to 500; next_cursor leads to more.");
    let told = detail(client, "/v1/herds/").await;
    assert!(told.contains("no path here ends with a slash"), "{told}");
    // What may be repeated has a bound, wherever it is asked.
    let herds = "&herd_id=01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa".repeat(501);
    for path in ["/v1/round", "/v1/page", "/v1/reports/use"] {
        let told = detail(client, &format!("{path}?{}", &herds[1..])).await;
        assert_eq!(told, "herd_id may stand at most 500 times; leave it out for all.");
    }
}

async fn a_body_is_sent_plainly(world: &World) {
    let client = &world.manager;
    let herd = json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna"}).to_string();
    let send = async |headers: &[(&str, &str)], body: Vec<u8>| {
        client.send(Method::POST, "/v1/herds", headers, body).await
    };
    let json = ("content-type", "application/json");
    let packed = send(&[json, ("content-encoding", "gzip")], herd.clone().into()).await;
    let packed = packed.problem(415, "unsupported-media-type");
    assert!(packed["detail"].as_str().unwrap().contains("without Content-Encoding"), "{packed}");
    let wide = send(&[("content-type", "application/json; charset=utf-16")], herd.clone().into()).await;
    let wide = wide.problem(415, "unsupported-media-type");
    assert!(wide["detail"].as_str().unwrap().contains("UTF-8"), "{wide}");
    let cut = send(&[json], herd.as_bytes()[..20].to_vec()).await.problem(400, "not-json");
    assert_eq!(cut["detail"], "The body is not JSON: it ends too early, at line 1 column 20.");
    let none = send(&[], Vec::new()).await.problem(400, "not-json");
    assert_eq!(none["detail"], "The body is empty; send a JSON object.");
    assert_eq!(none["errors"][0], json!({"pointer": "#/name", "detail": "is required"}));
    let plain = [("content-type", "application/json; charset=\"UTF-8\""), ("content-encoding", "identity")];
    send(&plain, herd.into()).await.expect(201);
}

async fn what_needs_nothing_said_needs_no_body(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let low = json!({"kind": "stock.low", "lot_id": farm.sexed, "below_straws": 100});
    client.post("/v1/alert-rules", low).await.created();
    world.look_round().await;
    let alert = &client.get("/v1/alerts?open=true").await.expect(200)["items"][0];
    let path = format!("/v1/alerts/{}/acknowledgement", alert["id"].as_str().unwrap());
    let taken_on = client.send(Method::POST, &path, &[], Vec::new()).await.expect(200);
    assert_ne!(taken_on["acknowledged_at"], Value::Null);
    // Nothing is changed by a patch that says nothing, so that is taken for a mistake.
    let herd = format!("/v1/herds/{}", farm.herd);
    let json = [("content-type", "application/json")];
    client.send(Method::PATCH, &herd, &json, Vec::new()).await.problem(400, "not-json");
}

async fn a_name_shows_all_of_itself(world: &World) {
    let client = &world.manager;
    // Unicode Technical Report 36, sections 2.5 and 2.6: text that looks like another.
    for wrong in ["Lower\u{202e}wodaeM", "Lower\u{200b}Meadow", "\u{feff}Meadow", "Mea\u{ad}dow"] {
        let herd = json!({"name": wrong, "time_zone": "Europe/Vienna"});
        let answer = client.post("/v1/herds", herd).await;
        assert_eq!(answer.pointers(), ["#/name"], "{wrong:?}");
        answer.problem(422, "invalid-input");
    }
    for right in ["Obere W\u{fc}hre", "\u{4e0a}\u{7267}\u{573a}", "\u{646}\u{645}\u{6cc}\u{200c}\u{62e}"] {
        let herd = json!({"name": right, "time_zone": "Europe/Vienna"});
        assert_eq!(client.post("/v1/herds", herd).await.created()["name"], right);
    }
}

async fn an_etag_without_quotation_marks_will_do(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let herd = format!("/v1/herds/{}", farm.herd);
    let etag = client.get(&herd).await.header("etag").to_owned();
    let bare = etag.trim_matches('"');
    assert_ne!(bare, etag);
    client.patch(&herd, Some(bare), json!({"name": "Upper Meadow"})).await.expect(200);
    client.patch(&herd, Some(bare), json!({"name": "Third Meadow"})).await.problem(412, "stale");
}

async fn who_may_not_is_told_who_may(world: &World) {
    let reader = world.caller(Role::Reader).await;
    let told = reader.post("/v1/herds", json!({})).await.problem(403, "forbidden");
    assert_eq!(told["detail"], "A reader's key may not change or see this; a manager's key may.");
    let told = reader.post("/v1/receipts", json!({})).await.problem(403, "forbidden");
    assert!(told["detail"].as_str().unwrap().ends_with("; a technician's or manager's key may."), "{told}");
}

async fn an_alert_and_its_event_have_one_address(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let low =
        json!({"kind": "stock.low", "sire_id": farm.sire, "semen_type": "sexed_female", "below_straws": 100});
    listen(world).await;
    client.post("/v1/alert-rules", low).await.created();
    world.look_round().await;
    let alert = client.get("/v1/alerts?open=true").await.expect(200)["items"][0].clone();
    let subject = alert["subject"].as_str().unwrap();
    // It is an address: what is behind it is what the alert is about.
    let there = client.get(subject).await.expect(200);
    assert_eq!(there["items"][0]["sire"]["id"], json!(farm.sire), "{there}");
    let mut tx = world.db().read().await.unwrap();
    let told: Option<String> =
        tx.sql("select subject from outbox where topic = 'stock.low'").value().await.unwrap();
    assert_eq!(told.as_deref(), Some(subject));
}
