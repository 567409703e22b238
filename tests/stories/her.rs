//! What she is, from what is on record of her, and what of it is uncertain; when she is served, and with whom she is related.

use serde_json::{Value, json};

use crate::{
    ade::{Yard, event},
    on_both_stores,
    world::{Client, Farm, World, instant},
};

on_both_stores!(
    a_check_belongs_to_the_service_that_fits,
    a_calving_that_is_missing_is_said,
    a_check_before_a_later_service_is_uncertain,
    a_check_too_early_for_the_last_service_says_so,
    an_animal_without_a_past_is_said_to_be_uncertain,
    a_short_return_is_cautioned_with_its_source,
    twins_move_the_due_date,
    what_came_of_a_service_follows_the_herds_own_window,
    a_heat_is_timed_by_how_it_was_found,
    a_window_that_has_passed_and_a_cow_already_served_say_so,
    checks_and_the_recheck_have_their_days,
    kinship_is_warned_of_below_the_limit_and_unknown_parents_are_said,
    a_maternal_grandsire_counts_in_the_book_and_outside,
    parents_that_make_no_sense_are_refused,
    herd_software_tells_the_days_and_the_calves,
);

async fn next(client: &Client, animal: &str) -> Value {
    client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200)
}

fn cautions(next: &Value) -> String {
    next["cautions"].to_string()
}

async fn checked(client: &Client, animal: &str, at: &str, more: Value) -> Value {
    let mut check =
        json!({"animal_id": animal, "checked_at": at, "method": "ultrasound", "result": "pregnant"});
    check.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    client.post("/v1/pregnancy-checks", check).await.created()
}

async fn a_check_belongs_to_the_service_that_fits(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // Services on day 0 and 21 with a palpation on day 56 that says 8 weeks: day 0.
    let animal = farm.animal(client, "412").await;
    let first = farm.served(client, &animal, "2026-01-01T08:00:00Z").await;
    let second = farm.served(client, &animal, "2026-01-22T08:00:00Z").await;
    let weeks = json!({"method": "palpation", "days_pregnant": 56});
    let check = checked(client, &animal, "2026-02-26T08:00:00Z", weeks).await;
    assert_eq!((&check["fits"]["service_id"], &check["fits"]["days"]), (&first["id"], &json!(56)));
    assert!(check["warnings"].to_string().contains("2026-01-01"), "{check:#}");
    for read in [
        client.get(&format!("/v1/pregnancy-checks/{}", check["id"].as_str().unwrap())).await.expect(200),
        client.get(&format!("/v1/pregnancy-checks?animal_id={animal}")).await.expect(200)["items"][0].clone(),
    ] {
        assert_eq!((&read["fits"], &read["days_pregnant"]), (&check["fits"], &json!(56)));
    }
    let asked = next(client, &animal).await;
    assert_eq!(asked["pregnancy"]["service_id"], first["id"], "{asked:#}");
    assert!(cautions(&asked).contains("not her last of 2026-01-22"), "{asked:#}");

    // Without the days it is the last service that is old enough for the method: palpation 35 d (Texas A&M / CSU report).
    let other = farm.animal(client, "413").await;
    farm.served(client, &other, "2026-01-01T08:00:00Z").await;
    let last = farm.served(client, &other, "2026-01-22T08:00:00Z").await;
    let check = checked(client, &other, "2026-02-26T08:00:00Z", json!({"method": "palpation"})).await;
    assert_eq!((&check["fits"]["service_id"], &check["warnings"]), (&last["id"], &json!([])));
    assert_ne!(second["id"], last["id"]);
}

