//! Alerts: told once, told again at most daily, over when their cause is; and each step is an event in the
//! transaction of its cause.

use chrono::TimeDelta;
use serde_json::{Value, json};
use tankside::{domain::access::Role, store::Db};

use crate::{
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    crossing_the_threshold_is_told_once,
    an_alert_opens_and_clears_apart,
    a_reversal_that_lifts_the_stock_clears,
    only_the_narrowest_rule_decides,
    what_moves_elsewhere_or_may_not_be_used_counts_right,
    a_rule_finds_what_is_wrong_already_and_takes_its_alerts_with_it,
    an_alert_is_told_again_at_most_daily,
    what_is_acknowledged_stays_quiet,
    a_straw_that_is_not_accounted_for_is_told,
    a_late_phone_is_no_alarm,
    after_a_long_stop_each_is_told_once,
    an_override_is_told_to_those_who_did_not_decide_it,
    a_stocktake_that_differs_is_told,
    a_forecast_opens_and_clears_an_alert,
    the_outlook_says_what_it_rests_on,
    a_rule_must_make_sense,
);

/// Somebody wants to be told, so that events are kept; he is told later.
pub async fn listen(world: &World) {
    let client = &world.manager;
    let webhook = client.make("/v1/webhooks", json!({"url": "https://herd.example.org/in"})).await;
    client.post(&format!("/v1/webhooks/{webhook}/pause"), json!({})).await.expect(200);
}

/// The events of alerts so far: topic and phase.
pub async fn told(world: &World) -> Vec<String> {
    #[derive(sqlx::FromRow)]
    struct Row {
        topic: String,
        phase: String,
        data: Value,
    }
    let db = Db::open(&world.database_url).await.unwrap();
    let mut tx = db.read().await.unwrap();
    let rows: Vec<Row> = tx.sql("select topic, phase, data from outbox order by seq").all().await.unwrap();
    drop(tx);
    db.close().await;
    let alerts = rows.into_iter().filter(|row| row.data["alert_id"].is_string());
    alerts
        .map(|row| {
            let text = row.data.to_string();
            assert!(!text.contains("technician") && !text.contains("agreed"), "a person is in it: {text}");
            assert!(row.data["text"].is_string() && row.data["about"].is_object());
            format!("{} {}", row.topic, row.phase)
        })
        .collect()
}

pub async fn alerts(client: &Client, query: &str) -> Vec<Value> {
    let page = client.get(&format!("/v1/alerts?limit=500&{query}")).await.expect(200);
    page["items"].as_array().unwrap().clone()
}

pub async fn open(client: &Client) -> Vec<Value> {
    alerts(client, "open=true").await
}

pub fn take(animal: &str, lot: &str) -> Value {
    json!({"animal_id": animal, "lot_id": lot, "technician": "T. Example"})
}

/// Takes straws one by one, each for an animal of its own that is served at once.
async fn used(farm: &Farm, client: &Client, lot: &str, straws: usize) {
    for _ in 0..straws {
        let animal = farm.animal(client, "412").await;
        let taken = client.make("/v1/withdrawals", take(&animal, lot)).await;
        client.post("/v1/services", json!({"withdrawal_id": taken})).await.created();
    }
}

