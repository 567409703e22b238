//! Two businesses in one store: to each, what is the other's is not there.
//!
//! Every operation of the description is asked by a neighbour with our ids, in the path, in the body
//! and in the query, and must answer him as it answers an id that nobody has. Which members of a body
//! and which parameters are ids, the description says.

use std::collections::{BTreeMap, BTreeSet};

use reqwest::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use tankside::domain::access::Role;

use crate::{
    keys::who_may,
    on_both_stores,
    receiver::eventually,
    world::{Answer, Client, Farm, World, description, operations},
};

on_both_stores!(
    what_is_anothers_is_not_there,
    lists_show_ones_own_and_cursors_lead_nowhere_else,
    the_same_idempotency_key_is_another_one_next_door,
);

/// Operations that are not walked, each with its reason.
const NAME_NOTHING: &[(&str, &str)] = &[
    ("POST /v1/herds", "a herd stands by itself: nothing in its body is an id"),
    (
        "POST /v1/withdrawals/batch",
        "each item is what POST /v1/withdrawals takes; the ledger's story of the batch sends a neighbour's ids",
    ),
    ("PUT /v1/price-list", "nothing in its body is an id"),
    ("GET /v1/exports/{list}", "takes no id; the stories of exports ask for every list as a neighbour"),
    ("DELETE /v1/business/book", "takes no id; that it empties only the caller's own is checked with trials"),
    ("POST /v1/imports/{list}", "takes names and no ids; the stories of imports send a file to a neighbour"),
    (
        "POST /v1/batch",
        "each item is what its own request takes; the ledger's story of the batch sends a neighbour's ids",
    ),
    ("GET /v1/business", "takes no id; that it tells of the caller's own is checked with the lists"),
];

/// Advice is no list: it is about a bath, and refuses a lot or a herd that is not there.
pub const ADVICE: &str = "/v1/thaw-advice";

/// Which member of an answer is the list; a round's are its stops.
fn member(path: &str) -> &'static str {
    match path {
        "/v1/round" => "stops",
        "/v1/page" => "herds",
        _ => "items",
    }
}

/// The ids of one thing of each kind in a business's book.
pub type Ids = BTreeMap<&'static str, String>;

