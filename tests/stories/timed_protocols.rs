//! A veterinarian's steps to a timed insemination: given, begun for animals, watched, and served at their hour.

use std::collections::BTreeSet;

use chrono::TimeDelta;
use reqwest::Method;
use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    lists::whole,
    on_both_stores,
    world::{Client, Farm, World, instant},
};

on_both_stores!(
    a_protocol_brings_animals_to_their_insemination,
    each_step_is_at_its_hour_by_the_herds_clocks,
    who_comes_into_heat_is_served_by_that,
    what_is_stopped_or_not_needed_is_asked_for_no_more,
    it_begins_for_nobody_who_must_not_be_treated,
    what_was_reversed_never_ended_it,
    a_protocol_that_changes_or_goes_leaves_what_began,
    no_dose_is_kept,
    nobody_is_forgotten,
    each_role_does_its_part,
);

fn steps() -> Value {
    json!([
        {"day": 0, "time": "07:30", "kind": "treatment", "text": "First treatment, as prescribed"},
        {"day": 7, "time": "07:30", "kind": "treatment", "text": "Second treatment, as prescribed"},
        {"day": 10, "time": "08:00", "kind": "insemination", "text": "Inseminate all"},
    ])
}

fn protocol_of(farm: &Farm) -> Value {
    json!({"herd_id": farm.herd, "name": "Heifers, spring", "prescribed_by": "Dr. Example", "steps": steps()})
}

async fn begin(client: &Client, protocol: &str, animals: &[&str], starts_on: &str) -> Vec<Value> {
    let body = json!({"animal_ids": animals, "starts_on": starts_on});
    let begun = client.post(&format!("/v1/timed-protocols/{protocol}/starts"), body).await.created();
    begun["items"].as_array().unwrap().clone()
}

async fn steps_to_watch(client: &Client, query: &str) -> Vec<(String, String, i64)> {
    let watch = client.get(&format!("/v1/watch?{query}")).await.expect(200);
    let items = watch["items"].as_array().unwrap().iter().filter(|item| item["kind"] == "protocol_step");
    items
        .map(|item| {
            let text = |name: &str| item[name].as_str().unwrap().to_owned();
            (text("animal_number"), text("state"), item["protocol"]["step"].as_i64().unwrap())
        })
        .collect()
}

async fn due(client: &Client, date: &str) -> Vec<Value> {
    let round = client.get(&format!("/v1/round?date={date}")).await.expect(200);
    let stops = round["stops"].as_array().unwrap().clone();
    stops.iter().flat_map(|stop| stop["animals"].as_array().unwrap().clone()).collect()
}

async fn state(client: &Client, start: &Value) -> String {
    let path = format!("/v1/protocol-starts/{}", start["id"].as_str().unwrap());
    client.get(&path).await.expect(200)["state"].as_str().unwrap().to_owned()
}

fn watched(number: &str, state: &str, step: i64) -> (String, String, i64) {
    (number.to_owned(), state.to_owned(), step)
}

