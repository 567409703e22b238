//! Bad input: a 4xx problem that names the place, and a book in which nothing changed.
//!
//! Every field of every body stands in the table at the end of this file with what it takes; what is
//! sent to it follows from that.

use chrono::{SecondsFormat, TimeDelta};
use reqwest::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::{
    on_both_stores,
    world::{Answer, Client, Farm, MORNING, World, instant},
};

on_both_stores!(
    what_is_wrong_with_a_field_is_said_with_its_place,
    what_a_field_takes_is_kept,
    every_fault_is_told_at_once,
    nobody_sets_what_the_service_sets,
    a_body_is_one_json_object,
    a_body_has_a_bound,
    a_body_says_what_it_is,
    what_contradicts_itself_is_refused,
    a_query_is_read_as_strictly,
);

/// What a field takes.
enum Takes {
    /// One line of so many characters at most.
    Line(usize),
    /// Several lines.
    Lines(usize),
    /// A whole number in this range.
    Whole(i64, i64),
    /// A number: these are right, these are not.
    Number([f64; 2], [f64; 2]),
    /// An instant, up to 24 hours ahead of the clock.
    Moment,
    /// A day: this is right, this is not.
    Day(&'static str, &'static str),
    /// The id of something in the book.
    Id,
    /// One of these words.
    Word(&'static [&'static str]),
    /// True or false.
    Flag,
    /// An object with members of its own.
    Object,
    /// A list.
    List,
}
use Takes::{Day, Flag, Id, Line, Lines, List, Moment, Number, Object, Whole, Word};

