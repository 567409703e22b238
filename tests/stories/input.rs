//! Bad input: a 4xx problem that names the place, and a book in which nothing changed.
//!
//! Every field of every body stands in the table at the end of this file with what it takes; what is
//! sent to it follows from that.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{SecondsFormat, TimeDelta};
use reqwest::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::{
    on_both_stores,
    world::{Answer, Client, Farm, MORNING, World, description, instant, operations},
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
    the_descriptions_examples_are_taken,
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
    /// An id that a client makes.
    OwnId,
    /// One of these words.
    Word(&'static [&'static str]),
    /// An address on the web.
    Address,
    /// True or false.
    Flag,
    /// An object with members of its own.
    Object,
    /// A list.
    List,
    /// A list that may have more elements than others.
    LongList,
}
use Takes::{
    Address, Day, Flag, Id, Line, Lines, List, LongList, Moment, Number, Object, OwnId, Whole, Word,
};

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
            List | LongList => but("[]"),
            Moment | Day(..) | Id | OwnId | Word(_) | Address => {}
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
            // Version 4, from the standard (RFC 9562, appendix A).
            OwnId => wrong.extend(["", "412", "919108f7-52d1-4320-9bac-f847db4148a8"].map(text)),
            Word(words) => {
                let (small, capital) = (words[0].to_lowercase(), words[0].to_uppercase());
                let other = if words.contains(&capital.as_str()) { small } else { capital };
                wrong.extend([text(""), text(" "), text(&other)]);
            }
            Address => wrong.extend(
                [
                    "",
                    "herd.example.test",
                    "ftp://herd.example.test/",
                    "https://10.0.0.1/",
                    "https://u:p@herd.example.test/",
                ]
                .map(text),
            ),
            List => wrong.push(json!(vec![0; 101]).to_string()),
            Flag => wrong.extend(["\"true\"", "0"].map(str::to_owned)),
            Object | LongList => {}
        }
        wrong
    }

    /// Values that it must take, as they are written in JSON.
    fn right(&self) -> Vec<String> {
        let text = |text: &str| Value::from(text).to_string();
        let mut right = match &self.2 {
            // Astral and combining characters count once each.
            Line(longest) => vec![text(&"é".repeat(*longest)), text("Žofka 牛 𝔘")],
            Lines(longest) => vec![text(&"é".repeat(*longest)), text("Žofka\n牛\t𝔘"), text("a\r\nb")],
            Whole(from, to) => [from, to].iter().flat_map(|n| [n.to_string(), format!("{n}.0")]).collect(),
            Number(inside, _) => inside.map(|number| number.to_string()).to_vec(),
            Moment => vec![
                text(&ahead(TimeDelta::hours(24))),
                text("2026-02-28T06:10:00.123456+05:45"),
                text("2026-02-28T06:10:00.123456789-03:00"),
            ],
            Day(day, _) => vec![text(day)],
            Address => vec![text("https://herd.example.test/in?x=1"), text("http://127.0.0.1:8009/")],
            Word(words) => words.iter().map(|word| text(word)).collect(),
            Flag => vec!["true".into(), "false".into()],
            Id | OwnId | Object | List | LongList => vec![],
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
        let dam = farm.elder(client, "Dam").await;
        Self { client, farm, dam }
    }

    async fn animal(&self) -> String {
        self.farm.animal(self.client, "412").await
    }

    /// A timed protocol with a treatment before its insemination.
    async fn protocol(&self) -> String {
        let step = |day: i64, kind: &str| json!({"day": day, "time": "08:00", "kind": kind, "text": "As prescribed"});
        let protocol = json!({"herd_id": self.farm.herd, "name": "Heifers", "prescribed_by": "Dr. Example",
                              "steps": [step(0, "treatment"), step(9, "insemination")]});
        self.client.make("/v1/timed-protocols", protocol).await
    }

    /// A start of one.
    async fn begun(&self) -> String {
        let path = format!("/v1/timed-protocols/{}/starts", self.protocol().await);
        let body = json!({"animal_ids": [self.animal().await], "starts_on": "2026-03-03"});
        self.client.post(&path, body).await.created()["items"][0]["id"].as_str().unwrap().to_owned()
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
        let rule = |rule: Value| ("/v1/alert-rules".to_owned(), rule);
        match form {
            "herds" => (
                "/v1/herds".to_owned(),
                json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna",
                       "location": {"scheme": "example.org/holding", "id": "LM-1"},
                       "choice_rule": [{"from_service": 1, "to_service": 3, "class": "heifer", "from_lactation": 0,
                                        "to_lactation": 30, "groups": ["fresh"], "from_date": "2026-01-01",
                                        "to_date": "2026-12-31", "purpose": "dairy",
                                        "semen_types": ["sexed_female"], "otherwise": ["conventional"]}],
                       "technician_may_override": true,
                       "same_heat_hours": 48, "waiting_days": 50, "kinship_limit": 0.125,
                       "first_service_days": 365, "thaw": thaw}),
            ),
            "tanks" => (
                "/v1/tanks".to_owned(),
                json!({"name": "Dairy room", "herd_id": herd, "canisters": 6, "capacity_l": 20.5,
                       "full_depth_mm": 430, "min_depth_mm": 150, "static_loss_l_per_day": 0.11,
                       "tare_kg": 12.4}),
            ),
            "tanks with a chart" => (
                "/v1/tanks".to_owned(),
                json!({"name": "Van", "chart": [{"depth_mm": 100, "litres": 4.1}, {"depth_mm": 430, "litres": 20.5}]}),
            ),
            "sires" => (
                "/v1/sires".to_owned(),
                json!({"name": "Invented Two", "breed": "HOL", "purpose": "dual", "identifiers": names, "sire_id": sire,
                       "dam_id": self.dam, "maternal_grandsire_id": sire}),
            ),
            "sires with parents elsewhere" => {
                let name = |id: &str| json!({"scheme": "farm", "id": id});
                let sire = json!({"name": "Invented Three", "sire_identifier": name("S"), "dam_identifier": name("D"),
                                  "maternal_grandsire_identifier": name("G")});
                ("/v1/sires".to_owned(), sire)
            }
            "lots" => (
                "/v1/lots".to_owned(),
                json!({"sire_id": sire, "semen_type": "sexed_female", "batch": "24117",
                       "collected_on": "2024-04-26", "collection_centre": "Invented Centre", "straw_ml": 0.25,
                       "sexed_percentage": 90, "cost": {"amount_minor": 2400, "currency": "EUR"},
                       "thaw": thaw, "status": "usable", "owner_herd_id": herd}),
            ),
            "animals" => (
                "/v1/animals".to_owned(),
                json!({"herd_id": herd, "number": "412", "name": "Žofka", "identifiers": names,
                       "born_on": "2023-05-02", "sire_id": sire, "dam_id": self.dam, "breed": "HOL", "groups": ["fresh"],
                       "left_on": "2026-01-01", "donor": true}),
            ),
            "receipts" => (
                "/v1/receipts".to_owned(),
                json!({"lot_id": sexed, "place": place, "straws": 3, "received_at": at,
                       "technician": technician, "note": note}),
            ),
            "transfers" => (
                "/v1/transfers".to_owned(),
                json!({"lot_id": sexed, "from": place, "straws": 2, "exposure_s": 4, "transferred_at": at,
                       "to": {"tank_id": tank, "canister": 2, "cane": "A", "goblet": "lower"},
                       "technician": technician, "note": note}),
            ),
            "discards" => (
                "/v1/discards".to_owned(),
                json!({"lot_id": sexed, "place": place, "straws": 1, "reason": "exposed", "discarded_at": at,
                       "technician": technician, "note": note}),
            ),
            "calendars" => {
                ("/v1/calendars".to_owned(), json!({"name": "Lower Meadow, to watch", "herd_id": herd}))
            }
            "timed-protocols" => (
                "/v1/timed-protocols".to_owned(),
                json!({"herd_id": herd, "name": "Heifers", "prescribed_by": "Dr. Example",
                       "steps": [{"day": 1, "time": "08:00", "kind": "insemination", "text": "Inseminate"}]}),
            ),
            "starts" => {
                let path = format!("/v1/timed-protocols/{}/starts", self.protocol().await);
                (path, json!({"animal_ids": [self.animal().await], "starts_on": "2026-03-03"}))
            }
            "stopping" => {
                (format!("/v1/protocol-starts/{}/stopping", self.begun().await), json!({"reason": "Lame."}))
            }
            "steps" => {
                let body =
                    json!({"step": 1, "step_state": "not_needed", "reason": "The veterinarian said so."});
                (format!("/v1/protocol-starts/{}/steps", self.begun().await), body)
            }
            "requests" => (
                "/v1/requests".to_owned(),
                json!({"herd_id": herd, "animal_ids": [self.animal().await], "text": "Heat seen.", "wanted_by": at,
                       "caller": "A. Example", "telephone": "00 000", "asked_at": at}),
            ),
            "closing" => {
                let asked = json!({"herd_id": herd, "text": "Heat seen."});
                let asked = self.client.make("/v1/requests", asked).await;
                (format!("/v1/requests/{asked}/closing"), json!({"reason": "Not in heat."}))
            }
            "consignments" => (
                "/v1/consignments".to_owned(),
                json!({"direction": "out", "documents": ["DN-4711"], "document_on": "2026-02-27", "moved_at": at,
                       "party": {"name": "Invented Station", "approval_number": "ZZ 00 123",
                                 "address": "Invented Road 1\nInvented Town"},
                       "lines": [{"lot_id": sexed, "place": place, "straws": 1}],
                       "technician": technician, "note": note}),
            ),
            "stocktakes of a tank" => (
                "/v1/stocktakes".to_owned(),
                json!({"tank_id": tank, "complete": false, "as_of_seq": 1,
                       "counts": [{"lot_id": sexed, "place": place, "straws": 9}]}),
            ),
            "stocktakes of a canister" => (
                "/v1/stocktakes".to_owned(),
                json!({"tank_id": tank, "canister": 1, "counted_at": at, "counts": [],
                       "technician": technician, "note": note}),
            ),
            "holds" => (
                "/v1/holds".to_owned(),
                json!({"tank_id": self.empty_tank().await, "canister": 6, "reason": "Doubt.", "held_at": at, "technician": technician}),
            ),
            "reversal" => (
                format!("/v1/movements/{}/reversal", self.received().await),
                json!({"reason": "wrong_data", "reversed_at": at, "technician": technician, "note": note}),
            ),
            "withdrawals of a lot" => (
                "/v1/withdrawals".to_owned(),
                json!({"animal_id": self.animal().await, "lot_id": sexed, "place": place, "straws": 1,
                       "withdrawn_at": at, "technician": technician, "override": {"reason": "agreed"},
                       "id": null, "straw_read": "Invented One", "already_done": false}),
            ),
            "withdrawals of a sire" => (
                "/v1/withdrawals".to_owned(),
                json!({"animal_id": self.animal().await, "sire_id": sire, "semen_type": "sexed_female"}),
            ),
            "thaw" => (
                format!("/v1/withdrawals/{}/thaw", self.withdrawn().await),
                json!({"bath_temp_c": 35.6, "started_at": at, "bath_volume_ml": 1000, "water_temp_c": 12.0,
                       "already_done": false, "override": {"reason": "no other bath"}}),
            ),
            "discard" => (
                format!("/v1/withdrawals/{}/discard", self.withdrawn().await),
                json!({"reason": "dropped", "discarded_at": at, "technician": technician, "note": note}),
            ),
            "services with a straw" => (
                "/v1/services".to_owned(),
                json!({"withdrawal_id": self.withdrawn().await, "served_at": at, "technician": technician,
                       "straw_read": "Invented One", "already_done": true, "note": note}),
            ),
            "services with a foreign straw" => (
                "/v1/services".to_owned(),
                json!({"animal_id": self.animal().await, "sire_id": sire, "semen_type": "conventional",
                       "semen_from_herd_stock": true, "served_at": at, "technician": technician, "note": note}),
            ),
            "services by a bull" => (
                "/v1/services".to_owned(),
                json!({"kind": "natural", "animal_id": self.animal().await, "sire_id": sire, "served_at": at}),
            ),
            "services with an embryo" => (
                "/v1/services".to_owned(),
                json!({"kind": "embryo_transfer", "animal_id": self.animal().await, "sire_id": sire,
                       "donor_id": self.dam, "served_at": at}),
            ),
            "readings by depth" => {
                let readings = format!("{}/nitrogen-readings", self.tank().await);
                let wrong = self.client.make(&readings, json!({"read_at": at, "depth_mm": 315})).await;
                let reading = json!({"read_at": at, "depth_mm": 310, "source": "person", "supersedes": wrong,
                                     "technician": technician, "note": note});
                (readings, reading)
            }
            "readings in another unit" => (
                format!("{}/nitrogen-readings", self.tank().await),
                json!({"depth": {"value": 12.2, "unit": "in"}}),
            ),
            "readings in litres" => {
                (format!("{}/nitrogen-readings", self.tank().await), json!({"litres": 14.8, "frost": "none"}))
            }
            "readings by weight" => {
                (format!("{}/nitrogen-readings", self.tank().await), json!({"gross_kg": 24.3}))
            }
            "refills" => {
                let refills = format!("{}/refills", self.tank().await);
                let wrong = self.client.make(&refills, json!({"filled_at": at, "litres_added": 1})).await;
                let refill = json!({"filled_at": at, "depth_before_mm": 200, "depth_after_mm": 400,
                                    "litres_added": 10.5, "supersedes": wrong, "technician": technician,
                                    "note": note});
                (refills, refill)
            }
            "repairs" => {
                let repairs = format!("{}/repairs", self.tank().await);
                let wrong = self.client.make(&repairs, json!({"repaired_at": at, "kind": "replaced"})).await;
                let repair = json!({"repaired_at": at, "kind": "repaired", "supersedes": wrong,
                                    "technician": technician, "note": note});
                (repairs, repair)
            }
            "webhooks" => (
                "/v1/webhooks".to_owned(),
                json!({"url": "https://herd.example.test/", "events": ["stock.low"], "herd_ids": [herd],
                       "tank_ids": [tank], "note": note}),
            ),
            "secret rotation" => {
                (format!("/v1/webhooks/{}/secret-rotation", self.webhook().await), json!({"grace_hours": 24}))
            }
            "redelivery" => (
                format!("/v1/webhooks/{}/redelivery", self.webhook().await),
                json!({"since": at, "after": 0, "also_delivered": true}),
            ),
            "heats" => {
                let animal = self.animal().await;
                event("heats", json!({"animal_id": animal, "standing_at": at, "method": "seen"}))
            }
            "pregnancy-checks" => {
                let animal = self.animal().await;
                event(
                    "pregnancy-checks",
                    json!({"animal_id": animal, "checked_at": at, "method": "milk", "result": "empty",
                           "days_pregnant": 40}),
                )
            }
            "calvings" => {
                let animal = self.animal().await;
                event("calvings", json!({"animal_id": animal, "calved_at": at, "calves": 2}))
            }
            "abortions" => {
                let animal = self.animal().await;
                event("abortions", json!({"animal_id": animal, "aborted_at": at, "opens_cycle": true}))
            }
            "settlements with a straw" => {
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
            "alert rules of a number" => {
                let sire = self.client.make("/v1/sires", json!({"name": "Invented Two"})).await;
                rule(
                    json!({"kind": "stock.low", "sire_id": sire, "semen_type": "conventional", "tank_id": tank,
                            "enabled": true, "below_straws": 5, "clear_at": 8.0}),
                )
            }
            "alert rules of a lot" => {
                let lot = self.farm.lot(self.client, "conventional", "2024-05-17").await;
                rule(json!({"kind": "stock.out", "lot_id": lot}))
            }
            "alert rules of a probability" => {
                rule(json!({"kind": "stock.low", "herd_id": self.herd().await, "above_probability": 0.1,
                            "lead_days": 14, "delivery_at": "2026-03-20T06:00:00Z", "clear_at": 0.05}))
            }
            "alert rules of days" => {
                rule(json!({"kind": "stock.low", "herd_id": self.herd().await, "below_days": 10}))
            }
            "alert rules of a depth" => {
                rule(json!({"kind": "nitrogen.low", "herd_id": self.herd().await, "below_depth_mm": 150}))
            }
            "alert rules of a refill" => {
                rule(json!({"kind": "nitrogen.refill_due", "herd_id": self.herd().await, "within_days": 3}))
            }
            "alert rules of readings" => rule(
                json!({"kind": "nitrogen.reading_overdue", "herd_id": self.herd().await, "every_days": 7}),
            ),
            "alert rules of a grace" => rule(
                json!({"kind": "withdrawal.unresolved", "herd_id": self.herd().await, "grace_minutes": 60}),
            ),
            "alert rules of a difference" => rule(
                json!({"kind": "stocktake.difference", "herd_id": self.herd().await, "min_difference": 1}),
            ),
            "acknowledgement" => {
                let aside = json!({"animal_id": self.animal().await, "lot_id": self.farm.conventional,
                                   "override": {"reason": "agreed"}});
                let taken = self.client.make("/v1/withdrawals", aside).await;
                let path = format!("/v1/alerts?subject=/v1/withdrawals/{taken}");
                let alert = self.client.get(&path).await.expect(200)["items"][0]["id"].clone();
                (format!("/v1/alerts/{}/acknowledgement", alert.as_str().unwrap()), json!({"note": note}))
            }
            other => panic!("no form {other}"),
        }
    }

    /// A delivery on record: its movement.
    async fn received(&self) -> String {
        let receipt = json!({"lot_id": self.farm.sexed, "place": self.farm.place(5), "straws": 1});
        self.client.make("/v1/receipts", receipt).await
    }

    async fn herd(&self) -> String {
        self.client.make("/v1/herds", json!({"name": "Upper Meadow", "time_zone": "UTC"})).await
    }

    /// A new tank of 20.5 litres.
    async fn empty_tank(&self) -> String {
        let tank = json!({"name": "Gauged", "capacity_l": 20.5, "full_depth_mm": 430, "tare_kg": 12.4});
        self.client.make("/v1/tanks", tank).await
    }

    /// The same by its path.
    async fn tank(&self) -> String {
        format!("/v1/tanks/{}", self.empty_tank().await)
    }

    /// A straw that left the tank when the bodies say that it was thawed and served.
    async fn withdrawn(&self) -> String {
        let order = json!({"animal_id": self.animal().await, "lot_id": self.farm.sexed,
                           "withdrawn_at": "2026-03-01T06:10:00Z"});
        self.client.make("/v1/withdrawals", order).await
    }

    /// Everything in the book.
    async fn webhook(&self) -> String {
        let known = self.client.get("/v1/webhooks?limit=1").await.expect(200);
        match known["items"][0]["id"].as_str() {
            Some(id) => id.to_owned(),
            None => own_webhook(self.client).await,
        }
    }

    async fn book(&self) -> Value {
        let mut book = serde_json::Map::new();
        for list in [
            "herds",
            "tanks",
            "sires",
            "lots",
            "animals",
            "webhooks",
            "movements",
            "stock",
            "stocktakes",
            "holds",
            "withdrawals",
            "services",
            "heats",
            "pregnancy-checks",
            "calvings",
            "abortions",
            "do-not-breed",
            "timed-protocols",
            "protocol-starts",
            // Alerts themselves come and go by the clock as well.
            "alert-rules",
        ] {
            let mut items = Vec::new();
            let mut path = format!("/v1/{list}?limit=500");
            loop {
                let page = self.client.get(&path).await.expect(200);
                items.extend(page["items"].as_array().unwrap().clone());
                if list == "webhooks" {
                    // The rest tells how sending goes, which goes on meanwhile.
                    let asked = ["id", "url", "events", "herd_ids", "tank_ids", "note"];
                    for item in &mut items {
                        item.as_object_mut().unwrap().retain(|name, _| asked.contains(&name.as_str()));
                    }
                }
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

/// A form with what is refused of it: what it takes, and where a thing of it is changed, if it can be.
struct Order {
    form: &'static str,
    fields: Vec<Field>,
    path: String,
    body: Value,
    change: Option<String>,
}

/// One of each form, all made before anything is refused, so that a look at the book before and one after serve for all.
async fn orders(yard: &Yard<'_>) -> Vec<Order> {
    let mut orders = Vec::new();
    for (form, fields) in forms() {
        let (path, body) = yard.order(form).await;
        let change = changeable(yard, form).await;
        orders.push(Order { form, fields, path, body, change });
    }
    orders
}

/// Where a thing of the form is changed, if it can be.
async fn changeable(yard: &Yard<'_>, form: &str) -> Option<String> {
    let (path, body) = yard.order(form).await;
    let changes = ["herds", "tanks", "sires", "lots", "animals", "webhooks", "timed-protocols"]
        .contains(&form)
        || form.starts_with("alert rules");
    changes.then_some(())?;
    Some(format!("{path}/{}", yard.client.make(&path, body).await))
}

async fn what_is_wrong_with_a_field_is_said_with_its_place(world: &World) {
    let yard = Yard::of(world).await;
    let orders = orders(&yard).await;
    let before = yard.book().await;
    for Order { form, fields, path, body, change } in &orders {
        for field in fields {
            let pointer = field.pointer();
            for raw in field.wrong() {
                let sent = with(body, field.0, &raw);
                yard.refuses(&Method::POST, path, &sent, &[&pointer]).await;
                if let Some(change) = change {
                    let top = field.0.split('/').next().unwrap();
                    let patch = json!({top: body[top]});
                    yard.refuses(&Method::PATCH, change, &with(&patch, field.0, &raw), &[&pointer]).await;
                }
            }
            if field.1 == Must {
                yard.refuses(&Method::POST, path, &with(body, field.0, "null"), &[&pointer]).await;
                if let Some(less) = without(body, field.0) {
                    yard.refuses(&Method::POST, path, &less.to_string(), &[&pointer]).await;
                }
            }
            if matches!(field.2, Id) {
                let unknown = with(body, field.0, &json!(Uuid::now_v7()).to_string());
                let answer = yard.post(path, unknown).await;
                assert_eq!(answer.pointers(), [&pointer], "{form}");
                answer.problem(404, "not-found");
            }
            if matches!(field.2, Object) {
                let mut more = body.pointer(&format!("/{}", field.0)).unwrap().clone();
                more["colour"] = json!("red");
                let inner = format!("{pointer}/colour");
                yard.refuses(&Method::POST, path, &with(body, field.0, &more.to_string()), &[&inner]).await;
            }
        }
    }
    assert_eq!(yard.book().await, before, "what was refused left something");
    for Order { form, path, body, .. } in &orders {
        let answer = yard.post(path, body.to_string()).await;
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
                // A straw is served within a day of its withdrawal; see `crush`.
                // A start has as many steps as its protocol, and the last is told by the service; see `timed_protocols`.
                let depends =
                    [("services with a straw", "served_at"), ("steps", "step")].contains(&(form, field.0));
                assert!(answer.status < 500 && (!refused_here || depends), "{path} {sent}: {answer:?}");
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
                        // A line ends with a line feed, however it was sent.
                        None => {
                            sent.is_null()
                                || kept.as_str()
                                    == sent.as_str().map(|text| text.replace("\r\n", "\n")).as_deref()
                        }
                    };
                    assert!(same, "{path}: {} was {sent} and is {kept}", field.0);
                }
            }
        }
    }
}

