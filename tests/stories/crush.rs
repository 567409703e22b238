//! What happens with a cow in the crush: nothing that was done is lost, and nobody else's straw is taken.

use chrono::TimeDelta;
use serde_json::{Value, json};
use tankside::domain::access::Role;
use uuid::Uuid;

use crate::{
    on_both_stores,
    world::{Answer, Client, Farm, World},
};

on_both_stores!(
    what_was_done_is_never_refused_whoever_tells_it,
    what_cannot_be_true_is_refused_all_the_same,
    a_straw_that_the_book_did_not_have_is_found_first,
    a_bath_that_was_wrong_is_kept_without_a_manager,
    a_client_makes_ids_so_that_steps_can_wait_in_line,
    an_id_is_used_once_and_is_not_from_the_time_to_come,
    a_batch_takes_a_whole_morning_in_order,
    a_step_is_the_request_that_it_would_be_alone,
    a_farmers_own_straws_are_for_his_cows_only,
    what_the_straw_says_is_held_against_the_book,
    straws_on_hold_are_neither_offered_nor_given,
    a_hold_is_entered_once_and_lifted,
    frost_tells_of_a_failing_tank_at_once,
);

fn kinds(of: &Value) -> Vec<&str> {
    of["deviations"].as_array().unwrap().iter().map(|deviation| deviation["kind"].as_str().unwrap()).collect()
}

async fn open_alerts(client: &Client, kind: &str) -> Vec<Value> {
    let alerts = client.get(&format!("/v1/alerts?open=true&kind={kind}")).await.expect(200);
    alerts["items"].as_array().unwrap().clone()
}

async fn verifies(world: &World) {
    let mut tx = world.db().read().await.unwrap();
    let findings = tankside::store::verify::findings(&mut tx).await.unwrap();
    assert!(findings.is_empty(), "{findings:#?}");
}

async fn what_was_done_is_never_refused_whoever_tells_it(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let technician = world.caller(Role::Technician).await;
    // Everything at once stands against it: conventional for a first service, of her own sire's, of a recalled lot, for an
    // animal that is pregnant and not to be bred, though her owner keeps her straws for another herd.
    let other = client.make("/v1/herds", json!({"name": "Upper Ridge", "time_zone": "Europe/Vienna"})).await;
    let calf = json!({"herd_id": farm.herd, "number": "1", "born_on": "2023-05-02", "sire_id": farm.sire});
    let animal = client.make("/v1/animals", calf).await;
    let check = json!({"animal_id": animal, "checked_at": "2026-02-20T08:00:00+01:00", "method": "ultrasound", "result": "pregnant"});
    client.post("/v1/pregnancy-checks", check).await.created();
    let decision =
        json!({"animal_id": animal, "decided_at": "2026-02-21T08:00:00+01:00", "do_not_breed": true});
    client.post("/v1/do-not-breed", decision).await.created();
    let lot = format!("/v1/lots/{}", farm.conventional);
    client.patch(&lot, None, json!({"status": "recalled", "owner_herd_id": other})).await.expect(200);
    client.post("/v1/holds", json!({"tank_id": farm.tank, "reason": "Flood."})).await.created();

    let new = json!({"animal_id": animal, "lot_id": farm.conventional, "straw_read": "0HO999"});
    let refused = technician.post("/v1/withdrawals", new.clone()).await.problem(409, "do-not-breed");
    let all = [
        "do_not_breed",
        "animal_pregnant",
        "lot_not_usable",
        "not_yours",
        "kinship",
        "choice_rule",
        "on_hold",
        "straw_mismatch",
    ];
    let told: Vec<_> =
        refused["objections"].as_array().unwrap().iter().map(|o| o["kind"].as_str().unwrap()).collect();
    assert_eq!(told, all);

    let mut done = new;
    done["already_done"] = json!(true);
    let withdrawal = technician.post("/v1/withdrawals", done).await.created();
    assert_eq!(kinds(&withdrawal), all);
    assert_eq!(farm.straws(client, &farm.conventional).await, 9);
    let [alert] = &open_alerts(client, "rule.overridden").await[..] else { panic!("no alert") };
    assert_eq!(alert["withdrawal_id"], withdrawal["id"]);
    let service = json!({"withdrawal_id": withdrawal["id"], "already_done": true});
    let service = technician.post("/v1/services", service).await.created();
    assert_eq!(kinds(&service), all);
    assert_eq!(service["straw_read"], "0HO999");
    verifies(world).await;
}

