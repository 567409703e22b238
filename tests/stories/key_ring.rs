//! Keys that a manager makes, replaces and revokes over HTTP.

use chrono::TimeDelta;
use reqwest::Method;
use serde_json::{Value, json};
use tankside::{
    book::access::key,
    domain::{
        access::{Role, key::MOST_KEYS},
        values::{BusinessId, Name, Timestamp},
    },
};
use uuid::Uuid;

use crate::{
    on_both_stores,
    statements::cost,
    world::{Client, Farm, World},
};

on_both_stores!(
    a_key_is_made_shown_once_and_revoked,
    a_key_says_whose_it_is,
    a_secret_is_replaced_in_peace,
    one_managers_key_stays,
    a_key_ends_by_itself,
    the_list_of_keys_is_sifted,
    what_is_wrong_with_a_key_is_said,
    a_business_has_so_many_good_keys_and_no_more,
    the_use_of_a_key_costs_no_act_anything,
    keys_cost_few_statements,
);

/// A caller with a new key, and the key as it was told.
async fn handed_out(client: &Client, key: Value) -> (Client, Value) {
    let made = client.post("/v1/keys", key).await.created();
    (client.with_key(made["secret"].as_str().unwrap()), made)
}

async fn a_key_is_made_shown_once_and_revoked(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let body = json!({"name": "Barn phone", "role": "technician"});
    let first = client.post_as("/v1/keys", "phone", body.clone()).await;
    assert_eq!(first.header("cache-control"), "no-store");
    let location = first.header("location").to_owned();
    let made = first.created();
    assert_eq!(location, format!("/v1/keys/{}", made["id"].as_str().unwrap()));
    let secret = made["secret"].as_str().unwrap();
    let phone = client.with_key(secret);
    let animal = farm.animal(client, "412").await;
    phone.post("/v1/heats", json!({"animal_id": animal})).await.created();
    phone.post("/v1/herds", json!({})).await.problem(403, "forbidden");
    // The answer that is kept under the Idempotency-Key has no secret, and no second key is made.
    let again = client.post_as("/v1/keys", "phone", body).await;
    assert_eq!(again.header("idempotent-replayed"), "true");
    let again = again.created();
    assert_eq!((&again["id"], &again["secret"]), (&made["id"], &Value::Null));
    let told = client.get(&location).await;
    assert!(!told.text.contains(secret), "{}", told.text);
    assert!(!client.get("/v1/audit").await.text.contains(secret));
    let mut told = told.expect(200);
    assert_eq!((&told["state"], &told["revoked_at"]), (&json!("good"), &Value::Null));
    told["secret"] = made["secret"].clone();
    assert_eq!(told, made);
    // Nothing of it is in the store but its hash.
    let mut tx = world.db().read().await.unwrap();
    let kept: Option<i64> =
        tx.sql("select count(*) from act where body like '%tks\\_%' escape '\\'").value().await.unwrap();
    assert_eq!(kept, Some(0));
    drop(tx);

    client.delete(&location).await.expect(204);
    phone.get("/v1/business").await.problem(401, "key-not-valid");
    let told = client.get(&location).await.expect(200);
    assert_eq!(told["state"], "revoked");
    world.pass(TimeDelta::minutes(1));
    client.delete(&location).await.expect(204);
    assert_eq!(client.get(&location).await.expect(200), told, "a second time changes nothing");
    // Who did what is on record.
    let audit = client.get("/v1/audit?limit=500").await.expect(200);
    let requests: Vec<_> = audit["items"].as_array().unwrap().iter().map(|act| &act["request"]).collect();
    assert!(
        requests.contains(&&json!("POST /v1/keys"))
            && requests.contains(&&json!(format!("DELETE {location}")))
    );
}

