//! Thawing: the water bath, how long a straw stays in it and how soon it must be used.
//!
//! The published bodies disagree, so a protocol is data that names its source: the farm may set
//! its own, a lot may carry its supplier's, and **the supplier's own instruction overrides any
//! default** (Brace, Applied Reproductive Strategies in Beef Cattle, 2011).
//!
//! A bath that is too hot or too cold is mended with a little water. How much follows from the
//! heat balance of two waters with one density and one heat capacity. Against IAPWS-95 the bath
//! then misses its aim by at most 0.095 K (bath 34-45 C, aim 34-37.5 C, water 4-30 C), far below
//! what a farm thermometer shows; but by up to 0.28 K from a bath of 60 C, and by up to 0.69 K when a
//! bath of 10 C is mended with water of 95 C. The vessel's own heat is not in it and is not small (0.3 kg
//! of plastic weighs as much as 136 ml of water). Hence the two steps, and the thermometer after each.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, InputPath},
        straws::semen::{SemenType, StrawVolume},
        values::{Celsius, Millilitres, Note, Seconds, Straws, Timestamp},
    },
    form, json_column, text_enum,
};

/// Below this no bath is accepted and no protocol may go, in degrees Celsius: 92 F, reported too cold while thawing (US
/// trade press).
pub const COLDEST_C: f64 = 33.3;

/// Above this no bath is accepted and no protocol may go, in degrees Celsius: above 38 C is judged harmful in practice
/// (Animals 2022, 12(18):2330).
pub const HOTTEST_C: f64 = 38.0;

form! {
    /// How a straw is thawed.
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
    pub struct ThawProtocol, check has_sensible_range {
        /// The coldest bath a straw may go into, in degrees Celsius, at least 33.3.
        #[schema(example = 35.0)]
        pub min_c: Celsius,
        /// The hottest bath a straw may go into, in degrees Celsius, at most 38.
        #[schema(example = 37.0)]
        pub max_c: Celsius,
        /// The temperature to aim at, in degrees Celsius, from `min_c` to `max_c`.
        #[schema(example = 35.6)]
        pub aim_c: Celsius,
        /// How long the straw stays in the bath at least, in seconds.
        #[schema(example = 45)]
        pub min_s: Seconds,
        /// Within how many seconds of leaving the tank the straw must be used: the time in the bath is in it.
        #[schema(example = 900)]
        pub use_within_s: Seconds,
        /// Whose protocol this is.
        #[schema(required = false)]
        pub source: Note = fixed_note("set by the farm"),
    }
}

json_column!(ThawProtocol);

/// A note of our own wording.
#[expect(clippy::expect_used, reason = "every text is fixed in this file and read by a test")]
fn fixed_note(text: &'static str) -> Note {
    Note::parse(text).expect("a fixed note is clean and short")
}

/// A temperature of the default protocol.
#[expect(clippy::expect_used, reason = "every number is fixed in this file and read by a test")]
fn fixed_celsius(celsius: f64) -> Celsius {
    Celsius::new(celsius).expect("a default temperature is in range")
}

/// A time of the default protocol.
#[expect(clippy::expect_used, reason = "every number is fixed in this file and read by a test")]
fn fixed_seconds(seconds: i64) -> Seconds {
    Seconds::new(seconds).expect("a default time is in range")
}

/// Refuses a protocol whose temperatures contradict each other or no body would stand for.
fn has_sensible_range(protocol: &ThawProtocol, spot: &InputPath, faults: &mut Vec<Fault>) {
    let (min, max, aim) = (protocol.min_c.get(), protocol.max_c.get(), protocol.aim_c.get());
    if min < COLDEST_C {
        faults.push(spot.member("min_c").fault(format!(
            "must be at least {COLDEST_C:.1}: a colder bath is reported too cold to thaw in (92 F, US trade press)"
        )));
    }
    if max > HOTTEST_C {
        faults.push(spot.member("max_c").fault(format!(
            "must be at most {HOTTEST_C:.1}: a hotter bath is judged harmful (Animals 2022, 12(18):2330)"
        )));
    }
    if min > max {
        faults.push(spot.member("min_c").fault("must not be above max_c"));
    } else if !(min..=max).contains(&aim) {
        faults.push(spot.member("aim_c").fault("must lie from min_c to max_c"));
    }
}

/// The default bath: accepted from 35.0 C (35-36 C: common practice, no source) to 37.0 C (37 C: trade guidance for sexed
/// semen), aim 35.6 C (96 F: South Dakota State Univ. Extension).
const DEFAULT_MIN_C: f64 = 35.0;
const DEFAULT_MAX_C: f64 = 37.0;
const DEFAULT_AIM_C: f64 = 35.6;

/// Source of the default for conventional semen in straws of 0.25 ml.
const THIN_SOURCE: &str = "bath 35.0-37.0 C, at least 30 s: common practice, no source; aim 35.6 C (96 F): South Dakota State \
    Univ. Extension; use within 15 min of leaving the tank: Dalton, Univ. Idaho (10-15 min); the supplier's own instruction \
    overrides it (Brace 2011)";