async fn what_cannot_be_true_is_refused_all_the_same(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let done = |mut what: Value| {
        what["already_done"] = json!(true);
        what
    };
    let withdraw = async |what: Value| client.post("/v1/withdrawals", done(what)).await;
    let nobody = Uuid::now_v7();
    withdraw(json!({"animal_id": nobody, "lot_id": farm.sexed})).await.problem(404, "not-found");
    withdraw(json!({"animal_id": animal, "lot_id": nobody})).await.problem(404, "not-found");
    let nowhere = json!({"tank_id": farm.tank, "canister": 7});
    let refused = withdraw(json!({"animal_id": animal, "lot_id": farm.sexed, "place": nowhere})).await;
    assert_eq!(refused.pointers(), ["#/place/canister"]);
    let to_come = "2027-03-02T06:00:00+01:00";
    let refused = withdraw(json!({"animal_id": animal, "lot_id": farm.sexed, "withdrawn_at": to_come})).await;
    assert_eq!(refused.pointers(), ["#/withdrawn_at"]);

    let at = "2026-03-02T05:00:00+01:00";
    let taken =
        withdraw(json!({"animal_id": animal, "lot_id": farm.sexed, "withdrawn_at": at})).await.created();
    let serve = async |at: &str| {
        client.post("/v1/services", done(json!({"withdrawal_id": taken["id"], "served_at": at}))).await
    };
    // A year slipped, an hour before, a day and a minute after.
    for wrong in ["2025-03-02T05:05:00+01:00", "2026-03-02T04:00:00+01:00"] {
        let refused = serve(wrong).await;
        assert_eq!((refused.status, refused.pointers()), (422, vec!["#/served_at"]), "{wrong}");
    }
    world.pass(TimeDelta::days(2));
    assert_eq!(serve("2026-03-03T05:01:00+01:00").await.pointers(), ["#/served_at"]);
    serve("2026-03-02T05:05:00+01:00").await.created();
    serve("2026-03-02T05:06:00+01:00").await.problem(409, "already-resolved");
    assert_eq!(farm.straws(client, &farm.sexed).await, 9);
}

