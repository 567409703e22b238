//! What stands against a straw for an animal, and how it is set aside.

use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    the_choice_rule_refuses_and_says_what_instead,
    an_override_needs_a_manager_and_stays_on_record,
    a_herd_has_its_own_choice_rule,
    a_clause_looks_at_lactation_groups_and_days,
    what_the_rule_names_otherwise_is_taken_only_where_nothing_wanted_is_in_reach,
    a_clause_may_ask_for_a_sires_purpose,
    a_technician_may_set_the_rule_aside_where_the_herd_says_so,
    a_pregnant_animal_is_refused,
    do_not_breed_is_refused_until_it_is_lifted,
    her_own_sire_is_refused_and_so_are_half_sibs,
    kinship_in_a_closed_herd_is_that_of_the_table_whatever_else_hangs_in_the_tank,
    nobody_becomes_an_ancestor_of_its_own,
    a_dam_is_older_than_her_calf,
    a_quarantined_lot_stays_where_it_is,
    a_heifer_too_young_or_an_animal_gone_is_refused,
    a_fresh_cow_is_served_with_a_warning,
    another_rule_for_one_heat_renumbers_at_once,
    another_herds_tank_is_out_of_reach,
    not_enough_straws_says_where_else,
    abortions_open_a_cycle_only_when_said_so,
    marks_are_ordered_alike_on_both_stores,
);

async fn withdraw(client: &Client, animal: &str, lot: &str) -> crate::world::Answer {
    client.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": lot})).await
}

async fn next(client: &Client, animal: &str) -> Value {
    client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200)
}

async fn the_choice_rule_refuses_and_says_what_instead(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let refused = withdraw(client, &animal, &farm.conventional).await.problem(409, "choice-rule");
    assert_eq!(refused["service_number"], 1);
    assert_eq!(refused["semen_types"], json!(["sexed_female"]));
    assert_eq!(refused["allowed"][0]["lot"]["id"], json!(farm.sexed));
    assert_eq!(refused["allowed"][0]["place"], farm.place(3));
    assert!(refused["detail"].as_str().unwrap().contains("canister 3, cane B, upper goblet"));
    assert_eq!(farm.straws(client, &farm.conventional).await, 10, "nothing was taken");

    // A sire and a type that the rule does not allow.
    let order = json!({"animal_id": animal, "sire_id": farm.sire, "semen_type": "conventional"});
    client.post("/v1/withdrawals", order).await.problem(409, "choice-rule");
}

async fn an_override_needs_a_manager_and_stays_on_record(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let order = json!({"animal_id": animal, "lot_id": farm.conventional,
                       "override": {"reason": "Owner wants a beef calf."}});
    let technician = world.caller(Role::Technician).await;
    technician.post("/v1/withdrawals", order.clone()).await.problem(403, "forbidden");
    assert_eq!(farm.straws(client, &farm.conventional).await, 10);

    let taken = client.post("/v1/withdrawals", order).await.created();
    assert_eq!(taken["deviations"][0]["kind"], "choice_rule");
    assert_eq!(taken["deviations"][0]["reason"], "Owner wants a beef calf.");
    assert_eq!(taken["override_reason"], "Owner wants a beef calf.");
    let service = client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
    assert_eq!(service["deviations"][0]["kind"], "choice_rule");

    // Where nothing stands in the way there is nothing to set aside, and a technician may say so.
    let other = farm.animal(client, "2").await;
    let order = json!({"animal_id": other, "lot_id": farm.sexed, "override": {"reason": "to be safe"}});
    let taken = technician.post("/v1/withdrawals", order).await.created();
    assert_eq!((&taken["deviations"], &taken["override_reason"]), (&json!([]), &json!(null)));
}

async fn a_herd_has_its_own_choice_rule(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let rule = json!([
        {"from_service": 1, "to_service": 2, "class": "heifer", "semen_types": ["sexed_female"]},
        {"from_service": 1, "semen_types": ["conventional"]},
    ]);
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"choice_rule": rule})).await.expect(200);
    let heifer = farm.animal(client, "1").await;
    farm.served(client, &heifer, "2026-02-09T08:00:00Z").await;
    assert_eq!(next(client, &heifer).await["semen_types"], json!(["sexed_female"]), "service 2 of a heifer");
    let cow = farm.animal(client, "2").await;
    client
        .post("/v1/calvings", json!({"animal_id": cow, "calved_at": "2025-11-01T08:00:00Z"}))
        .await
        .created();
    let next = next(client, &cow).await;
    assert_eq!((&next["class"], &next["semen_types"]), (&json!("cow"), &json!(["conventional"])));
    withdraw(client, &cow, &farm.sexed).await.problem(409, "choice-rule");
    withdraw(client, &cow, &farm.conventional).await.created();

    // A rule that ends too early restricts nothing after its end, and says so.
    let short = json!([{"from_service": 1, "to_service": 1, "semen_types": ["sexed_female"]}]);
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"choice_rule": short})).await.expect(200);
    let said = "The herd's choice rule says nothing of service 2 of a heifer; have it completed.";
    let asked = client.get(&format!("/v1/animals/{heifer}/next-service")).await.expect(200);
    assert!(asked["cautions"].as_array().unwrap().contains(&json!(said)), "{asked:#}");
    let taken = withdraw(client, &heifer, &farm.conventional).await.created();
    assert_eq!(taken["warnings"], json!([said]));
}