/// Source of the default for conventional semen in straws of 0.5 ml or of a volume that is not known.
const CONVENTIONAL_SOURCE: &str = "bath 35.0-37.0 C: common practice, no source; aim 35.6 C (96 F): South Dakota State Univ. \
    Extension; at least 45 s: Nebel, Virginia Cooperative Extension, 1997; use within 15 min of leaving the tank: Dalton, Univ. \
    Idaho (10-15 min); the supplier's own instruction overrides it (Brace 2011)";

/// Source of the default for sexed semen.
const SEXED_SOURCE: &str = "bath 35.0-37.0 C: common practice, no source; aim 35.6 C (96 F): South Dakota State Univ. Extension; \
    at least 45 s: Nebel, Virginia Cooperative Extension, 1997; use within 5 min of leaving the tank: trade guidance for sexed \
    semen; the supplier's own instruction overrides it (Brace 2011)";

impl ThawProtocol {
    /// What holds where neither the lot nor the herd says otherwise: bath 35.0-37.0 C, aim 35.6 C; at least 30 s for a
    /// conventional straw of 0.25 ml, else 45 s, also where the volume is not known; use within 15 min conventional, 5 min
    /// sexed. The sources stand in it.
    pub fn default_for(semen: SemenType, straw: Option<StrawVolume>) -> Self {
        let (min_s, use_within_s, source) = match (semen.is_sexed(), straw) {
            (true, _) => (45, 300, SEXED_SOURCE),
            (false, Some(StrawVolume::Quarter)) => (30, 900, THIN_SOURCE),
            (false, Some(StrawVolume::Half) | None) => (45, 900, CONVENTIONAL_SOURCE),
        };
        Self {
            min_c: fixed_celsius(DEFAULT_MIN_C),
            max_c: fixed_celsius(DEFAULT_MAX_C),
            aim_c: fixed_celsius(DEFAULT_AIM_C),
            min_s: fixed_seconds(min_s),
            use_within_s: fixed_seconds(use_within_s),
            source: fixed_note(source),
        }
    }

    /// The protocol within the bounds that hold for all: one that was entered before they did may lie outside.
    fn bounded(&self) -> Self {
        let bound = |celsius: Celsius| fixed_celsius(celsius.get().clamp(COLDEST_C, HOTTEST_C));
        Self { min_c: bound(self.min_c), max_c: bound(self.max_c), aim_c: bound(self.aim_c), ..self.clone() }
    }

    /// The range of the bath in words, such as `35.0-36.0 C`.
    fn range(&self) -> String {
        format!("{}-{} C", degrees(self.min_c.get()), degrees(self.max_c.get()))
    }
}

/// What to do about a bath that is not right.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct Advice {
    /// What to do, for a technician who stands before the bath.
    #[schema(max_length = 1000)]
    pub text: String,
    /// How much of the water to add, in millilitres.
    #[schema(minimum = 1, maximum = 100_000)]
    pub add_ml: Option<i64>,
    /// How much of the bath to take out and put in as much of the water instead, in millilitres.
    #[schema(minimum = 1, maximum = 100_000)]
    pub replace_ml: Option<i64>,
    /// The same in steps, with a measurement after each; none where the amount is not known.
    pub steps: Vec<BathStep>,
}

text_enum! {
    /// What is done with water to a bath.
    BathAction {
        /// It is added.
        Add = "add",
        /// So much of the bath is taken out first.
        Replace = "replace",
    }
}

/// One step of mending a bath. Stir and measure after it.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct BathStep {
    /// Whether water is added or replaces some of the bath.
    pub action: BathAction,
    /// How much, in millilitres.
    #[schema(minimum = 1, maximum = 100_000)]
    pub ml: i64,
    /// What the thermometer should then show, in degrees Celsius, if the vessel held no heat.
    pub expect_c: f64,
    /// What to do, in words.
    #[schema(max_length = 1000)]
    pub text: String,
}

/// Whether a straw may go into the bath.
#[derive(Clone, Debug, PartialEq)]
pub enum BathVerdict {
    /// Within the protocol's range, ends included.
    Right,
    /// Above the range.
    TooHot(Advice),
    /// Below the range.
    TooCold(Advice),
}

/// Judges a bath of `bath` degrees by the protocol; with the bath's `volume` and the temperature
/// of the `water` at hand it says how much of that water brings it to the protocol's aim. Below 33.3 C and above 38.0 C no bath is
/// right, whatever the protocol says.
pub fn judge_bath(
    protocol: &ThawProtocol,
    bath: Celsius,
    volume: Option<Millilitres>,
    water: Option<Celsius>,
) -> BathVerdict {
    let protocol = &protocol.bounded();
    if bath > protocol.max_c {
        BathVerdict::TooHot(Wrong { protocol, bath, is_hot: true }.advice(volume, water))
    } else if bath < protocol.min_c {
        BathVerdict::TooCold(Wrong { protocol, bath, is_hot: false }.advice(volume, water))
    } else {
        BathVerdict::Right
    }
}

