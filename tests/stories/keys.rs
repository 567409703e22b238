//! Who may do what: no key, a wrong one, one that is no longer good, and what each role may.

use chrono::TimeDelta;
use reqwest::Method;
use serde_json::{Value, json};
use tankside::{
    book::access::key::{self, Secret},
    domain::{
        access::Role,
        values::{Name, Timestamp},
    },
    store::{self, Db},
};
use uuid::Uuid;

use crate::{
    on_both_stores,
    world::{Answer, Client, Farm, MORNING, World, instant, operations},
};

on_both_stores!(
    nothing_is_done_without_a_key,
    a_key_that_is_not_one_is_refused,
    a_key_ends_when_it_expires_or_is_revoked,
    each_role_may_what_the_table_says,
    setting_a_rule_aside_is_for_managers,
    a_key_is_nowhere_told_again,
);

const JSON: (&str, &str) = ("content-type", "application/json");
const ONCE: (&str, &str) = ("idempotency-key", "role");

/// An operation's path with an id that is not in the book.
fn filled(path: &str) -> String {
    path.replace("{id}", &Uuid::now_v7().to_string())
}

#[track_caller]
fn unauthorized(answer: Answer, slug: &str) {
    // RFC 9110, section 11.6.1: a 401 must say how to authenticate.
    assert!(answer.header("www-authenticate").starts_with("Bearer"), "{answer:?}");
    answer.problem(401, slug);
}

async fn nothing_is_done_without_a_key(world: &World) {
    let client = &world.manager;
    for (method, path, _) in operations() {
        let path = filled(path);
        for body in ["{}", "{", ""] {
            let answer =
                client.send_without_key(method.clone(), &path, &[JSON, ONCE], body.as_bytes().to_vec()).await;
            unauthorized(answer, "key-missing");
        }
    }
    // Nor does anyone learn what there is and what not.
    let answer = client.send_without_key(Method::GET, "/v1/nothing", &[], vec![]).await;
    unauthorized(answer, "key-missing");
    let answer = client.send_without_key(Method::DELETE, "/v1/herds", &[], vec![]).await;
    unauthorized(answer, "key-missing");
    for sent in [
        "",
        "Bearer",
        "Basic dXNlcjpwYXNz",
        &format!("Basic {}", client.key),
        &format!("Token {}", client.key),
        &format!("Bearer{}", client.key),
        &client.key,
    ] {
        let answer =
            client.send_without_key(Method::GET, "/v1/business", &[("authorization", sent)], vec![]).await;
        unauthorized(answer, "key-missing");
    }
    // Never in the URL, where logs would keep it.
    for name in ["key", "api_key", "access_token", "token"] {
        let path = format!("/v1/business?{name}={}", client.key);
        unauthorized(client.send_without_key(Method::GET, &path, &[], vec![]).await, "key-missing");
    }
    // RFC 9110, section 11.1: the scheme is written in any case.
    for scheme in ["Bearer", "bearer", "BEARER"] {
        let sent = format!("{scheme} {}", client.key);
        let headers = [("authorization", sent.as_str())];
        client.send_without_key(Method::GET, "/v1/business", &headers, vec![]).await.expect(200);
    }
}

async fn a_key_that_is_not_one_is_refused(world: &World) {
    let client = &world.manager;
    let ask = async |key: &str| client.with_key(key).get("/v1/business").await;
    let mut last = client.key.clone().into_bytes();
    let end = last.len() - 1;
    last[end] = if last[end] == b'0' { b'1' } else { b'0' };
    let mistyped = [
        String::from_utf8(last).unwrap(),
        client.key[..client.key.len() - 1].to_owned(),
        format!("{}0", client.key),
        client.key.to_lowercase(),
        client.key.replacen("tks_", "tkx_", 1),
        format!("{0} {0}", client.key),
        "tks_".to_owned(),
        "x".to_owned(),
        "tks__".to_owned(),
        "x".repeat(5000),
    ];
    for key in mistyped {
        let answer = ask(&key).await;
        assert!(answer.body["detail"].as_str().unwrap().contains("typing mistake"), "{answer:?}");
        unauthorized(answer, "key-not-valid");
    }
    // Well-formed, and not of this store.
    unauthorized(ask(Secret::random().unwrap().reveal()).await, "key-not-valid");
    let answer = client
        .send_without_key(Method::GET, "/v1/business", &[("authorization", "Bearer tks_é")], vec![])
        .await;
    assert_eq!(answer.status, 401);
}