async fn a_straw_that_the_book_did_not_have_is_found_first(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let technician = world.caller(Role::Technician).await;
    let elsewhere = json!({"tank_id": farm.tank, "canister": 5});
    let new = json!({"animal_id": animal, "lot_id": farm.sexed, "place": elsewhere, "straws": 2});
    technician.post("/v1/withdrawals", new.clone()).await.problem(409, "not-in-stock");
    let mut done = new;
    done["already_done"] = json!(true);
    let taken = technician.post("/v1/withdrawals", done.clone()).await.created();
    assert!(taken["warnings"].to_string().contains("entered as found"), "{taken:#}");
    assert_eq!(taken["place"]["canister"], 5);
    // Found and taken: the ten of canister 3 still hang, and the ledger tells both.
    assert_eq!(farm.straws(client, &farm.sexed).await, 10);
    let lines = client.get(&format!("/v1/movements?lot_id={}", farm.sexed)).await.expect(200);
    let told: Vec<_> = lines["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|line| {
            (
                line["kind"].as_str().unwrap(),
                line["straws"].as_i64().unwrap(),
                line["to"]["straws_after"].as_i64(),
            )
        })
        .collect();
    assert_eq!(told, [("receipt", 10, Some(10)), ("count", 2, Some(2)), ("withdrawal", 2, None)]);
    let [alert] = &open_alerts(client, "stocktake.difference").await[..] else { panic!("no alert") };
    assert_eq!((&alert["withdrawal_id"], &alert["tank_id"]), (&taken["id"], &json!(farm.tank)));
    assert!(
        alert["text"].as_str().unwrap().contains("2 more than the book had in canister 5")
            || alert["text"].as_str().unwrap().contains("2 straws more"),
        "{alert:#}"
    );
    // A reversed withdrawal never happened, so the alert is over; the found straws hang there now.
    let line = lines["items"][2]["id"].as_str().unwrap();
    let undo = json!({"reason": "did_not_happen"});
    client.post(&format!("/v1/movements/{line}/reversal"), undo).await.created();
    assert_eq!(open_alerts(client, "stocktake.difference").await, [] as [Value; 0]);
    assert_eq!(farm.straws(client, &farm.sexed).await, 12);

    // Without a place it is where such straws hang or hung last; by the sire too.
    let all = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 10, "reason": "exposed"});
    client.post("/v1/discards", all).await.created();
    let there = json!({"lot_id": farm.sexed, "place": elsewhere, "straws": 2, "reason": "exposed"});
    client.post("/v1/discards", there).await.created();
    let by_lot = json!({"animal_id": animal, "lot_id": farm.sexed, "already_done": true});
    assert_eq!(technician.post("/v1/withdrawals", by_lot).await.created()["place"]["tank_id"], farm.tank);
    let by_sire = json!({"animal_id": animal, "sire_id": farm.sire, "semen_type": "sexed_female", "already_done": true});
    assert_eq!(technician.post("/v1/withdrawals", by_sire).await.created()["lot"]["id"], farm.sexed);
    assert_eq!(farm.straws(client, &farm.sexed).await, 0);

    // A lot that never hung anywhere: only who took the straw knows where.
    let new_lot = farm.lot(client, "sexed_female", "2025-01-07").await;
    let nowhere = json!({"animal_id": animal, "lot_id": new_lot, "already_done": true});
    assert_eq!(technician.post("/v1/withdrawals", nowhere.clone()).await.pointers(), ["#/place"]);
    let mut somewhere = nowhere;
    somewhere["place"] = farm.place(6);
    technician.post("/v1/withdrawals", somewhere).await.created();
    verifies(world).await;
}

async fn a_bath_that_was_wrong_is_kept_without_a_manager(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let technician = world.caller(Role::Technician).await;
    let new = json!({"animal_id": animal, "lot_id": farm.sexed, "withdrawn_at": "2026-03-02T05:59:50+01:00"});
    let taken = technician.post("/v1/withdrawals", new).await.created();
    let path = format!("/v1/withdrawals/{}/thaw", taken["id"].as_str().unwrap());
    let bath = json!({"bath_temp_c": 39.0, "started_at": "2026-03-02T05:59:55+01:00"});
    technician.post(&path, bath.clone()).await.problem(422, "bath-too-hot");
    let mut done = bath;
    done["already_done"] = json!(true);
    let thawing = technician.post(&path, done).await.expect(200);
    assert_eq!(kinds(&thawing), ["bath_out_of_range"]);
    assert_eq!(open_alerts(client, "rule.overridden").await.len(), 1);
}

async fn a_client_makes_ids_so_that_steps_can_wait_in_line(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let id = id_of(world, 0);
    let new = json!({"id": id, "animal_id": animal, "lot_id": farm.sexed});
    let first = client.post_as("/v1/withdrawals", "phone-1", new.clone()).await;
    assert_eq!(first.header("location"), format!("/v1/withdrawals/{id}"));
    assert_eq!(first.created()["id"], json!(id));
    // The retry of a phone that did not hear the answer.
    let again = client.post_as("/v1/withdrawals", "phone-1", new).await;
    assert_eq!((again.status, again.header("idempotent-replayed")), (201, "true"));
    client.post("/v1/services", json!({"withdrawal_id": id})).await.created();
    assert_eq!(farm.straws(client, &farm.sexed).await, 9);
}