/// A bath that is not right.
struct Wrong<'p> {
    protocol: &'p ThawProtocol,
    bath: Celsius,
    is_hot: bool,
}

impl Wrong<'_> {
    /// What to do about it.
    fn advice(&self, volume: Option<Millilitres>, water: Option<Celsius>) -> Advice {
        match (volume, water) {
            (_, Some(water)) if !self.helps(water) => self.words(&self.useless(water)),
            (Some(volume), Some(water)) => self.measured(volume, water),
            _ => self.words(&format!(
                "Add a little {} water, stir, and measure again before a straw goes in. How much is answered \
                 when the volume of the bath and the temperature of the water are sent with it.",
                self.remedy()
            )),
        }
    }

    /// Advice with amounts.
    fn measured(&self, volume: Millilitres, water: Celsius) -> Advice {
        let (bath_ml, bath, aim) = (volume.get(), self.bath.get(), self.protocol.aim_c.get());
        let exact_ml = exact(bath_ml);
        let add_ml = water_to_add_ml(exact_ml, bath, aim, water.get()).and_then(whole_ml);
        let replace_ml = water_to_replace_ml(exact_ml, bath, aim, water.get()).and_then(whole_ml);
        let at = format!("water at {} C", degrees(water.get()));
        let amount = match (add_ml, replace_ml) {
            (Some(add), Some(replace)) if add <= bath_ml => {
                format!("Add {add} ml of {at} (or take out {replace} ml and put in as much)")
            }
            (_, Some(replace)) => format!("Take out {replace} ml and put in as much {at}"),
            _ => format!("Add {at}"),
        };
        let text = format!(
            "{amount}, in two steps because the vessel holds heat too; stir and measure after each, before a straw goes in."
        );
        let steps = self.steps(exact_ml, add_ml.filter(|add| *add <= bath_ml), replace_ml, water.get());
        Advice { add_ml, replace_ml, steps, ..self.words(&text) }
    }

    /// The amounts in two steps, because the vessel gives off or takes up heat that no reckoning knows: half, and after a
    /// measurement as much of the other half as it takes.
    fn steps(&self, bath_ml: f64, add_ml: Option<i64>, replace_ml: Option<i64>, water: f64) -> Vec<BathStep> {
        let (bath, aim) = (self.bath.get(), self.protocol.aim_c.get());
        let (action, all) = match (add_ml, replace_ml) {
            (Some(add), _) => (BathAction::Add, add),
            (None, Some(replace)) => (BathAction::Replace, replace),
            (None, None) => return Vec::new(),
        };
        let first = (all / 2).max(1);
        let between = mixed_c(action, bath_ml, bath, exact(first), water);
        let second = match action {
            BathAction::Add => Some(all - first),
            BathAction::Replace => water_to_replace_ml(bath_ml, between, aim, water).and_then(whole_ml),
        };
        let last_bath_ml = if action == BathAction::Add { bath_ml + exact(first) } else { bath_ml };
        let step = |ml: i64, expect_c: f64, is_last: bool| BathStep {
            action,
            ml,
            expect_c: (expect_c * 10.0).round() / 10.0,
            text: step_text(action, ml, water, if is_last { None } else { Some(expect_c) }, aim),
        };
        let last = second
            .filter(|ml| all > 1 && *ml > 0)
            .map(|ml| step(ml, mixed_c(action, last_bath_ml, between, exact(ml), water), true));
        [Some(step(first, between, last.is_none())), last].into_iter().flatten().collect()
    }

    /// Whether the water lies on the far side of the aim.
    fn helps(&self, water: Celsius) -> bool {
        if self.is_hot { water < self.protocol.aim_c } else { water > self.protocol.aim_c }
    }

    /// What to say of water that cannot help.
    fn useless(&self, water: Celsius) -> String {
        let (needed, than) = if self.is_hot { ("cooling", "colder") } else { ("warming", "warmer") };
        format!(
            "Water at {} C cannot help: {needed} it takes water {than} than {} C. Find some, or make a fresh bath; \
             no straw goes in before it is right.",
            degrees(water.get()),
            degrees(self.protocol.aim_c.get())
        )
    }

    fn remedy(&self) -> &'static str {
        if self.is_hot { "cold" } else { "warm" }
    }

    /// The advice `what_to_do`, led by what is wrong.
    fn words(&self, what_to_do: &str) -> Advice {
        let bound = if self.is_hot { self.protocol.max_c } else { self.protocol.min_c };
        let text = format!(
            "The bath is {} C and must be {}. {what_to_do}",
            degrees_beyond(self.bath.get(), bound.get()),
            self.protocol.range()
        );
        Advice { text, add_ml: None, replace_ml: None, steps: Vec::new() }
    }
}

/// What to do in one step; `expect_c` after any but the last.
fn step_text(action: BathAction, ml: i64, water_c: f64, expect_c: Option<f64>, aim_c: f64) -> String {
    let water = format!("water at {} C", degrees(water_c));
    let act = match action {
        BathAction::Add => format!("Add {ml} ml of {water}"),
        BathAction::Replace => format!("Take out {ml} ml and put in as much {water}"),
    };
    match expect_c {
        Some(expect_c) => {
            format!("{act}; stir, wait for the thermometer and measure: about {expect_c:.1} C.")
        }
        None => format!(
            "{act}, a little at a time; stir, wait for the thermometer and measure. Stop at {} C: the vessel's heat may \
             make it less or more. Ask again with what was measured when in doubt.",
            degrees(aim_c)
        ),
    }
}