async fn a_calving_that_is_missing_is_said(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    farm.served(client, &animal, "2025-01-01T08:00:00Z").await;
    checked(client, &animal, "2025-02-10T08:00:00Z", json!({})).await;
    // 426 days after the service nobody is pregnant of it; a gestation is 260-300 days.
    let asked = next(client, &animal).await;
    assert_eq!((&asked["permitted"], &asked["pregnancy"]), (&json!(true), &Value::Null), "{asked:#}");
    assert!(cautions(&asked).contains("neither is on record"), "{asked:#}");
    let taken = client
        .post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.conventional}))
        .await
        .created();
    assert!(taken["warnings"].to_string().contains("report the calving"), "{taken:#}");
    assert_eq!(taken["service_number"], 2, "counted on, and said to be uncertain");
    client
        .post("/v1/calvings", json!({"animal_id": animal, "calved_at": "2025-10-08T08:00:00Z"}))
        .await
        .created();
    let asked = next(client, &animal).await;
    assert_eq!(asked["service_number"], 1);
    assert!(!cautions(&asked).contains("neither is on record"), "{asked:#}");
}

async fn a_check_before_a_later_service_is_uncertain(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    farm.served(client, &animal, "2025-12-01T08:00:00Z").await;
    checked(client, &animal, "2026-01-05T08:00:00Z", json!({})).await;
    farm.served(client, &animal, "2026-01-25T08:00:00Z").await;
    let asked = next(client, &animal).await;
    assert_eq!(asked["permitted"], false, "a calf may be lost by a service");
    assert!(cautions(&asked).contains("served again on 2026-01-25"), "{asked:#}");
}

async fn a_check_too_early_for_the_last_service_says_so(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // Ultrasound from day 26 in heifers (Prairie View A&M, 1,400 scans).
    let animal = farm.animal(client, "412").await;
    let service = farm.served(client, &animal, "2026-02-01T08:00:00Z").await;
    let check = checked(client, &animal, "2026-02-21T08:00:00Z", json!({"result": "empty"})).await;
    assert_eq!(check["fits"], Value::Null);
    assert!(check["warnings"].to_string().contains("reliable from 26 days"), "{check:#}");
    assert!(cautions(&next(client, &animal).await).contains("may have conceived all the same"));
    // A later one settles it.
    let later = checked(client, &animal, "2026-02-27T08:00:00Z", json!({"result": "empty"})).await;
    assert_eq!((&later["fits"]["service_id"], &later["warnings"]), (&service["id"], &json!([])));
    assert!(!cautions(&next(client, &animal).await).contains("conceived all the same"));
    let none = farm.animal(client, "413").await;
    let check = checked(client, &none, "2026-02-21T08:00:00Z", json!({})).await;
    assert!(check["warnings"].to_string().contains("no service on record fits"), "{check:#}");
}

async fn an_animal_without_a_past_is_said_to_be_uncertain(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let unknown = client.make("/v1/animals", json!({"herd_id": farm.herd, "number": "900"})).await;
    let old = farm.elder(client, "901").await;
    let heifer = farm.animal(client, "902").await;
    let said = async |animal: &str| cautions(&next(client, animal).await).contains("bought as a cow");
    assert_eq!((said(&unknown).await, said(&old).await, said(&heifer).await), (true, true, false));
    client
        .post("/v1/calvings", json!({"animal_id": old, "calved_at": "2025-11-20T08:00:00Z"}))
        .await
        .created();
    assert!(!said(&old).await);
}

async fn a_short_return_is_cautioned_with_its_source(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let short = farm.animal(client, "412").await;
    farm.served(client, &short, "2026-02-13T08:00:00Z").await;
    let normal = farm.animal(client, "413").await;
    farm.served(client, &normal, "2026-02-12T04:00:00Z").await;
    // Short cycles 1-17 d, normal 18-24 d: Extension; NZ AB series I.
    let asked = cautions(&next(client, &short).await);
    assert!(asked.contains("16 days ago") && asked.contains("NZ AB series I"), "{asked}");
    assert!(!cautions(&next(client, &normal).await).contains("sooner than a normal cycle"));
    let order = json!({"animal_id": short, "lot_id": farm.conventional});
    let taken = client.post("/v1/withdrawals", order).await.created();
    assert!(taken["warnings"].to_string().contains("sooner than a normal cycle"), "{taken:#}");
}

