//! What comes in counts: once, corrected by what is newer, reversed when it is taken back.

use serde_json::{Value, json};
use uuid::Uuid;

use super::{SOURCE, Yard, cow, event, insemination, modified, sexed};
use crate::{
    on_both_stores,
    world::{Answer, World},
};

on_both_stores!(
    a_heat_that_comes_in_times_the_next_service,
    a_calving_that_comes_in_begins_a_new_cycle,
    an_insemination_with_a_straw_of_ours_takes_it_from_the_stock_once,
    a_straw_is_known_by_any_name_of_its_sire,
    what_is_not_certain_is_flagged_and_nothing_guessed,
    a_straw_that_was_withdrawn_here_is_not_taken_twice,
    a_person_settles_what_was_flagged,
    what_is_newer_corrects_by_reversal_and_new_entry,
    what_is_taken_back_is_reversed,
    a_correction_keeps_the_straw_that_was_settled,
    a_recommendation_becomes_the_plan,
    an_animal_is_entered_and_found_by_any_of_her_names,
    what_is_only_kept_counts_for_nothing,
    an_insemination_of_an_unknown_animal_is_kept_until_she_is_known,
);

async fn a_heat_that_comes_in_times_the_next_service(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    assert_eq!(yard.next(&animal).await["timing"], Value::Null);
    let heat = event(
        "h-1",
        "412",
        "2026-03-02T02:10:00Z",
        json!({
        "resourceType": "icarReproHeatEventResource", "heatDetectionMethod": "Collar", "certainty": "InHeat"}),
    );
    let told = yard.send("heats", &heat).await;
    assert_eq!(told["meta"]["source"], SOURCE);
    let timing = yard.next(&animal).await["timing"].clone();
    assert_eq!(
        timing["standing_at"].as_str().or(timing["heat_at"].as_str()),
        Some("2026-03-02T02:10:00Z"),
        "{timing}"
    );
    let page = yard.manager.get(&format!("/v1/heats?animal_id={animal}")).await.expect(200);
    assert_eq!(page["items"][0]["method"], "collar");
    // The same once more changes nothing, whatever its offset, its order and what nobody knows.
    let before = yard.everything().await;
    let mut again = heat.clone();
    again["eventDateTime"] = json!("2026-03-02T03:10:00+01:00");
    again["colour"] = json!("red");
    again["remark"] = Value::Null;
    for resource in [&heat, &again] {
        let answer = yard.send("heats", resource).await;
        assert_eq!((&answer["id"], &answer["meta"]), (&told["id"], &told["meta"]));
    }
    assert_eq!(yard.everything().await, before);
    // Said again at a later time it is the same still; only that time is kept, and no change is told.
    let answer = yard.send("heats", &modified(&again, "2026-03-02T04:30:00Z")).await;
    assert_eq!((&answer["id"], &answer["meta"]), (&told["id"], &told["meta"]));
    let mut after = yard.everything().await;
    let items = after.get_mut("ade-items").unwrap();
    assert_eq!(items["items"][0]["modified"], "2026-03-02T04:30:00Z");
    items["items"][0]["modified"] = json!("2026-03-02T04:00:00Z");
    assert_eq!(after, before);
    // A version from before that time is older, though newer than the first.
    let mut between = modified(&heat, "2026-03-02T04:10:00Z");
    between["remark"] = json!("old");
    assert_eq!(yard.send("heats", &between).await.get("remark"), None);
}

async fn a_calving_that_comes_in_begins_a_new_cycle(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    yard.farm.served(&yard.manager, &animal, "2025-02-01T06:00:00Z").await;
    assert_eq!(yard.next(&animal).await["service_number"], 2);
    let calving = event(
        "p-1",
        "412",
        "2025-11-10T06:00:00Z",
        json!({
        "resourceType": "icarReproParturitionEventResource", "calvingEase": "EasyUnassisted", "liveProgeny": 1}),
    );
    yard.send("parturitions", &calving).await;
    let next = yard.next(&animal).await;
    assert_eq!((&next["service_number"], &next["class"]), (&json!(1), &json!("cow")));
    // A pregnancy, a loss, a decision.
    let check = event(
        "c-1",
        "412",
        "2026-02-20T06:00:00Z",
        json!({
        "resourceType": "icarReproPregnancyCheckEventResource", "method": "Echography", "result": "Pregnant"}),
    );
    yard.send("pregnancy-checks", &check).await;
    assert_eq!(yard.next(&animal).await["objections"][0]["kind"], "animal_pregnant");
    let loss = event(
        "a-1",
        "412",
        "2026-02-25T06:00:00Z",
        json!({"resourceType": "icarReproAbortionEventResource"}),
    );
    yard.send("abortions", &loss).await;
    assert_eq!(yard.next(&animal).await["permitted"], true);
    // Absent means true: the standard's default.
    let stop = event(
        "d-1",
        "412",
        "2026-02-26T06:00:00Z",
        json!({"resourceType": "icarReproDoNotBreedEventResource"}),
    );
    yard.send("do-not-breeds", &stop).await;
    assert_eq!(yard.next(&animal).await["objections"][0]["kind"], "do_not_breed");
    let mut go = event("d-2", "412", "2026-02-27T06:00:00Z", json!({"doNotBreed": false}));
    go["eventType"] = json!("icarReproDoNotBreedEventResource");
    yard.send("do-not-breeds", &go).await;
    assert_eq!(yard.next(&animal).await["permitted"], true);
}