async fn a_protocol_brings_animals_to_their_insemination(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (one, two) = (farm.animal(client, "1").await, farm.animal(client, "2").await);
    let made = client.post("/v1/timed-protocols", protocol_of(&farm)).await.created();
    let protocol = made["id"].as_str().unwrap();
    let caution = made["caution"].as_str().unwrap();
    assert!(caution.contains("prescription") && caution.contains("local law"), "{caution}");
    assert_eq!((&made["prescribed_by"], &made["steps"]), (&json!("Dr. Example"), &steps()));

    let technician = world.caller(Role::Technician).await;
    let begun = begin(&technician, protocol, &[&one, &two], "2026-03-02").await;
    assert_eq!(begun.len(), 2);
    let first = &begun[0];
    assert_eq!(
        (&first["animal_id"], &first["state"], &first["inseminate_at"], &first["prescribed_by"]),
        (&json!(one), &json!("running"), &json!("2026-03-12T07:00:00Z"), &json!("Dr. Example"))
    );
    assert_eq!(first["caution"], made["caution"]);
    assert_eq!(first["calendar"][1]["at"], "2026-03-09T06:30:00Z");
    let of_protocol = format!("/v1/timed-protocols/{protocol}/starts");
    assert_eq!(whole(client, &of_protocol, "", 1).await, begun, "what is read is what was answered");
    assert_eq!(whole(client, "/v1/protocol-starts", &format!("animal_id={two}"), 10).await, begun[1..]);
    assert_eq!(whole(client, "/v1/protocol-starts", &format!("herd_id={}", farm.herd), 1).await, begun);

    // On the watch list, each step on its day, and in its calendar.
    assert_eq!(
        steps_to_watch(client, "until=2026-03-09").await,
        [
            watched("1", "due", 1),
            watched("2", "due", 1),
            watched("1", "coming", 2),
            watched("2", "coming", 2)
        ]
    );
    let watch = client.get("/v1/watch?until=2026-03-02").await.expect(200);
    let item = &watch["items"][0];
    assert_eq!(item["protocol"]["at"], "2026-03-02T06:30:00Z");
    assert_eq!(item["protocol"]["caution"], made["caution"]);
    assert!(item["reason"].as_str().unwrap().starts_with("07:30 First treatment, as prescribed"), "{item}");
    assert!(item["source"].as_str().unwrap().contains("prescribed by Dr. Example"), "{item}");
    let calendar = json!({"name": "To watch", "herd_id": farm.herd});
    let calendar = client.post("/v1/calendars", calendar).await.created();
    let feed = format!("/v1/watch.ics?token={}", calendar["secret"].as_str().unwrap());
    let feed = client.send_without_key(Method::GET, &feed, &[], Vec::new()).await.text;
    let feed = feed.replace("\r\n ", "");
    assert_eq!(feed.matches("BEGIN:VEVENT").count(), 6);
    let uids: BTreeSet<_> = feed.lines().filter(|line| line.starts_with("UID:")).collect();
    assert_eq!(uids.len(), 6, "each event has a name of its own");
    assert!(feed.contains("SUMMARY:1 (Lower Meadow): 08:00 Inseminate all"), "{feed}");

    // What somebody said was done leaves the list.
    let marks = format!("/v1/protocol-starts/{}/steps", first["id"].as_str().unwrap());
    let marked = technician.post(&marks, json!({"step": 1, "step_state": "done"})).await.expect(200);
    assert_eq!(marked["calendar"][0]["state"], "done");
    assert_eq!(steps_to_watch(client, "until=2026-03-02").await, [watched("2", "due", 1)]);

    // The insemination is on the round of its day and of no other, with its hour and a straw.
    world.set_clock("2026-03-11T12:00:00Z");
    assert_eq!(due(client, "2026-03-11").await, Vec::<Value>::new());
    let both = due(client, "2026-03-12").await;
    assert_eq!(both.len(), 2);
    for animal in &both {
        assert_eq!(
            (&animal["reason"], &animal["timing"]["method"], &animal["timing"]["best_at"]),
            (&json!("timed_protocol"), &json!("timed_protocol"), &json!("2026-03-12T07:00:00Z"))
        );
        // As wide as 16-25 h after the second GnRH (extension, as read by a second source) about 20 h.
        assert_eq!(animal["timing"]["earliest_at"], "2026-03-12T03:00:00Z");
        assert_eq!(animal["timing"]["latest_at"], "2026-03-12T12:00:00Z");
        // Sexed for the first service: common practice, no source.
        assert_eq!(animal["straw"]["lot"]["id"], json!(farm.sexed));
        let cautions = animal["cautions"].to_string();
        assert!(
            cautions.contains("prescribed by Dr. Example") && cautions.contains("local law"),
            "{cautions}"
        );
    }
    let printed = client.get("/v1/round?date=2026-03-12&format=html").await;
    assert!(printed.status != 200 || printed.text.contains("Dr. Example"), "{}", printed.text);
    let next =
        client.get(&format!("/v1/animals/{one}/next-service?at=2026-03-12T07:00:00Z")).await.expect(200);
    assert_eq!(
        (&next["timing"]["state"], &next["timing"]["best_at"]),
        (&json!("open"), &json!("2026-03-12T07:00:00Z"))
    );
    assert!(next["cautions"].to_string().contains("prescribed by Dr. Example"));

    world.set_clock("2026-03-12T07:30:00Z");
    technician.post("/v1/services", json!({"animal_id": one})).await.created();
    let both = due(client, "2026-03-12").await;
    assert_eq!(both[0]["timing"]["served_at"], "2026-03-12T07:30:00Z");
    assert_eq!((&both[0]["straw"], &both[1]["timing"]["served_at"]), (&Value::Null, &Value::Null));
    assert_eq!(
        (state(client, &begun[0]).await, state(client, &begun[1]).await),
        ("served".into(), "running".into())
    );
    // The other is asked for until three days have passed.
    world.set_clock("2026-03-14T08:00:00Z");
    let left = due(client, "2026-03-14").await;
    assert_eq!((left.len(), &left[0]["animal_id"]), (1, &json!(two)));
    assert_eq!(
        steps_to_watch(client, "until=2026-03-14").await,
        [watched("2", "overdue", 1), watched("2", "overdue", 2), watched("2", "overdue", 3)]
    );
    world.set_clock("2026-03-15T08:00:00Z");
    assert_eq!(due(client, "2026-03-15").await, Vec::<Value>::new());
    assert_eq!(state(client, &begun[1]).await, "missed");
    assert_eq!(steps_to_watch(client, "").await, []);

    // Everything is among the changes, and what was asked in the audit.
    let changes = client.get("/v1/changes?limit=1000").await.expect(200);
    let changes = changes["items"].as_array().unwrap();
    let noted = changes.iter().find(|change| change["id"] == begun[0]["id"]).unwrap();
    assert_eq!((&noted["kind"], &noted["animal_id"]), (&json!("protocol_start"), &json!(one)));
    for change in changes.iter().filter(|change| change["kind"].as_str().unwrap().contains("protocol")) {
        client.get(change["href"].as_str().unwrap()).await.expect(200);
    }
    let audit = client.get("/v1/audit?limit=500").await.expect(200);
    let started = format!("POST /v1/timed-protocols/{protocol}/starts");
    assert!(
        audit["items"].as_array().unwrap().iter().any(|act| act["request"] == json!(started)),
        "{audit:#}"
    );
}

