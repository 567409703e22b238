//! Keys that are good for some herds or tanks only: what is beyond their limits is to them as if it were not there.
//!
//! One book has two of everything. Every operation of the description is asked by a key that is limited to one half, with ids of
//! the other, and no answer may hold anything of it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::TimeDelta;
use reqwest::Method;
use serde_json::{Value, json};
use tankside::domain::access::Role;
use uuid::Uuid;

use crate::{
    ade::RESOURCES,
    keys::who_may,
    on_both_stores,
    statements::cost,
    tenancy::{
        ADVICE, Ids, ask, bodies, book_of, everything, ids_in, ids_in_body, is_not_there, kind_at, kind_of,
    },
    world::{Client, Farm, World, description, operations},
};

on_both_stores!(
    a_key_is_limited_when_it_is_made_and_stays_so,
    every_route_says_how_it_keeps_limits,
    nothing_beyond_the_limits_is_let_out,
    nothing_beyond_the_limits_is_changed,
    a_farms_software_keeps_to_its_herd,
    herd_software_keeps_to_its_location,
    a_technician_keeps_to_one_tank,
    a_limit_to_herds_follows_their_tanks,
    limits_cost_one_statement_at_most,
);

/// A caller with a new key that is limited so.
async fn limited(manager: &Client, role: &str, herds: &[&str], tanks: &[&str]) -> Client {
    let mut key = json!({"name": format!("A limited {role}"), "role": role});
    for (member, ids) in [("herd_ids", herds), ("tank_ids", tanks)] {
        if !ids.is_empty() {
            key[member] = json!(ids);
        }
    }
    let made = manager.post("/v1/keys", key).await.created();
    manager.with_key(made["secret"].as_str().unwrap())
}

fn id(thing: &Value) -> String {
    thing["id"].as_str().unwrap_or_else(|| panic!("{thing} has no id")).to_owned()
}

fn items(mut page: Value) -> Vec<Value> {
    std::mem::take(page["items"].as_array_mut().unwrap())
}

async fn a_key_is_limited_when_it_is_made_and_stays_so(world: &World) {
    let manager = &world.manager;
    let farm = Farm::found(manager).await;
    let new =
        json!({"name": "Barn phone", "role": "technician", "herd_ids": [farm.herd], "tank_ids": [farm.tank]});
    let made = manager.post("/v1/keys", new).await.created();
    let phone = manager.with_key(made["secret"].as_str().unwrap());
    let path = format!("/v1/keys/{}", id(&made));
    let listed = items(manager.get("/v1/keys").await.expect(200));
    let listed = listed.iter().find(|key| key["id"] == made["id"]).unwrap().clone();
    for told in [
        &made,
        &listed,
        &manager.get(&path).await.expect(200),
        &phone.get("/v1/keys/current").await.expect(200),
    ] {
        assert_eq!(
            (&told["herd_ids"], &told["tank_ids"]),
            (&json!([farm.herd]), &json!([farm.tank])),
            "{told}"
        );
    }
    let mine = manager.get("/v1/keys/current").await.expect(200);
    assert_eq!((&mine["herd_ids"], &mine["tank_ids"]), (&Value::Null, &Value::Null));
    // Another secret is limited as the first.
    let rotated = manager.post(&format!("{path}/rotation"), json!({"overlap_hours": 1})).await.expect(200);
    assert_eq!((&rotated["herd_ids"], &rotated["tank_ids"]), (&json!([farm.herd]), &json!([farm.tank])));
    let other = manager.make("/v1/herds", json!({"name": "Upper", "time_zone": "Europe/Vienna"})).await;
    for caller in [&phone, &manager.with_key(rotated["secret"].as_str().unwrap())] {
        caller.get(&format!("/v1/herds/{}", farm.herd)).await.expect(200);
        caller.get(&format!("/v1/herds/{other}")).await.problem(404, "not-found");
        // It makes no key, limited or not.
        caller.post("/v1/keys", json!({"name": "Mine", "role": "reader"})).await.problem(403, "forbidden");
        caller.post(&format!("{path}/rotation"), json!({})).await.problem(403, "forbidden");
    }

    let none = Uuid::now_v7().to_string();
    let many: Vec<&str> = vec![&farm.herd; 101];
    for (limits, status, slug, pointer) in [
        (json!({"herd_ids": []}), 422, "invalid-input", "#/herd_ids"),
        (json!({"tank_ids": []}), 422, "invalid-input", "#/tank_ids"),
        (json!({"herd_ids": many}), 422, "invalid-input", "#/herd_ids"),
        (json!({"herd_ids": ["mine"]}), 422, "invalid-input", "#/herd_ids/0"),
        (json!({"herd_ids": [farm.herd, none]}), 404, "not-found", "#/herd_ids/1"),
        (json!({"tank_ids": [none]}), 404, "not-found", "#/tank_ids/0"),
        // A tank is no herd.
        (json!({"herd_ids": [farm.tank]}), 404, "not-found", "#/herd_ids/0"),
        (json!({"role": "manager", "herd_ids": [farm.herd]}), 422, "invalid-input", "#/herd_ids"),
        (json!({"role": "manager", "tank_ids": [farm.tank]}), 422, "invalid-input", "#/tank_ids"),
    ] {
        let mut key = json!({"name": "Wrong", "role": "reader"});
        key.as_object_mut().unwrap().extend(limits.as_object().unwrap().clone());
        let answer = manager.post("/v1/keys", key).await;
        assert_eq!(answer.pointers(), [pointer], "{limits}");
        answer.problem(status, slug);
    }
    assert_eq!(items(manager.get("/v1/keys").await.expect(200)).len(), 2);
}