/// A UUIDv7 (RFC 9562) of the story's time and so many days later.
fn id_of(world: &World, days: i64) -> Uuid {
    let at = world.now() + TimeDelta::days(days);
    let seconds = u64::try_from(at.timestamp()).unwrap();
    Uuid::new_v7(uuid::Timestamp::from_unix(uuid::NoContext, seconds, at.timestamp_subsec_nanos()))
}

async fn an_id_is_used_once_and_is_not_from_the_time_to_come(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let withdraw = async |id: Value| {
        client.post("/v1/withdrawals", json!({"id": id, "animal_id": animal, "lot_id": farm.sexed})).await
    };
    let id = json!(id_of(world, 0));
    withdraw(id.clone()).await.created();
    let taken = withdraw(id.clone()).await.problem(409, "id-taken");
    assert_eq!(taken["id"], id);
    // Version 4, version 1, nothing at all: RFC 9562, appendix A.
    for wrong in ["919108f7-52d1-4320-9bac-f847db4148a8", "C232AB00-9414-11EC-B3C8-9F6BDECED846", "1"] {
        assert_eq!(withdraw(json!(wrong)).await.pointers(), ["#/id"], "{wrong}");
    }
    assert_eq!(withdraw(json!(id_of(world, 2))).await.pointers(), ["#/id"]);
    assert_eq!(farm.straws(client, &farm.sexed).await, 9);
    // Another business may use the same.
    let neighbour = world.neighbour().await;
    let theirs = Farm::found(&neighbour).await;
    let hers = theirs.animal(&neighbour, "1").await;
    let same = json!({"id": id, "animal_id": hers, "lot_id": theirs.sexed});
    neighbour.post("/v1/withdrawals", same).await.created();
}

fn statuses(answer: Answer) -> Vec<u64> {
    let told = answer.expect(207);
    told["results"].as_array().unwrap().iter().map(|item| item["status"].as_u64().unwrap()).collect()
}

async fn a_batch_takes_a_whole_morning_in_order(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let technician = world.caller(Role::Technician).await;
    let (one, two) = (farm.animal(client, "1").await, farm.animal(client, "2").await);
    let (first, second, third) = (id_of(world, 0), id_of(world, 0), id_of(world, 0));
    // The second animal gets the wrong type, which happened; the third is unknown, and what hangs on it is refused with it.
    let morning = json!([
        {"idempotency_key": "1", "id": first, "animal_id": one, "lot_id": farm.sexed, "withdrawn_at": "2026-03-02T05:00:00+01:00"},
        {"idempotency_key": "2", "step": "thaw", "withdrawal_id": first, "bath_temp_c": 35.6, "started_at": "2026-03-02T05:00:06+01:00"},
        {"idempotency_key": "3", "step": "service", "withdrawal_id": first, "served_at": "2026-03-02T05:03:00+01:00"},
        {"idempotency_key": "4", "step": "withdrawal", "id": third, "animal_id": Uuid::now_v7(), "lot_id": farm.sexed},
        {"idempotency_key": "5", "step": "thaw", "withdrawal_id": third, "bath_temp_c": 35.6},
        {"idempotency_key": "6", "step": "withdrawal", "id": second, "animal_id": two, "lot_id": farm.conventional, "withdrawn_at": "2026-03-02T05:10:00+01:00"},
        {"idempotency_key": "7", "step": "discard", "withdrawal_id": second, "reason": "dropped", "discarded_at": "2026-03-02T05:11:00+01:00"},
    ]);
    let told = statuses(technician.post("/v1/withdrawals/batch", morning.clone()).await);
    assert_eq!(told, [201, 200, 201, 404, 404, 201, 200]);
    let again = technician.post("/v1/withdrawals/batch", morning).await;
    assert!(
        again.body["results"]
            .as_array()
            .unwrap()
            .iter()
            .all(|item| item["replayed"] == (item["status"] != 404))
    );
    assert_eq!(farm.straws(client, &farm.sexed).await, 9);
    let of_two = client.get(&format!("/v1/withdrawals/{second}")).await.expect(200);
    assert_eq!((&of_two["state"], kinds(&of_two)), (&json!("discarded"), vec!["choice_rule"]));
    let served = client.get(&format!("/v1/services?animal_id={one}")).await.expect(200);
    assert_eq!(served["items"][0]["withdrawal_id"], json!(first));
    verifies(world).await;
}

