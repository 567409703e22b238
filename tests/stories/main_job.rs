//! From a delivery to a recorded service.

use chrono::TimeDelta;
use serde_json::json;

use crate::{
    on_both_stores,
    world::{Farm, World},
};

on_both_stores!(
    from_a_delivery_to_a_recorded_service,
    a_repeat_is_served_with_conventional_semen,
    the_oldest_collection_is_used_first,
    a_discarded_straw_is_no_service,
    a_service_with_a_foreign_straw_counts,
);

async fn from_a_delivery_to_a_recorded_service(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;

    let heat = json!({"animal_id": animal, "standing_at": "2026-03-01T18:10:00+01:00", "method": "seen"});
    client.post("/v1/heats", heat).await.created();

    let next = client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200);
    assert_eq!((&next["service_number"], &next["rank"]), (&json!(1), &json!(1)));
    // Sexed for the first service: common practice, no source.
    assert_eq!(next["semen_types"], json!(["sexed_female"]));
    assert!(next["rule"]["text"].as_str().unwrap().contains("service 1"));
    assert_eq!(next["candidates"].as_array().unwrap().len(), 1);
    assert_eq!(next["candidates"][0]["lot"]["id"], json!(farm.sexed));
    assert_eq!(next["candidates"][0]["place"], farm.place(3));
    assert_eq!(next["candidates"][0]["straws"], 10);
    // 14-20 h and 16-24 h after standing heat for sexed semen: extension texts.
    assert_eq!(next["timing"]["earliest_at"], "2026-03-02T07:10:00Z");
    assert_eq!(next["timing"]["best_at"], "2026-03-02T13:10:00Z");
    assert_eq!(next["timing"]["latest_at"], "2026-03-02T17:10:00Z");
    // 35.0-37.0 C: common practice, no source; aim 96 F: South Dakota State Univ. Extension; 45 s: Nebel, Virginia Cooperative
    // Extension, 1997; sexed within 5 min: trade guidance.
    let thaw = &next["thaw"];
    assert_eq!((&thaw["min_c"], &thaw["max_c"], &thaw["aim_c"]), (&json!(35.0), &json!(37.0), &json!(35.6)));
    assert_eq!((&thaw["min_s"], &thaw["use_within_s"]), (&json!(45), &json!(300)));
    assert!(!next["cautions"].as_array().unwrap().is_empty());

    world.set_clock("2026-03-02T14:00:00+01:00");
    let order = json!({"animal_id": animal, "sire_id": farm.sire, "technician": "T. Example"});
    let taken = client.post("/v1/withdrawals", order).await;
    let location = taken.headers["location"].to_str().unwrap().to_owned();
    let taken = taken.created();
    assert_eq!(taken["state"], "out");
    assert_eq!(taken["service_number"], 1);
    assert_eq!(taken["lot"]["id"], json!(farm.sexed));
    assert_eq!(taken["place"], farm.place(3));
    assert_eq!(taken["deviations"], json!([]));
    assert_eq!(farm.straws(client, &farm.sexed).await, 9);
    let withdrawal = taken["id"].as_str().unwrap();
    assert_eq!(location, format!("/v1/withdrawals/{withdrawal}"));

    let bath = json!({"bath_temp_c": 35.6, "started_at": "2026-03-02T14:00:12+01:00"});
    let thawing = client.post(&format!("/v1/withdrawals/{withdrawal}/thaw"), bath).await.expect(200);
    assert_eq!(thawing["ready_at"], "2026-03-02T13:00:57Z");
    assert_eq!(thawing["use_by"], "2026-03-02T13:05:00Z");
    assert_eq!(thawing["state"], "thawing");
    world.set_clock("2026-03-02T14:02:00+01:00");
    assert_eq!(client.get(&location).await.expect(200)["state"], "thawed");

    world.set_clock("2026-03-02T14:04:00+01:00");
    let service = json!({"withdrawal_id": withdrawal, "served_at": "2026-03-02T14:03:00+01:00"});
    let service = client.post("/v1/services", service).await.created();
    assert_eq!((&service["service_number"], &service["rank"]), (&json!(1), &json!(1)));
    assert_eq!(service["animal_id"], json!(animal));
    assert_eq!(service["sire"]["id"], json!(farm.sire));
    assert_eq!(service["lot"]["id"], json!(farm.sexed));
    assert_eq!(service["technician"], "T. Example", "who withdrew the straw served her");
    assert_eq!(service["semen_from_herd_stock"], true);
    assert_eq!(service["deviations"], json!([]));
    // Holstein heifer 277.8 days, rounded 278: Norman et al. 2009, J Dairy Sci 92:2259-2269.
    // 2 March 2026 + 278 days, by hand: 29 in March, 30, 31, 30, 31, 31, 30, 31, 30 to the end of
    // November make 273; 5 more are 5 December.
    assert_eq!(service["due"]["due_on"], "2026-12-05");
    // 18-24 d, mean 21: common practice, no source.
    assert_eq!(service["return_watch"]["from_on"], "2026-03-20");
    assert_eq!(service["return_watch"]["to_on"], "2026-03-26");

    let after = client.get(&location).await.expect(200);
    assert_eq!(after["state"], "served");
    let again = client.post("/v1/services", json!({"withdrawal_id": withdrawal})).await;
    again.problem(409, "already-resolved");
    let ledger = client.get(&format!("/v1/movements?lot_id={}", farm.sexed)).await.expect(200);
    let kinds: Vec<_> = ledger["items"].as_array().unwrap().iter().map(|line| line["kind"].clone()).collect();
    assert_eq!(kinds, ["receipt", "withdrawal"]);
}