async fn a_pregnant_animal_is_refused(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    farm.served(client, &animal, "2026-01-10T08:00:00Z").await;
    let check = |result: &str, at: &str| json!({"animal_id": animal, "checked_at": at, "method": "ultrasound", "result": result});
    let report =
        async |result: &str, at: &str| client.post("/v1/pregnancy-checks", check(result, at)).await.created();
    report("pregnant", "2026-02-20T08:00:00Z").await;
    let refused = withdraw(client, &animal, &farm.conventional).await.problem(409, "animal-pregnant");
    assert_eq!(refused["allowed"], json!([]), "no other straw would help");
    let asked = next(client, &animal).await;
    assert_eq!(asked["permitted"], false);
    assert_eq!(asked["objections"][0]["kind"], "animal_pregnant");

    let order =
        json!({"animal_id": animal, "lot_id": farm.conventional, "override": {"reason": "Vet's order."}});
    let taken = client.post("/v1/withdrawals", order).await.created();
    assert_eq!(taken["deviations"][0]["kind"], "animal_pregnant");

    report("empty", "2026-02-25T08:00:00Z").await;
    withdraw(client, &animal, &farm.conventional).await.created();
    // Ultrasound from day 26 in heifers: Prairie View A&M, 1,400 scans.
    let other = farm.animal(client, "2").await;
    farm.served(client, &other, "2026-02-10T08:00:00Z").await;
    let early = json!({"animal_id": other, "checked_at": "2026-02-20T08:00:00Z", "method": "ultrasound", "result": "empty"});
    let early = client.post("/v1/pregnancy-checks", early).await.created();
    assert!(early["warnings"][0].as_str().unwrap().contains("26 days"));
}

async fn do_not_breed_is_refused_until_it_is_lifted(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    client
        .post("/v1/do-not-breed", json!({"animal_id": animal, "decided_at": "2026-02-01T08:00:00Z"}))
        .await
        .created();
    withdraw(client, &animal, &farm.sexed).await.problem(409, "do-not-breed");
    let lifted = json!({"animal_id": animal, "decided_at": "2026-03-01T08:00:00Z", "do_not_breed": false});
    client.post("/v1/do-not-breed", lifted).await.created();
    withdraw(client, &animal, &farm.sexed).await.created();
}

async fn her_own_sire_is_refused_and_so_are_half_sibs(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // Sire x daughter 0.25, half sibs 0.125: Mrode 3e, ch. 2.
    let daughter = client
        .make(
            "/v1/animals",
            json!({"herd_id": farm.herd, "number": "1", "born_on": "2023-05-02", "sire_id": farm.sire}),
        )
        .await;
    let refused = withdraw(client, &daughter, &farm.sexed).await.problem(409, "kinship");
    assert!(refused["detail"].as_str().unwrap().contains("25.0 %"), "{refused:#}");
    let asked = next(client, &daughter).await;
    assert_eq!(asked["candidates"], json!([]));
    assert_eq!(asked["blocked"][0]["sire_id"], json!(farm.sire));

    let half_brother = client.make("/v1/sires", json!({"name": "Invented Son", "sire_id": farm.sire})).await;
    let lot = client.make("/v1/lots", json!({"sire_id": half_brother, "semen_type": "sexed_female"})).await;
    farm.receive(client, &lot, 5, 5).await;
    let refused = withdraw(client, &daughter, &lot).await.problem(409, "kinship");
    assert!(refused["detail"].as_str().unwrap().contains("12.5 %"), "{refused:#}");

    let granddaughter = client
        .make(
            "/v1/animals",
            json!({"herd_id": farm.herd, "number": "2", "born_on": "2024-05-02", "dam_id": daughter}),
        )
        .await;
    let refused = withdraw(client, &granddaughter, &farm.sexed).await.problem(409, "kinship");
    assert!(refused["detail"].as_str().unwrap().contains("12.5 %"), "grandsire x granddaughter: {refused:#}");
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"kinship_limit": 0.2})).await.expect(200);
    withdraw(client, &granddaughter, &farm.sexed).await.created();
    withdraw(client, &daughter, &farm.sexed).await.problem(409, "kinship");
}