async fn every_fault_is_told_at_once(world: &World) {
    let yard = Yard::of(world).await;
    let orders = orders(&yard).await;
    let before = yard.book().await;
    for Order { form, fields, path, mut body, .. } in orders {
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
    }
    assert_eq!(yard.book().await, before);
}

async fn nobody_sets_what_the_service_sets(world: &World) {
    let yard = Yard::of(world).await;
    let orders = orders(&yard).await;
    let before = yard.book().await;
    for Order { path, body, change, .. } in orders {
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
    }
    assert_eq!(yard.book().await, before);
}

async fn a_body_is_one_json_object(world: &World) {
    let yard = Yard::of(world).await;
    let deep = "{\"a\":".repeat(100_000) + "1" + &"}".repeat(100_000);
    let orders = orders(&yard).await;
    let before = yard.book().await;
    for Order { fields, path, body, change, .. } in orders {
        // What needs nothing said needs no body.
        if fields.iter().any(|field| field.1 == Must && !field.0.contains('/')) {
            yard.post(&path, *b"").await.problem(400, "not-json");
        }
        let not_json: &[&[u8]] = &[
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
        ];
        for sent in not_json {
            yard.post(&path, *sent).await.problem(400, "not-json");
        }
        for sent in ["[]", "null", "1", "true", "\"x\"", &format!("[{body}]"), &deep] {
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
    }
    assert_eq!(yard.book().await, before);
}

async fn a_body_has_a_bound(world: &World) {
    const MEBIBYTE: usize = 1024 * 1024;
    let yard = Yard::of(world).await;
    let orders = orders(&yard).await;
    let before = yard.book().await;
    let padded = |body: &Value, bytes: usize| {
        let mut text = body.to_string().into_bytes();
        text.resize(bytes, b' ');
        text
    };
    for Order { path, body, .. } in &orders {
        yard.post(path, padded(body, MEBIBYTE + 1)).await.problem(413, "too-large");
    }
    assert_eq!(yard.book().await, before);
    for Order { form, path, body, .. } in &orders {
        let answer = yard.post(path, padded(body, MEBIBYTE)).await;
        assert!(answer.status < 300, "{form}: {answer:?}");
    }
}

async fn a_body_says_what_it_is(world: &World) {
    let yard = Yard::of(world).await;
    let key = ("idempotency-key", "media");
    let orders = orders(&yard).await;
    let before = yard.book().await;
    for Order { path, body, change, .. } in orders {
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
    }
    assert_eq!(yard.book().await, before);
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
        ("tanks", json!({"chart": []}), "#/chart"),
        ("tanks", json!({"chart": [{"depth_mm": 0, "litres": 0}]}), "#/chart"),
        (
            "tanks",
            json!({"chart": [{"depth_mm": 200, "litres": 9}, {"depth_mm": 100, "litres": 10}]}),
            "#/chart",
        ),
        (
            "tanks",
            json!({"chart": [{"depth_mm": 100, "litres": 9}, {"depth_mm": 200, "litres": 9}]}),
            "#/chart",
        ),
        ("tanks", json!({"chart": [{"depth_mm": 431, "litres": 20}]}), "#/chart"),
        ("tanks", json!({"chart": [{"depth_mm": 430, "litres": 20.6}]}), "#/chart"),
        ("tanks with a chart", json!({"min_depth_mm": 430}), "#/min_depth_mm"),
        ("readings by depth", json!({"depth_mm": null}), "#/depth_mm"),
        ("readings by depth", json!({"litres": 14.8}), "#/litres"),
        ("readings in litres", json!({"gross_kg": 24.3}), "#/gross_kg"),
        ("readings in another unit", json!({"depth": {"value": 18, "unit": "in"}}), "#/depth/value"),
        ("readings in another unit", json!({"depth": {"value": 200, "unit": "in"}}), "#/depth/value"),
        ("refills", json!({"depth_after_mm": 199}), "#/depth_after_mm"),
        ("refills", json!({"depth_after_mm": 200}), "#/depth_after_mm"),
        ("refills", json!({"depth_after_mm": null, "litres_added": null}), "#/depth_after_mm"),
        ("refills", json!({"filled_at": "2026-03-03T05:00:01Z"}), "#/filled_at"),
        ("repairs", json!({"kind": "not_done", "supersedes": null}), "#/supersedes"),
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
    let mut after = yard.book().await;
    after["tanks"].as_array_mut().unwrap().retain(|tank| tank["name"] != "Gauged");
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
        ("/v1/tanks?include=everything", "include"),
        (&format!("/v1/tanks/{}/nitrogen?at=tomorrow", yard.farm.tank), "at"),
        (&format!("/v1/tanks/{}/nitrogen.svg?theme=blue", yard.farm.tank), "theme"),
        (&format!("/v1/tanks/{}/nitrogen.png?width=1", yard.farm.tank), "width"),
        (&format!("/v1/tanks/{}/nitrogen-readings?from=1", yard.farm.tank), "from"),
        (&format!("/v1/tanks/{}/refills?to=1", yard.farm.tank), "to"),
        ("/v1/withdrawals?unresolved=", "unresolved"),
        (&format!("/v1/animals/{animal}/next-service?at=tomorrow"), "at"),
        (&format!("/v1/animals/{animal}/next-service?at=2026-03-02T06:00:00+01:00"), "at"),
        (&format!("/v1/animals/{animal}/next-service?at=2201-01-01T00:00:00Z"), "at"),
        (&format!("/v1/animals/{animal}/next-service?colour=red"), "colour"),
        ("/v1/thaw-advice", "bath_temp_c"),
        ("/v1/thaw-advice?bath_temp_c=101", "bath_temp_c"),
        ("/v1/thaw-advice?bath_temp_c=35.6&straw_ml=0.3", "straw_ml"),
        ("/v1/thaw-advice?bath_temp_c=35.6&straws=0", "straws"),
    ] {
        let answer = yard.client.get(path).await;
        assert_eq!(answer.pointers(), [name], "{path}");
        answer.problem(400, "invalid-query");
    }
    for at in ["2026-03-02T06:00:00%2B01:00", "1950-01-01T00:00:00Z", "2200-12-31T23:59:59Z"] {
        yard.client.get(&format!("/v1/animals/{animal}/next-service?at={at}")).await.expect(200);
    }
}

