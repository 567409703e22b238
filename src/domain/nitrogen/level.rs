//! What was told of a tank's level: readings and refills, as they were told.
//!
//! A level is read with a rod, a scale or a sensor, so a reading keeps the number and the unit in
//! which it was taken. What it means in depth and litres follows from the tank's chart and tare
//! when it is asked for: a chart that is mended later mends every reading.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, InputPath},
        nitrogen::{
            self, DepthChart, LevelHistory, Vessel,
            facts::litres_of_gross_kg,
            history::{ABOVE_FULL_MM, check_level, check_refill, level_after_mm},
            tank::TankDetails,
        },
        row::{Joined, LeftJoin},
        values::{
            Kilograms, Litres, Note, ReadDepthMm, ReadLitres, ReadingId, RefillId, RepairId, RodLength,
            TankId, Technician, Timestamp,
        },
    },
    form, text_enum,
};

text_enum! {
    /// A unit of length on a rod.
    RodUnit {
        /// Millimetres.
        Mm = "mm",
        /// Centimetres.
        Cm = "cm",
        /// Inches of exactly 25.4 mm (the international inch of 1959).
        Inch = "in",
    }
}

text_enum! {
    /// In what a level was measured.
    LevelUnit {
        /// Depth in millimetres.
        Mm = "mm",
        /// Depth in centimetres.
        Cm = "cm",
        /// Depth in inches of exactly 25.4 mm.
        Inch = "in",
        /// Litres of liquid nitrogen.
        Litre = "l",
        /// What the tank weighed, in kilograms.
        Kilogram = "kg",
    }
}

impl From<RodUnit> for LevelUnit {
    fn from(unit: RodUnit) -> Self {
        match unit {
            RodUnit::Mm => Self::Mm,
            RodUnit::Cm => Self::Cm,
            RodUnit::Inch => Self::Inch,
        }
    }
}

text_enum! {
    /// Who or what read the level.
    ReadingSource {
        /// A person, with a rod or a scale.
        Person = "person",
        /// A sensor that reports by itself.
        Sensor = "sensor",
    }
}

text_enum! {
    /// What was seen on a tank's neck, its vacuum port or its outside.
    Frost {
        /// Nothing.
        None = "none",
        /// It sweats: water stands on it.
        Sweat = "sweat",
        /// Frost.
        Frost = "frost",
    }
}

impl Frost {
    /// Whether it tells of a vacuum that fails: frost or sweat on the neck, the vacuum port or the outside (Nebel 2003).
    pub fn is_alarming(self) -> bool {
        self != Self::None
    }
}

/// What frost or sweat tells (Nebel 2003; Univ. Illinois Extension 2024).
pub const FROST_TELLS: &str =
    "Frost or sweat on the neck, the vacuum port or the outside tells of a vacuum that fails.";

/// Frost or sweat that was seen, and when.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SeenFrost {
    /// When.
    pub seen_at: Timestamp,
    /// What.
    pub frost: Frost,
}

/// A level in the unit in which it was measured.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
pub struct Measured {
    /// The number.
    #[sqlx(rename = "measured")]
    #[schema(minimum = 0)]
    pub value: f64,
    /// Its unit.
    pub unit: LevelUnit,
}

impl Joined for Measured {
    const KEY: &'static str = "measured";
}

/// A level as far as the number itself says it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Level {
    /// Depth of liquid in millimetres.
    DepthMm(f64),
    /// Litres of liquid.
    Litres(f64),
    /// What the whole tank weighs, in kilograms.
    GrossKg(f64),
}

impl Measured {
    /// The level, lengths in millimetres.
    pub fn level(self) -> Level {
        match self.unit {
            LevelUnit::Mm => Level::DepthMm(self.value),
            LevelUnit::Cm => Level::DepthMm(self.value * 10.0),
            LevelUnit::Inch => Level::DepthMm(self.value * 25.4),
            LevelUnit::Litre => Level::Litres(self.value),
            LevelUnit::Kilogram => Level::GrossKg(self.value),
        }
    }
}

form! {
    /// A depth in a unit that is said.
    #[derive(Clone, Copy, Debug, ToSchema)]
    pub struct RodDepth, check RodDepth::check {
        /// How deep.
        #[schema(example = 12.2)]
        pub value: RodLength,
        /// In what.
        pub unit: RodUnit,
    }
}