pub async fn book_of(client: &Client) -> Ids {
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let take = json!({"animal_id": animal, "lot_id": farm.sexed});
    let withdrawal = client.make("/v1/withdrawals", take.clone()).await;
    let used = client.make("/v1/withdrawals", take).await;
    let service = client.make("/v1/services", json!({"withdrawal_id": used})).await;
    let mut ids = Ids::from([
        ("herds", farm.herd.clone()),
        ("tanks", farm.tank.clone()),
        ("sires", farm.sire.clone()),
        ("lots", farm.sexed.clone()),
        ("animals", animal.clone()),
        ("withdrawals", withdrawal),
        ("services", service),
    ]);
    for kind in ["heats", "calvings", "abortions", "do-not-breed"] {
        let mut event = json!({"animal_id": animal});
        if kind == "do-not-breed" {
            event["do_not_breed"] = json!(false);
        }
        ids.insert(kind, client.make(&format!("/v1/{kind}"), event).await);
    }
    let check = json!({"animal_id": animal, "method": "milk", "result": "empty"});
    ids.insert("pregnancy-checks", client.make("/v1/pregnancy-checks", check).await);
    let ledger = client.get("/v1/movements").await.expect(200);
    let count = json!({"tank_id": farm.tank, "counts": []});
    ids.insert(
        "alert-rules",
        client.make("/v1/alert-rules", json!({"kind": "stock.out", "herd_id": farm.herd})).await,
    );
    let aside = json!({"animal_id": animal, "lot_id": farm.conventional, "override": {"reason": "agreed"}});
    client.post("/v1/withdrawals", aside).await.created();
    let alerts = client.get("/v1/alerts").await.expect(200);
    ids.insert("alerts", alerts["items"][0]["id"].as_str().unwrap().to_owned());
    let hook = json!({"url": "https://herd.example.test/", "herd_ids": [farm.herd], "tank_ids": [farm.tank]});
    let hook = client.make("/v1/webhooks", hook).await;
    let test = client.post(&format!("/v1/webhooks/{hook}/test"), json!({})).await.created();
    let delivery = test["id"].as_str().unwrap().to_owned();
    // Once it was tried in vain nothing more comes of it while the clock stands still.
    eventually(async || {
        let delivery = client.get(&format!("/v1/deliveries/{delivery}")).await.expect(200);
        (delivery["attempts"] == 1).then_some(())
    })
    .await;
    ids.insert("deliveries", delivery);
    ids.insert("webhooks", hook);
    let line = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1});
    let consignment = json!({"direction": "out", "party": {"name": "Invented Station"}, "lines": [line]});
    let watched = farm.animal(client, "413").await;
    farm.served(client, &watched, "2026-02-12T08:00:00Z").await;
    // What reports are made of: results of old services, and calvings.
    let served = farm.animal(client, "414").await;
    let service = json!({"animal_id": served, "served_at": "2025-10-01T08:00:00Z", "sire_id": farm.sire,
                         "semen_type": "sexed_female", "technician": "Anna"});
    client.post("/v1/services", service).await.created();
    let check = json!({"animal_id": served, "checked_at": "2025-11-10T08:00:00Z", "method": "ultrasound", "result": "empty"});
    client.post("/v1/pregnancy-checks", check).await.created();
    let cow = farm.elder(client, "415").await;
    for at in ["2024-01-10T08:00:00Z", "2025-02-10T08:00:00Z"] {
        client.post("/v1/calvings", json!({"animal_id": cow, "calved_at": at})).await.created();
    }
    let prices = json!({"currency": "EUR", "items": [{"of": "visit", "amount_minor": 1500}]});
    ask(client, &Method::PUT, "/v1/price-list", Some(&prices)).await.expect(200);
    let calendar = json!({"name": "To watch", "herd_id": farm.herd});
    ids.insert("calendars", client.make("/v1/calendars", calendar).await);
    let asked = json!({"herd_id": farm.herd, "animal_ids": [animal]});
    ids.insert("requests", client.make("/v1/requests", asked).await);
    let protocol = json!({"herd_id": farm.herd, "name": "Heifers", "prescribed_by": "Dr. Example",
                          "steps": [{"day": 0, "time": "08:00", "kind": "treatment", "text": "As prescribed"},
                                    {"day": 1, "time": "08:00", "kind": "insemination", "text": "Inseminate"}]});
    let protocol = client.make("/v1/timed-protocols", protocol).await;
    let body = json!({"animal_ids": [watched], "starts_on": "2026-03-03"});
    let begun = client.post(&format!("/v1/timed-protocols/{protocol}/starts"), body).await.created();
    ids.insert("protocol-starts", begun["items"][0]["id"].as_str().unwrap().to_owned());
    ids.insert("timed-protocols", protocol);
    ids.insert("consignments", client.make("/v1/consignments", consignment).await);
    ids.insert("stocktakes", client.make("/v1/stocktakes", count).await);
    let hold = json!({"tank_id": farm.tank, "canister": 6, "reason": "Doubt."});
    ids.insert("holds", client.make("/v1/holds", hold).await);
    for (kind, at, body) in [
        ("nitrogen-readings", "read_at", json!({"depth_mm": 310})),
        ("refills", "filled_at", json!({"depth_after_mm": 425})),
        ("repairs", "repaired_at", json!({"kind": "repaired"})),
    ] {
        let path = format!("/v1/tanks/{}/{kind}", farm.tank);
        let mut body = body;
        body[at] = json!("2026-03-01T06:10:00Z");
        ids.insert(kind, client.make(&path, body).await);
    }
    let told = json!({"meta": {"source": "org.example.herd", "sourceId": farm.herd}, "inseminationType": "Insemination",
                      "animal": {"scheme": "tankside.animal", "id": animal},
                      "eventDateTime": "2026-02-01T06:00:00Z"});
    let path = format!("/ade/locations/tankside.herd/{}/inseminations", farm.herd);
    let told = client.post(&path, told).await.expect(200);
    ids.insert("ade-items", told["id"].as_str().unwrap().to_owned());
    let audit = client.get("/v1/audit").await.expect(200);
    ids.insert("keys", audit["items"][0]["key_id"].as_str().unwrap().to_owned());
    ids.insert("movements", ledger["items"][0]["id"].as_str().unwrap().to_owned());
    ids
}

