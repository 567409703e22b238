//! Herd systems that speak the open Animal Data Exchange (ICAR ADE, version 1.3), both ways.
//!
//! What the standard asks of paths, envelopes, batches and errors is said beside each check; that every
//! answer is valid is checked by an implementation that is not ours, in tests/ade.

use std::collections::{BTreeMap, BTreeSet};

use reqwest::Method;
use serde_json::{Value, json};
use tankside::{domain::exchange::ItemKind, store::key::Role};
use uuid::Uuid;

use crate::{
    on_both_stores,
    world::{Answer, Client, Farm, World},
};

on_both_stores!(
    every_path_asks_for_a_key_and_a_role,
    a_location_is_found_by_its_official_name_or_ours,
    a_heat_that_comes_in_times_the_next_service,
    a_calving_that_comes_in_begins_a_new_cycle,
    an_insemination_with_a_straw_of_ours_takes_it_from_the_stock_once,
    a_straw_is_known_by_any_name_of_its_sire,
    what_is_not_certain_is_flagged_and_nothing_guessed,
    a_straw_that_was_withdrawn_here_is_not_taken_twice,
    a_person_settles_what_was_flagged,
    what_is_newer_corrects_by_reversal_and_new_entry,
    what_is_taken_back_is_reversed,
    a_correction_keeps_the_straw_that_was_settled,
    a_recommendation_becomes_the_plan,
    an_animal_is_entered_and_found_by_any_of_her_names,
    what_is_only_kept_counts_for_nothing,
    what_goes_out_is_complete,
    what_came_in_is_told_again_as_it_came,
    what_is_ours_and_comes_back_stays_as_it_is,
    whoever_reads_on_by_time_hears_of_every_change,
    pages_miss_nothing_while_others_write,
    a_batch_answers_for_each_of_its_items,
    what_is_wrong_is_said_with_its_place,
    nothing_is_told_next_door,
    garbled_resources_are_refused_and_change_nothing,
);

const SOURCE: &str = "org.example.herdsystem";

/// A farm at an official location, with a herd system's key.
struct Yard {
    manager: Client,
    herd_system: Client,
    farm: Farm,
    at: String,
}

impl Yard {
    async fn of(world: &World) -> Self {
        let manager = world.manager.clone();
        let farm = Farm::found(&manager).await;
        let location = json!({"location": {"scheme": "uk.cph", "id": "34/123/1234"}});
        manager.patch(&format!("/v1/herds/{}", farm.herd), None, location).await.expect(200);
        let names = json!({"identifiers": [
            {"scheme": "international-id", "id": "HOLCANM000000A12345"},
            {"scheme": "org.example.aicode", "id": "XA871"},
        ]});
        manager.patch(&format!("/v1/sires/{}", farm.sire), None, names).await.expect(200);
        let herd_system = world.caller(Role::Integration).await;
        Self { manager, herd_system, farm, at: "/ade/locations/uk.cph/34%2F123%2F1234".to_owned() }
    }

    /// An animal with two official names; gives her id here.
    async fn animal(&self, number: &str) -> String {
        let animal = json!({"herd_id": self.farm.herd, "number": number, "born_on": "2023-05-02", "identifiers": [
            {"scheme": "eu.bovine", "id": format!("XX 0417 {number}")},
            {"scheme": "iso-11784", "id": format!("2760000000{number:0>5}")},
        ]});
        self.manager.make("/v1/animals", animal).await
    }

    async fn send(&self, what: &str, resource: &Value) -> Value {
        self.herd_system.post(&format!("{}/{what}", self.at), resource.clone()).await.expect(200)
    }

    async fn get(&self, what: &str) -> Value {
        self.herd_system.get(&format!("{}/{what}", self.at)).await.expect(200)
    }

    async fn members(&self, what: &str) -> Vec<Value> {
        self.get(what).await["member"].as_array().unwrap().clone()
    }

    async fn next(&self, animal: &str) -> Value {
        self.manager.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200)
    }

    async fn flagged(&self) -> Vec<Value> {
        let page = self.manager.get("/v1/ade-items?flagged=true").await.expect(200);
        page["items"].as_array().unwrap().clone()
    }

    async fn services(&self, animal: &str) -> Vec<Value> {
        let page = self.manager.get(&format!("/v1/services?animal_id={animal}")).await.expect(200);
        let services = page["items"].as_array().unwrap();
        services.iter().filter(|service| service["reversed_at"].is_null()).cloned().collect()
    }

    async fn sexed_left(&self) -> i64 {
        self.farm.straws(&self.manager, &self.farm.sexed).await
    }

    async fn settle(&self, item: &Value, resolution: Value) -> Answer {
        let path = format!("/v1/ade-items/{}/resolution", item["id"].as_str().unwrap());
        self.manager.post(&path, resolution).await
    }

    /// The number of the last change in the book.
    async fn last_change(&self) -> i64 {
        let mut after = 0;
        loop {
            let page = self.manager.get(&format!("/v1/changes?limit=1000&after={after}")).await.expect(200);
            after = page["next_after"].as_i64().unwrap();
            if page["more"] == false {
                return after;
            }
        }
    }

    /// Everything in the book and in what was sent.
    async fn everything(&self) -> BTreeMap<String, Value> {
        let mut all = BTreeMap::new();
        for list in [
            "business",
            "herds",
            "tanks",
            "sires",
            "lots",
            "animals",
            "movements",
            "stock",
            "withdrawals",
            "services",
            "heats",
            "pregnancy-checks",
            "calvings",
            "abortions",
            "do-not-breed",
            "ade-items",
            "changes",
        ] {
            let query = if list == "business" { "" } else { "?limit=500" };
            all.insert(list.to_owned(), self.manager.get(&format!("/v1/{list}{query}")).await.expect(200));
        }
        all
    }
}

/// The object with more members.
fn with_members(mut object: Value, more: Value) -> Value {
    let Value::Object(more) = more else { panic!("{more} is no object") };
    object.as_object_mut().unwrap().extend(more);
    object
}

/// An event of the animal with that number.
fn event(id: &str, number: &str, at: &str, more: Value) -> Value {
    let event = json!({
        "id": null,
        "meta": {"source": SOURCE, "sourceId": id, "modified": "2026-03-02T04:00:00Z"},
        "animal": {"scheme": "eu.bovine", "id": format!("XX 0417 {number}")},
        "eventDateTime": at,
    });
    with_members(event, more)
}

/// An insemination of the animal with that number with a straw that is told so.
fn insemination(id: &str, number: &str, at: &str, straw: Value) -> Value {
    let mut more = json!({"resourceType": "icarReproInseminationEventResource", "inseminationType": "Insemination",
                          "responsible": "TECH-07"});
    more["straw"] = straw;
    event(id, number, at, more)
}

/// The sexed straw of the invented farm, as a herd system would name it.
fn sexed() -> Value {
    json!({"resourceType": "icarReproSemenStrawResource", "batch": "24117", "preservationType": "Frozen",
           "sireIdentifiers": [{"scheme": "org.example.aicode", "id": "XA871"}],
           "isSexedSemen": true, "sexedGender": "Female"})
}

/// The same as it changed over there at that time.
fn modified(resource: &Value, at: &str) -> Value {
    let mut resource = resource.clone();
    resource["meta"]["modified"] = json!(at);
    resource
}

const JSON: (&str, &str) = ("content-type", "application/json");

async fn every_path_asks_for_a_key_and_a_role(world: &World) {
    let yard = Yard::of(world).await;
    let reader = world.caller(Role::Reader).await;
    let technician = world.caller(Role::Technician).await;
    let batches = yard.at.replace("/ade/", "/ade/batches/");
    let mut kinds = BTreeSet::new();
    // The standard's reproduction and registration URL schemes.
    for what in [
        "inseminations",
        "heats",
        "pregnancy-checks",
        "parturitions",
        "abortions",
        "do-not-breeds",
        "mating-recommendations",
        "animals",
    ] {
        let (one, many) = (format!("{}/{what}", yard.at), format!("{batches}/{what}"));
        let single = format!("{one}/{}", Uuid::now_v7());
        for (method, path) in
            [(Method::GET, &one), (Method::POST, &one), (Method::POST, &many), (Method::GET, &single)]
        {
            let answer = reader.send_without_key(method, path, &[JSON], b"[]".to_vec()).await;
            assert_eq!((answer.status, answer.header("www-authenticate")), (401, "Bearer"), "{path}");
        }
        for client in [&reader, &technician, &yard.herd_system, &yard.manager] {
            client.get(&one).await.expect(200);
            client.get(&single).await.expect(404);
        }
        for (path, body) in [(&one, "[]"), (&many, "{}")] {
            let refused = reader.send(Method::POST, path, &[JSON], body.into()).await;
            assert_eq!(refused.status, 403, "{path}");
            for client in [&technician, &yard.herd_system, &yard.manager] {
                client.send(Method::POST, path, &[JSON], body.into()).await.expect(422);
            }
            // No PUT, PATCH, DELETE in the URL schemes.
            let answer = yard.manager.send(Method::DELETE, path, &[], vec![]).await;
            assert!(answer.headers.contains_key("allow"));
            answer.expect(405);
        }
        kinds.insert(what);
    }
    assert_eq!(kinds.len(), ItemKind::ALL.len(), "every kind is walked");
    yard.herd_system.get("/ade").await.expect(404);
    yard.herd_system.get(&format!("{}/gestations", yard.at)).await.expect(404);
    assert_eq!(reader.send_without_key(Method::GET, "/ade/locations", &[], vec![]).await.status, 401);
}