async fn an_insemination_with_a_straw_of_ours_takes_it_from_the_stock_once(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let ai = insemination("i-1", "412", "2026-03-02T04:30:00Z", sexed());
    let told = yard.send("inseminations", &ai).await;
    assert_eq!(yard.sexed_left().await, 9);
    assert_eq!(yard.flagged().await, [] as [Value; 0]);
    let services = yard.services(&animal).await;
    assert_eq!((services.len(), &services[0]["lot"]["id"]), (1, &json!(yard.farm.sexed)));
    assert_eq!(
        (&services[0]["technician"], &services[0]["served_at"]),
        (&json!("TECH-07"), &json!("2026-03-02T04:30:00Z"))
    );
    assert_eq!(
        (&told["rank"], &told["farmContainer"]),
        (&json!(1), &json!("Dairy room, canister 3, cane B, upper goblet"))
    );
    assert_eq!(yard.next(&animal).await["service_number"], 1, "the same heat");
    world.pass(chrono::TimeDelta::days(21));
    assert_eq!(yard.next(&animal).await["service_number"], 2);
    // A hundred times the same, and at once: one straw.
    let path = format!("{}/inseminations", yard.at);
    let again = (0..20).map(|_| yard.herd_system.post(&path, ai.clone()));
    for answer in futures_util::future::join_all(again).await {
        assert_eq!(answer.expect(200)["id"], told["id"]);
    }
    assert_eq!(yard.sexed_left().await, 9);
    // What stood against it is on record, and it is not refused: conventional where sexed is called for.
    let other = yard.animal("7").await;
    let straw = json!({"id": {"scheme": "tankside.lot", "id": yard.farm.conventional}});
    yard.send("inseminations", &insemination("i-2", "7", "2026-03-02T05:00:00Z", straw)).await;
    assert_eq!(yard.farm.straws(&yard.manager, &yard.farm.conventional).await, 9);
    assert_eq!(yard.services(&other).await[0]["deviations"][0]["kind"], "choice_rule");
}

async fn a_straw_is_known_by_any_name_of_its_sire(world: &World) {
    let yard = Yard::of(world).await;
    for (n, name) in [
        json!({"scheme": "org.example.aicode", "id": "XA871"}),
        json!({"scheme": "icar.Interbull", "id": "HOL ZZZ M A12345"}),
        json!({"scheme": "international-id", "id": "HOLZZZM000000A12345"}),
        json!({"scheme": "tankside.sire", "id": yard.farm.sire}),
    ]
    .into_iter()
    .enumerate()
    {
        let number = format!("{}", 10 + n);
        yard.animal(&number).await;
        let straw = json!({"batch": "24117", "isSexedSemen": true, "sireIdentifiers": [name]});
        yard.send("inseminations", &insemination(&format!("i-{n}"), &number, "2026-03-02T04:30:00Z", straw))
            .await;
        assert_eq!(yard.sexed_left().await, 9 - i64::try_from(n).unwrap());
    }
    // Of the event where no straw is told of.
    yard.animal("20").await;
    let mut ai = insemination("i-20", "20", "2026-03-02T04:30:00Z", json!({"isSexedSemen": false}));
    ai["sireIdentifiers"] = json!([{"scheme": "org.example.aicode", "id": "XA871"}]);
    yard.send("inseminations", &ai).await;
    assert_eq!(yard.farm.straws(&yard.manager, &yard.farm.conventional).await, 9);
    // Two names of one bull are one bull; a name of the animal is any of hers.
    yard.animal("21").await;
    let mut ai = insemination("i-21", "21", "2026-03-02T04:30:00Z", sexed());
    ai["animal"] = json!({"scheme": "std.iso.11785", "id": "276000000000021"});
    ai["straw"]["sireIdentifiers"] = json!([
        {"scheme": "org.example.aicode", "id": "XA871"}, {"scheme": "icar.Interbull", "id": "HOLZZZM000000A12345"}]);
    yard.send("inseminations", &ai).await;
    assert_eq!(yard.sexed_left().await, 5);
    assert_eq!(yard.flagged().await, [] as [Value; 0]);
}