async fn a_step_is_the_request_that_it_would_be_alone(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let id = id_of(world, 0);
    let item = |key: &str, mut members: Value| {
        members["idempotency_key"] = json!(key);
        members
    };
    let told = client
        .post(
            "/v1/withdrawals/batch",
            json!([
                item("w", json!({"id": id, "animal_id": animal, "lot_id": farm.sexed, "already_done": true})),
                item(
                    "t",
                    json!({"step": "thaw", "withdrawal_id": id, "bath_temp_c": 35.6, "already_done": true})
                ),
                item("x", json!({"step": "thaw", "bath_temp_c": 35.6})),
                item("y", json!({"step": "calving", "animal_id": animal})),
                item("z", json!({"animal_id": animal, "lot_id": farm.sexed, "already_done": false})),
                item("s", json!({"step": "service", "withdrawal_id": id, "straws": 1})),
            ]),
        )
        .await;
    let pointers: Vec<_> = told.body["results"].as_array().unwrap()[2..]
        .iter()
        .map(|item| item["body"]["errors"][0]["pointer"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(pointers, ["#/withdrawal_id", "#/step", "#/already_done", "#/straws"]);
    assert_eq!(statuses(told), [201, 200, 422, 422, 422, 422]);
    // The same key answers the same alone.
    let thaw = json!({"bath_temp_c": 35.6, "already_done": true});
    let alone = client.post_as(&format!("/v1/withdrawals/{id}/thaw"), "t", thaw).await;
    assert_eq!((alone.status, alone.header("idempotent-replayed")), (200, "true"));
    let other = json!({"bath_temp_c": 36.0, "already_done": true});
    client
        .post_as(&format!("/v1/withdrawals/{id}/thaw"), "t", other)
        .await
        .problem(422, "idempotency-mismatch");
}

async fn a_farmers_own_straws_are_for_his_cows_only(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (hers, theirs) = (farm.animal(client, "1").await, {
        let herd =
            client.make("/v1/herds", json!({"name": "Upper Ridge", "time_zone": "Europe/Vienna"})).await;
        let animal = json!({"herd_id": herd, "number": "7", "born_on": "2023-05-02"});
        (herd, client.make("/v1/animals", animal).await)
    });
    let (herd, animal) = theirs;
    // The technician's own tank, where both hang.
    let van = client.make("/v1/tanks", json!({"name": "Van", "canisters": 6})).await;
    let lot = json!({"sire_id": farm.sire, "semen_type": "sexed_female", "batch": "24117", "collected_on": "2023-01-10",
                     "straw_ml": 0.25, "owner_herd_id": herd});
    let own = client.make("/v1/lots", lot.clone()).await;
    let mut unknown = lot;
    unknown["owner_herd_id"] = json!(Uuid::now_v7());
    client.post("/v1/lots", unknown).await.problem(404, "not-found");
    let receipt = json!({"lot_id": own, "place": {"tank_id": van, "canister": 1}, "straws": 5});
    client.post("/v1/receipts", receipt).await.created();

    let offered = async |animal: &str| -> Vec<String> {
        let next = client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200);
        assert!(
            next["blocked"].as_array().unwrap().is_empty(),
            "another farm's straws are not told: {next:#}"
        );
        let lots = next["candidates"].as_array().unwrap().iter();
        lots.map(|candidate| candidate["lot"]["id"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(offered(&hers).await, std::slice::from_ref(&farm.sexed), "hers hang in her own tank");
    assert_eq!(offered(&animal).await, std::slice::from_ref(&own));
    let refused = client
        .post("/v1/withdrawals", json!({"animal_id": hers, "lot_id": own}))
        .await
        .problem(409, "not-yours");
    assert_eq!(refused["allowed"][0]["lot"]["id"], json!(farm.sexed));
    // The oldest collection is theirs; hers is picked all the same.
    let by_sire = json!({"animal_id": hers, "sire_id": farm.sire});
    assert_eq!(
        client.post("/v1/withdrawals", by_sire.clone()).await.created()["lot"]["id"],
        json!(farm.sexed)
    );
    let all = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 9, "reason": "exposed"});
    client.post("/v1/discards", all).await.created();
    let none = client.post("/v1/withdrawals", json!({"animal_id": hers, "lot_id": farm.sexed})).await;
    assert_eq!(none.problem(409, "not-in-stock")["elsewhere"], json!([]));
    let agreed =
        json!({"animal_id": hers, "lot_id": own, "override": {"reason": "Their owner gave her one."}});
    let technician = world.caller(Role::Technician).await;
    technician.post("/v1/withdrawals", agreed.clone()).await.problem(403, "forbidden");
    assert_eq!(kinds(&client.post("/v1/withdrawals", agreed).await.created()), ["not_yours"]);
    assert_eq!(
        client.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": own})).await.created()["deviations"],
        json!([])
    );

    // Lists, stock and outlook heed it.
    let lots = client.get(&format!("/v1/lots?owner_herd_id={herd}")).await.expect(200);
    assert_eq!(lots["items"].as_array().unwrap().len(), 1);
    let stock = client.get(&format!("/v1/stock?owner_herd_id={herd}")).await.expect(200);
    assert_eq!(
        (&stock["total_straws"], &stock["items"][0]["owner_herd_name"]),
        (&json!(3), &json!("Upper Ridge"))
    );
    let outlook = async |query: &str| -> i64 {
        let told = client.get(&format!("/v1/stock/outlook?semen_type=sexed_female{query}")).await.expect(200);
        told["items"].as_array().unwrap().iter().map(|item| item["straws"].as_i64().unwrap()).sum()
    };
    assert_eq!(outlook("").await, 0, "theirs are not for anybody");
    assert_eq!(outlook(&format!("&owner_herd_id={herd}")).await, 3);
    let sold =
        client.patch(&format!("/v1/lots/{own}"), None, json!({"owner_herd_id": null})).await.expect(200);
    assert_eq!(sold["owner_herd_id"], Value::Null);
    assert_eq!(outlook("").await, 3);
}

async fn what_the_straw_says_is_held_against_the_book(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let technician = world.caller(Role::Technician).await;
    // Invented codes: country ZZZ and stud 0 belong to nobody.
    let codes = json!([{"scheme": "international-id", "id": "HOLZZZM000000A12345"}, {"scheme": "uniform-code", "id": "0HO123"}]);
    client.patch(&format!("/v1/sires/{}", farm.sire), None, json!({"identifiers": codes})).await.expect(200);
    let animal = farm.animal(client, "1").await;
    let reads = async |text: &str| {
        technician
            .post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed, "straw_read": text}))
            .await
    };
    for right in ["0ho 123", "000HO00123", "HOL ZZZ M A12345", "invented one", "24117"] {
        assert_eq!(reads(right).await.created()["straw_read"], right);
    }
    let refused = reads("0HO124").await.problem(409, "straw-mismatch");
    assert!(
        refused["detail"].as_str().unwrap().contains("0HO123"),
        "it says what it should say: {refused:#}"
    );
    assert_eq!(farm.straws(client, &farm.sexed).await, 5);

    // Of a sire, the straw says which lot.
    let later = json!({"sire_id": farm.sire, "semen_type": "sexed_female", "batch": "25001", "collected_on": "2025-01-07"});
    let later = client.make("/v1/lots", later).await;
    farm.receive(client, &later, 3, 5).await;
    let of_sire = json!({"animal_id": animal, "sire_id": farm.sire, "straw_read": "25001"});
    let taken = technician.post("/v1/withdrawals", of_sire).await.created();
    assert_eq!(taken["lot"]["id"], json!(later));

    // A second look before she is served; after it the truth is kept.
    let serve = async |done: bool| {
        let service = json!({"withdrawal_id": taken["id"], "straw_read": "24117", "already_done": done});
        technician.post("/v1/services", service).await
    };
    serve(false).await.problem(409, "straw-mismatch");
    let served = serve(true).await.created();
    assert_eq!((kinds(&served), &served["straw_read"]), (vec!["straw_mismatch"], &json!("24117")));
    assert_eq!(open_alerts(client, "rule.overridden").await.len(), 1);
    let listed = client.get(&format!("/v1/services?animal_id={animal}")).await.expect(200);
    assert_eq!(listed["items"][0]["straw_read"], "24117");
    // It is held against a straw of this book only.
    let foreign = client.post("/v1/services", json!({"animal_id": animal, "straw_read": "24117"})).await;
    assert_eq!(foreign.pointers(), ["#/straw_read"]);
}