async fn a_key_ends_when_it_expires_or_is_revoked(world: &World) {
    let client = &world.manager;
    let expires_at = Timestamp::from(instant(MORNING) + TimeDelta::hours(1));
    let db = Db::open(&world.database_url).await.unwrap();
    let mut tx = db.write().await.unwrap();
    let business = store::access::business::all(&mut tx).await.unwrap()[0].id;
    let name = Name::parse("For an hour").unwrap();
    let now = Timestamp::from(instant(MORNING));
    let (_, short) =
        key::create(&mut tx, business, name, Role::Manager, Some(expires_at), now).await.unwrap();
    tx.commit().await.unwrap();
    let short = client.with_key(short.reveal());
    world.set_clock("2026-03-02T06:59:59.999999+01:00");
    short.get("/v1/business").await.expect(200);
    world.set_clock("2026-03-02T07:00:00+01:00");
    unauthorized(short.get("/v1/business").await, "key-not-valid");

    let lost = world.caller(Role::Technician).await;
    lost.get("/v1/business").await.expect(200);
    // Through the service's own handle it stops at once; through another process within five seconds.
    let mut tx = world.db().write().await.unwrap();
    let key = store::access::key::all(&mut tx)
        .await
        .unwrap()
        .into_iter()
        .map(|found| found.key)
        .max_by_key(|key| key.id)
        .unwrap();
    assert_eq!(key.role, Role::Technician);
    assert!(store::access::key::revoke(&mut tx, key.id, now).await.unwrap());
    tx.commit().await.unwrap();
    unauthorized(lost.get("/v1/business").await, "key-not-valid");
    let heat = json!({"animal_id": Uuid::now_v7()});
    unauthorized(lost.post("/v1/heats", heat).await, "key-not-valid");
    client.get("/v1/business").await.expect(200);
    db.close().await;
}

