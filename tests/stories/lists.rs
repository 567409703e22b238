//! Lists: a page at a time, every item once, and filters that do what a naive filter does.

use std::collections::BTreeSet;

use base64::{Engine as _, prelude::BASE64_URL_SAFE_NO_PAD};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::{
    on_both_stores,
    world::{Client, Farm, World, operations},
};

on_both_stores!(
    every_list_is_paged_in_order_with_each_item_once,
    lines_added_meanwhile_neither_skip_nor_repeat_any,
    a_page_has_a_bound,
    a_cursor_belongs_to_its_list_and_its_filters,
    an_unknown_or_repeated_parameter_is_refused,
    filters_together_do_what_a_naive_filter_does,
);

/// A filter of a list: its name, and what it asks of an item.
pub type Filter = (&'static str, fn(&Value, &str) -> bool);

/// Whether the member under that pointer is this text.
macro_rules! is {
    ($pointer:literal) => {
        |item, wanted| item.pointer($pointer).is_some_and(|held| held == wanted)
    };
}

fn has_name(item: &Value, wanted: &str) -> bool {
    item["identifiers"].as_array().unwrap().iter().any(|name| name["id"] == wanted)
}

fn is_unresolved(item: &Value, wanted: &str) -> bool {
    wanted == "false" || !["served", "discarded"].contains(&item["state"].as_str().unwrap())
}

fn is_open(item: &Value, wanted: &str) -> bool {
    item["cleared_at"].is_null() == (wanted == "true")
}

fn is_held(item: &Value, wanted: &str) -> bool {
    wanted == "false" || item["lifted_at"].is_null()
}

/// Every list with its filters.
pub fn lists() -> Vec<(&'static str, Vec<Filter>)> {
    let event: Vec<Filter> = vec![("animal_id", is!("/animal_id")), ("herd_id", is!("/herd_id"))];
    vec![
        ("/v1/herds", vec![]),
        ("/v1/tanks", vec![("herd_id", is!("/herd_id"))]),
        ("/v1/sires", vec![("breed", is!("/breed")), ("identifier", has_name)]),
        (
            "/v1/lots",
            vec![
                ("sire_id", is!("/sire_id")),
                ("semen_type", is!("/semen_type")),
                ("status", is!("/status")),
                ("owner_herd_id", is!("/owner_herd_id")),
            ],
        ),
        (
            "/v1/animals",
            vec![("herd_id", is!("/herd_id")), ("number", is!("/number")), ("identifier", has_name)],
        ),
        ("/v1/movements", vec![("lot_id", is!("/lot_id"))]),
        (
            "/v1/stock",
            vec![
                ("tank_id", is!("/place/tank_id")),
                ("sire_id", is!("/sire/id")),
                ("lot_id", is!("/lot/id")),
                ("semen_type", is!("/semen_type")),
                ("owner_herd_id", is!("/lot/owner_herd_id")),
            ],
        ),
        (
            "/v1/ade-items",
            vec![
                ("herd_id", is!("/herd_id")),
                ("animal_id", is!("/animal_id")),
                ("flagged", |item, wanted| wanted == "false" || item["flagged"] == true),
            ],
        ),
        ("/v1/withdrawals", vec![("animal_id", is!("/animal_id")), ("unresolved", is_unresolved)]),
        ("/v1/services", event.clone()),
        ("/v1/heats", event.clone()),
        ("/v1/pregnancy-checks", event.clone()),
        ("/v1/calvings", event.clone()),
        ("/v1/abortions", event.clone()),
        ("/v1/do-not-breed", event),
        ("/v1/stocktakes", vec![("tank_id", is!("/tank_id"))]),
        ("/v1/holds", vec![("tank_id", is!("/tank_id")), ("open", is_held)]),
        ("/v1/consignments", vec![("direction", is!("/direction"))]),
        ("/v1/reports/register", vec![]),
        ("/v1/reports/charges", vec![("herd_id", is!("/herd_id"))]),
        ("/v1/calendars", vec![]),
        ("/v1/requests", vec![("herd_id", is!("/herd_id")), ("state", is!("/state"))]),
        ("/v1/timed-protocols", vec![("herd_id", is!("/herd_id"))]),
        (
            "/v1/protocol-starts",
            vec![
                ("protocol_id", is!("/protocol_id")),
                ("animal_id", is!("/animal_id")),
                ("herd_id", is!("/herd_id")),
            ],
        ),
        ("/v1/tanks/{id}/nitrogen-readings", vec![]),
        ("/v1/tanks/{id}/refills", vec![]),
        ("/v1/tanks/{id}/repairs", vec![]),
        ("/v1/webhooks", vec![]),
        ("/v1/audit", vec![("key_id", is!("/key_id"))]),
        ("/v1/stock/outlook", vec![("sire_id", is!("/sire/id")), ("semen_type", is!("/semen_type"))]),
        (
            "/v1/alerts",
            vec![
                ("open", is_open),
                ("kind", is!("/kind")),
                ("subject", is!("/subject")),
                ("herd_id", is!("/herd_id")),
                ("tank_id", is!("/tank_id")),
            ],
        ),
        ("/v1/alert-rules", vec![("kind", is!("/kind"))]),
    ]
}

/// Every list with its filters as this caller asks for it: what belongs to a tank, of his first one.
async fn lists_of(client: &Client) -> Vec<(String, Vec<Filter>)> {
    let tanks = client.get("/v1/tanks?limit=1").await.expect(200);
    let tank = tanks["items"][0]["id"].as_str().unwrap_or("00000000-0000-0000-0000-000000000000");
    lists().into_iter().map(|(path, filters)| (path.replace("{id}", tank), filters)).collect()
}

/// A herd system tells of an animal.
async fn tell(client: &Client, at: &str, what: &str, animal: &str, more: Value) {
    let mut told = json!({
        "meta": {"source": "org.example.herd", "sourceId": Uuid::now_v7()},
        "animal": {"scheme": "tankside.animal", "id": animal},
        "eventDateTime": "2026-02-01T06:00:00Z",
    });
    told.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    client.post(&format!("{at}/{what}"), told).await.expect(200);
}

/// Two herds and a technician's tank, with something of everything.
pub async fn stocked(client: &Client) {
    let one = Farm::found(client).await;
    let two = Farm::found(client).await;
    let own = client.make("/v1/tanks", json!({"name": "Technician's"})).await;
    for _ in 0..2 {
        // It is not sent to: nobody knows the name.
        client
            .make("/v1/webhooks", json!({"url": "https://herd.example.test/", "events": ["stock.low"]}))
            .await;
    }
    let names = |id: &str| json!([{"scheme": "farm", "id": id}, {"scheme": "other", "id": "shared"}]);
    for (breed, id) in [("JER", "B-1"), ("JER", "B-2"), ("HOL", "B-1")] {
        let sire = json!({"name": "Invented", "breed": breed, "identifiers": names(id)});
        let sire = client.make("/v1/sires", sire).await;
        for (semen_type, status) in
            [("conventional", "usable"), ("sexed_male", "usable"), ("conventional", "quarantined")]
        {
            let owner = (breed == "JER" && status == "usable").then_some(if id == "B-1" {
                &one.herd
            } else {
                &two.herd
            });
            let lot =
                json!({"sire_id": sire, "semen_type": semen_type, "status": status, "owner_herd_id": owner});
            let lot = client.make("/v1/lots", lot).await;
            for tank in [&one.tank, &two.tank, &own] {
                let place = json!({"tank_id": tank, "canister": 2});
                let receipt = json!({"lot_id": lot, "place": place, "straws": 2});
                client.post("/v1/receipts", receipt).await.created();
            }
        }
    }
    for farm in [&one, &two] {
        for day in 1..=4 {
            let tank = format!("/v1/tanks/{}", farm.tank);
            let read_at = format!("2026-02-{:02}T06:00:00Z", 28 - day);
            let reading = json!({"read_at": read_at, "depth_mm": 300});
            client.post(&format!("{tank}/nitrogen-readings"), reading).await.created();
            let refill = json!({"filled_at": read_at, "litres_added": 2});
            client.post(&format!("{tank}/refills"), refill).await.created();
            let repair = json!({"repaired_at": read_at, "kind": "repaired"});
            client.post(&format!("{tank}/repairs"), repair).await.created();
        }
        for canister in 4..=6 {
            let hold = json!({"tank_id": farm.tank, "canister": canister, "reason": "Doubt."});
            let hold = client.make("/v1/holds", hold).await;
            if canister == 5 {
                client.delete(&format!("/v1/holds/{hold}")).await.expect(204);
            }
        }
        for _ in 0..3 {
            client.make("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": []})).await;
        }
        client.make("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": [], "complete": true})).await;
        for name in ["To watch", "The same"] {
            client.make("/v1/calendars", json!({"name": name, "herd_id": farm.herd})).await;
        }
        for text in ["Heat seen.", "Another.", "A third."] {
            let asked = client.make("/v1/requests", json!({"herd_id": farm.herd, "text": text})).await;
            if text == "Another." {
                let path = format!("/v1/requests/{asked}/closing");
                client.post(&path, json!({"reason": "Not in heat."})).await.expect(200);
            }
        }
        for name in ["Heifers", "Cows"] {
            let protocol = json!({"herd_id": farm.herd, "name": name, "prescribed_by": "Dr. Example",
                                  "steps": [{"day": 1, "time": "08:00", "kind": "insemination", "text": "Inseminate"}]});
            let protocol = client.make("/v1/timed-protocols", protocol).await;
            let animals = [farm.animal(client, "1").await, farm.animal(client, "3").await];
            let body = json!({"animal_ids": animals, "starts_on": "2026-03-03"});
            client.post(&format!("/v1/timed-protocols/{protocol}/starts"), body).await.created();
        }
        for direction in ["in", "out"] {
            let line = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1});
            let consignment =
                json!({"direction": direction, "party": {"name": "Invented Station"}, "lines": [line]});
            client.make("/v1/consignments", consignment).await;
        }
        for kind in ["stock.low", "stock.out", "withdrawal.unresolved"] {
            client.make("/v1/alert-rules", json!({"kind": kind, "herd_id": farm.herd})).await;
        }
        for (number, id) in [("1", "A-1"), ("2", "A-2"), ("2", "A-1")] {
            let animal = json!({"herd_id": farm.herd, "number": number, "identifiers": names(id),
                                "born_on": "2023-05-02"});
            let animal = client.make("/v1/animals", animal).await;
            for event in ["heats", "calvings", "abortions"] {
                client.post(&format!("/v1/{event}"), json!({"animal_id": animal})).await.created();
            }
            let check = json!({"animal_id": animal, "method": "milk", "result": "empty"});
            client.post("/v1/pregnancy-checks", check).await.created();
            let order = json!({"animal_id": animal, "lot_id": farm.sexed});
            let taken = [
                client.make("/v1/withdrawals", order.clone()).await,
                client.make("/v1/withdrawals", order).await,
            ];
            client.post("/v1/services", json!({"withdrawal_id": taken[0]})).await.created();
            let aside =
                json!({"animal_id": animal, "lot_id": farm.conventional, "override": {"reason": "agreed"}});
            client.make("/v1/withdrawals", aside).await;
            if number == "1" {
                let alerts = client.get("/v1/alerts?kind=rule.overridden&limit=500").await.expect(200);
                let newest = alerts["items"].as_array().unwrap().last().unwrap()["id"].as_str().unwrap();
                client.post(&format!("/v1/alerts/{newest}/acknowledgement"), json!({})).await.expect(200);
                let path = format!("/v1/withdrawals/{}/discard", taken[1]);
                client.post(&path, json!({"reason": "dropped"})).await.expect(200);
            }
            client.post("/v1/do-not-breed", json!({"animal_id": animal})).await.created();
            let path = format!("/ade/locations/tankside.herd/{}", farm.herd);
            tell(client, &path, "inseminations", &animal, json!({"inseminationType": "Insemination"})).await;
            tell(client, &path, "abortions", &animal, json!({})).await;
        }
    }
}