/// The temperature of a bath after a step, by the heat balance, in degrees Celsius.
fn mixed_c(action: BathAction, bath_ml: f64, bath_c: f64, ml: f64, water_c: f64) -> f64 {
    match action {
        BathAction::Add => (bath_ml * bath_c + ml * water_c) / (bath_ml + ml),
        BathAction::Replace => ((bath_ml - ml) * bath_c + ml * water_c) / bath_ml,
    }
}

/// Millilitres for a reckoning.
#[expect(clippy::cast_precision_loss, reason = "at most 100000")]
fn exact(ml: i64) -> f64 {
    ml as f64
}

/// A temperature as a thermometer shows it: one decimal, or two where it was sent with more.
fn degrees(celsius: f64) -> String {
    format!("{:?}", (celsius * 100.0).round() / 100.0)
}

/// A temperature beyond `bound`, with as many decimals as it takes to tell them apart.
fn degrees_beyond(celsius: f64, bound: f64) -> String {
    let told = degrees(celsius);
    if told == degrees(bound) { format!("{celsius:?}") } else { told }
}

/// Whole millilitres, half rounded up, at least 1; `None` beyond 100 litres, the most a bath
/// is ever said to hold.
fn whole_ml(ml: f64) -> Option<i64> {
    #[expect(clippy::cast_possible_truncation, reason = "a cast saturates, and the range is checked next")]
    let whole = (ml + 0.5).floor().max(1.0) as i64;
    Millilitres::new(whole).map(Millilitres::get)
}

/// How many millilitres of water at `water_c` to add to a bath of `volume_ml` at `bath_c` for it to
/// reach `aim_c`: V (T0 - Ta) / (Ta - Tw). `None` where that water cannot bring it there.
pub fn water_to_add_ml(volume_ml: f64, bath_c: f64, aim_c: f64, water_c: f64) -> Option<f64> {
    can_mix(bath_c, aim_c, water_c).then(|| volume_ml * (bath_c - aim_c) / (aim_c - water_c))
}

/// How many millilitres of the bath to take out and put in as water at `water_c` instead:
/// V (T0 - Ta) / (T0 - Tw). `None` where that water cannot bring the bath to `aim_c`.
pub fn water_to_replace_ml(volume_ml: f64, bath_c: f64, aim_c: f64, water_c: f64) -> Option<f64> {
    can_mix(bath_c, aim_c, water_c).then(|| volume_ml * (bath_c - aim_c) / (bath_c - water_c))
}

/// Whether the aim lies between the bath, which may be there already, and the water.
fn can_mix(bath_c: f64, aim_c: f64, water_c: f64) -> bool {
    (bath_c >= aim_c && aim_c > water_c) || (bath_c <= aim_c && aim_c < water_c)
}

/// Never more straws than this together (Dalton, Univ. Idaho; US trade press).
pub const MOST_STRAWS_AT_ONCE: i64 = 10;

/// Heat that a litre of bath gives off in cooling by 1 K, in joules (water near 36 C, IAPWS-95).
const BATH_J_PER_L_K: i64 = 4154;

/// The heat that a straw takes from -196 C to 35.5 C, put high, in joules: 245 J for 0.25 ml, 449 J for 0.5 ml and where the
/// volume is not known (handbook physics; the semen's composition, the straw's wall and the nitrogen it carries along are
/// from memory).
const fn joules_of(straw: Option<StrawVolume>) -> i64 {
    match straw {
        Some(StrawVolume::Quarter) => 245,
        Some(StrawVolume::Half) | None => 449,
    }
}

/// Straws that are in the bath, or were and are not yet used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct InBath {
    /// How many.
    pub straws: Straws,
    /// What is in them.
    pub semen_type: SemenType,
    /// Their volume, where it is known.
    pub straw_volume: Option<StrawVolume>,
}

/// How many straws those are.
pub fn straws_in(bath: &[InBath]) -> i64 {
    bath.iter().map(|other| other.straws.get()).sum()
}

/// How many straws of this kind may go in beside those that are in the bath: sexed ones one at a time (one straw at a time:
/// Statham, veterinary DIY-AI guidance), never over 10 together (Dalton), and no more than cool a bath of that volume by 1 K,
/// half the width of the default range.
///
/// floor(V x 4154 J/(L K) x 1 K / q) for an empty bath. An upper bound for a bath that starts in the middle of its range
/// without a heater: it says nothing about straws that touch, nor about how many can be used in time (no more than are used in
/// 10-15 min: Dalton).
pub fn room_for(
    semen: SemenType,
    straw: Option<StrawVolume>,
    volume: Option<Millilitres>,
    bath: &[InBath],
) -> i64 {
    if semen.is_sexed() || bath.iter().any(|other| other.semen_type.is_sexed()) {
        return i64::from(bath.is_empty());
    }
    let by_number = MOST_STRAWS_AT_ONCE - straws_in(bath);
    let by_heat = volume.map_or(by_number, |volume| {
        let taken: i64 = bath.iter().map(|other| other.straws.get() * joules_of(other.straw_volume)).sum();
        (volume.get() * BATH_J_PER_L_K / 1000 - taken) / joules_of(straw)
    });
    by_number.min(by_heat).max(0)
}