/// Which list a member or parameter of that name leads to.
pub fn kind_of(operation: &str, name: &str) -> &'static str {
    match name {
        "supersedes" if operation.ends_with("/nitrogen-readings") => "nitrogen-readings",
        "supersedes" if operation.ends_with("/repairs") => "repairs",
        "supersedes" => "refills",
        "herd_id" | "herd_ids" | "owner_herd_id" => "herds",
        "tank_id" | "tank_ids" => "tanks",
        "sire_id" | "maternal_grandsire_id" => "sires",
        "lot_id" => "lots",
        "animal_id" | "animal_ids" | "dam_id" | "donor_id" => "animals",
        "withdrawal_id" => "withdrawals",
        "protocol_id" => "timed-protocols",
        "key_id" => "keys",
        other => panic!("what is {other} the id of?"),
    }
}

/// Of which kind the thing is that a path names.
pub fn kind_at(path: &str, ids: &Ids) -> &'static str {
    if path.starts_with("/v1/reports/lot-trace/") {
        return "lots";
    }
    ids.keys().find(|kind| path.split('/').nth(2) == Some(kind)).copied().unwrap_or("")
}

/// Right bodies of an operation, in which every id that it can name is named.
pub fn bodies(operation: &str, ids: &Ids) -> Vec<Value> {
    let id = |kind: &str| json!(ids[kind]);
    let place = json!({"tank_id": ids["tanks"], "canister": 3, "cane": "B", "goblet": "upper"});
    let event = json!({"animal_id": id("animals")});
    match operation {
        "POST /v1/tanks" | "PATCH /v1/tanks/{id}" => vec![json!({"name": "Van", "herd_id": id("herds")})],
        "POST /v1/sires" | "PATCH /v1/sires/{id}" => {
            // He is not his own sire, so a change names another than the one that is changed.
            vec![json!({"name": "Two", "sire_id": id("other sire"), "dam_id": id("animals"),
                        "maternal_grandsire_id": id("other sire")})]
        }
        "POST /v1/lots" | "PATCH /v1/lots/{id}" => {
            vec![json!({"sire_id": id("sires"), "semen_type": "sexed_female", "owner_herd_id": id("herds")})]
        }
        "POST /v1/animals" | "PATCH /v1/animals/{id}" => vec![
            json!({"herd_id": id("herds"), "number": "7", "sire_id": id("other sire"), "dam_id": id("other animal")}),
        ],
        "PUT /v1/animals/{id}/mating-plan" => vec![json!({"choices": [{"sire_id": id("sires")}]})],
        "PATCH /v1/herds/{id}" => vec![json!({"name": "Upper Meadow"})],
        "POST /v1/webhooks" | "PATCH /v1/webhooks/{id}" => vec![
            json!({"url": "https://herd.example.test/", "herd_ids": [id("herds")], "tank_ids": [id("tanks")]}),
        ],
        "POST /v1/webhooks/{id}/redelivery" => vec![json!({"since": "2026-03-01T00:00:00Z"})],
        "POST /v1/receipts" => vec![json!({"lot_id": id("lots"), "place": place, "straws": 1})],
        "POST /v1/discards" => {
            vec![json!({"lot_id": id("lots"), "place": place, "straws": 1, "reason": "exposed"})]
        }
        "POST /v1/calendars" => vec![json!({"name": "To watch", "herd_id": id("herds")})],
        "POST /v1/requests" => vec![json!({"herd_id": id("herds"), "animal_ids": [id("animals")]})],
        "POST /v1/requests/{id}/closing" | "POST /v1/protocol-starts/{id}/stopping" => {
            vec![json!({"reason": "Not in heat."})]
        }
        "POST /v1/timed-protocols" | "PATCH /v1/timed-protocols/{id}" => vec![json!({
            "herd_id": id("herds"), "name": "Heifers", "prescribed_by": "Dr. Example",
            "steps": [{"day": 1, "time": "08:00", "kind": "insemination", "text": "Inseminate"}]})],
        "POST /v1/timed-protocols/{id}/starts" => {
            vec![json!({"animal_ids": [id("animals")], "starts_on": "2026-03-03"})]
        }
        "POST /v1/protocol-starts/{id}/steps" => vec![json!({"step": 1, "step_state": "done"})],
        "POST /v1/consignments" => ["in", "out"]
            .map(|direction| {
                let line = json!({"lot_id": id("lots"), "place": place, "straws": 1});
                json!({"direction": direction, "party": {"name": "Invented Station"}, "lines": [line]})
            })
            .to_vec(),
        "POST /v1/transfers" => {
            let to = json!({"tank_id": ids["tanks"], "canister": 5});
            vec![json!({"lot_id": id("lots"), "from": place, "to": to, "straws": 1})]
        }
        "POST /v1/stocktakes" => {
            let count = json!({"lot_id": id("lots"), "place": place, "straws": 1});
            vec![
                json!({"tank_id": id("tanks"), "counts": []}),
                json!({"tank_id": id("tanks"), "counts": [count]}),
            ]
        }
        "POST /v1/tanks/{id}/nitrogen-readings" => vec![
            json!({"read_at": "2026-03-01T06:10:00Z", "depth_mm": 300, "supersedes": id("nitrogen-readings")}),
        ],
        "POST /v1/tanks/{id}/refills" => vec![
            json!({"filled_at": "2026-03-01T06:10:00Z", "depth_after_mm": 420, "supersedes": id("refills")}),
        ],
        "POST /v1/tanks/{id}/repairs" => vec![
            json!({"repaired_at": "2026-03-01T06:10:00Z", "kind": "not_done", "supersedes": id("repairs")}),
        ],
        "POST /v1/ade-items/{id}/resolution" => vec![
            json!({"resolution": "straw", "lot_id": id("lots"), "place": place}),
            json!({"resolution": "withdrawal", "withdrawal_id": id("withdrawals")}),
            json!({"resolution": "no_straw", "animal_id": id("animals")}),
        ],
        "POST /v1/holds" => vec![json!({"tank_id": id("tanks"), "reason": "Doubt."})],
        "POST /v1/movements/{id}/reversal" => vec![json!({"reason": "wrong_data"})],
        "POST /v1/stocktakes/{id}/acceptance"
        | "POST /v1/services/{id}/reversal"
        | "DELETE /v1/webhooks/{id}"
        | "POST /v1/webhooks/{id}/pause"
        | "POST /v1/webhooks/{id}/resume"
        | "POST /v1/webhooks/{id}/secret-rotation"
        | "POST /v1/webhooks/{id}/test"
        | "POST /v1/deliveries/{id}/redelivery"
        | "POST /v1/keys/{id}/rotation"
        | "POST /v1/alerts/{id}/acknowledgement" => vec![json!({})],
        "POST /v1/keys" => vec![
            json!({"name": "Barn phone", "role": "reader", "herd_ids": [id("herds")], "tank_ids": [id("tanks")]}),
        ],
        "POST /v1/withdrawals/batch" | "POST /v1/batch" => vec![json!([{"idempotency_key": "1"}])],
        "POST /v1/withdrawals" => vec![
            json!({"animal_id": id("animals"), "lot_id": id("lots"), "place": place, "override": {"reason": "test"}}),
            json!({"animal_id": id("animals"), "sire_id": id("sires"), "override": {"reason": "test"}}),
        ],
        "POST /v1/withdrawals/{id}/thaw" => vec![json!({"bath_temp_c": 35.6})],
        "POST /v1/withdrawals/{id}/discard" => vec![json!({"reason": "dropped"})],
        "POST /v1/services" => vec![
            json!({"animal_id": id("animals"), "sire_id": id("sires")}),
            json!({"kind": "embryo_transfer", "animal_id": id("animals"), "donor_id": id("animals")}),
            json!({"withdrawal_id": id("withdrawals")}),
        ],
        "POST /v1/alert-rules" | "PATCH /v1/alert-rules/{id}" => {
            let rule = |tank: Value, herd: Value, sire: Value, lot: Value| {
                let semen_type = if sire.is_null() { Value::Null } else { json!("conventional") };
                json!({"kind": "stock.low", "tank_id": tank, "herd_id": herd, "sire_id": sire,
                       "semen_type": semen_type, "lot_id": lot})
            };
            vec![
                rule(id("tanks"), Value::Null, id("sires"), Value::Null),
                rule(Value::Null, id("herds"), Value::Null, Value::Null),
                rule(Value::Null, Value::Null, Value::Null, id("lots")),
            ]
        }
        "DELETE /v1/business/book"
        | "POST /v1/imports/{list}"
        | "DELETE /v1/alert-rules/{id}"
        | "DELETE /v1/calendars/{id}"
        | "DELETE /v1/holds/{id}"
        | "DELETE /v1/keys/{id}"
        | "DELETE /v1/animals/{id}/mating-plan"
        | "DELETE /v1/timed-protocols/{id}" => vec![],
        "POST /v1/pregnancy-checks" => {
            vec![json!({"animal_id": id("animals"), "method": "milk", "result": "empty"})]
        }
        "POST /v1/heats" | "POST /v1/calvings" | "POST /v1/abortions" | "POST /v1/do-not-breed" => {
            vec![event]
        }
        "PUT /v1/price-list" => {
            vec![json!({"currency": "EUR", "items": [{"of": "visit", "amount_minor": 1500}]})]
        }
        other => panic!("{other} is new: give it a body here"),
    }
}

