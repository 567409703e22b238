//! How many statements a request costs. A statement costs a hand-over between threads or a round trip whatever it
//! does, so their number is the speed of an act, and it must not depend on the length of a list.

use serde_json::{Value, json};

use tankside::domain::exchange::ade::ItemKind;

use crate::{
    ade::{Yard, cow, event, insemination, sexed},
    on_both_stores,
    world::{Client, Farm, World, operations},
};

on_both_stores!(
    every_read_costs_few_statements,
    an_act_costs_few_statements,
    moving_straws_costs_few_statements,
    a_list_for_herd_software_costs_the_same_however_long,
);

/// What is done once for many: the writer's lock with the look-up of Idempotency-Keys, and who the caller is.
fn is_shared(statement: &str) -> bool {
    [
        "update business as b set changed_at",
        "update business set changed_at",
        "as has_open_alerts",
        "from api_key k join business",
    ]
    .iter()
    .any(|shared| statement.contains(shared))
}

/// Does something and gives the statements that it cost.
pub async fn cost<T>(world: &World, act: impl Future<Output = T>) -> (T, Vec<&'static str>) {
    world.db().take_statements();
    let done = act.await;
    let mut statements = world.db().take_statements();
    statements.retain(|statement| !is_shared(statement));
    (done, statements)
}

fn at_most(most: usize, what: &str, statements: &[&str]) {
    assert!(
        statements.len() <= most,
        "{what} costs {} statements, {most} are allowed:\n{}",
        statements.len(),
        statements.join("\n--\n")
    );
    assert!(!statements.is_empty(), "nothing was recorded for {what}");
}

/// A world whose clockwork is still, so that only what is asked costs anything, and whose key is known.
async fn counted(world: &World, client: &Client) {
    world.stop_clockwork().await;
    world.db().record_statements();
    client.get("/v1/business").await.expect(200);
}

async fn an_act_costs_few_statements(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    // The first straw that is used enters the place outside to which all go.
    let other = farm.animal(client, "413").await;
    client.post("/v1/withdrawals", json!({"animal_id": other, "lot_id": farm.sexed})).await.created();
    counted(world, client).await;

    for round in ["first", "second"] {
        let heat = json!({"animal_id": animal, "standing_at": "2026-03-01T18:10:00+01:00", "method": "seen"});
        let (_, statements) = cost(world, client.post("/v1/heats", heat)).await;
        at_most(4, &format!("{round} heat"), &statements);

        let order = json!({"animal_id": animal, "lot_id": farm.sexed, "override": {"reason": "Counted."}});
        let order = if round == "first" { json!({"animal_id": animal, "lot_id": farm.sexed}) } else { order };
        let (taken, statements) = cost(world, client.post("/v1/withdrawals", order)).await;
        let id = taken.created()["id"].as_str().unwrap().to_owned();
        if round == "first" {
            // Setting a rule aside opens an alert, which costs more.
            at_most(4, "a withdrawal", &statements);
        }

        let bath = json!({"bath_temp_c": 35.6, "bath_volume_ml": 1000});
        let (_, statements) = cost(world, client.post(&format!("/v1/withdrawals/{id}/thaw"), bath)).await;
        at_most(4, &format!("{round} thaw"), &statements);

        let (served, statements) =
            cost(world, client.post("/v1/services", json!({"withdrawal_id": id}))).await;
        served.created();
        at_most(4, &format!("{round} service"), &statements);
    }
}

