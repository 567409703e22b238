//! The day's round: whom to serve by when, with which straws, lifting each canister once.

use std::collections::BTreeSet;

use chrono::TimeDelta;
use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    on_both_stores,
    statements::cost,
    world::{Client, Farm, World},
};

on_both_stores!(
    the_round_has_everyone_in_heat_with_her_straw,
    two_animals_never_count_on_the_same_last_straw,
    who_was_served_or_is_too_late_is_marked,
    who_may_come_back_is_to_be_watched,
    it_is_one_list_over_all_herds_or_some,
    it_can_be_printed_and_taken_into_a_spreadsheet,
    it_costs_the_same_however_many_are_due,
);

async fn round(client: &Client, query: &str) -> Value {
    client.get(&format!("/v1/round?{query}")).await.expect(200)
}

async fn in_heat(client: &Client, animal: &str, at: &str) {
    client
        .post("/v1/heats", json!({"animal_id": animal, "standing_at": at, "method": "seen"}))
        .await
        .created();
}

fn numbers(stop: &Value) -> Vec<&str> {
    stop["animals"]
        .as_array()
        .unwrap()
        .iter()
        .map(|animal| animal["animal_number"].as_str().unwrap())
        .collect()
}

async fn the_round_has_everyone_in_heat_with_her_straw(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let [early, late, again, pregnant, none] = [
        farm.animal(client, "1").await,
        farm.animal(client, "2").await,
        farm.animal(client, "3").await,
        farm.animal(client, "4").await,
        farm.animal(client, "5").await,
    ];
    // Sexed semen 14 to 24 h after standing heat, conventional 4 to 16 h (trade's figures beside the timing).
    in_heat(client, &early, "2026-03-01T12:00:00+01:00").await;
    in_heat(client, &late, "2026-03-01T20:00:00+01:00").await;
    farm.served(client, &again, "2026-02-08T08:00:00+01:00").await;
    in_heat(client, &again, "2026-03-01T22:00:00+01:00").await;
    in_heat(client, &pregnant, "2026-03-01T22:00:00+01:00").await;
    let check = json!({"animal_id": pregnant, "checked_at": "2026-02-20T08:00:00+01:00", "method": "ultrasound", "result": "pregnant"});
    client.post("/v1/pregnancy-checks", check).await.created();
    // Tomorrow's: not before 14 h after this evening.
    in_heat(client, &none, "2026-03-02T18:00:00+01:00").await;

    let told = round(client, "date=2026-03-02").await;
    let stops = told["stops"].as_array().unwrap();
    assert_eq!(stops.len(), 1);
    let stop = &stops[0];
    assert_eq!((&stop["herd_id"], &stop["herd_name"]), (&json!(farm.herd), &json!("Lower Meadow")));
    assert_eq!(numbers(stop), ["1", "3", "2", "4"], "the earliest deadline first: {told:#}");
    let [one, three, two, four] = [0, 1, 2, 3].map(|n| &stop["animals"][n]);
    assert_eq!(one["timing"]["latest_at"], "2026-03-02T11:00:00Z");
    assert_eq!(one["semen_types"], json!(["sexed_female"]));
    assert_eq!((&three["service_number"], &three["semen_types"]), (&json!(2), &json!(["conventional"])));
    assert_eq!(one["straw"]["lot"]["id"], json!(farm.sexed));
    assert_eq!(three["straw"]["lot"]["id"], json!(farm.conventional));
    assert_eq!(
        (&four["permitted"], &four["straw"], &four["short"]),
        (&json!(false), &Value::Null, &json!(false))
    );
    assert_eq!(four["objections"][0]["kind"], "animal_pregnant");
    // Canister 3 for both sexed straws, canister 4 for the other: each lifted once.
    let lifts: Vec<_> = stop["lifts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|lift| (lift["canister"].as_i64().unwrap(), lift["straws"].as_array().unwrap().len()))
        .collect();
    assert_eq!(lifts, [(3, 2), (4, 1)]);
    assert_eq!(two["straw"]["place"]["canister"], 3);
    assert_eq!(told["shortages"], json!([]));
    // The next day has the evening's heat, and those of the day before are over.
    let next = round(client, "date=2026-03-03").await;
    assert_eq!(numbers(&next["stops"][0]), ["5"], "{next:#}");
    assert_eq!(round(client, "date=2026-01-01").await["stops"], json!([]));
    // Today at the herds, when no day is said.
    assert_eq!(round(client, "").await["date"], "2026-03-02");
}

async fn two_animals_never_count_on_the_same_last_straw(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let all = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 9, "reason": "exposed"});
    client.post("/v1/discards", all).await.created();
    for (number, at) in [
        ("1", "2026-03-01T12:00:00+01:00"),
        ("2", "2026-03-01T11:00:00+01:00"),
        ("3", "2026-03-01T13:00:00+01:00"),
    ] {
        in_heat(client, &farm.animal(client, number).await, at).await;
    }
    let told = round(client, "date=2026-03-02").await;
    let stop = &told["stops"][0];
    assert_eq!(numbers(stop), ["2", "1", "3"]);
    let short: Vec<_> =
        stop["animals"].as_array().unwrap().iter().map(|animal| animal["short"] == true).collect();
    assert_eq!(short, [false, true, true], "the earliest deadline has the last straw");
    let shortage = &told["shortages"][0];
    assert_eq!((&shortage["straws"], &shortage["animal_numbers"]), (&json!(2), &json!(["1", "3"])));
    assert!(shortage["text"].as_str().unwrap().contains("2 straws missing at Lower Meadow"), "{shortage:#}");
    // On hold it is nobody's, and another owner's is not hers.
    client.post("/v1/holds", json!({"tank_id": farm.tank, "reason": "Flood."})).await.created();
    let held = round(client, "date=2026-03-02").await;
    assert_eq!(held["shortages"][0]["straws"], 3);
    assert_eq!(held["stops"][0]["lifts"], json!([]));
}