/// The tz database, file `europe`, rule `EU`: Vienna's clocks go on at 1:00 UTC on 29 March 2026 (2:00 to 3:00 is skipped)
/// and back at 1:00 UTC on 25 October 2026 (2:00 to 3:00 comes twice). 2028 has a 29 February.
async fn each_step_is_at_its_hour_by_the_herds_clocks(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let mut body = protocol_of(&farm);
    body["steps"][1]["time"] = json!("02:30");
    let protocol = client.make("/v1/timed-protocols", body).await;
    for (number, starts_on, hours) in [
        ("1", "2026-03-22", ["2026-03-22T06:30:00Z", "2026-03-29T01:00:00Z", "2026-04-01T06:00:00Z"]),
        ("2", "2026-10-18", ["2026-10-18T05:30:00Z", "2026-10-25T00:30:00Z", "2026-10-28T07:00:00Z"]),
    ] {
        let animal = farm.animal(client, number).await;
        let begun = begin(client, &protocol, &[&animal], starts_on).await.remove(0);
        let told: Vec<_> =
            begun["calendar"].as_array().unwrap().iter().map(|step| step["at"].as_str().unwrap()).collect();
        assert_eq!(told, hours);
    }
    world.set_clock("2028-02-19T05:00:00Z");
    let animal = farm.animal(client, "3").await;
    let begun = begin(client, &protocol, &[&animal], "2028-02-19").await.remove(0);
    assert_eq!(
        (&begun["calendar"][2]["on"], &begun["inseminate_at"]),
        (&json!("2028-02-29"), &json!("2028-02-29T07:00:00Z"))
    );
    assert_eq!(due(client, "2028-02-29").await.len(), 1);
    assert_eq!(due(client, "2028-03-01").await.len(), 0);
}