async fn moving_straws_costs_few_statements(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let spare = farm.animal(client, "413").await;
    // The first straw that comes, goes, is thrown away or counted enters the place outside.
    let place = farm.place(1);
    client
        .post(
            "/v1/discards",
            json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1, "reason": "dropped"}),
        )
        .await
        .created();
    let count = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 8});
    let count = client.make("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": [count]})).await;
    client.post(&format!("/v1/stocktakes/{count}/acceptance"), json!({})).await.expect(200);
    counted(world, client).await;

    // Where straws hang for the first time, and where they hung before.
    let mut last = Value::Null;
    for time in ["first", "second"] {
        let receipt = json!({"lot_id": farm.sexed, "place": place, "straws": 2});
        let (done, statements) = cost(world, client.post("/v1/receipts", receipt)).await;
        last = done.created();
        at_most(3, &format!("the {time} receipt"), &statements);
    }
    let reversal = format!("/v1/movements/{}/reversal", last["id"].as_str().unwrap());
    let (done, statements) = cost(world, client.post(&reversal, json!({"reason": "did_not_happen"}))).await;
    done.created();
    at_most(3, "a reversal", &statements);
    for canister in [2, 2] {
        let transfer =
            json!({"lot_id": farm.sexed, "from": farm.place(3), "to": farm.place(canister), "straws": 1});
        let (done, statements) = cost(world, client.post("/v1/transfers", transfer)).await;
        done.created();
        at_most(3, "a transfer", &statements);
    }
    // What was read and filled long ago is looked at by the clock; what tells of now, at once.
    for (path, record) in [
        ("nitrogen-readings", json!({"read_at": "2026-02-01T08:00:00Z", "depth_mm": 380})),
        ("refills", json!({"filled_at": "2026-02-01T08:00:00Z", "depth_after_mm": 425})),
    ] {
        let path = format!("/v1/tanks/{}/{path}", farm.tank);
        let (done, statements) = cost(world, client.post(&path, record)).await;
        done.created();
        at_most(3, &path, &statements);
    }
    let discard = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1, "reason": "dropped"});
    let (done, statements) = cost(world, client.post("/v1/discards", discard)).await;
    done.created();
    at_most(3, "a discard", &statements);

    // A service that is undone with its withdrawal.
    let taken =
        client.post("/v1/withdrawals", json!({"animal_id": spare, "lot_id": farm.sexed})).await.created();
    client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
    let lines = client.get(&format!("/v1/movements?animal_id={spare}")).await.expect(200);
    let reversal = format!("/v1/movements/{}/reversal", lines["items"][0]["id"].as_str().unwrap());
    let (done, statements) = cost(world, client.post(&reversal, json!({"reason": "did_not_happen"}))).await;
    done.created();
    at_most(4, "a reversal of a withdrawal with its service", &statements);

    // A count of three places costs as many as a count of one, and posting it one more for each line. Both differ from
    // the book, and so open an alert and clear it.
    let count = |canister: i64, straws: i64| json!({"lot_id": farm.sexed, "place": farm.place(canister), "straws": straws});
    let mut costs = Vec::new();
    for counts in [json!([count(1, 3)]), json!([count(1, 4), count(2, 3), count(3, 2)])] {
        let stocktake = json!({"tank_id": farm.tank, "counts": counts});
        let (taken, taking) = cost(world, client.post("/v1/stocktakes", stocktake)).await;
        let accept = format!("/v1/stocktakes/{}/acceptance", taken.created()["id"].as_str().unwrap());
        let (done, accepting) = cost(world, client.post(&accept, json!({}))).await;
        done.expect(200);
        costs.push((taking.len(), accepting.len()));
    }
    let [(taking, accepting), (taking_three, accepting_three)] = costs[..] else { unreachable!() };
    assert_eq!((taking, accepting + 2), (taking_three, accepting_three));
}

/// Reads that may cost more than three statements, and why.
fn most_of(path: &str) -> usize {
    match path {
        // The animal with her plan, the timed protocol that leads to it, the straws in question, the pedigree and the straws that
        // are out. Of a round: whose day it is, who is due, what farms ask for and for whom, which timed protocols lead to it, the straws that
        // hang, the pedigree of their matings and the straws that are out.
        "/v1/animals/{id}/next-service" => 5,
        "/v1/round" => 8,
        // The round's, her own entry, the straws that are out, the tanks and their records, the alerts, and how far the book is.
        "/v1/page" => 13,
        _ => 3,
    }
}

/// The path of something that is there; a new route says here what it is about.
async fn instance(client: &Client, farm: &Farm, path: &str) -> String {
    let first = async |list: &str| {
        let items = client.get(list).await.expect(200);
        items["items"][0]["id"].as_str().unwrap_or_else(|| panic!("nothing is in {list}")).to_owned()
    };
    let (list, rest) = path.split_once("/{id}").unwrap_or((path, ""));
    let tank = &farm.tank;
    let id = match list {
        // It is about a bath, and about a lot and a herd if they are named.
        "/v1/thaw-advice" => {
            return format!("{path}?bath_temp_c=35.6&lot_id={}&herd_id={}", farm.sexed, farm.herd);
        }
        _ if !path.contains('{') => return path.to_owned(),
        "/v1/tanks" => tank.clone(),
        "/v1/reports/lot-trace" => farm.sexed.clone(),
        "/v1/nitrogen-readings" | "/v1/refills" => {
            first(&format!("/v1/tanks/{tank}/{}", list.trim_start_matches("/v1/"))).await
        }
        "/v1/deliveries" => first(&format!("/v1/webhooks/{}/deliveries", first("/v1/webhooks").await)).await,
        list => first(list).await,
    };
    format!("{list}/{id}{rest}")
}