/// Operations that are refused to a key that is limited: to herds, to tanks.
const DENIED: &[(&str, bool, bool)] = &[
    ("GET /v1/alert-rules", true, true),
    ("GET /v1/alert-rules/{id}", true, true),
    ("GET /v1/devices", true, true),
    ("GET /v1/consignments", true, true),
    ("GET /v1/consignments/{id}", true, true),
    ("POST /v1/consignments", true, true),
    ("GET /v1/price-list", true, true),
    ("GET /v1/exports/{list}", true, true),
    ("GET /v1/stock/outlook", true, true),
    ("GET /v1/movements", true, false),
    ("GET /v1/tanks/{id}/labels", true, false),
    ("GET /v1/stocktakes", true, false),
    ("GET /v1/stocktakes/{id}", true, false),
    ("POST /v1/stocktakes", true, false),
    ("POST /v1/stocktakes/{id}/acceptance", true, false),
    ("GET /v1/ade-items", false, true),
    ("GET /v1/ade-items/{id}", false, true),
    ("POST /v1/ade-items/{id}/resolution", false, true),
    ("GET /v1/changes", false, true),
    ("GET /v1/reports/calving-intervals", false, true),
    ("GET /v1/reports/pregnancy-rate", false, true),
    ("GET /v1/reports/deviations", false, true),
    ("GET /v1/reports/charges", true, true),
    ("GET /v1/reports/conception", true, true),
    ("GET /v1/reports/conception-watch", true, true),
    ("GET /v1/reports/lot-trace/{id}", true, true),
    ("GET /v1/reports/non-return", true, true),
    ("GET /v1/reports/register", true, true),
    ("GET /v1/reports/season-plan", true, true),
    ("GET /v1/reports/use", true, true),
];

async fn every_route_says_how_it_keeps_limits(world: &World) {
    let manager = &world.manager;
    let farm = Farm::found(manager).await;
    let callers = [
        (limited(manager, "technician", &[&farm.herd], &[]).await, true, false),
        (limited(manager, "technician", &[], &[&farm.tank]).await, false, true),
        (limited(manager, "technician", &[&farm.herd], &[&farm.tank]).await, true, true),
    ];
    let known: BTreeSet<String> =
        operations().iter().map(|(method, path, _)| format!("{method} {path}")).collect();
    assert!(
        DENIED.iter().all(|(named, ..)| known.contains(*named)),
        "an operation is gone: strike it off the table"
    );
    let before = everything(manager).await;
    for (method, path, operation) in operations() {
        let named = format!("{method} {path}");
        if !who_may(method, &named).contains(&Role::Technician) {
            continue;
        }
        let denied = DENIED.iter().find(|(denied, ..)| *denied == named);
        let (to_herds, to_tanks) = denied.map_or((false, false), |(_, herds, tanks)| (*herds, *tanks));
        let described =
            &operation["responses"]["403"]["content"]["application/problem+json"]["examples"]["key-limited"];
        assert_eq!(described.is_object(), denied.is_some(), "{named} is described otherwise");
        let bath = if path == ADVICE { "?bath_temp_c=35.6" } else { "" };
        let here = format!(
            "{}{bath}",
            path.replace("{id}", &Uuid::now_v7().to_string()).replace("{list}", "animals")
        );
        for (caller, herds, tanks) in &callers {
            let headers = [("content-type", "application/json"), ("idempotency-key", "limited")];
            let answer = caller.send(method.clone(), &here, &headers, b"[]".to_vec()).await;
            if (*herds && to_herds) || (*tanks && to_tanks) {
                // It says what the key is limited to, and which suffices.
                let told = answer.problem(403, "key-limited");
                let detail = told["detail"].as_str().unwrap();
                for (is_limited, member, id) in
                    [(herds, "herd_ids", &farm.herd), (tanks, "tank_ids", &farm.tank)]
                {
                    assert_eq!(detail.contains(id.as_str()), *is_limited, "{detail}");
                    assert_eq!(told[member], if *is_limited { json!([id]) } else { Value::Null }, "{told}");
                }
                for role in Role::ALL {
                    let suffices = who_may(method, &named).contains(role);
                    assert_eq!(detail.contains(&format!("{role}'s")), suffices, "{named}: {detail}");
                }
            } else {
                assert!([200, 404, 422].contains(&answer.status), "{named}: {answer:?}");
            }
        }
    }
    assert_eq!(everything(manager).await, before);
}

/// Two halves of one book, and what belongs to the other half only.
struct Halves {
    own: Ids,
    other: Ids,
    /// Every id of the other half, but for sires and lots that are nobody's.
    of_other_herd: BTreeSet<String>,
    /// Ids of what is in the other tank.
    in_other_tank: BTreeSet<String>,
}

/// What the names in the other half begin with.
const FOREIGN: &str = "Foreign";

fn uuids(text: &str) -> BTreeSet<String> {
    let is_part = |c: char| c.is_ascii_hexdigit() || c == '-';
    let words = text.split(|c| !is_part(c)).filter(|word| word.len() == 36);
    words.filter(|word| Uuid::try_parse(word).is_ok()).map(ToOwned::to_owned).collect()
}

/// All ids that lists at these paths tell.
async fn ids_at(client: &Client, paths: &[String]) -> BTreeSet<String> {
    let mut ids = BTreeSet::new();
    for path in paths {
        let answer = client.get(path).await;
        assert_eq!(answer.status, 200, "{path}");
        ids.extend(uuids(&answer.text));
    }
    ids
}

async fn planned(client: &Client, ids: &Ids) {
    let plan = json!({"choices": [{"sire_id": ids["sires"]}]});
    let path = format!("/v1/animals/{}/mating-plan", ids["animals"]);
    assert_eq!(ask(client, &Method::PUT, &path, Some(&plan)).await.status, 201);
}

