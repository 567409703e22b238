//! What was told of a tank's level: readings and refills, as they were told.
//!
//! A level is read with a rod, a scale or a sensor, so a reading keeps the number and the unit in
//! which it was taken. What it means in depth and litres follows from the tank's chart and tare
//! when it is asked for: a chart that is mended later mends every reading.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    form::{Fault, Spot},
    values::{
        Kilograms, Note, ReadDepthMm, ReadLitres, ReadingId, RefillId, RodLength, TankId, Technician,
        Timestamp,
    },
};
use crate::{form, text_enum};

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
    fn check(&self, spot: &Spot, faults: &mut Vec<Fault>) {
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
    /// A reading of a tank's level: one of `depth_mm`, `depth`, `litres`, `gross_kg`.
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
        /// Who or what read it. Default `person`.
        #[schema(required = false)]
        pub source: ReadingSource = ReadingSource::Person,
        /// A wrong reading of this tank in whose place this one stands; it stays to be seen.
        pub supersedes: Option<ReadingId>,
        /// Who read it.
        pub technician: Option<Technician>,
        /// A remark, such as frost or sweat on the neck.
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

    /// What was measured, and where in the body it stands; a form that was read has it.
    pub fn measured(&self) -> Option<(&'static str, Measured)> {
        self.all().next()
    }

    fn check(&self, spot: &Spot, faults: &mut Vec<Fault>) {
        if self.measured().is_none() {
            faults.push(
                spot.member("depth_mm").fault("is required, or one of depth, litres, gross_kg in its place"),
            );
        }
        for (more, _) in self.all().skip(1) {
            let name = more.split('/').next().unwrap_or(more);
            faults.push(spot.member(name).fault("is one too many: send one measure of the level"));
        }
    }
}

/// A reading on record.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct Reading {
    /// Its id.
    pub id: ReadingId,
    /// The tank.
    pub tank_id: TankId,
    /// When.
    pub read_at: Timestamp,
    /// What was read.
    #[sqlx(flatten)]
    pub measured: Measured,
    /// Who or what read it.
    pub source: ReadingSource,
    /// Who.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
    /// The reading in whose place it stands.
    #[sqlx(rename = "supersedes_id")]
    pub supersedes: Option<ReadingId>,
    /// The reading that stands in its place; then it no longer counts.
    pub superseded_by: Option<ReadingId>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
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
        #[schema(value_type = Option<f64>, minimum = 0.1, maximum = 2000)]
        pub litres_added: Option<super::values::Litres>,
        /// A wrong refill of this tank in whose place this one stands; it stays to be seen.
        pub supersedes: Option<RefillId>,
        /// Who filled.
        pub technician: Option<Technician>,
        /// A remark.
        pub note: Option<Note>,
    }
}

impl NewRefill {
    fn check(&self, spot: &Spot, faults: &mut Vec<Fault>) {
        if self.depth_after_mm.is_none() && self.litres_added.is_none() {
            faults.push(spot.member("depth_after_mm").fault("is required, or litres_added in its place"));
        }
        if let (Some(before), Some(after)) = (self.depth_before_mm, self.depth_after_mm)
            && after < before
        {
            faults.push(spot.member("depth_after_mm").fault(format!(
                "must not be less than depth_before_mm, which is {}: a refill does not lower the level",
                before.get()
            )));
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
    pub litres_added: Option<super::values::Litres>,
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
}
