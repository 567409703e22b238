//! Mating plans: which sires are wanted for an animal, and what comes of it when she is to be served.

use reqwest::Method;
use serde_json::{Value, json};
use tankside::{domain::access::Role, store::Db};
use uuid::Uuid;

use crate::{
    ade::{Yard, event, modified},
    on_both_stores,
    statements::cost,
    world::{Answer, Client, Farm, World},
};

on_both_stores!(
    a_plan_is_set_read_replaced_and_taken_away,
    what_is_wrong_with_a_plan_is_said_and_changes_nothing,
    what_speaks_against_a_planned_sire_is_told_at_entry,
    what_is_planned_is_offered_first,
    what_stands_in_the_way_of_a_planned_sire_is_said,
    who_departs_from_the_plan_is_warned,
    the_round_follows_the_plan,
    a_recommendation_and_a_plan_by_hand_stand_in_one_place,
    a_plan_that_was_set_here_is_told_to_herd_software,
    a_plan_costs_no_statement_more,
    what_was_recommended_before_there_were_plans_is_the_plan,
);

async fn put(client: &Client, animal: &str, headers: &[(&str, &str)], plan: &Value) -> Answer {
    let mut all = vec![("content-type", "application/json")];
    all.extend(headers);
    let path = format!("/v1/animals/{animal}/mating-plan");
    client.send(Method::PUT, &path, &all, plan.to_string().into_bytes()).await
}

/// Sets a plan of these choices.
async fn planned(client: &Client, animal: &str, choices: Value) -> Value {
    let answer = put(client, animal, &[], &json!({"choices": choices})).await;
    assert!(matches!(answer.status, 200 | 201), "{answer:?}");
    answer.body
}

async fn plan_of(client: &Client, animal: &str) -> Answer {
    client.get(&format!("/v1/animals/{animal}/mating-plan")).await
}

async fn next(client: &Client, animal: &str) -> Value {
    client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200)
}

/// A sire with ten straws of a type in a canister of that farm; of that owner, if one is named.
async fn sire(
    client: &Client,
    farm: &Farm,
    name: &str,
    semen_type: &str,
    owner: Option<&str>,
) -> (String, String) {
    let sire = client.make("/v1/sires", json!({"name": name, "breed": "HOL"})).await;
    let lot = json!({"sire_id": sire, "semen_type": semen_type, "batch": name, "collected_on": "2025-01-10",
                     "straw_ml": 0.25, "owner_herd_id": owner});
    let lot = client.make("/v1/lots", lot).await;
    farm.receive(client, &lot, 5, 10).await;
    (sire, lot)
}

/// Another herd with a tank of its own, as a farm of which only that is asked.
async fn neighbours(client: &Client) -> Farm {
    let herd = json!({"name": "Upper Meadow", "time_zone": "Europe/Vienna"});
    let herd = client.make("/v1/herds", herd).await;
    let tank = client.make("/v1/tanks", json!({"name": "Upper room", "herd_id": herd, "canisters": 6})).await;
    Farm { herd, tank, sire: String::new(), sexed: String::new(), conventional: String::new() }
}

fn lots(told: &Value) -> Vec<&str> {
    told["candidates"].as_array().unwrap().iter().map(|straw| straw["lot"]["id"].as_str().unwrap()).collect()
}

fn states(told: &Value) -> Vec<&str> {
    let choices = told["plan"]["choices"].as_array().unwrap();
    choices.iter().map(|choice| choice["state"].as_str().unwrap_or("-")).collect()
}