/// The whole list, read by following `next_cursor` in pages of `limit`.
pub async fn whole(client: &Client, path: &str, query: &str, limit: usize) -> Vec<Value> {
    let mut items = Vec::new();
    let mut page_path = format!("{path}?{query}&limit={limit}");
    loop {
        let answer = client.get(&page_path).await;
        let link = answer.headers.get("link").map(|link| link.to_str().unwrap().to_owned());
        let page = answer.expect(200);
        let on_page = page["items"].as_array().unwrap();
        items.extend(on_page.clone());
        let Some(cursor) = page["next_cursor"].as_str() else {
            assert_eq!((&page["next_cursor"], link), (&Value::Null, None), "{page_path} is the last page");
            return items;
        };
        assert_eq!(on_page.len(), limit, "only the last page may be short");
        // RFC 8288; the target leads on without the client's building anything.
        let link = link.unwrap();
        let target = link.strip_prefix('<').and_then(|link| link.strip_suffix(">; rel=\"next\"")).unwrap();
        assert!(target.contains(cursor), "{link}");
        page_path = target.to_owned();
    }
}

fn ids(items: &[Value]) -> Vec<String> {
    let id = |item: &Value| match item["id"].as_str() {
        Some(id) => id.to_owned(),
        None if item["lot"].is_null() => format!("{} {}", item["sire"]["id"], item["semen_type"]),
        None => format!("{} in {}", item["lot"]["id"], item["place"]),
    };
    items.iter().map(id).collect()
}