async fn who_was_served_or_is_too_late_is_marked(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (served, late) = (farm.animal(client, "1").await, farm.animal(client, "2").await);
    in_heat(client, &served, "2026-03-01T10:00:00+01:00").await;
    in_heat(client, &late, "2026-02-28T23:00:00+01:00").await;
    let taken =
        client.post("/v1/withdrawals", json!({"animal_id": served, "lot_id": farm.sexed})).await.created();
    let out = round(client, "date=2026-03-02").await;
    let first = &out["stops"][0]["animals"][1];
    assert!(first["cautions"].to_string().contains("is not accounted for"), "{first:#}");
    client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
    world.pass(TimeDelta::minutes(30));
    let told = round(client, "date=2026-03-02").await;
    let [two, one] = [0, 1].map(|n| &told["stops"][0]["animals"][n]);
    assert_eq!((&one["timing"]["served_at"], &one["straw"]), (&taken["withdrawn_at"], &Value::Null));
    assert_eq!((&two["timing"]["state"], &two["straw"]), (&json!("passed"), &Value::Null));
    assert_eq!(told["shortages"], json!([]));
    assert_eq!(round(client, "date=2026-03-03").await["stops"], json!([]), "done with");
}

async fn who_may_come_back_is_to_be_watched(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // A normal cycle is 18-24 days (Extension; NZ AB series I).
    for (number, at) in [("17", 17), ("18", 18), ("24", 24), ("25", 25)] {
        let served_at = (world.now() - TimeDelta::days(at)).to_rfc3339();
        farm.served(client, &farm.animal(client, number).await, &served_at).await;
    }
    let found = farm.animal(client, "found").await;
    farm.served(client, &found, "2026-02-10T06:00:00+01:00").await;
    let check = json!({"animal_id": found, "method": "milk", "result": "pregnant", "checked_at": "2026-03-01T06:00:00+01:00"});
    client.post("/v1/pregnancy-checks", check).await.created();
    let told = round(client, "date=2026-03-02").await;
    let stop = &told["stops"][0];
    let watched: Vec<_> =
        stop["watch"].as_array().unwrap().iter().map(|w| w["animal_number"].as_str().unwrap()).collect();
    assert_eq!((watched, &stop["animals"]), (vec!["24", "18"], &json!([])));
    assert_eq!(
        (&stop["watch"][0]["service_number"], &stop["watch"][0]["semen_types"]),
        (&json!(2), &json!(["conventional"]))
    );
}