async fn a_location_is_found_by_its_official_name_or_ours(world: &World) {
    let yard = Yard::of(world).await;
    let list = yard.herd_system.get("/ade/locations").await.expect(200);
    assert_eq!(list["view"]["totalItems"], 1);
    let location = &list["member"][0];
    assert_eq!(location["identifier"], json!({"scheme": "uk.cph", "id": "34/123/1234"}));
    assert_eq!(
        (&location["timeZoneId"], &location["name"]),
        (&json!("Europe/Vienna"), &json!("Lower Meadow"))
    );
    let ours = format!("/ade/locations/tankside.herd/{}/heats", yard.farm.herd);
    assert_eq!(yard.herd_system.get(&ours).await.expect(200)["member"], json!([]));
    for unknown in [
        "uk.cph/34%2F123%2F1235",
        "uk.CPH/34%2F123%2F1234",
        "tankside.herd/1",
        "%00/1",
        &format!("tankside.herd/{}", Uuid::now_v7()),
    ] {
        yard.herd_system.get(&format!("/ade/locations/{unknown}/heats")).await.expect(404);
    }
    // Two herds of one location are told apart by our own name for them.
    let twin =
        json!({"name": "Twin", "time_zone": "UTC", "location": {"scheme": "uk.cph", "id": "34/123/1234"}});
    yard.manager.make("/v1/herds", twin).await;
    let answer = yard.herd_system.get(&format!("{}/heats", yard.at)).await;
    assert!(answer.text.contains("tankside.herd"), "{answer:?}");
    answer.expect(404);
    yard.herd_system.get(&ours).await.expect(200);
}

async fn a_heat_that_comes_in_times_the_next_service(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    assert_eq!(yard.next(&animal).await["timing"], Value::Null);
    let heat = event(
        "h-1",
        "412",
        "2026-03-02T02:10:00Z",
        json!({
        "resourceType": "icarReproHeatEventResource", "heatDetectionMethod": "Collar", "certainty": "InHeat"}),
    );
    let told = yard.send("heats", &heat).await;
    assert_eq!(told["meta"]["source"], SOURCE);
    let timing = yard.next(&animal).await["timing"].clone();
    assert_eq!(
        timing["standing_at"].as_str().or(timing["heat_at"].as_str()),
        Some("2026-03-02T02:10:00Z"),
        "{timing}"
    );
    let page = yard.manager.get(&format!("/v1/heats?animal_id={animal}")).await.expect(200);
    assert_eq!(page["items"][0]["method"], "collar");
    // The same once more changes nothing, whatever its offset, its order and what nobody knows.
    let before = yard.everything().await;
    let mut again = heat.clone();
    again["eventDateTime"] = json!("2026-03-02T03:10:00+01:00");
    again["colour"] = json!("red");
    again["remark"] = Value::Null;
    for resource in [&heat, &again, &modified(&again, "2026-03-02T04:30:00Z")] {
        let answer = yard.send("heats", resource).await;
        assert_eq!((&answer["id"], &answer["meta"]), (&told["id"], &told["meta"]));
    }
    assert_eq!(yard.everything().await, before);
}

async fn a_calving_that_comes_in_begins_a_new_cycle(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    yard.farm.served(&yard.manager, &animal, "2025-02-01T06:00:00Z").await;
    assert_eq!(yard.next(&animal).await["service_number"], 2);
    let calving = event(
        "p-1",
        "412",
        "2025-11-10T06:00:00Z",
        json!({
        "resourceType": "icarReproParturitionEventResource", "calvingEase": "EasyUnassisted", "liveProgeny": 1}),
    );
    yard.send("parturitions", &calving).await;
    let next = yard.next(&animal).await;
    assert_eq!((&next["service_number"], &next["class"]), (&json!(1), &json!("cow")));
    // A pregnancy, a loss, a decision.
    let check = event(
        "c-1",
        "412",
        "2026-02-20T06:00:00Z",
        json!({
        "resourceType": "icarReproPregnancyCheckEventResource", "method": "Echography", "result": "Pregnant"}),
    );
    yard.send("pregnancy-checks", &check).await;
    assert_eq!(yard.next(&animal).await["objections"][0]["kind"], "animal_pregnant");
    let loss = event(
        "a-1",
        "412",
        "2026-02-25T06:00:00Z",
        json!({"resourceType": "icarReproAbortionEventResource"}),
    );
    yard.send("abortions", &loss).await;
    assert_eq!(yard.next(&animal).await["permitted"], true);
    // Absent means true: the standard's default.
    let stop = event(
        "d-1",
        "412",
        "2026-02-26T06:00:00Z",
        json!({"resourceType": "icarReproDoNotBreedEventResource"}),
    );
    yard.send("do-not-breeds", &stop).await;
    assert_eq!(yard.next(&animal).await["objections"][0]["kind"], "do_not_breed");
    let mut go = event("d-2", "412", "2026-02-27T06:00:00Z", json!({"doNotBreed": false}));
    go["eventType"] = json!("icarReproDoNotBreedEventResource");
    yard.send("do-not-breeds", &go).await;
    assert_eq!(yard.next(&animal).await["permitted"], true);
}

async fn an_insemination_with_a_straw_of_ours_takes_it_from_the_stock_once(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let ai = insemination("i-1", "412", "2026-03-02T04:30:00Z", sexed());
    let told = yard.send("inseminations", &ai).await;
    assert_eq!(yard.sexed_left().await, 9);
    assert_eq!(yard.flagged().await, [] as [Value; 0]);
    let services = yard.services(&animal).await;
    assert_eq!((services.len(), &services[0]["lot"]["id"]), (1, &json!(yard.farm.sexed)));
    assert_eq!(
        (&services[0]["technician"], &services[0]["served_at"]),
        (&json!("TECH-07"), &json!("2026-03-02T04:30:00Z"))
    );
    assert_eq!(
        (&told["rank"], &told["farmContainer"]),
        (&json!(1), &json!("Dairy room, canister 3, cane B, upper goblet"))
    );
    assert_eq!(yard.next(&animal).await["service_number"], 1, "the same heat");
    world.pass(chrono::TimeDelta::days(21));
    assert_eq!(yard.next(&animal).await["service_number"], 2);
    // A hundred times the same, and at once: one straw.
    let path = format!("{}/inseminations", yard.at);
    let again = (0..20).map(|_| yard.herd_system.post(&path, ai.clone()));
    for answer in futures_util::future::join_all(again).await {
        assert_eq!(answer.expect(200)["id"], told["id"]);
    }
    assert_eq!(yard.sexed_left().await, 9);
    // What stood against it is on record, and it is not refused: conventional where sexed is called for.
    let other = yard.animal("7").await;
    let straw = json!({"id": {"scheme": "tankside.lot", "id": yard.farm.conventional}});
    yard.send("inseminations", &insemination("i-2", "7", "2026-03-02T05:00:00Z", straw)).await;
    assert_eq!(yard.farm.straws(&yard.manager, &yard.farm.conventional).await, 9);
    assert_eq!(yard.services(&other).await[0]["deviations"][0]["kind"], "choice_rule");
}

async fn a_straw_is_known_by_any_name_of_its_sire(world: &World) {
    let yard = Yard::of(world).await;
    for (n, name) in [
        json!({"scheme": "org.example.aicode", "id": "XA871"}),
        json!({"scheme": "icar.Interbull", "id": "HOL CAN M A12345"}),
        json!({"scheme": "international-id", "id": "HOLCANM000000A12345"}),
        json!({"scheme": "tankside.sire", "id": yard.farm.sire}),
    ]
    .into_iter()
    .enumerate()
    {
        let number = format!("{}", 10 + n);
        yard.animal(&number).await;
        let straw = json!({"batch": "24117", "isSexedSemen": true, "sireIdentifiers": [name]});
        yard.send("inseminations", &insemination(&format!("i-{n}"), &number, "2026-03-02T04:30:00Z", straw))
            .await;
        assert_eq!(yard.sexed_left().await, 9 - i64::try_from(n).unwrap());
    }
    // Of the event where no straw is told of.
    yard.animal("20").await;
    let mut ai = insemination("i-20", "20", "2026-03-02T04:30:00Z", json!({"isSexedSemen": false}));
    ai["sireIdentifiers"] = json!([{"scheme": "org.example.aicode", "id": "XA871"}]);
    yard.send("inseminations", &ai).await;
    assert_eq!(yard.farm.straws(&yard.manager, &yard.farm.conventional).await, 9);
    // Two names of one bull are one bull; a name of the animal is any of hers.
    yard.animal("21").await;
    let mut ai = insemination("i-21", "21", "2026-03-02T04:30:00Z", sexed());
    ai["animal"] = json!({"scheme": "std.iso.11785", "id": "276000000000021"});
    ai["straw"]["sireIdentifiers"] = json!([
        {"scheme": "org.example.aicode", "id": "XA871"}, {"scheme": "icar.Interbull", "id": "HOLCANM000000A12345"}]);
    yard.send("inseminations", &ai).await;
    assert_eq!(yard.sexed_left().await, 5);
    assert_eq!(yard.flagged().await, [] as [Value; 0]);
}