async fn a_key_says_whose_it_is(world: &World) {
    let client = &world.manager;
    let mine = client.get("/v1/keys/current").await.expect(200);
    assert_eq!((&mine["role"], &mine["name"]), (&json!("manager"), &json!("First manager key")));
    let business = client.get("/v1/business").await.expect(200);
    assert_eq!((&mine["business_id"], &mine["business_name"]), (&business["id"], &business["name"]));
    for role in Role::ALL {
        let key = json!({"name": format!("The {role}"), "role": role, "expires_at": "2026-06-01T00:00:00Z"});
        let (caller, made) = handed_out(client, key).await;
        let told = caller.get("/v1/keys/current").await.expect(200);
        for member in ["id", "name", "role", "expires_at", "state"] {
            assert_eq!(told[member], made[member], "{member}");
        }
        assert_eq!(told["expires_at"], "2026-06-01T00:00:00Z");
    }
    let next_door = world.neighbour().await.get("/v1/keys/current").await.expect(200);
    assert_eq!(next_door["business_name"], "Another business");
    // What is made there opens the book there, and is not seen here.
    let (there, made) =
        handed_out(&world.neighbour().await, json!({"name": "Next door", "role": "manager"})).await;
    assert_ne!(there.get("/v1/business").await.expect(200)["id"], business["id"]);
    let here = format!("/v1/keys/{}", made["id"].as_str().unwrap());
    client.get(&here).await.problem(404, "not-found");
    client.delete(&here).await.problem(404, "not-found");
    client.post(&format!("{here}/rotation"), json!({})).await.problem(404, "not-found");
    there.get("/v1/business").await.expect(200);
}

async fn a_secret_is_replaced_in_peace(world: &World) {
    let client = &world.manager;
    let (old, made) = handed_out(client, json!({"name": "Herd software", "role": "integration"})).await;
    let key = format!("/v1/keys/{}", made["id"].as_str().unwrap());
    let rotate = async |hours: i64| {
        let told = client.post(&format!("{key}/rotation"), json!({"overlap_hours": hours})).await.expect(200);
        (client.with_key(told["secret"].as_str().unwrap()), told)
    };
    let (new, told) = rotate(2).await;
    assert_eq!((&told["id"], &told["previous_until"]), (&made["id"], &json!("2026-03-02T07:00:00Z")));
    for caller in [&old, &new] {
        assert_eq!(caller.get("/v1/keys/current").await.expect(200)["id"], made["id"]);
    }
    world.set_clock("2026-03-02T07:59:59.999999+01:00");
    old.get("/v1/business").await.expect(200);
    world.set_clock("2026-03-02T08:00:00+01:00");
    let gone = old.get("/v1/business").await.problem(401, "key-not-valid");
    assert!(gone["detail"].as_str().unwrap().contains("replaced"), "{gone}");
    new.get("/v1/business").await.expect(200);
    // With no overlap the one before ends at once; a third ends the first.
    let (third, told) = rotate(0).await;
    assert_eq!(told["previous_until"], Value::Null);
    new.get("/v1/business").await.problem(401, "key-not-valid");
    let (fourth, _) = rotate(24).await;
    let (fifth, _) = rotate(24).await;
    third.get("/v1/business").await.problem(401, "key-not-valid");
    for caller in [&fourth, &fifth] {
        caller.get("/v1/business").await.expect(200);
    }
    // What is revoked is so with both its secrets, and is not replaced.
    client.delete(&key).await.expect(204);
    for caller in [&fourth, &fifth] {
        caller.get("/v1/business").await.problem(401, "key-not-valid");
    }
    let ended = client.post(&format!("{key}/rotation"), json!({})).await.problem(409, "key-ended");
    assert_eq!(ended["state"], "revoked");
    // A retry gets no secret, and says with which key it came.
    let (_, made) = handed_out(client, json!({"name": "Scale", "role": "reader"})).await;
    let path = format!("/v1/keys/{}/rotation", made["id"].as_str().unwrap());
    let first = client.post_as(&path, "scale", json!({})).await.expect(200);
    let again = client.post_as(&path, "scale", json!({})).await;
    assert_eq!(again.header("idempotent-replayed"), "true");
    assert_eq!(again.expect(200)["secret"], Value::Null);
    let caller = client.with_key(first["secret"].as_str().unwrap());
    caller.get("/v1/business").await.expect(200);
    // A manager may replace his own.
    let mine = client.get("/v1/keys/current").await.expect(200);
    let path = format!("/v1/keys/{}/rotation", mine["id"].as_str().unwrap());
    let mine = client.post(&path, json!({"overlap_hours": 0})).await.expect(200);
    client.get("/v1/business").await.problem(401, "key-not-valid");
    client.with_key(mine["secret"].as_str().unwrap()).get("/v1/keys").await.expect(200);
}