impl RodDepth {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if !matches!(self.measured().level(), Level::DepthMm(mm) if ReadDepthMm::new(mm).is_some()) {
            faults.push(spot.member("value").fault("must be at most 5000 millimetres"));
        }
    }

    /// As it is kept.
    pub fn measured(self) -> Measured {
        Measured { value: self.value.get(), unit: self.unit.into() }
    }
}

form! {
    /// A reading of a tank's level: one of `depth_mm`, `depth`, `litres`, `gross_kg`; or what was seen on it (`frost`), or both.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewReading, check NewReading::check {
        /// When; now when not said. Late and out of order is right too.
        pub read_at: Option<Timestamp>,
        /// Depth of liquid from the bottom, in millimetres.
        #[schema(example = 310)]
        pub depth_mm: Option<ReadDepthMm>,
        /// Depth of liquid from the bottom, in another unit.
        pub depth: Option<RodDepth>,
        /// Litres of liquid.
        pub litres: Option<ReadLitres>,
        /// What the tank weighs with its contents, in kilograms; needs the tank's `tare_kg`.
        pub gross_kg: Option<Kilograms>,
        /// What was seen on the neck, the vacuum port and the outside. Frost or sweat opens `nitrogen.loss_high` at once.
        pub frost: Option<Frost>,
        /// Who or what read it. Default `person`.
        #[schema(required = false)]
        pub source: ReadingSource = ReadingSource::Person,
        /// A wrong reading of this tank in whose place this one stands; it stays to be seen.
        pub supersedes: Option<ReadingId>,
        /// Who read it.
        pub technician: Option<Technician>,
        /// A remark.
        pub note: Option<Note>,
    }
}

impl NewReading {
    /// What was measured and under which name it was sent, each that was.
    fn all(&self) -> impl Iterator<Item = (&'static str, Measured)> {
        let of = |name, value, unit| (name, Measured { value, unit });
        [
            self.depth_mm.map(|depth| of("depth_mm", depth.get(), LevelUnit::Mm)),
            self.depth.map(|depth| ("depth/value", depth.measured())),
            self.litres.map(|litres| of("litres", litres.get(), LevelUnit::Litre)),
            self.gross_kg.map(|gross| of("gross_kg", gross.get(), LevelUnit::Kilogram)),
        ]
        .into_iter()
        .flatten()
    }

    /// What was measured, and where in the body it stands; none where only frost was looked for.
    pub fn measured(&self) -> Option<(&'static str, Measured)> {
        self.all().next()
    }

    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.measured().is_none() && self.frost.is_none() {
            faults.push(
                spot.member("depth_mm")
                    .fault("is required, or one of depth, litres, gross_kg in its place, or frost alone"),
            );
        }
        for (more, _) in self.all().skip(1) {
            let name = more.split('/').next().unwrap_or(more);
            faults.push(spot.member(name).fault("is one too many: send one measure of the level"));
        }
    }
}

/// A reading on record.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Reading {
    /// Its id.
    pub id: ReadingId,
    /// The tank.
    pub tank_id: TankId,
    /// When.
    pub read_at: Timestamp,
    /// What was read, as it was told; null where only frost was looked for.
    #[sqlx(flatten, try_from = "LeftJoin<Measured>")]
    pub measured: Option<Measured>,
    /// What was seen on the tank.
    pub frost: Option<Frost>,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten, try_from = "InTank")]
    pub gauged: Gauged,
    /// Who or what read it.
    pub source: ReadingSource,
    /// Who read it.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
    /// The reading in whose place it stands.
    #[sqlx(rename = "supersedes_id")]
    pub supersedes: Option<ReadingId>,
    /// The reading that stands in its place; then it no longer counts.
    pub superseded_by: Option<ReadingId>,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
}

/// What a reading means in its tank, to three decimals.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct Gauged {
    /// Depth in millimetres, by the tank's chart as it is now; null when the tank is not known well enough.
    #[schema(minimum = 0)]
    pub depth_mm: Option<f64>,
    /// Litres, by the tank's chart and tare as they are now; null when the tank is not known well enough.
    #[schema(minimum = 0)]
    pub litres: Option<f64>,
}

impl Gauged {
    /// Of a reading without a level.
    pub const NONE: Self = Self { depth_mm: None, litres: None };
}