/// The clock of one straw from the bath to its use.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Thawing {
    /// When it went into the bath.
    pub started_at: Timestamp,
    /// When it may come out.
    pub ready_at: Timestamp,
    /// When it must have been used.
    pub use_by: Timestamp,
}

/// The clock of a straw that left the tank at `withdrawn_at` and went into the bath at `started_at`.
///
/// The time for its use runs from when it left the tank: the source for sexed semen counts so, the others count from the
/// first straw out or from the start of the thaw, and the earliest of these is safe. A longer stay in the bath does not
/// lengthen it.
pub fn thawing(protocol: &ThawProtocol, withdrawn_at: Timestamp, started_at: Timestamp) -> Thawing {
    let ready_at = started_at.plus(TimeDelta::seconds(protocol.min_s.get()));
    let use_by = withdrawn_at.min(started_at).plus(TimeDelta::seconds(protocol.use_within_s.get()));
    Thawing { started_at, ready_at, use_by }
}

#[cfg(test)]
mod tests {
    use chrono::{TimeZone as _, Utc};
    use proptest::prelude::*;
    use serde_json::{Value, json};

    use super::*;
    use crate::domain::form::read;

    fn celsius(c: f64) -> Celsius {
        Celsius::new(c).unwrap()
    }

    fn ml(ml: i64) -> Millilitres {
        Millilitres::new(ml).unwrap()
    }

    fn conventional() -> ThawProtocol {
        ThawProtocol::default_for(SemenType::Conventional, Some(StrawVolume::Quarter))
    }

    fn judged(bath: f64, volume: Option<i64>, water: Option<f64>) -> BathVerdict {
        judge_bath(&conventional(), celsius(bath), volume.map(ml), water.map(celsius))
    }

    fn advice(verdict: BathVerdict) -> Advice {
        match verdict {
            BathVerdict::TooHot(advice) | BathVerdict::TooCold(advice) => advice,
            BathVerdict::Right => panic!("the bath is right"),
        }
    }

    #[test]
    fn the_default_bath_is_35_to_37_and_sexed_straws_are_used_sooner() {
        // Bath: common practice, no source; aim 96 F = 35.6 C: South Dakota State Univ. Extension. At least 30 s for a thin
        // straw: common practice, no source; else 45 s: Nebel, Virginia Cooperative Extension, 1997. Use within 15 min:
        // Dalton, Univ. Idaho (10-15 min); 5 min sexed: trade guidance.
        let (quarter, half) = (Some(StrawVolume::Quarter), Some(StrawVolume::Half));
        for (semen, straw, min_s, use_within_s) in [
            (SemenType::Conventional, quarter, 30, 900),
            (SemenType::Conventional, half, 45, 900),
            (SemenType::Conventional, None, 45, 900),
            (SemenType::SexedFemale, quarter, 45, 300),
            (SemenType::SexedMale, half, 45, 300),
            (SemenType::SexedFemale, None, 45, 300),
        ] {
            let protocol = ThawProtocol::default_for(semen, straw);
            let json = serde_json::to_value(&protocol).unwrap();
            assert_eq!(json["min_c"], 35.0);
            assert_eq!(json["max_c"], 37.0);
            assert_eq!(json["aim_c"], 35.6);
            assert_eq!(json["min_s"], min_s);
            assert_eq!(json["use_within_s"], use_within_s);
            assert!(json["source"].as_str().unwrap().contains("common practice, no source"));
            assert_eq!(read::<ThawProtocol>(&json, &InputPath::body()), Ok(protocol));
        }
    }

    #[test]
    fn a_farm_sets_its_own_protocol_within_sense() {
        let sent = |min: f64, max: f64, aim: f64| -> Value {
            json!({"min_c": min, "max_c": max, "aim_c": aim, "min_s": 45, "use_within_s": 600})
        };
        // 92 F = 33.3 C is the floor (US trade press), so of Nebel's 32-35 C (Virginia Cooperative Extension, 1997) only
        // what lies above it.
        let nebel = read::<ThawProtocol>(&sent(33.3, 35.0, 35.0), &InputPath::body()).unwrap();
        assert_eq!(nebel.source.as_str(), "set by the farm");
        // Above 38 C judged harmful: Animals 2022, 12(18):2330.
        assert!(read::<ThawProtocol>(&sent(37.0, 38.0, 37.0), &InputPath::body()).is_ok());
        // 37 C: as suppliers print it.
        assert!(read::<ThawProtocol>(&sent(37.0, 37.0, 37.0), &InputPath::body()).is_ok());
        for (wrong, at) in [
            (sent(36.0, 35.0, 35.5), "#/min_c"),
            (sent(35.0, 36.0, 36.5), "#/aim_c"),
            (sent(35.0, 38.01, 36.0), "#/max_c"),
            (sent(33.29, 36.0, 36.0), "#/min_c"),
        ] {
            let faults = read::<ThawProtocol>(&wrong, &InputPath::body()).unwrap_err();
            assert_eq!((faults.len(), faults[0].pointer.as_str()), (1, at));
        }
    }