async fn halves(manager: &Client) -> Halves {
    let other = book_of(manager).await;
    planned(manager, &other).await;
    let name = |what: &str| json!({"name": format!("{FOREIGN}{what}")});
    manager.patch(&format!("/v1/herds/{}", other["herds"]), None, name("herd")).await.expect(200);
    manager.patch(&format!("/v1/tanks/{}", other["tanks"]), None, name("tank")).await.expect(200);
    for (n, animal) in items(manager.get("/v1/animals?limit=500").await.expect(200)).iter().enumerate() {
        let mut change = name("cow");
        change["number"] = json!(format!("{FOREIGN}-{n}"));
        manager.patch(&format!("/v1/animals/{}", id(animal)), None, change).await.expect(200);
    }
    // A lot that belongs to the other herd's owner hangs in a tank that is nobody's.
    let lot = json!({"sire_id": other["sires"], "semen_type": "conventional", "batch": "Foreignbatch",
                     "owner_herd_id": other["herds"]});
    let lot = manager.make("/v1/lots", lot).await;
    let common = manager.make("/v1/tanks", json!({"name": "Commontank"})).await;
    let place = json!({"tank_id": common, "canister": 1});
    let receipt = json!({"lot_id": lot, "place": place, "straws": 3});
    let moved = manager.post("/v1/receipts", receipt).await.created();
    let tank = &other["tanks"];
    let mut of_other_herd: BTreeSet<String> =
        everything(manager).await.values().flat_map(|list| uuids(&list.to_string())).collect();
    let in_other_tank: Vec<String> = [
        format!("/v1/movements?tank_id={tank}"),
        format!("/v1/stocktakes?tank_id={tank}"),
        format!("/v1/holds?tank_id={tank}"),
        format!("/v1/alerts?tank_id={tank}"),
        format!("/v1/tanks/{tank}/nitrogen-readings"),
        format!("/v1/tanks/{tank}/refills"),
        format!("/v1/tanks/{tank}/repairs"),
        "/v1/withdrawals".to_owned(),
    ]
    .to_vec();
    let mut in_other_tank = ids_at(manager, &in_other_tank).await;
    of_other_herd.extend(in_other_tank.iter().cloned());
    of_other_herd.insert(id(&moved));
    let business = manager.get("/v1/business").await.expect(200);
    let keys = ids_at(manager, &["/v1/keys".to_owned()]).await;
    let sires = ids_at(manager, &["/v1/sires".to_owned()]).await;
    let lots: BTreeSet<String> = items(manager.get("/v1/lots").await.expect(200))
        .iter()
        .filter(|lot| lot["owner_herd_id"].is_null())
        .map(id)
        .collect();
    let everybodys = |id: &String| {
        keys.contains(id)
            || sires.contains(id)
            || lots.contains(id)
            || *id == common
            || business["id"] == **id
    };
    of_other_herd.retain(|id| !everybodys(id));
    let herds = ids_at(manager, &["/v1/animals?limit=500".to_owned(), "/v1/herds".to_owned()]).await;
    in_other_tank.retain(|id| !everybodys(id) && !herds.contains(id));
    in_other_tank.insert(other["tanks"].clone());
    assert!(of_other_herd.len() > 40 && in_other_tank.len() > 12, "the other half is thin");

    let mut own = book_of(manager).await;
    planned(manager, &own).await;
    let (herd, tank) = (own["herds"].clone(), own["tanks"].clone());
    for (kind, list) in [
        ("alerts", format!("/v1/alerts?herd_id={herd}")),
        ("movements", format!("/v1/movements?tank_id={tank}")),
    ] {
        own.insert(kind, id(&items(manager.get(&list).await.expect(200))[0]));
    }
    Halves { own, other, of_other_herd, in_other_tank }
}

/// Every way in which an operation can be asked: each value of each parameter of words, and each id of these halves.
fn queries(api: &Value, named: &str, operation: &Value, halves: &[&Ids]) -> Vec<String> {
    let mut all = vec![String::new()];
    let resolved = |schema: &Value| match schema["$ref"].as_str() {
        Some(path) => api.pointer(path.strip_prefix('#').unwrap()).unwrap().clone(),
        None => schema.clone(),
    };
    for parameter in operation["parameters"].as_array().into_iter().flatten() {
        if parameter["in"] != "query" {
            continue;
        }
        let name = parameter["name"].as_str().unwrap();
        if !ids_in(api, &parameter["schema"], "").is_empty() {
            all.extend(
                halves.iter().filter_map(|ids| Some(format!("{name}={}", ids.get(kind_of(named, name))?))),
            );
            continue;
        }
        let schema = resolved(&parameter["schema"]);
        let words = if schema["enum"].is_array() { schema } else { resolved(&schema["items"]) };
        for word in words["enum"].as_array().into_iter().flatten().filter_map(Value::as_str) {
            all.push(format!("{name}={word}"));
        }
    }
    all.push("limit=500".to_owned());
    let takes_limit =
        operation["parameters"].as_array().is_some_and(|all| all.iter().any(|one| one["name"] == "limit"));
    all.retain(|query| takes_limit || query != "limit=500");
    all
}

/// What an answer holds of what is beyond.
fn leaks(text: &str, beyond: &BTreeSet<String>, names: &[&str]) -> Vec<String> {
    let ids = uuids(text).into_iter().filter(|id| beyond.contains(id));
    ids.chain(names.iter().filter(|name| text.contains(**name)).map(|name| (*name).to_owned())).collect()
}