/// A reading beside its tank.
#[derive(sqlx::FromRow)]
struct InTank {
    #[sqlx(flatten, try_from = "LeftJoin<Measured>")]
    measured: Option<Measured>,
    #[sqlx(flatten)]
    tank: TankDetails,
}

impl From<InTank> for Gauged {
    fn from(row: InTank) -> Self {
        row.measured.map_or(Self::NONE, |measured| Gauge::of(&row.tank).gauged(measured))
    }
}

/// A figure that was reckoned, to three decimals.
pub fn rounded(figure: f64) -> f64 {
    (figure * 1000.0).round() / 1000.0
}

form! {
    /// A topping up: the depth after it, or the litres that were added.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewRefill, check NewRefill::check {
        /// When; now when not said.
        pub filled_at: Option<Timestamp>,
        /// Depth of liquid before, in millimetres.
        pub depth_before_mm: Option<ReadDepthMm>,
        /// Depth of liquid after, in millimetres, read when it has stopped boiling.
        #[schema(example = 425)]
        pub depth_after_mm: Option<ReadDepthMm>,
        /// Litres that went in. With `depth_after_mm` too, that one says where the level is.
        pub litres_added: Option<Litres>,
        /// A wrong refill of this tank in whose place this one stands; it stays to be seen.
        pub supersedes: Option<RefillId>,
        /// Who filled.
        pub technician: Option<Technician>,
        /// A remark.
        pub note: Option<Note>,
    }
}

impl NewRefill {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.depth_after_mm.is_none() && self.litres_added.is_none() {
            faults.push(spot.member("depth_after_mm").fault("is required, or litres_added in its place"));
        }
        let mm = |depth: Option<ReadDepthMm>| depth.map(ReadDepthMm::get);
        if let Err(wrong) = check_refill(mm(self.depth_before_mm), mm(self.depth_after_mm)) {
            faults.push(spot.member("depth_after_mm").fault(wrong));
        }
    }
}

/// A refill on record.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Refill {
    /// Its id.
    pub id: RefillId,
    /// The tank.
    pub tank_id: TankId,
    /// When.
    pub filled_at: Timestamp,
    /// Depth of liquid before, in millimetres.
    pub depth_before_mm: Option<ReadDepthMm>,
    /// Depth of liquid after, in millimetres.
    pub depth_after_mm: Option<ReadDepthMm>,
    /// Litres that went in, where told.
    #[sqlx(rename = "added_l")]
    pub litres_added: Option<Litres>,
    /// Who filled.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
    /// The refill in whose place it stands.
    #[sqlx(rename = "supersedes_id")]
    pub supersedes: Option<RefillId>,
    /// The refill that stands in its place; then it no longer counts.
    pub superseded_by: Option<RefillId>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
}

text_enum! {
    /// What was done with a tank.
    RepairKind {
        /// It was repaired: its vacuum was renewed, or what leaked was mended.
        Repaired = "repaired",
        /// Another tank stands in its place.
        Replaced = "replaced",
        /// Neither: what `supersedes` names was entered by mistake and is taken back.
        NotDone = "not_done",
    }
}

form! {
    /// A repair or replacement of a tank.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewRepair, check NewRepair::check {
        /// When; now when not said.
        pub repaired_at: Option<Timestamp>,
        /// What was done; `not_done` only takes back what `supersedes` names.
        pub kind: RepairKind,
        /// A wrong repair of this tank in whose place this one stands; it stays to be seen.
        pub supersedes: Option<RepairId>,
        /// Who did it.
        pub technician: Option<Technician>,
        /// A remark.
        pub note: Option<Note>,
    }
}

impl NewRepair {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.kind == RepairKind::NotDone && self.supersedes.is_none() {
            faults.push(
                spot.member("supersedes").fault("is required with not_done: the entry that is taken back"),
            );
        }
    }
}

/// A repair or replacement on record.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Repair {
    /// Its id.
    pub id: RepairId,
    /// The tank.
    pub tank_id: TankId,
    /// When.
    pub repaired_at: Timestamp,
    /// What was done.
    pub kind: RepairKind,
    /// Who did it.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
    /// The repair in whose place it stands.
    #[sqlx(rename = "supersedes_id")]
    pub supersedes: Option<RepairId>,
    /// The repair that stands in its place; then it no longer counts.
    pub superseded_by: Option<RepairId>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
}