async fn crossing_the_threshold_is_told_once(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let rule =
        json!({"kind": "stock.low", "sire_id": farm.sire, "semen_type": "sexed_female", "below_straws": 9});
    client.post("/v1/alert-rules", rule).await.created();
    let animal = farm.animal(client, "412").await;
    client.post("/v1/withdrawals", take(&animal, &farm.sexed)).await.created();
    assert_eq!(open(client).await, Vec::<Value>::new(), "nine are not fewer than nine");

    let first = client.post_as("/v1/withdrawals", "barn-1", take(&animal, &farm.sexed)).await.created();
    let alert = open(client).await.remove(0);
    assert_eq!((&alert["kind"], &alert["sire_id"]), (&json!("stock.low"), &json!(farm.sire)));
    assert_eq!(alert["figures"], json!({"straws": 8, "measured": 8.0, "threshold": 9.0}));
    let text = alert["text"].as_str().unwrap();
    assert_eq!(text, "Invented One, sexed (female): 8 straws left; told at fewer than 9.");
    assert!(alert["advice"].as_str().unwrap().contains("Order straws"));
    let path = format!("/v1/alerts/{}", alert["id"].as_str().unwrap());
    assert_eq!(client.get(&path).await.expect(200), alert);
    // Its subject leads to the straws that it is about.
    let outlook = client.get(alert["subject"].as_str().unwrap()).await.expect(200);
    assert_eq!(outlook["items"][0]["straws"], 8);

    // The phone sends it again, and more is taken: it is told already.
    let again = client.post_as("/v1/withdrawals", "barn-1", take(&animal, &farm.sexed)).await;
    assert_eq!(again.header("idempotent-replayed"), "true");
    assert_eq!(again.created(), first);
    used(&farm, client, &farm.sexed, 3).await;
    assert_eq!(open(client).await.len(), 1);
    assert_eq!(told(world).await, ["stock.low happened"]);

    // None left of one that was told low, and of another that nobody asked about.
    client.post("/v1/alert-rules", json!({"kind": "stock.out"})).await.created();
    used(&farm, client, &farm.sexed, 5).await;
    assert_eq!(farm.straws(client, &farm.sexed).await, 0);
    assert_eq!(told(world).await, ["stock.low happened", "stock.out happened"]);
    farm.receive(client, &farm.sexed, 3, 20).await;
    assert_eq!(told(world).await[2..], ["stock.low cleared", "stock.out cleared"]);
    assert_eq!(open(client).await, Vec::<Value>::new());
    let over = alerts(client, "open=false").await;
    assert_eq!(over[0]["clear_reason"], "20 straws hang there now.");
    // Crossed again, it is another alert.
    used(&farm, client, &farm.sexed, 12).await;
    assert_ne!(open(client).await[0]["id"], alert["id"]);
}

async fn an_alert_opens_and_clears_apart(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let rule = json!({"kind": "stock.low", "lot_id": farm.sexed, "below_straws": 9, "clear_at": 12});
    client.post("/v1/alert-rules", rule).await.created();
    used(&farm, client, &farm.sexed, 2).await;
    for (came, over) in [(1, false), (2, false), (1, true)] {
        farm.receive(client, &farm.sexed, 3, came).await;
        assert_eq!(open(client).await.is_empty(), over, "after {came} more");
    }
    used(&farm, client, &farm.sexed, 3).await;
    assert_eq!(open(client).await, Vec::<Value>::new(), "9 of 9");
    assert_eq!(told(world).await, ["stock.low happened", "stock.low cleared"]);
}

async fn a_reversal_that_lifts_the_stock_clears(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let rule = json!({"kind": "stock.low", "tank_id": farm.tank, "below_straws": 10});
    client.post("/v1/alert-rules", rule).await.created();
    let animal = farm.animal(client, "412").await;
    client.post("/v1/withdrawals", take(&animal, &farm.sexed)).await.created();
    let alert = open(client).await.remove(0);
    assert_eq!((&alert["tank_id"], &alert["herd_id"]), (&json!(farm.tank), &json!(farm.herd)));
    let ledger = client.get("/v1/movements").await.expect(200);
    let line = ledger["items"][2]["id"].as_str().unwrap();
    let path = format!("/v1/movements/{line}/reversal");
    client.post(&path, json!({"reason": "wrong_data"})).await.created();
    assert_eq!(open(client).await, Vec::<Value>::new());
    // What is refused and what is thrown away count as they should, too.
    let discard =
        |straws| json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": straws, "reason": "exposed"});
    client.post("/v1/discards", discard(11)).await.problem(409, "not-in-stock");
    assert_eq!(open(client).await, Vec::<Value>::new());
    client.post("/v1/discards", discard(1)).await.created();
    assert_eq!(told(world).await, ["stock.low happened", "stock.low cleared", "stock.low happened"]);
}