async fn a_plan_is_set_read_replaced_and_taken_away(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let (other, _) = sire(client, &farm, "Invented Two", "sexed_female", None).await;
    // Nothing is planned: that is not a plan, so there is none to be read (the same after DELETE).
    plan_of(client, &animal).await.problem(404, "not-found");
    assert_eq!(next(client, &animal).await["plan"], Value::Null);

    let body = json!({"note": "Agreed in February.", "choices": [
        {"sire_id": farm.sire, "semen_type": "sexed_female", "service_number": 1},
        {"sire_id": other, "from_service": 2, "lactation": 0}]});
    let set = put(client, &animal, &[("idempotency-key", "plan")], &body).await;
    let (etag, first) = (set.header("etag").to_owned(), set.created());
    let again = put(client, &animal, &[("idempotency-key", "plan")], &body).await;
    assert_eq!(again.header("idempotent-replayed"), "true");
    assert_eq!(again.expect(201), first);
    let read = plan_of(client, &animal).await;
    assert_eq!(read.header("etag"), etag);
    let mut read = read.expect(200);
    assert_eq!(first["warnings"], json!([]));
    read["warnings"] = json!([]);
    assert_eq!(read, first, "what is read is what was answered");
    let choices = &read["choices"];
    assert_eq!(
        (&choices[0]["sire_name"], &choices[0]["from_service"], &choices[0]["to_service"]),
        (&json!("Invented One"), &json!(1), &json!(1))
    );
    assert_eq!((&choices[1]["from_service"], &choices[1]["lactation"]), (&json!(2), &json!(0)));
    assert_eq!((&read["source"], &read["item_id"]), (&json!("by_hand"), &Value::Null));
    assert!(read["recorded_by"].is_string());

    // The same once more changes nothing, whoever says it.
    let cursor = |changes: &Value| changes["next_cursor"].as_i64().unwrap();
    let before = cursor(&client.get("/v1/changes?limit=1000").await.expect(200));
    world.pass(chrono::TimeDelta::hours(1));
    let same = put(client, &animal, &[], &body).await;
    assert_eq!(same.header("etag"), etag);
    assert_eq!(same.expect(200)["recorded_at"], first["recorded_at"]);
    assert_eq!(cursor(&client.get("/v1/changes?limit=1000").await.expect(200)), before);

    // Only the version that was read is replaced; RFC 9110, section 13.1.1.
    let shorter = json!({"choices": [{"sire_id": other}], "source": "herd_software"});
    put(client, &animal, &[("if-match", "\"stale\"")], &shorter).await.problem(412, "stale");
    let software = world.caller(Role::Integration).await;
    let replaced = put(&software, &animal, &[("if-match", &etag)], &shorter).await.expect(200);
    assert_eq!(
        (replaced["choices"].as_array().unwrap().len(), &replaced["source"]),
        (1, &json!("herd_software"))
    );
    assert_eq!(replaced["note"], Value::Null, "the whole plan is replaced");
    put(client, &animal, &[("if-match", &etag)], &shorter).await.problem(412, "stale");

    let changes = client.get("/v1/changes?limit=1000").await.expect(200);
    let noted = |changes: &Value| {
        let all = changes["items"].as_array().unwrap().clone();
        all.into_iter().filter(|change| change["kind"] == "mating_plan").collect::<Vec<_>>()
    };
    let change = noted(&changes).remove(0);
    let href = format!("/v1/animals/{animal}/mating-plan");
    assert_eq!(
        (&change["href"], &change["animal_id"], &change["herd_id"], &change["reversed"]),
        (&json!(href), &json!(animal), &json!(farm.herd), &json!(false))
    );
    let technician = world.caller(Role::Technician).await;
    let stale = technician.send(Method::DELETE, &href, &[("if-match", &etag)], vec![]).await;
    stale.problem(412, "stale");
    technician.delete(&href).await.expect(204);
    technician.delete(&href).await.expect(204);
    technician.send(Method::DELETE, &href, &[("if-match", &etag)], vec![]).await.problem(412, "stale");
    plan_of(client, &animal).await.problem(404, "not-found");
    let changes = noted(&client.get("/v1/changes?limit=1000").await.expect(200));
    assert_eq!((changes.len(), &changes[0]["reversed"]), (1, &json!(true)));
    // Nor is there a version to be matched where there is no plan.
    put(client, &animal, &[("if-match", &etag)], &shorter).await.problem(412, "stale");

    let audit = client.get("/v1/audit?limit=500").await.expect(200);
    let acts = audit["items"].as_array().unwrap();
    let by = |request: String| acts.iter().filter(|act| act["request"] == request.as_str()).count();
    assert!(by(format!("PUT {href}")) >= 3 && by(format!("DELETE {href}")) >= 2, "{audit:#}");
    let reader = world.caller(Role::Reader).await;
    put(&reader, &animal, &[], &body).await.problem(403, "forbidden");
    reader.delete(&href).await.problem(403, "forbidden");
    planned(client, &animal, json!([{"sire_id": other}])).await;
    plan_of(&reader, &animal).await.expect(200);
}