/// How a tank's level is reckoned: by its chart and its tare.
#[derive(Clone, Debug)]
pub struct Gauge {
    chart: Option<DepthChart>,
    full_mm: Option<f64>,
    full_l: Option<f64>,
    tare_kg: Option<f64>,
}

impl Gauge {
    /// That of a tank.
    pub fn of(tank: &TankDetails) -> Self {
        Self {
            chart: tank.depth_chart(),
            full_mm: tank.full_mm(),
            full_l: tank.full_l(),
            tare_kg: tank.tare_kg.map(Kilograms::get),
        }
    }

    /// Depth of the full tank in millimetres, where it is known.
    pub fn full_mm(&self) -> Option<f64> {
        self.full_mm
    }

    /// Depth in millimetres; none when the tank is not known well enough.
    pub fn depth_mm(&self, measured: Measured) -> Option<f64> {
        match measured.level() {
            Level::DepthMm(depth) => Some(depth),
            Level::Litres(_) | Level::GrossKg(_) => {
                Some(self.chart.as_ref()?.depth_mm(self.litres(measured)?))
            }
        }
    }

    /// Litres; none when the tank is not known well enough.
    pub fn litres(&self, measured: Measured) -> Option<f64> {
        match measured.level() {
            Level::DepthMm(depth) => Some(self.chart.as_ref()?.litres(depth)),
            Level::Litres(litres) => Some(litres),
            Level::GrossKg(gross) => litres_of_gross_kg(gross, self.tare_kg?).ok(),
        }
    }

    /// What was measured as depth and litres.
    pub fn gauged(&self, measured: Measured) -> Gauged {
        Gauged { depth_mm: self.depth_mm(measured).map(rounded), litres: self.litres(measured).map(rounded) }
    }

    /// Whether the tank can stand at such a level.
    ///
    /// # Errors
    /// Says what is wrong when it cannot: above full, or a weight that its tare does not explain.
    pub fn check(&self, measured: Measured) -> Result<(), String> {
        let litres = match measured.level() {
            Level::DepthMm(depth) => return check_level(depth, self.full_mm),
            Level::Litres(litres) => litres,
            Level::GrossKg(gross) => {
                let tare = self.tare_kg.ok_or("needs the tank's tare_kg, which is not entered")?;
                litres_of_gross_kg(gross, tare)?
            }
        };
        match self.full_l {
            Some(full) if litres > full => {
                Err(format!("means {litres:.1} litres, and the tank holds {full} when full"))
            }
            _ => Ok(()),
        }
    }
}

/// How far a reading may stand above the one before it without a word, in millimetres: twice the reading error
/// of a rod at its worst, 13 mm (assumed, no source).
const RISES_BY_MM: f64 = 26.0;

/// What to say when the level rose and no refill tells why.
pub fn rise_without_refill(before_mm: f64, now_mm: f64, before_at: Timestamp) -> Option<String> {
    (now_mm > before_mm + RISES_BY_MM).then(|| {
        format!(
            "The level is {:.0} mm above the reading of {before_at} and no refill stands between them: enter the refill, \
             or correct the wrong reading with `supersedes`.",
            now_mm - before_mm
        )
    })
}

/// A depth less than this part of what was expected may be a rod read in centimetres.
const FAR_BELOW: f64 = 5.0;

/// What to say at once when centimetres seem to have been sent as millimetres: the number is far below `expected_mm`,
/// and ten times as much would fit.
pub fn centimetres_as_mm(measured: Measured, expected_mm: f64, full_mm: Option<f64>) -> Option<String> {
    let value = measured.value;
    let tenfold = value * 10.0;
    let fits = full_mm.is_none_or(|full| tenfold <= full + ABOVE_FULL_MM) && tenfold <= 2.0 * expected_mm;
    let doubtful = measured.unit == LevelUnit::Mm && value > 0.0 && value * FAR_BELOW < expected_mm && fits;
    doubtful.then(|| {
        format!(
            "{value} mm is far below the {expected_mm:.0} mm that were to be expected. If the rod was read in \
             centimetres, correct it: send the reading again with `supersedes` and \
             `\"depth\": {{\"value\": {value}, \"unit\": \"cm\"}}`. If it is right, fill up now and look to the straws."
        )
    })
}