async fn only_the_narrowest_rule_decides(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    for rule in [
        json!({"kind": "stock.low", "below_straws": 10}),
        json!({"kind": "stock.low", "sire_id": farm.sire, "semen_type": "sexed_female", "below_straws": 3}),
        json!({"kind": "stock.low", "sire_id": farm.sire, "semen_type": "conventional", "enabled": false}),
    ] {
        client.post("/v1/alert-rules", rule).await.created();
    }
    used(&farm, client, &farm.sexed, 7).await;
    let place = farm.place(4);
    let gone = json!({"lot_id": farm.conventional, "place": place, "straws": 10, "reason": "exposed"});
    client.post("/v1/discards", gone).await.created();
    world.look_round().await;
    assert_eq!(open(client).await, Vec::<Value>::new(), "3 are not fewer than 3, and the other is silenced");
    used(&farm, client, &farm.sexed, 1).await;
    assert_eq!(open(client).await[0]["figures"]["threshold"], 3.0);
    let twice = json!({"kind": "stock.low", "below_straws": 4});
    client.post("/v1/alert-rules", twice).await.problem(409, "in-use");
}

async fn what_moves_elsewhere_or_may_not_be_used_counts_right(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let van = client.make("/v1/tanks", json!({"name": "Van"})).await;
    for rule in [
        json!({"kind": "stock.low", "tank_id": farm.tank, "below_straws": 5}),
        json!({"kind": "stock.low", "herd_id": farm.herd, "below_straws": 4}),
        json!({"kind": "stock.low", "below_straws": 5}),
    ] {
        client.post("/v1/alert-rules", rule).await.created();
    }
    let transfer = json!({"lot_id": farm.sexed, "from": farm.place(3), "straws": 6,
                          "to": {"tank_id": van, "canister": 1}});
    let moved = client.post("/v1/transfers", transfer).await.created();
    let low = open(client).await;
    assert_eq!(low.len(), 1, "4 in the tank, 4 in the herd's, 10 in all: {low:#?}");
    assert_eq!(low[0]["tank_id"], farm.tank);
    assert!(low[0]["text"].as_str().unwrap().contains("in Dairy room"));
    // A lot that is recalled is no stock, though its straws hang there.
    let lot = format!("/v1/lots/{}", farm.sexed);
    client.patch(&lot, None, json!({"status": "quarantined"})).await.expect(200);
    assert_eq!(open(client).await.len(), 3);
    client.patch(&lot, None, json!({"status": "usable"})).await.expect(200);
    assert_eq!(open(client).await.len(), 1);
    let path = format!("/v1/movements/{}/reversal", moved["id"].as_str().unwrap());
    client.post(&path, json!({"reason": "wrong_data"})).await.created();
    assert_eq!(open(client).await.len(), 0);
    // A count that moves straws between goblets crosses nothing.
    let before = told(world).await;
    let other = json!({"tank_id": farm.tank, "canister": 5});
    let counts = json!([{"lot_id": farm.sexed, "place": farm.place(3), "straws": 0},
                        {"lot_id": farm.sexed, "place": other, "straws": 10}]);
    let counted = client.make("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": counts})).await;
    client.post(&format!("/v1/stocktakes/{counted}/acceptance"), json!({})).await.expect(200);
    let since = told(world).await.split_off(before.len());
    assert!(!since.iter().any(|event| event.starts_with("stock.")), "{since:?}");
}

async fn a_rule_finds_what_is_wrong_already_and_takes_its_alerts_with_it(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let rule = client.make("/v1/alert-rules", json!({"kind": "stock.low", "below_straws": 11})).await;
    world.look_round().await;
    world.look_round().await;
    assert_eq!(open(client).await.len(), 2, "one for each type");
    let path = format!("/v1/alert-rules/{rule}");
    client.patch(&path, None, json!({"below_straws": 10})).await.expect(200);
    assert_eq!(open(client).await.len(), 0);
    client.patch(&path, None, json!({"below_straws": 11})).await.expect(200);
    world.look_round().await;
    assert_eq!(open(client).await.len(), 2);
    client.delete(&path).await.expect(204);
    assert_eq!(open(client).await.len(), 0);
    client.delete(&path).await.problem(404, "not-found");
    let over = alerts(client, "open=false").await;
    assert_eq!(over.last().unwrap()["clear_reason"], "No rule watches this any more.");
    assert_eq!(told(world).await.len(), 8);
    let kept = client.make("/v1/alert-rules", json!({"kind": "stock.low", "tank_id": farm.tank})).await;
    let stale = [("if-match", "\"x\"")];
    let path = format!("/v1/alert-rules/{kept}");
    client.send(reqwest::Method::DELETE, &path, &stale, vec![]).await.problem(412, "stale");
}

