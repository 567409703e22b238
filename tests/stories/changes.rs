//! Changing what is entered: versions, merge patches, and what is settled.

use reqwest::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::{
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    a_thing_looks_the_same_wherever_it_is_told,
    numbers_and_times_come_back_as_they_were_told,
    a_version_that_is_known_is_not_sent_again,
    a_change_to_an_old_version_is_refused,
    what_is_wrong_is_said_before_the_version,
    null_removes_or_restores_what_holds_without_it,
    a_patch_merges_as_deep_as_it_goes,
    what_straws_hang_on_is_settled,
    nothing_is_its_own_parent,
);

/// One of each thing that can be changed: its path, and a change.
async fn things(client: &Client) -> Vec<(String, Value)> {
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    vec![
        (format!("/v1/herds/{}", farm.herd), json!({"waiting_days": 60})),
        (format!("/v1/tanks/{}", farm.tank), json!({"name": "Heifer barn"})),
        (format!("/v1/sires/{}", farm.sire), json!({"breed": "JER"})),
        (format!("/v1/lots/{}", farm.sexed), json!({"status": "quarantined"})),
        (format!("/v1/animals/{animal}"), json!({"name": "Žofka"})),
    ]
}

/// The list in which a thing stands.
fn list_of(path: &str) -> &str {
    path.rsplit_once('/').unwrap().0
}

async fn item(client: &Client, path: &str) -> Value {
    let (list, id) = path.rsplit_once('/').unwrap();
    let page = client.get(&format!("{list}?limit=500")).await.expect(200);
    page["items"].as_array().unwrap().iter().find(|item| item["id"] == id).unwrap().clone()
}

async fn a_thing_looks_the_same_wherever_it_is_told(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let order =
        json!({"animal_id": animal, "lot_id": farm.sexed, "withdrawn_at": "2026-03-02T05:00:00.5+01:00"});
    let taken = client.make("/v1/withdrawals", order.clone()).await;
    let thrown = client.make("/v1/withdrawals", order).await;
    for (list, body) in [
        ("/v1/herds", json!({"name": "Upper Meadow", "time_zone": "Asia/Kathmandu"})),
        ("/v1/tanks", json!({"name": "Van"})),
        (
            "/v1/sires",
            json!({"name": "Two", "identifiers": [{"scheme": "farm", "id": "B-1"}], "sire_id": farm.sire}),
        ),
        (
            "/v1/lots",
            json!({"sire_id": farm.sire, "semen_type": "conventional", "collected_on": "2024-04-26"}),
        ),
        ("/v1/animals", json!({"herd_id": farm.herd, "number": "7", "born_on": "2024-02-29"})),
        ("/v1/heats", json!({"animal_id": animal})),
        ("/v1/pregnancy-checks", json!({"animal_id": animal, "method": "milk", "result": "unknown"})),
        ("/v1/abortions", json!({"animal_id": animal, "aborted_at": "2026-02-01T00:00:00.000001Z"})),
        ("/v1/do-not-breed", json!({"animal_id": animal, "do_not_breed": false})),
        ("/v1/services", json!({"withdrawal_id": taken})),
        ("/v1/services", json!({"animal_id": animal, "served_at": "2026-01-01T00:00:00Z"})),
        ("/v1/calvings", json!({"animal_id": animal, "calved_at": "2025-01-01T00:00:00+14:00"})),
    ] {
        let made = client.post(list, body).await;
        let (location, tag) = (made.header("location").to_owned(), made.headers.get("etag").cloned());
        let mut made = made.created();
        let read = client.get(&location).await;
        assert_eq!(read.headers.get("etag"), tag.as_ref(), "{location}");
        let read = read.expect(200);
        // Warnings and cautions are for the one who reports, at that moment, and so is her kinship.
        made.as_object_mut().unwrap().remove("kinship");
        if made.get("warnings").is_some() {
            made["warnings"] = json!([]);
        }
        made.as_object_mut().unwrap().remove("cautions");
        assert_eq!(read, made, "GET {location} and what POST {list} told");
        assert_eq!(item(client, &location).await, read, "the item in {list}");
    }

    let bath = json!({"bath_temp_c": 35.6, "started_at": "2026-03-02T05:00:00.123456Z"});
    let other = client.make("/v1/withdrawals", json!({"animal_id": animal, "sire_id": farm.sire})).await;
    let thrown_away = json!({"reason": "other", "technician": "T. Example", "note": "Slipped.\nBad luck."});
    for (id, act, body) in [(&other, "thaw", bath), (&thrown, "discard", thrown_away)] {
        let path = format!("/v1/withdrawals/{id}");
        let mut done = client.post(&format!("{path}/{act}"), body).await.expect(200);
        done["warnings"] = json!([]);
        done.as_object_mut().unwrap().remove("cautions");
        assert_eq!(client.get(&path).await.expect(200), done, "after {act}");
        assert_eq!(item(client, &path).await, done, "after {act}");
    }

    let ledger = client.get("/v1/movements?limit=500").await.expect(200);
    let lines = ledger["items"].as_array().unwrap();
    let discard = lines.iter().find(|line| line["kind"] == "discard").unwrap();
    assert_eq!(
        (&discard["technician"], &discard["note"]),
        (&json!("T. Example"), &json!("Slipped.\nBad luck."))
    );
    for line in lines {
        let read = client.get(&format!("/v1/movements/{}", line["id"].as_str().unwrap())).await.expect(200);
        assert_eq!(read, *line);
    }
}