async fn nothing_beyond_the_limits_is_let_out(world: &World) {
    let manager = &world.manager;
    let halves = halves(manager).await;
    let (own, other) = (&halves.own, &halves.other);
    let api = description();
    let to_herd = [
        limited(manager, "technician", &[&own["herds"]], &[]).await,
        limited(manager, "integration", &[&own["herds"]], &[]).await,
        limited(manager, "reader", &[&own["herds"]], &[&own["tanks"]]).await,
    ];
    let to_tank = [limited(manager, "technician", &[], &[&own["tanks"]]).await];
    let herd_names: &[&str] = &[FOREIGN];
    let tank_names: &[&str] = &["Foreigntank", "Commontank"];
    let (mut answered, mut could_leak) = (0, BTreeSet::new());
    for (method, path, operation) in operations() {
        let named = format!("{method} {path}");
        // A picture in numbers of colours tells nothing; its twin in SVG is read.
        if method != Method::GET || path.contains("nitrogen.png") {
            continue;
        }
        let kind = kind_at(path, own);
        let bath = if path == ADVICE { "bath_temp_c=35.6&" } else { "" };
        for query in queries(api, &named, operation, &[own, other]) {
            for ids in [own, other] {
                assert!(ids.contains_key(kind) || !path.contains("{id}"), "what is {path} about?");
                let at = path
                    .replace("{id}", ids.get(kind).map_or("", String::as_str))
                    .replace("{list}", "animals");
                let here = format!("{at}?{bath}{query}");
                for (callers, beyond, names) in [
                    (&to_herd[..], &halves.of_other_herd, herd_names),
                    (&to_tank[..], &halves.in_other_tank, tank_names),
                ] {
                    for caller in callers {
                        let answer = caller.get(&here).await;
                        assert!([200, 403, 404].contains(&answer.status), "{here}: {answer:?}");
                        // A refusal tells again what was asked for.
                        let asked: BTreeSet<String> = uuids(&here);
                        let mut let_out = leaks(&answer.text, beyond, names);
                        let_out.retain(|leak| answer.status == 200 || !asked.contains(leak));
                        assert!(let_out.is_empty(), "{here} lets out {let_out:?}:\n{}", answer.text);
                        answered += usize::from(answer.status == 200);
                    }
                }
                if !leaks(&manager.get(&here).await.text, &halves.of_other_herd, herd_names).is_empty() {
                    could_leak.insert(path.clone());
                }
                if !path.contains("{id}") {
                    break;
                }
            }
        }
    }
    assert!(could_leak.len() > 40, "too little could be let out: {could_leak:?}");
    assert!(answered > 200, "only {answered} answers told anything");

    // To herd software, which goes by its standard's paths.
    for (caller, herd) in [(&to_herd[0], own), (&to_herd[1], own)] {
        let locations = caller.get("/ade/locations").await;
        assert!(leaks(&locations.text, &halves.of_other_herd, herd_names).is_empty(), "{}", locations.text);
        assert_eq!(locations.body["member"].as_array().unwrap().len(), 1);
        for kind in RESOURCES {
            let told = caller.get(&format!("/ade/locations/tankside.herd/{}/{kind}", herd["herds"])).await;
            assert!(leaks(&told.text, &halves.of_other_herd, herd_names).is_empty(), "{kind}: {}", told.text);
            assert_eq!(told.status, 200);
            let path = format!("/ade/locations/tankside.herd/{}/{kind}", other["herds"]);
            assert_eq!(caller.get(&path).await.status, 404, "{path}");
        }
    }
    for path in ["/ade/locations".to_owned(), format!("/ade/locations/tankside.herd/{}/heats", own["herds"])]
    {
        let refused = to_tank[0].get(&path).await;
        assert_eq!(
            (refused.status, &refused.body["errors"][0]["type"]),
            (403, &json!("/problems/key-limited"))
        );
    }
}

/// Kinds of things of the other half that are beyond a limit to herds, and to tanks.
fn is_beyond(kind: &str, to_herds: bool) -> bool {
    let in_tank = [
        "tanks",
        "withdrawals",
        "services",
        "movements",
        "stocktakes",
        "holds",
        "nitrogen-readings",
        "refills",
        "repairs",
    ];
    let everybodys = ["sires", "lots", "keys", "other sire"];
    if to_herds { !everybodys.contains(&kind) } else { in_tank.contains(&kind) }
}

async fn nothing_beyond_the_limits_is_changed(world: &World) {
    let manager = &world.manager;
    let halves = halves(manager).await;
    let (mut own, other) = (halves.own, halves.other);
    own.insert("other sire", manager.make("/v1/sires", json!({"name": "Other"})).await);
    let dam = json!({"herd_id": own["herds"], "number": "Dam", "born_on": "2019-05-02"});
    own.insert("other animal", manager.make("/v1/animals", dam).await);
    let callers = [
        (limited(manager, "technician", &[&own["herds"]], &[]).await, true),
        (limited(manager, "integration", &[&own["herds"]], &[]).await, true),
        (limited(manager, "technician", &[], &[&own["tanks"]]).await, false),
    ];
    let api = description();
    let before = everything(manager).await;
    let mut tried = 0;
    for (caller, to_herds) in &callers {
        for (method, path, operation) in operations() {
            let named = format!("{method} {path}");
            let kind = kind_at(path, &own);
            let writes = method != Method::GET;
            let right = if writes && named != "POST /v1/herds" { bodies(&named, &own) } else { vec![] };
            if path.contains("{id}") && is_beyond(kind, *to_herds) {
                let body = right.first().cloned();
                let fill = |id: &str| path.replace("{id}", id);
                let answer = is_not_there(caller, method, fill, |_| body.clone(), &other[kind]).await;
                assert!([403, 404].contains(&answer.status), "{named}: {answer:?}");
                tried += 1;
            }
            for parameter in operation["parameters"].as_array().into_iter().flatten() {
                let name = parameter["name"].as_str().unwrap();
                let is_id = parameter["in"] == "query" && !ids_in(api, &parameter["schema"], "").is_empty();
                if !is_id || !is_beyond(kind_of(&named, name), *to_herds) || path.contains('{') {
                    continue;
                }
                let bath = if path == ADVICE { "bath_temp_c=35.6&" } else { "" };
                let query = |id: &str| format!("{path}?{bath}{name}={id}");
                let answer =
                    is_not_there(caller, method, query, |_| None, &other[kind_of(&named, name)]).await;
                assert!([403, 404].contains(&answer.status), "{named} by {name}: {answer:?}");
                tried += 1;
            }
            for pointer in &ids_in_body(method, path, operation) {
                let named_by = pointer.rsplit('/').find(|part| part.parse::<usize>().is_err()).unwrap();
                let beyond = kind_of(&named, named_by);
                if !is_beyond(beyond, *to_herds) {
                    continue;
                }
                let body =
                    right.iter().find(|body| body.pointer(pointer).is_some_and(|named| !named.is_null()));
                let body = body.unwrap_or_else(|| panic!("no body of {named} names {pointer}"));
                let with = |id: &str| {
                    let mut body = body.clone();
                    *body.pointer_mut(pointer).unwrap() = json!(id);
                    Some(body)
                };
                let at = own.get(kind).cloned().unwrap_or_default();
                let answer =
                    is_not_there(caller, method, |_| path.replace("{id}", &at), with, &other[beyond]).await;
                if answer.status != 403 {
                    assert_eq!(answer.pointers(), [format!("#{pointer}")], "{named}");
                    answer.problem(404, "not-found");
                }
                tried += 1;
            }
        }
    }
    assert!(tried > 150, "only {tried} were tried");
    assert_eq!(everything(manager).await, before, "nothing came of all that");

    // A lot that belongs to the other herd's owner is not there either, wherever it hangs.
    let lots = items(manager.get(&format!("/v1/lots?owner_herd_id={}", other["herds"])).await.expect(200));
    let lot = id(&lots[0]);
    let take =
        |lot: &str| Some(json!({"animal_id": own["animals"], "lot_id": lot, "override": {"reason": "test"}}));
    is_not_there(&callers[0].0, &Method::POST, |_| "/v1/withdrawals".to_owned(), take, &lot)
        .await
        .problem(404, "not-found");
    is_not_there(&callers[0].0, &Method::GET, |id| format!("/v1/lots/{id}"), |_| None, &lot)
        .await
        .problem(404, "not-found");

    // With ids of their own the same bodies are right: it was the ids that were refused.
    let mut done = 0;
    for (caller, to_herds) in &callers {
        for (method, path, _) in operations() {
            let named = format!("{method} {path}");
            // An alert that a rule was set aside for her names no tank.
            if !to_herds && path.starts_with("/v1/alerts/") {
                continue;
            }
            if method == Method::GET || method == Method::DELETE || named == "POST /v1/herds" {
                continue;
            }
            for body in bodies(&named, &own) {
                let at = path.replace("{id}", own.get(kind_at(path, &own)).map_or("", String::as_str));
                let answer = ask(caller, method, &at, Some(&body)).await;
                assert_ne!(answer.status, 404, "{named} {body}: {answer:?}");
                done += usize::from(answer.status < 300);
            }
        }
    }
    assert!(done > 30, "only {done} were done");
}