async fn what_is_not_certain_is_flagged_and_nothing_guessed(world: &World) {
    let yard = Yard::of(world).await;
    yard.farm.receive(&yard.manager, &yard.farm.conventional, 5, 3).await;
    let sire = |straw: Value| {
        let mut straw = straw;
        straw["sireIdentifiers"] = json!([{"scheme": "org.example.aicode", "id": "XA871"}]);
        straw
    };
    let cases = [
        (json!({}), "straw_unknown"),
        (json!({"sireIdentifiers": [{"scheme": "org.example.aicode", "id": "unheard of"}]}), "straw_unknown"),
        (sire(json!({"batch": "99999"})), "straw_unknown"),
        (sire(json!({"isSexedSemen": true, "sexedGender": "Male"})), "straw_unknown"),
        (sire(json!({"batch": "24117"})), "straw_ambiguous"),
        (sire(json!({"isSexedSemen": false})), "straw_ambiguous"),
        (json!({"id": {"scheme": "tankside.lot", "id": Uuid::now_v7()}}), "straw_unknown"),
    ];
    for (n, (straw, flag)) in cases.iter().enumerate() {
        let number = format!("{}", 10 + n);
        let animal = yard.animal(&number).await;
        let ai = insemination(&format!("i-{n}"), &number, "2026-03-02T04:30:00Z", straw.clone());
        let told = yard.send("inseminations", &ai).await;
        let flagged = yard.flagged().await;
        let item = flagged.iter().find(|item| item["id"] == told["id"]).unwrap();
        assert_eq!((&item["flag"], &item["animal_id"]), (&json!(flag), &json!(animal)), "{straw}");
        assert!(!item["flag_text"].as_str().unwrap().is_empty());
        // She was served all the same, and her numbers go on.
        let services = yard.services(&animal).await;
        assert_eq!((services.len(), &services[0]["withdrawal_id"]), (1, &Value::Null));
        assert_eq!(item["subject_id"], services[0]["id"]);
    }
    assert_eq!(
        (yard.sexed_left().await, yard.farm.straws(&yard.manager, &yard.farm.conventional).await),
        (10, 13)
    );
    assert_eq!(yard.flagged().await.len(), cases.len());
    // Fresh semen never hung in a tank: nothing to take, nothing to ask.
    let animal = yard.animal("50").await;
    let mut fresh = sexed();
    fresh["preservationType"] = json!("Liquid");
    yard.send("inseminations", &insemination("i-50", "50", "2026-03-02T04:30:00Z", fresh)).await;
    assert_eq!((yard.sexed_left().await, yard.services(&animal).await.len()), (10, 1));
    // The place decides between two; where it is named as we name it.
    yard.animal("51").await;
    let mut ai = insemination("i-51", "51", "2026-03-02T04:30:00Z", sire(json!({"isSexedSemen": false})));
    ai["farmContainer"] = json!("Dairy room, canister 5, cane B, upper goblet");
    yard.send("inseminations", &ai).await;
    assert_eq!(yard.farm.straws(&yard.manager, &yard.farm.conventional).await, 12);
    // Whose stock it was decides as well.
    yard.animal("52").await;
    let mut ai = insemination("i-52", "52", "2026-03-02T04:30:00Z", sexed());
    ai["semenFromFarmStocks"] = json!(false);
    yard.send("inseminations", &ai).await;
    assert_eq!(yard.sexed_left().await, 10, "it hangs in the herd's own tank");
    assert_eq!(yard.flagged().await.len(), cases.len() + 1);
}

async fn a_straw_that_was_withdrawn_here_is_not_taken_twice(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let order = json!({"animal_id": animal, "lot_id": yard.farm.sexed});
    let taken = yard.manager.make("/v1/withdrawals", order.clone()).await;
    yard.send("inseminations", &insemination("i-1", "412", "2026-03-02T05:10:00Z", sexed())).await;
    assert_eq!(yard.sexed_left().await, 9, "it is the straw that is out for her");
    assert_eq!(yard.services(&animal).await[0]["withdrawal_id"], json!(taken));
    // Corrected in another member it is that straw still, and no second one.
    let mut later =
        modified(&insemination("i-1", "412", "2026-03-02T05:10:00Z", sexed()), "2026-03-02T05:30:00Z");
    later["remark"] = json!("easy");
    yard.send("inseminations", &later).await;
    assert_eq!(yard.sexed_left().await, 9);
    assert_eq!(yard.services(&animal).await[0]["withdrawal_id"], json!(taken));
    // Served here and told by the herd system too: a person must say whether it was twice.
    let other = yard.animal("7").await;
    let taken =
        yard.manager.make("/v1/withdrawals", json!({"animal_id": other, "lot_id": yard.farm.sexed})).await;
    yard.manager.make("/v1/services", json!({"withdrawal_id": taken})).await;
    yard.send("inseminations", &insemination("i-2", "7", "2026-03-02T06:00:00Z", sexed())).await;
    assert_eq!((yard.sexed_left().await, yard.services(&other).await.len()), (8, 1));
    let flagged = yard.flagged().await;
    assert_eq!(flagged[0]["flag"], "possible_duplicate");
    // Found to be the same: nothing more is told of it, and nothing of it is done.
    assert_eq!(yard.members("inseminations").await.len(), 3);
    yard.settle(&flagged[0], json!({"resolution": "dismiss", "note": "the same"})).await.expect(200);
    assert_eq!(yard.members("inseminations").await.len(), 2);
    assert_eq!((yard.sexed_left().await, yard.services(&other).await.len()), (8, 1));
    // What reverses the item leaves alone what a person withdrew.
    let mut gone = insemination("i-1", "412", "2026-03-02T05:10:00Z", sexed());
    gone["meta"]["isDeleted"] = json!(true);
    yard.send("inseminations", &modified(&gone, "2026-03-02T06:00:00Z")).await;
    assert_eq!((yard.sexed_left().await, yard.services(&animal).await.len()), (8, 0));
    let open =
        yard.manager.get(&format!("/v1/withdrawals?animal_id={animal}&unresolved=true")).await.expect(200);
    assert_eq!(open["items"].as_array().unwrap().len(), 1, "the straw is unresolved again");
}