async fn twins_move_the_due_date(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let with_him = json!({"animal_id": animal, "sire_id": farm.sire, "served_at": "2026-01-01T08:00:00Z"});
    let service = client.post("/v1/services", with_him).await.created();
    // Holstein heifer 277.8 d (Norman et al. 2009); twins 275.5 against 279.9 d, 3,966 calves.
    assert_eq!((&service["due"]["days"], &service["due"]["due_on"]), (&json!(278), &json!("2026-10-06")));
    let path = format!("/v1/services/{}", service["id"].as_str().unwrap());
    let found = json!({"result": "multiple", "days_pregnant": 56});
    checked(client, &animal, "2026-02-26T08:00:00Z", found).await;
    let read = client.get(&path).await.expect(200);
    assert_eq!((&read["due"]["days"], &read["due"]["due_on"]), (&json!(273), &json!("2026-10-01")));
    assert!(read["due"]["source"].as_str().unwrap().contains("twins"), "{read:#}");
    let listed = client.get(&format!("/v1/services?animal_id={animal}")).await.expect(200);
    assert_eq!(listed["items"][0]["due"], read["due"]);

    // A calving that says twins, too.
    let other = farm.animal(client, "413").await;
    let served = farm.served(client, &other, "2025-05-25T08:00:00Z").await;
    let calved = json!({"animal_id": other, "calved_at": "2026-02-27T08:00:00Z", "calves": 2});
    assert_eq!(client.post("/v1/calvings", calved).await.created()["calves"], 2);
    let read = client.get(&format!("/v1/services/{}", served["id"].as_str().unwrap())).await.expect(200);
    assert_eq!((&served["due"]["days"], &read["due"]["days"]), (&json!(283), &json!(279)));
}

async fn what_came_of_a_service_follows_the_herds_own_window(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    for at in ["2026-02-01T08:00:00Z", "2026-02-03T20:00:00Z"] {
        let order = json!({"animal_id": animal, "lot_id": farm.sexed, "withdrawn_at": at, "override": {"reason": "Agreed."}});
        let taken = client.make("/v1/withdrawals", order).await;
        client.post("/v1/services", json!({"withdrawal_id": taken, "served_at": at})).await.created();
    }
    let result = async || {
        let trace = client.get(&format!("/v1/reports/lot-trace/{}", farm.sexed)).await.expect(200);
        trace["services"][0]["result"].clone()
    };
    assert_eq!(result().await, "served_again", "60 hours are another heat by the default of 48");
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"same_heat_hours": 72})).await.expect(200);
    assert_eq!(result().await, Value::Null, "and the same by 72");
}

async fn a_heat_is_timed_by_how_it_was_found(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let rule = json!({"choice_rule": [{"from_service": 1, "semen_types": ["conventional"]}]});
    client.patch(&format!("/v1/herds/{}", farm.herd), None, rule).await.expect(200);
    let window = async |number: &str, at: &str, method: &str| {
        let animal = farm.animal(client, number).await;
        let heat = json!({"animal_id": animal, "standing_at": at, "method": method});
        assert_eq!(client.post("/v1/heats", heat).await.created()["method"], method);
        let asked = client
            .get(&format!("/v1/animals/{animal}/next-service?at={}", at.replace('+', "%2B")))
            .await
            .expect(200);
        assert_eq!(
            (&asked["timing"]["method"], &asked["timing"]["state"]),
            (&json!(method), &json!("early")),
            "{asked:#}"
        );
        let time = |name: &str| instant(asked["timing"][name].as_str().unwrap());
        (time("earliest_at"), time("best_at"), time("latest_at"), asked["timing"]["source"].to_string())
    };
    // 13-24 h from the sensor's threshold (Tippenhauer et al., n = 3,420): onset 06:00, 19:00 to 06:00 next day.
    let onset = "2026-03-02T06:00:00+01:00";
    let (earliest, best, latest, source) = window("1", onset, "sensor").await;
    assert_eq!(
        (earliest, latest),
        (instant("2026-03-02T19:00:00+01:00"), instant("2026-03-03T06:00:00+01:00"))
    );
    assert!(earliest < best && best < latest && source.contains("Tippenhauer"));
    // 16-25 h after the second GnRH: extension, as read by a second source.
    let (earliest, _, latest, _) = window("2", onset, "timed_protocol").await;
    assert_eq!(
        (earliest, latest),
        (instant("2026-03-02T22:00:00+01:00"), instant("2026-03-03T07:00:00+01:00"))
    );
    // 12 h after standing heat was seen: common practice, no source; Vienna puts its clocks on that night (tz database).
    world.set_clock("2026-03-28T20:05:00+01:00");
    let (_, best, _, _) = window("3", "2026-03-28T20:00:00+01:00", "seen").await;
    assert_eq!(best, instant("2026-03-29T09:00:00+02:00"));
}