async fn straws_on_hold_are_neither_offered_nor_given(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let technician = world.caller(Role::Technician).await;
    let hold = json!({"tank_id": farm.tank, "canister": 3, "reason": "Stood above the liquid."});
    let hold = technician.post("/v1/holds", hold).await.created();
    let next = client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200);
    assert_eq!(next["candidates"], json!([]));
    assert!(next["blocked"][0]["reason"].as_str().unwrap().contains("Stood above the liquid"), "{next:#}");
    let stock = client.get(&format!("/v1/stock?lot_id={}", farm.sexed)).await.expect(200);
    assert_eq!(stock["items"][0]["on_hold"], "Stood above the liquid.");
    let outlook = client.get("/v1/stock/outlook?semen_type=sexed_female").await.expect(200);
    assert_eq!(outlook["items"][0]["straws"], 0);
    let by_lot = json!({"animal_id": animal, "lot_id": farm.sexed});
    technician.post("/v1/withdrawals", by_lot.clone()).await.problem(409, "on-hold");
    technician
        .post("/v1/withdrawals", json!({"animal_id": animal, "sire_id": farm.sire}))
        .await
        .problem(409, "on-hold");

    // Elsewhere the same lot may be used; straws move out of a hold.
    let out = json!({"lot_id": farm.sexed, "from": farm.place(3), "to": farm.place(5), "straws": 2});
    technician.post("/v1/transfers", out).await.created();
    assert_eq!(technician.post("/v1/withdrawals", by_lot.clone()).await.created()["place"]["canister"], 5);
    client.delete(&format!("/v1/holds/{}", hold["id"].as_str().unwrap())).await.expect(204);
    assert_eq!(technician.post("/v1/withdrawals", by_lot.clone()).await.created()["place"]["canister"], 3);
    // A whole tank.
    technician.post("/v1/holds", json!({"tank_id": farm.tank, "reason": "Vacuum failed."})).await.created();
    technician.post("/v1/withdrawals", by_lot.clone()).await.problem(409, "on-hold");
    let agreed = json!({"animal_id": animal, "lot_id": farm.sexed, "override": {"reason": "Tested, sound."}});
    assert_eq!(kinds(&client.post("/v1/withdrawals", agreed).await.created()), ["on_hold"]);
}