/// The id of something of this kind.
async fn own_id(yard: &Yard<'_>, thing: &str) -> String {
    let (farm, client) = (&yard.farm, yard.client);
    match thing {
        "herd" | "owner_herd" => farm.herd.clone(),
        "tank" => farm.tank.clone(),
        "sire" => farm.sire.clone(),
        "lot" => farm.sexed.clone(),
        "animal" | "donor" => yard.animal().await,
        "withdrawal" => yard.withdrawn().await,
        "movement" => yard.received().await,
        "service" => client.make("/v1/services", json!({"animal_id": yard.animal().await})).await,
        "hold" => {
            let tank = client.make("/v1/tanks", json!({"name": "Old one"})).await;
            client.make("/v1/holds", json!({"tank_id": tank, "reason": "Doubt."})).await
        }
        "key" => client.make("/v1/keys", json!({"name": "Barn phone", "role": "reader"})).await,
        "stocktake" => client.make("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": []})).await,
        "alert" => {
            farm.receive(client, &farm.conventional, 2, 1).await;
            let aside = json!({"animal_id": yard.animal().await, "lot_id": farm.conventional,
                               "override": {"reason": "agreed"}});
            client.post("/v1/withdrawals", aside).await.created();
            let open = client.get("/v1/alerts?open=true&kind=rule.overridden").await.expect(200);
            open["items"][0]["id"].as_str().unwrap().to_owned()
        }
        "alert-rule" => {
            let lot = farm.lot(client, "sexed_female", "2024-04-26").await;
            client.make("/v1/alert-rules", json!({"kind": "stock.low", "lot_id": lot})).await
        }
        "request" => client.make("/v1/requests", json!({"herd_id": farm.herd, "text": "Heat seen."})).await,
        "timed-protocol" => yard.protocol().await,
        "protocol-start" => yard.begun().await,
        "webhook" => own_webhook(client).await,
        "deliverie" => {
            let webhook = own_webhook(client).await;
            let test = client.post(&format!("/v1/webhooks/{webhook}/test"), json!({})).await.created();
            test["id"].as_str().unwrap().to_owned()
        }
        "ade-item" => {
            let told = json!({"meta": {"source": "org.example.herd", "sourceId": Uuid::now_v7()},
                              "inseminationType": "Insemination", "eventDateTime": "2026-02-01T06:00:00Z",
                              "animal": {"scheme": "tankside.animal", "id": yard.animal().await}});
            let path = format!("/ade/locations/tankside.herd/{}/inseminations", farm.herd);
            client.post(&path, told).await.expect(200)["id"].as_str().unwrap().to_owned()
        }
        other => panic!("what is the id of a {other}?"),
    }
}