async fn an_alert_is_told_again_at_most_daily(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let rule = json!({"kind": "stock.low", "lot_id": farm.sexed, "below_straws": 10});
    client.post("/v1/alert-rules", rule).await.created();
    used(&farm, client, &farm.sexed, 1).await;
    let mut events = vec!["stock.low happened"];
    for (hours, again) in [(23, false), (1, true), (23, false), (2, true)] {
        world.pass(TimeDelta::hours(hours));
        for _ in 0..2 {
            world.look_round().await;
        }
        if again {
            events.push("stock.low repeated");
        }
        assert_eq!(told(world).await, events, "after {hours} hours more");
    }
    // What moves meanwhile is told with it, and no sooner.
    used(&farm, client, &farm.sexed, 3).await;
    assert_eq!(told(world).await, events);
    world.pass(TimeDelta::hours(25));
    used(&farm, client, &farm.sexed, 1).await;
    world.look_round().await;
    events.push("stock.low repeated");
    assert_eq!(told(world).await, events);
    assert_eq!(open(client).await[0]["figures"]["straws"], 5);
    // A clock that is set back reminds nobody, and one that is set right again does not make up for it.
    world.pass(TimeDelta::hours(-24));
    world.look_round().await;
    world.pass(TimeDelta::hours(24));
    world.look_round().await;
    assert_eq!(told(world).await, events);
}

async fn what_is_acknowledged_stays_quiet(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let rule = json!({"kind": "stock.low", "lot_id": farm.sexed, "below_straws": 10});
    client.post("/v1/alert-rules", rule).await.created();
    used(&farm, client, &farm.sexed, 1).await;
    let id = open(client).await[0]["id"].as_str().unwrap().to_owned();
    let path = format!("/v1/alerts/{id}/acknowledgement");
    world.caller(Role::Reader).await.post(&path, json!({})).await.problem(403, "forbidden");
    let technician = world.caller(Role::Technician).await;
    let noted = technician.post(&path, json!({"note": "Ordered ten."})).await.expect(200);
    assert_eq!((&noted["note"], &noted["next_notification_at"]), (&json!("Ordered ten."), &Value::Null));
    assert!(noted["acknowledged_at"].is_string() && noted["cleared_at"].is_null());
    // The first acknowledgement stands.
    assert_eq!(client.post(&path, json!({"note": "Me too."})).await.expect(200), noted);
    world.pass(TimeDelta::days(9));
    world.look_round().await;
    used(&farm, client, &farm.sexed, 1).await;
    assert_eq!(told(world).await, ["stock.low happened", "stock.low acknowledged"]);
    farm.receive(client, &farm.sexed, 3, 2).await;
    assert_eq!(told(world).await[2..], ["stock.low cleared"]);
}