/// A farm with some of everything that can be read.
async fn some_of_everything(client: &Client) -> Farm {
    let farm = Farm::found(client).await;
    let hook = json!({"url": "https://farm.example/hook", "events": ["straw.withdrawn"]});
    client.make("/v1/webhooks", hook).await;
    client.make("/v1/alert-rules", json!({"kind": "stock.low", "below_straws": 20})).await;
    client.make("/v1/keys", json!({"name": "Barn phone", "role": "technician"})).await;
    for name in ["To watch", "The same"] {
        client.make("/v1/calendars", json!({"name": name})).await;
    }
    let planned = farm.animal(client, "0").await;
    let plan = json!({"choices": [{"sire_id": farm.sire}]}).to_string().into_bytes();
    let path = format!("/v1/animals/{planned}/mating-plan");
    let headers = [("content-type", "application/json")];
    client.send(reqwest::Method::PUT, &path, &headers, plan).await.created();
    for canister in [5, 6] {
        client
            .make("/v1/holds", json!({"tank_id": farm.tank, "canister": canister, "reason": "Doubt."}))
            .await;
    }
    for text in ["Heat seen.", "Another."] {
        client.make("/v1/requests", json!({"herd_id": farm.herd, "text": text})).await;
    }
    for name in ["Heifers", "Cows"] {
        let protocol = json!({"herd_id": farm.herd, "name": name, "prescribed_by": "Dr. Example",
                              "steps": [{"day": 1, "time": "08:00", "kind": "insemination", "text": "Inseminate"}]});
        let protocol = client.make("/v1/timed-protocols", protocol).await;
        let animals = [farm.animal(client, "8").await, farm.animal(client, "9").await];
        let body = json!({"animal_ids": animals, "starts_on": "2026-03-02"});
        client.post(&format!("/v1/timed-protocols/{protocol}/starts"), body).await.created();
    }
    for direction in ["in", "out"] {
        let lines = [1, 2].map(|_| json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1}));
        let party = json!({"name": "Invented Station"});
        client
            .make("/v1/consignments", json!({"direction": direction, "party": party, "lines": lines}))
            .await;
    }
    for (number, depth) in [("1", 400), ("2", 390), ("3", 380)] {
        let animal = farm.animal(client, number).await;
        let withdrawal =
            client.make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed})).await;
        client.make("/v1/services", json!({"withdrawal_id": withdrawal})).await;
        let count = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 9});
        client.make("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": [count]})).await;
        for (path, event) in [
            ("heats", json!({"method": "seen"})),
            ("pregnancy-checks", json!({"method": "ultrasound", "result": "unknown"})),
            ("calvings", json!({})),
            ("abortions", json!({})),
            ("do-not-breed", json!({"do_not_breed": false})),
        ] {
            let mut event = event;
            event["animal_id"] = json!(animal);
            client.make(&format!("/v1/{path}"), event).await;
        }
        let at = format!("2026-02-0{number}T08:00:00Z");
        let reading = json!({"read_at": at, "depth_mm": depth});
        client.make(&format!("/v1/tanks/{}/nitrogen-readings", farm.tank), reading).await;
        let refill = json!({"filled_at": at, "depth_after_mm": 425});
        client.make(&format!("/v1/tanks/{}/refills", farm.tank), refill).await;
    }
    farm
}

async fn every_read_costs_few_statements(world: &World) {
    let client = &world.manager;
    let farm = some_of_everything(client).await;
    counted(world, client).await;
    for (method, path, operation) in operations() {
        // An export is the whole list, page by page; what herd systems sent has its own story.
        if method != "GET" || path == "/v1/exports/{list}" || path == "/v1/ade-items/{id}" {
            continue;
        }
        let here = instance(client, &farm, path).await;
        let parameters = operation["parameters"].as_array();
        let is_list = parameters.is_some_and(|all| all.iter().any(|parameter| parameter["name"] == "limit"));
        if !is_list {
            let (read, statements) = cost(world, client.bytes(&here)).await;
            assert!(!read.1.is_empty(), "{here}");
            at_most(most_of(path), path, &statements);
            continue;
        }
        let (one, short) = cost(world, client.get(&format!("{here}?limit=1"))).await;
        one.expect(200);
        let (many, long) = cost(world, client.get(&format!("{here}?limit=100"))).await;
        many.expect(200);
        at_most(3, path, &long);
        assert_eq!(short.len(), long.len(), "{path} costs more for more");
    }
}