async fn own_webhook(client: &Client) -> String {
    client.make("/v1/webhooks", json!({"url": "https://herd.example.test/"})).await
}

/// Gives every member of a body that is named after the id of something such an id of this book.
async fn with_own_ids(yard: &Yard<'_>, body: &Value) -> Value {
    let mut body = body.clone();
    let mut inside = vec![&mut body];
    while let Some(value) = inside.pop() {
        match value {
            Value::Object(members) => {
                for (name, member) in members {
                    let many = name.strip_suffix("_ids").filter(|_| member[0].is_string());
                    match (name.strip_suffix("_id").filter(|_| member.is_string()), many) {
                        (Some(thing), _) => *member = own_id(yard, thing).await.into(),
                        (None, Some(thing)) => *member = json!([own_id(yard, thing).await]),
                        (None, None) => inside.push(member),
                    }
                }
            }
            Value::Array(elements) => inside.extend(elements),
            _ => {}
        }
    }
    body
}

async fn the_descriptions_examples_are_taken(world: &World) {
    let yard = Yard::of(world).await;
    let mut taken = 0;
    for (method, path, operation) in operations() {
        for (media, content) in operation["requestBody"]["content"].as_object().into_iter().flatten() {
            if !["application/json", "application/merge-patch+json"].contains(&media.as_str()) {
                continue;
            }
            let many = content["examples"].as_object().into_iter().flatten().map(|(_, one)| &one["value"]);
            let examples: Vec<_> =
                many.chain([&content["example"]]).filter(|example| !example.is_null()).collect();
            assert!(!examples.is_empty(), "{method} {path} has no example");
            for example in examples {
                let send = async |path: String, body: &Value| {
                    let key = Uuid::now_v7().to_string();
                    let headers = [("content-type", media.as_str()), ("idempotency-key", &key)];
                    yard.client.send(method.clone(), &path, &headers, body.to_string().into()).await
                };
                // As it stands its ids are nobody's, and nothing else is wrong with it.
                let answer = send(path.replace("{id}", &Uuid::now_v7().to_string()), example).await;
                assert!(
                    [200, 201, 207, 404].contains(&answer.status),
                    "{method} {path} {example}: {answer:?}"
                );
                // With ids of this book it is done.
                let body = with_own_ids(&yard, example).await;
                let thing =
                    path.strip_prefix("/v1/").and_then(|rest| rest.split_once("s/{id}")).unwrap_or_default();
                let id = match thing.0 {
                    "" => String::new(),
                    // The example quarantines it.
                    "lot" => yard.farm.lot(yard.client, "sexed_female", "2024-04-26").await,
                    thing => own_id(&yard, thing).await,
                };
                let answer = send(path.replace("{id}", &id), &body).await;
                let done = match answer.status {
                    207 => answer.body["results"]
                        .as_array()
                        .unwrap()
                        .iter()
                        .all(|one| one["status"] == 200 || one["status"] == 201),
                    status => [200, 201].contains(&status),
                };
                assert!(done, "{method} {path} {body}: {answer:?}");
                taken += 1;
            }
        }
    }
    assert!(taken >= 30, "only {taken} examples");
}