/// Where in a body of that operation ids stand that name something.
pub fn ids_in_body(method: &Method, path: &str, operation: &Value) -> BTreeSet<String> {
    let api = description();
    // A change is described by no more than "an object"; its members are those of what was entered.
    let body = match *method {
        Method::PATCH => &api["paths"][path.replace("/{id}", "")]["post"]["requestBody"],
        _ => &operation["requestBody"],
    };
    let mut pointers = ids_in(api, &body["content"]["application/json"]["schema"], "");
    // What a client makes up names nothing yet.
    pointers.remove("/id");
    pointers
}

/// Where in a body of that schema ids stand.
pub fn ids_in(api: &Value, schema: &Value, at: &str) -> BTreeSet<String> {
    let schema = match schema["$ref"].as_str() {
        Some(path) => api.pointer(path.strip_prefix('#').unwrap()).unwrap(),
        None => schema,
    };
    let mut found = BTreeSet::new();
    if schema["format"] == "uuid" {
        found.insert(at.to_owned());
    }
    for options in ["oneOf", "anyOf", "allOf"] {
        for option in schema[options].as_array().into_iter().flatten() {
            found.extend(ids_in(api, option, at));
        }
    }
    for (name, member) in schema["properties"].as_object().into_iter().flatten() {
        found.extend(ids_in(api, member, &format!("{at}/{name}")));
    }
    if schema["items"].is_object() {
        found.extend(ids_in(api, &schema["items"], &format!("{at}/0")));
    }
    found
}

