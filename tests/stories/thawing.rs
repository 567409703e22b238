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
    what_is_in_the_bath_counts_until_it_is_used_or_past_its_time,
    a_straw_has_seconds_to_the_bath,
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
    // 35.0-37.0 C accepted: common practice, no source. The ends count, a hair beyond does not.
    for (bath, slug) in
        [(37.01, "bath-too-hot"), (38.4, "bath-too-hot"), (34.99, "bath-too-cold"), (20.0, "bath-too-cold")]
    {
        let refused = client.post(&path, json!({"bath_temp_c": bath})).await;
        assert_eq!(refused.pointers(), ["#/bath_temp_c"]);
        let refused = refused.problem(422, slug);
        assert_eq!(refused["add_ml"], Value::Null);
    }
    // Heat balance V (T0-Ta)/(Ta-Tw), by hand: 1000 (38.4-35.6)/(35.6-15.0) = 135.9 ml to add,
    // 1000 (38.4-35.6)/(38.4-15.0) = 119.7 ml to replace.
    let hot = json!({"bath_temp_c": 38.4, "bath_volume_ml": 1000, "water_temp_c": 15.0});
    let refused = client.post(&path, hot).await.problem(422, "bath-too-hot");
    assert_eq!((&refused["add_ml"], &refused["replace_ml"]), (&json!(136), &json!(120)));
    assert!(refused["detail"].as_str().unwrap().contains("Add 136 ml of water at 15.0 C"));
    assert_eq!((&refused["steps"][0]["ml"], &refused["steps"][1]["ml"]), (&json!(68), &json!(68)));
    // 1000 (35.6-33.0)/(55.0-35.6) = 134.0 ml to add, 1000 (35.6-33.0)/(55.0-33.0) = 118.2 to replace.
    let cold = json!({"bath_temp_c": 33.0, "bath_volume_ml": 1000, "water_temp_c": 55.0});
    let refused = client.post(&path, cold).await.problem(422, "bath-too-cold");
    assert_eq!((&refused["add_ml"], &refused["replace_ml"]), (&json!(134), &json!(118)));
    // Warm water cannot cool.
    let useless = json!({"bath_temp_c": 38.4, "bath_volume_ml": 1000, "water_temp_c": 40.0});
    let refused = client.post(&path, useless).await.problem(422, "bath-too-hot");
    assert!(refused["detail"].as_str().unwrap().contains("cannot help"));
    for right in [35.0, 37.0] {
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
    // At least 45 s: Nebel, Virginia Cooperative Extension 1997; from 92 F: US trade press.
    let herds = json!({"min_c": 33.3, "max_c": 35.0, "aim_c": 35.0, "min_s": 45, "use_within_s": 600});
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
    // Above 38 C judged harmful in practice: Animals 2022, 12(18):2330. Below 92 F too cold: US trade
    // press. A protocol beyond is refused.
    let harmful = json!({"min_c": 36.0, "max_c": 38.1, "aim_c": 37.0, "min_s": 40, "use_within_s": 300});
    let refused = client.patch(&format!("/v1/lots/{}", farm.sexed), None, json!({"thaw": harmful})).await;
    assert_eq!(refused.pointers(), ["#/thaw/max_c"]);
    let cold = json!({"min_c": 33.2, "max_c": 35.0, "aim_c": 35.0, "min_s": 45, "use_within_s": 300});
    let refused = client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"thaw": cold})).await;
    assert_eq!(refused.pointers(), ["#/thaw/min_c"]);
}