async fn who_comes_into_heat_is_served_by_that(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let protocol = client.make("/v1/timed-protocols", protocol_of(&farm)).await;
    let begun = begin(client, &protocol, &[&animal], "2026-03-02").await.remove(0);
    world.set_clock("2026-03-10T18:00:00Z");
    client.post("/v1/heats", json!({"animal_id": animal, "method": "seen"})).await.created();
    let told =
        client.get(&format!("/v1/protocol-starts/{}", begun["id"].as_str().unwrap())).await.expect(200);
    assert_eq!((&told["state"], &told["over_at"]), (&json!("in_heat"), &json!("2026-03-10T18:00:00Z")));
    assert_eq!(steps_to_watch(client, "until=2026-04-01").await, []);
    let listed = due(client, "2026-03-11").await;
    assert_eq!((listed.len(), &listed[0]["reason"]), (1, &json!("heat")), "by her heat, on its day");
    assert_eq!(due(client, "2026-03-12").await.len(), 0, "and not by the hour that is over");

    // The second treatment entered as a heat by treatment is no heat; she is listed once, at the veterinarian's hour.
    let other = farm.animal(client, "413").await;
    begin(client, &protocol, &[&other], "2026-03-02").await;
    let treated =
        json!({"animal_id": other, "method": "timed_protocol", "standing_at": "2026-03-11T11:00:00Z"});
    world.set_clock("2026-03-11T12:00:00Z");
    client.post("/v1/heats", treated).await.created();
    let listed = due(client, "2026-03-12").await;
    assert_eq!((listed.len(), &listed[0]["timing"]["best_at"]), (1, &json!("2026-03-12T07:00:00Z")));
}

async fn what_is_stopped_or_not_needed_is_asked_for_no_more(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let protocol = client.make("/v1/timed-protocols", protocol_of(&farm)).await;
    let begun = begin(client, &protocol, &[&animal], "2026-03-02").await.remove(0);
    let path = format!("/v1/protocol-starts/{}", begun["id"].as_str().unwrap());
    let marks = format!("{path}/steps");
    let mark = json!({"step": 2, "step_state": "not_needed", "reason": "The veterinarian said so."});
    let told = client.post(&marks, mark.clone()).await.expect(200);
    assert_eq!(
        (&told["calendar"][1]["state"], &told["calendar"][1]["reason"]),
        (&json!("not_needed"), &mark["reason"])
    );
    assert_eq!(client.post(&marks, mark).await.expect(200), told, "said twice");
    assert_eq!(
        steps_to_watch(client, "until=2026-03-12").await,
        [watched("412", "due", 1), watched("412", "coming", 3)]
    );
    let told = client.post(&marks, json!({"step": 2, "step_state": "planned"})).await.expect(200);
    assert_eq!(told["calendar"], begun["calendar"], "taken back");
    for (step, pointer) in [(3, "#/step"), (4, "#/step")] {
        let answer = client.post(&marks, json!({"step": step, "step_state": "done"})).await;
        assert_eq!(answer.pointers(), [pointer]);
        answer.problem(422, "invalid-input");
    }
    let stop = format!("{path}/stopping");
    client.post(&stop, json!({})).await.problem(422, "invalid-input");
    let stopped = client.post(&stop, json!({"reason": "Lame."})).await.expect(200);
    assert_eq!((&stopped["state"], &stopped["over_reason"]), (&json!("stopped"), &json!("Lame.")));
    assert_eq!(
        client.post(&stop, json!({"reason": "Sold."})).await.expect(200),
        stopped,
        "the first is kept"
    );
    assert_eq!(client.get(&path).await.expect(200), stopped);
    assert_eq!(steps_to_watch(client, "until=2026-03-12").await, []);
    assert_eq!(due(client, "2026-03-12").await, Vec::<Value>::new());
    client.post(&marks, json!({"step": 1, "step_state": "done"})).await.problem(409, "protocol-not-possible");
    // She may begin another.
    begin(client, &protocol, &[&animal], "2026-03-09").await;
}