async fn what_is_wrong_with_a_plan_is_said_and_changes_nothing(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let before = planned(client, &animal, json!([{"sire_id": farm.sire}])).await;
    let of = |choice: Value| {
        let mut choice = choice;
        choice["sire_id"] = json!(farm.sire);
        json!({"choices": [choice]})
    };
    let one = json!({"sire_id": farm.sire, "semen_type": "conventional"});
    for (body, pointer) in [
        (json!({}), "#/choices"),
        (json!({"choices": []}), "#/choices"),
        (
            json!({"choices": (1..=21).map(|n| json!({"sire_id": farm.sire, "service_number": n})).collect::<Vec<_>>()}),
            "#/choices",
        ),
        (json!({"choices": [one, {"sire_id": farm.sire}, one]}), "#/choices/2"),
        (json!({"choices": [{}]}), "#/choices/0/sire_id"),
        (json!({"choices": [{"sire_id": "412"}]}), "#/choices/0/sire_id"),
        (of(json!({"semen_type": "fresh"})), "#/choices/0/semen_type"),
        (of(json!({"service_number": 0})), "#/choices/0/service_number"),
        (of(json!({"service_number": 1, "to_service": 2})), "#/choices/0/service_number"),
        (of(json!({"from_service": 3, "to_service": 2})), "#/choices/0/to_service"),
        (of(json!({"lactation": -1})), "#/choices/0/lactation"),
        (of(json!({"rank": 1})), "#/choices/0/rank"),
        (json!({"choices": [one], "source": "a_friend"}), "#/source"),
        (json!({"choices": [one], "note": ""}), "#/note"),
        (json!({"choices": [one], "planned_at": null}), "#/planned_at"),
    ] {
        let answer = put(client, &animal, &[], &body).await;
        assert_eq!(answer.pointers(), [pointer], "{body}");
        answer.problem(422, "invalid-input");
    }
    let unknown = json!({"choices": [one, {"sire_id": Uuid::now_v7()}]});
    let answer = put(client, &animal, &[], &unknown).await;
    assert_eq!(answer.pointers(), ["#/choices/1/sire_id"]);
    answer.problem(404, "not-found");
    put(client, &Uuid::now_v7().to_string(), &[], &json!({"choices": [one]})).await.problem(404, "not-found");
    let path = format!("/v1/animals/{animal}/mating-plan");
    client.send(Method::PUT, &path, &[], b"{}".to_vec()).await.problem(415, "unsupported-media-type");
    let mut after = plan_of(client, &animal).await.expect(200);
    after["warnings"] = json!([]);
    assert_eq!(after, before);
    // Twenty are not too many.
    let most = (1..=20).map(|n| json!({"sire_id": farm.sire, "service_number": n})).collect();
    planned(client, &animal, Value::Array(most)).await;
}

async fn what_speaks_against_a_planned_sire_is_told_at_entry(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (recalled, lot) = sire(client, &farm, "Invented Two", "sexed_female", None).await;
    client.patch(&format!("/v1/lots/{lot}"), None, json!({"status": "recalled"})).await.expect(200);
    let none = client.make("/v1/sires", json!({"name": "Invented Three"})).await;
    // Her own sire: an expected inbreeding of a quarter (tabular method, Mrode 3e ch. 2).
    let animal =
        json!({"herd_id": farm.herd, "number": "412", "born_on": "2023-05-02", "sire_id": farm.sire});
    let animal = client.make("/v1/animals", animal).await;
    let choices = json!([{"sire_id": farm.sire}, {"sire_id": recalled}, {"sire_id": none}]);
    let told = planned(client, &animal, choices).await;
    let warnings: Vec<&str> =
        told["warnings"].as_array().unwrap().iter().map(|warning| warning.as_str().unwrap()).collect();
    assert_eq!(warnings.len(), 3, "{told:#}");
    assert!(warnings.iter().any(|told| told.contains("25 %") && told.contains("Invented One")), "{told:#}");
    assert!(warnings.contains(&"All straws of Invented Two are quarantined or recalled."), "{told:#}");
    assert!(warnings.contains(&"The book has no straws of Invented Three."), "{told:#}");
    let next = next(client, &animal).await;
    assert_eq!(states(&next), ["barred", "barred", "not_in_stock"], "{next:#}");
    let texts: Vec<&str> =
        next["plan"]["choices"].as_array().unwrap().iter().map(|one| one["text"].as_str().unwrap()).collect();
    assert!(texts[0].contains("related") && texts[1].contains("recalled"), "{texts:?}");
    assert!(next["cautions"].to_string().contains("Nothing that is planned for this service"), "{next:#}");
}

