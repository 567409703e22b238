//! How many statements a request costs. A statement costs a hand-over between threads or a round trip whatever it
//! does, so their number is the speed of an act, and it must not depend on the length of a list.

use serde_json::{Value, json};

use tankside::domain::exchange::ade::ItemKind;

use crate::{
    ade::{Yard, cow, event, insemination},
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    an_act_costs_few_statements,
    moving_straws_costs_few_statements,
    a_read_costs_few_statements,
    a_page_costs_the_same_however_long,
    a_list_for_herd_software_costs_the_same_however_long
);

/// What the writer does for all acts of a batch: taking the lock and looking up the keys beside it.
fn is_the_writers_own(statement: &str) -> bool {
    statement.contains("update business set changed_at") || statement.contains("as has_open_alerts")
}

/// Does something and gives the statements that it cost.
async fn cost<T>(world: &World, act: impl Future<Output = T>) -> (T, Vec<&'static str>) {
    world.db().take_statements();
    let done = act.await;
    let mut statements = world.db().take_statements();
    statements.retain(|statement| !is_the_writers_own(statement));
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
    counted(world, client).await;

    // Where straws hang for the first time, and where they hung before.
    let mut last = Value::Null;
    for time in ["first", "second"] {
        let receipt = json!({"lot_id": farm.sexed, "place": place, "straws": 2});
        let (done, statements) = cost(world, client.post("/v1/receipts", receipt)).await;
        last = done.created();
        at_most(2, &format!("the {time} receipt"), &statements);
    }
    let reversal = format!("/v1/movements/{}/reversal", last["id"].as_str().unwrap());
    let (done, statements) = cost(world, client.post(&reversal, json!({"reason": "did_not_happen"}))).await;
    done.created();
    at_most(2, "a reversal", &statements);
    for canister in [2, 2] {
        let transfer =
            json!({"lot_id": farm.sexed, "from": farm.place(3), "to": farm.place(canister), "straws": 1});
        let (done, statements) = cost(world, client.post("/v1/transfers", transfer)).await;
        done.created();
        at_most(2, "a transfer", &statements);
    }
    let discard = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1, "reason": "dropped"});
    let (done, statements) = cost(world, client.post("/v1/discards", discard)).await;
    done.created();
    at_most(2, "a discard", &statements);

    // A service that is undone with its withdrawal.
    let taken =
        client.post("/v1/withdrawals", json!({"animal_id": spare, "lot_id": farm.sexed})).await.created();
    client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
    let lines = client.get(&format!("/v1/movements?animal_id={spare}")).await.expect(200);
    let reversal = format!("/v1/movements/{}/reversal", lines["items"][0]["id"].as_str().unwrap());
    let (done, statements) = cost(world, client.post(&reversal, json!({"reason": "did_not_happen"}))).await;
    done.created();
    at_most(4, "a reversal of a withdrawal with its service", &statements);

    // A count of three places costs as many as a count of one, but for the lines that it posts.
    let count = |canister: i64, straws: i64| json!({"lot_id": farm.sexed, "place": farm.place(canister), "straws": straws});
    for counts in [json!([count(1, 3)]), json!([count(1, 4), count(2, 3), count(3, 2)])] {
        let posted = counts.as_array().unwrap().len();
        let (taken, statements) =
            cost(world, client.post("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": counts}))).await;
        at_most(6, "a stocktake", &statements);
        let accept = format!("/v1/stocktakes/{}/acceptance", taken.created()["id"].as_str().unwrap());
        let (done, statements) = cost(world, client.post(&accept, json!({}))).await;
        done.expect(200);
        at_most(7 + posted, "accepting it", &statements);
    }
}

async fn a_read_costs_few_statements(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let service = farm.served(client, &animal, "2026-03-01T08:00:00+01:00").await;
    counted(world, client).await;

    let withdrawal = service["withdrawal_id"].as_str().unwrap_or_default();
    for (path, most) in [
        (format!("/v1/animals/{animal}"), 3),
        (format!("/v1/animals/{animal}/next-service"), 5),
        (format!("/v1/services/{}", service["id"].as_str().unwrap()), 3),
        (format!("/v1/lots/{}", farm.sexed), 3),
        ("/v1/stock".to_owned(), 3),
        ("/v1/business".to_owned(), 3),
        (format!("/v1/withdrawals/{withdrawal}"), 3),
    ] {
        let (answer, statements) = cost(world, client.get(&path)).await;
        if answer.status == 404 {
            continue;
        }
        answer.expect(200);
        at_most(most, &path, &statements);
    }
}

async fn a_page_costs_the_same_however_long(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    for number in 1..=8 {
        let animal = farm.animal(client, &number.to_string()).await;
        let taken: Value = client
            .post("/v1/withdrawals", json!({"animal_id": animal, "sire_id": farm.sire}))
            .await
            .expect(201);
        if number % 2 == 0 {
            client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
        }
    }
    counted(world, client).await;
    for path in [
        "/v1/animals",
        "/v1/withdrawals",
        "/v1/services",
        "/v1/movements",
        "/v1/stock",
        "/v1/lots",
        "/v1/sires",
        "/v1/tanks",
        "/v1/herds",
        "/v1/alerts",
        "/v1/changes",
        "/v1/audit",
        "/v1/heats",
        "/v1/webhooks",
        "/v1/stocktakes",
        "/v1/ade-items",
        "/v1/alert-rules",
    ] {
        let (one, short) = cost(world, client.get(&format!("{path}?limit=1"))).await;
        one.expect(200);
        let (many, long) = cost(world, client.get(&format!("{path}?limit=100"))).await;
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
    let (_, statements) = cost(world, yard.manager.get("/ade/locations")).await;
    at_most(3, "/ade/locations", &statements);
}