/// A second herd with its tank in the book of `farm`, with an animal.
async fn neighbour_of(manager: &Client, farm: &Farm) -> (Farm, String) {
    let herd = manager.make("/v1/herds", json!({"name": "Foreignherd", "time_zone": "Europe/Vienna"})).await;
    let tank = json!({"name": "Foreigntank", "herd_id": herd, "canisters": 6, "capacity_l": 20.5, "full_depth_mm": 430});
    let tank = manager.make("/v1/tanks", tank).await;
    let other = Farm {
        herd,
        tank,
        sire: farm.sire.clone(),
        sexed: farm.sexed.clone(),
        conventional: farm.conventional.clone(),
    };
    other.receive(manager, &other.sexed, 1, 5).await;
    let animal = other.animal(manager, "Foreign-1").await;
    (other, animal)
}

async fn a_farms_software_keeps_to_its_herd(world: &World) {
    let manager = &world.manager;
    let farm = Farm::found(manager).await;
    let (other, theirs) = neighbour_of(manager, &farm).await;
    let hers = farm.animal(manager, "412").await;
    let software = &limited(manager, "integration", &[&farm.herd], &[]).await;
    for animal in [&hers, &theirs] {
        manager
            .make("/v1/heats", json!({"animal_id": animal, "standing_at": "2026-03-01T18:10:00+01:00"}))
            .await;
    }
    // What is its own it reads and reports.
    let animals = items(software.get("/v1/animals").await.expect(200));
    assert_eq!(animals.iter().map(id).collect::<Vec<_>>(), std::slice::from_ref(&hers));
    let heat = json!({"animal_id": hers});
    let seen = software.post_as("/v1/heats", "seen", heat.clone()).await.created();
    let calf = json!({"herd_id": farm.herd, "number": "413", "dam_id": hers, "born_on": "2026-02-01"});
    let calf = software.make("/v1/animals", calf).await;
    software.patch(&format!("/v1/animals/{calf}"), None, json!({"name": "Zofka"})).await.expect(200);
    // The other's is not there, nor can an animal be brought from or to it.
    software.post("/v1/heats", json!({"animal_id": theirs})).await.problem(404, "not-found");
    software.get(&format!("/v1/animals/{theirs}")).await.problem(404, "not-found");
    let away = json!({"herd_id": other.herd});
    let answer = software.patch(&format!("/v1/animals/{calf}"), None, away).await;
    assert_eq!(answer.pointers(), ["#/herd_id"]);
    answer.problem(404, "not-found");
    let brought = json!({"herd_id": farm.herd});
    software.patch(&format!("/v1/animals/{theirs}"), None, brought).await.problem(404, "not-found");
    for path in ["/v1/animals", "/v1/heats", "/v1/services", "/v1/withdrawals"] {
        software.get(&format!("{path}?herd_id={}", other.herd)).await.problem(404, "not-found");
        software.get(&format!("{path}?herd_id={}", farm.herd)).await.expect(200);
    }
    // Its round, its watch list and its snapshot are those of its herd.
    let round = software.get("/v1/round").await.expect(200);
    assert_eq!(round["stops"].as_array().unwrap().len(), 1);
    assert_eq!(round["stops"][0]["herd_id"], farm.herd);
    assert_eq!(manager.get("/v1/round").await.expect(200)["stops"].as_array().unwrap().len(), 2);
    let page = software.get("/v1/page").await.expect(200);
    assert_eq!(page["key"]["herds"], json!([farm.herd]));
    assert_eq!(page["tanks"].as_array().unwrap().len(), 1);
    // Stock and its total are of the tanks within its reach.
    let stock = software.get("/v1/stock").await.expect(200);
    assert_eq!((stock["items"].as_array().unwrap().len(), &stock["total_straws"]), (2, &json!(20)));
    assert_eq!(manager.get("/v1/stock").await.expect(200)["total_straws"], 25);
    // What changed: its own, and the sires, which are everybody's; the cursor passes over the rest.
    let changes = software.get("/v1/changes?limit=1000").await.expect(200);
    let all = manager.get("/v1/changes?limit=1000").await.expect(200);
    assert_eq!(changes["next_cursor"], all["next_cursor"]);
    assert!(items(changes).iter().all(|change| change["kind"] == "sire"
        || change["kind"] == "tank"
        || change["herd_id"] == farm.herd.as_str()));
    // A cow that is sold within the book takes her past with her herd's, and leaves with it.
    manager.patch(&format!("/v1/animals/{hers}"), None, json!({"herd_id": other.herd})).await.expect(200);
    software.get(&format!("/v1/animals/{hers}")).await.problem(404, "not-found");
    // What was answered before is answered again; anew it is refused.
    let again = software.post_as("/v1/heats", "seen", heat.clone()).await;
    assert_eq!(again.header("idempotent-replayed"), "true");
    assert_eq!(again.created(), seen);
    software.post("/v1/heats", heat).await.problem(404, "not-found");
    let heats = software.get("/v1/heats").await.expect(200);
    assert_eq!(items(heats).len(), 2, "what happened in the herd stays the herd's");
    let with_her = software.get("/v1/services?include=animal,withdrawal").await;
    assert!(!with_her.text.contains(&other.herd));
    // Several herds may be named; lists go on by their cursor however few of a page are its own.
    let both = &limited(manager, "reader", &[&farm.herd, &other.herd], &[]).await;
    assert_eq!(items(both.get("/v1/animals").await.expect(200)).len(), 3);
    let third = json!({"name": "Third", "time_zone": "Europe/Vienna"});
    let third = manager.make("/v1/herds", third).await;
    for number in ["1", "2", "3"] {
        manager.make("/v1/animals", json!({"herd_id": third, "number": number})).await;
    }
    let last = farm.animal(manager, "499").await;
    let (mut found, mut path) = (Vec::new(), "/v1/animals?limit=2".to_owned());
    loop {
        let page = both.get(&path).await.expect(200);
        found.extend(items(page.clone()).iter().map(id));
        let Some(cursor) = page["next_cursor"].as_str() else { break };
        path = format!("/v1/animals?limit=2&cursor={cursor}");
    }
    assert_eq!((found.len(), found.last()), (4, Some(&last)));
}