async fn a_service_too_early_or_too_late_is_kept_with_its_deviation(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // Sexed: ready after 45 s, to be used within 5 min of leaving the tank.
    for (n, (served_at, deviation)) in [
        ("2026-03-02T05:00:54+01:00", Some("before_ready")),
        ("2026-03-02T05:00:55+01:00", None),
        ("2026-03-02T05:05:00+01:00", None),
        ("2026-03-02T05:05:01+01:00", Some("after_use_by")),
        ("2026-03-02T04:59:00+01:00", Some("before_withdrawal")),
    ]
    .into_iter()
    .enumerate()
    {
        let id = out(world, &farm, &n.to_string(), &farm.sexed).await;
        let bath = json!({"bath_temp_c": 35.5, "started_at": "2026-03-02T05:00:10+01:00"});
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
    let bath = json!({"bath_temp_c": 37.2, "override": {"reason": "Thermometer read afterwards."},
                      "started_at": "2026-03-02T05:00:09+01:00"});
    let technician = world.caller(Role::Technician).await;
    technician.post(&format!("/v1/withdrawals/{id}/thaw"), bath.clone()).await.problem(403, "forbidden");
    let thawing = client.post(&format!("/v1/withdrawals/{id}/thaw"), bath).await.expect(200);
    assert_eq!(thawing["deviations"][0]["kind"], "bath_out_of_range");
    assert_eq!(thawing["deviations"][0]["reason"], "Thermometer read afterwards.");
    let service = json!({"withdrawal_id": id, "served_at": "2026-03-02T05:03:00+01:00"});
    let service = client.post("/v1/services", service).await.created();
    assert_eq!(service["deviations"], thawing["deviations"]);
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

/// The warnings that speak of too many straws.
fn crowding(thawing: &Value) -> Vec<&str> {
    let warnings = thawing["warnings"].as_array().unwrap().iter();
    warnings
        .map(|warning| warning.as_str().unwrap())
        .filter(|warning| warning.contains("at once are too many"))
        .collect()
}

async fn what_is_in_the_bath_counts_until_it_is_used_or_past_its_time(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let rule = json!([{"from_service": 1, "semen_types": ["conventional"]}]);
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"choice_rule": rule})).await.expect(200);
    farm.receive(client, &farm.conventional, 4, 40).await;
    let thaw = async |number: &str, straws: i64, technician: Option<&str>, at: &str| {
        let animal = farm.animal(client, number).await;
        let order = json!({"animal_id": animal, "lot_id": farm.conventional, "straws": straws, "withdrawn_at": at,
                           "technician": technician});
        let id = client.make("/v1/withdrawals", order).await;
        let bath = json!({"bath_temp_c": 36.0, "bath_volume_ml": 500, "started_at": at});
        (client.post(&format!("/v1/withdrawals/{id}/thaw"), bath).await.expect(200), id)
    };
    // Half a litre cools by 1 C with 500 x 4.154 / 245 = 8.5 straws of 0.25 ml: handbook physics, the straws' heat put high.
    let (first, eaten) = thaw("1", 5, Some("T. Example"), "2026-03-02T05:00:00+01:00").await;
    assert_eq!(crowding(&first), [""; 0]);
    let (second, _) = thaw("2", 3, Some("T. Example"), "2026-03-02T05:02:00+01:00").await;
    assert_eq!(crowding(&second), [""; 0]);
    let (third, _) = thaw("3", 1, Some("T. Example"), "2026-03-02T05:03:00+01:00").await;
    let said = crowding(&third);
    assert!(
        said.len() == 1 && said[0].contains("at most 0 may go in now beside the 8 that are in the bath"),
        "{third:#}"
    );
    // Another technician has a bath of his own, and so has whoever is not named.
    for (number, technician) in [("4", Some("A. Other")), ("5", None)] {
        let (alone, _) = thaw(number, 8, technician, "2026-03-02T05:03:00+01:00").await;
        assert_eq!(crowding(&alone), [""; 0]);
    }
    // What is used makes room.
    let service = json!({"withdrawal_id": eaten, "served_at": "2026-03-02T05:04:00+01:00"});
    client.post("/v1/services", service).await.created();
    let (after, _) = thaw("6", 4, Some("T. Example"), "2026-03-02T05:05:00+01:00").await;
    assert_eq!(crowding(&after), [""; 0]);
    // What is past its time is no longer used: 15 min: Dalton, Univ. Idaho (10-15 min).
    let (much_later, _) = thaw("7", 8, Some("T. Example"), "2026-03-02T05:20:00+01:00").await;
    assert_eq!(crowding(&much_later), [""; 0]);
}

