//! What a technician does with one straw, and how she is told what came of it.

use anyhow::Context as _;
use chrono::TimeDelta;
use chrono_tz::Tz;
use serde_json::{Value, json};

use crate::{
    demo::{
        client::{Answer, Client},
        farm::{Animal, Farm},
        narration::Narrator,
    },
    domain::values::Timestamp,
};

/// Somebody with a key.
#[derive(Clone)]
pub struct Technician {
    /// What people call her.
    pub name: &'static str,
    /// How she reaches the service.
    pub client: Client,
}

/// A water bath.
#[derive(Clone, Copy)]
pub struct Bath {
    /// The temperature that the thermometer shows.
    pub temp_c: f64,
}

/// What the bath holds, in millilitres.
const BATH_ML: i64 = 1000;

/// How cold the tap runs, in degrees Celsius.
const TAP_C: f64 = 12.0;

/// A bath that is right for the usual protocol.
pub const RIGHT_BATH: Bath = Bath { temp_c: 35.6 };

/// From the tank to the bath that was checked before.
pub const TO_BATH: TimeDelta = TimeDelta::seconds(9);

impl Technician {
    /// Asks what the next service of `animal` calls for.
    pub async fn asks_for_next(&self, animal: &Animal, at: Timestamp) -> anyhow::Result<Answer> {
        // A `Z` for the offset keeps a plus sign out of the query.
        let path = format!("/v1/animals/{}/next-service?at={at}", animal.id);
        self.client.get(&path).await?.must_be(200)
    }

    /// Asks, before a straw is lifted, whether the bath is right for one of `lot`.
    pub async fn checks_bath(&self, lot: &str, bath: Bath) -> anyhow::Result<Answer> {
        let path = format!(
            "/v1/thaw-advice?bath_temp_c={}&bath_volume_ml={BATH_ML}&water_temp_c={TAP_C}&lot_id={lot}&technician={}",
            bath.temp_c, self.name
        );
        self.client.get(&path).await?.must_be(200)
    }

    /// The body of a withdrawal for `animal` of what is wished for.
    pub fn withdrawal(&self, animal: &Animal, selection: &Value, at: Timestamp) -> Value {
        let mut body = selection.clone();
        body["animal_id"] = json!(animal.id);
        body["withdrawn_at"] = json!(at);
        body["technician"] = json!(self.name);
        body
    }

    /// Puts a straw into the bath.
    pub async fn thaws(&self, straw: &Answer, bath: Bath, at: Timestamp) -> anyhow::Result<Answer> {
        let body = json!({
            "bath_temp_c": bath.temp_c,
            "bath_volume_ml": BATH_ML,
            "water_temp_c": TAP_C,
            "started_at": at,
        });
        self.client.post(&format!("/v1/withdrawals/{}/thaw", straw.text("/id")?), &body).await
    }

    /// Records the service.
    pub async fn serves(&self, straw: &Answer, at: Timestamp) -> anyhow::Result<Answer> {
        let body = json!({"withdrawal_id": straw.text("/id")?, "served_at": at, "technician": self.name});
        self.client.post("/v1/services", &body).await?.must_be(201)
    }
}

/// A wish for a straw that hangs where `hanging`, an entry of a stock list, says.
pub fn just_that(hanging: &Value) -> Value {
    json!({"lot_id": hanging["lot"]["id"], "place": hanging["place"]})
}

/// The first of the straws that were offered that is of this type.
pub fn first_offered<'a>(next: &'a Answer, semen_type: &str) -> anyhow::Result<&'a Value> {
    let mut offered = next.list("/candidates")?.iter();
    offered
        .find(|hanging| hanging["semen_type"] == semen_type)
        .with_context(|| format!("no {semen_type} straw was offered"))
}

/// A straw and where it hangs, in words.
pub fn hanging(farm: &Farm, stock: &Value) -> String {
    format!("{}, in {}", straw(stock), place(farm, &stock["place"]))
}

fn straw(of: &Value) -> String {
    format!(
        "{} straw of {} (batch {})",
        word(&of["semen_type"])
            .replace("sexed_female", "sexed (female)")
            .replace("sexed_male", "sexed (male)"),
        word(&of["sire"]["name"]),
        word(&of["lot"]["batch"])
    )
}

/// A place in words: "Dairy room tank, canister 3, cane B, upper goblet".
pub fn place(farm: &Farm, place: &Value) -> String {
    let tank = farm.tank_name(word(&place["tank_id"]));
    let cane = word(&place["cane"]);
    let goblet = word(&place["goblet"]);
    format!("{tank}, canister {}, cane {cane}, {goblet} goblet", place["canister"])
}

fn word(value: &Value) -> &str {
    value.as_str().unwrap_or("-")
}