/// What each role may: operations that change something, and who may do them. Who has a key may
/// do all the others, which read.
const TABLE: &[(&str, &[Role])] = &[
    ("POST /v1/herds", &[Role::Manager]),
    ("PATCH /v1/herds/{id}", &[Role::Manager]),
    ("POST /v1/tanks", &[Role::Manager]),
    ("PATCH /v1/tanks/{id}", &[Role::Manager]),
    ("POST /v1/sires", &[Role::Manager]),
    ("PATCH /v1/sires/{id}", &[Role::Manager]),
    ("POST /v1/lots", &[Role::Manager]),
    ("PATCH /v1/lots/{id}", &[Role::Manager]),
    ("POST /v1/animals", &[Role::Technician, Role::Integration, Role::Manager]),
    ("PATCH /v1/animals/{id}", &[Role::Technician, Role::Integration, Role::Manager]),
    ("PUT /v1/animals/{id}/mating-plan", &[Role::Technician, Role::Integration, Role::Manager]),
    ("DELETE /v1/animals/{id}/mating-plan", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/heats", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/pregnancy-checks", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/calvings", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/abortions", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/do-not-breed", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/receipts", &[Role::Technician, Role::Manager]),
    ("POST /v1/withdrawals", &[Role::Technician, Role::Manager]),
    ("POST /v1/withdrawals/{id}/thaw", &[Role::Technician, Role::Manager]),
    ("POST /v1/withdrawals/{id}/discard", &[Role::Technician, Role::Manager]),
    ("POST /v1/services", &[Role::Technician, Role::Manager]),
    ("POST /v1/services/{id}/reversal", &[Role::Technician, Role::Manager]),
    ("POST /v1/withdrawals/batch", &[Role::Technician, Role::Manager]),
    ("POST /v1/consignments", &[Role::Technician, Role::Manager]),
    ("POST /v1/requests", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/timed-protocols", &[Role::Manager]),
    ("PATCH /v1/timed-protocols/{id}", &[Role::Manager]),
    ("DELETE /v1/timed-protocols/{id}", &[Role::Manager]),
    ("POST /v1/timed-protocols/{id}/starts", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/protocol-starts/{id}/stopping", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/protocol-starts/{id}/steps", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/requests/{id}/closing", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/calendars", &[Role::Manager]),
    ("GET /v1/calendars", &[Role::Manager]),
    ("GET /v1/calendars/{id}", &[Role::Manager]),
    ("DELETE /v1/calendars/{id}", &[Role::Manager]),
    ("POST /v1/transfers", &[Role::Technician, Role::Manager]),
    ("POST /v1/discards", &[Role::Technician, Role::Manager]),
    ("POST /v1/movements/{id}/reversal", &[Role::Technician, Role::Manager]),
    ("POST /v1/stocktakes", &[Role::Technician, Role::Manager]),
    ("POST /v1/stocktakes/{id}/acceptance", &[Role::Technician, Role::Manager]),
    ("POST /v1/holds", &[Role::Technician, Role::Manager]),
    ("DELETE /v1/holds/{id}", &[Role::Technician, Role::Manager]),
    ("POST /v1/alerts/{id}/acknowledgement", &[Role::Technician, Role::Manager]),
    ("POST /v1/alert-rules", &[Role::Manager]),
    ("PATCH /v1/alert-rules/{id}", &[Role::Manager]),
    ("DELETE /v1/alert-rules/{id}", &[Role::Manager]),
    ("POST /v1/tanks/{id}/nitrogen-readings", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/tanks/{id}/refills", &[Role::Technician, Role::Integration, Role::Manager]),
    ("POST /v1/tanks/{id}/repairs", &[Role::Technician, Role::Integration, Role::Manager]),
    ("PUT /v1/price-list", &[Role::Manager]),
    ("POST /v1/webhooks", &[Role::Manager]),
    ("GET /v1/webhooks", &[Role::Manager]),
    ("GET /v1/webhooks/{id}", &[Role::Manager]),
    ("PATCH /v1/webhooks/{id}", &[Role::Manager]),
    ("DELETE /v1/webhooks/{id}", &[Role::Manager]),
    ("POST /v1/webhooks/{id}/pause", &[Role::Manager]),
    ("POST /v1/webhooks/{id}/resume", &[Role::Manager]),
    ("POST /v1/webhooks/{id}/secret-rotation", &[Role::Manager]),
    ("POST /v1/webhooks/{id}/test", &[Role::Manager]),
    ("POST /v1/webhooks/{id}/redelivery", &[Role::Manager]),
    ("GET /v1/webhooks/{id}/deliveries", &[Role::Manager]),
    ("GET /v1/deliveries/{id}", &[Role::Manager]),
    ("POST /v1/deliveries/{id}/redelivery", &[Role::Manager]),
    ("POST /v1/ade-items/{id}/resolution", &[Role::Technician, Role::Manager]),
    ("GET /v1/audit", &[Role::Manager]),
    ("POST /v1/keys", &[Role::Manager]),
    ("DELETE /v1/business/book", &[Role::Manager]),
    ("POST /v1/imports/{list}", &[Role::Manager]),
    ("POST /v1/batch", &[Role::Technician, Role::Integration, Role::Manager]),
    ("GET /v1/keys", &[Role::Manager]),
    ("GET /v1/keys/{id}", &[Role::Manager]),
    ("DELETE /v1/keys/{id}", &[Role::Manager]),
    ("POST /v1/keys/{id}/rotation", &[Role::Manager]),
];

/// Who may do an operation.
pub fn who_may(method: &Method, operation: &str) -> &'static [Role] {
    match TABLE.iter().find(|(listed, _)| *listed == operation) {
        Some((_, may)) => may,
        None if *method == Method::GET => Role::ALL,
        None => panic!("{operation} changes something: say in the table who may"),
    }
}

async fn each_role_may_what_the_table_says(world: &World) {
    let mut callers = Vec::new();
    for role in Role::ALL {
        callers.push((*role, world.caller(*role).await));
    }
    let known: Vec<String> =
        operations().iter().map(|(method, path, _)| format!("{method} {path}")).collect();
    for (operation, _) in TABLE {
        assert!(known.iter().any(|known| known == operation), "{operation} is gone: strike it off the table");
    }
    for ((method, path, _), operation) in operations().iter().zip(&known) {
        let may = who_may(method, operation);
        for (role, caller) in &callers {
            let before = caller.get("/v1/business").await.expect(200);
            // Without a right body, so that whoever may hears what is wrong with it.
            // Advice is about a bath.
            let bath = if path == "/v1/thaw-advice" { "?bath_temp_c=35.6" } else { "" };
            let here = format!("{}{bath}", filled(path));
            let answer = caller.send(method.clone(), &here, &[JSON, ONCE], b"[]".to_vec()).await;
            if may.contains(role) {
                // This is no test business.
                let is_kept = answer.slug() == "not-a-test-business";
                assert!(
                    is_kept || [200, 404, 422].contains(&answer.status),
                    "{role} {operation}: {answer:?}"
                );
            } else {
                let told = answer.problem(403, "forbidden");
                let detail = told["detail"].as_str().unwrap();
                let (whose, suffice) = detail.split_once("; ").unwrap();
                assert!(whose.starts_with(&format!("A {role}'s key may not ")), "{detail}");
                // It names the roles that may, all of them and no other.
                for role in Role::ALL {
                    let named = suffice.contains(&format!("{role}'s"));
                    assert_eq!(named, may.contains(role), "{operation}: {role}: {detail}");
                }
            }
            assert_eq!(caller.get("/v1/business").await.expect(200), before);
        }
    }
}

async fn setting_a_rule_aside_is_for_managers(world: &World) {
    let manager = &world.manager;
    let technician = world.caller(Role::Technician).await;
    let farm = Farm::found(manager).await;
    let animal = farm.animal(manager, "1").await;
    let aside = json!({"animal_id": animal, "lot_id": farm.conventional, "override": {"reason": "agreed"}});
    technician.post("/v1/withdrawals", aside.clone()).await.problem(403, "forbidden");
    assert_eq!(farm.straws(manager, &farm.conventional).await, 10);
    let taken = manager.make("/v1/withdrawals", aside).await;
    let hot = json!({"bath_temp_c": 39.0, "override": {"reason": "no other"}});
    let thaw = format!("/v1/withdrawals/{taken}/thaw");
    technician.post(&thaw, hot.clone()).await.problem(403, "forbidden");
    manager.post(&thaw, hot).await.expect(200);
    // With nothing to set aside, a technician's reason does no harm and is not kept.
    let needless = json!({"animal_id": animal, "lot_id": farm.sexed, "override": {"reason": "habit"}});
    let taken = technician.post("/v1/withdrawals", needless).await.created();
    assert_eq!((&taken["override_reason"], &taken["deviations"]), (&Value::Null, &json!([])));
}

async fn a_key_is_nowhere_told_again(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let secret = &client.key;
    let hash = key::hash(secret).unwrap();
    let told = async |client: &Client, path: &str| {
        let answer = client.get(path).await;
        assert!(!answer.text.contains(secret.as_str()) && !answer.text.contains(&hash), "{path}");
    };
    for (method, path, _) in operations() {
        if method == Method::GET {
            told(client, &path.replace("{id}", &farm.herd)).await;
        }
    }
    told(&client.at(&world.metrics_base), "/metrics").await;
    for path in ["/docs", "/openapi.json", "/readyz", &format!("/v1/{secret}")] {
        told(client, path).await;
    }
}
