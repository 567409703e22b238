//! The page at the tank: its files, and the snapshot that a device keeps.

use std::{collections::BTreeSet, fmt::Write as _};

use futures_util::future::join_all;
use reqwest::Method;
use serde_json::{Value, json};
use tankside::domain::access::Role;
use uuid::Uuid;

use crate::{
    ade::{Yard, event},
    lists::whole,
    on_both_stores,
    statements::cost,
    world::{Answer, Client, Farm, World},
};

on_both_stores!(
    the_files_of_the_page_are_served,
    the_snapshot_says_what_each_route_says,
    the_snapshot_tells_of_whom_is_in_heat_though_of_another_day,
    the_snapshot_is_of_some_herds,
    what_is_of_other_owners_is_offered_to_nobody,
    what_is_too_long_to_be_told_whole_says_so,
    an_unchanged_snapshot_is_not_sent_again,
    the_snapshot_costs_the_same_however_many_are_due,
    a_device_says_how_much_waits_on_it,
    a_device_makes_no_request_dearer,
    what_was_done_and_is_refused_the_office_hears_of,
);

async fn open(client: &Client, path: &str, headers: &[(&str, &str)]) -> Answer {
    client.send_without_key(Method::GET, path, headers, vec![]).await
}

async fn the_files_of_the_page_are_served(world: &World) {
    let client = &world.manager;
    let build = open(client, "/build.json", &[]).await;
    assert_eq!(build.header("cache-control"), "no-cache");
    let build = build.expect(200);
    assert_eq!(build["build"].as_str().unwrap().len(), 32);
    let files: Vec<&str> =
        build["files"].as_array().unwrap().iter().map(|file| file.as_str().unwrap()).collect();
    assert!(files.contains(&"/") && !files.contains(&"/index.html") && !files.contains(&"/sw.js"));
    for path in &files {
        let file = open(client, path, &[]).await;
        assert_eq!(file.status, 200, "{path}");
        for (name, value) in [
            ("cache-control", "no-cache"),
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "no-referrer"),
            ("cross-origin-opener-policy", "same-origin"),
            ("cross-origin-resource-policy", "same-origin"),
            ("vary", "accept-encoding"),
        ] {
            assert_eq!(file.header(name), value, "{path}");
        }
        let policy = file.header("content-security-policy");
        for said in [
            "default-src 'none'",
            "script-src 'self'",
            "require-trusted-types-for 'script'",
            "frame-ancestors 'none'",
        ] {
            assert!(policy.contains(said) && !policy.contains("unsafe"), "{policy}");
        }
        assert!(file.header("permissions-policy").contains("camera=()"), "{path}");
        let etag = file.header("etag").to_owned();
        assert!(etag.starts_with('"'), "a strong ETag: {etag}");
        let again = open(client, path, &[("if-none-match", &etag)]).await;
        assert_eq!((again.status, again.text.as_str(), again.header("etag")), (304, "", etag.as_str()));
        let head = client.send_without_key(Method::HEAD, path, &[], vec![]).await;
        assert_eq!((head.status, head.text.as_str(), head.header("etag")), (200, "", etag.as_str()));
        assert_eq!(head.header("content-length"), file.text.len().to_string());
        // Another sequence of bytes is another version.
        let small =
            client.send_without_key(Method::HEAD, path, &[("accept-encoding", "gzip, br")], vec![]).await;
        if small.headers.contains_key("content-encoding") {
            assert_eq!(small.header("content-encoding"), "br");
            assert_ne!(small.header("etag"), etag);
            let length: usize = small.header("content-length").parse().unwrap();
            assert!(length < file.text.len(), "{path}");
        }
    }
    let page = open(client, "/", &[]).await;
    assert_eq!(page.header("content-type"), "text/html; charset=utf-8");
    assert_eq!(open(client, "/index.html", &[]).await.text, page.text);
    // What is to be loaded first is told with the page, and is among the files.
    let first: Vec<&str> = page
        .header("link")
        .split(", ")
        .map(|link| {
            link.strip_prefix('<').and_then(|rest| rest.strip_suffix(">; rel=modulepreload")).unwrap()
        })
        .collect();
    assert!(first.contains(&"/app.js") && first.iter().all(|path| files.contains(path)), "{first:?}");
    // A device keeps no documentation.
    assert!(!files.iter().any(|path| path.starts_with("/docs")), "{files:?}");
    client.send_without_key(Method::POST, "/", &[], vec![]).await.problem(405, "method-not-allowed");
}

async fn in_heat(client: &Client, animal: &str, at: &str) {
    let heat = json!({"animal_id": animal, "standing_at": at, "method": "seen"});
    client.post("/v1/heats", heat).await.created();
}

fn ids<'v>(list: &'v Value, member: &str) -> Vec<&'v str> {
    list.as_array().unwrap().iter().map(|item| item[member].as_str().unwrap()).collect()
}

fn index(told: &Value) -> usize {
    usize::try_from(told.as_u64().unwrap()).unwrap()
}