/// Straws that are taken or hung within so long belong to one visit with the plug off (common practice, no source).
const VISIT: TimeDelta = TimeDelta::minutes(10);

/// Visits to a tank from the moments, in order of time, at which straws went in or out.
pub fn visits(moments: impl IntoIterator<Item = Timestamp>) -> Vec<Timestamp> {
    let mut visits: Vec<Timestamp> = Vec::new();
    for moment in moments {
        if visits.last().is_none_or(|began| moment.since(*began) > VISIT) {
            visits.push(moment);
        }
    }
    visits
}

/// A refill as far as the level is concerned.
#[derive(Clone, Copy, Debug)]
pub struct Filling {
    /// When.
    pub at: Timestamp,
    /// Depth before, in millimetres.
    pub before_mm: Option<f64>,
    /// Depth after, in millimetres.
    pub after_mm: Option<f64>,
    /// Litres that went in.
    pub added_l: Option<f64>,
}

/// What is on record of a tank's level, in order of time.
#[derive(Clone, Debug, Default)]
pub struct Record {
    /// Readings.
    pub readings: Vec<(Timestamp, Measured)>,
    /// Refills.
    pub refills: Vec<Filling>,
    /// When straws went in or out.
    pub moments: Vec<Timestamp>,
    /// When the tank was repaired or replaced.
    pub repairs: Vec<Timestamp>,
    /// The last time that somebody looked for frost, and what was seen.
    pub frost: Option<SeenFrost>,
}

impl Record {
    /// Frost or sweat that stands: seen when somebody looked last, and the tank was not repaired since.
    pub fn standing_frost(&self) -> Option<SeenFrost> {
        let repaired_at = self.repairs.iter().max();
        self.frost.filter(|seen| {
            seen.frost.is_alarming() && repaired_at.is_none_or(|repaired| *repaired < seen.seen_at)
        })
    }