async fn it_begins_for_nobody_who_must_not_be_treated(world: &World) {
    let client = &world.manager;
    let (farm, other) = (Farm::found(client).await, Farm::found(client).await);
    let protocol = client.make("/v1/timed-protocols", protocol_of(&farm)).await;
    let path = format!("/v1/timed-protocols/{protocol}/starts");
    let open = farm.animal(client, "open").await;
    let pregnant = farm.animal(client, "pregnant").await;
    farm.served(client, &pregnant, "2026-01-10T08:00:00Z").await;
    let check = json!({"animal_id": pregnant, "method": "ultrasound", "result": "pregnant"});
    client.post("/v1/pregnancy-checks", check).await.created();
    let barred = farm.animal(client, "barred").await;
    client.post("/v1/do-not-breed", json!({"animal_id": barred, "do_not_breed": true})).await.created();
    let gone = farm.animal(client, "gone").await;
    client.patch(&format!("/v1/animals/{gone}"), None, json!({"left_on": "2026-03-01"})).await.expect(200);
    let running = farm.animal(client, "running").await;
    begin(client, &protocol, &[&running], "2026-03-02").await;
    for (animal, why) in [
        (&pregnant, "pregnant: She was found pregnant on 2026-03-02"),
        (&barred, "barred: She is not to be bred"),
        (&gone, "gone: She left on 2026-03-01"),
        (&running, "running is in"),
    ] {
        let body = json!({"animal_ids": [open, animal], "starts_on": "2026-03-03"});
        let refused = client.post(&path, body).await.problem(409, "protocol-not-possible");
        assert!(refused["detail"].as_str().unwrap().contains(why), "{refused}");
    }
    assert_eq!(whole(client, &path, "", 10).await.len(), 1, "all or none");
    // Who may be bred again, or was found empty, may begin.
    client.post("/v1/do-not-breed", json!({"animal_id": barred, "do_not_breed": false})).await.created();
    let empty = json!({"animal_id": pregnant, "method": "ultrasound", "result": "empty"});
    client.post("/v1/pregnancy-checks", empty).await.created();
    begin(client, &protocol, &[&barred, &pregnant], "2026-03-03").await;
    // Served and never checked: somebody should look first.
    let served = farm.animal(client, "served").await;
    farm.served(client, &served, "2026-02-20T08:00:00Z").await;
    let begun = begin(client, &protocol, &[&served], "2026-03-03").await.remove(0);
    assert!(begun["warnings"][0].as_str().unwrap().contains("have her checked first"), "{begun}");

    let foreign = other.animal(client, "412").await;
    for (animals, starts_on, pointer) in [
        (json!([open, foreign]), "2026-03-03", "#/animal_ids/1"),
        (json!([open, open]), "2026-03-03", "#/animal_ids/1"),
        (json!([]), "2026-03-03", "#/animal_ids"),
        (json!([open]), "2026-02-19", "#/starts_on"),
        (json!([open]), "2027-03-20", "#/starts_on"),
    ] {
        let answer = client.post(&path, json!({"animal_ids": animals, "starts_on": starts_on})).await;
        assert_eq!(answer.pointers(), [pointer], "{animals} on {starts_on}");
        answer.problem(422, "invalid-input");
    }
    let unknown = json!({"animal_ids": ["01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa"], "starts_on": "2026-03-03"});
    client.post(&path, unknown).await.problem(404, "not-found");
    // What began already and is told late is taken.
    begin(client, &protocol, &[&open], "2026-02-24").await;
    // A pregnancy found on the way ends it: nobody treats her any more.
    farm.served(client, &open, "2026-01-10T08:00:00Z").await;
    let check = json!({"animal_id": open, "method": "ultrasound", "result": "pregnant"});
    client.post("/v1/pregnancy-checks", check).await.created();
    let watch = steps_to_watch(client, "until=2026-04-01").await;
    assert!(watch.iter().all(|(number, ..)| number != "open"), "{watch:?}");
    assert!(due(client, "2026-03-06").await.iter().all(|due| due["animal_number"] != "open"));
}

async fn what_was_reversed_never_ended_it(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let protocol = client.make("/v1/timed-protocols", protocol_of(&farm)).await;
    let begun = begin(client, &protocol, &[&animal], "2026-03-02").await.remove(0);
    world.set_clock("2026-03-08T08:00:00Z");
    let service = farm.served(client, &animal, "2026-03-08T07:00:00Z").await;
    assert_eq!((state(client, &begun).await, due(client, "2026-03-12").await.len()), ("served".into(), 0));
    let path = format!("/v1/services/{}/reversal", service["id"].as_str().unwrap());
    client.post(&path, json!({})).await.expect(200);
    assert_eq!((state(client, &begun).await, due(client, "2026-03-12").await.len()), ("running".into(), 1));
}