async fn what_is_planned_is_offered_first(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let (wanted, newer) = sire(client, &farm, "Invented Two", "sexed_female", None).await;
    let older = json!({"sire_id": wanted, "semen_type": "sexed_female", "batch": "older", "collected_on": "2024-12-01"});
    let older = client.make("/v1/lots", older).await;
    farm.receive(client, &older, 2, 1).await;
    // By age alone the first sire's straws, of April 2024, would be used first.
    assert_eq!(lots(&next(client, &animal).await), [&farm.sexed, &older, &newer]);
    planned(client, &animal, json!([{"sire_id": wanted}, {"sire_id": farm.sire, "service_number": 2}])).await;
    let told = next(client, &animal).await;
    assert_eq!(lots(&told), [&older, &newer, &farm.sexed], "planned first, and of him the oldest first");
    assert_eq!(states(&told), ["in_reach", "-"]);
    let choices = &told["plan"]["choices"];
    assert_eq!((&choices[0]["rank"], &choices[0]["for_this_service"]), (&json!(1), &json!(true)));
    assert_eq!((&choices[1]["for_this_service"], &choices[1]["text"]), (&json!(false), &Value::Null));
    assert!(choices[0]["text"].as_str().unwrap().contains("Dairy room"), "{told:#}");
    assert!(!told["cautions"].to_string().contains("lanned"), "{told:#}");
    // The ranks of the plan decide between two planned ones, and the rule before all of them.
    planned(client, &animal, json!([{"sire_id": farm.sire}, {"sire_id": wanted}])).await;
    assert_eq!(lots(&next(client, &animal).await), [&farm.sexed, &older, &newer]);
    planned(
        client,
        &animal,
        json!([{"sire_id": farm.sire, "semen_type": "conventional"}, {"sire_id": wanted}]),
    )
    .await;
    let told = next(client, &animal).await;
    assert_eq!(lots(&told), [&older, &newer, &farm.sexed], "conventional semen is not for service 1");
    assert_eq!(states(&told), ["barred", "in_reach"]);
    assert!(told["plan"]["choices"][0]["text"].as_str().unwrap().contains("choice rule"), "{told:#}");
    // For the second service other choices are meant.
    farm.served(client, &animal, "2026-02-08T08:00:00+01:00").await;
    let told = next(client, &animal).await;
    assert_eq!((lots(&told), states(&told)), (vec![farm.conventional.as_str()], vec!["in_reach", "barred"]));
    // Of one type only: what is planned of another is not asked.
    let path = format!("/v1/animals/{animal}/next-service?semen_type=sexed_female");
    let told = client.get(&path).await.expect(200);
    assert_eq!(states(&told), ["-", "barred"], "{told:#}");
}

async fn what_stands_in_the_way_of_a_planned_sire_is_said(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let there = neighbours(client).await;
    let animal = farm.animal(client, "412").await;
    let (held, lot) = sire(client, &farm, "Invented Held", "sexed_female", None).await;
    client.make("/v1/holds", json!({"tank_id": farm.tank, "canister": 5, "reason": "Stood dry."})).await;
    let (far, _) = sire(client, &there, "Invented Far", "sexed_female", None).await;
    let (theirs, _) = sire(client, &there, "Invented Theirs", "sexed_female", Some(&there.herd)).await;
    let unused = client.make("/v1/sires", json!({"name": "Invented None"})).await;
    let choices = [&held, &far, &theirs, &unused].map(|sire| json!({"sire_id": sire}));
    planned(client, &animal, json!(choices)).await;
    let told = next(client, &animal).await;
    assert_eq!(states(&told), ["barred", "elsewhere", "other_owner", "not_in_stock"], "{told:#}");
    let text = |n: usize| told["plan"]["choices"][n]["text"].as_str().unwrap().to_owned();
    assert!(text(0).contains("on hold: Stood dry"), "{}", text(0));
    assert!(text(1).contains("10 in Upper room"), "{}", text(1));
    // What belongs to another owner is told by nothing but that.
    assert!(text(2).contains("another owner") && !text(2).contains("Upper"), "{}", text(2));
    assert_eq!(lots(&told), [&farm.sexed], "what she may have is offered all the same");
    let blocked = told["blocked"].as_array().unwrap();
    assert_eq!(blocked.len(), 1, "only what hangs within her reach is blocked: {told:#}");
    assert_eq!(blocked[0]["lot_id"], json!(lot));
    assert!(told["cautions"].to_string().contains("Nothing that is planned for this service"), "{told:#}");
    // Another owner's straws in her own tank are none of hers either.
    let (guest, _) = sire(client, &farm, "Invented Guest", "sexed_female", Some(&there.herd)).await;
    planned(client, &animal, json!([{"sire_id": guest}, {"sire_id": farm.sire}])).await;
    let told = next(client, &animal).await;
    assert_eq!(states(&told), ["other_owner", "in_reach"]);
    assert!(!told["cautions"].to_string().contains("Nothing that is planned"), "{told:#}");
}

