//! How it is spoken: keys and roles, locations, batches, errors, what is garbled.

use std::collections::BTreeSet;

use reqwest::Method;
use serde_json::{Value, json};
use tankside::domain::{access::Role, exchange::ade::ItemKind};
use uuid::Uuid;

use super::{JSON, RESOURCES, SOURCE, Yard, cow, event, insemination, sexed};
use crate::{
    on_both_stores,
    world::{Farm, World},
};

on_both_stores!(
    every_path_asks_for_a_key_and_a_role,
    a_location_is_found_by_its_official_name_or_ours,
    a_batch_answers_for_each_of_its_items,
    what_is_wrong_is_said_with_its_place,
    nothing_is_told_next_door,
    garbled_resources_are_refused_and_change_nothing,
);

async fn every_path_asks_for_a_key_and_a_role(world: &World) {
    let yard = Yard::of(world).await;
    let reader = world.caller(Role::Reader).await;
    let technician = world.caller(Role::Technician).await;
    let batches = yard.at.replace("/ade/", "/ade/batches/");
    let mut kinds = BTreeSet::new();
    for what in RESOURCES {
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

async fn a_batch_answers_for_each_of_its_items(world: &World) {
    let yard = Yard::of(world).await;
    yard.animal("412").await;
    let path = format!("{}/inseminations", yard.at.replace("/ade/", "/ade/batches/"));
    let good = insemination("1", "412", "2026-03-02T04:30:00Z", sexed());
    let mut beyond = insemination("2", "412", "2026-03-02T04:30:00Z", sexed());
    beyond["straw"]["sexedPercentage"] = json!(900);
    let mut wrong = insemination("3", "412", "2026-03-02T04:30:00", sexed());
    wrong["inseminationType"] = json!("By magic");
    let flagged = insemination("4", "412", "2026-01-02T04:30:00Z", json!({}));
    let items = json!([good, beyond, wrong, 7, flagged, good]);
    // The call answers 200 though items failed; one result for each, in order.
    let told = yard.herd_system.post(&path, items).await.expect(200);
    let told = told.as_array().unwrap();
    assert_eq!(told.len(), 6);
    assert_eq!((&told[0]["meta"]["sourceId"], told[0].get("messages")), (&json!("1"), None));
    assert!(told[0]["id"].is_string());
    assert_eq!(
        (&told[1]["messages"][0]["instance"], &told[1]["messages"][0]["severity"]),
        (&json!("#/1/straw/sexedPercentage"), &json!("Error"))
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
    // The limit is said, and that nothing was done.
    let many = yard.herd_system.post(&path, json!(vec![1; 1001])).await;
    assert!(many.text.contains("at most 1000 resources, not 1001; none of them was taken"), "{}", many.text);
    many.expect(422);
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
        ("/straw/sexedPercentage", json!(900)),
        ("/straw/sexedPercentage", json!(-1)),
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
    let heats = path.replace("inseminations", "heats");
    let heat = event("1", "412", "2026-03-02T02:10:00Z", json!({"certainty": "InHeat"}));
    assert_eq!(neighbour.post(&heats, heat.clone()).await.instances(), ["#/animal"]);
    let mut by_id = heat;
    by_id["animal"] = json!({"scheme": "tankside.animal", "id": animal});
    assert_eq!(neighbour.post(&heats, by_id).await.instances(), ["#/animal"]);
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