async fn every_list_is_paged_in_order_with_each_item_once(world: &World) {
    let client = &world.manager;
    stocked(client).await;
    world.look_round().await;
    let described: BTreeSet<String> = operations()
        .iter()
        // What was sent to one webhook has its story with that webhook, for whom a protocol began with that protocol, and
        // devices and the use of keys, which are noted by the clock, with the page and the key ring.
        .filter(|(_, path, _)| {
            !["/v1/webhooks/{id}/deliveries", "/v1/timed-protocols/{id}/starts", "/v1/devices", "/v1/keys"]
                .contains(&path.as_str())
        })
        .filter(|(_, _, operation)| operation.to_string().contains("\"name\":\"cursor\""))
        .map(|(_, path, _)| path.clone())
        .collect();
    assert_eq!(described, lists().iter().map(|(path, _)| (*path).to_owned()).collect(), "every list is here");
    for (path, _) in &lists_of(client).await {
        let all = whole(client, path, "", 500).await;
        assert!(all.len() > 1, "{path} has nothing to be paged");
        for limit in [1, 2, all.len() - 1, all.len(), all.len() + 1] {
            assert_eq!(whole(client, path, "", limit).await, all, "{path} by {limit}");
        }
        let ids = ids(&all);
        assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), all.len(), "{path} repeats something");
        // What is charged comes in the order of the services' times.
        if !["/v1/stock", "/v1/stock/outlook", "/v1/reports/charges"].contains(&path.as_str()) {
            let mut entered = ids.clone();
            entered.sort();
            assert_eq!(ids, entered, "{path} is in the order of entry: ids made later sort later");
        }
    }
    let ledger = whole(client, "/v1/movements", "", 500).await;
    let numbers: Vec<_> = ledger.iter().map(|line| line["seq"].as_u64().unwrap()).collect();
    assert_eq!(numbers, (1..=u64::try_from(ledger.len()).unwrap()).collect::<Vec<_>>(), "dense");
}