async fn who_departs_from_the_plan_is_warned(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let (wanted, lot) = sire(client, &farm, "Invented Two", "sexed_female", None).await;
    planned(client, &animal, json!([{"sire_id": wanted, "semen_type": "sexed_female", "to_service": 1}]))
        .await;
    let take = |body: Value| client.post("/v1/withdrawals", body);
    let warned = |taken: &Value| taken["warnings"].to_string().contains("Planned for service 1");
    let other = take(json!({"animal_id": animal, "lot_id": farm.sexed})).await.created();
    assert!(
        warned(&other) && other["warnings"].to_string().contains("Invented Two, sexed (female)"),
        "{other:#}"
    );
    assert_eq!(other["deviations"], json!([]), "a plan is advice");
    let stored = client.get(&format!("/v1/withdrawals/{}", other["id"].as_str().unwrap())).await.expect(200);
    assert_eq!(stored["deviations"], json!([]));
    let right = take(json!({"animal_id": animal, "lot_id": lot})).await.created();
    assert!(!warned(&right), "{right:#}");
    // Also of what has happened.
    let done =
        json!({"animal_id": animal, "lot_id": farm.sexed, "place": farm.place(3), "already_done": true});
    assert!(warned(&take(done).await.created()));
    // Nothing is planned for a later service.
    farm.served(client, &animal, "2026-02-08T08:00:00+01:00").await;
    let later = take(json!({"animal_id": animal, "lot_id": farm.conventional})).await.created();
    assert!(!later["warnings"].to_string().contains("lanned for"), "{later:#}");
    // Of a sire of whom no type is said, the one that is planned is taken first.
    let both = json!([{"from_service": 1, "to_service": 5, "semen_types": ["conventional", "sexed_female"]}]);
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"choice_rule": both})).await.expect(200);
    let any = json!({"animal_id": animal, "sire_id": farm.sire});
    assert_eq!(take(any.clone()).await.created()["semen_type"], "conventional");
    planned(client, &animal, json!([{"sire_id": farm.sire, "semen_type": "sexed_female"}])).await;
    assert_eq!(take(any).await.created()["semen_type"], "sexed_female");
    // What a rejection offers instead has the planned sire first.
    let second = farm.animal(client, "413").await;
    planned(client, &second, json!([{"sire_id": wanted}])).await;
    let rule = json!([{"from_service": 1, "semen_types": ["sexed_female"]}]);
    client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"choice_rule": rule})).await.expect(200);
    let refused = take(json!({"animal_id": second, "lot_id": farm.conventional})).await;
    let instead = refused.body["allowed"].as_array().unwrap_or_else(|| panic!("{refused:?}"))[0].clone();
    assert_eq!(instead["lot"]["id"], json!(lot));
    refused.problem(409, "choice-rule");
}