async fn what_is_not_certain_is_flagged_and_nothing_guessed(world: &World) {
    let yard = Yard::of(world).await;
    yard.farm.receive(&yard.manager, &yard.farm.conventional, 5, 3).await;
    let sire = |straw: Value| {
        let mut straw = straw;
        straw["sireIdentifiers"] = json!([{"scheme": "org.example.aicode", "id": "XA871"}]);
        straw
    };
    let cases = [
        (json!({}), "straw_unknown"),
        (json!({"sireIdentifiers": [{"scheme": "org.example.aicode", "id": "unheard of"}]}), "straw_unknown"),
        (sire(json!({"batch": "99999"})), "straw_unknown"),
        (sire(json!({"isSexedSemen": true, "sexedGender": "Male"})), "straw_unknown"),
        (sire(json!({"batch": "24117"})), "straw_ambiguous"),
        (sire(json!({"isSexedSemen": false})), "straw_ambiguous"),
        (json!({"id": {"scheme": "tankside.lot", "id": Uuid::now_v7()}}), "straw_unknown"),
    ];
    for (n, (straw, flag)) in cases.iter().enumerate() {
        let number = format!("{}", 10 + n);
        let animal = yard.animal(&number).await;
        let ai = insemination(&format!("i-{n}"), &number, "2026-03-02T04:30:00Z", straw.clone());
        let told = yard.send("inseminations", &ai).await;
        let flagged = yard.flagged().await;
        let item = flagged.iter().find(|item| item["id"] == told["id"]).unwrap();
        assert_eq!((&item["flag"], &item["animal_id"]), (&json!(flag), &json!(animal)), "{straw}");
        assert!(!item["flag_text"].as_str().unwrap().is_empty());
        // She was served all the same, and her numbers go on.
        let services = yard.services(&animal).await;
        assert_eq!((services.len(), &services[0]["withdrawal_id"]), (1, &Value::Null));
        assert_eq!(item["subject_id"], services[0]["id"]);
    }
    assert_eq!(
        (yard.sexed_left().await, yard.farm.straws(&yard.manager, &yard.farm.conventional).await),
        (10, 13)
    );
    assert_eq!(yard.flagged().await.len(), cases.len());
    // Fresh semen never hung in a tank: nothing to take, nothing to ask.
    let animal = yard.animal("50").await;
    let mut fresh = sexed();
    fresh["preservationType"] = json!("Liquid");
    yard.send("inseminations", &insemination("i-50", "50", "2026-03-02T04:30:00Z", fresh)).await;
    assert_eq!((yard.sexed_left().await, yard.services(&animal).await.len()), (10, 1));
    // The place decides between two; where it is named as we name it.
    yard.animal("51").await;
    let mut ai = insemination("i-51", "51", "2026-03-02T04:30:00Z", sire(json!({"isSexedSemen": false})));
    ai["farmContainer"] = json!("Dairy room, canister 5, cane B, upper goblet");
    yard.send("inseminations", &ai).await;
    assert_eq!(yard.farm.straws(&yard.manager, &yard.farm.conventional).await, 12);
    // Whose stock it was decides as well.
    yard.animal("52").await;
    let mut ai = insemination("i-52", "52", "2026-03-02T04:30:00Z", sexed());
    ai["semenFromFarmStocks"] = json!(false);
    yard.send("inseminations", &ai).await;
    assert_eq!(yard.sexed_left().await, 10, "it hangs in the herd's own tank");
    assert_eq!(yard.flagged().await.len(), cases.len() + 1);
}

async fn a_straw_that_was_withdrawn_here_is_not_taken_twice(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let order = json!({"animal_id": animal, "lot_id": yard.farm.sexed});
    let taken = yard.manager.make("/v1/withdrawals", order.clone()).await;
    yard.send("inseminations", &insemination("i-1", "412", "2026-03-02T05:10:00Z", sexed())).await;
    assert_eq!(yard.sexed_left().await, 9, "it is the straw that is out for her");
    assert_eq!(yard.services(&animal).await[0]["withdrawal_id"], json!(taken));
    // Served here and told by the herd system too: a person must say whether it was twice.
    let other = yard.animal("7").await;
    let taken =
        yard.manager.make("/v1/withdrawals", json!({"animal_id": other, "lot_id": yard.farm.sexed})).await;
    yard.manager.make("/v1/services", json!({"withdrawal_id": taken})).await;
    yard.send("inseminations", &insemination("i-2", "7", "2026-03-02T06:00:00Z", sexed())).await;
    assert_eq!((yard.sexed_left().await, yard.services(&other).await.len()), (8, 1));
    let flagged = yard.flagged().await;
    assert_eq!(flagged[0]["flag"], "possible_duplicate");
    // Found to be the same: nothing more is told of it, and nothing of it is done.
    assert_eq!(yard.members("inseminations").await.len(), 3);
    yard.settle(&flagged[0], json!({"resolution": "dismiss", "note": "the same"})).await.expect(200);
    assert_eq!(yard.members("inseminations").await.len(), 2);
    assert_eq!((yard.sexed_left().await, yard.services(&other).await.len()), (8, 1));
    // What reverses the item leaves alone what a person withdrew.
    let mut gone = insemination("i-1", "412", "2026-03-02T05:10:00Z", sexed());
    gone["meta"]["isDeleted"] = json!(true);
    yard.send("inseminations", &modified(&gone, "2026-03-02T06:00:00Z")).await;
    assert_eq!((yard.sexed_left().await, yard.services(&animal).await.len()), (8, 0));
    let open =
        yard.manager.get(&format!("/v1/withdrawals?animal_id={animal}&unresolved=true")).await.expect(200);
    assert_eq!(open["items"].as_array().unwrap().len(), 1, "the straw is unresolved again");
}

async fn a_person_settles_what_was_flagged(world: &World) {
    let yard = Yard::of(world).await;
    let flag = async |n: usize| {
        let number = format!("{}", 30 + n);
        let animal = yard.animal(&number).await;
        let ai = insemination(&format!("f-{n}"), &number, "2026-03-02T04:30:00Z", json!({}));
        yard.send("inseminations", &ai).await;
        (animal, yard.flagged().await.last().unwrap().clone())
    };
    let (animal, item) = flag(0).await;
    let straw = json!({"resolution": "straw", "lot_id": yard.farm.sexed, "note": "seen on the paillette"});
    let settled = yard.settle(&item, straw.clone()).await.expect(200);
    assert_eq!((&settled["flagged"], &settled["resolution"]), (&json!(false), &json!("straw")));
    assert_eq!(yard.sexed_left().await, 9);
    let services = yard.services(&animal).await;
    assert_eq!((services.len(), &services[0]["lot"]["id"]), (1, &json!(yard.farm.sexed)));
    assert_eq!(services[0]["served_at"], "2026-03-02T04:30:00Z");
    yard.settle(&item, straw).await.problem(409, "in-use");
    assert_eq!(yard.members("inseminations").await.len(), 1, "one insemination, told once");

    let (animal, item) = flag(1).await;
    let taken =
        yard.manager.make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": yard.farm.sexed})).await;
    let others = yard.animal("99").await;
    let wrong =
        yard.manager.make("/v1/withdrawals", json!({"animal_id": others, "lot_id": yard.farm.sexed})).await;
    let answer = yard.settle(&item, json!({"resolution": "withdrawal", "withdrawal_id": wrong})).await;
    assert_eq!(answer.pointers(), ["#/withdrawal_id"]);
    yard.settle(&item, json!({"resolution": "withdrawal", "withdrawal_id": taken})).await.expect(200);
    assert_eq!(yard.services(&animal).await[0]["withdrawal_id"], json!(taken));
    assert_eq!(yard.sexed_left().await, 7);

    for resolution in ["no_straw", "dismiss"] {
        let (animal, item) = flag(if resolution == "dismiss" { 2 } else { 3 }).await;
        yard.settle(&item, json!({"resolution": resolution})).await.expect(200);
        assert_eq!((yard.services(&animal).await.len(), yard.sexed_left().await), (1, 7));
    }
    assert_eq!(yard.flagged().await, [] as [Value; 0]);

    let (_, item) = flag(4).await;
    for (wrong, at) in [
        (json!({"resolution": "straw"}), "#/lot_id"),
        (json!({"resolution": "dismiss", "lot_id": yard.farm.sexed}), "#/lot_id"),
        (json!({"resolution": "withdrawal"}), "#/withdrawal_id"),
        (json!({"resolution": "guess"}), "#/resolution"),
        (json!({"resolution": "no_straw", "place": yard.farm.place(3)}), "#/place"),
    ] {
        assert_eq!(yard.settle(&item, wrong).await.pointers(), [at]);
    }
    // Straws of two places: which, must be said; and of a place without straws none can be taken.
    yard.farm.receive(&yard.manager, &yard.farm.sexed, 5, 1).await;
    let straw = json!({"resolution": "straw", "lot_id": yard.farm.sexed});
    assert_eq!(yard.settle(&item, straw.clone()).await.pointers(), ["#/place"]);
    let mut placed = straw.clone();
    placed["place"] = yard.farm.place(6);
    yard.settle(&item, placed.clone()).await.problem(409, "not-in-stock");
    placed["place"] = yard.farm.place(5);
    yard.settle(&item, placed).await.expect(200);
    assert_eq!(yard.sexed_left().await, 7);
}