async fn a_hold_is_entered_once_and_lifted(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let hold = json!({"tank_id": farm.tank, "canister": 3, "reason": "Doubt."});
    let first = client.post("/v1/holds", hold.clone()).await.created();
    assert_eq!(client.post("/v1/holds", hold.clone()).await.pointers(), ["#/canister"]);
    let seven = json!({"tank_id": farm.tank, "canister": 7, "reason": "Doubt."});
    assert_eq!(client.post("/v1/holds", seven).await.pointers(), ["#/canister"]);
    client
        .post("/v1/holds", json!({"tank_id": Uuid::now_v7(), "reason": "Doubt."}))
        .await
        .problem(404, "not-found");
    assert_eq!(client.post("/v1/holds", json!({"tank_id": farm.tank})).await.pointers(), ["#/reason"]);
    let path = format!("/v1/holds/{}", first["id"].as_str().unwrap());
    world.pass(TimeDelta::hours(1));
    client.delete(&path).await.expect(204);
    let lifted = client.get(&path).await.expect(200);
    assert!(lifted["lifted_at"].is_string());
    client.delete(&path).await.expect(204);
    assert_eq!(client.get(&path).await.expect(200), lifted, "a second time changes nothing");
    client.post("/v1/holds", hold).await.created();
    let list = async |query: &str| -> usize {
        client.get(&format!("/v1/holds?{query}")).await.expect(200)["items"].as_array().unwrap().len()
    };
    assert_eq!(
        (list("").await, list("open=true").await, list(&format!("tank_id={}", farm.tank)).await),
        (2, 1, 2)
    );
    client.delete(&format!("/v1/holds/{}", Uuid::now_v7())).await.problem(404, "not-found");
    let reader = world.caller(Role::Reader).await;
    reader.delete(&path).await.problem(403, "forbidden");
    let neighbour = world.neighbour().await;
    neighbour.delete(&path).await.problem(404, "not-found");
}