async fn a_window_that_has_passed_and_a_cow_already_served_say_so(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let heat = json!({"animal_id": animal, "standing_at": "2026-02-28T06:00:00+01:00", "method": "seen"});
    client.post("/v1/heats", heat).await.created();
    let asked = next(client, &animal).await;
    assert_eq!(asked["timing"]["state"], "passed", "24 h is the latest for sexed semen");
    assert!(cautions(&asked).contains("has passed"), "{asked:#}");
    farm.served(client, &animal, "2026-03-01T20:00:00+01:00").await;
    let asked = next(client, &animal).await;
    assert_eq!(instant(asked["timing"]["served_at"].as_str().unwrap()), instant("2026-03-01T20:00:00+01:00"));
    assert!(cautions(&asked).contains("served in this heat already"), "{asked:#}");
}

async fn checks_and_the_recheck_have_their_days(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (heifer, cow) = (farm.animal(client, "412").await, farm.elder(client, "413").await);
    client
        .post("/v1/calvings", json!({"animal_id": cow, "calved_at": "2025-11-01T08:00:00Z"}))
        .await
        .created();
    let ultrasound = async |animal: &str| {
        let served = farm.served(client, animal, "2026-03-01T08:00:00+01:00").await;
        let checks = served["pregnancy_checks"].as_array().unwrap().clone();
        let check = checks.into_iter().find(|check| check["method"] == "ultrasound").unwrap();
        (check["earliest_on"].clone(), served["recheck"].clone())
    };
    // Ultrasound from day 26 in heifers and 29 in cows: Prairie View A&M, 1,400 scans.
    assert_eq!(ultrasound(&heifer).await.0, "2026-03-27");
    let (earliest, recheck) = ultrasound(&cow).await;
    assert_eq!(earliest, "2026-03-30");
    // Losses 27, 13, 7 and 2 %: JDS Communications 2023, 4:144-148.
    assert_eq!((&recheck["from_on"], &recheck["to_on"]), (&json!("2026-04-30"), &json!("2026-05-30")));
    assert!(recheck["source"].as_str().unwrap().contains("JDS Communications 2023"));
}

/// What is said of her kinship with a sire, in both places where it is asked.
async fn kinship(client: &Client, farm: &Farm, animal: &str, sire: &str) -> Value {
    let lot = json!({"sire_id": sire, "semen_type": "sexed_female"});
    let lot = client.make("/v1/lots", lot).await;
    farm.receive(client, &lot, 5, 2).await;
    let asked = next(client, animal).await;
    let said = asked["kinship"].as_array().unwrap().iter().find(|of| of["sire_id"] == sire);
    let said = said.unwrap_or_else(|| panic!("nothing of {sire}: {asked:#}")).clone();
    let taken = client.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": lot})).await.created();
    assert_eq!(taken["kinship"], said, "one answer everywhere");
    let warned = said["verdict"] == "warning";
    for told in [&asked["cautions"], &taken["warnings"]] {
        let contains = told.as_array().unwrap().contains(&said["text"]);
        assert_eq!(contains, warned, "{told:#}");
    }
    said
}

