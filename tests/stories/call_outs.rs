//! A farm asks for the technician, and is served.

use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    lists::whole,
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    a_farm_asks_and_is_served,
    a_service_from_before_is_none_that_was_asked_for,
    what_is_said_in_words_is_closed_by_hand,
    what_is_named_must_be_of_that_herd,
    what_was_served_by_mistake_waits_again,
    the_round_shows_what_farms_ask_for,
);

async fn state(client: &Client, id: &str) -> Value {
    client.get(&format!("/v1/requests/{id}")).await.expect(200)["state"].clone()
}

async fn a_farm_asks_and_is_served(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (one, two) = (farm.animal(client, "412").await, farm.animal(client, "413").await);
    let software = world.caller(Role::Integration).await;
    let asked = json!({"herd_id": farm.herd, "animal_ids": [one, two], "text": "Heat seen at six.",
                       "wanted_by": "2026-03-02T18:00:00+01:00", "caller": "A. Example", "telephone": "00 000"});
    let asked = software.post("/v1/requests", asked).await.created();
    let id = asked["id"].as_str().unwrap();
    let technician = world.caller(Role::Technician).await;
    let waiting = whole(&technician, "/v1/requests", "state=open", 10).await;
    assert_eq!(waiting, std::slice::from_ref(&asked), "what is read is what was answered");
    assert_eq!(asked["animals"][0]["animal_number"], "412");

    // One of two is not all. A straw from the tank, and one from elsewhere.
    let taken = technician.make("/v1/withdrawals", json!({"animal_id": one, "lot_id": farm.sexed})).await;
    let service = technician.make("/v1/services", json!({"withdrawal_id": taken})).await;
    assert_eq!(state(client, id).await, "open");
    let told = client.get(&format!("/v1/requests/{id}")).await.expect(200);
    assert_eq!(
        (&told["animals"][0]["service_id"], &told["animals"][1]["service_id"]),
        (&json!(service), &Value::Null)
    );
    technician.make("/v1/services", json!({"animal_id": two})).await;
    let told = client.get(&format!("/v1/requests/{id}")).await.expect(200);
    assert_eq!((&told["state"], &told["close_reason"]), (&json!("done"), &Value::Null));
    assert!(told["closed_at"].is_string());
    assert_eq!(whole(client, "/v1/requests", "state=open", 10).await, [] as [Value; 0]);
    let herd = &farm.herd;
    assert_eq!(whole(client, "/v1/requests", &format!("herd_id={herd}&state=done"), 10).await.len(), 1);

    let changes = client.get("/v1/changes?limit=1000").await.expect(200);
    let noted =
        changes["items"].as_array().unwrap().iter().find(|change| change["kind"] == "request").unwrap();
    assert_eq!((&noted["herd_id"], &noted["href"]), (&json!(herd), &json!(format!("/v1/requests/{id}"))));
    assert_ne!(noted["seq"], Value::Null);
    let audit = client.get("/v1/audit?limit=500").await.expect(200);
    let acts = audit["items"].as_array().unwrap();
    assert!(acts.iter().any(|act| act["request"] == "POST /v1/requests" && act["status"] == 201));

    let reader = world.caller(Role::Reader).await;
    reader.post("/v1/requests", json!({"herd_id": herd, "text": "Heat."})).await.problem(403, "forbidden");
}

async fn a_service_from_before_is_none_that_was_asked_for(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let asked = json!({"herd_id": farm.herd, "animal_ids": [animal]});
    let first = client.make("/v1/requests", asked.clone()).await;
    let second = client.make("/v1/requests", asked).await;
    farm.served(client, &animal, "2026-02-01T06:00:00Z").await;
    assert_eq!(state(client, &first).await, "open", "entered late");
    farm.served(client, &animal, &world.now().to_rfc3339()).await;
    assert_eq!((state(client, &first).await, state(client, &second).await), (json!("done"), json!("done")));
}

async fn what_is_said_in_words_is_closed_by_hand(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let id = client.make("/v1/requests", json!({"herd_id": farm.herd, "text": "Two heifers in heat."})).await;
    client.make("/v1/services", json!({"animal_id": animal})).await;
    assert_eq!(state(client, &id).await, "open", "nobody knows whether that was one of the two");
    let path = format!("/v1/requests/{id}/closing");
    let closed = client.post(&path, json!({"reason": "Both served."})).await.expect(200);
    assert_eq!((&closed["state"], &closed["close_reason"]), (&json!("done"), &json!("Both served.")));
    // Of two who close it the first is kept.
    assert_eq!(client.post(&path, json!({"reason": "Not in heat."})).await.expect(200), closed);
    assert_eq!(client.get(&format!("/v1/requests/{id}")).await.expect(200), closed);
    client.post(&path, json!({})).await.problem(422, "invalid-input");
}

async fn what_is_named_must_be_of_that_herd(world: &World) {
    let client = &world.manager;
    let (farm, other) = (Farm::found(client).await, Farm::found(client).await);
    let (own, foreign) = (farm.animal(client, "412").await, other.animal(client, "412").await);
    let answer =
        client.post("/v1/requests", json!({"herd_id": farm.herd, "animal_ids": [own, foreign]})).await;
    assert_eq!(answer.pointers(), ["#/animal_ids/1"]);
    answer.problem(422, "invalid-input");
    let answer = client.post("/v1/requests", json!({"herd_id": farm.herd, "animal_ids": [own, own]})).await;
    assert_eq!(answer.pointers(), ["#/animal_ids/1"]);
    answer.problem(422, "invalid-input");
    let answer = client.post("/v1/requests", json!({"herd_id": farm.herd})).await;
    assert_eq!(answer.pointers(), ["#/text"]);
    answer.problem(422, "invalid-input");
}