/// A heat as herd software tells it.
fn heat(source_id: &str, scheme: &str, id: &str) -> Value {
    json!({"meta": {"source": "org.example.herd", "sourceId": source_id, "modified": "2026-03-02T04:00:00Z"},
           "animal": {"scheme": scheme, "id": id}, "eventDateTime": "2026-03-01T06:00:00Z", "certainty": "InHeat"})
}

/// A cow as herd software tells her.
fn cow(source_id: &str, number: &str) -> Value {
    json!({"meta": {"source": "org.example.herd", "sourceId": source_id, "modified": "2026-03-02T04:00:00Z"},
           "identifier": {"scheme": "eu.bovine", "id": format!("XX 0417 {number}")}, "alternativeIdentifiers": [],
           "specie": "Cattle", "gender": "Female", "managementTag": number})
}

async fn herd_software_keeps_to_its_location(world: &World) {
    let manager = &world.manager;
    let farm = Farm::found(manager).await;
    let (other, theirs) = neighbour_of(manager, &farm).await;
    for (herd, number) in [(&farm.herd, "LM-1"), (&other.herd, "FH-1")] {
        let location = json!({"location": {"scheme": "org.example.holding", "id": number}});
        manager.patch(&format!("/v1/herds/{herd}"), None, location).await.expect(200);
    }
    let official =
        |number: &str| json!({"identifiers": [{"scheme": "eu.bovine", "id": format!("XX 0417 {number}")}]});
    manager.patch(&format!("/v1/animals/{theirs}"), None, official("901")).await.expect(200);
    let hers = farm.animal(manager, "412").await;
    manager.patch(&format!("/v1/animals/{hers}"), None, official("412")).await.expect(200);
    let software = &limited(manager, "integration", &[&farm.herd], &[]).await;
    let (here, there) =
        ("/ade/locations/org.example.holding/LM-1", "/ade/locations/org.example.holding/FH-1");
    // The other's software told something under a name that ours may use, too.
    manager.post(&format!("{there}/heats"), heat("1", "eu.bovine", "XX 0417 901")).await.expect(200);
    manager.post(&format!("{there}/animals"), cow("cow-1", "901")).await.expect(200);

    let told =
        software.post(&format!("{here}/heats"), heat("2", "eu.bovine", "XX 0417 412")).await.expect(200);
    assert_eq!(told["animal"]["id"], "XX 0417 412");
    software.post(&format!("{here}/animals"), cow("cow-2", "413")).await.expect(200);
    let before = everything(manager).await;
    // Nothing is read or told at the other location.
    for what in ["heats", "animals"] {
        assert_eq!(software.get(&format!("{there}/{what}")).await.status, 404);
        let path = format!("{there}/{what}/{theirs}");
        assert_eq!(software.get(&path).await.status, 404);
    }
    assert_eq!(
        software.post(&format!("{there}/heats"), heat("3", "eu.bovine", "XX 0417 901")).await.status,
        404
    );
    // Nor of its animals here, by whatever name.
    let by_name = software.post(&format!("{here}/heats"), heat("4", "eu.bovine", "XX 0417 901")).await;
    assert_eq!((by_name.status, by_name.instances()), (422, vec!["#/animal"]));
    let by_id = software.post(&format!("{here}/heats"), heat("5", "tankside.animal", &theirs)).await;
    assert_eq!(by_id.status, 422);
    // A cow of the other herd is not brought here, and what its software told is not told anew.
    let brought = software.post(&format!("{here}/animals"), cow("cow-9", "901")).await;
    assert_eq!((brought.status, brought.instances()), (422, vec!["#/identifier"]));
    let anew = software.post(&format!("{here}/heats"), heat("1", "eu.bovine", "XX 0417 412")).await;
    assert_eq!((anew.status, anew.instances()), (422, vec!["#/meta/sourceId"]));
    let gone = json!({"meta": {"source": "org.example.herd", "sourceId": "1", "isDeleted": true}});
    assert_eq!(software.post(&format!("{here}/heats"), gone).await.status, 422);
    let results = software
        .post(
            "/ade/batches/locations/org.example.holding/LM-1/heats",
            json!([heat("4", "eu.bovine", "XX 0417 901")]),
        )
        .await;
    assert_eq!(results.body[0]["messages"][0]["severity"], "Error");
    assert_eq!(everything(manager).await, before);
    // A dam at the other location is not found.
    let mut calf = cow("calf", "414");
    calf["parentage"] = json!([{"parentOf": {"scheme": "eu.bovine", "id": "XX 0417 414"}, "gender": "Female",
                                "identifier": {"scheme": "eu.bovine", "id": "XX 0417 901"}}]);
    software.post(&format!("{here}/animals"), calf).await.expect(200);
    let calf = items(manager.get("/v1/animals?number=414").await.expect(200));
    assert_eq!((&calf[0]["herd_id"], &calf[0]["dam_id"]), (&json!(farm.herd), &Value::Null));
    // Somebody without limits brings her.
    manager.post(&format!("{here}/animals"), cow("cow-9", "901")).await.expect(200);
    software.get(&format!("/v1/animals/{theirs}")).await.expect(200);
}