async fn the_round_follows_the_plan(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (wanted, lot) = sire(client, &farm, "Invented Two", "sexed_female", None).await;
    let all = json!({"lot_id": lot, "place": farm.place(5), "straws": 9, "reason": "exposed"});
    client.post("/v1/discards", all).await.created();
    let mut animals = Vec::new();
    for (number, at) in [
        ("1", "2026-03-01T12:00:00+01:00"),
        ("2", "2026-03-01T13:00:00+01:00"),
        ("3", "2026-03-01T14:00:00+01:00"),
    ] {
        let animal = farm.animal(client, number).await;
        client.post("/v1/heats", json!({"animal_id": animal, "standing_at": at})).await.created();
        animals.push(animal);
    }
    for animal in &animals[..2] {
        planned(client, animal, json!([{"sire_id": wanted}, {"sire_id": farm.sire, "from_service": 4}]))
            .await;
    }
    let told = client.get("/v1/round?date=2026-03-02").await.expect(200);
    let [one, two, three] = [0, 1, 2].map(|n| &told["stops"][0]["animals"][n]);
    assert_eq!(one["straw"]["lot"]["id"], json!(lot), "{told:#}");
    assert_eq!(
        (
            &one["planned"][0]["sire_name"],
            &one["planned"][0]["state"],
            one["planned"].as_array().unwrap().len()
        ),
        (&json!("Invented Two"), &json!("in_reach"), 1)
    );
    assert!(!one["cautions"].to_string().contains("lanned"), "{one:#}");
    // There was one straw of his: the second has another's, and is told so.
    assert_eq!(two["straw"]["lot"]["id"], json!(farm.sexed));
    assert!(two["cautions"].to_string().contains("Planned for service 1: Invented Two"), "{two:#}");
    assert_eq!((&three["planned"], &three["straw"]["lot"]["id"]), (&json!([]), &json!(farm.sexed)));
    let csv = client.get("/v1/round?date=2026-03-02&format=csv").await;
    let column = csv.text.lines().next().unwrap().split(',').position(|name| name == "planned").unwrap();
    let planned: Vec<&str> =
        csv.text.lines().skip(1).map(|line| line.split(',').nth(column).unwrap()).collect();
    assert_eq!(planned, ["Invented Two", "Invented Two", ""]);
    let page = client.get("/v1/round?date=2026-03-02&format=html").await;
    assert!(page.text.contains("<th>Planned") && page.text.contains("<td>Invented Two<td>"), "{}", page.text);
}

fn recommendation(id: &str, at: &str, choices: &Value) -> Value {
    let more =
        json!({"resourceType": "icarReproMatingRecommendationResource", "sireRecommendations": choices});
    event(id, "412", at, more)
}

fn named(code: &str) -> Value {
    json!({"recommendationType": "SireRecommended", "sireIdentifiers": [{"scheme": "org.example.aicode", "id": code}]})
}

