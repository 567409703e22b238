//! Timed protocols: a veterinarian's list of steps that brings animals to an insemination at a set hour.
//!
//! The list is the veterinarian's: which day, which hour, what in plain words. Nothing here names a drug or a dose. From a
//! start on the hours are kept as they were then; whether it still runs follows from what is on record of the animal, as
//! everything about her.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::{
            animal::Animal,
            herd::Herd,
            history::{AnimalEvent, AnimalHistory},
            timing::{self, Timing},
            watch::{WatchItem, WatchKind, WatchState},
        },
        clock_time::ClockTime,
        form::{Fault, Field, InputPath},
        rejection::Rejection,
        straws::semen::SemenType,
        values::{
            AnimalId, Code, Day, HeatHours, HerdId, KeyId, Name, ProtocolDay, ProtocolStartId, Reason,
            StepNumber, TimeZone, TimedProtocolId, Timestamp,
        },
    },
    form, json_column, text_enum,
};

/// Who answers for a protocol. That prostaglandins and other hormones pass through skin, and whom they can harm, stands on their
/// labels (from memory).
const CAUTION: &str = "The veterinarian who is named answers for this list; his or her prescription, the label and local law go \
    before it. No drug or dose is prescribed here. Some hormones pass through skin and can harm people, pregnant women and people \
    with asthma above all: gloves.";

/// The same where it is one of several cautions.
const SHORT_CAUTION: &str = "the veterinarian's prescription and local law go before it.";

/// Steps of a protocol at most.
const MOST_STEPS: usize = 20;

/// How long after its hour an insemination that nobody made is still asked for. As a heat counts: three days.
const ASKED_FOR: TimeDelta = TimeDelta::hours(72);

/// How far a start may lie ahead, in days.
const MOST_DAYS_AHEAD: i64 = 366;

text_enum! {
    /// What is done in a step.
    ProtocolStepKind {
        /// A treatment, an implant that goes in or out, a look: what the veterinarian said.
        Treatment = "treatment",
        /// The insemination: one, and the last step.
        Insemination = "insemination",
    }
}

form! {
    /// A step of a timed protocol.
    #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
    pub struct ProtocolStep {
        /// On which day, counted from 0.
        pub day: ProtocolDay,
        /// At which hour, by the herd's clocks.
        pub time: ClockTime,
        /// What kind of step.
        pub kind: ProtocolStepKind,
        /// What the veterinarian said, in plain words and without a dose.
        #[schema(example = "First treatment, as prescribed")]
        pub text: Name,
    }
}

/// The steps of a protocol, in order of time; the last is its only insemination.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
#[schema(min_items = 1, max_items = 20)]
pub struct ProtocolSteps(pub Vec<ProtocolStep>);
json_column!(ProtocolSteps);

impl Field for ProtocolSteps {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let steps = Vec::<ProtocolStep>::read(value, spot, faults)?;
        let before = faults.len();
        check_steps(&steps, spot, faults);
        (faults.len() == before).then_some(Self(steps))
    }
}

fn check_steps(steps: &[ProtocolStep], spot: &InputPath, faults: &mut Vec<Fault>) {
    if steps.is_empty() || steps.len() > MOST_STEPS {
        faults.push(spot.fault(format!("must have 1 to {MOST_STEPS} steps, the insemination last")));
        return;
    }
    for (n, step) in steps.iter().enumerate() {
        let at = spot.element(n);
        let is_last = n + 1 == steps.len();
        match step.kind {
            ProtocolStepKind::Insemination if !is_last => faults.push(
                at.member("kind")
                    .fault("must be treatment: there is one insemination, and it is the last step"),
            ),
            ProtocolStepKind::Treatment if is_last => {
                faults.push(at.member("kind").fault("must be insemination: a timed protocol ends with one"));
            }
            _ => {}
        }
        let earlier = steps[..n].last();
        if earlier.is_some_and(|earlier| (earlier.day, earlier.time) > (step.day, step.time)) {
            faults
                .push(at.member("day").fault("lies before the step above it; steps stand in order of time"));
        }
        no_dose(step.text.as_str(), &at.member("text"), faults);
    }
}

fn no_dose(text: &str, spot: &InputPath, faults: &mut Vec<Fault>) {
    if let Some(found) = dose_in(text) {
        faults.push(spot.fault(format!(
            "states a quantity (\"{found}\"): doses belong to the veterinarian's own prescription, not here; say what is done \
             and leave the dose out"
        )));
    }
}

/// Words that are units of a quantity wherever they stand alone.
const UNITS: &[&str] = &[
    "ml",
    "mg",
    "µg",
    "μg",
    "ug",
    "mcg",
    "iu",
    "cc",
    "millilitre",
    "millilitres",
    "milliliter",
    "milliliters",
    "milligram",
    "milligrams",
    "microgram",
    "micrograms",
];