async fn a_technician_keeps_to_one_tank(world: &World) {
    let manager = &world.manager;
    let farm = Farm::found(manager).await;
    // The older straws, which go first, hang in the other tank.
    let older = farm.lot(manager, "sexed_female", "2020-01-01").await;
    let tank = manager.make("/v1/tanks", json!({"name": "Foreigntank", "canisters": 6})).await;
    let place = |canister: i64| json!({"tank_id": tank, "canister": canister});
    let receipt = json!({"lot_id": older, "place": place(1), "straws": 4});
    let arrived = manager.post("/v1/receipts", receipt).await.created();
    let animal = farm.animal(manager, "412").await;
    manager.make("/v1/heats", json!({"animal_id": animal})).await;
    let phone = &limited(manager, "technician", &[], &[&farm.tank]).await;

    // The choice is among what hangs in its tank.
    let places = |next: &Value| -> BTreeSet<String> {
        let offered = next["candidates"].as_array().unwrap();
        offered.iter().map(|straw| straw["place"]["tank_id"].as_str().unwrap().to_owned()).collect()
    };
    let next = format!("/v1/animals/{animal}/next-service");
    assert_eq!(places(&manager.get(&next).await.expect(200)).len(), 2);
    assert_eq!(places(&phone.get(&next).await.expect(200)), BTreeSet::from([farm.tank.clone()]));
    for path in
        ["/v1/round", "/v1/page", "/v1/stock", "/v1/tanks?include=nitrogen", "/v1/movements", "/v1/alerts"]
    {
        let told = phone.get(path).await;
        assert_eq!(told.status, 200, "{path}");
        assert!(!told.text.contains(&tank) && !told.text.contains("Foreigntank"), "{path}: {}", told.text);
    }
    assert_eq!(phone.get("/v1/stock").await.expect(200)["total_straws"], 20);
    let order = json!({"animal_id": animal, "sire_id": farm.sire});
    let taken = phone.post("/v1/withdrawals", order.clone()).await.created();
    assert_eq!(taken["place"]["tank_id"], farm.tank.as_str());
    let withdrawal = id(&taken);
    phone.post(&format!("/v1/withdrawals/{withdrawal}/thaw"), json!({"bath_temp_c": 35.6})).await.expect(200);
    world.pass(TimeDelta::minutes(2));
    phone.post("/v1/services", json!({"withdrawal_id": withdrawal})).await.created();
    // The refusal does not say that some hang in the other tank.
    let again = json!({"animal_id": animal, "lot_id": older, "straws": 1});
    let missing = phone.post("/v1/withdrawals", again.clone()).await;
    assert!(!missing.text.contains(&tank) && !missing.text.contains("Foreigntank"), "{}", missing.text);
    let missing = missing.problem(409, "not-in-stock");
    assert!(
        missing["elsewhere"]
            .as_array()
            .unwrap()
            .iter()
            .all(|straw| straw["place"]["tank_id"] == farm.tank.as_str())
    );

    // Nothing is done in the other tank, at either end.
    let straws = |place: Value| json!({"lot_id": older, "place": place, "straws": 1});
    let mut from_there = json!({"lot_id": older, "from": place(1), "to": farm.place(1), "straws": 1});
    for (path, body, pointer) in [
        (
            "/v1/withdrawals",
            json!({"animal_id": animal, "lot_id": older, "place": place(1)}),
            "#/place/tank_id",
        ),
        ("/v1/receipts", straws(place(1)), "#/place/tank_id"),
        (
            "/v1/discards",
            json!({"lot_id": older, "place": place(1), "straws": 1, "reason": "dropped"}),
            "#/place/tank_id",
        ),
        ("/v1/transfers", from_there.clone(), "#/from/tank_id"),
        ("/v1/holds", json!({"tank_id": tank, "reason": "Doubt."}), "#/tank_id"),
        ("/v1/stocktakes", json!({"tank_id": tank, "counts": []}), "#/tank_id"),
    ] {
        let answer = phone.post(path, body).await;
        assert_eq!(answer.pointers(), [pointer], "{path}");
        answer.problem(404, "not-found");
    }
    from_there = json!({"lot_id": farm.sexed, "from": farm.place(3), "to": place(1), "straws": 1});
    assert_eq!(phone.post("/v1/transfers", from_there).await.pointers(), ["#/to/tank_id"]);
    phone
        .post(&format!("/v1/movements/{}/reversal", id(&arrived)), json!({"reason": "did_not_happen"}))
        .await
        .problem(404, "not-found");
    let reading = json!({"read_at": "2026-03-02T05:00:00Z", "depth_mm": 300});
    phone
        .post(&format!("/v1/tanks/{tank}/nitrogen-readings"), reading.clone())
        .await
        .problem(404, "not-found");
    phone.get(&format!("/v1/tanks/{tank}/nitrogen")).await.problem(404, "not-found");
    // In its own it works as ever.
    let sensor = &limited(manager, "integration", &[], &[&farm.tank]).await;
    for caller in [phone, sensor] {
        let mut reading = reading.clone();
        reading["read_at"] =
            json!(format!("2026-03-02T05:0{}:00Z", if std::ptr::eq(caller, phone) { 1 } else { 2 }));
        caller.post(&format!("/v1/tanks/{}/nitrogen-readings", farm.tank), reading).await.created();
        caller.get(&format!("/v1/tanks/{}/nitrogen", farm.tank)).await.expect(200);
    }
    let within = json!({"lot_id": farm.sexed, "from": farm.place(3), "to": farm.place(1), "straws": 1});
    phone.post("/v1/transfers", within).await.created();
    assert_eq!(farm.straws(manager, &older).await, 4);

    // What is told afterwards and beyond the limit is refused, and the office hears of it.
    let done = json!([
        {"idempotency_key": "b-1", "animal_id": animal, "lot_id": older, "place": place(1)},
        {"idempotency_key": "b-2", "animal_id": animal, "lot_id": farm.conventional},
    ]);
    let results = phone.post("/v1/batch", done.clone()).await.expect(207);
    let statuses: Vec<_> = (0..2).map(|n| results["results"][n]["status"].clone()).collect();
    assert_eq!(statuses, [json!(404), json!(201)], "{results}");
    let open = items(manager.get("/v1/alerts?kind=act.refused&open=true").await.expect(200));
    assert_eq!(open.len(), 1, "{open:?}");
    // That alert is the office's.
    assert!(items(phone.get("/v1/alerts?kind=act.refused").await.expect(200)).is_empty());

    // A retry gets its first answer again; what another key was answered it does not get.
    let again = phone.post("/v1/batch", done).await.expect(207);
    assert_eq!(
        (&again["results"][1]["replayed"], &again["results"][1]["body"]),
        (&json!(true), &results["results"][1]["body"])
    );
    let first = manager.post_as("/v1/withdrawals", "office", order.clone()).await.created();
    assert_eq!(first["place"]["tank_id"], tank.as_str());
    let answer = phone.post_as("/v1/withdrawals", "office", order.clone()).await;
    assert!(!answer.text.contains(&tank), "{}", answer.text);
    answer.problem(422, "idempotency-mismatch");
    // An unlimited key does, as ever.
    let other = world.caller(Role::Technician).await;
    assert_eq!(other.post_as("/v1/withdrawals", "office", order).await.created(), first);
}

