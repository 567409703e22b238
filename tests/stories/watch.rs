//! What is to be watched, as a list and as a calendar.

use reqwest::Method;
use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    each_animal_is_watched_for_what_comes_next,
    who_left_is_watched_no_more,
    a_calendar_is_read_by_its_token_alone,
);

/// Kind, state and likeliest day of everything.
async fn told(client: &Client, query: &str) -> Vec<(String, String, String)> {
    let watch = client.get(&format!("/v1/watch?{query}")).await.expect(200);
    let text = |item: &Value, name: &str| item[name].as_str().unwrap().to_owned();
    let items = watch["items"].as_array().unwrap().iter();
    items.map(|item| (text(item, "kind"), text(item, "state"), text(item, "on"))).collect()
}

fn item(kind: &str, state: &str, on: &str) -> (String, String, String) {
    (kind.to_owned(), state.to_owned(), on.to_owned())
}

async fn each_animal_is_watched_for_what_comes_next(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let herd = format!("herd_id={}", farm.herd);
    // The story begins on 2 March 2026. 18-24 d, mean 21: Extension; NZ AB series I.
    let animal = farm.animal(client, "412").await;
    let service = farm.served(client, &animal, "2026-02-12T08:00:00Z").await;
    assert_eq!(
        told(client, &format!("{herd}&until=2026-03-02")).await,
        [item("return_to_heat", "due", "2026-03-05")]
    );
    let watch = client.get("/v1/watch?until=2026-03-02").await.expect(200);
    let one = &watch["items"][0];
    assert_eq!((&one["from_on"], &one["to_on"]), (&json!("2026-03-02"), &json!("2026-03-08")));
    assert_eq!((&one["service_id"], &one["animal_number"]), (&service["id"], &json!("412")));
    assert!(
        one["reason"].as_str().unwrap().contains("2026-02-12")
            && one["source"].as_str().unwrap().contains("18-24")
    );

    // Palpation 35-45 d: Texas A&M / CSU report. 45 d after 12 February is 29 March.
    world.set_clock("2026-03-30T08:00:00Z");
    let watch = client.get("/v1/watch").await.expect(200);
    assert_eq!(
        (&watch["items"][0]["kind"], &watch["items"][0]["state"]),
        (&json!("pregnancy_check"), &json!("overdue"))
    );
    let methods: Vec<_> =
        watch["items"][0]["checks"].as_array().unwrap().iter().map(|check| check["method"].clone()).collect();
    assert_eq!(methods, ["ultrasound", "palpation", "milk", "blood"]);
    let check = json!({"animal_id": animal, "method": "ultrasound", "result": "pregnant"});
    client.post("/v1/pregnancy-checks", check).await.created();
    // Day 60 is 13 April (rechecks: JDS Communications 2023, 4:144-148); no sire is known: 283 d (Nevada Extension), which
    // is 22 November.
    assert_eq!(told(client, "until=2026-04-13").await, [item("recheck", "coming", "2026-04-13")]);
    world.set_clock("2026-11-22T08:00:00Z");
    let both = told(client, "").await;
    assert_eq!(both, [item("calving", "due", "2026-11-22")]);
    client.post("/v1/calvings", json!({"animal_id": animal})).await.created();
    // 50 days, the herd's usual waiting period (45-60 d: Overton 2009).
    assert_eq!(told(client, "until=2027-01-10").await, [] as [(String, String, String); 0]);
    assert_eq!(told(client, "until=2027-01-11").await, [item("first_service", "coming", "2027-01-11")]);
    assert_eq!(told(client, "until=2027-01-11&herd_id=01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa").await, []);
    client.get("/v1/watch?until=soon").await.problem(400, "invalid-query");
}

async fn who_left_is_watched_no_more(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    farm.served(client, &animal, "2026-02-12T08:00:00Z").await;
    assert_eq!(told(client, "").await.len(), 2);
    client.patch(&format!("/v1/animals/{animal}"), None, json!({"left_on": "2026-03-01"})).await.expect(200);
    assert_eq!(told(client, "").await, []);
}

/// The calendar without its folds: RFC 5545, section 3.1.
fn unfolded(ics: &str) -> Vec<String> {
    ics.replace("\r\n ", "").split_terminator("\r\n").map(str::to_owned).collect()
}

async fn a_calendar_is_read_by_its_token_alone(world: &World) {
    let client = &world.manager;
    let (farm, other) = (Farm::found(client).await, Farm::found(client).await);
    for farm in [&farm, &other] {
        let animal = farm.animal(client, "412;A").await;
        farm.served(client, &animal, "2026-02-12T08:00:00Z").await;
    }
    let body = json!({"name": "To watch", "herd_id": farm.herd});
    let made = client.post_as("/v1/calendars", "once", body.clone()).await.created();
    let (id, token) = (made["id"].as_str().unwrap(), made["secret"].as_str().unwrap());
    // The token is shown once.
    assert_eq!(client.post_as("/v1/calendars", "once", body.clone()).await.created()["secret"], Value::Null);
    let read = client.get(&format!("/v1/calendars/{id}")).await.expect(200);
    assert!(read.get("secret").is_none() && read["name"] == "To watch");
    let technician = world.caller(Role::Technician).await;
    technician.post("/v1/calendars", body).await.problem(403, "forbidden");

    let path = format!("/v1/watch.ics?token={token}");
    let feed = client.send_without_key(Method::GET, &path, &[], Vec::new()).await;
    assert_eq!((feed.status, feed.header("content-type")), (200, "text/calendar; charset=utf-8"));
    assert!(feed.header("cache-control").contains("no-store"));
    assert!(
        feed.text.split("\r\n").all(|line| line.len() <= 75),
        "RFC 5545, section 3.1: lines of 75 octets"
    );
    let lines = unfolded(&feed.text);
    assert_eq!((lines[0].as_str(), lines.last().unwrap().as_str()), ("BEGIN:VCALENDAR", "END:VCALENDAR"));
    let count = |wanted: &str| lines.iter().filter(|line| line.as_str() == wanted).count();
    assert_eq!((count("BEGIN:VEVENT"), count("END:VEVENT")), (2, 2), "of one herd: {}", feed.text);
    for wanted in [
        "DTSTART;VALUE=DATE:20260302",
        "DTEND;VALUE=DATE:20260309",
        "SUMMARY:412\\;A (Lower Meadow): watch for heat",
        "NAME:To watch",
    ] {
        assert_eq!(count(wanted), 1, "{wanted} in {}", feed.text);
    }
    let again = client.send_without_key(Method::GET, &path, &[], Vec::new()).await;
    assert_eq!(again.text, feed.text, "the same events have the same names");

    // It opens nothing else, and nothing after it was taken away.
    let key = client.with_key(token);
    key.get("/v1/watch").await.problem(401, "key-not-valid");
    let gone =
        |path: String| async move { client.send_without_key(Method::GET, &path, &[], Vec::new()).await };
    gone("/v1/watch.ics".to_owned()).await.problem(404, "not-found");
    gone(format!("/v1/watch.ics?token={}x", &token[..token.len() - 1])).await.problem(404, "not-found");
    client.delete(&format!("/v1/calendars/{id}")).await;
    gone(path).await.problem(404, "not-found");
    client.delete(&format!("/v1/calendars/{id}")).await.problem(404, "not-found");
    let audit = client.get("/v1/audit?limit=500").await;
    assert!(!audit.text.contains(token), "the token is kept nowhere");
}