/// What the description says of the member at `path` of a body: its schema, and whether it must be there.
fn described<'a>(api: &'a Value, schema: &'a Value, path: &str) -> (&'a Value, bool) {
    let schema = resolved(api, schema);
    let (name, rest) = path.split_once('/').unwrap_or((path, ""));
    let (member, required) = if schema["items"].is_object() {
        (&schema["items"], true)
    } else {
        let listed = schema["required"].as_array().is_some_and(|names| names.iter().any(|n| n == name));
        (&schema["properties"][name], listed)
    };
    assert!(!member.is_null(), "the description does not know {path}");
    if rest.is_empty() { (resolved(api, member), required) } else { described(api, member, rest) }
}

/// The schema itself, behind references and the choice of null.
fn resolved<'a>(api: &'a Value, schema: &'a Value) -> &'a Value {
    if let Some(options) = schema["oneOf"].as_array() {
        return resolved(api, options.iter().find(|option| option["type"] != "null").unwrap());
    }
    match schema["$ref"].as_str() {
        Some(path) => resolved(api, api.pointer(path.strip_prefix('#').unwrap()).unwrap()),
        None => schema,
    }
}

/// The paths of all members that a body may have.
fn members(api: &Value, schema: &Value, at: &str, found: &mut BTreeSet<String>) {
    let schema = resolved(api, schema);
    for (name, member) in schema["properties"].as_object().into_iter().flatten() {
        let path = if at.is_empty() { name.clone() } else { format!("{at}/{name}") };
        members(api, member, &path, found);
        found.insert(path);
    }
    if schema["items"].is_object() {
        let path = format!("{at}/0");
        members(api, &schema["items"], &path, found);
    }
}