async fn kinship_is_warned_of_below_the_limit_and_unknown_parents_are_said(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let unknown = kinship(client, &farm, &animal, &farm.sire).await;
    assert_eq!((&unknown["verdict"], &unknown["expected_inbreeding"]), (&json!("unknown"), &json!(0.0)));
    assert!(unknown["text"].as_str().unwrap().contains("not fully known"));
    let said = cautions(&next(client, &animal).await);
    assert!(said.contains("kinship is not fully known: Invented One"), "{said}");

    // His half sister's daughter: 1/2^(1+2+1) = 1/16 (paths through the common sire; tabular method, Mrode 3e ch. 2).
    let common = client.make("/v1/sires", json!({"name": "Common"})).await;
    let son = client.make("/v1/sires", json!({"name": "Son", "sire_id": common})).await;
    let aunt = client
        .make(
            "/v1/animals",
            json!({"herd_id": farm.herd, "number": "7", "born_on": "2019-05-02", "sire_id": common}),
        )
        .await;
    let niece = client
        .make(
            "/v1/animals",
            json!({"herd_id": farm.herd, "number": "8", "born_on": "2023-05-02", "dam_id": aunt}),
        )
        .await;
    let related = kinship(client, &farm, &niece, &son).await;
    assert_eq!((&related["verdict"], &related["expected_inbreeding"]), (&json!("warning"), &json!(0.0625)));
    assert!(related["text"].as_str().unwrap().contains("6.25 %"), "{related:#}");
}

async fn a_maternal_grandsire_counts_in_the_book_and_outside(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let sire = async |name: &str, more: Value| {
        let mut sire = json!({"name": name});
        sire.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        client.make("/v1/sires", sire).await
    };
    let animal = async |number: &str, born_on: &str, more: Value| {
        let mut animal = json!({"herd_id": farm.herd, "number": number, "born_on": born_on});
        animal.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        client.make("/v1/animals", animal).await
    };
    let code = json!({"scheme": "international-id", "id": "HOLZZZM000000A12345"});
    let old = sire("Old", json!({"identifiers": [code]})).await;
    let by_id = sire("By id", json!({"maternal_grandsire_id": old})).await;
    let by_name = sire("By name", json!({"maternal_grandsire_identifier": code})).await;
    let daughter = animal("1", "2019-05-02", json!({"sire_id": old})).await;
    let granddaughter = animal("2", "2023-05-02", json!({"dam_id": daughter})).await;
    let young = animal("3", "2023-05-02", json!({"sire_id": old})).await;
    for his in [&by_id, &by_name] {
        // The same bull as his maternal grandsire and her sire: paths of 2 + 1 + 1, 1/16; as both maternal grandsires 1/32.
        assert_eq!(kinship(client, &farm, &young, his).await["expected_inbreeding"], 0.0625);
        let far = kinship(client, &farm, &granddaughter, his).await;
        assert_eq!((&far["expected_inbreeding"], &far["verdict"]), (&json!(0.03125), &json!("unknown")));
    }

    // Bulls that are not in the book are the same when their names are; entered later, they are known by them.
    let outside = json!({"scheme": "international-id", "id": "HOLZZZM000000B54321"});
    let one = sire("One", json!({"sire_identifier": outside})).await;
    let other = sire("Other", json!({"sire_identifier": outside})).await;
    let his = animal("4", "2023-05-02", json!({"sire_id": one})).await;
    // Half brothers, and a daughter of one: 1/2^(2+1+1).
    assert_eq!(kinship(client, &farm, &his, &other).await["expected_inbreeding"], 0.0625);
    let father = sire("Father", json!({"identifiers": [outside]})).await;
    let hers = animal("5", "2023-05-02", json!({"sire_id": father})).await;
    let refused = json!({"animal_id": hers, "lot_id": client.make("/v1/lots", json!({"sire_id": other, "semen_type": "sexed_female"})).await});
    let refused = client.post("/v1/withdrawals", refused).await.problem(409, "kinship");
    assert!(refused["detail"].as_str().unwrap().contains("12.5 %"), "half sibs: {refused:#}");
    let read = client.get(&format!("/v1/sires/{one}")).await.expect(200);
    assert_eq!((&read["sire_identifier"], &read["sire_id"]), (&outside, &Value::Null));
}