async fn a_straw_that_is_not_accounted_for_is_told(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let mut taken = Vec::new();
    for _ in 0..5 {
        taken.push(client.make("/v1/withdrawals", take(&animal, &farm.sexed)).await);
    }
    // Sexed: used within 5 min of leaving the tank, and an hour of grace.
    world.pass(TimeDelta::seconds(300 + 3600 - 1));
    world.look_round().await;
    assert_eq!(open(client).await, Vec::<Value>::new());
    world.pass(TimeDelta::seconds(1));
    client.post("/v1/services", json!({"withdrawal_id": taken[0]})).await.created();
    world.look_round().await;
    world.look_round().await;
    let out = open(client).await;
    assert_eq!(out.len(), 4);
    assert!(
        out.iter().all(|alert| alert["kind"] == "withdrawal.unresolved" && alert["herd_id"] == farm.herd)
    );
    let text = out[0]["text"].as_str().unwrap();
    assert!(
        text.starts_with("1 straw of Invented One for animal 412: left the tank at 2026-03-02T05:00:00Z"),
        "{text}"
    );
    assert!(!text.contains("Example"), "nobody is named");

    let act = async |id: &str, what: &str, body: Value| {
        client.post(&format!("/v1/withdrawals/{id}/{what}"), body).await.expect(200);
    };
    client.post("/v1/services", json!({"withdrawal_id": taken[1]})).await.created();
    act(&taken[2], "discard", json!({"reason": "dropped"})).await;
    let lines = client.get("/v1/movements?limit=500").await.expect(200);
    let line =
        lines["items"].as_array().unwrap().iter().find(|line| line["withdrawal_id"] == taken[3]).unwrap();
    let path = format!("/v1/movements/{}/reversal", line["id"].as_str().unwrap());
    client.post(&path, json!({"reason": "wrong_data"})).await.created();
    // Thawed now, it is in somebody's hand again.
    act(&taken[4], "thaw", json!({"bath_temp_c": 35.6})).await;
    assert_eq!(open(client).await, Vec::<Value>::new());
    let because: Vec<_> =
        alerts(client, "open=false").await.iter().map(|a| a["clear_reason"].clone()).collect();
    let expected = [
        "The straw is served.",
        "The straw is discarded.",
        "The straw is reversed.",
        "The straw is thawing.",
    ];
    assert_eq!(because, expected.map(Value::from));
    world.pass(TimeDelta::hours(2));
    world.look_round().await;
    assert_eq!(open(client).await.len(), 1, "and then it was forgotten");

    // A herd that does not want it, and one that wants it soon.
    let grace = json!({"kind": "withdrawal.unresolved", "herd_id": farm.herd, "enabled": false});
    let rule = client.make("/v1/alert-rules", grace).await;
    client.make("/v1/withdrawals", take(&animal, &farm.sexed)).await;
    world.pass(TimeDelta::minutes(10));
    world.look_round().await;
    assert_eq!(open(client).await.len(), 1);
    let soon = json!({"enabled": true, "grace_minutes": 0});
    client.patch(&format!("/v1/alert-rules/{rule}"), None, soon).await.expect(200);
    world.look_round().await;
    assert_eq!(open(client).await.len(), 2);
}

async fn a_late_phone_is_no_alarm(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    // Taken yesterday without a network, sent today: what became of it follows in the next request.
    let mut order = take(&animal, &farm.sexed);
    order["withdrawn_at"] = json!("2026-03-01T07:00:00+01:00");
    let taken = client.make("/v1/withdrawals", order).await;
    world.look_round().await;
    assert_eq!(open(client).await, Vec::<Value>::new());
    client
        .post("/v1/services", json!({"withdrawal_id": taken, "served_at": "2026-03-01T07:04:00+01:00"}))
        .await
        .created();
    world.pass(TimeDelta::days(1));
    world.look_round().await;
    assert_eq!(alerts(client, "").await, Vec::<Value>::new());
}

async fn after_a_long_stop_each_is_told_once(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let rule = json!({"kind": "stock.low", "lot_id": farm.sexed, "below_straws": 10});
    client.post("/v1/alert-rules", rule).await.created();
    let animal = farm.animal(client, "412").await;
    client.make("/v1/withdrawals", take(&animal, &farm.sexed)).await;
    world.pass(TimeDelta::days(12));
    for _ in 0..3 {
        world.look_round().await;
    }
    assert_eq!(
        told(world).await,
        ["stock.low happened", "stock.low repeated", "withdrawal.unresolved happened"]
    );
}

