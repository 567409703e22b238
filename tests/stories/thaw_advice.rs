//! The bath before the straw.

use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    on_both_stores,
    world::{Farm, World},
};

on_both_stores!(
    a_bath_is_judged_before_anything_is_lifted,
    advice_comes_in_steps_that_lead_to_the_aim,
    the_lots_instruction_goes_before_the_herds_and_that_before_the_default,
    what_contradicts_the_lot_is_refused_and_what_is_not_there_unknown,
    what_is_in_the_bath_leaves_less_room,
);

async fn advice(world: &World, query: &str) -> Value {
    world.manager.get(&format!("/v1/thaw-advice?{query}")).await.expect(200)
}

fn cautions(advice: &Value) -> String {
    let all = advice["cautions"].as_array().unwrap().iter();
    all.map(|caution| caution.as_str().unwrap()).collect::<Vec<_>>().join("\n")
}

async fn a_bath_is_judged_before_anything_is_lifted(world: &World) {
    // Accepted 35.0-37.0 C: common practice, no source.
    for (bath, verdict) in
        [("34.99", "too_cold"), ("35", "right"), ("35.6", "right"), ("37", "right"), ("37.01", "too_hot")]
    {
        let told = advice(world, &format!("bath_temp_c={bath}&semen_type=conventional&straw_ml=0.25")).await;
        assert_eq!(told["verdict"], verdict, "{told:#}");
        assert_eq!(told["rule_set"], "default");
        // Aim 96 F: South Dakota State Univ. Extension; 30 s: common practice, no source; 15 min: Dalton, Univ. Idaho (10-15 min).
        assert_eq!((&told["protocol"]["aim_c"], &told["thaw_s"]), (&json!(35.6), &json!(30)));
        assert_eq!(told["use_within_s"], 900);
        let use_by = if verdict == "right" { json!("2026-03-02T05:15:00Z") } else { Value::Null };
        assert_eq!(told["use_by"], use_by);
        assert!(cautions(&told).contains("can burst"), "{told:#}");
        assert!(cautions(&told).contains("Local codes"), "{told:#}");
    }
    // 45 s for a thick straw and where the volume is not known: Nebel, Virginia Cooperative Extension, 1997.
    for straw in ["&straw_ml=0.5", ""] {
        let told = advice(world, &format!("bath_temp_c=35.6&semen_type=conventional{straw}")).await;
        assert_eq!((&told["thaw_s"], &told["use_within_s"]), (&json!(45), &json!(900)));
    }
    // Sexed: 5 min, one at a time: trade guidance; Statham. What is not known is taken for sexed, and said.
    for semen in ["&semen_type=sexed_female", ""] {
        let told = advice(world, &format!("bath_temp_c=35.6{semen}&straws=2")).await;
        assert_eq!((&told["verdict"], &told["straws_at_once"]), (&json!("too_many"), &json!(1)));
        assert_eq!((&told["thaw_s"], &told["use_within_s"]), (&json!(45), &json!(300)));
        assert_eq!(cautions(&told).contains("semen type is not known"), semen.is_empty());
    }
    let reader = world.caller(Role::Reader).await;
    reader.get("/v1/thaw-advice?bath_temp_c=35.6").await.expect(200);
}

async fn advice_comes_in_steps_that_lead_to_the_aim(world: &World) {
    // By hand: 1000 (38.4-35.6)/(35.6-15) = 135.9 ml; after half of it (1000 x 38.4 + 68 x 15) / 1068 = 36.9 C.
    let told = advice(world, "bath_temp_c=38.4&bath_volume_ml=1000&water_temp_c=15").await;
    assert_eq!(told["verdict"], "too_hot");
    assert_eq!((&told["add_ml"], &told["replace_ml"]), (&json!(136), &json!(120)));
    let steps: Vec<_> = told["steps"]
        .as_array()
        .unwrap()
        .iter()
        .map(|step| {
            (
                step["action"].as_str().unwrap(),
                step["ml"].as_i64().unwrap(),
                step["expect_c"].as_f64().unwrap(),
            )
        })
        .collect();
    assert_eq!(steps, [("add", 68, 36.9), ("add", 68, 35.6)]);
    let texts: Vec<_> =
        told["steps"].as_array().unwrap().iter().map(|step| step["text"].as_str().unwrap()).collect();
    assert!(
        texts.iter().all(|text| text.contains("stir, wait for the thermometer and measure")),
        "{texts:?}"
    );
    // Without the volume there is no amount, and it is said what to send.
    let told = advice(world, "bath_temp_c=38.4&water_temp_c=15").await;
    assert_eq!((&told["add_ml"], &told["steps"]), (&Value::Null, &json!([])));
    assert!(told["text"].as_str().unwrap().contains("volume of the bath"), "{told:#}");
    let told = advice(world, "bath_temp_c=33&bath_volume_ml=1000&water_temp_c=20").await;
    assert_eq!(told["verdict"], "too_cold");
    assert!(told["text"].as_str().unwrap().contains("cannot help"), "{told:#}");
}

