//! The bath, and the time a straw has.

use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    on_both_stores,
    world::{Farm, World},
};

on_both_stores!(
    a_bath_out_of_range_is_refused_with_what_to_do,
    the_suppliers_instruction_goes_before_the_herds_and_the_default,
    a_service_too_early_or_too_late_is_kept_with_its_deviation,
    a_bath_out_of_range_that_was_used_stays_on_record,
    a_straw_is_thawed_once,
    a_thaw_before_the_withdrawal_and_twenty_straws_do_not_pass_unremarked,
);

async fn out(world: &World, farm: &Farm, number: &str, lot: &str) -> String {
    let animal = farm.animal(&world.manager, number).await;
    let order = json!({"animal_id": animal, "lot_id": lot, "withdrawn_at": "2026-03-02T05:00:00+01:00"});
    let taken = world.manager.post("/v1/withdrawals", order).await.created();
    taken["id"].as_str().unwrap().to_owned()
}

async fn a_bath_out_of_range_is_refused_with_what_to_do(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let path = format!("/v1/withdrawals/{}/thaw", out(world, &farm, "1", &farm.sexed).await);
    // 35-36 C accepted: common practice, no source. The ends count, a hair beyond does not.
    for (bath, slug) in
        [(36.01, "bath-too-hot"), (38.4, "bath-too-hot"), (34.99, "bath-too-cold"), (20.0, "bath-too-cold")]
    {
        let refused = client.post(&path, json!({"bath_temp_c": bath})).await;
        assert_eq!(refused.pointers(), ["#/bath_temp_c"]);
        let refused = refused.problem(422, slug);
        assert_eq!(refused["add_ml"], Value::Null);
    }
    // Heat balance V (T0-Ta)/(Ta-Tw), by hand: 1000 (38.4-36.0)/(36.0-15.0) = 114.3 ml to add,
    // 1000 (38.4-36.0)/(38.4-15.0) = 102.6 ml to replace.
    let hot = json!({"bath_temp_c": 38.4, "bath_volume_ml": 1000, "water_temp_c": 15.0});
    let refused = client.post(&path, hot).await.problem(422, "bath-too-hot");
    assert_eq!((&refused["add_ml"], &refused["replace_ml"]), (&json!(114), &json!(103)));
    assert!(refused["detail"].as_str().unwrap().contains("Add 114 ml of water at 15.0 C"));
    // 1000 (36.0-33.0)/(55.0-36.0) = 157.9 ml to add, 1000 (36.0-33.0)/(55.0-33.0) = 136.4 to replace.
    let cold = json!({"bath_temp_c": 33.0, "bath_volume_ml": 1000, "water_temp_c": 55.0});
    let refused = client.post(&path, cold).await.problem(422, "bath-too-cold");
    assert_eq!((&refused["add_ml"], &refused["replace_ml"]), (&json!(158), &json!(136)));
    // Warm water cannot cool.
    let useless = json!({"bath_temp_c": 38.4, "bath_volume_ml": 1000, "water_temp_c": 40.0});
    let refused = client.post(&path, useless).await.problem(422, "bath-too-hot");
    assert!(refused["detail"].as_str().unwrap().contains("cannot help"));
    for right in [35.0, 36.0] {
        let path = format!(
            "/v1/withdrawals/{}/thaw",
            out(world, &farm, &format!("right {right}"), &farm.sexed).await
        );
        client.post(&path, json!({"bath_temp_c": right})).await.expect(200);
    }
}

async fn the_suppliers_instruction_goes_before_the_herds_and_the_default(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // 32-35 C, at least 45 s: Nebel, Virginia Cooperative Extension 1997.
    let herds = json!({"min_c": 32.0, "max_c": 35.0, "aim_c": 35.0, "min_s": 45, "use_within_s": 600});
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"thaw": herds})).await.expect(200);
    let path = format!("/v1/withdrawals/{}", out(world, &farm, "1", &farm.sexed).await);
    assert_eq!(client.get(&path).await.expect(200)["thaw"]["min_s"], 45);
    // The supplier's own instruction overrides any default: Brace 2011. 37 C, 40 s: UK producer guidance.
    let suppliers = json!({"min_c": 36.5, "max_c": 37.5, "aim_c": 37.0, "min_s": 40, "use_within_s": 300, "source": "label"});
    client.patch(&format!("/v1/lots/{}", farm.sexed), None, json!({"thaw": suppliers})).await.expect(200);
    let path = format!("/v1/withdrawals/{}", out(world, &farm, "2", &farm.sexed).await);
    let thaw = client.get(&path).await.expect(200)["thaw"].clone();
    assert_eq!((&thaw["aim_c"], &thaw["source"]), (&json!(37.0), &json!("label")));
    client.post(&format!("{path}/thaw"), json!({"bath_temp_c": 36.0})).await.problem(422, "bath-too-cold");
    client.post(&format!("{path}/thaw"), json!({"bath_temp_c": 37.0})).await.expect(200);
    // Above 38 C judged harmful in practice: Animals 2022, 12(18):2330. A protocol above 40 is refused.
    let harmful = json!({"min_c": 36.0, "max_c": 41.0, "aim_c": 37.0, "min_s": 40, "use_within_s": 300});
    let refused = client.patch(&format!("/v1/lots/{}", farm.sexed), None, json!({"thaw": harmful})).await;
    assert_eq!(refused.pointers(), ["#/thaw/max_c"]);
}