#[test]
fn the_description_says_what_each_form_takes() {
    let api = description();
    let mut told: BTreeMap<&str, BTreeSet<String>> = BTreeMap::new();
    for (form, fields) in forms() {
        let path = match form.split(' ').next().unwrap() {
            act @ ("thaw" | "discard") => format!("/v1/withdrawals/{{id}}/{act}"),
            act @ "reversal" => format!("/v1/movements/{{id}}/{act}"),
            "readings" => "/v1/tanks/{id}/nitrogen-readings".to_owned(),
            list @ ("refills" | "repairs") => format!("/v1/tanks/{{id}}/{list}"),
            "alert" => "/v1/alert-rules".to_owned(),
            act @ "closing" => format!("/v1/requests/{{id}}/{act}"),
            act @ "starts" => format!("/v1/timed-protocols/{{id}}/{act}"),
            act @ ("stopping" | "steps") => format!("/v1/protocol-starts/{{id}}/{act}"),
            act @ "acknowledgement" => format!("/v1/alerts/{{id}}/{act}"),
            "secret" => "/v1/webhooks/{id}/secret-rotation".to_owned(),
            act @ "redelivery" => format!("/v1/webhooks/{{id}}/{act}"),
            "settlements" => "/v1/ade-items/{id}/resolution".to_owned(),
            list => format!("/v1/{list}"),
        };
        let body = &api["paths"][&path]["post"]["requestBody"]["content"]["application/json"]["schema"];
        for field in &fields {
            let (schema, required) = described(api, body, field.0);
            let says = |name: &str| match &schema[name] {
                // "integer", or "integer" and "null".
                Value::Array(types) if name == "type" => types[0].clone(),
                other => other.clone(),
            };
            let at = format!("{form}: {}", field.0);
            // Which way a withdrawal or a service names its straw, and a reading its level, is left open by the
            // description.
            if !["lot_id", "sire_id", "withdrawal_id", "animal_id", "depth_mm", "place", "semen_type"]
                .contains(&field.0)
                || !form.contains(' ')
            {
                assert_eq!(required, field.1 == Must, "{at} must be sent, or need not");
            }
            match &field.2 {
                Line(longest) | Lines(longest) => assert_eq!(says("maxLength"), *longest, "{at}"),
                Whole(_, to) => {
                    assert_eq!(says("type"), "integer", "{at}");
                    let bound = says("maximum").as_i64().unwrap();
                    assert!(
                        bound == *to || field.0.ends_with("canister") || field.0 == "min_depth_mm",
                        "{at}"
                    );
                }
                Number(..) => assert!(["number", "integer"].map(Value::from).contains(&says("type")), "{at}"),
                Moment => assert_eq!(says("format"), "date-time", "{at}"),
                Day(..) => assert_eq!(says("format"), "date", "{at}"),
                Id | OwnId => assert_eq!(says("format"), "uuid", "{at}"),
                Word(words) => {
                    for word in *words {
                        let listed =
                            says("enum").as_array().is_none_or(|all| all.iter().any(|one| one == word));
                        assert!(listed, "{at} does not list {word}");
                    }
                }
                Flag => assert_eq!(says("type"), "boolean", "{at}"),
                Address => assert_eq!(says("type"), "string", "{at}"),
                Object => assert_eq!(says("type"), "object", "{at}"),
                List | LongList => assert_eq!(says("type"), "array", "{at}"),
            }
        }
        told.entry(form.split(' ').next().unwrap())
            .or_default()
            .extend(fields.iter().map(|f| f.0.to_owned()));
        let mut all = BTreeSet::new();
        members(api, body, "", &mut all);
        let listed = &told[form.split(' ').next().unwrap()];
        // The last of the ways to fill a form in completes its fields.
        let others_follow = [
            "stocktakes of a tank",
            "withdrawals of a lot",
            "services with a straw",
            "services with a foreign straw",
            "services by a bull",
            "sires",
            // The other way is told by a story of its own.
            "settlements with a straw",
            "tanks",
            "readings by depth",
            "readings in another unit",
            "readings in litres",
        ];
        let others_follow = others_follow.contains(&form)
            || (form.starts_with("alert rules") && form != "alert rules of a difference");
        if !others_follow {
            // What lies ahead, as no other moment that is told, has stories of its own: the outlook's, the call-outs'.
            // An hour of the day is read by the test beside it.
            let ahead = ["delivery_at", "wanted_by", "steps/0/time"];
            let missing: Vec<_> =
                all.difference(listed).filter(|name| !ahead.contains(&name.as_str())).collect();
            assert!(missing.is_empty(), "{form}: give the table {missing:?}");
        }
    }
}

const DISCARD_REASON: Takes = Word(&[
    "thawed_not_used",
    "dropped",
    "bath_failure",
    "exposed",
    "expired_instruction",
    "recalled",
    "other",
]);

const SEMEN: Takes = Word(&["conventional", "sexed_female", "sexed_male"]);