pub async fn ask(client: &Client, method: &Method, path: &str, body: Option<&Value>) -> Answer {
    let key = Uuid::now_v7().to_string();
    let headers = [("content-type", "application/json"), ("idempotency-key", &key)];
    let body = body.map(|body| body.to_string().into_bytes()).unwrap_or_default();
    client.send(method.clone(), path, &headers, body).await
}

/// What an answer says, without the id that was asked for and what differs from one request to the next.
fn said(answer: &Answer, id: &str) -> (u16, String, Vec<(String, String)>) {
    let headers = answer
        .headers
        .iter()
        .filter(|(name, _)| !["date", "x-request-id", "ratelimit"].contains(&name.as_str()))
        // A weak one is of what was asked, too.
        .filter(|(name, value)| *name != "etag" || !value.as_bytes().starts_with(b"W/"))
        .map(|(name, value)| (name.to_string(), value.to_str().unwrap().to_owned()))
        .collect();
    (answer.status, answer.text.replace(id, "(id)"), headers)
}

/// The neighbour hears of our `id` what he hears of one that nobody has.
pub async fn is_not_there(
    neighbour: &Client,
    method: &Method,
    path: impl Fn(&str) -> String,
    body: impl Fn(&str) -> Option<Value>,
    id: &str,
) -> Answer {
    let nobodys = Uuid::now_v7().to_string();
    let of_ours = ask(neighbour, method, &path(id), body(id).as_ref()).await;
    let of_none = ask(neighbour, method, &path(&nobodys), body(&nobodys).as_ref()).await;
    assert_eq!(said(&of_ours, id), said(&of_none, &nobodys), "{method} {}", path(id));
    of_ours
}