/// A field: where it stands in the body, whether it must, what it takes.
struct Field(&'static str, Need, Takes);

#[derive(PartialEq)]
enum Need {
    Must,
    May,
}
use Need::{May, Must};

impl Field {
    fn pointer(&self) -> String {
        format!("#/{}", self.0)
    }

    /// Values that it must refuse, as they are written in JSON.
    fn wrong(&self) -> Vec<String> {
        let mut wrong: Vec<String> = ["\"x\"", "1", "true", "[]", "{}"].map(str::to_owned).into();
        let mut but = |kind: &str| wrong.retain(|raw| raw != kind);
        match &self.2 {
            Line(_) | Lines(_) => but("\"x\""),
            Whole(..) | Number(..) => but("1"),
            Flag => but("true"),
            Object => but("{}"),
            List => but("[]"),
            Moment | Day(..) | Id | Word(_) => {}
        }
        let text = |text: &str| Value::from(text).to_string();
        match &self.2 {
            Line(longest) | Lines(longest) => {
                wrong.extend([text(""), text("  \t "), text(&"é".repeat(longest + 1))]);
                // NUL, which PostgreSQL cannot store; escape, delete and next line, which garble a log.
                wrong.extend(["\\u0000", "\\u001b", "\\u007f", "\\u0085"].map(|c| format!("\"a{c}b\"")));
                if matches!(self.2, Line(_)) {
                    wrong.push(text("two\nlines"));
                }
            }
            Whole(from, to) => {
                wrong.extend([(from - 1).to_string(), (to + 1).to_string(), format!("{from}.5")]);
                wrong.extend([format!("\"{from}\""), "9223372036854775808".into(), "1e400".into()]);
                wrong.extend(["-9223372036854775809".into(), "1e300".into()]);
            }
            Number(_, outside) => {
                wrong.extend(outside.map(|number| number.to_string()));
                wrong.extend(["\"35\"", "9223372036854775808", "1e400", "-1e400"].map(str::to_owned));
            }
            Moment => wrong.extend(
                [
                    "",
                    "yesterday",
                    "2026-03-01",
                    "2026-03-01T06:10:00",
                    "2026-02-30T06:10:00Z",
                    "2026-03-01T25:10:00Z",
                    "0001-01-01T00:00:00Z",
                    "1949-12-31T23:59:59Z",
                    "2201-01-01T00:00:00Z",
                    "+12026-03-01T06:10:00Z",
                    &ahead(TimeDelta::hours(24) + TimeDelta::microseconds(1)),
                ]
                .map(text),
            ),
            Day(_, wrong_day) => wrong.extend(
                [
                    "",
                    "2024-02-30",
                    "24-04-26",
                    "2024-4-6",
                    "2024-04-26T00:00:00Z",
                    "1949-12-31",
                    "2201-01-01",
                ]
                .map(text)
                .into_iter()
                .chain([text(wrong_day)]),
            ),
            Id => wrong.extend(["", "412", "01976f0e-5a52-7c3e-9d61-0c7a51e6b0a"].map(text)),
            Word(words) => {
                let (small, capital) = (words[0].to_lowercase(), words[0].to_uppercase());
                let other = if words.contains(&capital.as_str()) { small } else { capital };
                wrong.extend([text(""), text(" "), text(&other)]);
            }
            List => wrong.push(json!(vec![0; 101]).to_string()),
            Flag => wrong.extend(["\"true\"", "0"].map(str::to_owned)),
            Object => {}
        }
        wrong
    }

    /// Values that it must take, as they are written in JSON.
    fn right(&self) -> Vec<String> {
        let text = |text: &str| Value::from(text).to_string();
        let mut right = match &self.2 {
            // Astral and combining characters count once each.
            Line(longest) => vec![text(&"é".repeat(*longest)), text("Žofka 牛 𝔘")],
            Lines(longest) => vec![text(&"é".repeat(*longest)), text("Žofka\n牛\t𝔘")],
            Whole(from, to) => [from, to].iter().flat_map(|n| [n.to_string(), format!("{n}.0")]).collect(),
            Number(inside, _) => inside.map(|number| number.to_string()).to_vec(),
            Moment => vec![
                text(&ahead(TimeDelta::hours(24))),
                text("2026-02-28T06:10:00.123456+05:45"),
                text("2026-02-28T06:10:00.123456789-03:00"),
            ],
            Day(day, _) => vec![text(day)],
            Word(words) => words.iter().map(|word| text(word)).collect(),
            Flag => vec!["true".into(), "false".into()],
            Id | Object | List => vec![],
        };
        if self.1 == May {
            right.push("null".into());
        }
        right
    }
}

fn ahead(delta: TimeDelta) -> String {
    (instant(MORNING) + delta).to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// The body with `raw` at that field.
fn with(body: &Value, field: &str, raw: &str) -> String {
    let mut body = body.clone();
    *body.pointer_mut(&format!("/{field}")).unwrap_or_else(|| panic!("no {field}")) = json!("@@");
    body.to_string().replace("\"@@\"", raw)
}

/// The body without that member; `None` when it is an element of a list.
fn without(body: &Value, field: &str) -> Option<Value> {
    let mut body = body.clone();
    let (parent, name) = field.rsplit_once('/').unwrap_or(("", field));
    let parent = if parent.is_empty() { String::new() } else { format!("/{parent}") };
    body.pointer_mut(&parent)?.as_object_mut()?.remove(name)?;
    Some(body)
}

const JSON: (&str, &str) = ("content-type", "application/json");

/// A farm with everything that a body may name.
struct Yard<'w> {
    client: &'w Client,
    farm: Farm,
    dam: String,
}

impl<'w> Yard<'w> {
    async fn of(world: &'w World) -> Self {
        let client = &world.manager;
        let farm = Farm::found(client).await;
        farm.receive(client, &farm.sexed, 1, 100_000).await;
        let dam = farm.animal(client, "Dam").await;
        Self { client, farm, dam }
    }

    async fn animal(&self) -> String {
        self.farm.animal(self.client, "412").await
    }

    async fn post(&self, path: &str, body: impl Into<Vec<u8>>) -> Answer {
        let key = Uuid::now_v7().to_string();
        self.client.send(Method::POST, path, &[JSON, ("idempotency-key", &key)], body.into()).await
    }

    /// A body in which every field of the form is filled in, and where it is sent.
    async fn order(&self, form: &str) -> (String, Value) {
        let Farm { herd, tank, sire, sexed, .. } = &self.farm;
        let place = json!({"tank_id": tank, "canister": 1, "cane": "B", "goblet": "upper"});
        let names = json!([{"scheme": "farm", "id": "B-17"}]);
        let thaw = json!({"min_c": 35.0, "max_c": 36.5, "aim_c": 36.5, "min_s": 30, "use_within_s": 900,
                          "source": "printed on the box"});
        let at = "2026-03-01T06:10:00Z";
        let (technician, note) = ("T. Example", "A remark.");
        let event = |kind: &str, more: Value| {
            let mut body = json!({"technician": technician, "note": note});
            body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
            (format!("/v1/{kind}"), body)
        };
        match form {
            "herds" => (
                "/v1/herds".to_owned(),
                json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna",
                       "location": {"scheme": "example.org/holding", "id": "LM-1"},
                       "choice_rule": [{"from_service": 1, "to_service": 3, "class": "heifer",
                                        "semen_types": ["sexed_female"]}],
                       "same_heat_hours": 48, "waiting_days": 50, "kinship_limit": 0.125,
                       "first_service_days": 365, "thaw": thaw}),
            ),
            "tanks" => (
                "/v1/tanks".to_owned(),
                json!({"name": "Dairy room", "herd_id": herd, "canisters": 6, "capacity_l": 20.5,
                       "full_depth_mm": 430, "min_depth_mm": 150, "static_loss_l_per_day": 0.11}),
            ),
            "sires" => (
                "/v1/sires".to_owned(),
                json!({"name": "Invented Two", "breed": "HOL", "identifiers": names, "sire_id": sire,
                       "dam_id": self.dam}),
            ),
            "lots" => (
                "/v1/lots".to_owned(),
                json!({"sire_id": sire, "semen_type": "sexed_female", "batch": "24117",
                       "collected_on": "2024-04-26", "collection_centre": "Invented Centre", "straw_ml": 0.25,
                       "sexed_percentage": 90, "cost": {"amount_minor": 2400, "currency": "EUR"},
                       "thaw": thaw, "status": "usable"}),
            ),
            "animals" => (
                "/v1/animals".to_owned(),
                json!({"herd_id": herd, "number": "412", "name": "Žofka", "identifiers": names,
                       "born_on": "2023-05-02", "sire_id": sire, "dam_id": self.dam, "breed": "HOL",
                       "left_on": "2026-01-01"}),
            ),
            "receipts" => (
                "/v1/receipts".to_owned(),
                json!({"lot_id": sexed, "place": place, "straws": 3, "received_at": at,
                       "technician": technician, "note": note}),
            ),
            "withdrawals of a lot" => (
                "/v1/withdrawals".to_owned(),
                json!({"animal_id": self.animal().await, "lot_id": sexed, "place": place, "straws": 1,
                       "withdrawn_at": at, "technician": technician, "override": {"reason": "agreed"}}),
            ),
            "withdrawals of a sire" => (
                "/v1/withdrawals".to_owned(),
                json!({"animal_id": self.animal().await, "sire_id": sire, "semen_type": "sexed_female"}),
            ),
            "thaw" => (
                format!("/v1/withdrawals/{}/thaw", self.withdrawn().await),
                json!({"bath_temp_c": 35.6, "started_at": at, "bath_volume_ml": 1000, "water_temp_c": 12.0,
                       "override": {"reason": "no other bath"}}),
            ),
            "discard" => (
                format!("/v1/withdrawals/{}/discard", self.withdrawn().await),
                json!({"reason": "dropped", "discarded_at": at, "technician": technician, "note": note}),
            ),
            "services with a straw" => (
                "/v1/services".to_owned(),
                json!({"withdrawal_id": self.withdrawn().await, "served_at": at, "technician": technician,
                       "note": note}),
            ),
            "services with a foreign straw" => (
                "/v1/services".to_owned(),
                json!({"animal_id": self.animal().await, "sire_id": sire, "semen_type": "conventional",
                       "semen_from_herd_stock": true, "served_at": at, "technician": technician, "note": note}),
            ),
            "heats" => {
                let animal = self.animal().await;
                event("heats", json!({"animal_id": animal, "standing_at": at, "method": "seen"}))
            }
            "pregnancy-checks" => {
                let animal = self.animal().await;
                event(
                    "pregnancy-checks",
                    json!({"animal_id": animal, "checked_at": at, "method": "milk", "result": "empty"}),
                )
            }
            "calvings" => event("calvings", json!({"animal_id": self.animal().await, "calved_at": at})),
            "abortions" => {
                let animal = self.animal().await;
                event("abortions", json!({"animal_id": animal, "aborted_at": at, "opens_cycle": true}))
            }
            "settlements" => {
                let told = json!({"meta": {"source": "org.example.herd", "sourceId": Uuid::now_v7()},
                                  "animal": {"scheme": "tankside.animal", "id": self.animal().await},
                                  "eventDateTime": at, "inseminationType": "Insemination"});
                let path = format!("/ade/locations/tankside.herd/{herd}/inseminations");
                let told = self.client.post(&path, told).await.expect(200);
                (
                    format!("/v1/ade-items/{}/resolution", told["id"].as_str().unwrap()),
                    json!({"resolution": "straw", "lot_id": sexed, "place": place, "note": note}),
                )
            }
            "do-not-breed" => {
                let animal = self.animal().await;
                event("do-not-breed", json!({"animal_id": animal, "decided_at": at, "do_not_breed": true}))
            }
            other => panic!("no form {other}"),
        }
    }

    async fn withdrawn(&self) -> String {
        let order = json!({"animal_id": self.animal().await, "lot_id": self.farm.sexed});
        self.client.make("/v1/withdrawals", order).await
    }

    /// Everything in the book.
    async fn book(&self) -> Value {
        let mut book = serde_json::Map::new();
        for list in [
            "herds",
            "tanks",
            "sires",
            "lots",
            "animals",
            "movements",
            "stock",
            "withdrawals",
            "services",
            "heats",
            "pregnancy-checks",
            "calvings",
            "abortions",
            "do-not-breed",
        ] {
            let mut items = Vec::new();
            let mut path = format!("/v1/{list}?limit=500");
            loop {
                let page = self.client.get(&path).await.expect(200);
                items.extend(page["items"].as_array().unwrap().clone());
                let Some(next) = page["next_cursor"].as_str() else { break };
                path = format!("/v1/{list}?limit=500&cursor={next}");
            }
            book.insert(list.to_owned(), items.into());
        }
        book.into()
    }

    /// The body must be refused, with these faults.
    async fn refuses(&self, method: &Method, path: &str, body: &str, pointers: &[&str]) {
        let key = Uuid::now_v7().to_string();
        let media =
            if *method == Method::PATCH { "application/merge-patch+json" } else { "application/json" };
        let headers = [("content-type", media), ("idempotency-key", &key)];
        let answer = self.client.send(method.clone(), path, &headers, body.into()).await;
        assert_eq!(
            (answer.status, answer.slug()),
            (422, "invalid-input"),
            "{method} {path} {body}: {answer:?}"
        );
        assert_eq!(answer.pointers(), pointers, "{method} {path} {body}");
    }
}