/// What next-service says, with its straws as a snapshot tells them.
fn shortened(mut next: Value, snapshot: &Value) -> Value {
    let protocols = snapshot["thaw_protocols"].as_array().unwrap();
    if let Some(first) = next["candidates"].get(0) {
        let lot = first["lot"]["id"].clone();
        let told = snapshot["animals"]
            .as_array()
            .unwrap()
            .iter()
            .find(|told| told["id"] == next["animal_id"])
            .unwrap();
        let offered = &told["next_service"]["candidates"][0];
        assert_eq!(offered["lot_id"], lot);
        let n = index(&offered["thaw_protocol"]);
        assert_eq!(protocols[n], next["thaw"], "the protocol of her first straw");
    }
    for straw in next["candidates"].as_array_mut().unwrap() {
        *straw = json!({"lot_id": straw["lot"]["id"], "semen_type": straw["semen_type"], "place": straw["place"],
                        "tank_name": straw["tank_name"], "straws": straw["straws"]});
    }
    next
}

fn without_protocols(mut next: Value) -> Value {
    for straw in next["candidates"].as_array_mut().unwrap() {
        straw.as_object_mut().unwrap().remove("thaw_protocol");
    }
    next
}

async fn the_snapshot_says_what_each_route_says(world: &World) {
    let yard = Yard::of(world).await;
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let empty = client.get("/v1/page?date=2026-02-02").await.expect(200);
    assert_eq!((&empty["animals"], &empty["round"]["stops"]), (&json!([]), &json!([])));
    // One for whom a straw is out, one with a plan, one by kinship barred from all, one whose herd thaws in its own way.
    let out = farm.animal(client, "1").await;
    let straw =
        client.post("/v1/withdrawals", json!({"animal_id": out, "lot_id": farm.sexed})).await.created();
    let before = json!({"animal_id": out, "lot_id": farm.sexed, "withdrawn_at": "2026-03-02T05:30:00+01:00",
                        "already_done": true});
    let before = client.post("/v1/withdrawals", before).await.created();
    let thaw = json!({"bath_temp_c": 35.6, "started_at": "2026-03-02T05:30:30+01:00", "already_done": true});
    let path = format!("/v1/withdrawals/{}/thaw", before["id"].as_str().unwrap());
    client.post(&path, thaw).await.expect(200);
    let daughter =
        json!({"herd_id": farm.herd, "number": "2", "born_on": "2023-05-02", "sire_id": farm.sire});
    let daughter = client.make("/v1/animals", daughter).await;
    let planned = yard.animal("3").await;
    let told = json!({"sireRecommendations": [{"recommendationType": "SireRecommended", "sireOfficialName": "One",
        "sireIdentifiers": [{"scheme": "tankside.sire", "id": farm.sire}], "sireRank": 1}]});
    yard.send("mating-recommendations", &event("p", "3", "2026-02-28T08:00:00Z", told)).await;
    let own = json!({"min_c": 34.0, "max_c": 36.0, "aim_c": 35.0, "min_s": 60, "use_within_s": 600});
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"thaw": own})).await.expect(200);
    let printed = json!({"min_c": 35.5, "max_c": 36.5, "aim_c": 36.0, "min_s": 40, "use_within_s": 500});
    let lot = format!("/v1/lots/{}", farm.conventional);
    client.patch(&lot, None, json!({"thaw": printed})).await.expect(200);
    let plain = farm.animal(client, "4").await;
    for animal in [&out, &daughter, &planned, &plain] {
        in_heat(client, animal, "2026-03-01T20:00:00+01:00").await;
    }
    let reading = json!({"read_at": "2026-03-01T06:00:00Z", "depth_mm": 310});
    client.make(&format!("/v1/tanks/{}/nitrogen-readings", farm.tank), reading).await;
    let count = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 7});
    let count = client.make("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": [count]})).await;

    let snapshot = client.get("/v1/page?date=2026-03-02").await.expect(200);
    assert_eq!(snapshot["round"], client.get("/v1/round?date=2026-03-02").await.expect(200));
    let on_round: BTreeSet<&str> = snapshot["round"]["stops"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|stop| ids(&stop["animals"], "animal_id"))
        .collect();
    assert_eq!(on_round.len(), 4);
    assert_eq!(on_round, ids(&snapshot["animals"], "id").into_iter().collect());
    for told in snapshot["animals"].as_array().unwrap() {
        let id = told["id"].as_str().unwrap();
        let next = client.get(&format!("/v1/animals/{id}/next-service")).await.expect(200);
        assert_eq!(without_protocols(told["next_service"].clone()), shortened(next, &snapshot), "{id}");
        let mut animal = client.get(&format!("/v1/animals/{id}")).await.expect(200);
        animal.as_object_mut().unwrap().remove("etag");
        let mut told = told.clone();
        told.as_object_mut().unwrap().remove("next_service");
        assert_eq!(told, animal);
    }
    let of =
        |id: &str| snapshot["animals"].as_array().unwrap().iter().find(|told| told["id"] == *id).unwrap();
    assert_eq!(of(&planned)["next_service"]["plan"]["choices"][0]["sire_id"], json!(farm.sire));
    assert_eq!(of(&daughter)["next_service"]["candidates"], json!([]));
    assert!(!of(&daughter)["next_service"]["blocked"].as_array().unwrap().is_empty());
    assert!(of(&out)["next_service"]["cautions"].to_string().contains("A straw has been out for her"));
    let n = index(&of(&plain)["next_service"]["candidates"][0]["thaw_protocol"]);
    assert_eq!(snapshot["thaw_protocols"][n]["min_s"], 60);

    // The lists.
    let stock = client.get("/v1/stock?limit=500").await.expect(200);
    let places = |list: &Value, lot: &dyn Fn(&Value) -> Value| -> BTreeSet<String> {
        list.as_array()
            .unwrap()
            .iter()
            .map(|s| format!("{} {} {}", lot(s), s["place"], s["straws"]))
            .collect()
    };
    assert_eq!(
        places(&snapshot["stock"], &|s| s["lot_id"].clone()),
        places(&stock["items"], &|s| s["lot"]["id"].clone())
    );
    for lot in snapshot["lots"].as_array().unwrap() {
        let mut whole = client.get(&format!("/v1/lots/{}", lot["id"].as_str().unwrap())).await.expect(200);
        whole.as_object_mut().unwrap().remove("etag");
        for (name, value) in whole.as_object().unwrap() {
            assert_eq!(&lot[name], value, "{name}");
        }
        assert_eq!(lot["sire"]["id"], lot["sire_id"]);
        // Its own instruction, or that of its semen type and straw (trade.md: 45 s sexed, 30 s conventional in 0.25 ml).
        let protocol = &snapshot["thaw_protocols"][index(&lot["thaw_protocol"])];
        let seconds = match lot["semen_type"].as_str() {
            _ if lot["id"] == json!(farm.conventional) => 40,
            Some("conventional") => 30,
            _ => 45,
        };
        assert_eq!(protocol["min_s"], seconds, "{lot:#}");
    }
    let protocols: BTreeSet<String> =
        snapshot["thaw_protocols"].as_array().unwrap().iter().map(Value::to_string).collect();
    assert_eq!(protocols.len(), snapshot["thaw_protocols"].as_array().unwrap().len(), "each once");
    assert_eq!(
        snapshot["tanks"],
        client.get("/v1/tanks?include=nitrogen&limit=500").await.expect(200)["items"]
    );
    assert_eq!(
        snapshot["withdrawals"],
        client.get("/v1/withdrawals?unresolved=true").await.expect(200)["items"]
    );
    let both: BTreeSet<&str> = [&straw, &before].iter().map(|straw| straw["id"].as_str().unwrap()).collect();
    assert_eq!(ids(&snapshot["withdrawals"], "id").into_iter().collect::<BTreeSet<_>>(), both);
    assert!(ids(&snapshot["withdrawals"], "state").contains(&"thawed"), "{:#}", snapshot["withdrawals"]);
    assert_eq!(snapshot["alerts"], client.get("/v1/alerts?open=true").await.expect(200)["items"]);
    assert_eq!(snapshot["alerts"][0]["stocktake_id"], json!(count));
    let changes = client.get("/v1/changes?limit=500").await.expect(200);
    assert_eq!(snapshot["seq"], changes["items"].as_array().unwrap().last().unwrap()["seq"]);
    assert_eq!(snapshot["key"]["role"], "manager");
    assert_eq!(snapshot["truncated"], json!([]));
    let herds = client.get("/v1/herds").await.expect(200);
    assert_eq!(ids(&snapshot["herds"], "id"), ids(&herds["items"], "id"));
}