async fn one_managers_key_stays(world: &World) {
    let client = &world.manager;
    let mine = client.get("/v1/keys/current").await.expect(200)["id"].as_str().unwrap().to_owned();
    let mine = format!("/v1/keys/{mine}");
    // Neither a technician's nor one that has ended can make others.
    handed_out(client, json!({"name": "Barn phone", "role": "technician"})).await;
    let (_, short) = handed_out(
        client,
        json!({"name": "For an hour", "role": "manager", "expires_at": "2026-03-02T07:00:00+01:00"}),
    )
    .await;
    world.pass(TimeDelta::hours(1));
    let told = client.delete(&mine).await.problem(409, "last-manager-key");
    assert!(told["detail"].as_str().unwrap().contains("make another manager's key first"), "{told}");
    client.get("/v1/business").await.expect(200);
    client.delete(&format!("/v1/keys/{}", short["id"].as_str().unwrap())).await.expect(204);
    let (other, made) = handed_out(client, json!({"name": "Office", "role": "manager"})).await;
    other.delete(&mine).await.expect(204);
    client.get("/v1/business").await.problem(401, "key-not-valid");
    let last = format!("/v1/keys/{}", made["id"].as_str().unwrap());
    other.delete(&last).await.problem(409, "last-manager-key");
    // Another business's managers do not help.
    world.neighbour().await;
    other.delete(&last).await.problem(409, "last-manager-key");
}

async fn a_key_ends_by_itself(world: &World) {
    let client = &world.manager;
    let key = json!({"name": "Relief", "role": "technician", "expires_at": "2026-03-02T07:00:00+01:00"});
    let (relief, made) = handed_out(client, key).await;
    let key = format!("/v1/keys/{}", made["id"].as_str().unwrap());
    relief.get("/v1/business").await.expect(200);
    world.set_clock("2026-03-02T07:00:00+01:00");
    relief.get("/v1/business").await.problem(401, "key-not-valid");
    assert_eq!(client.get(&key).await.expect(200)["state"], "expired");
    let ended = client.post(&format!("{key}/rotation"), json!({})).await.problem(409, "key-ended");
    assert_eq!(ended["state"], "expired");
}

async fn the_list_of_keys_is_sifted(world: &World) {
    let client = &world.manager;
    let make = async |name: &str, role: &str, end: Option<&str>| {
        let key = json!({"name": name, "role": role, "expires_at": end});
        client.make("/v1/keys", key).await
    };
    let phone = make("Barn phone", "technician", None).await;
    let relief = make("Relief", "technician", Some("2026-03-02T07:00:00+01:00")).await;
    let screen = make("Screen", "reader", None).await;
    client.delete(&format!("/v1/keys/{screen}")).await.expect(204);
    world.set_clock("2026-03-02T07:00:00+01:00");
    let names = async |query: &str| {
        let page = client.get(&format!("/v1/keys?{query}")).await.expect(200);
        page["items"].as_array().unwrap().iter().map(|key| key["id"].clone()).collect::<Vec<_>>()
    };
    assert_eq!(names("state=expired").await, [json!(relief)]);
    assert_eq!(names("state=revoked").await, [json!(screen)]);
    assert_eq!(names("role=technician").await, [json!(phone), json!(relief)]);
    assert_eq!(names("role=technician&state=good").await, [json!(phone)]);
    assert_eq!(names("").await.len(), 4);
    for (query, named) in
        [("state=open", "good, expired, revoked"), ("role=owner", "manager"), ("name=x", "role")]
    {
        let wrong = client.get(&format!("/v1/keys?{query}")).await.problem(400, "invalid-query");
        assert!(wrong["detail"].as_str().unwrap().contains(named), "{wrong}");
    }
    let page = client.get("/v1/keys?limit=3").await.expect(200);
    let rest =
        client.get(&format!("/v1/keys?limit=3&cursor={}", page["next_cursor"].as_str().unwrap())).await;
    assert_eq!(rest.expect(200)["items"].as_array().unwrap().len(), 1);
}