/// Where a thing of the form is changed, if it can be.
async fn changeable(yard: &Yard<'_>, form: &str) -> Option<String> {
    let (path, body) = yard.order(form).await;
    ["herds", "tanks", "sires", "lots", "animals"].contains(&form).then_some(())?;
    Some(format!("{path}/{}", yard.client.make(&path, body).await))
}

async fn what_is_wrong_with_a_field_is_said_with_its_place(world: &World) {
    let yard = Yard::of(world).await;
    for (form, fields) in forms() {
        let (path, body) = yard.order(form).await;
        let change = changeable(&yard, form).await;
        let before = yard.book().await;
        for field in &fields {
            let pointer = field.pointer();
            for raw in field.wrong() {
                let sent = with(&body, field.0, &raw);
                yard.refuses(&Method::POST, &path, &sent, &[&pointer]).await;
                if let Some(change) = &change {
                    let top = field.0.split('/').next().unwrap();
                    let patch = json!({top: body[top]});
                    yard.refuses(&Method::PATCH, change, &with(&patch, field.0, &raw), &[&pointer]).await;
                }
            }
            if field.1 == Must {
                yard.refuses(&Method::POST, &path, &with(&body, field.0, "null"), &[&pointer]).await;
                if let Some(less) = without(&body, field.0) {
                    yard.refuses(&Method::POST, &path, &less.to_string(), &[&pointer]).await;
                }
            }
            if matches!(field.2, Id) {
                let unknown = with(&body, field.0, &json!(Uuid::now_v7()).to_string());
                let answer = yard.post(&path, unknown).await;
                assert_eq!(answer.pointers(), [&pointer], "{form}");
                answer.problem(404, "not-found");
            }
            if matches!(field.2, Object) {
                let mut more = body.pointer(&format!("/{}", field.0)).unwrap().clone();
                more["colour"] = json!("red");
                let inner = format!("{pointer}/colour");
                yard.refuses(&Method::POST, &path, &with(&body, field.0, &more.to_string()), &[&inner]).await;
            }
        }
        assert_eq!(yard.book().await, before, "what was refused left something of {form}");
        let answer = yard.post(&path, body.to_string()).await;
        assert!(answer.status < 300, "the body of {form} is wrong for another reason: {answer:?}");
    }
}