async fn the_snapshot_tells_of_whom_is_in_heat_though_of_another_day(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (heifer, served, past) =
        (farm.animal(client, "1").await, farm.animal(client, "2").await, farm.animal(client, "3").await);
    // Ten in the evening: sexed semen waits for 14 h after standing heat (trade.md), which is tomorrow.
    world.set_clock("2026-03-02T22:00:00+01:00");
    in_heat(client, &heifer, "2026-03-02T12:00:00+01:00").await;
    in_heat(client, &past, "2026-02-26T12:00:00+01:00").await;
    let at = "2026-02-10T12:00:00+01:00";
    client
        .make(
            "/v1/services",
            json!({"animal_id": served, "sire_id": farm.sire, "semen_type": "sexed_female", "served_at": at}),
        )
        .await;
    let snapshot = client.get("/v1/page").await.expect(200);
    assert_eq!(snapshot["round"]["date"], "2026-03-02");
    let due = snapshot["round"]["stops"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|stop| ids(&stop["animals"], "animal_id"));
    assert_eq!(due.count(), 0, "{:#}", snapshot["round"]);
    // Neither whom is only watched for nor whose heat is long over.
    assert_eq!(ids(&snapshot["animals"], "id"), [heifer.as_str()]);
    let next = &snapshot["animals"][0]["next_service"];
    assert_eq!((&next["service_number"], &next["timing"]["state"]), (&json!(1), &json!("early")));
    assert_eq!(next["semen_types"], json!(["sexed_female"]));
    assert!(!next["candidates"].as_array().unwrap().is_empty());
}