async fn a_person_settles_what_was_flagged(world: &World) {
    let yard = Yard::of(world).await;
    let flag = async |n: usize| {
        let number = format!("{}", 30 + n);
        let animal = yard.animal(&number).await;
        let ai = insemination(&format!("f-{n}"), &number, "2026-03-02T04:30:00Z", json!({}));
        yard.send("inseminations", &ai).await;
        (animal, yard.flagged().await.last().unwrap().clone())
    };
    let (animal, item) = flag(0).await;
    let straw = json!({"resolution": "straw", "lot_id": yard.farm.sexed, "note": "seen on the paillette"});
    let settled = yard.settle(&item, straw.clone()).await.expect(200);
    assert_eq!((&settled["flagged"], &settled["resolution"]), (&json!(false), &json!("straw")));
    assert_eq!(yard.sexed_left().await, 9);
    let services = yard.services(&animal).await;
    assert_eq!((services.len(), &services[0]["lot"]["id"]), (1, &json!(yard.farm.sexed)));
    assert_eq!(services[0]["served_at"], "2026-03-02T04:30:00Z");
    yard.settle(&item, straw).await.problem(409, "in-use");
    assert_eq!(yard.members("inseminations").await.len(), 1, "one insemination, told once");

    let (animal, item) = flag(1).await;
    let taken =
        yard.manager.make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": yard.farm.sexed})).await;
    let others = yard.animal("99").await;
    let wrong =
        yard.manager.make("/v1/withdrawals", json!({"animal_id": others, "lot_id": yard.farm.sexed})).await;
    let answer = yard.settle(&item, json!({"resolution": "withdrawal", "withdrawal_id": wrong})).await;
    assert_eq!(answer.pointers(), ["#/withdrawal_id"]);
    yard.settle(&item, json!({"resolution": "withdrawal", "withdrawal_id": taken})).await.expect(200);
    assert_eq!(yard.services(&animal).await[0]["withdrawal_id"], json!(taken));
    assert_eq!(yard.sexed_left().await, 7);

    for resolution in ["no_straw", "dismiss"] {
        let (animal, item) = flag(if resolution == "dismiss" { 2 } else { 3 }).await;
        yard.settle(&item, json!({"resolution": resolution})).await.expect(200);
        assert_eq!((yard.services(&animal).await.len(), yard.sexed_left().await), (1, 7));
    }
    assert_eq!(yard.flagged().await, [] as [Value; 0]);

    let (_, item) = flag(4).await;
    for (wrong, at) in [
        (json!({"resolution": "straw"}), "#/lot_id"),
        (json!({"resolution": "dismiss", "lot_id": yard.farm.sexed}), "#/lot_id"),
        (json!({"resolution": "withdrawal"}), "#/withdrawal_id"),
        (json!({"resolution": "guess"}), "#/resolution"),
        (json!({"resolution": "no_straw", "place": yard.farm.place(3)}), "#/place"),
    ] {
        assert_eq!(yard.settle(&item, wrong).await.pointers(), [at]);
    }
    // Straws of two places: which, must be said; and of a place without straws none can be taken.
    yard.farm.receive(&yard.manager, &yard.farm.sexed, 5, 1).await;
    let straw = json!({"resolution": "straw", "lot_id": yard.farm.sexed});
    assert_eq!(yard.settle(&item, straw.clone()).await.pointers(), ["#/place"]);
    let mut placed = straw.clone();
    placed["place"] = yard.farm.place(6);
    yard.settle(&item, placed.clone()).await.problem(409, "not-in-stock");
    placed["place"] = yard.farm.place(5);
    yard.settle(&item, placed).await.expect(200);
    assert_eq!(yard.sexed_left().await, 7);
}