async fn lines_added_meanwhile_neither_skip_nor_repeat_any(world: &World) {
    let client = &world.manager;
    stocked(client).await;
    world.look_round().await;
    let farm = Farm::found(client).await;
    for path in ["/v1/movements", "/v1/animals"] {
        let before = ids(&whole(client, path, "", 500).await);
        let mut seen = Vec::new();
        let mut cursor = String::new();
        loop {
            let page = client.get(&format!("{path}?limit=3{cursor}")).await.expect(200);
            seen.extend(ids(page["items"].as_array().unwrap()));
            let Some(next) = page["next_cursor"].as_str() else { break };
            cursor = format!("&cursor={next}");
            if seen.len() < before.len() {
                farm.receive(client, &farm.sexed, 1, 1).await;
                farm.animal(client, "new").await;
            }
        }
        assert_eq!(seen[..before.len()], before, "{path}");
        assert!(seen.len() > before.len(), "{path}: what came meanwhile comes at the end");
        assert_eq!(seen.iter().collect::<BTreeSet<_>>().len(), seen.len(), "{path}");
    }
}

async fn a_page_has_a_bound(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    for canister in 1..=6 {
        for cane in 0..85 {
            let place = json!({"tank_id": farm.tank, "canister": canister, "cane": cane.to_string()});
            let receipt = json!({"lot_id": farm.sexed, "place": place, "straws": 1});
            client.post("/v1/receipts", receipt).await.created();
        }
    }
    for (path, _) in &lists_of(client).await {
        for (limit, shown) in [("", 50), ("limit=1", 1), ("limit=500", 500)] {
            let page = client.get(&format!("{path}?{limit}")).await.expect(200);
            let items = page["items"].as_array().unwrap().len();
            if ["/v1/movements", "/v1/stock"].contains(&path.as_str()) {
                assert_eq!(items, shown, "{path}?{limit}");
            }
        }
        for wrong in [
            "0",
            "501",
            "9223372036854775807",
            "-1",
            "-9223372036854775808",
            "9223372036854775808",
            "1e400",
            "ten",
            "",
            "1.5",
            "%00",
            "1%20",
        ] {
            let answer = client.get(&format!("{path}?limit={wrong}")).await;
            assert_eq!(answer.pointers(), ["limit"], "{path}?limit={wrong}");
            answer.problem(400, "invalid-query");
        }
    }
}