async fn what_a_field_takes_is_kept(world: &World) {
    let yard = Yard::of(world).await;
    for (form, fields) in forms() {
        for field in &fields {
            for raw in field.right() {
                let (path, body) = yard.order(form).await;
                let sent = with(&body, field.0, &raw);
                let answer = yard.post(&path, sent.clone()).await;
                let refused_here = answer.body["errors"]
                    .as_array()
                    .is_some_and(|faults| faults.iter().any(|fault| fault["pointer"] == field.pointer()));
                assert!(answer.status < 500 && !refused_here, "{path} {sent}: {answer:?}");
                // Who threw a straw away, and why, stands in the ledger; see `protocol`.
                let told = if form == "discard" { &Value::Null } else { &answer.body };
                let kept = told.pointer(&format!("/{}", field.0));
                if answer.status < 300
                    && let (Line(_) | Lines(_) | Whole(..) | Number(..) | Word(_), Some(kept)) =
                        (&field.2, kept)
                {
                    let sent: Value = serde_json::from_str(&raw).unwrap();
                    let same = match sent.as_f64() {
                        Some(number) => kept.as_f64() == Some(number),
                        None => sent.is_null() || *kept == sent,
                    };
                    assert!(same, "{path}: {} was {sent} and is {kept}", field.0);
                }
            }
        }
    }
}

async fn every_fault_is_told_at_once(world: &World) {
    let yard = Yard::of(world).await;
    for (form, fields) in forms() {
        let (path, mut body) = yard.order(form).await;
        let before = yard.book().await;
        let inside =
            |outer: &str, inner: &str| inner.strip_prefix(outer).is_some_and(|rest| rest.starts_with('/'));
        let mut expected = Vec::new();
        for field in &fields {
            if !fields.iter().any(|other| inside(field.0, other.0)) {
                *body.pointer_mut(&format!("/{}", field.0)).unwrap() = json!([]);
                expected.push(field.pointer());
            }
        }
        body["colour"] = json!("red");
        expected.push("#/colour".to_owned());
        let answer = yard.post(&path, body.to_string()).await;
        let mut told = answer.pointers();
        told.sort_unstable();
        expected.sort();
        assert_eq!(told, expected, "{form}");
        answer.problem(422, "invalid-input");
        assert_eq!(yard.book().await, before);
    }
}

