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
        values::{Celsius, Millilitres, Note, Seconds, Timestamp},
    },
    form, json_column,
};

/// Below this no protocol may go, in degrees Celsius: a bath below 33.3 C (92 F) is reported too cold while thawing
/// (US trade press), the coldest published protocol known here begins at 32 C (Nebel, Virginia Cooperative
/// Extension, 1997), and a figure under 30 is more likely a typing error.
pub const COLDEST_C: f64 = 30.0;

/// Above this no protocol may go, in degrees Celsius: above 38 C is judged harmful in practice (Animals 2022,
/// 12(18):2330), suppliers print 37 C, and the two degrees more leave room for a supplier's range.
pub const HOTTEST_C: f64 = 40.0;

form! {
    /// How a straw is thawed.
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
    pub struct ThawProtocol, check has_sensible_range {
        /// The coldest bath a straw may go into, in degrees Celsius, at least 30.
        #[schema(example = 35.0)]
        pub min_c: Celsius,
        /// The hottest bath a straw may go into, in degrees Celsius, at most 40.
        #[schema(example = 36.0)]
        pub max_c: Celsius,
        /// The temperature to aim at, in degrees Celsius, from `min_c` to `max_c`.
        #[schema(example = 36.0)]
        pub aim_c: Celsius,
        /// How long the straw stays in the bath at least, in seconds.
        #[schema(example = 30)]
        pub min_s: Seconds,
        /// Within how many seconds after thawing the straw must be used.
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
            "must be at least {COLDEST_C:.1}: a bath below 33.3 C is reported too cold to thaw in (US trade press)"
        )));
    }
    if max > HOTTEST_C {
        faults.push(spot.member("max_c").fault(format!(
            "must be at most {HOTTEST_C:.1}: above 38 C is judged harmful (Animals 2022, 12(18):2330), \
             suppliers print 37"
        )));
    }
    if min > max {
        faults.push(spot.member("min_c").fault("must not be above max_c"));
    } else if !(min..=max).contains(&aim) {
        faults.push(spot.member("aim_c").fault("must lie from min_c to max_c"));
    }
}

/// The default protocol, but for how soon a straw is used: common practice, no source.
const DEFAULT_MIN_C: f64 = 35.0;
const DEFAULT_MAX_C: f64 = 36.0;
const DEFAULT_AIM_C: f64 = 36.0;
const DEFAULT_MIN_S: i64 = 30;

/// Source of the default for conventional semen.
const CONVENTIONAL_SOURCE: &str = "bath 35-36 C, aim 36, at least 30 s: common practice, no source; use within 15 min: \
    10-15 min: Dalton, Univ. Idaho; the supplier's own instruction overrides it (Brace 2011)";

/// Source of the default for sexed semen.
const SEXED_SOURCE: &str = "bath 35-36 C, aim 36, at least 30 s: common practice, no source; use within 5 min: trade \
    guidance for sexed semen; the supplier's own instruction overrides it (Brace 2011)";

impl ThawProtocol {
    /// What holds where neither the lot nor the herd says otherwise: bath 35.0-36.0 C, aim 36.0,
    /// at least 30 s (common practice, no source); use within 15 min conventional (10-15 min: Dalton,
    /// Univ. Idaho) or 5 min sexed (common practice, no source).
    pub fn default_for(semen: SemenType) -> Self {
        let (use_within_s, source) =
            if semen.is_sexed() { (300, SEXED_SOURCE) } else { (900, CONVENTIONAL_SOURCE) };
        Self {
            min_c: fixed_celsius(DEFAULT_MIN_C),
            max_c: fixed_celsius(DEFAULT_MAX_C),
            aim_c: fixed_celsius(DEFAULT_AIM_C),
            min_s: fixed_seconds(DEFAULT_MIN_S),
            use_within_s: fixed_seconds(use_within_s),
            source: fixed_note(source),
        }
    }

    /// The range of the bath in words, such as `35.0-36.0 C`.
    fn range(&self) -> String {
        format!("{}-{} C", degrees(self.min_c.get()), degrees(self.max_c.get()))
    }
}

/// What to do about a bath that is not right.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
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
}

/// Whether a straw may go into the bath.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BathVerdict {
    /// Within the protocol's range, ends included.
    Right,
    /// Above the range.
    TooHot(Advice),
    /// Below the range.
    TooCold(Advice),
}

/// Judges a bath of `bath` degrees by the protocol; with the bath's `volume` and the temperature
/// of the `water` at hand it says how much of that water brings it to the protocol's aim.
pub fn judge_bath(
    protocol: &ThawProtocol,
    bath: Celsius,
    volume: Option<Millilitres>,
    water: Option<Celsius>,
) -> BathVerdict {
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
        #[expect(clippy::cast_precision_loss, reason = "at most 100000")]
        let exact_ml = bath_ml as f64;
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
        Advice { add_ml, replace_ml, ..self.words(&text) }
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
        Advice { text, add_ml: None, replace_ml: None }
    }
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