/// Words that are units after a number, and may mean something else elsewhere.
const UNITS_AFTER_A_NUMBER: &[&str] = &[
    "g", "kg", "l", "cl", "dl", "ng", "ie", "unit", "units", "dose", "doses", "gram", "grams", "litre",
    "litres", "liter", "liters", "%",
];

/// The first quantity with a unit in a text, as it stands there.
fn dose_in(text: &str) -> Option<String> {
    let text = text.to_lowercase().replace("i.u.", "iu").replace("i.u", "iu");
    let words = words(&text);
    words.iter().enumerate().find_map(|(n, word)| {
        let number = words[..n].last().filter(|before| before.starts_with(|c: char| c.is_numeric()));
        let is_unit = UNITS.contains(word) || (number.is_some() && UNITS_AFTER_A_NUMBER.contains(word));
        is_unit.then(|| number.map_or_else(|| (*word).to_owned(), |number| format!("{number} {word}")))
    })
}

/// Numbers, words and single marks; "2ml" is two of them, "G1" one.
fn words(text: &str) -> Vec<&str> {
    let mut words = Vec::new();
    let mut rest = text.trim_start();
    while let Some(first) = rest.chars().next() {
        let length = if first.is_numeric() {
            rest.find(|c: char| !(c.is_numeric() || matches!(c, '.' | ',' | '/')))
        } else if first.is_alphabetic() {
            rest.find(|c: char| !c.is_alphanumeric())
        } else {
            Some(first.len_utf8())
        };
        let (word, after) = rest.split_at(length.unwrap_or(rest.len()));
        words.push(word);
        rest = after.trim_start();
    }
    words
}

form! {
    /// A timed protocol of a herd, as its veterinarian gave it.
    #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct TimedProtocolDetails, check TimedProtocolDetails::check {
        /// The herd that it is for.
        pub herd_id: HerdId,
        /// What it is called.
        #[schema(example = "Heifers, spring")]
        pub name: Name,
        /// The veterinarian who gave it and answers for it.
        #[schema(example = "Dr. Example")]
        pub prescribed_by: Name,
        /// What is done when, in order of time.
        pub steps: ProtocolSteps,
    }
}

impl TimedProtocolDetails {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        no_dose(self.name.as_str(), &spot.member("name"), faults);
    }
}

/// Says in an answer who answers for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(transparent)]
#[schema(value_type = String)]
pub struct ProtocolCaution(&'static str);

impl Default for ProtocolCaution {
    fn default() -> Self {
        Self(CAUTION)
    }
}

/// A timed protocol.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct TimedProtocol {
    /// Its id.
    pub id: TimedProtocolId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub details: TimedProtocolDetails,
    /// When it was entered.
    pub created_at: Timestamp,
    /// Who answers for it.
    #[sqlx(skip)]
    pub caution: ProtocolCaution,
}

form! {
    /// A timed protocol begins for some animals.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewStarts, check NewStarts::check {
        /// For whom: 1 to 100 animals of the protocol's herd.
        #[schema(min_items = 1, max_items = 100)]
        pub animal_ids: Vec<AnimalId>,
        /// Its day 0, by the herd's calendar.
        pub starts_on: Day,
    }
}

impl NewStarts {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.animal_ids.is_empty() {
            faults.push(spot.member("animal_ids").fault("must name at least one animal"));
        }
        for (n, id) in self.animal_ids.iter().enumerate() {
            if self.animal_ids[..n].contains(id) {
                faults.push(spot.member("animal_ids").element(n).fault("stands in the list twice"));
            }
        }
    }
}

text_enum! {
    /// What became of a step.
    StepState {
        /// It is to be done.
        Planned = "planned",
        /// Somebody said that it was done.
        Done = "done",
        /// Somebody said that it is not needed.
        NotNeeded = "not_needed",
    }
}

/// A step on an animal's calendar.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct CalendarStep {
    /// Its number, from 1.
    #[schema(minimum = 1)]
    pub step: i64,
    /// What kind of step.
    pub kind: ProtocolStepKind,
    /// What the veterinarian said.
    pub text: Name,
    /// The day.
    pub on: Day,
    /// The hour by the herd's clocks.
    pub time: ClockTime,
    /// The instant: where the clocks skip that hour, when they go on; where it comes twice, the first.
    pub at: Timestamp,
    /// What became of it.
    pub state: StepState,
    /// When that was said.
    pub said_at: Option<Timestamp>,
    /// Why, where that was said.
    pub reason: Option<Reason>,
}

/// The steps of an animal, in order of time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct ProtocolCalendar(pub Vec<CalendarStep>);
json_column!(ProtocolCalendar);