async fn nobody_sets_what_the_service_sets(world: &World) {
    let yard = Yard::of(world).await;
    for (form, _) in forms() {
        let (path, body) = yard.order(form).await;
        let change = changeable(&yard, form).await;
        let before = yard.book().await;
        for name in [
            "id",
            "seq",
            "recorded_at",
            "recorded_by",
            "created_at",
            "business_id",
            "etag",
            "state",
            "balance",
        ] {
            let mut more = body.clone();
            more[name] = json!(Uuid::now_v7());
            let pointer = format!("#/{name}");
            yard.refuses(&Method::POST, &path, &more.to_string(), &[&pointer]).await;
            if let Some(change) = &change {
                let patch = json!({name: Uuid::now_v7()}).to_string();
                yard.refuses(&Method::PATCH, change, &patch, &[&pointer]).await;
            }
        }
        assert_eq!(yard.book().await, before);
    }
}

async fn a_body_is_one_json_object(world: &World) {
    let yard = Yard::of(world).await;
    for (form, fields) in forms() {
        let (path, body) = yard.order(form).await;
        let change = changeable(&yard, form).await;
        let before = yard.book().await;
        let deep = "{\"a\":".repeat(100_000) + "1" + &"}".repeat(100_000);
        let not_json: &[&[u8]] = &[
            b"",
            b" ",
            b"{",
            b"{\"a\": 1,}",
            b"{} {}",
            b"{'a': 1}",
            b"{\"a\": NaN}",
            b"{\"a\": 01}",
            b"{\"a\": \"\\ud800\"}",
            b"{\"a\": \"\xc3\x28\"}",
            b"\xff\xfe{\x00}\x00",
            b"\xef\xbb\xbf{}",
            b"animal_id=412",
            deep.as_bytes(),
        ];
        for sent in not_json {
            yard.post(&path, *sent).await.problem(400, "not-json");
        }
        for sent in ["[]", "null", "1", "true", "\"x\"", &format!("[{body}]")] {
            yard.refuses(&Method::POST, &path, sent, &["#"]).await;
        }
        // RFC 7493 (I-JSON), section 2.3: a name must not stand twice; with which of them the sender
        // means it, nobody knows.
        let twice = fields[0].0;
        let text = body.to_string();
        let sent = format!("{{\"{twice}\": null, {}", &text[1..]);
        yard.refuses(&Method::POST, &path, &sent, &[&fields[0].pointer()]).await;
        if let Some(change) = &change {
            for sent in ["[]", "null", "1", "true", "\"x\""] {
                yard.refuses(&Method::PATCH, change, sent, &["#"]).await;
            }
            let sent = format!("{{\"{twice}\": null, {}", &text[1..]);
            yard.refuses(&Method::PATCH, change, &sent, &[&fields[0].pointer()]).await;
        }
        assert_eq!(yard.book().await, before, "{form}");
    }
}

async fn a_body_has_a_bound(world: &World) {
    const MEBIBYTE: usize = 1024 * 1024;
    let yard = Yard::of(world).await;
    for (form, _) in forms() {
        let (path, body) = yard.order(form).await;
        let before = yard.book().await;
        let padded = |bytes: usize| {
            let mut text = body.to_string().into_bytes();
            text.resize(bytes, b' ');
            text
        };
        yard.post(&path, padded(MEBIBYTE + 1)).await.problem(413, "too-large");
        assert_eq!(yard.book().await, before, "{form}");
        let answer = yard.post(&path, padded(MEBIBYTE)).await;
        assert!(answer.status < 300, "{form}: {answer:?}");
    }
}

async fn a_body_says_what_it_is(world: &World) {
    let yard = Yard::of(world).await;
    let key = ("idempotency-key", "media");
    for (form, _) in forms() {
        let (path, body) = yard.order(form).await;
        let change = changeable(&yard, form).await;
        let before = yard.book().await;
        let send = async |method: Method, path: &str, media: Option<&str>| {
            let mut headers = vec![key];
            headers.extend(media.map(|media| ("content-type", media)));
            yard.client.send(method, path, &headers, body.to_string().into()).await
        };
        for media in [
            None,
            Some("text/plain"),
            Some("application/x-www-form-urlencoded"),
            Some("application/xml"),
            Some("application/jsonx"),
            Some("multipart/form-data; boundary=x"),
            Some(""),
        ] {
            send(Method::POST, &path, media).await.problem(415, "unsupported-media-type");
            if let Some(change) = &change {
                let answer = send(Method::PATCH, change, media).await;
                // RFC 5789, section 3.1.
                assert!(answer.header("accept-patch").contains("application/merge-patch+json"));
                answer.problem(415, "unsupported-media-type");
            }
        }
        send(Method::POST, &path, Some("application/merge-patch+json"))
            .await
            .problem(415, "unsupported-media-type");
        assert_eq!(yard.book().await, before, "{form}");
    }
    let (path, body) = yard.order("heats").await;
    for media in ["application/json; charset=utf-8", "Application/JSON", "application/json ;x=y"] {
        let headers = [("content-type", media)];
        yard.client.send(Method::POST, &path, &headers, body.to_string().into()).await.expect(201);
    }
}