async fn a_limit_to_herds_follows_their_tanks(world: &World) {
    let manager = &world.manager;
    let farm = Farm::found(manager).await;
    let (other, _) = neighbour_of(manager, &farm).await;
    let software = &limited(manager, "reader", &[&farm.herd], &[]).await;
    let tanks =
        async || items(software.get("/v1/tanks").await.expect(200)).iter().map(id).collect::<Vec<_>>();
    assert_eq!(tanks().await, std::slice::from_ref(&farm.tank));
    // A tank that is nobody's is everybody's; one that comes to another herd is seen no more, at once.
    let van = manager.make("/v1/tanks", json!({"name": "Van"})).await;
    assert_eq!(tanks().await, [farm.tank.clone(), van.clone()]);
    manager.patch(&format!("/v1/tanks/{van}"), None, json!({"herd_id": other.herd})).await.expect(200);
    assert_eq!(tanks().await, std::slice::from_ref(&farm.tank));
    software.get(&format!("/v1/tanks/{van}")).await.problem(404, "not-found");
    manager.patch(&format!("/v1/tanks/{van}"), None, json!({"herd_id": farm.herd})).await.expect(200);
    assert_eq!(tanks().await, [farm.tank.clone(), van]);
}

async fn limits_cost_one_statement_at_most(world: &World) {
    let manager = &world.manager;
    let farm = Farm::found(manager).await;
    let animal = farm.animal(manager, "412").await;
    let free = world.caller(Role::Technician).await;
    let held = limited(manager, "technician", &[&farm.herd], &[&farm.tank]).await;
    world.stop_clockwork().await;
    world.db().record_statements();
    for caller in [&free, &held] {
        caller.get("/v1/business").await.expect(200);
    }
    let mut costs = BTreeMap::new();
    for (path, more) in [
        (format!("/v1/animals/{animal}"), 1),
        (format!("/v1/animals?herd_id={}", farm.herd), 1),
        ("/v1/animals".to_owned(), 0),
        ("/v1/stock".to_owned(), 0),
        ("/v1/round".to_owned(), 0),
        (format!("/v1/animals/{animal}/next-service"), 1),
    ] {
        let (one, without) = cost(world, free.get(&path)).await;
        let (other, with) = cost(world, held.get(&path)).await;
        assert_eq!((one.status, other.status), (200, 200), "{path}");
        assert_eq!(with.len(), without.len() + more, "{path}:\n{}", with.join("\n--\n"));
        costs.insert(path, with.len());
    }
    for body in [json!({"animal_id": animal}), json!({"animal_id": animal, "method": "sensor"})] {
        let (_, without) = cost(world, free.post("/v1/heats", body.clone())).await;
        let (_, with) = cost(world, held.post("/v1/heats", body)).await;
        assert_eq!(with.len(), without.len() + 1, "{}", with.join("\n--\n"));
    }
}