async fn what_is_wrong_with_a_key_is_said(world: &World) {
    let client = &world.manager;
    let none = Uuid::now_v7().to_string();
    let count = async || client.get("/v1/keys").await.expect(200)["items"].as_array().unwrap().len();
    let before = count().await;
    for (body, pointer) in [
        (json!({"role": "reader"}), "#/name"),
        (json!({"name": "", "role": "reader"}), "#/name"),
        (json!({"name": "A\u{202e}B", "role": "reader"}), "#/name"),
        (json!({"name": "A"}), "#/role"),
        (json!({"name": "A", "role": "owner"}), "#/role"),
        (json!({"name": "A", "role": "reader", "expires_at": "2026-03-02T05:00:00Z"}), "#/expires_at"),
        (json!({"name": "A", "role": "reader", "expires_at": "2025-01-01T00:00:00Z"}), "#/expires_at"),
        (json!({"name": "A", "role": "reader", "expires_at": "tomorrow"}), "#/expires_at"),
        // Whose book it opens follows from the manager's own key.
        (json!({"name": "A", "role": "reader", "business_id": none}), "#/business_id"),
        (json!({"name": "A", "role": "reader", "secret": "tks_mine"}), "#/secret"),
    ] {
        let answer = client.post("/v1/keys", body.clone()).await;
        assert_eq!(answer.pointers(), [pointer], "{body}");
        answer.problem(422, "invalid-input");
    }
    assert_eq!(count().await, before);
    let (_, made) = handed_out(client, json!({"name": "Scale", "role": "reader"})).await;
    let path = format!("/v1/keys/{}/rotation", made["id"].as_str().unwrap());
    for hours in [json!(-1), json!(721), json!(1.5), json!("2")] {
        let answer = client.post(&path, json!({"overlap_hours": hours})).await;
        assert_eq!(answer.pointers(), ["#/overlap_hours"]);
        answer.problem(422, "invalid-input");
    }
    // Nothing needs to be said.
    client.send(Method::POST, &path, &[], Vec::new()).await.expect(200);
}

async fn a_business_has_so_many_good_keys_and_no_more(world: &World) {
    let client = &world.manager;
    let business = client.get("/v1/business").await.expect(200)["id"].clone();
    let business = BusinessId(business.as_str().unwrap().parse().unwrap());
    let good =
        client.get("/v1/keys?state=good&limit=500").await.expect(200)["items"].as_array().unwrap().len();
    let now = Timestamp::from(world.now());
    let mut tx = world.db().write().await.unwrap();
    // One that has ended does not count.
    let ended = [Some(now.plus(-TimeDelta::hours(1)))];
    let others = MOST_KEYS - i64::try_from(good).unwrap() - 1;
    for expires_at in ended.into_iter().chain((0..others).map(|_| None)) {
        let name = Name::parse("Phone").unwrap();
        key::create(&mut tx, business, name, Role::Reader, expires_at, now).await.unwrap();
    }
    tx.commit().await.unwrap();
    let new = json!({"name": "The last", "role": "reader"});
    let (_, last) = handed_out(client, new.clone()).await;
    client.post("/v1/keys", new.clone()).await.problem(409, "too-many-keys");
    client.delete(&format!("/v1/keys/{}", last["id"].as_str().unwrap())).await.expect(204);
    client.post("/v1/keys", new).await.created();
}

async fn the_use_of_a_key_costs_no_act_anything(world: &World) {
    let client = &world.manager;
    let (phone, made) = handed_out(client, json!({"name": "Barn phone", "role": "reader"})).await;
    let key = format!("/v1/keys/{}", made["id"].as_str().unwrap());
    let used = async || client.get(&key).await.expect(200)["last_used_at"].clone();
    assert_eq!(used().await, Value::Null);
    phone.get("/v1/business").await.expect(200);
    assert_eq!(used().await, Value::Null, "it is written by the clock, not by the request");
    world.look_round().await;
    assert_eq!(used().await, "2026-03-02T05:00:00Z");
    world.pass(TimeDelta::minutes(30));
    phone.get("/v1/business").await.expect(200);
    world.look_round().await;
    assert_eq!(used().await, "2026-03-02T05:00:00Z", "at most once an hour");
    world.pass(TimeDelta::minutes(30));
    world.look_round().await;
    assert_eq!(used().await, "2026-03-02T05:30:00Z");
}

async fn keys_cost_few_statements(world: &World) {
    let client = &world.manager;
    world.stop_clockwork().await;
    world.db().record_statements();
    client.get("/v1/business").await.expect(200);
    let at_most = |most: usize, statements: &[&str]| {
        assert!((1..=most).contains(&statements.len()), "{}", statements.join("\n--\n"));
    };
    let key = json!({"name": "Barn phone", "role": "technician"});
    let (made, statements) = cost(world, client.post("/v1/keys", key)).await;
    at_most(3, &statements);
    let path = format!("/v1/keys/{}", made.created()["id"].as_str().unwrap());
    let (done, statements) = cost(world, client.post(&format!("{path}/rotation"), json!({}))).await;
    done.expect(200);
    at_most(3, &statements);
    let (done, statements) = cost(world, client.delete(&path)).await;
    done.expect(204);
    at_most(3, &statements);
}