async fn what_contradicts_itself_is_refused(world: &World) {
    let yard = Yard::of(world).await;
    let before = yard.book().await;
    let (sire, lot) = (json!(yard.farm.sire), json!(yard.farm.sexed));
    for (form, changes, pointer) in [
        ("tanks", json!({"min_depth_mm": 430}), "#/min_depth_mm"),
        ("tanks", json!({"full_depth_mm": 0, "min_depth_mm": null}), "#/full_depth_mm"),
        ("lots", json!({"semen_type": "conventional"}), "#/sexed_percentage"),
        ("animals", json!({"left_on": "2023-05-01"}), "#/left_on"),
        ("receipts", json!({"received_at": "2026-03-03T05:00:01Z"}), "#/received_at"),
        ("withdrawals of a lot", json!({"sire_id": sire}), "#/sire_id"),
        ("withdrawals of a lot", json!({"semen_type": "conventional"}), "#/semen_type"),
        ("withdrawals of a sire", json!({"lot_id": lot, "semen_type": null}), "#/sire_id"),
        ("withdrawals of a sire", json!({"sire_id": null, "semen_type": null}), "#/lot_id"),
        ("discard", json!({"reason": "other", "note": null}), "#/note"),
        ("services with a straw", json!({"animal_id": yard.dam}), "#/withdrawal_id"),
        ("services with a straw", json!({"sire_id": sire}), "#/withdrawal_id"),
        ("services with a straw", json!({"semen_type": "conventional"}), "#/withdrawal_id"),
        ("services with a straw", json!({"semen_from_herd_stock": false}), "#/withdrawal_id"),
        ("services with a foreign straw", json!({"animal_id": null}), "#/withdrawal_id"),
        // She was born on 2 May 2023.
        ("services with a foreign straw", json!({"served_at": "2023-05-01T12:00:00Z"}), "#/served_at"),
        ("heats", json!({"standing_at": "2023-05-01T12:00:00Z"}), "#/standing_at"),
        ("pregnancy-checks", json!({"checked_at": "2023-05-01T12:00:00Z"}), "#/checked_at"),
        ("calvings", json!({"calved_at": "2023-05-01T12:00:00Z"}), "#/calved_at"),
        ("abortions", json!({"aborted_at": "2023-05-01T12:00:00Z"}), "#/aborted_at"),
        ("do-not-breed", json!({"decided_at": "2023-05-01T12:00:00Z"}), "#/decided_at"),
        ("herds", json!({"choice_rule": []}), "#/choice_rule"),
        (
            "herds",
            json!({"choice_rule": [{"from_service": 1, "semen_types": []}]}),
            "#/choice_rule/0/semen_types",
        ),
        (
            "sires",
            json!({"identifiers": [{"scheme": "a", "id": "1"}, {"scheme": "a", "id": "1"}]}),
            "#/identifiers/1",
        ),
        (
            "sires",
            json!({"identifiers": [{"scheme": "international-id", "id": "HOL"}]}),
            "#/identifiers/0/id",
        ),
    ] {
        let (path, mut body) = yard.order(form).await;
        body.as_object_mut().unwrap().extend(changes.as_object().unwrap().clone());
        yard.refuses(&Method::POST, &path, &body.to_string(), &[pointer]).await;
    }
    // The animals and straws that the bodies speak of are there; nothing that was refused is.
    let after = yard.book().await;
    for list in ["herds", "tanks", "sires", "lots", "services", "heats", "calvings", "abortions"] {
        assert_eq!(after[list], before[list], "{list}");
    }
}