async fn the_snapshot_is_of_some_herds(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let other = Farm::found(client).await;
    for farm in [&farm, &other] {
        let animal = farm.animal(client, "1").await;
        in_heat(client, &animal, "2026-03-01T20:00:00+01:00").await;
        let left = farm.animal(client, "2").await;
        client.make("/v1/withdrawals", json!({"animal_id": left, "lot_id": farm.sexed})).await;
        let count = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 7});
        client.make("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": [count]})).await;
    }
    let van = client.make("/v1/tanks", json!({"name": "Van"})).await;
    let count = json!({"lot_id": farm.sexed, "place": {"tank_id": van, "canister": 1}, "straws": 1});
    client.make("/v1/stocktakes", json!({"tank_id": van, "counts": [count]})).await;
    let one = client.get(&format!("/v1/page?date=2026-03-02&herd_id={}", farm.herd)).await.expect(200);
    assert_eq!(one["key"]["herds"], json!([farm.herd]));
    assert_eq!(ids(&one["herds"], "id"), [farm.herd.as_str()]);
    assert_eq!(ids(&one["animals"], "herd_id"), [farm.herd.as_str()]);
    assert_eq!(ids(&one["tanks"], "id"), [farm.tank.as_str(), van.as_str()]);
    assert_eq!(ids(&one["withdrawals"], "herd_id"), [farm.herd.as_str()]);
    assert_eq!(
        one["alerts"].as_array().unwrap().iter().map(|alert| &alert["herd_id"]).collect::<Vec<_>>(),
        [&json!(farm.herd), &Value::Null]
    );
    for hanging in one["stock"].as_array().unwrap() {
        assert_eq!(hanging["place"]["tank_id"], json!(farm.tank));
    }
    let both = format!("/v1/page?date=2026-03-02&herd_id={}&herd_id={}", farm.herd, other.herd);
    let both = client.get(&both).await.expect(200);
    assert_eq!(both["animals"].as_array().unwrap().len(), 2);
    let none = client.get(&format!("/v1/page?herd_id={}", uuid::Uuid::now_v7())).await.expect(200);
    for list in ["animals", "herds", "withdrawals", "stock"] {
        assert_eq!(none[list], json!([]), "{list}");
    }
    // Today is where the herds are: the first of those that are asked for says.
    let far = client.make("/v1/herds", json!({"name": "Far Down", "time_zone": "Pacific/Auckland"})).await;
    world.set_clock("2026-03-02T23:30:00Z");
    for (query, date) in [
        (String::new(), "2026-03-03"),
        (format!("?herd_id={far}"), "2026-03-03"),
        (format!("?herd_id={}&date=2026-03-05", farm.herd), "2026-03-05"),
    ] {
        let told = client.get(&format!("/v1/page{query}")).await.expect(200);
        assert_eq!(told["round"]["date"], date, "{query}");
    }
    world.set_clock("2026-03-03T12:00:00Z");
    let told = client.get(&format!("/v1/page?herd_id={far}")).await.expect(200);
    assert_eq!(told["round"]["date"], "2026-03-04", "noon in UTC is the next day there");
    client.get("/v1/page?herd_id=1").await.problem(400, "invalid-query");
    client.get("/v1/page?date=today").await.problem(400, "invalid-query");
}

async fn what_is_of_other_owners_is_offered_to_nobody(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let other = Farm::found(client).await;
    let van = client.make("/v1/tanks", json!({"name": "Van"})).await;
    let lot = json!({"sire_id": other.sire, "semen_type": "sexed_female", "owner_herd_id": other.herd});
    let lot = client.make("/v1/lots", lot).await;
    let place = json!({"tank_id": van, "canister": 1});
    client.post("/v1/receipts", json!({"lot_id": lot, "place": place, "straws": 2})).await.created();
    for farm in [&farm, &other] {
        let animal = farm.animal(client, "1").await;
        in_heat(client, &animal, "2026-03-01T20:00:00+01:00").await;
    }
    let snapshot = client.get("/v1/page?date=2026-03-02").await.expect(200);
    for told in snapshot["animals"].as_array().unwrap() {
        let hers = told["herd_id"] == json!(other.herd);
        let text = told["next_service"].to_string();
        assert_eq!(text.contains(&lot), hers, "{told:#}");
    }
    let stock = snapshot["stock"].to_string();
    assert!(stock.contains(&lot), "it hangs there all the same, and is counted");
}

/// Acts of a batch, each done.
async fn done(client: &Client, steps: Vec<Value>) {
    let headers = [("content-type", "application/json")];
    let told = client.send(Method::POST, "/v1/batch", &headers, json!(steps).to_string().into_bytes()).await;
    let told = told.expect(207);
    assert!(told["results"].as_array().unwrap().iter().all(|one| one["status"] == 201), "{told:#}");
}

/// Lines of the inventory, each at a place of its own.
async fn hung_up(client: &Client, canister: usize, lines: usize) {
    let mut file = "tank_name,canister,cane,sire_name,sire_breed,semen_type,batch,straws\n".to_owned();
    for cane in 0..lines {
        writeln!(file, "Depot,{canister},{cane},Invented Two,JER,conventional,7,1").unwrap();
    }
    let headers = [("content-type", "text/csv")];
    let told = client.send(Method::POST, "/v1/imports/inventory", &headers, file.into_bytes()).await;
    assert_eq!(told.expect(200)["receipts"], lines);
}