async fn an_override_is_told_to_those_who_did_not_decide_it(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let mut aside = take(&animal, &farm.conventional);
    client.post("/v1/withdrawals", aside.clone()).await.problem(409, "choice-rule");
    assert_eq!(open(client).await, Vec::<Value>::new(), "what was refused overrode nothing");
    aside["override"] = json!({"reason": "agreed with J."});
    let taken = client.make("/v1/withdrawals", aside.clone()).await;
    let alert = open(client).await.remove(0);
    assert_eq!((&alert["kind"], &alert["withdrawal_id"]), (&json!("rule.overridden"), &json!(taken)));
    assert!(alert["text"].as_str().unwrap().contains("Not conventional"), "{alert}");
    assert!(!alert["text"].as_str().unwrap().contains("agreed"), "the reason stands with the withdrawal");
    let hot = json!({"bath_temp_c": 39.0, "override": {"reason": "no other"}});
    client.post(&format!("/v1/withdrawals/{taken}/thaw"), hot).await.expect(200);
    assert_eq!(told(world).await, ["rule.overridden happened", "rule.overridden repeated"]);
    client.post("/v1/services", json!({"withdrawal_id": taken})).await.created();
    world.pass(TimeDelta::days(3));
    world.look_round().await;
    assert_eq!(open(client).await.len(), 1, "told once, and there until somebody has looked at it");
    let path = format!("/v1/alerts/{}/acknowledgement", alert["id"].as_str().unwrap());
    let seen = client.post(&path, json!({})).await.expect(200);
    assert!(seen["cleared_at"].is_string());
    assert_eq!(told(world).await[2..], ["rule.overridden acknowledged", "rule.overridden cleared"]);
    // Entered by mistake: nothing was overridden.
    let mistake = client.make("/v1/withdrawals", aside).await;
    let lines = client.get("/v1/movements?limit=500").await.expect(200);
    let line =
        lines["items"].as_array().unwrap().iter().find(|line| line["withdrawal_id"] == mistake).unwrap();
    let path = format!("/v1/movements/{}/reversal", line["id"].as_str().unwrap());
    client.post(&path, json!({"reason": "wrong_data"})).await.created();
    assert_eq!(open(client).await, Vec::<Value>::new());
}

async fn a_stocktake_that_differs_is_told(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let count = |straws: i64| {
        json!({"tank_id": farm.tank,
               "counts": [{"lot_id": farm.sexed, "place": farm.place(3), "straws": straws}]})
    };
    client.make("/v1/stocktakes", count(10)).await;
    assert_eq!(open(client).await, Vec::<Value>::new());
    let counted = client.make("/v1/stocktakes", count(8)).await;
    let alert = open(client).await.remove(0);
    assert_eq!((&alert["stocktake_id"], &alert["tank_id"]), (&json!(counted), &json!(farm.tank)));
    assert_eq!(alert["text"], "Count in Dairy room: 2 straws missing, 0 more than the book says.");
    client.post(&format!("/v1/stocktakes/{counted}/acceptance"), json!({})).await.expect(200);
    assert_eq!(open(client).await, Vec::<Value>::new());
    let rule = json!({"kind": "stocktake.difference", "tank_id": farm.tank, "min_difference": 3});
    client.post("/v1/alert-rules", rule).await.created();
    client.make("/v1/stocktakes", count(10)).await;
    assert_eq!(open(client).await, Vec::<Value>::new(), "two are not three");
    client.make("/v1/stocktakes", count(11)).await;
    assert_eq!(open(client).await.len(), 1);
    assert_eq!(told(world).await.len(), 3);
}

/// Half a year in which two straws are used each Monday, the last one on the morning of the story.
async fn half_a_year(farm: &Farm, client: &Client, lot: &str) {
    let rule = json!([{"from_service": 1, "semen_types": ["sexed_male"]}]);
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"choice_rule": rule})).await.expect(200);
    let place = farm.place(2);
    let receipt = json!({"lot_id": lot, "place": place, "straws": 90, "received_at": "2025-09-01T05:00:00Z"});
    client.post("/v1/receipts", receipt).await.created();
    for week in 0..26 {
        for _ in 0..2 {
            let animal = farm.animal(client, "412").await;
            let mut order = take(&animal, lot);
            let at = crate::world::instant("2026-03-02T04:00:00Z") - TimeDelta::days(7 * week);
            order["withdrawn_at"] = json!(at);
            let taken = client.make("/v1/withdrawals", order).await;
            client.post("/v1/services", json!({"withdrawal_id": taken, "served_at": at})).await.created();
        }
    }
}