impl ProtocolCalendar {
    /// What is done when, when it begins on that day of a herd in that zone.
    pub fn of(steps: &ProtocolSteps, starts_on: Day, zone: TimeZone) -> Self {
        let placed = |(step, number): (&ProtocolStep, i64)| {
            let on = starts_on.plus_days(step.day.get());
            CalendarStep {
                step: number,
                kind: step.kind,
                text: step.text.clone(),
                on,
                time: step.time,
                at: step.time.on(on, zone),
                state: StepState::Planned,
                said_at: None,
                reason: None,
            }
        };
        Self(steps.0.iter().zip(1..).map(placed).collect())
    }
}

text_enum! {
    /// Whether a start still runs.
    StartState {
        /// It runs.
        Running = "running",
        /// She was served.
        Served = "served",
        /// She came into heat, and is served by that.
        InHeat = "in_heat",
        /// Somebody stopped it.
        Stopped = "stopped",
        /// It is over for another reason: found pregnant, calved, aborted, not to be bred, or gone.
        Over = "over",
        /// Nobody served her within three days of its hour.
        Missed = "missed",
    }
}

#[expect(clippy::derivable_impls, reason = "the list of words takes no attribute for its first")]
impl Default for StartState {
    fn default() -> Self {
        Self::Running
    }
}

/// A timed protocol that began for an animal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct ProtocolStart {
    /// Its id.
    pub id: ProtocolStartId,
    /// The protocol, which may have changed or gone since.
    pub protocol_id: TimedProtocolId,
    /// What it was called.
    pub name: Name,
    /// The veterinarian who gave it and answers for it.
    pub prescribed_by: Name,
    /// The herd.
    pub herd_id: HerdId,
    /// What it is called.
    pub herd_name: Name,
    /// Where its days begin.
    #[schema(value_type = String)]
    pub time_zone: TimeZone,
    /// The animal.
    pub animal_id: AnimalId,
    /// Her number in her herd.
    pub animal_number: Code,
    /// Its day 0.
    pub starts_on: Day,
    /// What is done when.
    pub calendar: ProtocolCalendar,
    /// The hour of the insemination.
    pub inseminate_at: Timestamp,
    /// Whether it still runs, by all that is on record of her.
    #[sqlx(skip)]
    pub state: StartState,
    /// Since when it does not.
    #[sqlx(skip)]
    pub over_at: Option<Timestamp>,
    /// Why it does not, in words.
    #[sqlx(skip)]
    #[schema(max_length = 1000)]
    pub over_reason: Option<String>,
    /// When somebody stopped it.
    pub stopped_at: Option<Timestamp>,
    /// Why.
    pub stop_reason: Option<Reason>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// The key that recorded it.
    pub recorded_by: KeyId,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
    /// Who answers for it.
    #[sqlx(skip)]
    pub caution: ProtocolCaution,
    /// When she left.
    #[serde(skip)]
    pub animal_left_on: Option<Day>,
    /// Her herd's hours of one heat.
    #[serde(skip)]
    pub same_heat_hours: HeatHours,
}

/// Why a start does not run any more.
struct End {
    at: Timestamp,
    state: StartState,
    reason: String,
}

impl ProtocolStart {
    /// The hour of its first step.
    fn begins_at(&self) -> Timestamp {
        self.calendar.0.first().map_or(self.inseminate_at, |first| first.at)
    }

    /// The same as it stands at `now`, by what is on record of her.
    #[must_use]
    pub fn at(self, history: &AnimalHistory, now: Timestamp) -> Self {
        let end = self.end(history, now);
        let state = end.as_ref().map_or(StartState::Running, |end| end.state);
        let over_at = end.as_ref().map(|end| end.at);
        Self { state, over_at, over_reason: end.map(|end| end.reason), ..self }
    }

    /// What ended it first, if anything did by `now`.
    fn end(&self, history: &AnimalHistory, now: Timestamp) -> Option<End> {
        let (begins_at, zone) = (self.begins_at(), self.time_zone);
        let since = begins_at..=now;
        let stopped = self.stopped_at.filter(|at| *at <= now).map(|at| End {
            at,
            state: StartState::Stopped,
            reason: self.stop_reason.as_ref().map(ToString::to_string).unwrap_or_default(),
        });
        let served = history.services.iter().map(|service| service.at).find(|at| since.contains(at));
        let served = served.map(|at| End {
            at,
            state: StartState::Served,
            reason: format!("She was served {}.", at.display_in(zone)),
        });
        let happened = history.happenings.iter().filter(|(at, _)| since.contains(at));
        let happened = happened.filter_map(|(at, what)| {
            let state = match what {
                AnimalEvent::Heat { method } if !method.is_timed() => StartState::InHeat,
                AnimalEvent::Calving { .. } | AnimalEvent::Abortion { .. } => StartState::Over,
                _ => return None,
            };
            let reason = format!("On record since then: {} {}.", what.in_words(), at.display_in(zone));
            Some(End { at: *at, state, reason })
        });
        let standing = history.standing(now, self.same_heat_hours);
        let over = |at: Timestamp, reason: String| End { at, state: StartState::Over, reason };
        let pregnant = standing.pregnancy.map(|found| {
            over(found.checked_at, format!("She was found pregnant on {}.", found.checked_at.day_in(zone)))
        });
        let not_to_be_bred = standing
            .do_not_breed_since
            .map(|at| over(at, format!("She is not to be bred since {}.", at.day_in(zone))));
        let left = self.animal_left_on.filter(|left| *left <= now.day_in(zone));
        let left = left.map(|on| over(on.start_in(zone), format!("She left on {on}.")));
        let ends_at = self.inseminate_at.plus(ASKED_FOR);
        let missed = (now > ends_at).then(|| End {
            at: ends_at,
            state: StartState::Missed,
            reason: "Nobody served her within three days of its hour.".to_owned(),
        });
        let all = [stopped, served, pregnant, not_to_be_bred, left, missed].into_iter().flatten();
        all.chain(happened).min_by_key(|end| end.at)
    }