async fn a_recommendation_and_a_plan_by_hand_stand_in_one_place(world: &World) {
    let yard = Yard::of(world).await;
    let client = &yard.manager;
    let animal = yard.animal("412").await;
    let send = async |resource: &Value| yard.send("mating-recommendations", resource).await;
    let first = recommendation("m-1", "2026-02-01T06:00:00Z", &json!([named("XA871")]));
    let told = send(&first).await;
    let plan = plan_of(client, &animal).await.expect(200);
    assert_eq!(
        (&plan["source"], &plan["item_id"], &plan["planned_at"]),
        (&json!("herd_software"), &told["id"], &json!("2026-02-01T06:00:00Z"))
    );
    assert_eq!(plan["choices"][0]["sire_id"], json!(yard.farm.sire));
    assert_eq!(states(&yard.next(&animal).await), ["in_reach"]);
    // By hand later: what was recommended before it does not come back, and a newer one does.
    let (two, _) = sire(client, &yard.farm, "Invented Two", "sexed_female", None).await;
    planned(client, &animal, json!([{"sire_id": two}])).await;
    assert_eq!(plan_of(client, &animal).await.expect(200)["item_id"], Value::Null);
    send(&recommendation("m-0", "2026-01-01T06:00:00Z", &json!([named("XA871")]))).await;
    let batch = format!("{}/mating-recommendations", yard.at.replace("/ade/", "/ade/batches/"));
    let older = recommendation("m-2", "2026-02-10T06:00:00Z", &json!([named("XA871")]));
    let result = yard.herd_system.post(&batch, json!([older])).await.expect(200);
    assert!(result[0]["messages"].to_string().contains("set by hand"), "{result:#}");
    assert_eq!(plan_of(client, &animal).await.expect(200)["choices"][0]["sire_id"], json!(two));
    let newer = recommendation(
        "m-3",
        "2026-03-02T07:00:00Z",
        &json!([
        {"recommendationType": "BeefSire", "sireRank": 2},
        {"recommendationType": "SireRecommended", "sireRank": 1, "parity": 1,
         "sireIdentifiers": [{"scheme": "org.example.aicode", "id": "XA871"}]}]),
    );
    send(&newer).await;
    let told = yard.next(&animal).await;
    assert_eq!(told["plan"]["choices"][0]["lactation"], 1);
    assert_eq!(
        states(&told),
        ["-", "not_in_stock"],
        "not for a heifer, and no beef sire has straws: {told:#}"
    );
    // What was sent is told again as it came, once, and the plan that it made is not told beside it.
    let members = yard.members("mating-recommendations").await;
    let sources: Vec<&str> =
        members.iter().map(|member| member["meta"]["sourceId"].as_str().unwrap()).collect();
    assert_eq!(sources, ["m-1", "m-0", "m-2", "m-3"], "{members:#?}");
    // Taken back: the last that stands is the plan again; somebody takes it away, and it stays away.
    let mut gone = modified(&newer, "2026-03-02T08:00:00Z");
    gone["meta"]["isDeleted"] = json!(true);
    send(&gone).await;
    assert_eq!(plan_of(client, &animal).await.expect(200)["planned_at"], "2026-02-10T06:00:00Z");
    client.delete(&format!("/v1/animals/{animal}/mating-plan")).await.expect(204);
    let mut corrected = modified(&first, "2026-03-02T08:00:00Z");
    corrected["remark"] = json!("again");
    send(&corrected).await;
    plan_of(client, &animal).await.problem(404, "not-found");
    // Of another animal after all: hers goes, and the other has it.
    let other = yard.animal("413").await;
    let last = recommendation(
        "m-4",
        "2026-03-02T07:00:00Z",
        &json!([named("XA871"), {"recommendationType": "NoBreedingSire"}]),
    );
    send(&last).await;
    let mut moved = modified(&last, "2026-03-02T09:00:00Z");
    moved["animal"]["id"] = json!("XX 0417 413");
    send(&moved).await;
    assert_eq!(plan_of(client, &other).await.expect(200)["planned_at"], "2026-03-02T07:00:00Z");
    assert_eq!(plan_of(client, &animal).await.expect(200)["planned_at"], "2026-02-10T06:00:00Z");
    // More than a plan holds: the first by rank.
    let many = (1..=25).rev().map(|n| json!({"recommendationType": "SireRecommended", "sireRank": n, "sireOfficialName": format!("Bull {n}")}));
    let many = recommendation("m-5", "2026-03-02T10:00:00Z", &Value::Array(many.collect()));
    send(&many).await;
    let plan = plan_of(client, &animal).await.expect(200);
    assert_eq!(
        (plan["choices"].as_array().unwrap().len(), &plan["choices"][0]["sire_name"]),
        (20, &json!("Bull 1"))
    );
    assert_eq!(yard.next(&animal).await["plan"]["choices"][0]["state"], "unknown_sire");
}

async fn a_plan_that_was_set_here_is_told_to_herd_software(world: &World) {
    let yard = Yard::of(world).await;
    let client = &yard.manager;
    let animal = yard.animal("412").await;
    planned(
        client,
        &animal,
        json!([
        {"sire_id": yard.farm.sire, "semen_type": "sexed_female", "service_number": 1, "lactation": 2},
        {"sire_id": yard.farm.sire, "semen_type": "conventional"}]),
    )
    .await;
    let members = yard.members("mating-recommendations").await;
    assert_eq!(members.len(), 1);
    let told = &members[0];
    // icarSireRecommendationType; icarAnimalGenderType for sexed semen only.
    assert_eq!(told["resourceType"], "icarReproMatingRecommendationResource");
    assert_eq!(told["animal"], json!({"scheme": "eu.bovine", "id": "XX 0417 412"}));
    let first = &told["sireRecommendations"][0];
    assert_eq!(
        (
            &first["recommendationType"],
            &first["sireRank"],
            &first["parity"],
            &first["isSexedSemen"],
            &first["sexedGender"]
        ),
        (&json!("SireRecommended"), &json!(1), &json!(2), &json!(true), &json!("Female"))
    );
    assert_eq!(first["sireIdentifiers"][0], json!({"scheme": "icar.Interbull", "id": "HOLZZZM000000A12345"}));
    let second = &told["sireRecommendations"][1];
    assert_eq!((&second["isSexedSemen"], &second["sexedGender"]), (&json!(false), &Value::Null));
    assert!(told["remark"].as_str().unwrap().contains("service 1"), "{told:#}");
    let here = format!("{}/mating-recommendations/{}", yard.at, told["id"].as_str().unwrap());
    assert_eq!(&yard.herd_system.get(&here).await.expect(200), told);
    // Sent back it stays ours.
    assert_eq!(&yard.send("mating-recommendations", told).await, told);
    // Taken away it is told as deleted to whoever asks what changed, and not in plain lists.
    client.delete(&format!("/v1/animals/{animal}/mating-plan")).await.expect(204);
    assert_eq!(yard.members("mating-recommendations").await, [] as [Value; 0]);
    let changed = yard.members("mating-recommendations?meta-modified-from=2026-01-01T00:00:00Z").await;
    assert_eq!((changed.len(), &changed[0]["meta"]["isDeleted"]), (1, &json!(true)), "{changed:#?}");
}