async fn a_cursor_belongs_to_its_list_and_its_filters(world: &World) {
    let client = &world.manager;
    stocked(client).await;
    world.look_round().await;
    let mut cursors = Vec::new();
    let lists = lists_of(client).await;
    for (path, filters) in &lists {
        let first = client.get(&format!("{path}?limit=1")).await.expect(200);
        let cursor = first["next_cursor"].as_str().unwrap().to_owned();
        // Another limit may be asked of every page.
        client.get(&format!("{path}?limit=7&cursor={cursor}")).await.expect(200);
        for (name, _) in filters {
            let value = match *name {
                "status" => "usable".to_owned(),
                "semen_type" => "conventional".to_owned(),
                "kind" => "stock.low".to_owned(),
                "unresolved" | "open" | "flagged" => "true".to_owned(),
                "breed" | "number" | "identifier" => "2".to_owned(),
                _ => Uuid::now_v7().to_string(),
            };
            let answer = client.get(&format!("{path}?{name}={value}&cursor={cursor}")).await;
            assert_eq!(answer.pointers(), ["cursor"], "{path} {name}");
            answer.problem(400, "invalid-query");
        }
        cursors.push((path, cursor));
    }
    for (path, _) in &lists {
        for (made_for, cursor) in &cursors {
            if made_for != &path {
                let answer = client.get(&format!("{path}?cursor={cursor}")).await;
                assert_eq!(answer.pointers(), ["cursor"], "{path} with the cursor of {made_for}");
            }
        }
        let own = &cursors.iter().find(|(made_for, _)| made_for == &path).unwrap().1;
        let plain = String::from_utf8(BASE64_URL_SAFE_NO_PAD.decode(own).unwrap()).unwrap();
        let (mark, _) = plain.split_once(' ').unwrap();
        // The mark is right and what follows it is not.
        let forged = ["", "x", "412 412", "\u{0}", "-", "99999999999999999999", "é"]
            .map(|after| BASE64_URL_SAFE_NO_PAD.encode(format!("{mark} {after}")));
        let garbage =
            ["", "x", "null", "%00", "%ff", "AAAA", &own[1..], &format!("{own}x"), &format!("%20{own}")]
                .map(str::to_owned);
        for wrong in forged.into_iter().chain(garbage) {
            let answer = client.get(&format!("{path}?cursor={wrong}")).await;
            assert_eq!(answer.pointers(), ["cursor"], "{path}?cursor={wrong}");
            answer.problem(400, "invalid-query");
        }
    }
}

async fn an_unknown_or_repeated_parameter_is_refused(world: &World) {
    let client = &world.manager;
    for (path, filters) in &lists_of(client).await {
        for unknown in ["colour", "Limit", "business_id", "offset", "%00"] {
            let answer = client.get(&format!("{path}?{unknown}=1")).await;
            assert_eq!(answer.pointers().len(), 1, "{path}?{unknown}");
            answer.problem(400, "invalid-query");
        }
        let id = Uuid::now_v7();
        for (name, value) in
            filters.iter().map(|(name, _)| (*name, id.to_string())).chain([("limit", "5".to_owned())])
        {
            let answer = client.get(&format!("{path}?{name}={value}&{name}={value}")).await;
            assert_eq!(answer.pointers(), [name], "{path} {name} twice");
            answer.problem(400, "invalid-query");
        }
    }
}