async fn a_straw_has_seconds_to_the_bath(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let lot = json!({"sire_id": farm.sire, "semen_type": "sexed_female", "straw_ml": 0.5});
    let thick = client.make("/v1/lots", lot).await;
    let lot = json!({"sire_id": farm.sire, "semen_type": "sexed_female"});
    let unknown = client.make("/v1/lots", lot).await;
    for lot in [&thick, &unknown] {
        farm.receive(client, lot, 2, 10).await;
    }
    // In computed still air the core nears -80 C after 15.0-17.6 s (0.25 ml) and 24.7-28.8 s (0.5 ml).
    for (n, (lot, seconds, said)) in [
        (&farm.sexed, 15, ""),
        (&farm.sexed, 16, "16 s from the tank to the bath, more than 15 s"),
        (&unknown, 16, "16 s from the tank to the bath, more than 15 s"),
        (&thick, 25, ""),
        (&thick, 26, "26 s from the tank to the bath, more than 25 s"),
        (&thick, 60, "60 s from the tank to the bath, more than 25 s"),
    ]
    .into_iter()
    .enumerate()
    {
        let id = out(world, &farm, &format!("{n}"), lot).await;
        let bath = json!({"bath_temp_c": 35.6, "started_at": format!("2026-03-02T05:00:{seconds:02}+01:00")
            .replace(":60+", ":59.999999+")});
        let thawing = client.post(&format!("/v1/withdrawals/{id}/thaw"), bath).await.expect(200);
        assert_eq!(thawing["deviations"], json!([]));
        let warnings: Vec<_> = thawing["warnings"]
            .as_array()
            .unwrap()
            .iter()
            .map(|warning| warning.as_str().unwrap())
            .filter(|warning| warning.contains("to the bath"))
            .collect();
        assert_eq!(warnings.is_empty(), said.is_empty(), "{thawing:#}");
        let said = said.replace("60 s", "59 s");
        assert!(
            warnings.iter().all(|warning| warning.starts_with(&said) && warning.contains("then lift")),
            "{warnings:?}"
        );
        let served = json!({"withdrawal_id": id, "served_at": "2026-03-02T05:03:00+01:00"});
        assert_eq!(client.post("/v1/services", served).await.created()["deviations"], json!([]));
    }
    // Over a minute goes on record, in words that people use, and stays with the service. The five minutes that a sexed straw
    // has count from the tank.
    let id = out(world, &farm, "late", &farm.sexed).await;
    let bath = json!({"bath_temp_c": 35.6, "started_at": "2026-03-02T05:04:10+01:00"});
    let thawing = client.post(&format!("/v1/withdrawals/{id}/thaw"), bath).await.expect(200);
    assert_eq!(thawing["use_by"], "2026-03-02T04:05:00Z");
    assert_eq!(thawing["deviations"][0]["kind"], "late_to_bath");
    assert!(
        thawing["deviations"][0]["text"].as_str().unwrap().starts_with("4 min from the tank to the bath"),
        "{thawing:#}"
    );
    let served = json!({"withdrawal_id": id, "served_at": "2026-03-02T15:05:00+01:00"});
    world.set_clock("2026-03-02T16:00:00+01:00");
    let served = client.post("/v1/services", served).await.created();
    let told: Vec<_> = served["deviations"]
        .as_array()
        .unwrap()
        .iter()
        .map(|deviation| (deviation["kind"].as_str().unwrap(), deviation["text"].as_str().unwrap()))
        .collect();
    assert_eq!(told[1], ("after_use_by", "Served 10 h after the straw should have been used."));
    assert_eq!((told.len(), told[0].0), (2, "late_to_bath"));
}