async fn a_protocol_that_changes_or_goes_leaves_what_began(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (one, two) = (farm.animal(client, "1").await, farm.animal(client, "2").await);
    let made = client.post("/v1/timed-protocols", protocol_of(&farm)).await.created();
    let protocol = made["id"].as_str().unwrap();
    let path = format!("/v1/timed-protocols/{protocol}");
    let begun = begin(client, protocol, &[&one], "2026-03-02").await.remove(0);
    let changed = client
        .patch(
            &path,
            Some(&format!("\"{}\"", made["etag"].as_str().unwrap())),
            json!({"prescribed_by": "Dr. Other",
            "steps": [{"day": 3, "time": "09:00", "kind": "insemination", "text": "Inseminate"}]}),
        )
        .await
        .expect(200);
    assert_eq!((&changed["prescribed_by"], &changed["name"]), (&json!("Dr. Other"), &made["name"]));
    client.patch(&path, Some("\"old\""), json!({"name": "X"})).await.problem(412, "stale");
    let start = format!("/v1/protocol-starts/{}", begun["id"].as_str().unwrap());
    assert_eq!(client.get(&start).await.expect(200), begun);
    let later = begin(client, protocol, &[&two], "2026-03-02").await.remove(0);
    assert_eq!(
        (&later["inseminate_at"], &later["prescribed_by"]),
        (&json!("2026-03-05T08:00:00Z"), &json!("Dr. Other"))
    );
    client.delete(&path).await.expect(204);
    client.get(&path).await.problem(404, "not-found");
    client.delete(&path).await.problem(404, "not-found");
    let body = json!({"animal_ids": [one], "starts_on": "2026-03-02"});
    client.post(&format!("{path}/starts"), body).await.problem(404, "not-found");
    assert_eq!(
        whole(client, "/v1/timed-protocols", &format!("herd_id={}", farm.herd), 10).await,
        [] as [Value; 0]
    );
    assert_eq!(whole(client, "/v1/protocol-starts", &format!("protocol_id={protocol}"), 1).await.len(), 2);
    assert_eq!(due(client, "2026-03-12").await.len(), 1, "what began goes on");
}

async fn no_dose_is_kept(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    for (text, quantity) in
        [("GnRH, 2 ml", "2 ml"), ("500 µg", "500 µg"), ("1500 IU i. m.", "1500 iu"), ("5mg/kg", "5 mg")]
    {
        let mut body = protocol_of(&farm);
        body["steps"][1]["text"] = json!(text);
        let answer = client.post("/v1/timed-protocols", body).await;
        assert_eq!(answer.pointers(), ["#/steps/1/text"], "{text}");
        let refused = answer.problem(422, "invalid-input");
        let why = refused["errors"][0]["detail"].as_str().unwrap();
        assert!(
            why.contains(quantity) && why.contains("doses belong to the veterinarian's own prescription"),
            "{why}"
        );
    }
    let mut body = protocol_of(&farm);
    body["name"] = json!("2 ml twice");
    assert_eq!(client.post("/v1/timed-protocols", body).await.pointers(), ["#/name"]);
    let mut body = protocol_of(&farm);
    body["prescribed_by"] = Value::Null;
    assert_eq!(client.post("/v1/timed-protocols", body).await.pointers(), ["#/prescribed_by"]);
    let mut body = protocol_of(&farm);
    body["steps"][2]["kind"] = json!("treatment");
    assert_eq!(client.post("/v1/timed-protocols", body).await.pointers(), ["#/steps/2/kind"]);
    assert_eq!(whole(client, "/v1/timed-protocols", "", 10).await, [] as [Value; 0]);
    let made = client.make("/v1/timed-protocols", protocol_of(&farm)).await;
    let patch = json!({"steps": [{"day": 0, "time": "09:00", "kind": "insemination", "text": "3 cc"}]});
    client.patch(&format!("/v1/timed-protocols/{made}"), None, patch).await.problem(422, "invalid-input");
}