async fn what_is_anothers_is_not_there(world: &World) {
    let us = &world.manager;
    let neighbour = &world.neighbour().await;
    let ours = book_of(us).await;
    let mut theirs = book_of(neighbour).await;
    let sire = neighbour.make("/v1/sires", json!({"name": "Other"})).await;
    theirs.insert("other sire", sire);
    let dam = json!({"herd_id": theirs["herds"], "number": "Dam"});
    theirs.insert("other animal", neighbour.make("/v1/animals", dam).await);
    let mut crew = Vec::new();
    for role in Role::ALL.iter().filter(|role| **role != Role::Manager) {
        let new = json!({"name": format!("Next door's {role}"), "role": role.as_str()});
        let key = neighbour.post("/v1/keys", new).await.created();
        crew.push((*role, neighbour.with_key(key["secret"].as_str().unwrap())));
    }
    let before = (everything(us).await, everything(neighbour).await);

    let api = description();
    let mut walked = BTreeSet::new();
    for (method, path, operation) in operations() {
        let named = format!("{method} {path}");
        let kind = kind_at(path, &ours);
        let writes = method != Method::GET;
        let right = if writes && named != "POST /v1/herds" { bodies(&named, &theirs) } else { vec![] };

        if path.contains("{id}") {
            let body = right.first().cloned();
            let fill = |id: &str| path.replace("{id}", id);
            is_not_there(neighbour, method, fill, |_| body.clone(), &ours[kind])
                .await
                .problem(404, "not-found");
            // Whatever his role, he learns no more: that his role may not, or that there is no such thing.
            for (role, caller) in &crew {
                let answer = is_not_there(caller, method, fill, |_| body.clone(), &ours[kind]).await;
                if who_may(method, &named).contains(role) {
                    answer.problem(404, "not-found");
                } else {
                    answer.problem(403, "forbidden");
                }
            }
            walked.insert(named.clone());
        }

        for parameter in operation["parameters"].as_array().into_iter().flatten() {
            if parameter["in"] == "query" && !ids_in(api, &parameter["schema"], "").is_empty() {
                let name = parameter["name"].as_str().unwrap();
                let bath = if path == ADVICE { "bath_temp_c=35.6&" } else { "" };
                let query = |id: &str| format!("{path}?{bath}{name}={id}");
                let answer =
                    is_not_there(neighbour, method, query, |_| None, &ours[kind_of(&named, name)]).await;
                if path == ADVICE {
                    answer.problem(404, "not-found");
                } else {
                    assert_eq!(answer.expect(200)[member(path)], json!([]), "{named} by {name}");
                }
                walked.insert(named.clone());
            }
        }

        for pointer in &ids_in_body(method, path, operation) {
            let body = right.iter().find(|body| body.pointer(pointer).is_some_and(|named| !named.is_null()));
            let body = body.unwrap_or_else(|| panic!("no body of {named} names {pointer}"));
            let with = |id: &str| {
                let mut body = body.clone();
                *body.pointer_mut(pointer).unwrap() = json!(id);
                Some(body)
            };
            let own = theirs.get(kind).cloned().unwrap_or_default();
            let named_by = pointer.rsplit('/').find(|part| part.parse::<usize>().is_err()).unwrap();
            let id = &ours[kind_of(&named, named_by)];
            let answer = is_not_there(neighbour, method, |_| path.replace("{id}", &own), with, id).await;
            assert_eq!(answer.pointers(), [format!("#{pointer}")], "{named}");
            answer.problem(404, "not-found");
            walked.insert(named.clone());
        }
    }

    assert_eq!((everything(us).await, everything(neighbour).await), before, "nothing came of all that");

    let all: BTreeSet<String> =
        operations().iter().map(|(method, path, _)| format!("{method} {path}")).collect();
    let lists = all.iter().filter(|named| named.starts_with("GET") && *named != "GET /v1/business");
    walked.extend(lists.filter(|named| !named.contains('{')).cloned());
    let excused = NAME_NOTHING.iter().map(|(named, _)| (*named).to_owned());
    assert!(excused.clone().all(|named| !walked.contains(&named)), "what is walked needs no excuse");
    assert_eq!(walked.into_iter().chain(excused).collect::<BTreeSet<_>>(), all, "an operation was left out");

    // With ids of their own the same bodies are right: it was the ids that were refused.
    let (removals, others): (Vec<_>, Vec<_>) =
        operations().iter().partition(|(method, ..)| *method == Method::DELETE);
    for (method, path, _) in others.into_iter().chain(removals) {
        let named = format!("{method} {path}");
        if method == Method::GET || named == "POST /v1/herds" {
            continue;
        }
        for body in bodies(&named, &theirs) {
            let kind = kind_at(path, &ours);
            let path = path.replace("{id}", theirs.get(kind).map_or("", String::as_str));
            let answer = ask(neighbour, method, &path, Some(&body)).await;
            let done = answer.status < 300
                || [
                    "already-resolved",
                    "in-use",
                    "not-in-stock",
                    "not-reversible",
                    "protocol-not-possible",
                    "webhook-not-active",
                ]
                .contains(&answer.slug());
            assert!(done, "{named} {body}: {answer:?}");
        }
    }
    assert_eq!(everything(us).await, before.0, "what a neighbour does changes nothing here");
}