    /// The record as depths, and how many of its readings say nothing of depth because the tank is not known well
    /// enough.
    ///
    /// Where only litres were told of a refill, the level after it follows from the one before: as it was read, or
    /// for what no later reading corrects, as it is expected by then.
    pub fn history(&self, gauge: &Gauge, vessel: &Vessel) -> (LevelHistory, usize) {
        let reading = |(at, measured): &(Timestamp, Measured)| {
            Some(nitrogen::Reading { at: *at, level_mm: gauge.depth_mm(*measured)? })
        };
        let readings: Vec<_> = self.readings.iter().filter_map(reading).collect();
        let unusable = self.readings.len() - readings.len();
        let openings = visits(self.moments.iter().copied());
        let mut history =
            LevelHistory { readings, refills: Vec::new(), openings, repairs: self.repairs.clone() };
        let last_read = history.readings.last().map(|reading| reading.at);
        for refill in &self.refills {
            let expected = || {
                let corrected = last_read.is_some_and(|last| last >= refill.at);
                let level = (!corrected).then(|| nitrogen::outlook(vessel, &history, refill.at).level)??;
                Some(level.depth_mm.estimate)
            };
            let filled = || {
                let (chart, added) = (gauge.chart.as_ref()?, refill.added_l?);
                let before = refill.before_mm.or_else(expected)?;
                // What does not fit in has boiled off in filling.
                Some(level_after_mm(chart, before, added).unwrap_or(chart.full_depth_mm()))
            };
            let level_after_mm = refill.after_mm.or_else(filled);
            let filled =
                nitrogen::Refill { at: refill.at, level_before_mm: refill.before_mm, level_after_mm };
            history.refills.push(filled);
        }
        (history, unusable)
    }
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, TimeDelta};
    use serde_json::json;

    use super::*;
    use crate::domain::form::read;

    fn tank(details: &serde_json::Value) -> TankDetails {
        read(details, &InputPath::body()).unwrap()
    }

    fn at(minutes: i64) -> Timestamp {
        Timestamp::from(DateTime::UNIX_EPOCH).plus(TimeDelta::minutes(minutes))
    }

    fn measured(value: f64, unit: LevelUnit) -> Measured {
        Measured { value, unit }
    }

    #[test]
    fn an_inch_is_25_4_mm() {
        // Exactly, by the international yard and pound agreement of 1959.
        assert_eq!(measured(10.0, LevelUnit::Inch).level(), Level::DepthMm(254.0));
        assert_eq!(measured(25.4, LevelUnit::Cm).level(), Level::DepthMm(254.0));
    }

    #[test]
    fn a_weight_is_litres_by_the_density_and_a_depth_by_the_chart() {
        // 806.1 kg a cubic metre at the boiling point: Span et al. 2000 (NIST).
        let straight = json!({"name": "N", "capacity_l": 20.0, "full_depth_mm": 400, "tare_kg": 12.0});
        let gauge = Gauge::of(&tank(&straight));
        let weight = measured(12.0 + 8.061, LevelUnit::Kilogram);
        assert!((gauge.litres(weight).unwrap() - 10.0).abs() < 1e-3);
        assert!((gauge.depth_mm(weight).unwrap() - 200.0).abs() < 0.02);
        let unknown = Gauge::of(&tank(&json!({"name": "N"})));
        for unit in [LevelUnit::Litre, LevelUnit::Kilogram] {
            assert_eq!(unknown.depth_mm(measured(15.0, unit)), None);
        }
        assert_eq!(unknown.depth_mm(measured(15.0, LevelUnit::Mm)), Some(15.0));
        assert!(unknown.check(measured(15.0, LevelUnit::Kilogram)).unwrap_err().contains("tare_kg"));
        assert_eq!(unknown.check(measured(15.0, LevelUnit::Litre)), Ok(()));
    }

    #[test]
    fn straws_of_one_visit_are_one_opening() {
        let visited = visits([0, 0, 3, 10, 11, 20, 22, 500].map(at));
        assert_eq!(visited, [0, 11, 22, 500].map(at));
    }

    #[test]
    fn a_level_that_rises_without_a_refill_is_said_beyond_the_error_of_a_rod() {
        assert_eq!(rise_without_refill(300.0, 326.0, at(0)), None);
        assert!(rise_without_refill(300.0, 327.0, at(0)).unwrap().contains("27 mm above"));
    }

    #[test]
    fn centimetres_that_were_sent_as_millimetres_are_said_at_once() {
        let mm = |value| measured(value, LevelUnit::Mm);
        assert!(centimetres_as_mm(mm(30.5), 310.0, Some(430.0)).unwrap().contains("\"cm\""));
        for (told, expected_mm) in
            [(mm(290.0), 310.0), (mm(0.0), 310.0), (mm(61.0), 310.0), (measured(30.5, LevelUnit::Cm), 310.0)]
        {
            assert_eq!(centimetres_as_mm(told, expected_mm, Some(430.0)), None, "{told:?}");
        }
        assert_eq!(centimetres_as_mm(mm(50.0), 310.0, Some(430.0)), None);
    }

    #[test]
    fn litres_that_went_in_say_where_the_level_is() {
        let details = tank(&json!({"name": "N", "capacity_l": 20.0, "full_depth_mm": 400}));
        let (gauge, vessel) = (Gauge::of(&details), details.vessel());
        let filling = |minutes, before_mm, after_mm, added_l| Filling {
            at: at(minutes),
            before_mm,
            after_mm,
            added_l: Some(added_l),
        };
        let day = 24 * 60;
        let record = Record {
            readings: vec![
                (at(0), measured(300.0, LevelUnit::Mm)),
                (at(10 * day), measured(20.0, LevelUnit::Litre)),
            ],
            refills: vec![
                filling(day, Some(100.0), None, 5.0),
                filling(2 * day, Some(100.0), Some(190.0), 5.0),
                filling(3 * day, None, None, 5.0),
                filling(11 * day, None, None, 19.0),
            ],
            moments: vec![at(5), at(6)],
            ..Record::default()
        };
        let (history, unusable) = record.history(&gauge, &vessel);
        let after: Vec<_> =
            history.refills.iter().map(|refill| refill.level_after_mm.map(f64::round)).collect();
        // Read before, so 5 litres make 100 mm more; read after; told by the reading of day 10; more than fits in.
        assert_eq!(after, [Some(200.0), Some(190.0), None, Some(400.0)]);
        assert_eq!((history.openings.len(), unusable), (1, 0));
        let unknown = tank(&json!({"name": "N"}));
        let (history, unusable) = record.history(&Gauge::of(&unknown), &unknown.vessel());
        assert_eq!((history.readings.len(), unusable), (1, 1));
        assert_eq!(history.refills[0].level_after_mm, None);
    }
}