/// Herds in several zones, starts on several days, and services, heats and stops between: on each day the round has by protocol
/// exactly those whose hour lies on it and whom nothing ended before.
async fn nobody_is_forgotten(world: &World) {
    let client = &world.manager;
    let mut begun = Vec::new();
    for zone in ["Europe/Vienna", "Pacific/Auckland", "America/St_Johns"] {
        let farm = Farm::found(client).await;
        client.patch(&format!("/v1/herds/{}", farm.herd), None, json!({"time_zone": zone})).await.expect(200);
        let mut body = protocol_of(&farm);
        body["steps"] = json!([{"day": 1, "time": "23:30", "kind": "treatment", "text": "As prescribed"},
                               {"day": 4, "time": "00:30", "kind": "insemination", "text": "Inseminate"}]);
        let protocol = client.make("/v1/timed-protocols", body).await;
        for number in 0..6 {
            let animal = farm.animal(client, &number.to_string()).await;
            // Around the nights in which clocks change, 29 March in Vienna, 8 March in St. John's, 5 April in Auckland.
            let on = instant("2026-03-03T12:00:00Z") + TimeDelta::days(number * 6);
            let on = on.format("%Y-%m-%d").to_string();
            begun.push((animal.clone(), begin(client, &protocol, &[&animal], &on).await.remove(0), number));
        }
    }
    let mut ended = BTreeSet::new();
    for day in 0..45 {
        let now = instant("2026-03-02T11:00:00Z") + TimeDelta::days(day);
        world.set_clock(&now.to_rfc3339());
        for (animal, start, number) in &begun {
            // Every second one is ended the day before its hour, each in its own way.
            let hour = instant(start["inseminate_at"].as_str().unwrap());
            let ends_now = number % 2 == 1 && hour - now < TimeDelta::days(1) && hour > now;
            if !ends_now || !ended.insert(animal.clone()) {
                continue;
            }
            match number {
                1 => drop(client.post("/v1/services", json!({"animal_id": animal})).await.created()),
                3 => drop(
                    client.post("/v1/heats", json!({"animal_id": animal, "method": "seen"})).await.created(),
                ),
                _ => {
                    let path = format!("/v1/protocol-starts/{}/stopping", start["id"].as_str().unwrap());
                    client.post(&path, json!({"reason": "Lame."})).await.expect(200);
                }
            }
        }
        for ahead in 0..3 {
            let date = (now + TimeDelta::days(ahead)).format("%Y-%m-%d").to_string();
            let listed: BTreeSet<_> = due(client, &date)
                .await
                .iter()
                // Who was served on the day stays on its list, as one who was.
                .filter(|due| due["reason"] == "timed_protocol" && due["timing"]["served_at"].is_null())
                .map(|due| due["animal_id"].as_str().unwrap().to_owned())
                .collect();
            for (animal, start, _) in &begun {
                let is_its_day = start["calendar"][1]["on"] == json!(date);
                if is_its_day && !ended.contains(animal) {
                    assert!(listed.contains(animal), "{animal} is forgotten on {date}, asked {now}: {start}");
                }
                // A day that was over before it was ended is told as it was.
                if ended.contains(animal) && start["calendar"][1]["on"].as_str() <= Some(date.as_str()) {
                    assert!(!listed.contains(animal), "{animal} was ended: {start}");
                }
            }
        }
    }
    assert_eq!(ended.len(), 9, "the story ended some");
}

async fn each_role_does_its_part(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let protocol = client.make("/v1/timed-protocols", protocol_of(&farm)).await;
    let path = format!("/v1/timed-protocols/{protocol}/starts");
    for (role, may) in
        [(Role::Technician, true), (Role::Integration, true), (Role::Manager, true), (Role::Reader, false)]
    {
        let caller = world.caller(role).await;
        let animal = farm.animal(client, &role.to_string()).await;
        let answer = caller.post(&path, json!({"animal_ids": [animal], "starts_on": "2026-03-03"})).await;
        if may {
            answer.created();
        } else {
            answer.problem(403, "forbidden");
        }
        assert_eq!(caller.get(&path).await.status, 200);
        let refused = caller.post("/v1/timed-protocols", protocol_of(&farm)).await;
        assert_eq!(refused.status, if role == Role::Manager { 201 } else { 403 });
    }
    // The same key twice begins once.
    let animal = farm.animal(client, "again").await;
    let body = json!({"animal_ids": [animal], "starts_on": "2026-03-03"});
    let first = client.post_as(&path, "once", body.clone()).await.created();
    assert_eq!(client.post_as(&path, "once", body.clone()).await.created(), first);
    client.post_as(&path, "twice", body).await.problem(409, "protocol-not-possible");
}