async fn a_forecast_opens_and_clears_an_alert(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let lot = farm.lot(client, "sexed_male", "2024-04-26").await;
    half_a_year(&farm, client, &lot).await;
    // 38 are left and 2 a week are used: about 19 weeks.
    let scope = json!({"kind": "stock.low", "sire_id": farm.sire, "semen_type": "sexed_male"});
    let mut days = scope.clone();
    days["below_days"] = json!(30);
    client.post("/v1/alert-rules", days).await.created();
    let mut probability =
        json!({"kind": "stock.low", "tank_id": farm.tank, "above_probability": 0.1, "lead_days": 28});
    probability["sire_id"] = scope["sire_id"].clone();
    probability["semen_type"] = scope["semen_type"].clone();
    client.post("/v1/alert-rules", probability).await.created();
    world.look_round().await;
    assert_eq!(open(client).await, Vec::<Value>::new());
    let discard =
        |straws: i64| json!({"lot_id": lot, "place": farm.place(2), "straws": straws, "reason": "exposed"});
    client.post("/v1/discards", discard(34)).await.created();
    let low = open(client).await;
    assert_eq!(low.len(), 2, "{low:#?}");
    assert!(low[0]["text"].as_str().unwrap().contains("days"), "{}", low[0]);
    for alert in &low {
        // What the outlook of the same straws says is what was measured.
        let subject = alert["subject"].as_str().unwrap();
        let outlook = client.get(&format!("{subject}&lead_days=28")).await.expect(200);
        let forecast = &outlook["items"][0]["forecast"];
        let measured = &alert["figures"]["measured"];
        let said = [&forecast["days_of_cover"]["estimate"], &forecast["stockout_probability"]];
        assert!(said.contains(&measured), "{measured} {forecast}");
        assert_eq!(alert["figures"]["straws"], 4);
    }
    farm.receive(client, &lot, 2, 30).await;
    assert_eq!(open(client).await, Vec::<Value>::new());

    // By time alone: nobody used any for a year, so what is left lasts for long.
    client.post("/v1/discards", discard(30)).await.created();
    assert_eq!(open(client).await.len(), 2);
    world.pass(TimeDelta::days(300));
    world.look_round().await;
    assert_eq!(open(client).await, Vec::<Value>::new());
}

async fn the_outlook_says_what_it_rests_on(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let lot = farm.lot(client, "sexed_male", "2024-04-26").await;
    half_a_year(&farm, client, &lot).await;
    let page = client.get("/v1/stock/outlook").await.expect(200);
    assert_eq!(page["items"].as_array().unwrap().len(), 3);
    assert!(page["assumptions"].to_string().contains("start of a season"));
    assert_eq!((&page["coverage"], &page["service_level"]), (&json!(0.9), &json!(0.95)));
    let of = async |query: &str| {
        let path = format!("/v1/stock/outlook?sire_id={}&semen_type=sexed_male{query}", farm.sire);
        client.get(&path).await.expect(200)
    };
    let item = of("").await["items"][0].clone();
    assert_eq!((&item["straws"], &item["used_straws"]), (&json!(38), &json!(52)));
    // Worked out a second time by scipy: tests/reference/stock.py, `story`.
    let reference: Value = serde_json::from_str(include_str!("../reference/stock.json")).unwrap();
    let reference = &reference["story"];
    let forecast = &item["forecast"];
    for (told, worked_out, within) in [
        (&forecast["daily_use"]["low"], &reference["rate"]["0.05"], 1e-4),
        (&forecast["daily_use"]["high"], &reference["rate"]["0.95"], 1e-4),
        (&forecast["dispersion"], &reference["phi"], 1e-2),
        (&forecast["days_of_cover"]["low"], &reference["gone_after_days"]["0.05"], 0.1),
        (&forecast["days_of_cover"]["estimate"], &reference["gone_after_days"]["0.5"], 0.1),
        (&forecast["days_of_cover"]["high"], &reference["gone_after_days"]["0.95"], 0.1),
        (&forecast["stockout_probability"], &reference["runs_out"], 1e-4),
        (&forecast["reorder_point"], &reference["reorder"]["0.95"], 0.0),
    ] {
        let (told, worked_out) = (told.as_f64().unwrap(), worked_out.as_f64().unwrap());
        assert!((told - worked_out).abs() <= within, "{told} is not {worked_out}: {forecast}");
    }
    let two_weeks = forecast["reorder_point"].as_i64().unwrap();
    let month = of("&lead_days=30&service_level=0.99").await["items"][0]["forecast"].clone();
    assert!(month["reorder_point"].as_i64().unwrap() > two_weeks);
    let soon = of("&delivery_at=2026-03-04T05:00:00Z").await;
    assert_eq!(soon["days_until_delivery"], 2.0);
    assert!(soon["items"][0]["forecast"]["stockout_probability"].as_f64() < Some(0.001));
    // A reversed withdrawal was no use, and a tank in which nothing was used tells nothing.
    let lines = client.get("/v1/movements?limit=500").await.expect(200);
    let last = lines["items"].as_array().unwrap().last().unwrap()["id"].as_str().unwrap().to_owned();
    client.post(&format!("/v1/movements/{last}/reversal"), json!({"reason": "wrong_data"})).await.created();
    assert_eq!(of("").await["items"][0]["used_straws"], 51);
    let van = client.make("/v1/tanks", json!({"name": "Van"})).await;
    let transfer =
        json!({"lot_id": lot, "from": farm.place(2), "straws": 6, "to": {"tank_id": van, "canister": 1}});
    client.post("/v1/transfers", transfer).await.created();
    let item = of(&format!("&tank_id={van}")).await["items"][0].clone();
    assert_eq!((&item["straws"], &item["forecast"]), (&json!(6), &Value::Null));
    assert!(item["text"].as_str().unwrap().contains("too little to tell"));
    let item = of(&format!("&herd_id={}", farm.herd)).await["items"][0].clone();
    assert_eq!((&item["straws"], &item["used_straws"]), (&json!(33), &json!(51)));

    for (query, fault) in [
        (format!("tank_id={van}&herd_id={}", farm.herd), "herd_id"),
        ("lead_days=3&delivery_at=2026-03-04T05:00:00Z".to_owned(), "lead_days"),
        ("delivery_at=2026-03-02T05:00:00Z".to_owned(), "delivery_at"),
        ("service_level=1".to_owned(), "service_level"),
    ] {
        let answer = client.get(&format!("/v1/stock/outlook?{query}")).await;
        assert_eq!(answer.pointers(), [fault], "{query}");
        answer.problem(400, "invalid-query");
    }
}