async fn what_is_newer_corrects_by_reversal_and_new_entry(world: &World) {
    let yard = Yard::of(world).await;
    let (animal, other) = (yard.animal("412").await, yard.animal("7").await);
    let ai = insemination("i-1", "412", "2026-03-02T04:30:00Z", sexed());
    let first = yard.send("inseminations", &ai).await;
    // Another animal it was, and another straw.
    let mut right = modified(&ai, "2026-03-02T05:00:00Z");
    right["animal"]["id"] = json!("XX 0417 7");
    right["straw"]["isSexedSemen"] = json!(false);
    right["straw"].as_object_mut().unwrap().remove("sexedGender");
    let second = yard.send("inseminations", &right).await;
    assert_eq!(second["id"], first["id"], "one thing, corrected");
    assert!(second["meta"]["modified"].as_str() > first["meta"]["modified"].as_str());
    assert_eq!(second["meta"]["created"], first["meta"]["created"]);
    assert_eq!(yard.sexed_left().await, 10);
    assert_eq!(yard.farm.straws(&yard.manager, &yard.farm.conventional).await, 9);
    assert_eq!((yard.services(&animal).await.len(), yard.services(&other).await.len()), (0, 1));
    let ledger = yard.manager.get("/v1/movements").await.expect(200);
    let kinds: Vec<_> =
        ledger["items"].as_array().unwrap().iter().map(|line| line["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds[2..], ["withdrawal", "reversal", "withdrawal"]);
    assert_eq!(yard.members("inseminations").await, [second], "it is told once, as it is now");
    // What is older, or of the same time, changes nothing.
    let before = yard.everything().await;
    for stale in [&ai, &modified(&ai, "2026-03-02T05:00:00Z"), &modified(&ai, "2026-03-02T04:59:59Z")] {
        yard.send("inseminations", stale).await;
    }
    assert_eq!(yard.everything().await, before);

    let heat = event("h-1", "412", "2026-03-02T02:00:00Z", json!({"certainty": "InHeat"}));
    yard.send("heats", &heat).await;
    let mut later = modified(&heat, "2026-03-02T05:00:00Z");
    later["eventDateTime"] = json!("2026-03-02T03:00:00Z");
    yard.send("heats", &later).await;
    let page = yard.manager.get(&format!("/v1/heats?animal_id={animal}")).await.expect(200);
    let told: Vec<_> = page["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|heat| (heat["standing_at"].as_str().unwrap(), heat["reversed_at"].is_null()))
        .collect();
    assert_eq!(told, [("2026-03-02T02:00:00Z", false), ("2026-03-02T03:00:00Z", true)], "the pair stays");
    assert_eq!(yard.members("heats").await.len(), 1);
    // Without meta.modified it is taken as newer when it says something else.
    let mut timeless = later.clone();
    timeless["meta"].as_object_mut().unwrap().remove("modified");
    timeless["remark"] = json!("mucus");
    assert_eq!(yard.send("heats", &timeless).await["remark"], "mucus");
}

async fn what_is_taken_back_is_reversed(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let ai = insemination("i-1", "412", "2026-03-02T04:30:00Z", sexed());
    yard.send("inseminations", &ai).await;
    let calving = event("p-1", "412", "2025-11-10T06:00:00Z", json!({}));
    yard.send("parturitions", &calving).await;
    assert_eq!(yard.next(&animal).await["class"], "cow");
    for (what, resource) in [("inseminations", &ai), ("parturitions", &calving)] {
        let mut gone = modified(resource, "2026-03-02T05:00:00Z");
        gone["meta"]["isDeleted"] = json!(true);
        let told = yard.send(what, &gone).await;
        assert_eq!(told["meta"]["isDeleted"], true);
        yard.send(what, &gone).await;
        // Left out of plain lists; told to whoever asks what changed.
        assert_eq!(yard.members(what).await, [] as [Value; 0]);
        let changed = yard.members(&format!("{what}?meta-modified-from=2026-01-01T00:00:00Z")).await;
        assert_eq!((changed.len(), &changed[0]["meta"]["isDeleted"]), (1, &json!(true)));
    }
    assert_eq!(yard.sexed_left().await, 10);
    let next = yard.next(&animal).await;
    assert_eq!(
        (&next["class"], &next["service_number"], &next["rank"]),
        (&json!("heifer"), &json!(1), &json!(1))
    );
    // It was right after all.
    yard.send("inseminations", &modified(&ai, "2026-03-02T06:00:00Z")).await;
    assert_eq!((yard.sexed_left().await, yard.services(&animal).await.len()), (9, 1));
    // What was never told can be taken back as well, and does nothing.
    let mut unheard = event("p-9", "412", "2025-11-10T06:00:00Z", json!({}));
    unheard["meta"]["isDeleted"] = json!(true);
    yard.send("parturitions", &unheard).await;
    assert_eq!(yard.members("parturitions").await, [] as [Value; 0]);
    // Reversed here by a person: the herd system hears of it, and a repeat does not bring it back.
    let service = yard.services(&animal).await[0]["id"].as_str().unwrap().to_owned();
    yard.manager.post(&format!("/v1/services/{service}/reversal"), json!({})).await.expect(200);
    let changed = yard.members("inseminations?meta-modified-from=2026-01-01T00:00:00Z").await;
    assert_eq!(changed[0]["meta"]["isDeleted"], true);
    yard.send("inseminations", &modified(&ai, "2026-03-02T06:00:00Z")).await;
    assert_eq!(yard.services(&animal).await.len(), 0);
}

async fn a_correction_keeps_the_straw_that_was_settled(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let ai = insemination("i-1", "412", "2026-03-02T04:30:00Z", json!({}));
    yard.send("inseminations", &ai).await;
    let item = yard.flagged().await.remove(0);
    yard.settle(&item, json!({"resolution": "straw", "lot_id": yard.farm.sexed})).await.expect(200);
    let mut later = modified(&ai, "2026-03-02T05:00:00Z");
    later["eventDateTime"] = json!("2026-03-02T04:45:00Z");
    yard.send("inseminations", &later).await;
    assert_eq!(yard.flagged().await, [] as [Value; 0], "the person has decided");
    let services = yard.services(&animal).await;
    assert_eq!(
        (&services[0]["served_at"], &services[0]["lot"]["id"]),
        (&json!("2026-03-02T04:45:00Z"), &json!(yard.farm.sexed))
    );
    assert_eq!(yard.sexed_left().await, 9);
    // Another straw is told of: that is another question.
    let mut other = modified(&later, "2026-03-02T06:00:00Z");
    other["straw"] = json!({"batch": "unheard of"});
    yard.send("inseminations", &other).await;
    assert_eq!((yard.flagged().await.len(), yard.sexed_left().await), (1, 10));
    yard.settle(&item, json!({"resolution": "no_straw"})).await.expect(200);
    let mut remarked = modified(&other, "2026-03-02T07:00:00Z");
    remarked["remark"] = json!("easy");
    yard.send("inseminations", &remarked).await;
    assert_eq!((yard.flagged().await.len(), yard.services(&animal).await.len()), (0, 1));
}

async fn a_recommendation_becomes_the_plan(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    assert_eq!(yard.next(&animal).await["plan"], Value::Null);
    let plan = event(
        "m-1",
        "412",
        "2026-02-01T06:00:00Z",
        json!({
        "resourceType": "icarReproMatingRecommendationResource",
        "sireRecommendations": [
            {"recommendationType": "BeefSire", "sireRank": 2, "sireOfficialName": "Invented Beef",
             "sireIdentifiers": [{"scheme": "org.example.aicode", "id": "B-2"}]},
            {"recommendationType": "SireRecommended", "sireRank": 1, "isSexedSemen": true, "sexedGender": "Female",
             "sireIdentifiers": [{"scheme": "icar.Interbull", "id": "HOLCANM000000A12345"}]}]}),
    );
    yard.send("mating-recommendations", &plan).await;
    let told = yard.next(&animal).await["plan"].clone();
    let first = &told["choices"][0];
    assert_eq!((&first["sire_id"], &first["sire_name"]), (&json!(yard.farm.sire), &json!("Invented One")));
    assert_eq!((&first["semen_type"], &first["rank"]), (&json!("sexed_female"), &json!(1)));
    let second = &told["choices"][1];
    assert_eq!(
        (&second["sire_id"], &second["sire_name"], &second["recommendation"]),
        (&Value::Null, &json!("Invented Beef"), &json!("beef_sire"))
    );
    // A sire that comes later is found in it.
    let names = json!([{"scheme": "org.example.aicode", "id": "B-2"}]);
    let beef = yard.manager.make("/v1/sires", json!({"name": "Beef", "identifiers": names})).await;
    assert_eq!(yard.next(&animal).await["plan"]["choices"][1]["sire_id"], json!(beef));
    // The last plan counts, and one that says no is heeded.
    let no = event(
        "m-2",
        "412",
        "2026-02-02T06:00:00Z",
        json!({
        "sireRecommendations": [{"recommendationType": "NoBreedingSire"}]}),
    );
    yard.send("mating-recommendations", &no).await;
    let next = yard.next(&animal).await;
    assert_eq!(next["plan"]["choices"][0]["recommendation"], "no_sire");
    assert!(next["cautions"].to_string().contains("mating plan"), "{next:#}");
    let mut gone = modified(&no, "2026-03-02T05:00:00Z");
    gone["meta"]["isDeleted"] = json!(true);
    yard.send("mating-recommendations", &gone).await;
    assert_eq!(yard.next(&animal).await["plan"]["choices"].as_array().unwrap().len(), 2);
}

fn cow(id: &str, more: Value) -> Value {
    let cow = json!({
        "resourceType": "icarAnimalCoreResource",
        "meta": {"source": SOURCE, "sourceId": id, "modified": "2026-03-02T04:00:00Z"},
        "identifier": {"scheme": "eu.bovine", "id": "XX 0417 00212"},
        "alternativeIdentifiers": [{"scheme": "std.iso.11785", "id": "276000000000212"}],
        "specie": "Cattle", "gender": "Female", "birthDate": "2023-02-17T00:00:00Z", "managementTag": "212",
        "name": "Clover", "primaryBreed": {"scheme": "icar.breed-3", "id": "HOL"}, "coatColor": "black",
    });
    with_members(cow, more)
}

async fn an_animal_is_entered_and_found_by_any_of_her_names(world: &World) {
    let yard = Yard::of(world).await;
    let parents = json!({"parentage": [
        {"parentOf": {"scheme": "eu.bovine", "id": "XX 0417 00212"}, "gender": "Male", "relation": "Genetic",
         "identifier": {"scheme": "org.example.aicode", "id": "XA871"}}]});
    let told = yard.send("animals", &cow("a-1", parents.clone())).await;
    assert_eq!(told["identifier"], json!({"scheme": "eu.bovine", "id": "XX 0417 00212"}));
    let found = yard.manager.get("/v1/animals?identifier=276000000000212").await.expect(200);
    let animal = &found["items"][0];
    assert_eq!(
        (&animal["number"], &animal["name"], &animal["born_on"], &animal["breed"]),
        (&json!("212"), &json!("Clover"), &json!("2023-02-17"), &json!("HOL"))
    );
    assert_eq!((&animal["sire_id"], &animal["herd_id"]), (&json!(yard.farm.sire), &json!(yard.farm.herd)));
    let id = animal["id"].as_str().unwrap().to_owned();
    // By any of her names, ours included.
    for (n, name) in [
        json!({"scheme": "eu.bovine", "id": "XX 0417 00212"}),
        json!({"scheme": "std.iso.11785", "id": "276000000000212"}),
        json!({"scheme": "iso-11784", "id": "276 000000000212"}),
        json!({"scheme": "tankside.animal", "id": id}),
    ]
    .into_iter()
    .enumerate()
    {
        let mut heat = event(&format!("h-{n}"), "", "2026-03-02T02:10:00Z", json!({"certainty": "InHeat"}));
        heat["animal"] = name.clone();
        assert_eq!(yard.send("heats", &heat).await["animal"], name);
        let query = format!(
            "heats?animal-scheme={}&animal-id={}",
            name["scheme"].as_str().unwrap(),
            name["id"].as_str().unwrap().replace(' ', "%20")
        );
        assert_eq!(yard.members(&query).await.len(), n + 1, "{query}");
    }
    assert_eq!(yard.members("heats?animal-scheme=eu.bovine&animal-id=nobody").await, [] as [Value; 0]);
    // The same once more, and from another system that knows her by another name: she is one.
    yard.send("animals", &cow("a-1", parents)).await;
    let mut other =
        cow("x-9", json!({"alternativeIdentifiers": [{"scheme": "org.example.other", "id": "9"}]}));
    other["meta"]["source"] = json!("org.example.other");
    yard.send("animals", &other).await;
    assert_eq!(yard.members("animals").await.len(), 1);
    let animals = yard.manager.get("/v1/animals").await.expect(200);
    assert_eq!(animals["items"].as_array().unwrap().len(), 1);
    assert_eq!(animals["items"][0]["identifiers"].as_array().unwrap().len(), 3, "all her names are kept");
    // Changed here, told so; what only the herd system says of her stays beside it.
    yard.manager.patch(&format!("/v1/animals/{id}"), None, json!({"name": "Clara"})).await.expect(200);
    let now = &yard.members("animals").await[0];
    assert_eq!(
        (&now["name"], &now["coatColor"], &now["status"]),
        (&json!("Clara"), &json!("black"), &json!("Alive"))
    );
    // What only the herd system says of her is told anew as well when it changes.
    let red = modified(&cow("a-1", json!({"coatColor": "red"})), "2026-03-02T04:30:00Z");
    let since = now["meta"]["modified"].as_str().unwrap();
    let path = format!("animals?meta-modified-from={since}");
    yard.send("animals", &red).await;
    let changed = yard.members(&path).await;
    assert_eq!((changed.len(), &changed[0]["coatColor"]), (1, &json!("red")));
    assert!(changed[0]["meta"]["modified"].as_str().unwrap() > since);
    // She leaves, and is not served any more.
    let gone = modified(&cow("a-1", json!({"status": "OffFarm"})), "2026-03-02T05:00:00Z");
    assert_eq!(yard.send("animals", &gone).await["status"], "OffFarm");
    assert_eq!(yard.next(&id).await["objections"][0]["kind"], "animal_left");
    // Names of two animals: which is meant, nobody knows.
    yard.animal("7").await;
    let both = cow("a-2", json!({"alternativeIdentifiers": [{"scheme": "eu.bovine", "id": "XX 0417 7"}]}));
    let path = format!("{}/animals", yard.at);
    assert_eq!(yard.herd_system.post(&path, both).await.instances(), ["#/identifier"]);
}

async fn what_is_only_kept_counts_for_nothing(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let batches = yard.at.replace("/ade/", "/ade/batches/");
    for (n, (what, resource)) in [
        ("heats", event("1", "412", "2026-03-02T02:10:00Z", json!({"certainty": "Suspect"}))),
        (
            "inseminations",
            event("1", "412", "2026-03-02T02:10:00Z", json!({"inseminationType": "NaturalService"})),
        ),
        (
            "inseminations",
            event(
                "2",
                "412",
                "2026-03-02T02:10:00Z",
                json!({"inseminationType": "Implantation",
            "embryo": {"donorIdentifiers": [{"scheme": "eu.bovine", "id": "1"}]}}),
            ),
        ),
        ("animals", cow("1", json!({"gender": "Male"}))),
        ("animals", cow("2", json!({"specie": "Sheep"}))),
    ]
    .into_iter()
    .enumerate()
    {
        let told = yard.herd_system.post(&format!("{batches}/{what}"), json!([resource])).await.expect(200);
        // icarBatchResult: messages say what the sender should know.
        assert_eq!(told[0]["messages"][0]["severity"], "Warning", "{n}");
        let item = told[0]["id"].as_str().unwrap();
        let kept = yard.get(&format!("{what}/{item}")).await;
        assert_eq!(kept["meta"]["sourceId"], resource["meta"]["sourceId"]);
        assert!(yard.members(what).await.contains(&kept), "it is kept and told again");
    }
    let next = yard.next(&animal).await;
    assert_eq!((&next["timing"], &next["service_number"]), (&Value::Null, &json!(1)));
    assert_eq!(yard.manager.get("/v1/animals").await.expect(200)["items"].as_array().unwrap().len(), 1);
    assert_eq!(yard.flagged().await, [] as [Value; 0]);
}

async fn what_goes_out_is_complete(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let aside =
        json!({"animal_id": animal, "lot_id": yard.farm.conventional, "override": {"reason": "agreed"}});
    let taken = yard.manager.make("/v1/withdrawals", aside).await;
    let served = yard
        .manager
        .make("/v1/services", json!({"withdrawal_id": taken, "technician": "T", "note": "easy"}))
        .await;
    let told = &yard.members("inseminations").await[0];
    let business = yard.manager.get("/v1/business").await.expect(200)["id"].as_str().unwrap().to_owned();
    assert_eq!((&told["id"], &told["meta"]["sourceId"]), (&json!(served), &json!(served)));
    assert_eq!(told["meta"]["source"], json!(format!("urn:uuid:{business}")));
    assert_eq!(told["location"], json!({"scheme": "uk.cph", "id": "34/123/1234"}));
    assert_eq!(told["animal"], json!({"scheme": "eu.bovine", "id": "XX 0417 412"}));
    assert_eq!(told["eventDateTime"], "2026-03-02T05:00:00Z");
    assert_eq!((&told["rank"], &told["inseminationType"]), (&json!(1), &json!("Insemination")));
    assert_eq!((&told["semenFromFarmStocks"], &told["responsible"]), (&json!(true), &json!("T")));
    assert_eq!(told["farmContainer"], "Dairy room, canister 4, cane B, upper goblet");
    let remark = told["remark"].as_str().unwrap();
    assert!(remark.starts_with("easy\n") && remark.contains("agreed"), "its deviation is told: {remark}");
    assert_eq!(
        told["straw"],
        json!({
            "resourceType": "icarReproSemenStrawResource",
            "id": {"scheme": "tankside.lot", "id": yard.farm.conventional},
            "batch": "24117", "dateCollected": "2024-05-17T00:00:00Z", "preservationType": "Frozen",
            "sireOfficialName": "Invented One", "isSexedSemen": false,
            "sireIdentifiers": [
                {"scheme": "icar.Interbull", "id": "HOLCANM000000A12345"},
                {"scheme": "org.example.aicode", "id": "XA871"},
                {"scheme": "tankside.sire", "id": yard.farm.sire}],
        })
    );
    // Everything else that the service holds, as the standard names it.
    let heat = json!({"animal_id": animal, "method": "ear_tag", "standing_at": "2026-03-02T02:10:00Z"});
    yard.manager.make("/v1/heats", heat).await;
    let heat = &yard.members("heats").await[0];
    // Version 1.3 knows no ear tags.
    assert_eq!((&heat["heatDetectionMethod"], &heat["certainty"]), (&json!("Other"), &json!("InHeat")));
    let check = json!({"animal_id": animal, "method": "ultrasound", "result": "empty"});
    yard.manager.make("/v1/pregnancy-checks", check).await;
    let check = &yard.members("pregnancy-checks").await[0];
    assert_eq!((&check["method"], &check["result"]), (&json!("Echography"), &json!("Empty")));
    for (path, what) in
        [("calvings", "parturitions"), ("abortions", "abortions"), ("do-not-breed", "do-not-breeds")]
    {
        let id = yard.manager.make(&format!("/v1/{path}"), json!({"animal_id": animal})).await;
        let members = yard.members(what).await;
        assert_eq!((members.len(), &members[0]["id"]), (1, &json!(id)));
        assert_eq!(yard.get(&format!("{what}/{id}")).await, members[0]);
    }
    assert_eq!(yard.members("do-not-breeds").await[0]["doNotBreed"], true);
    // Of one who has no official name, ours.
    let nameless = yard.farm.animal(&yard.manager, "8").await;
    yard.manager.make("/v1/services", json!({"animal_id": nameless})).await;
    let foreign = &yard.members("inseminations").await[1];
    assert_eq!(foreign["animal"], json!({"scheme": "tankside.animal", "id": nameless}));
    assert_eq!(foreign.get("straw"), None, "nothing is known of it, and nothing is said");
    let animals = yard.members("animals").await;
    assert_eq!(animals.len(), 2);
    assert_eq!(animals[0]["birthDate"], "2023-05-02T00:00:00Z");
    assert!(animals[0]["alternativeIdentifiers"].to_string().contains("std.iso.11785"));
}

async fn what_came_in_is_told_again_as_it_came(world: &World) {
    let yard = Yard::of(world).await;
    yard.animal("412").await;
    let ident = |scheme: &str, id: &str| json!({"scheme": scheme, "id": id});
    let cases = [
        (
            "inseminations",
            insemination(
                "1",
                "412",
                "2026-03-02T04:30:00Z",
                json!({
            "resourceType": "icarReproSemenStrawResource", "batch": "24117", "collectionCentre": "XX-CC-0093",
            "dateCollected": "2024-04-26T00:00:00Z", "sireIdentifiers": [ident("org.example.aicode", "XA871")],
            "sireOfficialName": "EXAMPLE", "preservationType": "Frozen", "isSexedSemen": true, "sexedGender": "Female",
            "sexedPercentage": 90}),
            ),
        ),
        (
            "heats",
            event(
                "1",
                "412",
                "2026-03-02T02:10:00Z",
                json!({
            "resourceType": "icarReproHeatEventResource", "heatDetectionMethod": "Bolus", "certainty": "InHeat",
            "expirationDateTime": "2026-03-02T20:10:00Z", "remark": "two\nlines", "deviceHeatProbability": 87.5,
            "visualDetection": {"heatSigns": ["ClearSlime", "StandsUnder"], "heatIntensity": "Strong"}}),
            ),
        ),
        (
            "pregnancy-checks",
            event(
                "1",
                "412",
                "2026-03-01T02:10:00Z",
                json!({
            "resourceType": "icarReproPregnancyCheckEventResource", "method": "Milk", "result": "Multiple",
            "foetalAge": 35, "foetusCount": 2, "exceptions": ["none"], "marker": "PAG"}),
            ),
        ),
        (
            "parturitions",
            event(
                "1",
                "412",
                "2025-12-09T03:15:00Z",
                json!({
            "resourceType": "icarReproParturitionEventResource", "damParity": 3, "liveProgeny": 1, "totalProgeny": 1,
            "calvingEase": "EasyAssisted", "isEmbryoImplant": false, "progenyDetails": [{
                "resourceType": "icarProgenyDetailsResource", "identifier": ident("eu.bovine", "XX 1"),
                "specie": "Cattle", "gender": "Female", "birthStatus": "Alive", "birthSize": "Average",
                "birthWeight": {"measurement": 38.5, "units": "KGM"}, "taggingDate": "2025-12-10T00:00:00Z"}]}),
            ),
        ),
        (
            "abortions",
            event(
                "1",
                "412",
                "2025-11-09T03:15:00Z",
                json!({
            "resourceType": "icarReproAbortionEventResource", "responsible": "VET-02"}),
            ),
        ),
        (
            "do-not-breeds",
            event(
                "1",
                "412",
                "2025-11-09T03:15:00Z",
                json!({
            "resourceType": "icarReproDoNotBreedEventResource", "doNotBreed": false,
            "extendedReasons": [ident("org.example.reason", "7")]}),
            ),
        ),
        (
            "mating-recommendations",
            event(
                "1",
                "412",
                "2026-02-01T06:00:00Z",
                json!({
            "resourceType": "icarReproMatingRecommendationResource", "sireRecommendations": [{
                "recommendationType": "SireRecommended", "sireRank": 1, "parity": 2,
                "sireIdentifiers": [ident("org.example.aicode", "XA871")]}]}),
            ),
        ),
        (
            "animals",
            cow(
                "1",
                json!({"productionPurpose": "Milk", "lactationStatus": "Lactating", "healthStatus": "Healthy",
            "breedFractions": {"denominator": 64, "fractions": [{"breed": ident("icar.breed-3", "HOL"), "fraction": 64}]},
            "parentage": [{"parentOf": ident("eu.bovine", "XX 0417 00212"), "gender": "Female",
                           "identifier": ident("eu.bovine", "XX 0417 00097")}]}),
            ),
        ),
    ];
    for (what, sent) in cases {
        let told = yard.send(what, &sent).await;
        let members = yard.members(what).await;
        let of_it = members.iter().find(|member| member["meta"]["sourceId"] == "1").unwrap();
        assert_eq!(of_it, &told, "{what}: answered and read alike");
        for (name, value) in sent.as_object().unwrap() {
            match name.as_str() {
                "id" => assert!(told["id"].is_string()),
                "meta" => {
                    assert_eq!(
                        (&told["meta"]["source"], &told["meta"]["sourceId"]),
                        (&value["source"], &value["sourceId"])
                    );
                }
                // Ours is beside theirs.
                "alternativeIdentifiers" => {
                    for other in value.as_array().unwrap() {
                        assert!(told[name].as_array().unwrap().contains(other), "{told:#}");
                    }
                }
                _ => assert_eq!(&told[name], value, "{what} {name}"),
            }
        }
    }
}

async fn what_is_ours_and_comes_back_stays_as_it_is(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let taken =
        yard.manager.make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": yard.farm.sexed})).await;
    yard.manager.make("/v1/services", json!({"withdrawal_id": taken})).await;
    yard.manager.make("/v1/heats", json!({"animal_id": animal})).await;
    let before = yard.everything().await;
    for what in ["inseminations", "heats", "animals"] {
        let mut told = yard.members(what).await.remove(0);
        assert_eq!(yard.send(what, &told).await, told);
        // Also when it was changed over there: the word on it is ours.
        told["remark"] = json!("changed");
        told["meta"]["modified"] = json!("2030-01-01T00:00:00Z");
        told["meta"]["isDeleted"] = json!(true);
        assert_ne!(yard.send(what, &told).await["remark"], "changed");
        told["meta"]["sourceId"] = json!(Uuid::now_v7());
        let answer = yard.herd_system.post(&format!("{}/{what}", yard.at), told).await;
        assert_eq!(answer.instances(), ["#/meta/sourceId"]);
    }
    assert_eq!(yard.everything().await, before);
}

async fn whoever_reads_on_by_time_hears_of_every_change(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let since = async |at: &str| {
        let at = at.replace('+', "%2B");
        yard.members(&format!("heats?meta-modified-from={at}")).await
    };
    let latest = |members: &[Value]| members.last().unwrap()["meta"]["modified"].as_str().unwrap().to_owned();
    let own = yard.manager.make("/v1/heats", json!({"animal_id": animal})).await;
    let first = since("2026-01-01T00:00:00Z").await;
    let at = latest(&first);
    // The clock steps back a day; times of change only go on.
    world.pass(chrono::TimeDelta::days(-1));
    let heat = event("h-1", "412", "2026-02-20T02:10:00Z", json!({"certainty": "InHeat"}));
    yard.send("heats", &heat).await;
    let changed = since(&at).await;
    let told: Vec<_> = changed.iter().map(|heat| heat["meta"]["sourceId"].as_str().unwrap()).collect();
    assert_eq!(told, [own.as_str(), "h-1"], "from: that time itself included");
    let after = latest(&changed);
    assert!(after > at, "{after} {at}");
    // To: that time itself included.
    let upto = yard.members(&format!("heats?meta-modified-to={at}")).await;
    assert_eq!((upto.len(), &upto[0]["id"]), (1, &json!(own)));
    let none = yard.members(&format!("heats?meta-modified-from={after}&meta-modified-to={at}")).await;
    assert_eq!(none, [] as [Value; 0]);
    // A plus that was not encoded arrives as a blank and is taken for what it was.
    let blank = yard.members("heats?meta-modified-from=2026-01-01T00:00:00+00:00").await;
    assert_eq!(blank.len(), 2);
    // What changes a service changes its resource: a late entry moves its number.
    yard.farm.served(&yard.manager, &animal, "2026-02-25T06:00:00Z").await;
    let one = yard.members("inseminations").await.remove(0);
    assert_eq!(one["rank"], 1);
    yard.farm.served(&yard.manager, &animal, "2026-01-25T06:00:00Z").await;
    let changed = yard
        .members(&format!("inseminations?meta-modified-from={}", one["meta"]["modified"].as_str().unwrap()))
        .await;
    let moved = changed.iter().find(|ai| ai["id"] == one["id"]).unwrap();
    assert_eq!(moved["rank"], 2);
    assert!(moved["meta"]["modified"].as_str() > one["meta"]["modified"].as_str());
}

async fn pages_miss_nothing_while_others_write(world: &World) {
    let yard = Yard::of(world).await;
    for number in 0..12 {
        yard.animal(&number.to_string()).await;
    }
    let tell = async |from: usize| {
        for n in from..from + 12 {
            let heat = event(
                &format!("h-{n}"),
                &(n % 12).to_string(),
                "2026-03-01T02:10:00Z",
                json!({"certainty": "InHeat"}),
            );
            yard.send("heats", &heat).await;
            let again = modified(&heat, "2026-03-02T05:00:00Z");
            let mut again = again;
            again["remark"] = json!("again");
            yard.send("heats", &again).await;
        }
    };
    tell(0).await;
    let read = async {
        let mut seen: BTreeMap<String, String> = BTreeMap::new();
        let mut pages = 0;
        let mut next = format!("{}/heats?page-size=3&meta-modified-from=2026-01-01T00:00:00Z", yard.at);
        loop {
            let page = yard.herd_system.get(&next).await.expect(200);
            let members = page["member"].as_array().unwrap();
            assert!(members.len() <= 3);
            for member in members {
                let id = member["meta"]["sourceId"].as_str().unwrap().to_owned();
                let at = member["meta"]["modified"].as_str().unwrap().to_owned();
                if let Some(before) = seen.insert(id, at.clone()) {
                    assert!(before < at, "what is told again has changed since");
                }
            }
            pages += 1;
            assert_eq!(page["view"]["pageSize"], 3);
            assert!(page["view"]["totalItems"].as_i64().unwrap() >= 12);
            // view.next: a URI, followed as it is; absent on the last page.
            let Some(link) = page["view"]["next"].as_str() else { break };
            next = link.strip_prefix(&world.base).expect("absolute, and of this service").to_owned();
        }
        (seen, pages)
    };
    let ((seen, pages), (), ()) = tokio::join!(read, tell(12), tell(24));
    assert!(pages >= 4);
    for n in 0..12 {
        assert!(seen.contains_key(&format!("h-{n}")), "h-{n} was passed over");
    }
    // Reading on from the last time that was seen gives the rest.
    let last = seen.values().max().unwrap().clone();
    let rest = yard.members(&format!("heats?page-size=500&meta-modified-from={last}")).await;
    let mut all = seen;
    for member in rest {
        let id = member["meta"]["sourceId"].as_str().unwrap().to_owned();
        all.insert(id, member["meta"]["modified"].as_str().unwrap().to_owned());
    }
    let whole = yard.members("heats?page-size=500").await;
    let whole: BTreeMap<String, String> = whole
        .iter()
        .map(|heat| {
            let text = |name: &str| heat["meta"][name].as_str().unwrap().to_owned();
            (text("sourceId"), text("modified"))
        })
        .collect();
    assert_eq!((all.len(), all), (36, whole));
}

async fn a_batch_answers_for_each_of_its_items(world: &World) {
    let yard = Yard::of(world).await;
    yard.animal("412").await;
    let path = format!("{}/inseminations", yard.at.replace("/ade/", "/ade/batches/"));
    let good = insemination("1", "412", "2026-03-02T04:30:00Z", sexed());
    let mut unknown = insemination("2", "nobody", "2026-03-02T04:30:00Z", sexed());
    unknown["straw"]["sexedPercentage"] = json!(90);
    let mut wrong = insemination("3", "412", "2026-03-02T04:30:00", sexed());
    wrong["inseminationType"] = json!("By magic");
    let flagged = insemination("4", "412", "2026-01-02T04:30:00Z", json!({}));
    let items = json!([good, unknown, wrong, 7, flagged, good]);
    // The call answers 200 though items failed; one result for each, in order.
    let told = yard.herd_system.post(&path, items).await.expect(200);
    let told = told.as_array().unwrap();
    assert_eq!(told.len(), 6);
    assert_eq!((&told[0]["meta"]["sourceId"], told[0].get("messages")), (&json!("1"), None));
    assert!(told[0]["id"].is_string());
    assert_eq!(
        (&told[1]["messages"][0]["instance"], &told[1]["messages"][0]["severity"]),
        (&json!("#/1/animal"), &json!("Error"))
    );
    // meta is returned for failures too, so that the sender can match them.
    assert_eq!((&told[1]["meta"]["source"], &told[1]["meta"]["sourceId"]), (&json!(SOURCE), &json!("2")));
    let places: BTreeSet<_> = told[2]["messages"]
        .as_array()
        .unwrap()
        .iter()
        .map(|message| message["instance"].as_str().unwrap())
        .collect();
    assert_eq!(places, BTreeSet::from(["#/2/eventDateTime", "#/2/inseminationType"]));
    assert_eq!((&told[3]["messages"][0]["instance"], told[3].get("meta")), (&json!("#/3"), None));
    let warning = &told[4]["messages"][0];
    assert_eq!((&warning["severity"], &warning["status"]), (&json!("Warning"), &json!(200)));
    assert!(warning["detail"].as_str().unwrap().contains("/v1/ade-items/"), "{warning}");
    assert_eq!(
        (&told[5]["id"], &told[5]["messages"][0]["severity"]),
        (&told[0]["id"], &json!("Information"))
    );
    assert_eq!(yard.sexed_left().await, 9);
    assert_eq!(yard.members("inseminations").await.len(), 2);
    assert_eq!(yard.herd_system.post(&path, json!([])).await.expect(200), json!([]));
    yard.herd_system.post(&path, json!({})).await.expect(422);
    yard.herd_system.post(&path, json!(vec![1; 1001])).await.expect(422);
}

async fn what_is_wrong_is_said_with_its_place(world: &World) {
    let yard = Yard::of(world).await;
    yard.animal("412").await;
    let before = yard.everything().await;
    let path = format!("{}/inseminations", yard.at);
    let good = insemination("1", "412", "2026-03-02T04:30:00Z", sexed());
    let with = |pointer: &str, value: Value| {
        let mut resource = good.clone();
        let (parent, name) = pointer.rsplit_once('/').unwrap();
        resource.pointer_mut(parent).unwrap()[name] = value;
        resource
    };
    for (pointer, value) in [
        ("/resourceType", json!("icarReproHeatEventResource")),
        ("/animal", Value::Null),
        ("/animal/id", json!(7)),
        ("/animal/scheme", json!("")),
        ("/animal", json!({"scheme": "eu.bovine", "id": "nobody"})),
        ("/inseminationType", Value::Null),
        ("/inseminationType", json!("insemination")),
        ("/eventDateTime", Value::Null),
        ("/eventDateTime", json!("2026-03-02")),
        ("/eventDateTime", json!("2026-03-02T04:30:00")),
        ("/eventDateTime", json!("2026-03-04T04:30:00Z")),
        ("/eventDateTime", json!("2023-05-01T04:30:00Z")),
        ("/meta/source", Value::Null),
        ("/meta/sourceId", json!("")),
        ("/meta/modified", json!("yesterday")),
        ("/location", json!({"scheme": "uk.cph", "id": "1"})),
        ("/straw/sexedPercentage", json!("90")),
        ("/straw/id", json!("24117")),
        ("/straw/resourceType", json!("icarReproEmbryoResource")),
        ("/straw/sireIdentifiers", json!([{"id": "1"}])),
        ("/responsible", json!("x".repeat(101))),
        ("/remark", json!("a\u{0}b")),
        ("/semenFromFarmStocks", json!("true")),
    ] {
        let answer = yard.herd_system.post(&path, with(pointer, value.clone())).await;
        assert_eq!(answer.status, 422, "{pointer} {value}: {answer:?}");
        let at = answer.instances();
        assert!(at.iter().all(|at| at.starts_with(&format!("#{pointer}"))), "{pointer} {value}: {at:?}");
    }
    for (body, status) in [(&b"{"[..], 400), (b"", 400), (b"\xff", 400), (b"[]", 422), (b"1", 422)] {
        yard.herd_system.send(Method::POST, &path, &[JSON], body.to_vec()).await.expect(status);
    }
    let text = good.to_string().into_bytes();
    yard.herd_system
        .send(Method::POST, &path, &[("content-type", "text/plain")], text.clone())
        .await
        .expect(415);
    yard.herd_system.send(Method::POST, &path, &[JSON], vec![b' '; 1024 * 1024 + 1]).await.expect(413);
    yard.herd_system.send(Method::POST, &format!("{path}?x=1"), &[JSON], text.clone()).await.expect(400);
    for query in [
        "colour=1",
        "meta-modified-from=yesterday",
        "meta-modified-from=2026-01-01",
        "animal-id=1",
        "animal-scheme=1",
        "after=-1",
        "after=x",
        "page-size=0",
        "page-size=x",
        "page-size=1&page-size=2",
    ] {
        yard.herd_system.get(&format!("{path}?{query}")).await.expect(400);
    }
    assert_eq!(yard.everything().await, before);
    // A byte order mark is passed over; the catalogue's own misspelling is understood.
    let odd = with("/resourceType", json!("icarReproInsemonationEventResource")).to_string();
    let body = [&b"\xef\xbb\xbf"[..], odd.as_bytes()].concat();
    let told = yard.herd_system.send(Method::POST, &path, &[JSON], body).await.expect(200);
    assert_eq!(told["resourceType"], "icarReproInseminationEventResource");
}

async fn nothing_is_told_next_door(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let ai = insemination("1", "412", "2026-03-02T04:30:00Z", sexed());
    let told = yard.send("inseminations", &ai).await;
    let neighbour = world.neighbour().await;
    let path = format!("{}/inseminations", yard.at);
    neighbour.get(&path).await.expect(404);
    neighbour.get(&format!("/ade/locations/tankside.herd/{}/heats", yard.farm.herd)).await.expect(404);
    neighbour.post(&path, ai.clone()).await.expect(404);
    assert_eq!(neighbour.get("/ade/locations").await.expect(200)["member"], json!([]));
    // With a herd of the same location: an own book, in which our animal, sire, lot and item are not.
    let farm = Farm::found(&neighbour).await;
    let location = json!({"location": {"scheme": "uk.cph", "id": "34/123/1234"}});
    neighbour.patch(&format!("/v1/herds/{}", farm.herd), None, location).await.expect(200);
    let before = yard.everything().await;
    assert_eq!(neighbour.get(&path).await.expect(200)["member"], json!([]));
    neighbour.get(&format!("{path}/{}", told["id"].as_str().unwrap())).await.expect(404);
    assert_eq!(neighbour.post(&path, ai.clone()).await.instances(), ["#/animal"]);
    let mut by_id = ai.clone();
    by_id["animal"] = json!({"scheme": "tankside.animal", "id": animal});
    assert_eq!(neighbour.post(&path, by_id).await.instances(), ["#/animal"]);
    let theirs = json!({"herd_id": farm.herd, "number": "1", "identifiers": [{"scheme": "eu.bovine", "id": "XX 0417 412"}]});
    neighbour.make("/v1/animals", theirs).await;
    let mut ours = ai.clone();
    ours["straw"] = json!({"id": {"scheme": "tankside.lot", "id": yard.farm.sexed}});
    let answer = neighbour.post(&path, ours).await.expect(200);
    assert_ne!(answer["id"], told["id"], "the same source and id are another thing in another book");
    let flagged = neighbour.get("/v1/ade-items?flagged=true").await.expect(200);
    assert_eq!(flagged["items"][0]["flag"], "straw_unknown");
    assert_eq!(yard.everything().await, before);
}

/// A generator of numbers with a fixed seed (xorshift64*): the same garbling on every machine.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: usize) -> usize {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        usize::try_from((self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % u64::try_from(sides).unwrap())
            .unwrap()
    }
}

/// Where every value in a resource stands.
fn pointers(value: &Value, at: &str, found: &mut Vec<String>) {
    found.push(at.to_owned());
    match value {
        Value::Object(members) => {
            members.iter().for_each(|(name, member)| pointers(member, &format!("{at}/{name}"), found));
        }
        Value::Array(elements) => {
            elements
                .iter()
                .enumerate()
                .for_each(|(n, element)| pointers(element, &format!("{at}/{n}"), found));
        }
        _ => {}
    }
}

fn garbled(resource: &Value, dice: &mut Dice) -> Value {
    let mut resource = resource.clone();
    for _ in 0..=dice.roll(2) {
        let mut places = Vec::new();
        pointers(&resource, "", &mut places);
        let place = &places[dice.roll(places.len())];
        let values = [
            json!(null),
            json!(7),
            json!(-1.5e300),
            json!(true),
            json!([]),
            json!({}),
            json!(""),
            json!("\u{0}"),
            json!("x".repeat(5000)),
            json!("0000-00-00T00:00:00Z"),
            json!("2026-03-02T25:61:61+99:99"),
            json!([[[[]]]]),
            json!({"id": {"id": []}, "scheme": 1}),
            json!(u64::MAX),
            json!("\u{202e}\u{fffd}'; drop table animal;--"),
            json!({"$ref": "#"}),
            json!("٢٠٢٦"),
        ];
        if let Some(at) = resource.pointer_mut(place) {
            *at = values[dice.roll(values.len())].clone();
        }
    }
    resource
}

async fn garbled_resources_are_refused_and_change_nothing(world: &World) {
    let yard = Yard::of(world).await;
    yard.animal("412").await;
    let mut dice = Dice(0x7A4B_51DE);
    let seeds = [
        ("inseminations", insemination("1", "412", "2026-03-02T04:30:00Z", sexed())),
        (
            "heats",
            event(
                "1",
                "412",
                "2026-03-02T02:10:00Z",
                json!({"resourceType": "icarReproHeatEventResource",
            "certainty": "InHeat", "visualDetection": {"heatSigns": ["Slime"], "heatIntensity": "Weak"}}),
            ),
        ),
        (
            "pregnancy-checks",
            event("1", "412", "2026-03-02T02:10:00Z", json!({"method": "Milk", "result": "Empty"})),
        ),
        (
            "parturitions",
            event(
                "1",
                "412",
                "2026-01-02T02:10:00Z",
                json!({"progenyDetails": [
            {"specie": "Cattle", "gender": "Female", "birthWeight": {"measurement": 38.5, "units": "KGM"}}]}),
            ),
        ),
        ("abortions", event("1", "412", "2026-03-02T02:10:00Z", json!({"remark": "x"}))),
        ("do-not-breeds", event("1", "412", "2026-03-02T02:10:00Z", json!({"doNotBreed": false}))),
        (
            "mating-recommendations",
            event(
                "1",
                "412",
                "2026-03-02T02:10:00Z",
                json!({"sireRecommendations": [
            {"recommendationType": "BeefSire", "sireRank": 1, "sireIdentifiers": [{"scheme": "a", "id": "b"}]}]}),
            ),
        ),
        ("animals", cow("1", json!({"status": "Alive"}))),
    ];
    let (mut refused, mut taken) = (0, 0);
    let mut last = yard.last_change().await;
    for round in 0..60 {
        let before = yard.everything().await;
        let mut all_refused = true;
        for (what, seed) in &seeds {
            let mut sent = garbled(seed, &mut dice);
            if let Some(id) = sent.pointer_mut("/meta/sourceId").filter(|id| id.is_string() && **id == "1") {
                *id = json!(format!("{what}-{round}"));
            }
            let path = format!("{}/{what}", yard.at);
            let answer = yard.herd_system.post(&path, sent.clone()).await;
            assert!([200, 422].contains(&answer.status), "{what} {sent}: {answer:?}");
            if answer.status == 422 {
                refused += 1;
                assert!(!answer.instances().is_empty());
                let batches = path.replace("/ade/", "/ade/batches/");
                let told = yard.herd_system.post(&batches, json!([sent])).await.expect(200);
                assert_eq!(told[0]["messages"][0]["severity"], "Error");
                assert_eq!(yard.last_change().await, last, "{what} {sent} was refused and changed something");
            } else {
                (taken, all_refused) = (taken + 1, false);
                last = yard.last_change().await;
            }
        }
        if all_refused {
            assert_eq!(yard.everything().await, before);
        }
    }
    // Some mutations leave a right resource; most do not.
    assert!(refused > 200 && taken > 20, "{refused} refused, {taken} taken");
    for (what, _) in &seeds {
        yard.get(what).await;
    }
    // Bytes that are no JSON, and JSON cut off anywhere.
    let text = seeds[0].1.to_string();
    for end in 0..text.len() {
        let cut = text.as_bytes()[..end].to_vec();
        yard.herd_system
            .send(Method::POST, &format!("{}/inseminations", yard.at), &[JSON], cut)
            .await
            .expect(400);
    }
}