async fn what_is_too_long_to_be_told_whole_says_so(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    farm.receive(client, &farm.sexed, 3, 1000).await;
    let depot = client.make("/v1/herds", json!({"name": "Next valley", "time_zone": "Europe/Vienna"})).await;
    client.make("/v1/tanks", json!({"name": "Depot", "herd_id": depot, "canisters": 6})).await;
    let truncated = async || {
        // It is megabytes: not held against its description here.
        let (_, told) = client.bytes("/v1/page?date=2026-03-02").await;
        serde_json::from_slice::<Value>(&told).unwrap()["truncated"].clone()
    };
    let in_heat = async |numbers: std::ops::Range<usize>| {
        let key = |number: usize| format!("animal {number}");
        done(
            client,
            numbers
                .clone()
                .map(|number| {
                    json!({"step": "animal", "idempotency_key": key(number), "herd_id": farm.herd,
                           "number": number.to_string(), "born_on": "2023-05-02"})
                })
                .collect(),
        )
        .await;
        let animals = whole(client, "/v1/animals", &format!("herd_id={}", farm.herd), 500).await;
        let heats = animals.iter().filter(|animal| {
            animal["number"].as_str().unwrap().parse().is_ok_and(|number| numbers.contains(&number))
        });
        let heats: Vec<Value> = heats
            .map(|animal| json!({"animal_id": animal["id"], "standing_at": "2026-03-01T20:00:00+01:00"}))
            .collect();
        // A few connections at a time.
        for some in heats.chunks(50) {
            join_all(some.iter().map(|heat| client.make("/v1/heats", heat.clone()))).await;
        }
    };
    let patient = farm.animal(client, "served before").await;
    let straws = async |numbers: std::ops::Range<usize>| {
        let steps = numbers.map(|n| {
            json!({"step": "withdrawal", "idempotency_key": format!("straw {n}"), "animal_id": patient,
                   "lot_id": farm.sexed})
        });
        done(client, steps.collect()).await;
    };
    let alerts = async |numbers: std::ops::Range<usize>| {
        let steps: Vec<Value> = numbers
            .map(|n| json!({"idempotency_key": format!("alert {n}"), "animal_id": 5, "lot_id": 5}))
            .collect();
        let headers = [("content-type", "application/json")];
        let body = json!(steps).to_string().into_bytes();
        client.send(Method::POST, "/v1/withdrawals/batch", &headers, body).await.expect(207);
    };
    let herds_and_tanks = async |numbers: std::ops::Range<usize>| {
        let names: Vec<String> = numbers.map(|n| format!("One more {n}")).collect();
        let herds = names.iter().map(|name| ("/v1/herds", json!({"name": name, "time_zone": "UTC"})));
        let tanks = names.iter().map(|name| ("/v1/tanks", json!({"name": name})));
        let all: Vec<_> = herds.chain(tanks).collect();
        for some in all.chunks(50) {
            join_all(some.iter().map(|(path, body)| client.make(path, body.clone()))).await;
        }
    };
    // As much as there may be: 499 straws that are out, alerts, tanks and herds, 1000 animals, 5000 places.
    in_heat(0..1000).await;
    straws(0..499).await;
    herds_and_tanks(0..497).await;
    for (canister, lines) in [(1, 1700), (2, 1700), (3, 1598)] {
        hung_up(client, canister, lines).await;
    }
    alerts(whole(client, "/v1/alerts", "open=true", 500).await.len()..499).await;
    assert_eq!(truncated().await, json!([]));
    in_heat(1000..1001).await;
    straws(499..500).await;
    alerts(499..500).await;
    herds_and_tanks(497..498).await;
    hung_up(client, 4, 1).await;
    let told = truncated().await;
    let told: BTreeSet<&str> = told.as_array().unwrap().iter().map(|list| list.as_str().unwrap()).collect();
    assert_eq!(told, BTreeSet::from(["withdrawals", "tanks", "alerts", "animals", "stock", "herds"]));
}

async fn an_unchanged_snapshot_is_not_sent_again(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let path = "/v1/page?date=2026-03-02";
    let ask = async |etag: &str| client.send(Method::GET, path, &[("if-none-match", etag)], vec![]).await;
    let first = client.get(path).await;
    let mut etag = first.header("etag").to_owned();
    assert!(etag.starts_with("W/\""), "{etag}");
    first.expect(200);
    let same = ask(&etag).await;
    assert_eq!((same.status, same.text.as_str(), same.header("etag")), (304, "", etag.as_str()));
    world.pass(chrono::TimeDelta::seconds(100));
    assert_eq!(ask(&etag).await.status, 304);
    let animal = farm.animal(client, "1").await;
    let reading = json!({"read_at": "2026-03-01T06:00:00Z", "depth_mm": 310});
    let hold = json!({"tank_id": farm.tank, "canister": 6, "reason": "Doubt."});
    let count = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 7});
    for (what, path, body) in [
        ("an animal", "/v1/heats".to_owned(), json!({"animal_id": animal})),
        ("a reading", format!("/v1/tanks/{}/nitrogen-readings", farm.tank), reading),
        ("a hold", "/v1/holds".to_owned(), hold),
        ("an alert", "/v1/stocktakes".to_owned(), json!({"tank_id": farm.tank, "counts": [count]})),
    ] {
        client.make(&path, body).await;
        let next = ask(&etag).await;
        assert_eq!(next.status, 200, "after {what} it is another");
        etag = next.header("etag").to_owned();
        assert_eq!(ask(&etag).await.status, 304);
    }
    // Another key, other herds and another time have versions of their own.
    let reader = world.caller(Role::Reader).await;
    assert_eq!(reader.send(Method::GET, path, &[("if-none-match", &etag)], vec![]).await.status, 200);
    let some = format!("{path}&herd_id={}", farm.herd);
    assert_eq!(client.send(Method::GET, &some, &[("if-none-match", &etag)], vec![]).await.status, 200);
    world.pass(chrono::TimeDelta::minutes(5));
    assert_eq!(ask(&etag).await.status, 200);
}