async fn a_rule_must_make_sense(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    for (rule, faults) in [
        (json!({"kind": "stock.low", "sire_id": farm.sire}), vec!["#/semen_type"]),
        (json!({"kind": "stock.low", "semen_type": "conventional"}), vec!["#/sire_id"]),
        (json!({"kind": "stock.low", "tank_id": farm.tank, "herd_id": farm.herd}), vec!["#/herd_id"]),
        (json!({"kind": "stock.low", "lot_id": farm.sexed, "tank_id": farm.tank}), vec!["#/tank_id"]),
        (json!({"kind": "stock.low", "lot_id": farm.sexed, "below_days": 9}), vec!["#/below_days"]),
        (json!({"kind": "stock.low", "below_straws": 5, "below_days": 9}), vec!["#/below_days"]),
        (json!({"kind": "stock.low", "below_straws": 5, "clear_at": 4}), vec!["#/clear_at"]),
        (json!({"kind": "stock.low", "above_probability": 0.1, "clear_at": 0.2}), vec!["#/clear_at"]),
        (json!({"kind": "stock.low", "lead_days": 9}), vec!["#/lead_days"]),
        (json!({"kind": "stock.out", "below_straws": 5}), vec!["#/below_straws"]),
        (
            json!({"kind": "nitrogen.low", "lot_id": farm.sexed, "grace_minutes": 1}),
            vec!["#/lot_id", "#/grace_minutes"],
        ),
        (json!({"kind": "rule.overridden", "tank_id": farm.tank}), vec!["#/tank_id"]),
        (
            json!({"kind": "calving.due", "tank_id": farm.tank, "every_days": 3}),
            vec!["#/tank_id", "#/every_days"],
        ),
        (json!({"kind": "check.due", "lot_id": farm.sexed, "within_days": 0}), vec!["#/within_days"]),
        (json!({"kind": "return.watch", "lot_id": farm.sexed}), vec!["#/lot_id"]),
        (json!({"kind": "nitrogen.reading_overdue", "within_days": 3}), vec!["#/within_days"]),
    ] {
        let answer = client.post("/v1/alert-rules", rule.clone()).await;
        assert_eq!(answer.pointers(), faults, "{rule}");
        answer.problem(422, "invalid-input");
    }
}