    #[test]
    fn the_description_asks_for_everything_but_the_source() {
        let schema = serde_json::to_value(<ThawProtocol as utoipa::PartialSchema>::schema()).unwrap();
        assert_eq!(schema["required"], json!(["min_c", "max_c", "aim_c", "min_s", "use_within_s"]));
    }

    #[test]
    fn a_bath_within_the_range_is_right_ends_included() {
        for bath in [35.0, 35.6, 36.0, 37.0] {
            assert_eq!(judged(bath, None, None), BathVerdict::Right, "{bath}");
        }
    }

    #[test]
    fn no_protocol_makes_a_bath_right_that_is_judged_harmful() {
        // 33.3 C: US trade press; 38 C: Animals 2022, 12(18):2330. Entered before these bounds held.
        let old = ThawProtocol {
            min_c: celsius(30.0),
            max_c: celsius(40.0),
            aim_c: celsius(32.0),
            ..conventional()
        };
        for (bath, is_right) in [(33.29, false), (33.3, true), (38.0, true), (38.01, false)] {
            let verdict = judge_bath(&old, celsius(bath), Some(ml(1000)), Some(celsius(15.0)));
            assert_eq!(verdict == BathVerdict::Right, is_right, "{bath}");
        }
        let BathVerdict::TooHot(advice) =
            judge_bath(&old, celsius(39.0), Some(ml(1000)), Some(celsius(15.0)))
        else {
            panic!("39 C is too hot")
        };
        assert!(advice.text.contains("must be 33.3-38.0 C"), "{}", advice.text);
    }

    #[test]
    fn a_hot_bath_gets_so_much_cold_water() {
        // Heat balance: 1000 ml x 2.8 / 20.6 = 135.9; 1000 ml x 2.8 / 23.4 = 119.7. After 68 ml of it:
        // (1000 x 38.4 + 68 x 15) / 1068 = 36.91 C; after 136 ml: (1000 x 38.4 + 136 x 15) / 1136 = 35.60 C.
        let verdict = judged(38.4, Some(1000), Some(15.0));
        assert!(matches!(verdict, BathVerdict::TooHot(_)));
        let advice = advice(verdict);
        assert_eq!(
            advice.text,
            "The bath is 38.4 C and must be 35.0-37.0 C. Add 136 ml of water at 15.0 C (or take out 120 ml and put in \
             as much), in two steps because the vessel holds heat too; stir and measure after each, before a straw goes in."
        );
        assert_eq!((advice.add_ml, advice.replace_ml), (Some(136), Some(120)));
        let steps: Vec<_> = advice.steps.iter().map(|step| (step.action, step.ml, step.expect_c)).collect();
        assert_eq!(steps, [(BathAction::Add, 68, 36.9), (BathAction::Add, 68, 35.6)]);
        assert_eq!(
            advice.steps[0].text,
            "Add 68 ml of water at 15.0 C; stir, wait for the thermometer and measure: about 36.9 C."
        );
        assert!(advice.steps[1].text.contains("Stop at 35.6 C"), "{}", advice.steps[1].text);
    }

    #[test]
    fn the_worked_example_agrees_with_the_simple_formula_and_with_iapws() {
        // methods: 1 L 38.4 -> 35.5 C with 15 C water: 0.1415 L; IAPWS-95: 0.1405 L.
        let add = water_to_add_ml(1000.0, 38.4, 35.5, 15.0).unwrap();
        assert!((add - 141.5).abs() < 0.05, "{add}");
        assert!((add / 140.5 - 1.0).abs() < 0.01, "{add}");
    }

    #[test]
    fn a_cold_bath_gets_so_much_warm_water() {
        // Heat balance: 1000 ml x 2.6 / 24.4 = 106.6; 1000 ml x 2.6 / 27 = 96.3.
        let verdict = judged(33.0, Some(1000), Some(60.0));
        assert!(matches!(verdict, BathVerdict::TooCold(_)));
        let advice = advice(verdict);
        assert_eq!((advice.add_ml, advice.replace_ml), (Some(107), Some(96)));
    }

    #[test]
    fn water_that_cannot_help_is_called_so() {
        for (bath, water, than) in [(38.4, 35.6, "colder than 35.6 C"), (33.0, 35.5, "warmer than 35.6 C")] {
            for volume in [None, Some(1000)] {
                let advice = advice(judged(bath, volume, Some(water)));
                assert!(advice.text.contains("cannot help") && advice.text.contains(than), "{}", advice.text);
                assert_eq!((advice.add_ml, advice.replace_ml), (None, None));
                assert_eq!(advice.steps, []);
            }
        }
    }

