//! Alerts of the day: checks and calvings that are due, returns to be watched for. What is due is what `GET /v1/watch` says.

use chrono::TimeDelta;
use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    alerts::{alerts, listen, open, told},
    on_both_stores,
    statements::cost,
    world::{Client, Farm, World, instant},
};

on_both_stores!(
    each_is_told_on_its_day_and_over_with_what_is_reported,
    without_a_rule_of_hers_nothing_is_told,
    a_straw_that_never_left_served_nobody,
    a_rule_tells_ahead_and_takes_its_alerts_with_it,
    one_is_told_daily_until_somebody_takes_it_on,
    who_goes_takes_her_alerts_along,
    a_large_book_is_gone_through_once_a_day,
    an_alert_is_open_exactly_while_it_is_due,
);

async fn rule(client: &Client, kind: &str, herd: Option<&str>) -> String {
    client.make("/v1/alert-rules", json!({"kind": kind, "herd_id": herd})).await
}

async fn all_rules(client: &Client) {
    for kind in ["check.due", "calving.due", "return.watch"] {
        rule(client, kind, None).await;
    }
}

async fn open_kinds(client: &Client) -> Vec<String> {
    open(client).await.iter().map(|alert| alert["kind"].as_str().unwrap().to_owned()).collect()
}

async fn at(world: &World, when: &str) {
    world.set_clock(when);
    world.look_round().await;
}

async fn each_is_told_on_its_day_and_over_with_what_is_reported(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    farm.served(client, &animal, "2026-02-12T08:00:00Z").await;
    // 2 March is day 18 (18-24 d: Extension; NZ AB series I). A new rule finds what is due already.
    all_rules(client).await;
    assert_eq!(open(client).await, Vec::<Value>::new());
    world.look_round().await;
    let told_first = open(client).await;
    assert_eq!(told_first.len(), 1);
    let alert = &told_first[0];
    assert_eq!(
        (&alert["kind"], &alert["subject"], &alert["animal_id"], &alert["herd_id"]),
        (&json!("return.watch"), &json!(format!("/v1/animals/{animal}")), &json!(animal), &json!(farm.herd))
    );
    let text = alert["text"].as_str().unwrap();
    assert!(
        text.starts_with("412 (Lower Meadow): may come back into heat from 2026-03-02 to 2026-03-08"),
        "{text}"
    );
    assert_eq!((&alert["caution"], &alert["figures"]["measured"]), (&Value::Null, &json!(0.0)));
    client.get(alert["subject"].as_str().unwrap()).await.expect(200);

    at(world, "2026-03-08T22:30:00Z").await;
    assert_eq!(open_kinds(client).await, ["return.watch"], "23:30 in Vienna is still day 24");
    at(world, "2026-03-08T23:30:00Z").await;
    assert_eq!(open_kinds(client).await, [""; 0], "half past midnight in Vienna");
    let over = alerts(client, "open=false&kind=return.watch").await.remove(0);
    assert!(over["clear_reason"].as_str().unwrap().contains("served on 2026-02-12"), "{over}");

    // Ultrasound in heifers from day 26 (Prairie View A&M): 10 March, in the herd's own calendar.
    at(world, "2026-03-09T22:59:00Z").await;
    assert_eq!(open_kinds(client).await, [""; 0]);
    at(world, "2026-03-09T23:01:00Z").await;
    assert_eq!(open_kinds(client).await, ["check.due"]);
    let check = |result: &str| json!({"animal_id": animal, "method": "ultrasound", "result": result});
    client.post("/v1/pregnancy-checks", check("unknown")).await.created();
    assert_eq!(open_kinds(client).await, ["check.due"], "not clear; look again");
    client.post("/v1/pregnancy-checks", check("pregnant")).await.created();
    assert_eq!(open_kinds(client).await, [""; 0], "in the transaction of the report");
    // Once more from day 60 on (JDS Communications 2023, 4:144-148).
    at(world, "2026-04-13T08:00:00Z").await;
    let again = open(client).await;
    assert!(again[0]["text"].as_str().unwrap().contains("checked again from 2026-04-13"), "{again:?}");
    client.post("/v1/pregnancy-checks", check("pregnant")).await.created();
    assert_eq!(open_kinds(client).await, [""; 0]);

    // 283 d after the service (Nevada Extension) is 22 November; told from twelve days before.
    at(world, "2026-11-09T08:00:00Z").await;
    assert_eq!(open_kinds(client).await, [""; 0]);
    at(world, "2026-11-10T08:00:00Z").await;
    let calving = open(client).await.remove(0);
    assert_eq!(calving["kind"], "calving.due");
    assert!(calving["text"].as_str().unwrap().contains("due to calve on 2026-11-22"), "{calving}");
    let caution = calving["caution"].as_str().unwrap();
    assert!(caution.contains("Pregnant people") && caution.contains("Local codes"), "{caution}");
    client.post("/v1/calvings", json!({"animal_id": animal})).await.created();
    assert_eq!(open_kinds(client).await, [""; 0]);
    assert_eq!(
        told(world).await.into_iter().filter(|told| !told.contains("repeated")).collect::<Vec<_>>(),
        [
            "return.watch happened",
            "return.watch cleared",
            "check.due happened",
            "check.due cleared",
            "check.due happened",
            "check.due cleared",
            "calving.due happened",
            "calving.due cleared"
        ]
    );
}