async fn a_service_too_early_or_too_late_is_kept_with_its_deviation(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // Sexed: ready after 30 s, to be used within 5 min.
    for (n, (served_at, deviation)) in [
        ("2026-03-02T05:01:29+01:00", Some("before_ready")),
        ("2026-03-02T05:01:30+01:00", None),
        ("2026-03-02T05:06:30+01:00", None),
        ("2026-03-02T05:06:31+01:00", Some("after_use_by")),
        ("2026-03-02T04:59:00+01:00", Some("before_withdrawal")),
    ]
    .into_iter()
    .enumerate()
    {
        let id = out(world, &farm, &n.to_string(), &farm.sexed).await;
        let bath = json!({"bath_temp_c": 35.5, "started_at": "2026-03-02T05:01:00+01:00"});
        client.post(&format!("/v1/withdrawals/{id}/thaw"), bath).await.expect(200);
        let service = json!({"withdrawal_id": id, "served_at": served_at});
        let service = client.post("/v1/services", service).await.created();
        let kind = service["deviations"][0]["kind"].as_str();
        assert_eq!(kind, deviation, "{served_at}");
    }
    // No thaw on record is said, not held against her.
    let id = out(world, &farm, "unthawed", &farm.sexed).await;
    let service = client.post("/v1/services", json!({"withdrawal_id": id})).await.created();
    assert_eq!(service["deviations"], json!([]));
    assert!(service["warnings"][0].as_str().unwrap().contains("No thaw"));
}

async fn a_bath_out_of_range_that_was_used_stays_on_record(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let id = out(world, &farm, "1", &farm.sexed).await;
    let bath = json!({"bath_temp_c": 37.0, "override": {"reason": "Thermometer read afterwards."}});
    let technician = world.caller(Role::Technician).await;
    technician.post(&format!("/v1/withdrawals/{id}/thaw"), bath.clone()).await.problem(403, "forbidden");
    let thawing = client.post(&format!("/v1/withdrawals/{id}/thaw"), bath).await.expect(200);
    assert_eq!(thawing["deviations"][0]["kind"], "bath_out_of_range");
    assert_eq!(thawing["deviations"][0]["reason"], "Thermometer read afterwards.");
    world.pass(chrono::TimeDelta::minutes(2));
    let service = client.post("/v1/services", json!({"withdrawal_id": id})).await.created();
    assert_eq!(service["deviations"][0]["kind"], "bath_out_of_range");
}

async fn a_straw_is_thawed_once(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let id = out(world, &farm, "1", &farm.sexed).await;
    let path = format!("/v1/withdrawals/{id}/thaw");
    client.post(&path, json!({"bath_temp_c": 35.5})).await.expect(200);
    let again = client.post(&path, json!({"bath_temp_c": 35.5})).await.problem(409, "already-thawing");
    assert!(again["use_by"].is_string());
    client.post("/v1/services", json!({"withdrawal_id": id})).await.created();
    client.post(&path, json!({"bath_temp_c": 35.5})).await.problem(409, "already-resolved");
    let nobody = format!("/v1/withdrawals/{}/thaw", uuid::Uuid::now_v7());
    client.post(&nobody, json!({"bath_temp_c": 35.5})).await.problem(404, "not-found");
}

async fn a_thaw_before_the_withdrawal_and_twenty_straws_do_not_pass_unremarked(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    farm.receive(client, &farm.sexed, 3, 20).await;
    let animal = farm.animal(client, "1").await;
    let order = |straws: i64| json!({"animal_id": animal, "lot_id": farm.sexed, "straws": straws, "withdrawn_at": "2026-03-02T05:00:00+01:00"});
    let many = client.post("/v1/withdrawals", order(20)).await.created();
    assert!(many["warnings"][0].as_str().unwrap().starts_with("20 straws for one animal"), "{many:#}");
    let two = client.post("/v1/withdrawals", order(2)).await.created();
    assert_eq!(two["warnings"], json!([]));
    let early = json!({"bath_temp_c": 35.6, "started_at": "2026-03-02T04:59:00+01:00"});
    let path = format!("/v1/withdrawals/{}/thaw", two["id"].as_str().unwrap());
    let thawing = client.post(&path, early).await.expect(200);
    assert_eq!(thawing["deviations"][0]["kind"], "before_withdrawal", "{thawing:#}");
}