    #[test]
    fn without_volume_or_water_the_advice_has_no_amount() {
        for (bath, volume, water, remedy) in
            [(37.1, None, None, "cold"), (37.1, Some(500), None, "cold"), (34.9, None, Some(50.0), "warm")]
        {
            let advice = advice(judged(bath, volume, water));
            assert!(advice.text.contains(&format!("a little {remedy} water")), "{}", advice.text);
            assert_eq!((advice.add_ml, advice.replace_ml), (None, None));
        }
    }

    #[test]
    fn more_water_than_the_vessel_holds_is_put_in_place_of_some_of_the_bath() {
        let advice = advice(judged(60.0, Some(1000), Some(30.0)));
        // Heat balance: 1000 ml x 24.4 / 5.6 = 4357; 1000 ml x 24.4 / 30 = 813.3. After 406 ml of it the bath has
        // 60 - 0.406 x 30 = 47.82 C, and lacks 1000 x 12.22 / 17.82 = 685.7 ml.
        assert_eq!((advice.add_ml, advice.replace_ml), (Some(4357), Some(813)));
        assert!(
            advice.text.contains("Take out 813 ml and put in as much water at 30.0 C"),
            "{}",
            advice.text
        );
        let steps: Vec<_> = advice.steps.iter().map(|step| (step.action, step.ml, step.expect_c)).collect();
        assert_eq!(steps, [(BathAction::Replace, 406, 47.8), (BathAction::Replace, 686, 35.6)]);
        let hardly_colder =
            judge_bath(&conventional(), celsius(60.0), Some(ml(1000)), Some(celsius(35.5999)));
        let BathVerdict::TooHot(hardly_colder) = hardly_colder else { panic!("60 C is too hot") };
        assert_eq!((hardly_colder.add_ml, hardly_colder.replace_ml), (None, Some(1000)));
    }

    #[test]
    fn the_text_never_says_that_a_right_temperature_is_wrong() {
        assert!(advice(judged(37.04, None, None)).text.starts_with("The bath is 37.04 C"));
        assert!(advice(judged(37.001, None, None)).text.starts_with("The bath is 37.001 C"));
        assert!(
            advice(judged(101.1_f64.mul_add(5.0 / 9.0, -160.0 / 9.0), None, None))
                .text
                .contains("is 38.39 C")
        );
    }

    #[test]
    fn a_litre_takes_so_many_straws_at_once() {
        // 16 (0.25 ml) and 9 (0.5 ml) a litre for 1 K by the heat balance; never over 10: Dalton, Univ. Idaho.
        let (quarter, half) = (Some(StrawVolume::Quarter), Some(StrawVolume::Half));
        for (volume, straw, room) in [
            (Some(1000), quarter, 10),
            (Some(1000), half, 9),
            (Some(1000), None, 9),
            (Some(500), quarter, 8),
            (Some(500), half, 4),
            (Some(50), quarter, 0),
            (Some(100_000), half, 10),
            (None, quarter, 10),
        ] {
            assert_eq!(
                room_for(SemenType::Conventional, straw, volume.map(ml), &[]),
                room,
                "{volume:?} {straw:?}"
            );
            // One straw at a time: Statham, veterinary DIY-AI guidance.
            assert_eq!(room_for(SemenType::SexedFemale, straw, volume.map(ml), &[]), 1);
        }
        // Enthalpy from -196 C to 35.5 C with 80 % water, wall and clinging nitrogen (trapezoid sum of handbook properties): 181.2 J
        // and 356.2 J; what is taken lies above.
        assert!(joules_of(quarter) > 181 && joules_of(half) > 356 && joules_of(None) == joules_of(half));
        let three = InBath {
            straws: Straws::new(3).unwrap(),
            semen_type: SemenType::Conventional,
            straw_volume: half,
        };
        // (500 x 4.154 - 3 x 449) / 245 = 2.98; 10 - 3 = 7.
        assert_eq!(room_for(SemenType::Conventional, quarter, Some(ml(500)), &[three]), 2);
        assert_eq!(room_for(SemenType::Conventional, quarter, None, &[three]), 7);
        assert_eq!(room_for(SemenType::SexedMale, quarter, None, &[three]), 0);
        let sexed = InBath { straws: Straws::ONE, semen_type: SemenType::SexedMale, straw_volume: quarter };
        assert_eq!(room_for(SemenType::Conventional, quarter, None, &[sexed]), 0);
    }

    #[test]
    fn the_time_for_use_runs_from_when_the_straw_left_the_tank() {
        // 30 s in the bath: common practice, no source; 15 min: Dalton, Univ. Idaho (10-15 min).
        let started: Timestamp = Utc.with_ymd_and_hms(2026, 3, 2, 17, 0, 0).unwrap().into();
        let clock = thawing(&conventional(), started.plus(TimeDelta::seconds(-12)), started);
        assert_eq!(clock.ready_at.since(started), TimeDelta::seconds(30));
        assert_eq!(clock.use_by.since(started), TimeDelta::seconds(888));
        // A clock that says it left later than it went in gives it no more time.
        let clock = thawing(&conventional(), started.plus(TimeDelta::seconds(60)), started);
        assert_eq!(clock.use_by.since(started), TimeDelta::seconds(900));
    }