async fn without_a_rule_of_hers_nothing_is_told(world: &World) {
    let client = &world.manager;
    let (farm, other) = (Farm::found(client).await, Farm::found(client).await);
    for farm in [&farm, &other] {
        let animal = farm.animal(client, "412").await;
        farm.served(client, &animal, "2026-02-12T08:00:00Z").await;
    }
    world.look_round().await;
    assert_eq!(open(client).await, Vec::<Value>::new(), "off unless a rule switches it on");
    rule(client, "return.watch", Some(&farm.herd)).await;
    world.look_round().await;
    let told = open(client).await;
    assert_eq!((told.len(), &told[0]["herd_id"]), (1, &json!(farm.herd)));
    // A rule for everything, and one that silences a herd.
    rule(client, "return.watch", None).await;
    world.look_round().await;
    assert_eq!(open(client).await.len(), 2);
    let silent = json!({"kind": "return.watch", "herd_id": other.herd, "enabled": false});
    client.make("/v1/alert-rules", silent).await;
    world.look_round().await;
    assert_eq!(open(client).await, told);
}

async fn a_straw_that_never_left_served_nobody(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    rule(client, "return.watch", None).await;
    let taken = client.make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed})).await;
    client.make("/v1/services", json!({"withdrawal_id": taken})).await;
    at(world, "2026-03-22T08:00:00Z").await;
    assert_eq!(open_kinds(client).await, ["return.watch"]);
    let lines = client.get("/v1/movements?limit=500").await.expect(200);
    let mut lines = lines["items"].as_array().unwrap().iter();
    let line = lines.find(|line| line["withdrawal_id"] == taken).unwrap();
    let path = format!("/v1/movements/{}/reversal", line["id"].as_str().unwrap());
    client.post(&path, json!({"reason": "did_not_happen"})).await.created();
    assert_eq!(open_kinds(client).await, [""; 0]);
}