/// Every list of a book, and how many lines its ledger has.
pub async fn everything(client: &Client) -> BTreeMap<String, Value> {
    let mut book = BTreeMap::new();
    for (method, path, _) in operations() {
        if method == Method::GET && !path.contains('{') && path != ADVICE {
            let mut told = client.get(path).await.expect(200);
            // When a key was used is noted by the clock.
            match path.as_str() {
                "/v1/keys" => {
                    let keys = told["items"].as_array_mut().unwrap();
                    for key in keys {
                        key["last_used_at"] = Value::Null;
                    }
                }
                "/v1/keys/current" => told["last_used_at"] = Value::Null,
                _ => {}
            }
            book.insert(path.clone(), told);
        }
    }
    book
}

async fn lists_show_ones_own_and_cursors_lead_nowhere_else(world: &World) {
    let us = &world.manager;
    let neighbour = &world.neighbour().await;
    let empty = everything(neighbour).await;
    let ours = book_of(us).await;
    for kind in ["herds", "tanks", "sires", "lots", "animals"] {
        let mut more = us.get(&format!("/v1/{kind}/{}", ours[kind])).await.expect(200);
        for told in ["id", "created_at", "etag"] {
            more.as_object_mut().unwrap().remove(told);
        }
        us.make(&format!("/v1/{kind}"), more).await;
    }
    let (full, other) = (everything(us).await, everything(neighbour).await);
    assert_eq!(other, empty, "what we entered is not seen next door");
    assert_ne!(full["/v1/business"]["id"], other["/v1/business"]["id"]);
    // Devices are noted by the clock; their story looks next door.
    // Who asks has a key, and sees that one and no other.
    assert_eq!(other["/v1/keys"]["items"], json!([listed(&other["/v1/keys/current"])]));
    assert_ne!(full["/v1/keys/current"]["id"], other["/v1/keys/current"]["id"]);
    let of_the_caller = ["/v1/business", "/v1/devices", "/v1/keys", "/v1/keys/current"];
    for (path, list) in full.iter().filter(|(path, _)| !of_the_caller.contains(&path.as_str())) {
        assert_eq!(other[path][member(path)], json!([]), "{path}");
        assert_ne!(list[member(path)], json!([]), "{path} of ours shows nothing, so the story tells nothing");
        let has_pages = ["/v1/reports/register", "/v1/reports/charges"].contains(&path.as_str());
        if ["/v1/watch", "/v1/round", "/v1/page", "/v1/price-list"].contains(&path.as_str())
            || (path.starts_with("/v1/reports/") && !has_pages)
        {
            // They have no pages.
            continue;
        }
        // Our cursor is a place in a list; next door it leads into theirs.
        let page = us.get(&format!("{path}?limit=1")).await.expect(200);
        if let Some(cursor) = page["next_cursor"].as_str() {
            let page = neighbour.get(&format!("{path}?cursor={cursor}")).await.expect(200);
            assert_eq!((&page["items"], &page["next_cursor"]), (&json!([]), &Value::Null), "{path}");
        }
    }
    // By an official name, which is no secret, only one's own are found.
    let names = json!({"identifiers": [{"scheme": "international-id", "id": "HOLZZZM000000A12345"}]});
    us.patch(&format!("/v1/sires/{}", ours["sires"]), None, names).await.expect(200);
    for (client, found) in [(us, 1), (neighbour, 0)] {
        let page = client.get("/v1/sires?identifier=HOLZZZM000000A12345").await.expect(200);
        assert_eq!(page["items"].as_array().unwrap().len(), found);
    }
}

/// A key as it stands in the list.
fn listed(current: &Value) -> Value {
    let mut key = current.clone();
    for of_its_business in ["business_id", "business_name"] {
        key.as_object_mut().unwrap().remove(of_its_business);
    }
    key
}

async fn the_same_idempotency_key_is_another_one_next_door(world: &World) {
    let us = &world.manager;
    let neighbour = &world.neighbour().await;
    let herd = json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna"});
    let ours = us.post_as("/v1/herds", "1", herd.clone()).await.created();
    let theirs = neighbour.post_as("/v1/herds", "1", herd).await;
    assert!(!theirs.headers.contains_key("idempotent-replayed"));
    assert_ne!(theirs.created()["id"], ours["id"]);
    // Another request under that key is no mismatch: it would tell that the key is in use.
    let other = neighbour.post_as("/v1/sires", "2", json!({"name": "Theirs"})).await.created();
    let mine = us.post_as("/v1/tanks", "2", json!({"name": "Ours"})).await.created();
    assert_ne!(other["id"], mine["id"]);
}