async fn numbers_and_times_come_back_as_they_were_told(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let thaw = |c: &str| -> Value {
        let text = format!(
            "{{\"min_c\": {c}, \"max_c\": {c}, \"aim_c\": {c}, \"min_s\": 3.0e1, \"use_within_s\": 900}}"
        );
        serde_json::from_str(&text).unwrap()
    };
    for (list, body) in [
        // Minus zero is zero, a third has no end, and one tenth is none in binary.
        ("/v1/herds", json!({"name": "N", "time_zone": "UTC", "kinship_limit": -0.0})),
        (
            "/v1/herds",
            json!({"name": "N", "time_zone": "UTC", "kinship_limit": 1.0 / 3.0, "thaw": thaw("35.1")}),
        ),
        ("/v1/herds", json!({"name": "N", "time_zone": "UTC", "kinship_limit": 5e-324, "thaw": thaw("36")})),
        ("/v1/tanks", json!({"name": "N", "capacity_l": 20, "static_loss_l_per_day": 0.1 + 0.2})),
        (
            "/v1/lots",
            json!({"sire_id": farm.sire, "semen_type": "conventional", "straw_ml": 0.5, "thaw": thaw("3.7000000000000001e1")}),
        ),
        // A second that is put in between belongs to the next.
        ("/v1/heats", json!({"animal_id": animal, "standing_at": "2026-02-28T23:59:60Z"})),
        ("/v1/heats", json!({"animal_id": animal, "standing_at": "2026-02-28T23:59:59.9999999Z"})),
        ("/v1/services", json!({"animal_id": animal, "served_at": "2026-02-01T11:59:60.5+01:00"})),
    ] {
        let made = client.post(list, body.clone()).await;
        let (location, tag) = (made.header("location").to_owned(), made.headers.get("etag").cloned());
        let mut made = made.created();
        made["warnings"] = json!(null);
        made.as_object_mut().unwrap().remove("cautions");
        let read = client.get(&location).await;
        assert_eq!(read.headers.get("etag"), tag.as_ref(), "the version of {body}");
        let mut read = read.expect(200);
        read["warnings"] = json!(null);
        assert_eq!(read.to_string(), made.to_string(), "{body}");
    }
}