async fn a_plan_costs_no_statement_more(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (bare, animal) = (farm.animal(client, "411").await, farm.animal(client, "412").await);
    let (wanted, lot) = sire(client, &farm, "Invented Two", "sexed_female", None).await;
    for animal in [&bare, &animal] {
        client.post("/v1/heats", json!({"animal_id": animal})).await.created();
    }
    client.post("/v1/withdrawals", json!({"animal_id": bare, "lot_id": lot})).await.created();
    world.stop_clockwork().await;
    world.db().record_statements();
    client.get("/v1/business").await.expect(200);
    let (_, before) = cost(world, client.get("/v1/round")).await;
    let body = json!({"choices": [{"sire_id": wanted}, {"sire_id": farm.sire}]});
    let (_, set) = cost(world, put(client, &animal, &[], &body)).await;
    // Her with her plan, the sires, the pedigree, the plan; and what every act writes.
    assert!(set.len() <= 5, "{set:#?}");
    let (_, read) = cost(world, plan_of(client, &animal)).await;
    assert_eq!(read.len(), 1, "{read:#?}");
    for (who, most) in [(&bare, 5), (&animal, 5)] {
        let (_, read) = cost(world, client.get(&format!("/v1/animals/{who}/next-service"))).await;
        assert!(read.len() <= most, "{read:#?}");
    }
    let (_, round) = cost(world, client.get("/v1/round")).await;
    assert_eq!(round.len(), before.len());
    let (taken, cost) =
        cost(world, client.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed}))).await;
    taken.created();
    assert!(cost.len() <= 4, "{cost:#?}");
}

async fn what_was_recommended_before_there_were_plans_is_the_plan(world: &World) {
    let yard = Yard::of(world).await;
    let client = &yard.manager;
    let (animal, other) = (yard.animal("412").await, yard.animal("413").await);
    let ranked = json!([
        {"recommendationType": "BeefSire", "sireRank": 2, "sireOfficialName": "Invented Beef"},
        {"recommendationType": "SireRecommended", "sireRank": 1, "parity": 2, "isSexedSemen": true, "sexedGender": "Female",
         "sireIdentifiers": [{"scheme": "org.example.aicode", "id": "XA871"}]}]);
    yard.send("mating-recommendations", &recommendation("m-1", "2026-02-10T06:00:00Z", &ranked)).await;
    let older = recommendation("m-2", "2026-02-01T06:00:00Z", &json!([named("XA871")]));
    yard.send("mating-recommendations", &older).await;
    let mut none = recommendation("m-3", "2026-02-01T06:00:00Z", &json!([]));
    none["animal"]["id"] = json!("XX 0417 413");
    yard.send("mating-recommendations", &none).await;
    let plans = async || {
        let mut plans = Vec::new();
        for animal in [&animal, &other] {
            let mut plan = plan_of(client, animal).await.expect(200);
            for passing in ["recorded_at", "recorded_by", "etag"] {
                plan.as_object_mut().unwrap().remove(passing);
            }
            plans.push(plan);
        }
        (plans, yard.members("mating-recommendations").await)
    };
    let before = plans().await;
    assert_eq!(before.0[0]["choices"].as_array().unwrap().len(), 2);
    // The store as the version before had it, brought up to date.
    let db = Db::open(&world.database_url).await.unwrap();
    let mut tx = db.write().await.unwrap();
    for statement in [
        "delete from ade_made where subject_id in (select id from mating_plan)",
        "delete from change where kind = 'mating_plan'",
        "drop table mating_plan",
        "delete from _sqlx_migrations where version = 24",
    ] {
        tx.sql(statement).run().await.unwrap();
    }
    tx.commit().await.unwrap();
    db.close().await;
    Db::open(&world.database_url).await.unwrap().close().await;
    assert_eq!(plans().await, before);
}