    /// When she was served in it.
    pub fn served_at(&self) -> Option<Timestamp> {
        self.over_at.filter(|_| self.state == StartState::Served)
    }

    /// When to inseminate her at its end with `semen`, as asked at `at`.
    pub fn timing(&self, semen: SemenType, at: Timestamp) -> Timing {
        timing::planned(self.inseminate_at, &self.prescribed_by, semen, at, self.served_at(), self.time_zone)
    }

    /// Who answers for it, in one sentence.
    pub fn caution_in_words(&self) -> String {
        format!("Timed protocol \"{}\", prescribed by {}: {SHORT_CAUTION}", self.name, self.prescribed_by)
    }

    /// Somebody stops it; of two who do the first is kept.
    #[must_use]
    pub fn stopped(self, reason: &Reason, now: Timestamp) -> Self {
        if self.stopped_at.is_some() {
            return self;
        }
        Self { stopped_at: Some(now), stop_reason: Some(reason.clone()), ..self }
    }

    /// Somebody says what became of a step.
    ///
    /// # Errors
    /// There is no such step, it is the insemination, or the start does not run any more.
    pub fn marked(mut self, mark: &NewStepState, now: Timestamp) -> Result<Self, Rejection> {
        let count = self.calendar.0.len();
        let step = self.calendar.0.iter_mut().find(|step| step.step == mark.step.get());
        let Some(step) = step else {
            let detail = format!("names no step: there are {count}");
            return Err(Rejection::Invalid(vec![Fault::at("step", &detail)]));
        };
        if step.kind == ProtocolStepKind::Insemination {
            let detail = "is the insemination: record the service, or stop the protocol";
            return Err(Rejection::Invalid(vec![Fault::at("step", detail)]));
        }
        if (step.state, &step.reason) == (mark.step_state, &mark.reason) {
            return Ok(self);
        }
        if self.state != StartState::Running {
            let why = self.over_reason.unwrap_or_default();
            let text = format!("The protocol does not run any more. {why}");
            return Err(Rejection::ProtocolNotPossible { text });
        }
        step.state = mark.step_state;
        step.reason.clone_from(&mark.reason);
        step.said_at = (mark.step_state != StepState::Planned).then_some(now);
        Ok(self)
    }

    /// Its steps that are still to be done at `now`, as items of the watch list, with what comes up to `until`.
    pub fn items(&self, now: Timestamp, until: Day) -> Vec<WatchItem> {
        if self.state != StartState::Running {
            return Vec::new();
        }
        let today = now.day_in(self.time_zone);
        let to_do = |step: &&CalendarStep| step.state == StepState::Planned && step.on <= until;
        self.calendar.0.iter().filter(to_do).map(|step| self.item(step, today)).collect()
    }

    fn item(&self, step: &CalendarStep, today: Day) -> WatchItem {
        WatchItem {
            kind: WatchKind::ProtocolStep,
            state: match step.on {
                on if today < on => WatchState::Coming,
                on if today > on => WatchState::Overdue,
                _ => WatchState::Due,
            },
            herd_id: self.herd_id,
            herd_name: self.herd_name.clone(),
            animal_id: self.animal_id,
            animal_number: self.animal_number.clone(),
            from_on: step.on,
            on: step.on,
            to_on: Some(step.on),
            service_id: None,
            protocol: Some(WatchedStep {
                start_id: self.id,
                protocol_id: self.protocol_id,
                name: self.name.clone(),
                prescribed_by: self.prescribed_by.clone(),
                step: step.step,
                kind: step.kind,
                at: step.at,
                text: step.text.clone(),
                caution: self.caution,
            }),
            checks: Vec::new(),
            reason: format!("{} {} (timed protocol \"{}\")", step.time, step.text, self.name),
            source: format!("prescribed by {}: {SHORT_CAUTION}", self.prescribed_by),
        }
    }
}