async fn a_version_that_is_known_is_not_sent_again(world: &World) {
    let client = &world.manager;
    for (path, change) in things(client).await {
        let first = client.get(&path).await;
        let tag = first.header("etag").to_owned();
        let body = first.expect(200);
        assert_eq!(format!("\"{}\"", body["etag"].as_str().unwrap()), tag);
        assert_eq!(client.get(&path).await.header("etag"), tag, "it changes only with the thing");

        let ask = async |if_none_match: &str| {
            client.send(Method::GET, &path, &[("if-none-match", if_none_match)], vec![]).await
        };
        // RFC 9110, section 13.1.2: compared weakly, and a list may be sent.
        let known = [
            tag.clone(),
            format!("W/{tag}"),
            format!("\"other\", {tag}"),
            format!("\"a,b\",{tag}"),
            "*".to_owned(),
        ];
        for known in known {
            let answer = ask(&known).await;
            assert_eq!((answer.status, answer.text.as_str()), (304, ""), "{path} {known}");
            assert_eq!(answer.header("etag"), tag);
        }
        for other in ["\"other\"", tag.trim_matches('"'), "", "\"\"", &tag[..tag.len() - 1]] {
            assert_eq!(ask(other).await.expect(200), body, "{path} {other}");
        }

        let changed = client.patch(&path, None, change).await;
        let new = changed.header("etag").to_owned();
        assert_ne!(new, tag);
        let changed = changed.expect(200);
        assert_eq!(client.get(&path).await.expect(200), changed);
        assert_eq!(item(client, &path).await, changed);
        assert_eq!(ask(&tag).await.expect(200), changed);
        assert_eq!(ask(&new).await.status, 304);
    }
}

async fn a_change_to_an_old_version_is_refused(world: &World) {
    let client = &world.manager;
    for (path, change) in things(client).await {
        let old = client.get(&path).await.header("etag").to_owned();
        let changed = client.patch(&path, Some(&old), change.clone()).await.expect(200);
        let new = client.get(&path).await.header("etag").to_owned();
        let name = change.as_object().unwrap().keys().next().unwrap();
        let other = json!({name: match change[name].as_str() {
            Some("quarantined") => json!("recalled"),
            Some(_) => json!("Other"),
            None => json!(70),
        }});
        // RFC 9110, section 13.1.1: compared strongly, so a weak tag never matches.
        for wrong in [&old, &format!("W/{new}"), "\"x\"", "", &format!("\"x\", {old}")] {
            client.patch(&path, Some(wrong), other.clone()).await.problem(412, "stale");
        }
        assert_eq!(client.get(&path).await.expect(200), changed, "nothing changed");
        for right in [format!("\"x\", {new}"), "*".to_owned()] {
            client.patch(&path, Some(&right), change.clone()).await.expect(200);
        }
        let same = client.patch(&path, None, json!({})).await;
        assert_eq!(same.header("etag"), new, "a change that changes nothing leaves the version");
        assert_eq!(same.expect(200), changed);
    }
}

async fn what_is_wrong_is_said_before_the_version(world: &World) {
    // RFC 9110, section 13.2.1: a precondition is not looked at when the request would fail without it.
    let client = &world.manager;
    let stale = Some("\"x\"");
    for (path, _) in things(client).await {
        let list = list_of(&path);
        let unknown = format!("{list}/{}", Uuid::now_v7());
        client.patch(&unknown, stale, json!({})).await.problem(404, "not-found");
        let answer = client.patch(&path, stale, json!({"colour": "red"})).await;
        assert_eq!(answer.pointers(), ["#/colour"]);
        answer.problem(422, "invalid-input");
    }
}