async fn what_was_served_by_mistake_waits_again(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (one, two) = (farm.animal(client, "412").await, farm.animal(client, "413").await);
    let id = client.make("/v1/requests", json!({"herd_id": farm.herd, "animal_ids": [one]})).await;
    let reversal = |service: &str| format!("/v1/services/{service}/reversal");
    let first = client.make("/v1/services", json!({"animal_id": one})).await;
    assert_eq!(state(client, &id).await, "done");
    client.post(&reversal(&first), json!({})).await.expect(200);
    let told = client.get(&format!("/v1/requests/{id}")).await.expect(200);
    assert_eq!((&told["state"], &told["closed_at"]), (&json!("open"), &Value::Null));
    assert_eq!(told["animals"][0]["service_id"], Value::Null);

    // With a second insemination of the same heat on record she was served all the same.
    let first = client.make("/v1/services", json!({"animal_id": one})).await;
    let second = client.make("/v1/services", json!({"animal_id": one})).await;
    client.post(&reversal(&first), json!({})).await.expect(200);
    let told = client.get(&format!("/v1/requests/{id}")).await.expect(200);
    assert_eq!((&told["state"], &told["animals"][0]["service_id"]), (&json!("done"), &json!(second)));

    // By the line of the ledger too, and what somebody closed stays closed.
    let id = client.make("/v1/requests", json!({"herd_id": farm.herd, "animal_ids": [two]})).await;
    let straw =
        client.post("/v1/withdrawals", json!({"animal_id": two, "lot_id": farm.sexed})).await.created();
    client.make("/v1/services", json!({"withdrawal_id": straw["id"]})).await;
    assert_eq!(state(client, &id).await, "done");
    let movement = client.get("/v1/movements?kind=withdrawal&limit=500").await.expect(200);
    let movement = movement["items"].as_array().unwrap().last().unwrap()["id"].as_str().unwrap().to_owned();
    client
        .post(&format!("/v1/movements/{movement}/reversal"), json!({"reason": "did_not_happen"}))
        .await
        .created();
    assert_eq!(state(client, &id).await, "open");
    let closing = json!({"reason": "Not in heat."});
    client.post(&format!("/v1/requests/{id}/closing"), closing).await.expect(200);
    let service = client.make("/v1/services", json!({"animal_id": two})).await;
    client.post(&reversal(&service), json!({})).await.expect(200);
    assert_eq!(state(client, &id).await, "done");
}

async fn the_round_shows_what_farms_ask_for(world: &World) {
    let client = &world.manager;
    let (near, far) = (Farm::found(client).await, Farm::found(client).await);
    let (one, two) = (near.animal(client, "412").await, near.animal(client, "413").await);
    let words = json!({"herd_id": far.herd, "text": "<Two> in heat.", "caller": "A. Example",
                       "telephone": "00 000", "wanted_by": "2026-03-02T09:00:00+01:00"});
    let words = client.post("/v1/requests", words).await.created();
    let named = json!({"herd_id": near.herd, "animal_ids": [one, two]});
    let named = client.post("/v1/requests", named).await.created();
    let stops = |round: Value| round["stops"].as_array().unwrap().clone();
    let told = stops(client.get("/v1/round").await.expect(200));
    assert_eq!(told.len(), 2, "{told:#?}");
    assert_eq!(told[0]["requests"], json!([words]), "who names an hour comes first");
    assert_eq!(told[1]["requests"], json!([named]));
    assert_eq!(told[0]["animals"], json!([]), "it is no heat on record");
    // Of one herd, and not before the farm asked.
    let of_one = stops(client.get(&format!("/v1/round?herd_id={}", far.herd)).await.expect(200));
    assert_eq!(of_one.len(), 1);
    assert_eq!(stops(client.get("/v1/round?date=2026-03-01").await.expect(200)), [] as [Value; 0]);
    assert_eq!(stops(client.get("/v1/round?date=2026-03-04").await.expect(200)).len(), 2, "it waits on");

    client.make("/v1/services", json!({"animal_id": one})).await;
    let csv = client.get("/v1/round?format=csv").await;
    let mut lines = csv::Reader::from_reader(csv.text.as_bytes());
    let rows: Vec<_> =
        lines.records().map(|line| line.unwrap()).filter(|line| &line[2] == "request").collect();
    assert_eq!(rows.len(), 2, "{}", csv.text);
    assert_eq!(&rows[0][rows[0].len() - 1], "<Two> in heat., A. Example, 00 000");
    assert_eq!(&rows[1][1], "413", "412 was served");
    let page = client.get("/v1/round?format=html").await;
    assert!(
        page.text.contains("&lt;Two&gt; in heat.") && page.text.contains("The farm asks"),
        "{}",
        page.text
    );

    client.make("/v1/services", json!({"animal_id": two})).await;
    client
        .post(
            &format!("/v1/requests/{}/closing", words["id"].as_str().unwrap()),
            json!({"reason": "Served."}),
        )
        .await
        .expect(200);
    let told = stops(client.get("/v1/round").await.expect(200));
    assert!(told.iter().all(|stop| stop["requests"] == json!([])), "{told:#?}");
}