async fn a_rule_tells_ahead_and_takes_its_alerts_with_it(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let body = json!({"kind": "check.due", "herd_id": farm.herd, "within_days": 3});
    let made = client.make("/v1/alert-rules", body).await;
    // From 10 March on, told on the 7th.
    let service = farm.served(client, &animal, "2026-02-12T08:00:00Z").await;
    at(world, "2026-03-06T08:00:00Z").await;
    assert_eq!(open_kinds(client).await, [""; 0]);
    at(world, "2026-03-07T08:00:00Z").await;
    let alert = open(client).await.remove(0);
    assert_eq!(
        (&alert["rule_id"], &alert["figures"]),
        (&json!(made), &json!({"straws": null, "measured": 3.0, "threshold": 3.0}))
    );
    // What was entered by mistake is none that was.
    let service_path = format!("/v1/services/{}/reversal", service["id"].as_str().unwrap());
    client.post(&service_path, json!({})).await.expect(200);
    assert_eq!(open_kinds(client).await, [""; 0]);
    farm.served(client, &animal, "2026-02-12T08:00:00Z").await;
    assert_eq!(open_kinds(client).await, ["check.due"]);
    let path = format!("/v1/alert-rules/{made}");
    client.patch(&path, None, json!({"within_days": null})).await.expect(200);
    assert_eq!(open_kinds(client).await, [""; 0], "not due yet");
    client.patch(&path, None, json!({"within_days": 10})).await.expect(200);
    world.look_round().await;
    assert_eq!(open_kinds(client).await, ["check.due"]);
    client.delete(&path).await.expect(204);
    assert_eq!(open_kinds(client).await, [""; 0]);
}

async fn one_is_told_daily_until_somebody_takes_it_on(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    rule(client, "check.due", None).await;
    at(world, "2026-03-20T08:00:00Z").await;
    farm.served(client, &animal, "2026-02-12T08:00:00Z").await;
    assert_eq!(told(world).await, ["check.due happened"]);
    for _ in 0..3 {
        world.pass(TimeDelta::hours(12));
        world.look_round().await;
    }
    assert_eq!(told(world).await[1..], ["check.due repeated"]);
    let alert = open(client).await.remove(0);
    let path = format!("/v1/alerts/{}/acknowledgement", alert["id"].as_str().unwrap());
    let technician = world.caller(Role::Technician).await;
    technician.post(&path, json!({"note": "Thursday."})).await.expect(200);
    world.pass(TimeDelta::days(3));
    world.look_round().await;
    assert_eq!(told(world).await[2..], ["check.due acknowledged"]);
    assert_eq!(open_kinds(client).await, ["check.due"], "acknowledged is not checked");
}

async fn who_goes_takes_her_alerts_along(world: &World) {
    let client = &world.manager;
    listen(world).await;
    let (farm, other) = (Farm::found(client).await, Farm::found(client).await);
    let (stays, leaves) = (farm.animal(client, "412").await, farm.animal(client, "413").await);
    rule(client, "return.watch", None).await;
    for animal in [&stays, &leaves] {
        farm.served(client, animal, "2026-02-12T08:00:00Z").await;
    }
    assert_eq!(open(client).await.len(), 2);
    client.patch(&format!("/v1/animals/{leaves}"), None, json!({"left_on": "2026-03-01"})).await.expect(200);
    let left = open(client).await;
    assert_eq!((left.len(), &left[0]["animal_id"]), (1, &json!(stays)));
    client.patch(&format!("/v1/animals/{stays}"), None, json!({"herd_id": other.herd})).await.expect(200);
    let moved = open(client).await;
    assert_eq!((moved.len(), &moved[0]["herd_id"]), (1, &json!(other.herd)));
    assert_ne!(moved[0]["id"], left[0]["id"]);
    assert_eq!(
        told(world).await.len(),
        5,
        "two opened, one over, one over in the old herd, one opened in the new"
    );
    // One who will have left by tomorrow is told no more tomorrow, without a word from anybody.
    client.patch(&format!("/v1/animals/{stays}"), None, json!({"left_on": "2026-03-03"})).await.expect(200);
    assert_eq!(open(client).await.len(), 1);
    at(world, "2026-03-03T08:00:00Z").await;
    assert_eq!(open(client).await, Vec::<Value>::new());
}