async fn null_removes_or_restores_what_holds_without_it(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let thaw = json!({"min_c": 34.0, "max_c": 37.0, "aim_c": 36.0, "min_s": 40, "use_within_s": 600});
    let rule = json!([{"from_service": 1, "semen_types": ["conventional"]}]);
    let names = json!([{"scheme": "farm", "id": "B-1"}]);
    let dam = farm.elder(client, "Dam").await;
    for (list, least, more) in [
        (
            "/v1/herds",
            json!({"name": "N", "time_zone": "UTC"}),
            json!({"location": {"scheme": "a", "id": "1"}, "choice_rule": rule, "same_heat_hours": 24, "waiting_days": 42,
                   "kinship_limit": 0.0625, "first_service_days": 400, "technician_may_override": true, "thaw": thaw}),
        ),
        (
            "/v1/tanks",
            json!({"name": "N"}),
            json!({"herd_id": farm.herd, "canisters": 10, "capacity_l": 35.5, "full_depth_mm": 500,
                   "min_depth_mm": 100, "static_loss_l_per_day": 0.2, "tare_kg": 14.5,
                   "chart": [{"depth_mm": 100.0, "litres": 5.0}, {"depth_mm": 480.5, "litres": 33.0}]}),
        ),
        (
            "/v1/sires",
            json!({"name": "N"}),
            json!({"breed": "HOL", "purpose": "beef", "identifiers": names, "sire_id": farm.sire, "dam_id": dam}),
        ),
        (
            "/v1/lots",
            json!({"sire_id": farm.sire, "semen_type": "sexed_male"}),
            json!({"batch": "1", "collected_on": "2024-04-26", "collection_centre": "C", "straw_ml": 0.5,
                   "sexed_percentage": 90, "cost": {"amount_minor": 1, "currency": "EUR"}, "thaw": thaw,
                   "status": "recalled"}),
        ),
        (
            "/v1/animals",
            json!({"herd_id": farm.herd, "number": "1"}),
            json!({"name": "N", "identifiers": names, "born_on": "2023-05-02", "sire_id": farm.sire, "dam_id": dam,
                   "breed": "HOL", "groups": ["fresh"], "left_on": "2026-01-01"}),
        ),
    ] {
        let made = client.post(list, least.clone()).await;
        let path = made.header("location").to_owned();
        let bare = made.created();
        let full = client.patch(&path, None, more.clone()).await.expect(200);
        for (name, value) in more.as_object().unwrap() {
            let told = &full[name];
            let holds = match (told, value) {
                (Value::Object(told), Value::Object(value)) => {
                    value.iter().all(|(name, value)| told[name] == *value)
                }
                _ if name == "choice_rule" => told[0]["semen_types"] == value[0]["semen_types"],
                _ => told == value,
            };
            assert!(holds, "{list} {name}: {told}");
            assert_ne!(told, &bare[name], "{list} {name} is not its default");
            let less = client.patch(&path, None, json!({name: null})).await.expect(200);
            assert_eq!(less[name], bare[name], "{list} without {name} is as it was entered without it");
        }
        assert_eq!(client.get(&path).await.expect(200), bare, "all was taken back");
        for name in least.as_object().unwrap().keys() {
            let answer = client.patch(&path, None, json!({name: null})).await;
            assert_eq!(answer.pointers(), [format!("#/{name}")]);
            answer.problem(422, "invalid-input");
        }
        assert_eq!(client.get(&path).await.expect(200), bare);
    }
}

async fn a_patch_merges_as_deep_as_it_goes(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let path = format!("/v1/lots/{}", farm.sexed);
    let cost = json!({"cost": {"amount_minor": 2400, "currency": "EUR"}});
    client.patch(&path, None, cost).await.expect(200);
    let dearer = client.patch(&path, None, json!({"cost": {"amount_minor": 2600}})).await.expect(200);
    assert_eq!(dearer["cost"], json!({"amount_minor": 2600, "currency": "EUR"}));
    let answer = client.patch(&path, None, json!({"cost": {"currency": null}})).await;
    assert_eq!(answer.pointers(), ["#/cost/currency"]);
    // RFC 7396: a list is replaced as a whole.
    let sire = format!("/v1/sires/{}", farm.sire);
    for names in
        [json!([{"scheme": "a", "id": "1"}, {"scheme": "a", "id": "2"}]), json!([{"scheme": "a", "id": "3"}])]
    {
        let changed = client.patch(&sire, None, json!({"identifiers": names})).await.expect(200);
        assert_eq!(changed["identifiers"], names);
    }
    let found = async |id: &str| {
        let page = client.get(&format!("/v1/sires?identifier={id}")).await.expect(200);
        page["items"].as_array().unwrap().len()
    };
    assert_eq!((found("1").await, found("3").await), (0, 1), "he is found by what he is called now");
}