async fn a_query_is_read_as_strictly(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal().await;
    for (path, name) in [
        ("/v1/animals?number=%00", "number"),
        ("/v1/animals?number=", "number"),
        ("/v1/animals?identifier=a%1bb", "identifier"),
        ("/v1/animals?herd_id=412", "herd_id"),
        ("/v1/sires?breed=%20", "breed"),
        ("/v1/lots?status=gone", "status"),
        ("/v1/lots?semen_type=Conventional", "semen_type"),
        ("/v1/stock?tank_id=", "tank_id"),
        ("/v1/withdrawals?unresolved=1", "unresolved"),
        ("/v1/withdrawals?unresolved=", "unresolved"),
        (&format!("/v1/animals/{animal}/next-service?at=tomorrow"), "at"),
        (&format!("/v1/animals/{animal}/next-service?at=2026-03-02T06:00:00+01:00"), "at"),
        (&format!("/v1/animals/{animal}/next-service?at=2201-01-01T00:00:00Z"), "at"),
        (&format!("/v1/animals/{animal}/next-service?colour=red"), "colour"),
    ] {
        let answer = yard.client.get(path).await;
        assert_eq!(answer.pointers(), [name], "{path}");
        answer.problem(400, "invalid-query");
    }
    for at in ["2026-03-02T06:00:00%2B01:00", "1950-01-01T00:00:00Z", "2200-12-31T23:59:59Z"] {
        yard.client.get(&format!("/v1/animals/{animal}/next-service?at={at}")).await.expect(200);
    }
}

const SEMEN: Takes = Word(&["conventional", "sexed_female", "sexed_male"]);

/// A protocol, as herds and lots carry it.
fn thaw_fields() -> Vec<Field> {
    vec![
        Field("thaw", May, Object),
        Field("thaw/min_c", Must, Number([30.0, 36.5], [29.999, 36.501])),
        Field("thaw/max_c", Must, Number([36.5, 40.0], [-0.001, 40.001])),
        Field("thaw/aim_c", Must, Number([35.0, 36.5], [34.999, 36.501])),
        Field("thaw/min_s", Must, Whole(1, 86_400)),
        Field("thaw/use_within_s", Must, Whole(1, 86_400)),
        Field("thaw/source", May, Lines(2000)),
    ]
}

/// The animal or bull's official names.
fn name_fields() -> Vec<Field> {
    vec![
        Field("identifiers", May, List),
        Field("identifiers/0/scheme", Must, Line(60)),
        Field("identifiers/0/id", Must, Line(60)),
    ]
}

fn place_fields(need: Need) -> Vec<Field> {
    vec![
        Field("place", need, Object),
        Field("place/tank_id", Must, Id),
        // The farm's tank has six.
        Field("place/canister", Must, Whole(1, 6)),
        Field("place/cane", May, Line(40)),
        Field("place/goblet", May, Line(40)),
    ]
}

fn event_fields(time: &'static str, more: Vec<Field>) -> Vec<Field> {
    let mut fields = vec![Field("animal_id", Must, Id), Field(time, May, Moment)];
    fields.extend(more);
    fields.extend([Field("technician", May, Line(100)), Field("note", May, Lines(2000))]);
    fields
}

fn joined(parts: impl IntoIterator<Item = Vec<Field>>) -> Vec<Field> {
    parts.into_iter().flatten().collect()
}