async fn what_is_newer_corrects_by_reversal_and_new_entry(world: &World) {
    let yard = Yard::of(world).await;
    let (animal, other) = (yard.animal("412").await, yard.animal("7").await);
    let ai = insemination("i-1", "412", "2026-03-02T04:30:00Z", sexed());
    let first = yard.send("inseminations", &ai).await;
    // Another animal it was, and another straw.
    let mut right = modified(&ai, "2026-03-02T05:00:00Z");
    right["animal"]["id"] = json!("XX 0417 7");
    right["straw"]["isSexedSemen"] = json!(false);
    right["straw"].as_object_mut().unwrap().remove("sexedGender");
    let second = yard.send("inseminations", &right).await;
    assert_eq!(second["id"], first["id"], "one thing, corrected");
    assert!(second["meta"]["modified"].as_str() > first["meta"]["modified"].as_str());
    assert_eq!(second["meta"]["created"], first["meta"]["created"]);
    assert_eq!(yard.sexed_left().await, 10);
    assert_eq!(yard.farm.straws(&yard.manager, &yard.farm.conventional).await, 9);
    assert_eq!((yard.services(&animal).await.len(), yard.services(&other).await.len()), (0, 1));
    let ledger = yard.manager.get("/v1/movements").await.expect(200);
    let kinds: Vec<_> =
        ledger["items"].as_array().unwrap().iter().map(|line| line["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds[2..], ["withdrawal", "reversal", "withdrawal"]);
    assert_eq!(yard.members("inseminations").await, [second], "it is told once, as it is now");
    // What is older, or of the same time, changes nothing.
    let before = yard.everything().await;
    for stale in [&ai, &modified(&ai, "2026-03-02T05:00:00Z"), &modified(&ai, "2026-03-02T04:59:59Z")] {
        yard.send("inseminations", stale).await;
    }
    assert_eq!(yard.everything().await, before);

    let heat = event("h-1", "412", "2026-03-02T02:00:00Z", json!({"certainty": "InHeat"}));
    yard.send("heats", &heat).await;
    let mut later = modified(&heat, "2026-03-02T05:00:00Z");
    later["eventDateTime"] = json!("2026-03-02T03:00:00Z");
    yard.send("heats", &later).await;
    let page = yard.manager.get(&format!("/v1/heats?animal_id={animal}")).await.expect(200);
    let told: Vec<_> = page["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|heat| (heat["standing_at"].as_str().unwrap(), heat["reversed_at"].is_null()))
        .collect();
    assert_eq!(told, [("2026-03-02T02:00:00Z", false), ("2026-03-02T03:00:00Z", true)], "the pair stays");
    assert_eq!(yard.members("heats").await.len(), 1);
    // Without meta.modified it is taken as newer when it says something else.
    let mut timeless = later.clone();
    timeless["meta"].as_object_mut().unwrap().remove("modified");
    timeless["remark"] = json!("mucus");
    assert_eq!(yard.send("heats", &timeless).await["remark"], "mucus");
}

async fn what_is_taken_back_is_reversed(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let ai = insemination("i-1", "412", "2026-03-02T04:30:00Z", sexed());
    yard.send("inseminations", &ai).await;
    let calving = event("p-1", "412", "2025-11-10T06:00:00Z", json!({}));
    yard.send("parturitions", &calving).await;
    assert_eq!(yard.next(&animal).await["class"], "cow");
    for (what, resource) in [("inseminations", &ai), ("parturitions", &calving)] {
        let mut gone = modified(resource, "2026-03-02T05:00:00Z");
        gone["meta"]["isDeleted"] = json!(true);
        let told = yard.send(what, &gone).await;
        assert_eq!(told["meta"]["isDeleted"], true);
        yard.send(what, &gone).await;
        // Left out of plain lists; told to whoever asks what changed.
        assert_eq!(yard.members(what).await, [] as [Value; 0]);
        let changed = yard.members(&format!("{what}?meta-modified-from=2026-01-01T00:00:00Z")).await;
        assert_eq!((changed.len(), &changed[0]["meta"]["isDeleted"]), (1, &json!(true)));
    }
    assert_eq!(yard.sexed_left().await, 10);
    let next = yard.next(&animal).await;
    assert_eq!(
        (&next["class"], &next["service_number"], &next["rank"]),
        (&json!("heifer"), &json!(1), &json!(1))
    );
    // It was right after all.
    yard.send("inseminations", &modified(&ai, "2026-03-02T06:00:00Z")).await;
    assert_eq!((yard.sexed_left().await, yard.services(&animal).await.len()), (9, 1));
    // What was never told can be taken back as well, and does nothing.
    let mut unheard = event("p-9", "412", "2025-11-10T06:00:00Z", json!({}));
    unheard["meta"]["isDeleted"] = json!(true);
    yard.send("parturitions", &unheard).await;
    assert_eq!(yard.members("parturitions").await, [] as [Value; 0]);
    // Reversed here by a person: the herd system hears of it, and a repeat does not bring it back.
    let service = yard.services(&animal).await[0]["id"].as_str().unwrap().to_owned();
    yard.manager.post(&format!("/v1/services/{service}/reversal"), json!({})).await.expect(200);
    let changed = yard.members("inseminations?meta-modified-from=2026-01-01T00:00:00Z").await;
    assert_eq!(changed[0]["meta"]["isDeleted"], true);
    yard.send("inseminations", &modified(&ai, "2026-03-02T06:00:00Z")).await;
    assert_eq!(yard.services(&animal).await.len(), 0);
}

async fn a_correction_keeps_the_straw_that_was_settled(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let ai = insemination("i-1", "412", "2026-03-02T04:30:00Z", json!({}));
    yard.send("inseminations", &ai).await;
    let item = yard.flagged().await.remove(0);
    yard.settle(&item, json!({"resolution": "straw", "lot_id": yard.farm.sexed})).await.expect(200);
    let mut later = modified(&ai, "2026-03-02T05:00:00Z");
    later["eventDateTime"] = json!("2026-03-02T04:45:00Z");
    yard.send("inseminations", &later).await;
    assert_eq!(yard.flagged().await, [] as [Value; 0], "the person has decided");
    let services = yard.services(&animal).await;
    assert_eq!(
        (&services[0]["served_at"], &services[0]["lot"]["id"]),
        (&json!("2026-03-02T04:45:00Z"), &json!(yard.farm.sexed))
    );
    assert_eq!(yard.sexed_left().await, 9);
    // Another straw is told of: that is another question.
    let mut other = modified(&later, "2026-03-02T06:00:00Z");
    other["straw"] = json!({"batch": "unheard of"});
    yard.send("inseminations", &other).await;
    assert_eq!((yard.flagged().await.len(), yard.sexed_left().await), (1, 10));
    yard.settle(&item, json!({"resolution": "no_straw"})).await.expect(200);
    let mut remarked = modified(&other, "2026-03-02T07:00:00Z");
    remarked["remark"] = json!("easy");
    yard.send("inseminations", &remarked).await;
    assert_eq!((yard.flagged().await.len(), yard.services(&animal).await.len()), (0, 1));
}

async fn a_recommendation_becomes_the_plan(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    assert_eq!(yard.next(&animal).await["plan"], Value::Null);
    let plan = event(
        "m-1",
        "412",
        "2026-02-01T06:00:00Z",
        json!({
        "resourceType": "icarReproMatingRecommendationResource",
        "sireRecommendations": [
            {"recommendationType": "BeefSire", "sireRank": 2, "sireOfficialName": "Invented Beef",
             "sireIdentifiers": [{"scheme": "org.example.aicode", "id": "B-2"}]},
            {"recommendationType": "SireRecommended", "sireRank": 1, "isSexedSemen": true, "sexedGender": "Female",
             "sireIdentifiers": [{"scheme": "icar.Interbull", "id": "HOLZZZM000000A12345"}]}]}),
    );
    yard.send("mating-recommendations", &plan).await;
    let told = yard.next(&animal).await["plan"].clone();
    let first = &told["choices"][0];
    assert_eq!((&first["sire_id"], &first["sire_name"]), (&json!(yard.farm.sire), &json!("Invented One")));
    assert_eq!((&first["semen_type"], &first["rank"]), (&json!("sexed_female"), &json!(1)));
    let second = &told["choices"][1];
    assert_eq!(
        (&second["sire_id"], &second["sire_name"], &second["recommendation"]),
        (&Value::Null, &json!("Invented Beef"), &json!("beef_sire"))
    );
    // A sire that comes later is found in it.
    let names = json!([{"scheme": "org.example.aicode", "id": "B-2"}]);
    let beef = yard.manager.make("/v1/sires", json!({"name": "Beef", "identifiers": names})).await;
    assert_eq!(yard.next(&animal).await["plan"]["choices"][1]["sire_id"], json!(beef));
    // The last plan counts, and one that says no is heeded.
    let no = event(
        "m-2",
        "412",
        "2026-02-02T06:00:00Z",
        json!({
        "sireRecommendations": [{"recommendationType": "NoBreedingSire"}]}),
    );
    yard.send("mating-recommendations", &no).await;
    let next = yard.next(&animal).await;
    assert_eq!(next["plan"]["choices"][0]["recommendation"], "no_sire");
    assert!(next["cautions"].to_string().contains("mating plan"), "{next:#}");
    let mut gone = modified(&no, "2026-03-02T05:00:00Z");
    gone["meta"]["isDeleted"] = json!(true);
    yard.send("mating-recommendations", &gone).await;
    assert_eq!(yard.next(&animal).await["plan"]["choices"].as_array().unwrap().len(), 2);
}

async fn an_animal_is_entered_and_found_by_any_of_her_names(world: &World) {
    let yard = Yard::of(world).await;
    let parents = json!({"parentage": [
        {"parentOf": {"scheme": "eu.bovine", "id": "XX 0417 00212"}, "gender": "Male", "relation": "Genetic",
         "identifier": {"scheme": "org.example.aicode", "id": "XA871"}}]});
    let told = yard.send("animals", &cow("a-1", parents.clone())).await;
    assert_eq!(told["identifier"], json!({"scheme": "eu.bovine", "id": "XX 0417 00212"}));
    let found = yard.manager.get("/v1/animals?identifier=276000000000212").await.expect(200);
    let animal = &found["items"][0];
    assert_eq!(
        (&animal["number"], &animal["name"], &animal["born_on"], &animal["breed"]),
        (&json!("212"), &json!("Clover"), &json!("2023-02-17"), &json!("HOL"))
    );
    assert_eq!((&animal["sire_id"], &animal["herd_id"]), (&json!(yard.farm.sire), &json!(yard.farm.herd)));
    let id = animal["id"].as_str().unwrap().to_owned();
    // By any of her names, ours included.
    for (n, name) in [
        json!({"scheme": "eu.bovine", "id": "XX 0417 00212"}),
        json!({"scheme": "std.iso.11785", "id": "276000000000212"}),
        json!({"scheme": "iso-11784", "id": "276 000000000212"}),
        json!({"scheme": "tankside.animal", "id": id}),
    ]
    .into_iter()
    .enumerate()
    {
        let mut heat = event(&format!("h-{n}"), "", "2026-03-02T02:10:00Z", json!({"certainty": "InHeat"}));
        heat["animal"] = name.clone();
        assert_eq!(yard.send("heats", &heat).await["animal"], name);
        let query = format!(
            "heats?animal-scheme={}&animal-id={}",
            name["scheme"].as_str().unwrap(),
            name["id"].as_str().unwrap().replace(' ', "%20")
        );
        assert_eq!(yard.members(&query).await.len(), n + 1, "{query}");
    }
    assert_eq!(yard.members("heats?animal-scheme=eu.bovine&animal-id=nobody").await, [] as [Value; 0]);
    // The same once more, and from another system that knows her by another name: she is one.
    yard.send("animals", &cow("a-1", parents)).await;
    let mut other =
        cow("x-9", json!({"alternativeIdentifiers": [{"scheme": "org.example.other", "id": "9"}]}));
    other["meta"]["source"] = json!("org.example.other");
    yard.send("animals", &other).await;
    assert_eq!(yard.members("animals").await.len(), 1);
    let animals = yard.manager.get("/v1/animals").await.expect(200);
    assert_eq!(animals["items"].as_array().unwrap().len(), 1);
    assert_eq!(animals["items"][0]["identifiers"].as_array().unwrap().len(), 3, "all her names are kept");
    // Changed here, told so; what only the herd system says of her stays beside it.
    yard.manager.patch(&format!("/v1/animals/{id}"), None, json!({"name": "Clara"})).await.expect(200);
    let now = &yard.members("animals").await[0];
    assert_eq!(
        (&now["name"], &now["coatColor"], &now["status"]),
        (&json!("Clara"), &json!("black"), &json!("Alive"))
    );
    // What only the herd system says of her is told anew as well when it changes.
    let red = modified(&cow("a-1", json!({"coatColor": "red"})), "2026-03-02T04:30:00Z");
    let since = now["meta"]["modified"].as_str().unwrap();
    let path = format!("animals?meta-modified-from={since}");
    yard.send("animals", &red).await;
    let changed = yard.members(&path).await;
    assert_eq!((changed.len(), &changed[0]["coatColor"]), (1, &json!("red")));
    assert!(changed[0]["meta"]["modified"].as_str().unwrap() > since);
    // She leaves, and is not served any more.
    let gone = modified(&cow("a-1", json!({"status": "OffFarm"})), "2026-03-02T05:00:00Z");
    assert_eq!(yard.send("animals", &gone).await["status"], "OffFarm");
    assert_eq!(yard.next(&id).await["objections"][0]["kind"], "animal_left");
    // Names of two animals: which is meant, nobody knows.
    yard.animal("7").await;
    let both = cow("a-2", json!({"alternativeIdentifiers": [{"scheme": "eu.bovine", "id": "XX 0417 7"}]}));
    let path = format!("{}/animals", yard.at);
    assert_eq!(yard.herd_system.post(&path, both).await.instances(), ["#/identifier"]);
}

async fn what_is_only_kept_counts_for_nothing(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let batches = yard.at.replace("/ade/", "/ade/batches/");
    for (n, (what, resource)) in [
        ("heats", event("1", "412", "2026-03-02T02:10:00Z", json!({"certainty": "Suspect"}))),
        ("animals", cow("1", json!({"gender": "Male"}))),
        ("animals", cow("2", json!({"specie": "Sheep"}))),
    ]
    .into_iter()
    .enumerate()
    {
        let told = yard.herd_system.post(&format!("{batches}/{what}"), json!([resource])).await.expect(200);
        // icarBatchResult: messages say what the sender should know.
        assert_eq!(told[0]["messages"][0]["severity"], "Warning", "{n}");
        let item = told[0]["id"].as_str().unwrap();
        let kept = yard.get(&format!("{what}/{item}")).await;
        assert_eq!(kept["meta"]["sourceId"], resource["meta"]["sourceId"]);
        assert!(yard.members(what).await.contains(&kept), "it is kept and told again");
    }
    let next = yard.next(&animal).await;
    assert_eq!((&next["timing"], &next["service_number"]), (&Value::Null, &json!(1)));
    assert_eq!(yard.manager.get("/v1/animals").await.expect(200)["items"].as_array().unwrap().len(), 1);
    assert_eq!(yard.flagged().await, [] as [Value; 0]);
}

async fn an_insemination_of_an_unknown_animal_is_kept_until_she_is_known(world: &World) {
    let yard = Yard::of(world).await;
    let ai = |id: &str, number: &str| insemination(id, number, "2026-03-02T04:30:00Z", sexed());
    for (id, number) in [("u-1", "501"), ("u-2", "502"), ("u-3", "503"), ("u-4", "504")] {
        let sent = ai(id, number);
        let told = yard.send("inseminations", &sent).await;
        assert_eq!((&told["animal"], &told["meta"]["sourceId"]), (&sent["animal"], &json!(id)));
        assert_eq!(yard.get(&format!("inseminations/{}", told["id"].as_str().unwrap())).await, told);
    }
    let flagged = yard.flagged().await;
    assert_eq!(flagged.len(), 4);
    for item in &flagged {
        assert_eq!(
            (&item["flag"], &item["animal_id"], &item["subject_id"]),
            (&json!("animal_unknown"), &Value::Null, &Value::Null)
        );
    }
    assert_eq!(yard.sexed_left().await, 10, "nothing is guessed");
    // The same once more while nobody knows her changes nothing.
    let before = yard.everything().await;
    yard.send("inseminations", &ai("u-1", "501")).await;
    assert_eq!(yard.everything().await, before);
    // Whoever settles it must say who she was, as long as the name says nothing.
    let straw = json!({"resolution": "straw", "lot_id": yard.farm.sexed});
    let pointer = |refused: Answer| refused.problem(422, "invalid-input")["errors"][0]["pointer"].clone();
    assert_eq!(pointer(yard.settle(&flagged[0], straw.clone()).await), "#/animal_id");
    // She is entered: the same once more counts now.
    let first = yard.animal("501").await;
    yard.send("inseminations", &ai("u-1", "501")).await;
    assert_eq!((yard.services(&first).await.len(), yard.sexed_left().await), (1, 9));
    // Or a person settles it, by the name that she has by now,
    let second = yard.animal("502").await;
    let settled = yard.settle(&flagged[1], straw).await.expect(200);
    assert_eq!((&settled["animal_id"], &settled["flagged"]), (&json!(second), &json!(false)));
    assert_eq!((yard.services(&second).await.len(), yard.sexed_left().await), (1, 8));
    // or by saying who she is.
    let third = yard.animal("7").await;
    let elsewhere = yard.manager.make("/v1/herds", json!({"name": "Far", "time_zone": "UTC"})).await;
    let stranger = yard.manager.make("/v1/animals", json!({"herd_id": elsewhere, "number": "1"})).await;
    let named = |animal: &str| json!({"resolution": "no_straw", "animal_id": animal});
    assert_eq!(pointer(yard.settle(&flagged[2], named(&stranger)).await), "#/animal_id");
    yard.settle(&flagged[2], named(&third)).await.expect(200);
    assert_eq!(yard.services(&third).await.len(), 1);
    assert_eq!(
        yard.members(&format!("inseminations?animal-scheme=tankside.animal&animal-id={third}")).await.len(),
        1
    );
    // Or it was nobody's.
    yard.settle(&flagged[3], json!({"resolution": "dismiss"})).await.expect(200);
    assert_eq!((yard.flagged().await.len(), yard.members("inseminations").await.len()), (0, 3));
    // A name that two animals have is nobody's for sure.
    for number in ["601", "602"] {
        let names = json!([{"scheme": "org.example.collar", "id": "9"}]);
        let animal = json!({"herd_id": yard.farm.herd, "number": number, "identifiers": names});
        yard.manager.make("/v1/animals", animal).await;
    }
    let mut both = ai("u-5", "");
    both["animal"] = json!({"scheme": "org.example.collar", "id": "9"});
    yard.send("inseminations", &both).await;
    let item = yard.flagged().await.remove(0);
    assert!(item["flag_text"].as_str().unwrap().starts_with("More than one animal"), "{item}");
    // Of anything else than an insemination the sender hears that she is unknown.
    let heat = event("u-6", "999", "2026-03-02T02:10:00Z", json!({"certainty": "InHeat"}));
    let answer = yard.herd_system.post(&format!("{}/heats", yard.at), heat).await;
    assert_eq!(answer.instances(), ["#/animal"]);
}