/// Tells what the next service calls for.
pub fn report_next(
    narrate: &mut Narrator,
    farm: &Farm,
    animal: &Animal,
    next: &Answer,
) -> anyhow::Result<()> {
    narrate.does(&format!("Mira looks up {} {}.", next.text("/class")?, animal.number));
    narrate.say(next, next.text("/rule/text")?);
    for objection in next.list("/objections")? {
        narrate.once("stop", word(&objection["text"]));
    }
    if let Some(first) = next.list("/candidates")?.first().filter(|_| next.body["permitted"] == true) {
        let others = next.list("/candidates")?.len() - 1;
        narrate.shows("straw", &format!("{}; or from {others} other places", hanging(farm, first)));
    }
    for blocked in next.list("/blocked")? {
        let sire =
            farm.sires.iter().find(|sire| blocked["sire_id"] == *sire.id).map_or("-", |sire| sire.name);
        let only_a_lot = if blocked["lot_id"].is_null() { "" } else { "a lot of " };
        narrate.shows("not", &format!("{only_a_lot}{sire}: {}", word(&blocked["reason"])));
    }
    if next.body["timing"].is_object() {
        let when = |at: &str| next.time(&format!("/timing/{at}_at")).map(|at| day_and_clock(at, animal.zone));
        let text = format!(
            "stood {}; serve from {} to {}, best {}",
            when("standing")?,
            when("earliest")?,
            when("latest")?,
            when("best")?
        );
        narrate.shows("timing", &text);
    }
    narrate.shows("thaw", &thaw_in_words(&next.body["thaw"]));
    for caution in next.list("/cautions")?.iter().filter_map(Value::as_str) {
        narrate.caution(caution);
    }
    Ok(())
}

fn thaw_in_words(thaw: &Value) -> String {
    format!(
        "bath {}-{} C, aim {}, at least {} s, use within {} min",
        thaw["min_c"],
        thaw["max_c"],
        thaw["aim_c"],
        thaw["min_s"],
        thaw["use_within_s"].as_i64().unwrap_or_default() / 60
    )
}

/// Tells what came of asking for a straw, by a label such as "told".
pub fn report_withdrawal(narrate: &Narrator, label: &str, farm: &Farm, answer: &Answer) {
    if answer.status == 201 {
        let body = &answer.body;
        let text = format!(
            "Take the {}, from {}. Service {}.",
            straw(body),
            place(farm, &body["place"]),
            body["service_number"]
        );
        narrate.say_with(label, answer, &text);
    } else {
        narrate.say_with(label, answer, answer.body["detail"].as_str().unwrap_or_default());
    }
    narrate.warnings(answer);
    report_deviations(narrate, answer);
}

/// Tells what was said of the bath before a straw was lifted.
pub fn report_bath(narrate: &Narrator, answer: &Answer) -> anyhow::Result<()> {
    narrate.say(answer, answer.text("/text")?);
    for step in answer.list("/steps")? {
        narrate.shows("step", word(&step["text"]));
    }
    Ok(())
}

/// Tells what came of putting a straw into the bath.
pub fn report_thaw(narrate: &Narrator, animal: &Animal, answer: &Answer) -> anyhow::Result<()> {
    if answer.status == 200 {
        let text = format!(
            "The bath is right ({}). Ready at {}, use by {}.",
            thaw_in_words(&answer.body["thaw"]),
            seconds(answer.time("/ready_at")?, animal.zone),
            seconds(answer.time("/use_by")?, animal.zone)
        );
        narrate.say(answer, &text);
    } else {
        narrate.say(answer, answer.text("/detail")?);
    }
    narrate.warnings(answer);
    Ok(())
}

/// Tells what came of recording a service.
pub fn report_service(narrate: &Narrator, animal: &Animal, answer: &Answer) -> anyhow::Result<()> {
    let text = format!(
        "Service {} of {} on record at {}. Watch for a return from {} to {}; due on {} if she holds.",
        answer.number("/service_number")?,
        animal.number,
        seconds(answer.time("/served_at")?, animal.zone),
        answer.text("/return_watch/from_on")?,
        answer.text("/return_watch/to_on")?,
        answer.text("/due/due_on")?
    );
    narrate.say(answer, &text);
    narrate.warnings(answer);
    report_deviations(narrate, answer);
    Ok(())
}

fn report_deviations(narrate: &Narrator, answer: &Answer) {
    for deviation in answer.body["deviations"].as_array().into_iter().flatten() {
        let reason = deviation["reason"]
            .as_str()
            .map_or_else(String::new, |reason| format!(" Reason given: {reason}"));
        narrate.shows("deviation", &format!("{}{reason}", word(&deviation["text"])));
    }
}

/// Day of the week, hour and minute, as the herd's clocks show them.
pub fn day_and_clock(at: Timestamp, zone: Tz) -> String {
    at.utc().with_timezone(&zone).format("%a %H:%M").to_string()
}

/// Hour and minute, as the herd's clocks show them.
pub fn clock(at: Timestamp, zone: Tz) -> String {
    at.utc().with_timezone(&zone).format("%H:%M").to_string()
}

fn seconds(at: Timestamp, zone: Tz) -> String {
    at.utc().with_timezone(&zone).format("%H:%M:%S").to_string()
}