async fn the_lots_instruction_goes_before_the_herds_and_that_before_the_default(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let of = |query: String| async move {
        let told = advice(world, &format!("bath_temp_c=35.6&{query}")).await;
        (told["rule_set"].as_str().unwrap().to_owned(), told["protocol"]["min_s"].as_i64().unwrap())
    };
    let both = format!("lot_id={}&herd_id={}", farm.conventional, farm.herd);
    assert_eq!(of(both.clone()).await, ("default".to_owned(), 30));
    let herds = json!({"min_c": 35.0, "max_c": 36.0, "aim_c": 35.5, "min_s": 50, "use_within_s": 600});
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"thaw": herds})).await.expect(200);
    assert_eq!(of(both.clone()).await, ("herd".to_owned(), 50));
    assert_eq!(of(format!("herd_id={}", farm.herd)).await, ("herd".to_owned(), 50));
    // The supplier's own instruction overrides any default: Brace 2011.
    let label = json!({"min_c": 35.0, "max_c": 38.0, "aim_c": 37.0, "min_s": 40, "use_within_s": 300, "source": "label"});
    client.patch(&format!("/v1/lots/{}", farm.conventional), None, json!({"thaw": label})).await.expect(200);
    assert_eq!(of(both.clone()).await, ("lot".to_owned(), 40));
    let told = advice(world, &format!("bath_temp_c=38.5&{both}&bath_volume_ml=1000&water_temp_c=12")).await;
    // 1000 (38.5-37)/(37-12) = 60 ml.
    assert_eq!((&told["verdict"], &told["add_ml"]), (&json!("too_hot"), &json!(60)));
    // As it is judged here, so it is at the thaw and told before.
    let animal = farm.animal(client, "412").await;
    let rule = json!([{"from_service": 1, "semen_types": ["conventional"]}]);
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"choice_rule": rule})).await.expect(200);
    let next = client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200);
    assert_eq!(next["thaw"], told["protocol"]);
    let id = client.make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.conventional})).await;
    let bath = json!({"bath_temp_c": 38.5, "bath_volume_ml": 1000, "water_temp_c": 12});
    let refused = client.post(&format!("/v1/withdrawals/{id}/thaw"), bath).await.problem(422, "bath-too-hot");
    assert_eq!(refused["steps"], told["steps"]);
}

async fn what_contradicts_the_lot_is_refused_and_what_is_not_there_unknown(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let ask = |query: String| {
        client.get(Box::leak(format!("/v1/thaw-advice?bath_temp_c=35.6&{query}").into_boxed_str()))
    };
    let clash = ask(format!("lot_id={}&semen_type=conventional&straw_ml=0.5", farm.sexed)).await;
    assert_eq!(clash.pointers(), ["semen_type", "straw_ml"]);
    let clash = clash.problem(400, "invalid-query");
    assert!(
        clash["errors"][0]["detail"].as_str().unwrap().contains("which is sexed_female; leave it out"),
        "{clash:#}"
    );
    assert!(clash["errors"][1]["detail"].as_str().unwrap().contains("of 0.25 ml"), "{clash:#}");
    ask(format!("lot_id={}&semen_type=sexed_female&straw_ml=0.25", farm.sexed)).await.expect(200);
    let nobody = uuid::Uuid::now_v7();
    for parameter in ["lot_id", "herd_id"] {
        let unknown = ask(format!("{parameter}={nobody}")).await;
        assert_eq!(unknown.pointers(), [parameter]);
        unknown.problem(404, "not-found");
    }
    let neighbour = world.neighbour().await;
    for (parameter, id) in [("lot_id", &farm.sexed), ("herd_id", &farm.herd)] {
        let path = format!("/v1/thaw-advice?bath_temp_c=35.6&{parameter}={id}");
        neighbour.get(&path).await.problem(404, "not-found");
    }
    // A lot that is not to be used is said to be so.
    client.patch(&format!("/v1/lots/{}", farm.sexed), None, json!({"status": "recalled"})).await.expect(200);
    let told = ask(format!("lot_id={}", farm.sexed)).await.expect(200);
    assert!(cautions(&told).contains("The lot is recalled"), "{told:#}");
}

async fn what_is_in_the_bath_leaves_less_room(world: &World) {
    let technician = &world.caller(Role::Technician).await;
    let farm = Farm::found(&world.manager).await;
    let ask = async |query: &str| {
        let told = technician.get(&format!("/v1/thaw-advice?bath_temp_c=35.6&{query}")).await.expect(200);
        (
            told["straws_in_bath"].as_i64().unwrap(),
            told["straws_at_once"].as_i64().unwrap(),
            told["verdict"].clone(),
        )
    };
    let conventional = "semen_type=conventional&straw_ml=0.25";
    // Never over 10 together: Dalton.
    assert_eq!(ask(conventional).await, (0, 10, json!("right")));
    // Half a litre: 500 x 4.154 / 245 = 8.5, of thick straws 500 x 4.154 / 449 = 4.6: handbook physics, put high.
    assert_eq!(ask(&format!("{conventional}&bath_volume_ml=500&straws=8")).await, (0, 8, json!("right")));
    let thick = "semen_type=conventional&straw_ml=0.5&bath_volume_ml=500";
    assert_eq!(ask(&format!("{thick}&straws=5")).await, (0, 4, json!("too_many")));

    let animal = farm.animal(technician, "412").await;
    let id = technician.make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed})).await;
    assert_eq!(ask(conventional).await, (0, 10, json!("right")), "it is not in the bath yet");
    technician.post(&format!("/v1/withdrawals/{id}/thaw"), json!({"bath_temp_c": 35.6})).await.expect(200);
    // One at a time: Statham.
    assert_eq!(ask(conventional).await, (1, 0, json!("too_many")));
    assert_eq!(ask(&format!("lot_id={}", farm.sexed)).await, (1, 0, json!("too_many")));
    // Somebody else's bath.
    assert_eq!(ask(&format!("{conventional}&technician=A.%20Other")).await, (0, 10, json!("right")));
    let others =
        world.manager.get(&format!("/v1/thaw-advice?bath_temp_c=35.6&{conventional}")).await.expect(200);
    assert_eq!(others["straws_in_bath"], 0);
    technician.post("/v1/services", json!({"withdrawal_id": id})).await.created();
    assert_eq!(ask(conventional).await, (0, 10, json!("right")));
}