    proptest! {
        #[test]
        fn the_mixed_bath_hits_the_aim(
            bath in 0.0..100.0_f64,
            water in 0.0..100.0_f64,
            aim in 30.0..40.0_f64,
            volume in 1.0..1e5_f64,
        ) {
            let hits = |got: f64| (got - aim).abs() < 1e-7;
            if let Some(add) = water_to_add_ml(volume, bath, aim, water) {
                prop_assert!(add >= 0.0);
                prop_assert!(hits((volume * bath + add * water) / (volume + add)));
            }
            if let Some(replace) = water_to_replace_ml(volume, bath, aim, water) {
                prop_assert!((0.0..=volume).contains(&replace));
                prop_assert!(hits(((volume - replace) * bath + replace * water) / volume));
            }
        }

        #[test]
        fn the_steps_lead_from_the_bath_to_the_aim_and_none_goes_beyond(
            bath in 0.0..100.0_f64, water in 0.0..100.0_f64, volume in 200_i64..20_000,
        ) {
            let (BathVerdict::TooHot(advice) | BathVerdict::TooCold(advice)) = judged(bath, Some(volume), Some(water))
            else { return Ok(()) };
            prop_assert_eq!(advice.steps.is_empty(), advice.replace_ml.is_none());
            prop_assert!(advice.steps.len() <= 2);
            let (mut c, mut v) = (bath, exact(volume));
            for (n, step) in advice.steps.iter().enumerate() {
                let ml = exact(step.ml);
                // At least 1 ml is advised, so each step is at most 1 ml beyond, and tenths are told.
                let hair = (bath - water).abs() / exact(volume) + 0.05;
                (c, v) = match step.action {
                    BathAction::Add => ((v * c + ml * water) / (v + ml), v + ml),
                    BathAction::Replace => (((v - ml) * c + ml * water) / v, v),
                };
                prop_assert!((c - step.expect_c).abs() <= 0.051, "{} is told for {}", step.expect_c, c);
                let (low, high) = (bath.min(35.6) - hair, bath.max(35.6) + hair);
                prop_assert!((low..=high).contains(&c), "step {} leads to {}", n, c);
                if n + 1 == advice.steps.len() {
                    prop_assert!((c - 35.6).abs() <= 2.0 * hair, "the last step leads to {}", c);
                }
            }
        }

        #[test]
        fn there_is_never_room_beyond_ten_nor_for_a_second_sexed_straw(
            kinds in proptest::collection::vec((0_usize..3, 0_usize..3, 1_i64..4), 0..5),
            kind in 0_usize..3, straw in 0_usize..3, volume in proptest::option::of(1_i64..20_000),
        ) {
            let volumes = [None, Some(StrawVolume::Quarter), Some(StrawVolume::Half)];
            let bath: Vec<InBath> = kinds
                .into_iter()
                .map(|(semen, straw, straws)| InBath {
                    straws: Straws::new(straws).unwrap(),
                    semen_type: SemenType::ALL[semen],
                    straw_volume: volumes[straw],
                })
                .collect();
            let room = room_for(SemenType::ALL[kind], volumes[straw], volume.map(ml), &bath);
            prop_assert!(room >= 0);
            prop_assert!(room == 0 || room + straws_in(&bath) <= MOST_STRAWS_AT_ONCE);
            if SemenType::ALL[kind].is_sexed() || bath.iter().any(|other| other.semen_type.is_sexed()) {
                prop_assert!(room + straws_in(&bath) <= straws_in(&bath).max(1));
            } else if let Some(volume) = volume {
                // 4154 J/(L K), 245 J and 449 J a straw at most: the bath cools by at most 1 K.
                let heat = |straw| if straw == Some(StrawVolume::Quarter) { 245 } else { 449 };
                let taken: i64 = bath.iter().map(|other| other.straws.get() * heat(other.straw_volume)).sum();
                prop_assert!(room == 0 || (taken + room * heat(volumes[straw])) * 1000 <= volume * 4154);
            }
        }

        #[test]
        fn whole_millilitres_are_within_half_a_millilitre_of_the_heat_balance(
            bath in 37.01..60.0, water in 4.0..30.0, volume in 100_i64..5000,
        ) {
            let advice = advice(judged(bath, Some(volume), Some(water)));
            #[expect(clippy::cast_precision_loss, reason = "small")]
            let (v, add, replace) =
                (volume as f64, advice.add_ml.unwrap() as f64, advice.replace_ml.unwrap() as f64);
            let mixed = (v * bath + add * water) / (v + add);
            // At least 1 ml is advised, so at most 1 ml too much.
            prop_assert!((mixed - 35.6).abs() <= (35.6 - water) / v, "{mixed}");
            let swapped = ((v - replace) * bath + replace * water) / v;
            prop_assert!((swapped - 35.6).abs() <= (bath - water) / v, "{swapped}");
        }
    }
}