async fn a_quarantined_lot_stays_where_it_is(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    for status in ["quarantined", "recalled"] {
        client.patch(&format!("/v1/lots/{}", farm.sexed), None, json!({"status": status})).await.expect(200);
        let refused = withdraw(client, &animal, &farm.sexed).await.problem(409, "lot-not-usable");
        assert!(refused["detail"].as_str().unwrap().contains(status));
        let asked = next(client, &animal).await;
        assert_eq!(asked["candidates"], json!([]));
        assert_eq!(asked["blocked"][0]["lot_id"], json!(farm.sexed));
    }
    // Another lot of the same sire is offered instead.
    let other = farm.lot(client, "sexed_female", "2025-01-01").await;
    farm.receive(client, &other, 1, 1).await;
    let refused = withdraw(client, &animal, &farm.sexed).await.problem(409, "lot-not-usable");
    assert_eq!(refused["allowed"][0]["lot"]["id"], json!(other));
    client.patch(&format!("/v1/lots/{}", farm.sexed), None, json!({"status": "usable"})).await.expect(200);
    withdraw(client, &animal, &farm.sexed).await.created();
}

async fn a_heifer_too_young_or_an_animal_gone_is_refused(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // First service of heifers from 12 months: Santos, Univ. Florida.
    let young = json!({"herd_id": farm.herd, "number": "1", "born_on": "2025-03-03"});
    let young = client.make("/v1/animals", young).await;
    withdraw(client, &young, &farm.sexed).await.problem(409, "too-young");
    world.set_clock("2026-03-03T12:00:00+01:00");
    withdraw(client, &young, &farm.sexed).await.created();

    let gone = farm.animal(client, "2").await;
    client.patch(&format!("/v1/animals/{gone}"), None, json!({"left_on": "2026-02-01"})).await.expect(200);
    withdraw(client, &gone, &farm.sexed).await.problem(409, "animal-left");
}

async fn a_fresh_cow_is_served_with_a_warning(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    client
        .post("/v1/calvings", json!({"animal_id": animal, "calved_at": "2026-02-01T08:00:00Z"}))
        .await
        .created();
    // Voluntary waiting period 45-60 d: Overton 2009; a warning only.
    let taken = withdraw(client, &animal, &farm.sexed).await.created();
    assert!(taken["warnings"][0].as_str().unwrap().contains("waits 50 days"), "{taken:#}");
    assert_eq!(taken["deviations"], json!([]));

    // Days are those of the herd's calendar: calved late in the evening of 11 January in Vienna, she has waited 50 days on
    // 2 March, before 50 times 24 hours are over. The clock says 05:00 UTC, 06:00 there.
    let waited = farm.animal(client, "2").await;
    let calved = json!({"animal_id": waited, "calved_at": "2026-01-11T23:30:00+01:00"});
    client.post("/v1/calvings", calved).await.created();
    assert_eq!(withdraw(client, &waited, &farm.sexed).await.created()["warnings"], json!([]));
    let early = farm.animal(client, "3").await;
    let calved = json!({"animal_id": early, "calved_at": "2026-01-12T00:30:00+01:00"});
    client.post("/v1/calvings", calved).await.created();
    let taken = withdraw(client, &early, &farm.sexed).await.created();
    assert!(taken["warnings"][0].as_str().unwrap().contains("calved 49 days ago"), "{taken:#}");
}

async fn another_rule_for_one_heat_renumbers_at_once(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let mut services = Vec::new();
    for at in ["2026-02-01T08:00:00Z", "2026-02-03T20:00:00Z", "2026-02-25T08:00:00Z"] {
        services.push(farm.served(client, &animal, at).await["id"].as_str().unwrap().to_owned());
    }
    let numbers = async || {
        let mut numbers = Vec::new();
        for id in &services {
            let service = client.get(&format!("/v1/services/{id}")).await.expect(200);
            numbers.push((service["service_number"].as_i64().unwrap(), service["rank"].as_i64().unwrap()));
        }
        numbers
    };
    // 60 hours lie between the first two: two services by the default of 48 hours, one by 72.
    assert_eq!(numbers().await, [(1, 1), (2, 1), (3, 1)]);
    let herd = format!("/v1/herds/{}", farm.herd);
    client.patch(&herd, None, json!({"same_heat_hours": 72})).await.expect(200);
    assert_eq!(numbers().await, [(1, 1), (1, 2), (2, 1)]);
    assert_eq!(next(client, &animal).await["service_number"], 3);
    // In another herd, that one's rule holds.
    let other = json!({"name": "Far Hill", "time_zone": "Europe/Vienna", "same_heat_hours": 48});
    let other = client.make("/v1/herds", other).await;
    client.patch(&format!("/v1/animals/{animal}"), None, json!({"herd_id": other})).await.expect(200);
    assert_eq!(numbers().await, [(1, 1), (2, 1), (3, 1)]);
}