async fn filters_together_do_what_a_naive_filter_does(world: &World) {
    let client = &world.manager;
    stocked(client).await;
    world.look_round().await;
    // Somebody else does something too, so that the audit has two keys.
    let animal = client.get("/v1/animals?limit=1").await.expect(200)["items"][0]["id"].clone();
    let technician = world.caller(tankside::domain::access::Role::Technician).await;
    technician.post("/v1/heats", json!({"animal_id": animal})).await.created();
    for (path, filters) in &lists_of(client).await {
        let all = whole(client, path, "", 500).await;
        // For each filter: not asked, every value that is there, and one that is not.
        let mut choices: Vec<Vec<Option<String>>> = Vec::new();
        for (name, _) in filters {
            let mut values: BTreeSet<String> = all
                .iter()
                .flat_map(|item| held_at(name).iter().filter_map(|pointer| item.pointer(pointer)?.as_str()))
                .map(str::to_owned)
                .collect();
            let absent = match *name {
                "semen_type" | "status" | "kind" | "state" | "direction" => None,
                "unresolved" | "open" | "flagged" => {
                    values = ["true", "false"].map(str::to_owned).into();
                    None
                }
                "breed" | "number" | "identifier" => Some("no such".to_owned()),
                _ => Some(Uuid::now_v7().to_string()),
            };
            // Three of many are enough.
            let some = values.into_iter().take(3).map(Some);
            choices.push([None].into_iter().chain(some).chain(absent.map(Some)).collect());
        }
        let mut combinations: Vec<Vec<Option<String>>> = vec![vec![]];
        for choice in &choices {
            combinations = combinations
                .iter()
                .flat_map(|front| choice.iter().map(|value| [front.clone(), vec![value.clone()]].concat()))
                .collect();
        }
        let mut found_some = 0;
        for values in combinations {
            let asked: Vec<_> =
                filters.iter().zip(&values).filter_map(|(f, v)| Some((f, v.as_ref()?))).collect();
            let query = form_urlencoded::Serializer::new(String::new())
                .extend_pairs(asked.iter().map(|((name, _), value)| (*name, value.as_str())))
                .finish();
            let naive: Vec<_> = all
                .iter()
                .filter(|item| asked.iter().all(|((_, keeps), value)| keeps(item, value)))
                .cloned()
                .collect();
            found_some += usize::from(!naive.is_empty() && !asked.is_empty());
            assert_eq!(whole(client, path, &query, 500).await, naive, "{path}?{query}");
            assert_eq!(whole(client, path, &query, 2).await, naive, "{path}?{query} by two");
            if path == "/v1/stock" {
                let page = client.get(&format!("{path}?{query}&limit=1")).await.expect(200);
                let straws: i64 = naive.iter().map(|item| item["straws"].as_i64().unwrap()).sum();
                assert_eq!(page["total_straws"], straws, "the total is that of all pages");
            }
        }
        assert!(
            filters.is_empty() || found_some > filters.len(),
            "{path}: the filters found next to nothing"
        );
    }
}

/// Where the values of a filter stand in an item.
fn held_at(filter: &str) -> &'static [&'static str] {
    match filter {
        "herd_id" => &["/herd_id"],
        "animal_id" => &["/animal_id"],
        "breed" => &["/breed"],
        "identifier" => &["/identifiers/0/id", "/identifiers/1/id"],
        "sire_id" => &["/sire_id", "/sire/id"],
        "semen_type" => &["/semen_type"],
        "status" => &["/status"],
        "number" => &["/number"],
        "lot_id" => &["/lot_id", "/lot/id"],
        "tank_id" => &["/place/tank_id", "/tank_id"],
        "key_id" => &["/key_id"],
        "kind" => &["/kind"],
        "state" => &["/state"],
        "direction" => &["/direction"],
        "subject" => &["/subject"],
        _ => &[],
    }
}