/// How many straws a bath of that volume takes at once without cooling by more than 1 K, which is
/// the width of the default range; at most 10, and 0 when it is too small for even one.
///
/// floor(V x 4154 J/(L K) x 1 K / q), where q, the heat a straw takes from -196 C to 35.5 C, is put
/// high: 245 J for 0.25 ml, 449 J for 0.5 ml (handbook physics; the semen's composition, the
/// straw's wall and the nitrogen it carries along are from memory). An upper bound for a bath that starts
/// at the upper end of its range without a heater: it says nothing about straws that touch, nor
/// about how many can be used in time (no more than are used in 10-15 min: Dalton).
pub fn straws_at_once(volume: Millilitres, straw: StrawVolume) -> i64 {
    let joules_each = match straw {
        StrawVolume::Quarter => 245,
        StrawVolume::Half => 449,
    };
    (volume.get() * BATH_J_PER_L_K / (1000 * joules_each)).min(MOST_STRAWS_AT_ONCE)
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

/// The clock of a straw that went into the bath at `started_at`.
///
/// The time for its use runs from when it is thawed, not from when it went in: that is what the
/// published figures count, and a longer stay in the bath than asked for does not lengthen it.
pub fn thawing(protocol: &ThawProtocol, started_at: Timestamp) -> Thawing {
    let ready_at = started_at.plus(TimeDelta::seconds(protocol.min_s.get()));
    let use_by = ready_at.plus(TimeDelta::seconds(protocol.use_within_s.get()));
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
        ThawProtocol::default_for(SemenType::Conventional)
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
    fn the_default_bath_is_35_to_36_and_sexed_straws_are_used_sooner() {
        // Bath: common practice, no source. Use within 15 min: Dalton, Univ. Idaho (10-15 min); 5 min sexed: common practice, no source.
        for (semen, use_within_s) in
            [(SemenType::Conventional, 900), (SemenType::SexedFemale, 300), (SemenType::SexedMale, 300)]
        {
            let json = serde_json::to_value(ThawProtocol::default_for(semen)).unwrap();
            assert_eq!(json["min_c"], 35.0);
            assert_eq!(json["max_c"], 36.0);
            assert_eq!(json["aim_c"], 36.0);
            assert_eq!(json["min_s"], 30);
            assert_eq!(json["use_within_s"], use_within_s);
            assert!(json["source"].as_str().unwrap().contains("common practice, no source"));
            assert_eq!(read::<ThawProtocol>(&json, &InputPath::body()), Ok(ThawProtocol::default_for(semen)));
        }
    }

    #[test]
    fn a_farm_sets_its_own_protocol_within_sense() {
        let sent = |min: f64, max: f64, aim: f64| -> Value {
            json!({"min_c": min, "max_c": max, "aim_c": aim, "min_s": 45, "use_within_s": 600})
        };
        // 32-35 C, at least 45 s: Nebel, Virginia Cooperative Extension, 1997.
        let nebel = read::<ThawProtocol>(&sent(32.0, 35.0, 35.0), &InputPath::body()).unwrap();
        assert_eq!(nebel.source.as_str(), "set by the farm");
        // 37 C: as suppliers print it.
        assert!(read::<ThawProtocol>(&sent(37.0, 37.0, 37.0), &InputPath::body()).is_ok());
        for (wrong, at) in [
            (sent(36.0, 35.0, 35.5), "#/min_c"),
            (sent(35.0, 36.0, 36.5), "#/aim_c"),
            (sent(35.0, 40.5, 36.0), "#/max_c"),
            (sent(29.9, 36.0, 36.0), "#/min_c"),
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
        for bath in [35.0, 35.6, 36.0] {
            assert_eq!(judged(bath, None, None), BathVerdict::Right, "{bath}");
        }
    }

    #[test]
    fn a_hot_bath_gets_so_much_cold_water() {
        // Heat balance: 1000 ml x 2.4 / 21 = 114.3; 1000 ml x 2.4 / 23.4 = 102.6.
        let verdict = judged(38.4, Some(1000), Some(15.0));
        assert!(matches!(verdict, BathVerdict::TooHot(_)));
        assert_eq!(
            advice(verdict),
            Advice {
                text:
                    "The bath is 38.4 C and must be 35.0-36.0 C. Add 114 ml of water at 15.0 C (or take out \
                       103 ml and put in as much), in two steps because the vessel holds heat too; stir and \
                       measure after each, before a straw goes in."
                        .to_owned(),
                add_ml: Some(114),
                replace_ml: Some(103),
            }
        );
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
        // Heat balance: 1000 ml x 3 / 24 = 125; 1000 ml x 3 / 27 = 111.1.
        let verdict = judged(33.0, Some(1000), Some(60.0));
        assert!(matches!(verdict, BathVerdict::TooCold(_)));
        let advice = advice(verdict);
        assert_eq!((advice.add_ml, advice.replace_ml), (Some(125), Some(111)));
    }

    #[test]
    fn water_that_cannot_help_is_called_so() {
        for (bath, water, than) in [(38.4, 36.0, "colder than 36.0 C"), (33.0, 35.9, "warmer than 36.0 C")] {
            for volume in [None, Some(1000)] {
                let advice = advice(judged(bath, volume, Some(water)));
                assert!(advice.text.contains("cannot help") && advice.text.contains(than), "{}", advice.text);
                assert_eq!((advice.add_ml, advice.replace_ml), (None, None));
            }
        }
    }

    #[test]
    fn without_volume_or_water_the_advice_has_no_amount() {
        for (bath, volume, water, remedy) in
            [(36.1, None, None, "cold"), (36.1, Some(500), None, "cold"), (34.9, None, Some(50.0), "warm")]
        {
            let advice = advice(judged(bath, volume, water));
            assert!(advice.text.contains(&format!("a little {remedy} water")), "{}", advice.text);
            assert_eq!((advice.add_ml, advice.replace_ml), (None, None));
        }
    }

    #[test]
    fn more_water_than_the_vessel_holds_is_put_in_place_of_some_of_the_bath() {
        let advice = advice(judged(60.0, Some(1000), Some(30.0)));
        assert_eq!((advice.add_ml, advice.replace_ml), (Some(4000), Some(800)));
        assert!(
            advice.text.contains("Take out 800 ml and put in as much water at 30.0 C"),
            "{}",
            advice.text
        );
        let hardly_colder =
            judge_bath(&conventional(), celsius(60.0), Some(ml(1000)), Some(celsius(35.9999)));
        let BathVerdict::TooHot(hardly_colder) = hardly_colder else { panic!("60 C is too hot") };
        assert_eq!((hardly_colder.add_ml, hardly_colder.replace_ml), (None, Some(1000)));
    }

    #[test]
    fn the_text_never_says_that_a_right_temperature_is_wrong() {
        assert!(advice(judged(36.04, None, None)).text.starts_with("The bath is 36.04 C"));
        assert!(advice(judged(36.001, None, None)).text.starts_with("The bath is 36.001 C"));
        assert!(
            advice(judged(101.1_f64.mul_add(5.0 / 9.0, -160.0 / 9.0), None, None))
                .text
                .contains("is 38.39 C")
        );
    }

    #[test]
    fn a_litre_takes_so_many_straws_at_once() {
        // 16 (0.25 ml) and 9 (0.5 ml) a litre for 1 K by the heat balance; never over 10: Dalton, Univ. Idaho.
        assert_eq!(straws_at_once(ml(1000), StrawVolume::Quarter), 10);
        assert_eq!(straws_at_once(ml(1000), StrawVolume::Half), 9);
        assert_eq!(straws_at_once(ml(500), StrawVolume::Quarter), 8);
        assert_eq!(straws_at_once(ml(500), StrawVolume::Half), 4);
        assert_eq!(straws_at_once(ml(50), StrawVolume::Quarter), 0);
        assert_eq!(straws_at_once(ml(100_000), StrawVolume::Half), 10);
    }

    #[test]
    fn the_time_for_use_runs_from_when_the_straw_is_thawed() {
        // 30 s in the bath: common practice, no source; then 15 min: Dalton, Univ. Idaho (10-15 min).
        let started: Timestamp = Utc.with_ymd_and_hms(2026, 3, 2, 17, 0, 0).unwrap().into();
        let clock = thawing(&conventional(), started);
        assert_eq!(clock.ready_at.since(started), TimeDelta::seconds(30));
        assert_eq!(clock.use_by.since(started), TimeDelta::seconds(930));
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
        fn whole_millilitres_are_within_half_a_millilitre_of_the_heat_balance(
            bath in 36.01..60.0, water in 4.0..30.0, volume in 100_i64..5000,
        ) {
            let advice = advice(judged(bath, Some(volume), Some(water)));
            #[expect(clippy::cast_precision_loss, reason = "small")]
            let (v, add, replace) =
                (volume as f64, advice.add_ml.unwrap() as f64, advice.replace_ml.unwrap() as f64);
            let mixed = (v * bath + add * water) / (v + add);
            // At least 1 ml is advised, so at most 1 ml too much.
            prop_assert!((mixed - 36.0).abs() <= (36.0 - water) / v, "{mixed}");
            let swapped = ((v - replace) * bath + replace * water) / v;
            prop_assert!((swapped - 36.0).abs() <= (bath - water) / v, "{swapped}");
        }
    }
}