/// A step of a timed protocol on the watch list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct WatchedStep {
    /// The start.
    pub start_id: ProtocolStartId,
    /// The protocol.
    pub protocol_id: TimedProtocolId,
    /// What it was called.
    pub name: Name,
    /// The veterinarian who gave it and answers for it.
    pub prescribed_by: Name,
    /// The number of the step, from 1.
    #[schema(minimum = 1)]
    pub step: i64,
    /// What kind of step.
    pub kind: ProtocolStepKind,
    /// The instant.
    pub at: Timestamp,
    /// What the veterinarian said.
    pub text: Name,
    /// Who answers for it.
    pub caution: ProtocolCaution,
}

form! {
    /// A start is stopped.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewStop {
        /// Why.
        #[schema(example = "Lame; the veterinarian stopped it.")]
        pub reason: Reason,
    }
}

form! {
    /// What became of a step.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewStepState {
        /// Its number, from 1.
        pub step: StepNumber,
        /// What became of it; `planned` takes back what was said before.
        pub step_state: StepState,
        /// Why; with `not_needed` it is worth saying.
        pub reason: Option<Reason>,
    }
}

/// What is to be known before a protocol begins.
#[derive(Debug)]
pub struct Facts<'f> {
    /// The protocol.
    pub protocol: &'f TimedProtocol,
    /// Its herd.
    pub herd: &'f Herd,
    /// Those of the named animals that are known.
    pub animals: &'f [Animal],
    /// What is on record of them.
    pub histories: Vec<(AnimalId, &'f AnimalHistory)>,
    /// Starts of theirs that nobody stopped and whose hour is not long past, as they stand now.
    pub others: &'f [ProtocolStart],
}

/// The starts as they are entered, one for each animal, in the order in which they were named. All of them, or none.
///
/// # Errors
/// An animal is not known, of another herd, gone, pregnant, not to be bred, or in a protocol already; the days are past or
/// far ahead.
pub fn decide(
    new: &NewStarts,
    facts: &Facts<'_>,
    by: KeyId,
    now: Timestamp,
) -> Result<Vec<ProtocolStart>, Rejection> {
    let (protocol, herd) = (facts.protocol, &facts.herd.details);
    let zone = herd.time_zone;
    let today = now.day_in(zone);
    let calendar = ProtocolCalendar::of(&protocol.details.steps, new.starts_on, zone);
    let Some(last) = calendar.0.last() else {
        return Err(Rejection::ProtocolNotPossible { text: "It has no steps.".to_owned() });
    };
    if last.on < today {
        let detail = format!("is too early: its insemination would have been on {}", last.on);
        return Err(Rejection::Invalid(vec![Fault::at("starts_on", &detail)]));
    }
    if new.starts_on > today.plus_days(MOST_DAYS_AHEAD) {
        let detail = format!("must not be more than {MOST_DAYS_AHEAD} days ahead");
        return Err(Rejection::Invalid(vec![Fault::at("starts_on", &detail)]));
    }
    let (mut starts, mut against) = (Vec::with_capacity(new.animal_ids.len()), Vec::new());
    let empty = AnimalHistory::default();
    for (n, id) in new.animal_ids.iter().enumerate() {
        let field = format!("animal_ids/{n}");
        let animal = facts.animals.iter().find(|animal| animal.id == *id).ok_or_else(|| {
            Rejection::Unknown { what: "animal", id: id.0, pointer: Some(format!("#/{field}")) }
        })?;
        if animal.details.herd_id != protocol.details.herd_id {
            return Err(Rejection::Invalid(vec![Fault::at(&field, "is an animal of another herd")]));
        }
        let history = facts.histories.iter().find(|(of, _)| of == id).map_or(&empty, |(_, history)| history);
        let start = ProtocolStart {
            id: ProtocolStartId::new(),
            protocol_id: protocol.id,
            name: protocol.details.name.clone(),
            prescribed_by: protocol.details.prescribed_by.clone(),
            herd_id: facts.herd.id,
            herd_name: herd.name.clone(),
            time_zone: zone,
            animal_id: *id,
            animal_number: animal.details.number.clone(),
            starts_on: new.starts_on,
            inseminate_at: last.at,
            calendar: calendar.clone(),
            state: StartState::Running,
            over_at: None,
            over_reason: None,
            stopped_at: None,
            stop_reason: None,
            recorded_at: now,
            recorded_by: by,
            warnings: Vec::new(),
            caution: ProtocolCaution::default(),
            animal_left_on: animal.details.left_on,
            same_heat_hours: herd.same_heat_hours,
        };
        let number = start.animal_number.clone();
        let other =
            facts.others.iter().find(|other| other.animal_id == *id && other.state == StartState::Running);
        if let Some(other) = other {
            against.push(format!("{number} is in \"{}\" already; stop that one first.", other.name));
        }
        let warning = unchecked(&start, history, now);
        let start = ProtocolStart { warnings: warning.into_iter().collect(), ..start.at(history, now) };
        if start.state == StartState::Running {
            starts.push(start);
        } else {
            against.push(format!("{number}: {}", start.over_reason.unwrap_or_default()));
        }
    }
    if against.is_empty() {
        return Ok(starts);
    }
    Err(Rejection::ProtocolNotPossible { text: format!("Nothing was started. {}", against.join(" ")) })
}