async fn another_herds_tank_is_out_of_reach(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let other = client.make("/v1/herds", json!({"name": "Upper Meadow", "time_zone": "Europe/Vienna"})).await;
    let guest = json!({"herd_id": other, "number": "1", "born_on": "2023-05-02"});
    let guest = client.make("/v1/animals", guest).await;
    assert_eq!(next(client, &guest).await["candidates"], json!([]));
    withdraw(client, &guest, &farm.sexed).await.problem(409, "not-in-stock");

    // The technician's own tank serves every herd.
    let van = client.make("/v1/tanks", json!({"name": "Van", "canisters": 3})).await;
    let receipt = json!({"lot_id": farm.sexed, "place": {"tank_id": van, "canister": 1}, "straws": 2});
    client.post("/v1/receipts", receipt).await.created();
    let taken = withdraw(client, &guest, &farm.sexed).await.created();
    assert_eq!(taken["place"]["tank_id"], json!(van));
    let service = client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
    assert_eq!(service["semen_from_herd_stock"], false);

    // Named in so many words, another herd's tank is used, with a warning.
    let order = json!({"animal_id": farm.animal(client, "2").await, "lot_id": farm.sexed,
                       "place": {"tank_id": van, "canister": 1}});
    client.post("/v1/withdrawals", order).await.created();
    world.pass(chrono::TimeDelta::days(3));
    client
        .patch(
            &format!("/v1/herds/{other}"),
            None,
            json!({"choice_rule": [
        {"from_service": 1, "semen_types": ["sexed_female", "conventional"]}]}),
        )
        .await
        .expect(200);
    let order = json!({"animal_id": guest, "lot_id": farm.sexed, "place": farm.place(3)});
    let taken = client.post("/v1/withdrawals", order).await.created();
    assert!(taken["warnings"][0].as_str().unwrap().contains("another herd"), "{taken:#}");
}

async fn not_enough_straws_says_where_else(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    farm.receive(client, &farm.sexed, 5, 2).await;
    let order = |place: Value, straws: i64| json!({"animal_id": animal, "lot_id": farm.sexed, "place": place, "straws": straws});
    let refused = client.post("/v1/withdrawals", order(farm.place(5), 3)).await.problem(409, "not-in-stock");
    assert_eq!((&refused["requested"], &refused["available"]), (&json!(3), &json!(2)));
    assert_eq!(refused["elsewhere"][0]["place"], farm.place(3));
    client.post("/v1/withdrawals", order(farm.place(1), 1)).await.problem(409, "not-in-stock");

    // Without a place, one that holds as many is taken.
    let many = json!({"animal_id": animal, "lot_id": farm.sexed, "straws": 9});
    assert_eq!(client.post("/v1/withdrawals", many.clone()).await.created()["place"], farm.place(3));
    client.post("/v1/withdrawals", many).await.problem(409, "not-in-stock");
    let none = client.make("/v1/sires", json!({"name": "Never Delivered"})).await;
    let empty = client.make("/v1/lots", json!({"sire_id": none, "semen_type": "sexed_female"})).await;
    let refused = withdraw(client, &animal, &empty).await.problem(409, "not-in-stock");
    assert_eq!((&refused["available"], &refused["elsewhere"]), (&json!(0), &json!([])));
    let order = json!({"animal_id": animal, "sire_id": none});
    client.post("/v1/withdrawals", order).await.problem(409, "not-in-stock");

    // Straws that she may not have are not named: quarantined ones, and those in another herd's tank.
    let sexed = json!({"sire_id": none, "semen_type": "sexed_female"});
    let held = json!({"sire_id": none, "semen_type": "sexed_female", "status": "quarantined"});
    let (away, held) = (client.make("/v1/lots", sexed).await, client.make("/v1/lots", held).await);
    farm.receive(client, &held, 2, 5).await;
    let herd = client.make("/v1/herds", json!({"name": "Far Hill", "time_zone": "Europe/Vienna"})).await;
    let far = client.make("/v1/tanks", json!({"name": "Far barn", "herd_id": herd})).await;
    let there = json!({"lot_id": away, "place": {"tank_id": far, "canister": 1}, "straws": 5});
    client.post("/v1/receipts", there).await.created();
    for semen_type in [json!(null), json!("sexed_female")] {
        let order =
            json!({"animal_id": animal, "sire_id": none, "semen_type": semen_type, "place": farm.place(1)});
        let refused = client.post("/v1/withdrawals", order).await.problem(409, "not-in-stock");
        assert_eq!(refused["elsewhere"], json!([]), "{refused}");
    }
}