async fn a_repeat_is_served_with_conventional_semen(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "77").await;
    farm.served(client, &animal, "2026-02-09T08:00:00+01:00").await;

    // She came back after 21 days: a normal cycle.
    let next = client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200);
    assert_eq!(next["service_number"], 2);
    assert_eq!(next["semen_types"], json!(["conventional"]));
    let taken = client.post("/v1/withdrawals", json!({"animal_id": animal, "sire_id": farm.sire})).await;
    let taken = taken.created();
    assert_eq!(taken["semen_type"], "conventional");
    assert_eq!(taken["thaw"]["use_within_s"], 900);
    let service = client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
    assert_eq!(service["service_number"], 2);

    // Two inseminations 12 h apart are one heat: double-insemination retrospective.
    world.pass(TimeDelta::hours(12));
    let next = client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200);
    assert_eq!((&next["service_number"], &next["rank"]), (&json!(2), &json!(2)));
}

async fn the_oldest_collection_is_used_first(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let older = farm.lot(client, "sexed_female", "2023-01-15").await;
    farm.receive(client, &older, 6, 1).await;
    let take = async |number: &str| {
        let animal = farm.animal(client, number).await;
        let wish = json!({"animal_id": animal, "sire_id": farm.sire});
        client.post("/v1/withdrawals", wish).await.created()["lot"]["id"].clone()
    };
    assert_eq!(take("1").await, json!(older));
    assert_eq!(take("2").await, json!(farm.sexed), "the older lot is used up");
}

async fn a_discarded_straw_is_no_service(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "9").await;
    let taken =
        client.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed})).await.created();
    let discard = format!("/v1/withdrawals/{}/discard", taken["id"].as_str().unwrap());
    let wrong = client.post(&discard, json!({"reason": "other"})).await;
    assert_eq!(wrong.pointers(), ["#/note"]);
    let done = client.post(&discard, json!({"reason": "dropped"})).await.expect(200);
    assert_eq!(done["state"], "discarded");
    client.post(&discard, json!({"reason": "dropped"})).await.problem(409, "already-resolved");
    client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.problem(409, "already-resolved");
    assert_eq!(farm.straws(client, &farm.sexed).await, 9, "it hangs nowhere any more");
    let next = client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200);
    assert_eq!(next["service_number"], 1);
    let last = client.get("/v1/movements").await.expect(200)["items"][3].clone();
    assert_eq!((&last["kind"], &last["reason"]), (&json!("discard"), &json!("dropped")));
    assert_eq!((&last["from"]["kind"], &last["to"]["kind"]), (&json!("used"), &json!("discarded")));
}

async fn a_service_with_a_foreign_straw_counts(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "10").await;
    let service = json!({"animal_id": animal, "sire_id": farm.sire, "semen_type": "conventional",
                         "served_at": "2026-02-01T08:00:00Z"});
    let service = client.post("/v1/services", service).await.created();
    assert_eq!((&service["lot"], &service["withdrawal_id"]), (&json!(null), &json!(null)));
    assert_eq!(service["sire"]["name"], "Invented One");
    assert_eq!(farm.straws(client, &farm.conventional).await, 10, "no straw of this book was used");

    // A service that is told late takes its place, and those after it are renumbered.
    farm.served(client, &animal, "2026-01-10T08:00:00Z").await;
    let listed = client.get(&format!("/v1/services?animal_id={animal}")).await.expect(200);
    let numbers: Vec<_> =
        listed["items"].as_array().unwrap().iter().map(|s| s["service_number"].clone()).collect();
    assert_eq!(numbers, [2, 1], "in the order of entry");

    let calving = json!({"animal_id": animal, "calved_at": "2026-01-20T08:00:00Z"});
    client.post("/v1/calvings", calving).await.created();
    let listed = client.get(&format!("/v1/services?animal_id={animal}")).await.expect(200);
    let numbers: Vec<_> =
        listed["items"].as_array().unwrap().iter().map(|s| s["service_number"].clone()).collect();
    assert_eq!(numbers, [1, 1], "the calving begins a new cycle");

    let both = json!({"withdrawal_id": uuid::Uuid::now_v7(), "animal_id": animal});
    assert_eq!(client.post("/v1/services", both).await.pointers(), ["#/withdrawal_id"]);
    assert_eq!(client.post("/v1/services", json!({})).await.pointers(), ["#/withdrawal_id"]);
}