/// Every body that can be sent, and every field of it.
fn forms() -> Vec<(&'static str, Vec<Field>)> {
    vec![
        (
            "herds",
            joined([
                vec![
                    Field("name", Must, Line(200)),
                    Field("time_zone", Must, Word(&["Europe/Vienna", "Asia/Kathmandu", "UTC"])),
                    Field("location", May, Object),
                    Field("location/scheme", Must, Line(60)),
                    Field("location/id", Must, Line(60)),
                    Field("choice_rule", May, List),
                    Field("choice_rule/0", Must, Object),
                    Field("choice_rule/0/from_service", Must, Whole(1, 100)),
                    Field("choice_rule/0/to_service", May, Whole(1, 100)),
                    Field("choice_rule/0/class", May, Word(&["heifer", "cow"])),
                    Field("choice_rule/0/semen_types", Must, List),
                    Field("choice_rule/0/semen_types/0", Must, SEMEN),
                    Field("same_heat_hours", May, Whole(1, 240)),
                    Field("waiting_days", May, Whole(0, 1000)),
                    Field("kinship_limit", May, Number([0.0, 1.0], [-0.001, 1.001])),
                    Field("first_service_days", May, Whole(0, 1000)),
                ],
                thaw_fields(),
            ]),
        ),
        (
            "tanks",
            vec![
                Field("name", Must, Line(200)),
                Field("herd_id", May, Id),
                Field("canisters", May, Whole(1, 1000)),
                Field("capacity_l", May, Number([0.1, 2000.0], [0.099, 2000.001])),
                Field("full_depth_mm", May, Number([151.0, 5000.0], [151.5, 5001.0])),
                Field("min_depth_mm", May, Whole(0, 429)),
                Field("static_loss_l_per_day", May, Number([0.001, 100.0], [0.0009, 100.001])),
            ],
        ),
        (
            "sires",
            joined([
                vec![Field("name", Must, Line(200)), Field("breed", May, Line(60))],
                name_fields(),
                vec![Field("sire_id", May, Id), Field("dam_id", May, Id)],
            ]),
        ),
        (
            "lots",
            joined([
                vec![
                    Field("sire_id", Must, Id),
                    Field("semen_type", Must, Word(&["sexed_female", "sexed_male"])),
                    Field("batch", May, Line(60)),
                    // A day ahead of UTC is today somewhere.
                    Field("collected_on", May, Day("2026-03-03", "2026-03-04")),
                    Field("collection_centre", May, Line(200)),
                    Field("straw_ml", May, Number([0.25, 0.5], [0.2, 0.75])),
                    Field("sexed_percentage", May, Whole(1, 100)),
                    Field("cost", May, Object),
                    Field("cost/amount_minor", Must, Whole(0, 1_000_000_000)),
                    Field("cost/currency", Must, Word(&["EUR", "CHF"])),
                ],
                thaw_fields(),
                vec![Field("status", May, Word(&["usable", "quarantined", "recalled"]))],
            ]),
        ),
        (
            "animals",
            joined([
                vec![
                    Field("herd_id", Must, Id),
                    Field("number", Must, Line(60)),
                    Field("name", May, Line(200)),
                ],
                name_fields(),
                vec![
                    Field("born_on", May, Day("2025-12-31", "2026-03-03")),
                    Field("sire_id", May, Id),
                    Field("dam_id", May, Id),
                    Field("breed", May, Line(60)),
                    Field("left_on", May, Day("2200-12-31", "2023-05-01")),
                ],
            ]),
        ),
        (
            "receipts",
            joined([
                vec![Field("lot_id", Must, Id)],
                place_fields(Must),
                vec![
                    Field("straws", Must, Whole(1, 100_000)),
                    Field("received_at", May, Moment),
                    Field("technician", May, Line(100)),
                    Field("note", May, Lines(2000)),
                ],
            ]),
        ),
        (
            "withdrawals of a lot",
            joined([
                vec![Field("animal_id", Must, Id), Field("lot_id", Must, Id)],
                place_fields(May),
                vec![
                    Field("straws", May, Whole(1, 100_000)),
                    Field("withdrawn_at", May, Moment),
                    Field("technician", May, Line(100)),
                    Field("override", May, Object),
                    Field("override/reason", Must, Lines(500)),
                ],
            ]),
        ),
        (
            "withdrawals of a sire",
            vec![Field("animal_id", Must, Id), Field("sire_id", May, Id), Field("semen_type", May, SEMEN)],
        ),
        (
            "thaw",
            vec![
                Field("bath_temp_c", Must, Number([0.0, 100.0], [-0.001, 100.001])),
                Field("started_at", May, Moment),
                Field("bath_volume_ml", May, Whole(1, 100_000)),
                Field("water_temp_c", May, Number([0.0, 100.0], [-0.001, 100.001])),
                Field("override", May, Object),
                Field("override/reason", Must, Lines(500)),
            ],
        ),
        (
            "discard",
            vec![
                Field(
                    "reason",
                    Must,
                    Word(&[
                        "thawed_not_used",
                        "dropped",
                        "bath_failure",
                        "exposed",
                        "expired_instruction",
                        "recalled",
                        "other",
                    ]),
                ),
                Field("discarded_at", May, Moment),
                Field("technician", May, Line(100)),
                Field("note", May, Lines(2000)),
            ],
        ),
        (
            "services with a straw",
            vec![
                Field("withdrawal_id", Must, Id),
                Field("served_at", May, Moment),
                Field("technician", May, Line(100)),
                Field("note", May, Lines(2000)),
            ],
        ),
        (
            "services with a foreign straw",
            vec![
                Field("animal_id", May, Id),
                Field("sire_id", May, Id),
                Field("semen_type", May, SEMEN),
                Field("semen_from_herd_stock", May, Flag),
                Field("served_at", May, Moment),
                Field("technician", May, Line(100)),
                Field("note", May, Lines(2000)),
            ],
        ),
        (
            "heats",
            event_fields(
                "standing_at",
                vec![Field(
                    "method",
                    May,
                    Word(&["seen", "pedometer", "collar", "ear_tag", "bolus", "chemical", "other"]),
                )],
            ),
        ),
        (
            "pregnancy-checks",
            event_fields(
                "checked_at",
                vec![
                    Field(
                        "method",
                        Must,
                        Word(&["ultrasound", "palpation", "blood", "milk", "visual", "other"]),
                    ),
                    Field("result", Must, Word(&["pregnant", "multiple", "empty", "unknown"])),
                ],
            ),
        ),
        ("calvings", event_fields("calved_at", vec![])),
        ("abortions", event_fields("aborted_at", vec![Field("opens_cycle", May, Flag)])),
        (
            "settlements",
            joined([
                vec![
                    Field("resolution", Must, Word(&["straw", "withdrawal", "no_straw", "dismiss"])),
                    Field("lot_id", Must, Id),
                ],
                place_fields(Must),
                vec![Field("note", May, Lines(2000))],
            ]),
        ),
        ("do-not-breed", event_fields("decided_at", vec![Field("do_not_breed", May, Flag)])),
    ]
}