async fn abortions_open_a_cycle_only_when_said_so(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    for (number, opens, expected) in [("1", false, 2), ("2", true, 1)] {
        let animal = farm.animal(client, number).await;
        farm.served(client, &animal, "2025-10-01T08:00:00Z").await;
        let abortion =
            json!({"animal_id": animal, "aborted_at": "2026-01-01T08:00:00Z", "opens_cycle": opens});
        client.post("/v1/abortions", abortion).await.created();
        assert_eq!(next(client, &animal).await["service_number"], expected);
    }
}

async fn marks_are_ordered_alike_on_both_stores(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // Byte by byte, where most languages put an "a" before a "B".
    for cane in ["a", "B", "b"] {
        let place = json!({"tank_id": farm.tank, "canister": 1, "cane": cane});
        let receipt = json!({"lot_id": farm.sexed, "place": place, "straws": 1});
        client.post("/v1/receipts", receipt).await.created();
    }
    let animal = farm.animal(client, "1").await;
    let asked = next(client, &animal).await;
    let canes: Vec<_> =
        asked["candidates"].as_array().unwrap().iter().map(|straw| &straw["place"]["cane"]).collect();
    assert_eq!(canes, ["B", "a", "b", "B"], "the last hangs in canister 3");
}

/// An animal of the herd in the reference: a bull is a sire of the book, a cow an animal.
async fn enter_closed_herd(client: &Client, farm: &Farm, herd: &Value) -> Vec<String> {
    let (bulls, generation) = (herd["bulls"].as_u64().unwrap(), herd["generation"].as_u64().unwrap());
    let mut ids: Vec<String> = Vec::new();
    for (n, parents) in (0_u64..).zip(herd["parents"].as_array().unwrap()) {
        let parent = |at: usize| parents[at].as_u64().map(|n| ids[usize::try_from(n).unwrap()].clone());
        let mut details = json!({"sire_id": parent(0), "dam_id": parent(1)});
        let path = if n % generation < bulls {
            details["name"] = json!(format!("Invented {n}"));
            "/v1/sires"
        } else {
            details["number"] = json!(n.to_string());
            details["herd_id"] = json!(farm.herd);
            "/v1/animals"
        };
        ids.push(client.make(path, details).await);
    }
    ids
}