/// A protocol, as herds and lots carry it.
fn thaw_fields() -> Vec<Field> {
    vec![
        Field("thaw", May, Object),
        Field("thaw/min_c", Must, Number([33.3, 36.5], [33.299, 36.501])),
        Field("thaw/max_c", Must, Number([36.5, 38.0], [-0.001, 38.001])),
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

const DEPTH: Takes = Number([0.0, 456.0], [-0.001, 456.001]);

fn reading_fields() -> Vec<Field> {
    vec![
        Field("read_at", May, Moment),
        Field("source", May, Word(&["person", "sensor"])),
        Field("supersedes", May, Id),
        Field("technician", May, Line(100)),
        Field("note", May, Lines(2000)),
    ]
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
                    Field("choice_rule/0/semen_types/0", Must, Word(&["sexed_female", "sexed_male"])),
                    Field("choice_rule/0/from_lactation", May, Whole(0, 30)),
                    Field("choice_rule/0/to_lactation", May, Whole(0, 30)),
                    Field("choice_rule/0/groups", May, List),
                    Field("choice_rule/0/groups/0", Must, Line(60)),
                    Field("choice_rule/0/from_date", May, Day("2026-12-31", "2201-01-02")),
                    Field("choice_rule/0/to_date", May, Day("2200-12-31", "2025-12-31")),
                    Field("choice_rule/0/purpose", May, Word(&["dairy", "beef"])),
                    Field("choice_rule/0/otherwise", May, List),
                    Field("choice_rule/0/otherwise/0", Must, Word(&["conventional", "sexed_male"])),
                    Field("technician_may_override", May, Flag),
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
                Field("tare_kg", May, Number([0.1, 5000.0], [0.099, 5000.001])),
            ],
        ),
        (
            "tanks with a chart",
            vec![
                Field("chart", May, List),
                Field("chart/0", Must, Object),
                Field("chart/0/depth_mm", Must, Number([0.0, 429.5], [-0.001, 5000.001])),
                Field("chart/0/litres", Must, Number([0.1, 20.4], [-0.001, 2000.001])),
            ],
        ),
        (
            "sires",
            joined([
                vec![
                    Field("name", Must, Line(200)),
                    Field("breed", May, Line(60)),
                    Field("purpose", May, Word(&["dairy", "beef", "dual"])),
                ],
                name_fields(),
                vec![
                    Field("sire_id", May, Id),
                    Field("dam_id", May, Id),
                    Field("maternal_grandsire_id", May, Id),
                ],
            ]),
        ),
        (
            "sires with parents elsewhere",
            vec![
                Field("sire_identifier", May, Object),
                Field("sire_identifier/scheme", Must, Line(60)),
                Field("sire_identifier/id", Must, Line(60)),
                Field("dam_identifier", May, Object),
                Field("dam_identifier/scheme", Must, Line(60)),
                Field("dam_identifier/id", Must, Line(60)),
                Field("maternal_grandsire_identifier", May, Object),
                Field("maternal_grandsire_identifier/scheme", Must, Line(60)),
                Field("maternal_grandsire_identifier/id", Must, Line(60)),
            ],
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
                vec![
                    Field("status", May, Word(&["usable", "quarantined", "recalled"])),
                    Field("owner_herd_id", May, Id),
                ],
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
                    Field("groups", May, List),
                    Field("groups/0", Must, Line(60)),
                    Field("left_on", May, Day("2200-12-31", "2023-05-01")),
                    Field("donor", May, Flag),
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
            "transfers",
            joined([
                vec![
                    Field("lot_id", Must, Id),
                    Field("from", Must, Object),
                    Field("from/tank_id", Must, Id),
                    Field("from/canister", Must, Whole(1, 6)),
                    Field("from/cane", May, Line(40)),
                    Field("from/goblet", May, Line(40)),
                    Field("to", Must, Object),
                    Field("to/tank_id", Must, Id),
                    Field("to/canister", Must, Whole(1, 6)),
                    Field("to/cane", May, Line(40)),
                    Field("to/goblet", May, Line(40)),
                ],
                vec![
                    Field("straws", Must, Whole(1, 100_000)),
                    Field("exposure_s", May, Whole(0, 3600)),
                    Field("transferred_at", May, Moment),
                    Field("technician", May, Line(100)),
                    Field("note", May, Lines(2000)),
                ],
            ]),
        ),
        (
            "discards",
            joined([
                vec![Field("lot_id", Must, Id)],
                place_fields(Must),
                vec![
                    Field("straws", Must, Whole(1, 100_000)),
                    Field("reason", Must, DISCARD_REASON),
                    Field("discarded_at", May, Moment),
                    Field("technician", May, Line(100)),
                    Field("note", May, Lines(2000)),
                ],
            ]),
        ),
        ("calendars", vec![Field("name", Must, Line(200)), Field("herd_id", May, Id)]),
        (
            "requests",
            vec![
                Field("herd_id", Must, Id),
                Field("animal_ids", May, List),
                Field("animal_ids/0", Must, Id),
                Field("text", May, Lines(2000)),
                Field("caller", May, Line(200)),
                Field("telephone", May, Line(60)),
                Field("asked_at", May, Moment),
            ],
        ),
        ("closing", vec![Field("reason", Must, Lines(500))]),
        (
            "timed-protocols",
            vec![
                Field("herd_id", Must, Id),
                Field("name", Must, Line(200)),
                Field("prescribed_by", Must, Line(200)),
                Field("steps", Must, List),
                Field("steps/0", Must, Object),
                Field("steps/0/day", Must, Whole(0, 120)),
                Field("steps/0/kind", Must, Word(&["insemination"])),
                Field("steps/0/text", Must, Line(200)),
            ],
        ),
        (
            "starts",
            vec![
                Field("animal_ids", Must, List),
                Field("animal_ids/0", Must, Id),
                Field("starts_on", Must, Day("2026-03-10", "2026-02-30")),
            ],
        ),
        ("stopping", vec![Field("reason", Must, Lines(500))]),
        (
            "steps",
            vec![
                Field("step", Must, Whole(1, 20)),
                Field("step_state", Must, Word(&["planned", "done", "not_needed"])),
                Field("reason", May, Lines(500)),
            ],
        ),
        (
            "consignments",
            vec![
                Field("direction", Must, Word(&["in", "out"])),
                Field("party", Must, Object),
                Field("party/name", Must, Line(200)),
                Field("party/approval_number", May, Line(60)),
                Field("party/address", May, Lines(500)),
                Field("documents", May, List),
                Field("documents/0", Must, Line(60)),
                Field("document_on", May, Day("2026-02-27", "2026-02-30")),
                Field("moved_at", May, Moment),
                Field("lines", Must, List),
                Field("lines/0", Must, Object),
                Field("lines/0/lot_id", Must, Id),
                Field("lines/0/place", Must, Object),
                Field("lines/0/place/tank_id", Must, Id),
                Field("lines/0/place/canister", Must, Whole(1, 6)),
                Field("lines/0/place/cane", May, Line(40)),
                Field("lines/0/place/goblet", May, Line(40)),
                Field("lines/0/straws", Must, Whole(1, 100_000)),
                Field("technician", May, Line(100)),
                Field("note", May, Lines(2000)),
            ],
        ),
        (
            "stocktakes of a tank",
            vec![
                Field("tank_id", Must, Id),
                Field("complete", May, Flag),
                // The book has some lines, and not so many.
                Field("as_of_seq", May, Number([0.0, 1.0], [-1.0, 2_000_000_001.0])),
                Field("counts", Must, LongList),
                Field("counts/0", Must, Object),
                Field("counts/0/lot_id", Must, Id),
                Field("counts/0/place", Must, Object),
                Field("counts/0/place/tank_id", Must, Id),
                Field("counts/0/place/canister", Must, Whole(1, 6)),
                Field("counts/0/place/cane", May, Line(40)),
                Field("counts/0/place/goblet", May, Line(40)),
                Field("counts/0/straws", Must, Whole(0, 100_000)),
            ],
        ),
        (
            "stocktakes of a canister",
            vec![
                Field("tank_id", Must, Id),
                Field("canister", May, Whole(1, 6)),
                Field("counted_at", May, Moment),
                Field("technician", May, Line(100)),
                Field("note", May, Lines(2000)),
            ],
        ),
        (
            "reversal",
            vec![
                Field("reason", Must, Word(&["did_not_happen", "wrong_data", "other"])),
                Field("reversed_at", May, Moment),
                Field("technician", May, Line(100)),
                Field("note", May, Lines(2000)),
            ],
        ),
        (
            "holds",
            vec![
                Field("tank_id", Must, Id),
                Field("canister", May, Whole(1, 6)),
                Field("reason", Must, Lines(500)),
                Field("held_at", May, Moment),
                Field("technician", May, Line(100)),
            ],
        ),
        (
            "withdrawals of a lot",
            joined([
                vec![Field("id", May, OwnId), Field("animal_id", Must, Id), Field("lot_id", Must, Id)],
                place_fields(May),
                vec![
                    Field("straws", May, Whole(1, 100_000)),
                    Field("withdrawn_at", May, Moment),
                    Field("technician", May, Line(100)),
                    Field("straw_read", May, Line(200)),
                    Field("already_done", May, Flag),
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
                Field("already_done", May, Flag),
                Field("override", May, Object),
                Field("override/reason", Must, Lines(500)),
            ],
        ),
        (
            "discard",
            vec![
                Field("reason", Must, DISCARD_REASON),
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
                Field("straw_read", May, Line(200)),
                Field("already_done", May, Flag),
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
        ("services by a bull", vec![Field("kind", May, Word(&["ai", "natural", "embryo_transfer"]))]),
        ("services with an embryo", vec![Field("donor_id", May, Id)]),
        (
            "heats",
            event_fields(
                "standing_at",
                vec![Field(
                    "method",
                    May,
                    Word(&[
                        "seen",
                        "sensor",
                        "timed_protocol",
                        "pedometer",
                        "collar",
                        "ear_tag",
                        "bolus",
                        "chemical",
                        "other",
                    ]),
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
                    Field("days_pregnant", May, Whole(1, 300)),
                ],
            ),
        ),
        ("readings by depth", joined([vec![Field("depth_mm", Must, DEPTH)], reading_fields()])),
        (
            "readings in another unit",
            vec![
                Field("depth", May, Object),
                Field("depth/value", Must, Number([0.0, 16.9], [-0.001, 5000.001])),
                Field("depth/unit", Must, Word(&["mm", "cm", "in"])),
            ],
        ),
        (
            "readings in litres",
            vec![
                Field("litres", May, Number([0.0, 20.5], [-0.001, 20.501])),
                Field("frost", May, Word(&["none", "sweat", "frost"])),
            ],
        ),
        ("readings by weight", vec![Field("gross_kg", May, Number([12.4, 28.9], [12.399, 28.95]))]),
        (
            "refills",
            vec![
                Field("filled_at", May, Moment),
                Field("depth_before_mm", May, Number([0.0, 399.5], [-0.001, 5000.001])),
                Field("depth_after_mm", May, Number([200.5, 456.0], [-0.001, 456.001])),
                Field("litres_added", May, Number([0.1, 20.5], [0.099, 20.501])),
                Field("supersedes", May, Id),
                Field("technician", May, Line(100)),
                Field("note", May, Lines(2000)),
            ],
        ),
        (
            "repairs",
            vec![
                Field("repaired_at", May, Moment),
                Field("kind", Must, Word(&["repaired", "replaced", "not_done"])),
                Field("supersedes", May, Id),
                Field("technician", May, Line(100)),
                Field("note", May, Lines(2000)),
            ],
        ),
        (
            "webhooks",
            vec![
                Field("url", Must, Address),
                Field("events", May, List),
                Field("events/0", Must, Word(&["stock.low", "nitrogen.loss_high", "straw.withdrawn"])),
                Field("herd_ids", May, List),
                Field("herd_ids/0", Must, Id),
                Field("tank_ids", May, List),
                Field("tank_ids/0", Must, Id),
                Field("note", May, Lines(2000)),
            ],
        ),
        ("secret rotation", vec![Field("grace_hours", May, Whole(0, 720))]),
        (
            "redelivery",
            vec![
                Field("since", Must, Moment),
                Field("after", May, Whole(0, 2_000_000_000)),
                Field("also_delivered", May, Flag),
            ],
        ),
        ("calvings", event_fields("calved_at", vec![Field("calves", May, Whole(1, 5))])),
        ("abortions", event_fields("aborted_at", vec![Field("opens_cycle", May, Flag)])),
        (
            "settlements with a straw",
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
        (
            "alert rules of a number",
            vec![
                Field("kind", Must, Word(&["stock.low"])),
                Field("sire_id", Must, Id),
                Field("semen_type", Must, SEMEN),
                Field("tank_id", May, Id),
                Field("enabled", May, Flag),
                Field("below_straws", May, Whole(1, 100_000)),
                Field("clear_at", May, Number([5.0, 100_000.0], [4.9, 100_000.1])),
            ],
        ),
        ("alert rules of a lot", vec![Field("kind", Must, Word(&["stock.out"])), Field("lot_id", May, Id)]),
        (
            "alert rules of a probability",
            vec![
                Field("herd_id", May, Id),
                Field("above_probability", May, Number([0.05, 1.0], [-0.001, 1.001])),
                Field("lead_days", May, Whole(1, 365)),
            ],
        ),
        ("alert rules of days", vec![Field("below_days", May, Whole(1, 1000))]),
        ("alert rules of a depth", vec![Field("below_depth_mm", May, Whole(0, 5000))]),
        ("alert rules of a refill", vec![Field("within_days", May, Whole(1, 1000))]),
        ("alert rules of readings", vec![Field("every_days", May, Whole(1, 1000))]),
        ("alert rules of a grace", vec![Field("grace_minutes", May, Whole(0, 10_080))]),
        ("alert rules of a difference", vec![Field("min_difference", May, Whole(1, 100_000))]),
        ("acknowledgement", vec![Field("note", May, Lines(2000))]),
    ]
}