async fn a_list_for_herd_software_costs_the_same_however_long(world: &World) {
    let yard = Yard::of(world).await;
    let at = "2026-03-01T02:10:00Z";
    for number in 1..=8 {
        let (n, id) = (number.to_string(), format!("x-{number}"));
        let animal = yard.animal(&n).await;
        for (what, more) in [
            ("heats", json!({"certainty": "InHeat"})),
            ("pregnancy-checks", json!({"result": "Empty"})),
            ("parturitions", json!({})),
            ("abortions", json!({})),
            ("do-not-breeds", json!({"doNotBreed": false})),
            ("mating-recommendations", json!({"sireRecommendations": []})),
        ] {
            yard.send(what, &event(&id, &n, at, more)).await;
        }
        let told = cow(
            &id,
            json!({"identifier": {"scheme": "eu.bovine", "id": format!("XX 0417 {n}")},
            "managementTag": n, "alternativeIdentifiers": [],
            "parentage": [{"parentOf": {"scheme": "eu.bovine", "id": "1"}, "gender": "Male",
                           "identifier": {"scheme": "org.example.aicode", "id": "XA871"}}]}),
        );
        yard.send("animals", &told).await;
        yard.send("inseminations", &insemination(&id, &n, "2026-03-02T04:30:00Z", json!({}))).await;
        // What was entered here stands beside what came.
        yard.manager.make("/v1/services", json!({"animal_id": animal})).await;
        yard.manager.make("/v1/heats", json!({"animal_id": animal})).await;
    }
    counted(world, &yard.manager).await;
    for &kind in ItemKind::ALL {
        let path = format!("{}/{}", yard.at, kind.path());
        let (one, short) = cost(world, yard.manager.get(&format!("{path}?page-size=1"))).await;
        let id = one.expect(200)["member"][0]["id"].clone();
        let (many, long) = cost(world, yard.manager.get(&path)).await;
        let many = many.expect(200)["member"].as_array().unwrap().len();
        assert!(many >= 8, "{path} has {many}");
        at_most(3, &path, &long);
        assert_eq!(short.len(), long.len(), "{path} costs more for more");
        let (_, none) = cost(world, yard.manager.get(&format!("{path}?after=1000000"))).await;
        at_most(3, &path, &none);
        // An animal has no id; it is read by ours.
        let Some(id) = id.as_str() else { continue };
        let (single, statements) = cost(world, yard.manager.get(&format!("{path}/{id}"))).await;
        single.expect(200);
        at_most(3, &format!("{path}/{id}"), &statements);
    }
    let animal = yard.animal("99").await;
    let (single, statements) = cost(world, yard.manager.get(&format!("{}/animals/{animal}", yard.at))).await;
    single.expect(200);
    at_most(3, "an animal", &statements);
    // What comes in: the item is looked up, gathered, decided, written once and told again, whatever it names.
    let heat = event("one", "99", "2026-03-02T02:10:00Z", json!({"certainty": "InHeat"}));
    let (_, statements) = cost(world, yard.send("heats", &heat)).await;
    at_most(13, "a heat that comes in", &statements);
    let names = |n: usize| {
        (0..n).map(|n| json!({"scheme": format!("org.example.{n}"), "id": "XA871"})).collect::<Vec<_>>()
    };
    let mut costs = Vec::new();
    for (id, number, more) in [("few", "100", 1), ("many", "101", 9)] {
        yard.animal(number).await;
        let mut straw = sexed();
        straw["sireIdentifiers"].as_array_mut().unwrap().extend(names(more));
        let ai = insemination(id, number, "2026-03-02T04:30:00Z", straw);
        let (_, statements) = cost(world, yard.send("inseminations", &ai)).await;
        at_most(22, "an insemination that comes in", &statements);
        costs.push(statements.len());
    }
    // The first straw that is used enters the place outside to which all go.
    assert!(costs[1] <= costs[0], "more names cost more: {costs:?}");
    assert_eq!(yard.sexed_left().await, 8);
    let (_, statements) = cost(world, yard.manager.get("/ade/locations")).await;
    at_most(3, "/ade/locations", &statements);
}