async fn a_large_book_is_gone_through_once_a_day(world: &World) {
    let client = &world.manager;
    let farms = [Farm::found(client).await, Farm::found(client).await];
    all_rules(client).await;
    for farm in &farms {
        for number in 0..5 {
            let animal = farm.animal(client, &number.to_string()).await;
            farm.served(client, &animal, "2026-02-12T08:00:00Z").await;
        }
    }
    world.stop_clockwork().await;
    world.db().record_statements();
    let reads = |statements: &[&str]| {
        statements.iter().filter(|statement| statement.contains("animal_event e")).count()
    };
    world.look_round().await;
    assert_eq!(open(client).await.len(), 10);
    world.pass(TimeDelta::minutes(20));
    let ((), again) = cost(world, world.look_round()).await;
    assert_eq!(reads(&again), 0, "nobody's record is read twice on a day: {again:?}");
    at(world, "2026-03-03T08:00:00Z").await;
    world.db().take_statements();
    world.pass(TimeDelta::days(1));
    // Their alerts are told again that day, which is another matter.
    for alert in open(client).await {
        let path = format!("/v1/alerts/{}/acknowledgement", alert["id"].as_str().unwrap());
        client.post(&path, json!({})).await.expect(200);
    }
    let ((), tomorrow) = cost(world, world.look_round()).await;
    assert_eq!(reads(&tomorrow), farms.len(), "one statement for each herd: {tomorrow:?}");
    // An animal of whom something changed is looked at alone.
    let animal = farms[0].animal(client, "new").await;
    let (_, act) = cost(world, farms[0].served(client, &animal, "2026-02-12T08:00:00Z")).await;
    assert_eq!(reads(&act), 1, "{act:?}");
    assert_eq!(open(client).await.len(), 11);
}

/// Day by day through a gestation, with reports between: an alert is open if and only if the watch list has it as due.
async fn an_alert_is_open_exactly_while_it_is_due(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    all_rules(client).await;
    let mut animals = Vec::new();
    for number in 0..6 {
        animals.push(farm.animal(client, &number.to_string()).await);
    }
    let start = instant("2026-03-02T08:00:00Z");
    for day in (0..330).step_by(3) {
        let now = start + TimeDelta::days(day);
        world.set_clock(&now.to_rfc3339());
        let index = usize::try_from(day / 3).unwrap() % animals.len();
        let animal = &animals[index];
        // An arbitrary but fixed course of events for each.
        match (day / 3 * 7 + day % 5) % 11 {
            0 | 1 => drop(farm.served(client, animal, &now.to_rfc3339()).await),
            2 => {
                let check = json!({"animal_id": animal, "method": "ultrasound", "result": "pregnant"});
                client.post("/v1/pregnancy-checks", check).await.created();
            }
            3 => {
                let check = json!({"animal_id": animal, "method": "ultrasound", "result": "empty"});
                client.post("/v1/pregnancy-checks", check).await.created();
            }
            4 if day > 250 => drop(client.post("/v1/calvings", json!({"animal_id": animal})).await.created()),
            _ => {}
        }
        world.look_round().await;
        let watch = client.get("/v1/watch").await.expect(200);
        let mut due: Vec<(&str, String)> = watch["items"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|item| item["state"] != "coming")
            .filter_map(|item| {
                let kind = match item["kind"].as_str().unwrap() {
                    "return_to_heat" => "return.watch",
                    "pregnancy_check" | "recheck" => "check.due",
                    "calving" => "calving.due",
                    _ => return None,
                };
                Some((kind, item["animal_id"].as_str().unwrap().to_owned()))
            })
            .collect();
        due.sort();
        let alerts = open(client).await;
        let mut told: Vec<(&str, String)> = alerts
            .iter()
            .map(|alert| (alert["kind"].as_str().unwrap(), alert["animal_id"].as_str().unwrap().to_owned()))
            .collect();
        told.sort();
        assert_eq!(told, due, "on {now}");
    }
}