async fn the_snapshot_costs_the_same_however_many_are_due(world: &World) {
    let yard = Yard::of(world).await;
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let add = async |number: usize| {
        let animal = yard.animal(&number.to_string()).await;
        in_heat(client, &animal, "2026-03-01T20:00:00+01:00").await;
        let told = json!({"sireRecommendations": [{"recommendationType": "SireRecommended",
            "sireIdentifiers": [{"scheme": "tankside.sire", "id": farm.sire}]}]});
        let told = event(&format!("p-{number}"), &number.to_string(), "2026-02-28T08:00:00Z", told);
        yard.send("mating-recommendations", &told).await;
        client
            .make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed, "already_done": true}))
            .await;
    };
    add(1).await;
    world.stop_clockwork().await;
    world.db().record_statements();
    client.get("/v1/business").await.expect(200);
    let (few, short) = cost(world, client.get("/v1/page?date=2026-03-02")).await;
    assert_eq!(few.expect(200)["animals"].as_array().unwrap().len(), 1);
    for number in 2..=9 {
        add(number).await;
    }
    let (many, long) = cost(world, client.get("/v1/page?date=2026-03-02")).await;
    let etag = many.header("etag").to_owned();
    assert_eq!(many.expect(200)["animals"].as_array().unwrap().len(), 9);
    assert!(long.len() <= 12, "{} statements:\n{}", long.len(), long.join("\n--\n"));
    assert_eq!(short.len(), long.len(), "it costs more for more");
    let asked = async {
        let headers = [("if-none-match", etag.as_str())];
        client.send(Method::GET, "/v1/page?date=2026-03-02", &headers, vec![]).await
    };
    let (again, none) = cost(world, asked).await;
    assert_eq!((again.status, none.len()), (304, 1));
}

/// A device of the farm's.
const PHONE: &str = "019cacea-b970-7c3e-9d61-0c7a51e6b0ff";

async fn ask_as(client: &Client, device: &str, waiting: &str) {
    let headers = [("tankside-device", device), ("tankside-waiting", waiting)];
    client.send(Method::GET, "/v1/business", &headers, vec![]).await.expect(200);
}

async fn a_device_says_how_much_waits_on_it(world: &World) {
    let client = &world.manager;
    let phone = world.caller(Role::Technician).await;
    let devices = async || client.get("/v1/devices").await.expect(200)["items"].clone();
    assert_eq!(devices().await, json!([]));
    ask_as(&phone, PHONE, "3; oldest=2026-03-02T04:10:00Z").await;
    // Only with the clockwork it is written, and no act waits for that.
    world.look_round().await;
    let told = devices().await;
    assert_eq!(told.as_array().unwrap().len(), 1, "{told:#}");
    let first = &told[0];
    assert_eq!(
        (&first["id"], &first["name"], &first["key_name"]),
        (&json!(PHONE), &Value::Null, &json!("A caller"))
    );
    assert_eq!((&first["waiting"], &first["oldest_waiting_at"]), (&json!(3), &json!("2026-03-02T04:10:00Z")));
    assert_eq!(first["last_seen_at"], "2026-03-02T05:00:00Z");
    // Not twice within a minute.
    ask_as(&phone, PHONE, "0").await;
    world.look_round().await;
    assert_eq!(devices().await[0]["waiting"], 3);
    world.pass(chrono::TimeDelta::seconds(61));
    let named =
        [("tankside-device", PHONE), ("tankside-device-name", "Anna%27s%20phone"), ("tankside-waiting", "0")];
    client.send(Method::GET, "/v1/business", &named, vec![]).await.expect(200);
    world.look_round().await;
    let told = devices().await;
    assert_eq!((&told[0]["waiting"], &told[0]["oldest_waiting_at"]), (&json!(0), &Value::Null));
    assert_eq!(
        (&told[0]["name"], &told[0]["key_name"]),
        (&json!("Anna's phone"), &json!("First manager key"))
    );
    // What cannot be read is no reason to refuse anything.
    for (device, waiting) in [("phone", "3"), (PHONE, "many"), ("", "")] {
        ask_as(&phone, device, waiting).await;
    }
    // Next door it is not seen.
    let neighbour = world.neighbour().await;
    assert_eq!(neighbour.get("/v1/devices").await.expect(200)["items"], json!([]));
    // The snapshot is no other for it.
    let etag = client.get("/v1/page").await.header("etag").to_owned();
    ask_as(&phone, "019cacea-b970-7c3e-9d61-0c7a51e6b100", "1").await;
    world.look_round().await;
    let both = devices().await.as_array().unwrap().clone();
    assert_eq!(both.len(), 2);
    assert_eq!(whole(client, "/v1/devices", "", 1).await, both);
    assert_eq!(client.send(Method::GET, "/v1/page", &[("if-none-match", &etag)], vec![]).await.status, 304);
}