async fn parents_that_make_no_sense_are_refused(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let name = json!({"scheme": "farm", "id": "X"});
    let both = json!({"name": "Both", "sire_id": farm.sire, "sire_identifier": name});
    assert_eq!(client.post("/v1/sires", both).await.pointers(), ["#/sire_identifier"]);
    let own = json!({"name": "Own", "identifiers": [name], "maternal_grandsire_identifier": name});
    assert_eq!(client.post("/v1/sires", own).await.pointers(), ["#/maternal_grandsire_identifier"]);
    let nobody = json!({"name": "Nobody", "maternal_grandsire_id": farm.herd});
    client.post("/v1/sires", nobody).await.problem(404, "not-found");
    let son = client.make("/v1/sires", json!({"name": "Son", "sire_id": farm.sire})).await;
    let path = format!("/v1/sires/{}", farm.sire);
    let loops = client.patch(&path, None, json!({"maternal_grandsire_id": son})).await;
    assert_eq!(loops.pointers(), ["#/maternal_grandsire_id"]);
}

async fn herd_software_tells_the_days_and_the_calves(world: &World) {
    // foetalAge, foetusCount: icarReproPregnancyCheckEventResource; totalProgeny: icarReproParturitionEventResource.
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let service = yard.farm.served(&yard.manager, &animal, "2026-01-01T08:00:00Z").await;
    yard.farm.served(&yard.manager, &animal, "2026-01-22T08:00:00Z").await;
    let seen = json!({"method": "Palpation", "result": "Pregnant", "foetalAge": 56, "foetusCount": 2});
    let told = yard.send("pregnancy-checks", &event("1", "412", "2026-02-26T08:00:00Z", seen)).await;
    assert_eq!((&told["foetalAge"], &told["foetusCount"]), (&json!(56), &json!(2)));
    let checks = yard.manager.get(&format!("/v1/pregnancy-checks?animal_id={animal}")).await.expect(200);
    let check = &checks["items"][0];
    assert_eq!((&check["result"], &check["days_pregnant"]), (&json!("multiple"), &json!(56)));
    assert_eq!(check["fits"]["service_id"], service["id"]);
    let other = yard.animal("413").await;
    yard.send("parturitions", &event("2", "413", "2026-02-26T08:00:00Z", json!({"totalProgeny": 2}))).await;
    let calvings = yard.manager.get(&format!("/v1/calvings?animal_id={other}")).await.expect(200);
    assert_eq!(calvings["items"][0]["calves"], 2);

    // What was entered here is read in the standard's words.
    let third = yard.animal("414").await;
    checked(&yard.manager, &third, "2026-02-26T08:00:00Z", json!({"days_pregnant": 40})).await;
    let calved = json!({"animal_id": third, "calved_at": "2026-03-01T08:00:00Z", "calves": 1});
    yard.manager.post("/v1/calvings", calved).await.created();
    yard.manager.post("/v1/heats", json!({"animal_id": third, "method": "timed_protocol"})).await.created();
    let last = async |what: &str| yard.members(what).await.pop().unwrap();
    assert_eq!(last("pregnancy-checks").await["foetalAge"], 40);
    assert_eq!(last("parturitions").await["totalProgeny"], 1);
    assert_eq!(last("heats").await["heatDetectionMethod"], "Chemical");
}