async fn it_is_one_list_over_all_herds_or_some(world: &World) {
    let client = &world.manager;
    let farms = [Farm::found(client).await, Farm::found(client).await, Farm::found(client).await];
    for (n, farm) in farms.iter().enumerate() {
        in_heat(client, &farm.animal(client, &n.to_string()).await, &format!("2026-03-01T1{n}:00:00+01:00"))
            .await;
    }
    let herds = |told: &Value| -> BTreeSet<String> {
        told["stops"]
            .as_array()
            .unwrap()
            .iter()
            .map(|stop| stop["herd_id"].as_str().unwrap().to_owned())
            .collect()
    };
    assert_eq!(herds(&round(client, "date=2026-03-02").await).len(), 3);
    let two =
        round(client, &format!("date=2026-03-02&herd_id={}&herd_id={}", farms[0].herd, farms[2].herd)).await;
    assert_eq!(herds(&two), BTreeSet::from([farms[0].herd.clone(), farms[2].herd.clone()]));
    assert_eq!(round(client, &format!("herd_id={}", uuid::Uuid::now_v7())).await["stops"], json!([]));
    assert_eq!(
        client.get("/v1/round?herd_id=412").await.problem(400, "invalid-query")["errors"][0]["pointer"],
        "herd_id"
    );
    assert_eq!(
        client.get("/v1/round?date=tomorrow").await.problem(400, "invalid-query")["errors"][0]["pointer"],
        "date"
    );
    client.get("/v1/round?date=2026-03-02&date=2026-03-03").await.problem(400, "invalid-query");
    let neighbour = world.neighbour().await;
    assert_eq!(round(&neighbour, "date=2026-03-02").await["stops"], json!([]));
    let reader = world.caller(Role::Reader).await;
    assert_eq!(herds(&round(&reader, "date=2026-03-02").await).len(), 3);
}

async fn it_can_be_printed_and_taken_into_a_spreadsheet(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    client
        .patch(&format!("/v1/herds/{}", farm.herd), None, json!({"name": "<Meadow> & Sons"}))
        .await
        .expect(200);
    client.patch(&format!("/v1/sires/{}", farm.sire), None, json!({"name": "=1+1"})).await.expect(200);
    in_heat(client, &farm.animal(client, "412").await, "2026-03-01T12:00:00+01:00").await;
    let csv = client.get("/v1/round?date=2026-03-02&format=csv").await;
    assert_eq!(csv.header("content-type"), "text/csv; charset=utf-8; header=present");
    let mut lines = csv::Reader::from_reader(csv.text.as_bytes());
    let names = lines.headers().unwrap().clone();
    let line = lines.records().next().unwrap().unwrap();
    let of = |name: &str| &line[names.iter().position(|column| column == name).unwrap()];
    assert_eq!((of("animal_number"), of("semen_types"), of("canister")), ("412", "sexed_female", "3"));
    assert_eq!(of("sire_name"), "'=1+1", "a cell is no formula");
    let page = client.get("/v1/round?date=2026-03-02&format=html").await;
    assert!(page.header("content-type").starts_with("text/html"));
    assert!(page.header("content-security-policy").starts_with("default-src 'none'"));
    assert!(
        page.text.contains("&lt;Meadow&gt; &amp; Sons") && !page.text.contains("<Meadow>"),
        "{}",
        page.text
    );
    assert!(page.text.contains("canister 3") && page.text.contains("412"));
    let empty = client.get("/v1/round?date=2026-01-01&format=html").await;
    assert!(empty.text.contains("Nobody is due"));
}

async fn it_costs_the_same_however_many_are_due(world: &World) {
    let client = &world.manager;
    let farms = [Farm::found(client).await, Farm::found(client).await];
    let mut n = 0;
    let mut costs = Vec::new();
    for many in [1, 20] {
        for farm in &farms {
            for _ in 0..many {
                n += 1;
                in_heat(client, &farm.animal(client, &n.to_string()).await, "2026-03-01T12:00:00+01:00")
                    .await;
            }
        }
        let (told, statements) = cost(world, client.get("/v1/round")).await;
        let told = told.expect(200);
        let due: usize = told["stops"]
            .as_array()
            .unwrap()
            .iter()
            .map(|stop| stop["animals"].as_array().unwrap().len())
            .sum();
        assert_eq!(due, n);
        assert!(statements.len() <= 12, "{statements:#?}");
        costs.push(statements.len());
    }
    assert_eq!(costs[0], costs[1]);
}