async fn kinship_in_a_closed_herd_is_that_of_the_table_whatever_else_hangs_in_the_tank(world: &World) {
    // The tabular method, Mrode 3e, ch. 2: tests/reference/kinship_closed.py. 13 generations, and their founders.
    let reference: Value = serde_json::from_str(include_str!("../reference/kinship_closed.json")).unwrap();
    let herd = &reference["cases"][0];
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let own_herd = format!("/v1/herds/{}", farm.herd);
    let ids = enter_closed_herd(client, &farm, herd).await;
    let matings: Vec<(u64, u64, f64)> = herd["matings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|row| (row[0].as_u64().unwrap(), row[1].as_u64().unwrap(), row[2].as_f64().unwrap()))
        .collect();
    let cow = matings[0].0;
    let animal = &ids[usize::try_from(cow).unwrap()];
    let hers: Vec<_> = matings.into_iter().filter(|(dam, ..)| *dam == cow).collect();
    // Founders, and bulls of the last generation.
    assert_eq!((hers.len(), hers[0].1, hers[41].1), (42, 0, 106));
    let mut hanging: Vec<(String, String, f64)> = Vec::new();
    for (_, bull, inbreeding) in [0, 2, 41, 10, 5, 40, 30].map(|n| hers[n]) {
        let sire = ids[usize::try_from(bull).unwrap()].clone();
        let lot = client.make("/v1/lots", json!({"sire_id": sire, "semen_type": "sexed_female"})).await;
        farm.receive(client, &lot, 1, 9).await;
        hanging.push((sire, lot, inbreeding));
        // Whoever hung there before is judged as he was alone.
        let asked = next(client, animal).await;
        for (sire, lot, inbreeding) in &hanging {
            let blocked = asked["blocked"].as_array().unwrap().iter().find(|b| b["sire_id"] == json!(sire));
            let offered =
                asked["candidates"].as_array().unwrap().iter().any(|c| c["lot"]["id"] == json!(lot));
            let told = format!("{:.1} %", inbreeding * 100.0);
            let answer = withdraw(client, animal, lot).await;
            if *inbreeding >= 0.125 {
                assert!(
                    !offered && blocked.unwrap()["reason"].as_str().unwrap().contains(&told),
                    "{asked:#}"
                );
                let refused = answer.problem(409, "kinship");
                assert!(refused["detail"].as_str().unwrap().contains(&told), "{refused:#}");
            } else {
                assert!(offered && blocked.is_none(), "{told} {asked:#}");
                answer.created();
            }
        }
    }
    // The figure is the table's: a limit just below it refuses him, one just above it does not.
    for (_, lot, inbreeding) in &hanging {
        for (limit, given) in [(inbreeding - 1e-9, false), (inbreeding + 1e-9, true)] {
            client.patch(&own_herd, None, json!({"kinship_limit": limit})).await.expect(200);
            let offered = next(client, animal).await["candidates"]
                .as_array()
                .unwrap()
                .iter()
                .any(|candidate| candidate["lot"]["id"] == json!(lot));
            assert_eq!(offered, given, "{inbreeding}");
            assert_eq!(withdraw(client, animal, lot).await.status, if given { 201 } else { 409 });
        }
    }
}

async fn a_dam_is_older_than_her_calf(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let born = |number: &str, born_on: &str, dam: Option<&str>| json!({"herd_id": farm.herd, "number": number, "born_on": born_on, "dam_id": dam});
    let dam = client.make("/v1/animals", born("1", "2022-05-02", None)).await;
    let twin = client.post("/v1/animals", born("2", "2022-05-02", Some(dam.as_str()))).await;
    assert_eq!(twin.pointers(), ["#/dam_id"]);
    let calf = client.make("/v1/animals", born("3", "2024-05-02", Some(dam.as_str()))).await;
    let later = json!({"born_on": "2024-06-01"});
    assert_eq!(client.patch(&format!("/v1/animals/{dam}"), None, later).await.pointers(), ["#/born_on"]);
    let earlier = json!({"born_on": "2022-05-01"});
    assert_eq!(client.patch(&format!("/v1/animals/{calf}"), None, earlier).await.pointers(), ["#/dam_id"]);
    client.patch(&format!("/v1/animals/{calf}"), None, json!({"number": "4"})).await.expect(200);
}

async fn nobody_becomes_an_ancestor_of_its_own(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // A line of 30 generations; by turns a cow, her son, his daughter.
    let first = farm.animal(client, "0").await;
    let mut last = first.clone();
    for n in 1..=15 {
        let son = client.make("/v1/sires", json!({"name": format!("Invented {n}"), "dam_id": last})).await;
        let animal = json!({"herd_id": farm.herd, "number": n.to_string(), "sire_id": son});
        last = client.make("/v1/animals", animal).await;
    }
    let son = client.make("/v1/sires", json!({"name": "Invented Last", "dam_id": last})).await;
    let own = format!("/v1/animals/{first}");
    for (field, parent) in [("dam_id", &first), ("dam_id", &last), ("sire_id", &son)] {
        let mut patch = json!({});
        patch[field] = json!(parent);
        let refused = client.patch(&own, None, patch).await;
        assert_eq!(refused.pointers(), [format!("#/{field}")]);
        let wrong = refused.problem(422, "invalid-input");
        assert!(wrong["errors"][0]["detail"].as_str().unwrap().contains("nor descend from it"), "{wrong:#}");
    }
    let sire = format!("/v1/sires/{son}");
    client.patch(&sire, None, json!({"sire_id": son})).await.problem(422, "invalid-input");
    // Parents who are no kin are hers.
    let dam = farm.elder(client, "99").await;
    client.patch(&own, None, json!({"dam_id": dam, "sire_id": farm.sire})).await.expect(200);
}

/// Gives a herd its choice rule.
async fn rule(client: &Client, farm: &Farm, clauses: Value) {
    client
        .patch(&format!("/v1/herds/{}", farm.herd), None, json!({"choice_rule": clauses}))
        .await
        .expect(200);
}

async fn a_clause_looks_at_lactation_groups_and_days(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let clauses = json!([
        {"from_service": 1, "from_lactation": 2, "semen_types": ["conventional"]},
        {"from_service": 1, "groups": ["nucleus"], "semen_types": ["sexed_female"]},
        {"from_service": 1, "from_date": "2026-03-03", "to_date": "2026-03-04", "semen_types": ["sexed_male"]},
        {"from_service": 1, "semen_types": ["conventional", "sexed_female"]},
    ]);
    rule(client, &farm, clauses).await;
    let heifer =
        json!({"herd_id": farm.herd, "number": "1", "born_on": "2023-05-02", "groups": ["nucleus", "show"]});
    let heifer = client.post("/v1/animals", heifer).await.created();
    assert_eq!(heifer["groups"], json!(["nucleus", "show"]));
    let path = format!("/v1/animals/{}", heifer["id"].as_str().unwrap());
    let heifer = heifer["id"].as_str().unwrap();
    let told = next(client, heifer).await;
    assert_eq!(told["semen_types"], json!(["sexed_female"]));
    assert!(told["rule"]["text"].as_str().unwrap().contains("in group nucleus: sexed (female)"), "{told:#}");
    let refused = withdraw(client, heifer, &farm.conventional).await.problem(409, "choice-rule");
    assert!(
        refused["detail"].as_str().unwrap().contains("in group nucleus"),
        "the clause in words: {refused:#}"
    );
    client.patch(&path, None, json!({"groups": ["show"]})).await.expect(200);
    assert_eq!(next(client, heifer).await["semen_types"], json!(["conventional", "sexed_female"]));
    // By the herd's calendar: in Vienna the third of March begins at 23:00 UTC of the second.
    for (at, semen_types) in [
        ("2026-03-02T22:59:59Z", json!(["conventional", "sexed_female"])),
        ("2026-03-02T23:00:00Z", json!(["sexed_male"])),
        ("2026-03-04T22:59:59Z", json!(["sexed_male"])),
        ("2026-03-04T23:00:00Z", json!(["conventional", "sexed_female"])),
    ] {
        let told = client.get(&format!("{path}/next-service?at={at}")).await.expect(200);
        assert_eq!(told["semen_types"], semen_types, "{at}");
    }
    // Lactations are calvings on record.
    let cow = farm.elder(client, "2").await;
    for (calved_at, semen_types) in [
        ("2024-10-01T08:00:00Z", json!(["conventional", "sexed_female"])),
        ("2025-11-01T08:00:00Z", json!(["conventional"])),
    ] {
        client.post("/v1/calvings", json!({"animal_id": cow, "calved_at": calved_at})).await.created();
        assert_eq!(next(client, &cow).await["semen_types"], semen_types, "{calved_at}");
    }
}

async fn what_the_rule_names_otherwise_is_taken_only_where_nothing_wanted_is_in_reach(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    rule(
        client,
        &farm,
        json!([{"from_service": 1, "semen_types": ["sexed_female"], "otherwise": ["conventional"]}]),
    )
    .await;
    let animal = farm.animal(client, "1").await;
    let refused = withdraw(client, &animal, &farm.conventional).await.problem(409, "choice-rule");
    let detail = refused["detail"].as_str().unwrap();
    assert!(
        detail.contains("otherwise conventional")
            && detail.contains("take sexed (female), which is within her reach"),
        "{detail}"
    );
    let told = next(client, &animal).await;
    assert_eq!(told["candidates"].as_array().unwrap().len(), 1);
    assert_eq!(told["rule"]["otherwise"], json!(["conventional"]));

    // What is quarantined, or another herd's, is not within her reach.
    client
        .patch(&format!("/v1/lots/{}", farm.sexed), None, json!({"status": "quarantined"}))
        .await
        .expect(200);
    let herd = client.make("/v1/herds", json!({"name": "Far Hill", "time_zone": "Europe/Vienna"})).await;
    let tank = client.make("/v1/tanks", json!({"name": "Far tank", "herd_id": herd})).await;
    let away = farm.lot(client, "sexed_female", "2025-01-01").await;
    let place = json!({"tank_id": tank, "canister": 1});
    client.post("/v1/receipts", json!({"lot_id": away, "place": place, "straws": 2})).await.created();
    let noted = "Sexed (female) is not within her reach, so conventional may be taken.";
    let told = next(client, &animal).await;
    assert_eq!(told["candidates"][0]["lot"]["id"], json!(farm.conventional));
    assert!(told["cautions"].as_array().unwrap().contains(&json!(noted)), "{told:#}");
    for order in [
        json!({"animal_id": animal, "lot_id": farm.conventional}),
        json!({"animal_id": animal, "sire_id": farm.sire, "semen_type": "conventional"}),
    ] {
        let taken = client.post("/v1/withdrawals", order).await.created();
        assert_eq!(
            (&taken["deviations"], &taken["warnings"]),
            (&json!([]), &json!([noted])),
            "noted, not refused"
        );
        assert!(taken["rule"]["text"].as_str().unwrap().ends_with(noted), "{taken:#}");
    }
    // The wanted straw of the other herd is not forbidden, only far.
    let far = json!({"animal_id": animal, "lot_id": away, "place": place});
    assert_eq!(client.post("/v1/withdrawals", far).await.created()["deviations"], json!([]));
    // And what is neither wanted nor named otherwise stays refused.
    let male = farm.lot(client, "sexed_male", "2025-01-01").await;
    farm.receive(client, &male, 1, 1).await;
    withdraw(client, &animal, &male).await.problem(409, "choice-rule");

    // Once it is there again, the other is refused; a straw already out is used without a deviation.
    let out = withdraw(client, &animal, &farm.conventional).await.created();
    client.patch(&format!("/v1/lots/{}", farm.sexed), None, json!({"status": "usable"})).await.expect(200);
    withdraw(client, &animal, &farm.conventional).await.problem(409, "choice-rule");
    let service = client.post("/v1/services", json!({"withdrawal_id": out["id"]})).await.created();
    assert_eq!(service["deviations"], json!([]));
}

async fn a_clause_may_ask_for_a_sires_purpose(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    rule(client, &farm, json!([{"from_service": 1, "semen_types": ["conventional"], "purpose": "beef"}]))
        .await;
    let animal = farm.animal(client, "1").await;
    // Not on record: taken with a warning.
    let said =
        "The choice rule calls for a beef sire, and the purpose of Invented One is not on record; enter it.";
    let told = next(client, &animal).await;
    assert!(told["cautions"].as_array().unwrap().contains(&json!(said)), "{told:#}");
    let taken = withdraw(client, &animal, &farm.conventional).await.created();
    assert_eq!((&taken["warnings"], &taken["deviations"]), (&json!([said]), &json!([])));
    let sire = format!("/v1/sires/{}", farm.sire);
    let purpose = async |purpose: &str| {
        let changed = client.patch(&sire, None, json!({"purpose": purpose})).await.expect(200);
        assert_eq!(changed["purpose"], purpose);
    };
    purpose("dairy").await;
    let refused = withdraw(client, &animal, &farm.conventional).await.problem(409, "choice-rule");
    let detail = refused["detail"].as_str().unwrap();
    assert!(
        detail.contains("conventional by a beef sire") && detail.contains("Not conventional by a dairy sire"),
        "{detail}"
    );
    assert_eq!(next(client, &animal).await["candidates"], json!([]));
    // One for both fits.
    for fits in ["dual", "beef"] {
        purpose(fits).await;
        let taken = withdraw(client, &animal, &farm.conventional).await.created();
        assert_eq!((&taken["warnings"], &taken["sire"]["purpose"]), (&json!([]), &json!(fits)));
    }
    assert_eq!(client.patch(&sire, None, json!({"purpose": "milk"})).await.pointers(), ["#/purpose"]);
}

async fn a_technician_may_set_the_rule_aside_where_the_herd_says_so(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let technician = world.caller(Role::Technician).await;
    let animal = farm.animal(client, "1").await;
    let order = json!({"animal_id": animal, "lot_id": farm.conventional, "override": {"reason": "Owner asked for it."}});
    technician.post("/v1/withdrawals", order.clone()).await.problem(403, "forbidden");
    let herd = format!("/v1/herds/{}", farm.herd);
    let changed = client.patch(&herd, None, json!({"technician_may_override": true})).await.expect(200);
    assert_eq!(changed["technician_may_override"], true);
    let taken = technician.post("/v1/withdrawals", order.clone()).await.created();
    assert_eq!(taken["deviations"][0]["kind"], "choice_rule");
    assert_eq!(taken["deviations"][0]["reason"], "Owner asked for it.");
    let mut without = order.clone();
    without.as_object_mut().unwrap().remove("override");
    technician.post("/v1/withdrawals", without).await.problem(409, "choice-rule");
    // Nothing else, and not the rule together with something else.
    let bar = json!({"animal_id": animal, "do_not_breed": true});
    client.post("/v1/do-not-breed", bar).await.created();
    technician.post("/v1/withdrawals", order).await.problem(403, "forbidden");
    let integration = world.caller(Role::Integration).await;
    let nothing = json!({"animal_id": animal, "lot_id": farm.conventional});
    integration.post("/v1/withdrawals", nothing).await.problem(403, "forbidden");
}