async fn frost_tells_of_a_failing_tank_at_once(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let path = format!("/v1/tanks/{}/nitrogen-readings", farm.tank);
    let technician = world.caller(Role::Technician).await;
    let state = async || client.get(&format!("/v1/tanks/{}/nitrogen", farm.tank)).await.expect(200);
    // Frost or sweat on the neck, the vacuum port or the outside: Nebel 2003. No reading of the level is needed.
    let seen = technician.post(&path, json!({"frost": "sweat"})).await.created();
    assert_eq!(
        (&seen["measured"], &seen["depth_mm"], &seen["frost"]),
        (&Value::Null, &Value::Null, &json!("sweat"))
    );
    assert!(seen["warnings"][0].as_str().unwrap().contains("/v1/holds"), "it proposes the hold: {seen:#}");
    let failing = state().await;
    assert_eq!((&failing["condition"], &failing["frost"]["frost"]), (&json!("failing"), &json!("sweat")));
    assert_eq!(failing["last_reading"], Value::Null);
    let [alert] = &open_alerts(client, "nitrogen.loss_high").await[..] else { panic!("no alert") };
    assert!(alert["text"].as_str().unwrap().contains("sweat was seen"), "{alert:#}");

    // With a level that is as it should be the frost still tells; none on a later look takes it back.
    world.pass(TimeDelta::hours(1));
    technician.post(&path, json!({"depth_mm": 420, "frost": "frost"})).await.created();
    assert_eq!(
        (&state().await["condition"], &state().await["frost"]["frost"]),
        (&json!("failing"), &json!("frost"))
    );
    world.pass(TimeDelta::hours(1));
    technician.post(&path, json!({"depth_mm": 419})).await.created();
    assert_eq!(state().await["condition"], "failing", "who only read the level did not look");
    world.pass(TimeDelta::hours(1));
    technician.post(&path, json!({"depth_mm": 418, "frost": "none"})).await.created();
    let now = state().await;
    assert_eq!(now["frost"], Value::Null);
    assert_ne!(now["condition"], "failing");

    // A repair ends it too.
    world.pass(TimeDelta::hours(1));
    technician.post(&path, json!({"frost": "frost"})).await.created();
    world.pass(TimeDelta::hours(1));
    let repair = json!({"kind": "replaced"});
    technician.post(&format!("/v1/tanks/{}/repairs", farm.tank), repair).await.created();
    assert_eq!(state().await["frost"], Value::Null);
    let listed = client.get(&format!("{path}?limit=500")).await.expect(200);
    assert_eq!(listed["items"].as_array().unwrap().len(), 5);
    assert_eq!(technician.post(&path, json!({"frost": "ice"})).await.pointers(), ["#/frost"]);
    assert_eq!(technician.post(&path, json!({})).await.pointers(), ["#/depth_mm"]);
}