async fn what_straws_hang_on_is_settled(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let other = client.make("/v1/sires", json!({"name": "Invented Two"})).await;
    let lot = format!("/v1/lots/{}", farm.sexed);
    let before = client.get(&lot).await.expect(200);
    for change in [json!({"sire_id": other}), json!({"semen_type": "sexed_male"})] {
        client.patch(&lot, None, change.clone()).await.problem(409, "in-use");
        // The state of the book is looked at before the version; either way nothing changes.
        client.patch(&lot, Some("\"x\""), change).await.problem(409, "in-use");
    }
    assert_eq!(client.get(&lot).await.expect(200), before);
    client.patch(&lot, None, json!({"batch": "24118", "sire_id": farm.sire})).await.expect(200);
    let fresh = format!("/v1/lots/{}", farm.lot(client, "sexed_female", "2024-04-26").await);
    let moved =
        client.patch(&fresh, None, json!({"sire_id": other, "semen_type": "sexed_male"})).await.expect(200);
    assert_eq!(moved["sire_id"], json!(other), "no straw of it has moved");

    // Ten straws hang in canister 3 and ten in canister 4.
    let tank = format!("/v1/tanks/{}", farm.tank);
    let before = client.get(&tank).await.expect(200);
    let refused = client.patch(&tank, None, json!({"canisters": 3})).await.problem(409, "in-use");
    assert!(refused["detail"].as_str().unwrap().contains("canister 4"));
    assert_eq!(client.get(&tank).await.expect(200), before);
    client.patch(&tank, None, json!({"canisters": 4})).await.expect(200);
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(5), "straws": 1});
    let answer = client.post("/v1/receipts", receipt).await;
    assert_eq!(answer.pointers(), ["#/place/canister"]);
    let animal = farm.animal(client, "1").await;
    let all = json!({"animal_id": animal, "lot_id": farm.conventional, "straws": 10, "override": {"reason": "test"}});
    client.post("/v1/withdrawals", all).await.created();
    client.patch(&tank, None, json!({"canisters": 3})).await.expect(200);
}

async fn nothing_is_its_own_parent(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    for (path, change) in [
        (format!("/v1/sires/{}", farm.sire), json!({"sire_id": farm.sire})),
        (format!("/v1/animals/{animal}"), json!({"dam_id": animal})),
    ] {
        let name = change.as_object().unwrap().keys().next().unwrap().clone();
        let answer = client.patch(&path, None, change).await;
        assert_eq!(answer.pointers(), [format!("#/{name}")]);
        answer.problem(422, "invalid-input");
    }
    // Nor through others, however far back: sire, his daughter, her son, his daughter.
    let daughter = json!({"herd_id": farm.herd, "number": "2", "sire_id": farm.sire});
    let daughter = client.make("/v1/animals", daughter).await;
    let son = client.make("/v1/sires", json!({"name": "Son", "dam_id": daughter})).await;
    let last = json!({"herd_id": farm.herd, "number": "3", "sire_id": son});
    let last = client.make("/v1/animals", last).await;
    for (path, change) in [
        (format!("/v1/sires/{}", farm.sire), json!({"sire_id": son})),
        (format!("/v1/sires/{}", farm.sire), json!({"dam_id": last})),
        (format!("/v1/animals/{daughter}"), json!({"dam_id": last})),
        (format!("/v1/animals/{daughter}"), json!({"sire_id": son})),
    ] {
        let name = change.as_object().unwrap().keys().next().unwrap().clone();
        let answer = client.patch(&path, None, change).await;
        assert_eq!(answer.pointers(), [format!("#/{name}")]);
        answer.problem(422, "invalid-input");
    }
    // What is only inbred is not circular.
    let inbred = json!({"sire_id": farm.sire, "dam_id": daughter});
    client.patch(&format!("/v1/animals/{last}"), None, inbred).await.expect(200);
}