/// Says so of one that was served before it and never found empty: treatments of a protocol can end a pregnancy.
fn unchecked(start: &ProtocolStart, history: &AnimalHistory, now: Timestamp) -> Option<String> {
    let served_at = history.standing(now, start.same_heat_hours).served_at?;
    (served_at < start.begins_at() && history.outcome(served_at, start.same_heat_hours).is_none()).then(|| {
        format!(
            "{} was served {} and never found empty: have her checked first, a treatment can end a pregnancy.",
            start.animal_number,
            served_at.display_in(start.time_zone)
        )
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::domain::{
        animals::{
            candidate::Candidate,
            groups::Groups,
            herd::HerdDetails,
            history::{HeatMethod, PastService},
            kinship::Pedigree,
            round::{self, DueReason},
            service_kind::ServiceKind,
        },
        form::read,
    };

    fn instant(text: &str) -> Timestamp {
        Timestamp::from(chrono::DateTime::parse_from_rfc3339(text).unwrap().to_utc())
    }

    fn details(steps: &Value) -> Result<TimedProtocolDetails, Vec<Fault>> {
        let body = json!({"herd_id": HerdId::new(), "name": "Heifers", "prescribed_by": "Dr. Example", "steps": steps});
        read(&body, &InputPath::body())
    }

    fn step(day: i64, time: &str, kind: &str) -> Value {
        json!({"day": day, "time": time, "kind": kind, "text": "As prescribed"})
    }

    fn start(steps: &[Value], starts_on: &str, zone: &str) -> ProtocolStart {
        let details = details(&json!(steps)).unwrap();
        let time_zone = TimeZone::parse(zone).unwrap();
        let starts_on = Day(starts_on.parse().unwrap());
        let calendar = ProtocolCalendar::of(&details.steps, starts_on, time_zone);
        ProtocolStart {
            id: ProtocolStartId::new(),
            protocol_id: TimedProtocolId::new(),
            name: details.name,
            prescribed_by: details.prescribed_by,
            herd_id: details.herd_id,
            herd_name: Name::parse("Lower Meadow").unwrap(),
            time_zone,
            animal_id: AnimalId::new(),
            animal_number: Code::parse("412").unwrap(),
            starts_on,
            inseminate_at: calendar.0.last().unwrap().at,
            calendar,
            state: StartState::Running,
            over_at: None,
            over_reason: None,
            stopped_at: None,
            stop_reason: None,
            recorded_at: instant("2026-01-01T00:00:00Z"),
            recorded_by: KeyId::new(),
            warnings: Vec::new(),
            caution: ProtocolCaution::default(),
            animal_left_on: None,
            same_heat_hours: HeatHours::DEFAULT,
        }
    }

    #[test]
    fn a_quantity_with_a_unit_is_a_dose_and_hours_and_numbers_are_none() {
        for dose in [
            "2 ml",
            "2ml",
            "Give 2.5 ML slowly",
            "0,5 mg",
            "500 µg",
            "500μg",
            "250 mcg",
            "1500 IU",
            "1500 I.U.",
            "500 IE",
            "5 cc",
            "two ml",
            "mg/kg",
            "10 % solution",
            "20%",
            "2 doses",
            "1/2 dose",
            "3 g",
            "100 units",
            "half a millilitre",
        ] {
            assert!(dose_in(dose).is_some(), "{dose}");
        }
        for plain in [
            "First treatment, as prescribed",
            "GnRH 1",
            "G1 then G2",
            "Take the implant out after 48 h",
            "Check her CL",
            "Day 7, i.e. a week later",
            "Second dose as prescribed",
            "12 hours later",
            "Room 3 left",
            "PG",
            "2 people",
            "Milligan's list",
        ] {
            assert_eq!(dose_in(plain), None, "{plain}");
        }
        let mut with_dose = step(10, "08:00", "insemination");
        with_dose["text"] = json!("Inseminate, 2 ml");
        let faults = details(&json!([with_dose])).unwrap_err();
        assert_eq!(faults[0].pointer, "#/steps/0/text");
        assert!(faults[0].detail.contains("\"2 ml\"") && faults[0].detail.contains("veterinarian's own"));
    }

    #[test]
    fn a_protocol_ends_with_its_only_insemination() {
        let (treat, serve) =
            (|day| step(day, "07:30", "treatment"), |day| step(day, "08:00", "insemination"));
        let faults = |steps: Value| {
            let faults = details(&steps).err().unwrap_or_default();
            faults.into_iter().map(|fault| fault.pointer).collect::<Vec<_>>()
        };
        assert_eq!(faults(json!([treat(0), treat(7), serve(10)])), [""; 0]);
        assert_eq!(faults(json!([serve(0)])), [""; 0]);
        assert_eq!(faults(json!([])), ["#/steps"]);
        assert_eq!(faults(json!([treat(0)])), ["#/steps/0/kind"]);
        assert_eq!(faults(json!([serve(0), serve(1)])), ["#/steps/0/kind"]);
        assert_eq!(faults(json!([serve(0), treat(1)])), ["#/steps/0/kind", "#/steps/1/kind"]);
        assert_eq!(faults(json!([treat(7), treat(0), serve(10)])), ["#/steps/1/day"]);
        assert_eq!(faults(json!(vec![serve(1); 21])), ["#/steps"]);
        assert_eq!(faults(json!([step(-1, "7:30", "insemination")])), ["#/steps/0/day", "#/steps/0/time"]);
    }

    /// The tz database, file `europe`, rule `EU`: Vienna's clocks go on at 1:00 UTC on 29 March 2026 and back at 1:00 UTC on
    /// 25 October 2026. 2028 is a leap year, 2027 is none.
    #[test]
    fn each_step_is_at_its_hour_by_the_herds_clocks() {
        let steps =
            [step(0, "07:30", "treatment"), step(7, "02:30", "treatment"), step(10, "08:00", "insemination")];
        let at = |starts_on| {
            let start = start(&steps, starts_on, "Europe/Vienna");
            start.calendar.0.iter().map(|step| step.at.to_string()).collect::<Vec<_>>()
        };
        assert_eq!(
            at("2026-03-22"),
            ["2026-03-22T06:30:00Z", "2026-03-29T01:00:00Z", "2026-04-01T06:00:00Z"]
        );
        assert_eq!(
            at("2026-10-18"),
            ["2026-10-18T05:30:00Z", "2026-10-25T00:30:00Z", "2026-10-28T07:00:00Z"]
        );
        assert_eq!(
            at("2028-02-19"),
            ["2028-02-19T06:30:00Z", "2028-02-26T01:30:00Z", "2028-02-29T07:00:00Z"]
        );
        assert_eq!(at("2027-02-19")[2], "2027-03-01T07:00:00Z");
    }

    #[test]
    fn what_happens_first_ends_it() {
        let start = start(
            &[step(0, "07:30", "treatment"), step(10, "08:00", "insemination")],
            "2026-03-02",
            "Europe/Vienna",
        );
        let state = |services: &[&str], happenings: &[(&str, Value)], now: &str| {
            let history = AnimalHistory {
                services: services
                    .iter()
                    .map(|at| PastService { at: instant(at), kind: ServiceKind::Ai })
                    .collect(),
                happenings: happenings
                    .iter()
                    .map(|(at, what)| (instant(at), serde_json::from_value(what.clone()).unwrap()))
                    .collect(),
            };
            start.clone().at(&history, instant(now)).state
        };
        let heat = |method: &str| json!({"kind": "heat", "method": method});
        let now = "2026-03-12T08:00:00Z";
        assert_eq!(state(&[], &[], now), StartState::Running);
        assert_eq!(state(&["2026-03-01T08:00:00Z"], &[], now), StartState::Running, "before it began");
        assert_eq!(state(&["2026-03-08T08:00:00Z"], &[], now), StartState::Served);
        assert_eq!(state(&["2026-03-08T08:00:00Z"], &[], "2026-03-08T07:00:00Z"), StartState::Running);
        assert_eq!(state(&[], &[("2026-03-08T08:00:00Z", heat("seen"))], now), StartState::InHeat);
        assert_eq!(state(&[], &[("2026-03-11T08:00:00Z", heat("timed_protocol"))], now), StartState::Running);
        let check = json!({"kind": "pregnancy_check", "method": "ultrasound", "result": "pregnant"});
        assert_eq!(
            state(&["2026-02-01T08:00:00Z"], &[("2026-03-09T08:00:00Z", check)], now),
            StartState::Over
        );
        let no = json!({"kind": "do_not_breed", "do_not_breed": true});
        assert_eq!(state(&[], &[("2026-03-09T08:00:00Z", no)], now), StartState::Over);
        assert_eq!(
            state(&[], &[("2026-03-09T08:00:00Z", json!({"kind": "calving"}))], now),
            StartState::Over
        );
        assert_eq!(state(&[], &[], "2026-03-15T07:00:00Z"), StartState::Running);
        assert_eq!(state(&[], &[], "2026-03-15T07:00:01Z"), StartState::Missed);
    }

    fn candidate(start: &ProtocolStart, history: AnimalHistory) -> Candidate {
        let herd = json!({"name": "Lower Meadow", "time_zone": start.time_zone});
        let numbered = vec![];
        Candidate {
            plan: None,
            id: start.animal_id,
            number: start.animal_number.clone(),
            herd_id: start.herd_id,
            born_on: None,
            left_on: None,
            donor: false,
            groups: Groups::default(),
            herd: read::<HerdDetails>(&herd, &InputPath::body()).unwrap(),
            history,
            numbered,
            pedigree: Pedigree::new(),
        }
    }

    proptest! {
        /// Nobody is forgotten: whatever the list, the zone and what happens, the insemination is on the round of its day, with
        /// its hour, unless she was served, came into heat or was stopped before; and the watch list has it as due.
        #[test]
        fn the_insemination_is_on_the_round_of_its_day(
            days in prop::collection::vec((0_i64..12, 0_i64..1440), 1..5),
            from in 0_i64..800,
            zone in prop::sample::select(vec!["Europe/Vienna", "Pacific/Auckland", "UTC", "America/St_Johns", "Pacific/Honolulu"]),
            happened in prop::collection::vec((0_u8..3, -72_i64..360), 0..3),
            stopped in prop::option::weighted(0.2, 0_i64..360),
            asked in prop::collection::vec(-100_i64..400, 8),
        ) {
            let mut days = days;
            days.sort_unstable();
            let last = days.len() - 1;
            let steps: Vec<_> = days.iter().enumerate().map(|(n, (day, minute))| {
                let time = format!("{:02}:{:02}", minute / 60, minute % 60);
                step(*day, &time, if n == last { "insemination" } else { "treatment" })
            }).collect();
            let on = Day("2026-01-01".parse().unwrap()).plus_days(from).to_string();
            let mut start = start(&steps, &on, zone);
            let begins_at = start.begins_at();
            let hour = |hours: i64| begins_at.plus(TimeDelta::hours(hours));
            if let Some(hours) = stopped {
                start = start.stopped(&Reason::parse("Lame.").unwrap(), hour(hours));
            }
            let mut happened = happened;
            happened.sort_by_key(|(_, hours)| *hours);
            let mut history = AnimalHistory::default();
            for (kind, hours) in &happened {
                match kind {
                    0 => history.services.push(PastService { at: hour(*hours), kind: ServiceKind::Ai }),
                    1 => history.happenings.push((hour(*hours), AnimalEvent::Heat { method: HeatMethod::Seen })),
                    _ => history.happenings.push((hour(*hours), AnimalEvent::Heat { method: HeatMethod::Chemical })),
                }
            }
            // Counted by hand: what ends it, and when.
            let ended = |now: Timestamp| {
                let within = |hours: i64| hours >= 0 && hour(hours) <= now;
                happened.iter().any(|(kind, hours)| *kind < 2 && within(*hours)) || stopped.is_some_and(within)
            };
            let the_day = start.inseminate_at.day_in(start.time_zone);
            let (zone, due_at, animal_id) = (start.time_zone, start.inseminate_at, start.animal_id);
            let candidates = vec![candidate(&start, history.clone())];
            let facts = round::Facts {
                requests: Vec::new(),
                candidates,
                pedigree: Pedigree::new(),
                stock: vec![],
                out: vec![],
                protocols: vec![start.clone()],
            };
            for now in asked.into_iter().map(hour) {
                // Looked at now, or where the day lies apart at its nearest end.
                let (first, end) = (the_day.start_in(zone), the_day.plus_days(1).start_in(zone));
                let looked_at = now.max(first).min(end.plus(TimeDelta::microseconds(-1)));
                let told = round::plan(the_day, &facts, now);
                let listed = told.stops.iter().flat_map(|stop| &stop.animals).find(|due| due.animal_id == animal_id);
                let by_protocol = listed.filter(|due| due.timing.best_at == due_at && due.timing.standing_at == due_at);
                if !ended(looked_at) {
                    prop_assert!(by_protocol.is_some_and(|due| due.reason == DueReason::TimedProtocol), "{told:?}");
                }
                if ended(first) && first <= looked_at {
                    prop_assert!(by_protocol.is_none(), "{told:?}");
                }
                let stands = start.clone().at(&history, now);
                let items = stands.items(now, now.day_in(zone).plus_days(1000));
                let has_it = items.iter().any(|item| item.on == the_day && item.protocol.as_ref().is_some_and(|step| step.kind == ProtocolStepKind::Insemination));
                prop_assert_eq!(has_it, !ended(now) && now <= due_at.plus(ASKED_FOR));
            }
        }
    }
}