async fn a_device_makes_no_request_dearer(world: &World) {
    let client = &world.manager;
    world.stop_clockwork().await;
    world.db().record_statements();
    client.get("/v1/business").await.expect(200);
    let ((), plain) = cost(world, async { drop(client.get("/v1/business").await.expect(200)) }).await;
    let ((), told) = cost(world, ask_as(client, PHONE, "2")).await;
    assert_eq!(plain, told);
}

async fn open_refusals(client: &Client) -> Vec<Value> {
    let list = client.get("/v1/alerts?open=true&kind=act.refused").await.expect(200);
    list["items"].as_array().unwrap().clone()
}

async fn what_was_done_and_is_refused_the_office_hears_of(world: &World) {
    let client = &world.manager;
    let phone = world.caller(Role::Technician).await;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let hook = json!({"url": "https://farm.example/hook", "events": ["act.refused"]});
    let hook = client.make("/v1/webhooks", hook).await;
    let events = async || {
        let sent = client.get(&format!("/v1/webhooks/{hook}/deliveries?limit=500")).await.expect(200);
        sent["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|sent| sent["type"].to_string())
            .collect::<Vec<_>>()
            .join(" ")
    };
    let send = async |key: &str, path: &str, body: Value, waiting: &str| {
        let headers = [
            ("content-type", "application/json"),
            ("idempotency-key", key),
            ("tankside-device", PHONE),
            ("tankside-waiting", waiting),
        ];
        phone.send(Method::POST, path, &headers, body.to_string().into_bytes()).await
    };
    // No straw of that lot ever hung anywhere, so nothing can be taken; not said to have happened, it is only refused.
    let lot = farm.lot(client, "conventional", "2024-06-01").await;
    let take = json!({"animal_id": animal, "lot_id": lot});
    assert!(send("asked", "/v1/withdrawals", take.clone(), "0").await.status >= 400);
    let explicit = json!({"animal_id": animal, "lot_id": lot, "already_done": false});
    assert!(send("asked too", "/v1/withdrawals", explicit, "1").await.status >= 400);
    assert_eq!(open_refusals(client).await, [] as [Value; 0]);
    // Told as done, the office hears, and once however often it is sent.
    let done = json!({"animal_id": animal, "lot_id": lot, "already_done": true});
    let refused = send("told", "/v1/withdrawals", done.clone(), "1").await;
    let why = refused.body["detail"].as_str().unwrap().to_owned();
    assert!((400..500).contains(&refused.status), "{refused:?}");
    for _ in 0..2 {
        send("told", "/v1/withdrawals", done.clone(), "1").await;
    }
    let [alert] = &open_refusals(client).await[..] else { panic!("not one alert") };
    let text = alert["text"].as_str().unwrap();
    for said in ["A caller", PHONE, "POST /v1/withdrawals", &why] {
        assert!(text.contains(said), "{said} is not in: {text}");
    }
    assert!(alert["advice"].as_str().unwrap().contains("enter"), "{alert:#}");
    // Each kind of refusal: bad input, what is not there, what was settled, what a role may not.
    let gone = Uuid::now_v7();
    for (n, (path, body, status)) in [
        ("/v1/withdrawals".to_owned(), json!({"animal_id": 412, "already_done": true}), 422),
        (format!("/v1/withdrawals/{gone}/thaw"), json!({"bath_temp_c": 36, "already_done": true}), 404),
        ("/v1/services".to_owned(), json!({"withdrawal_id": gone, "already_done": true}), 404),
        // These cannot say that they were done; they waited on the device.
        (format!("/v1/withdrawals/{gone}/discard"), json!({"reason": "dropped"}), 404),
        (format!("/v1/tanks/{gone}/nitrogen-readings"), json!({"depth_mm": 300}), 404),
    ]
    .into_iter()
    .enumerate()
    {
        let key = format!("kind {n}");
        let answer = send(&key, &path, body.clone(), "2; oldest=2026-03-02T04:10:00Z").await;
        assert_eq!(answer.status, status, "{path}: {answer:?}");
        send(&key, &path, body, "2").await;
        assert_eq!(open_refusals(client).await.len(), n + 2, "{path}");
    }
    // Steps of a batch are told too.
    let steps = json!([{"idempotency_key": "step 1", "animal_id": animal, "lot_id": lot},
                       {"idempotency_key": "step 2", "animal_id": 5}]);
    let headers = [("content-type", "application/json"), ("tankside-device", PHONE)];
    phone
        .send(Method::POST, "/v1/withdrawals/batch", &headers, steps.to_string().into_bytes())
        .await
        .expect(207);
    assert_eq!(open_refusals(client).await.len(), 8);
    // A key that came before with another act: what is told now is not in the book.
    let reading = format!("/v1/tanks/{}/nitrogen-readings", farm.tank);
    send("twice", &reading, json!({"depth_mm": 300}), "1").await.expect(201);
    for _ in 0..2 {
        send("twice", &reading, json!({"depth_mm": 290}), "1").await.problem(422, "idempotency-mismatch");
    }
    assert_eq!(open_refusals(client).await.len(), 9);
    // A key whose role does not suffice: what was done is done. A reader's key does nothing at a tank, and a question is no act.
    let script = world.caller(Role::Integration).await;
    let looker = world.caller(Role::Reader).await;
    for (who, key, told, opened) in
        [(&looker, "looks", true, 9), (&script, "asks", false, 9), (&script, "told by a script", true, 10)]
    {
        let body = json!({"withdrawal_id": gone, "already_done": told});
        for _ in 0..2 {
            who.post_as("/v1/services", key, body.clone()).await.problem(403, "forbidden");
        }
        assert_eq!(open_refusals(client).await.len(), opened, "{key}");
    }
    // Somebody takes it on, and it is over; the same act again opens no other.
    let id = alert["id"].as_str().unwrap().to_owned();
    let over = client
        .post(&format!("/v1/alerts/{id}/acknowledgement"), json!({"note": "Counted."}))
        .await
        .expect(200);
    assert!(over["cleared_at"].is_string(), "{over:#}");
    send("told", "/v1/withdrawals", done, "1").await;
    assert_eq!(open_refusals(client).await.len(), 9);
    let told = events().await;
    for kind in ["\"act.refused\"", "\"act.refused.acknowledged\"", "\"act.refused.cleared\""] {
        assert!(told.contains(kind), "{told}");
    }
    // A rule silences it.
    client.make("/v1/alert-rules", json!({"kind": "act.refused", "enabled": false})).await;
    send("silent", "/v1/services", json!({"withdrawal_id": gone, "already_done": true}), "1").await;
    assert_eq!(open_refusals(client).await.len(), 9);
    client
        .post("/v1/alert-rules", json!({"kind": "act.refused", "herd_id": farm.herd}))
        .await
        .problem(422, "invalid-input");
    // What is done after all leaves no alert.
    let body =
        json!({"animal_id": animal, "lot_id": farm.sexed, "already_done": true, "place": farm.place(3)});
    send("good", "/v1/withdrawals", body, "1").await.created();
    assert_eq!(open_refusals(client).await.len(), 9);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pages_of_named_sites_may_ask_and_others_not() {
    const NAMED: &str = "https://herd.example";
    let world = World::with(|config| config.cors_origins = vec![NAMED.parse().unwrap()]).await;
    let client = &world.manager;
    // Fetch, "CORS-preflight request": it carries no key.
    let preflight = async |client: &Client, origin: &str| {
        let headers = [
            ("origin", origin),
            ("access-control-request-method", "POST"),
            ("access-control-request-headers", "authorization,content-type,idempotency-key,tankside-device"),
        ];
        client.send_without_key(Method::OPTIONS, "/v1/withdrawals", &headers, vec![]).await
    };
    let told = preflight(client, NAMED).await;
    assert_eq!((told.status, told.header("access-control-allow-origin")), (200, NAMED));
    assert!(told.header("access-control-allow-methods").contains("POST"));
    for asked in ["authorization", "content-type", "idempotency-key", "if-none-match", "tankside-waiting"] {
        assert!(told.header("access-control-allow-headers").contains(asked), "{asked}");
    }
    let read = client.send(Method::GET, "/v1/business", &[("origin", NAMED)], vec![]).await;
    assert_eq!(read.header("access-control-allow-origin"), NAMED);
    assert!(!read.headers.contains_key("access-control-allow-credentials"));
    let exposed = read.header("access-control-expose-headers").to_ascii_lowercase();
    for name in
        ["etag", "link", "location", "idempotent-replayed", "ratelimit", "retry-after", "x-request-id"]
    {
        assert!(exposed.split(',').any(|told| told == name), "{name} is not in {exposed}");
    }
    read.expect(200);
    // A key is needed all the same, and another site is not told that it may.
    let without = client.send_without_key(Method::GET, "/v1/business", &[("origin", NAMED)], vec![]).await;
    assert_eq!(without.header("access-control-allow-origin"), NAMED);
    without.problem(401, "key-missing");
    for other in ["https://other.example", "https://herd.example:8443", "null"] {
        assert!(
            !preflight(client, other).await.headers.contains_key("access-control-allow-origin"),
            "{other}"
        );
    }
    world.close().await;
    // Where none is named nobody is answered anything of it.
    let world = World::with(|_| ()).await;
    let told = preflight(&world.manager, NAMED).await;
    assert!(!told.headers.keys().any(|name| name.as_str().starts_with("access-control")), "{told:?}");
    // Asked without a key as anything else.
    assert_eq!(told.status, 401);
    world.close().await;
}
