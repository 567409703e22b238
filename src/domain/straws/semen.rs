//! What is in a straw and how much of it: semen type and volume.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use sqlx::{Database, Decode, Encode, Postgres, Sqlite, Type, encode::IsNull, error::BoxDynError};
use utoipa::{
    ToSchema,
    openapi::schema::{ObjectBuilder, Schema, Type as SchemaType},
};

use crate::{
    domain::form::{Fault, Field, InputPath},
    text_enum,
};

text_enum! {
    /// Which calves a straw can give.
    SemenType {
        /// As collected: about as many bull calves as heifer calves.
        Conventional = "conventional",
        /// Sorted for X: about nine in ten calves are female (91 %: Norman & Hutchison 2009).
        SexedFemale = "sexed_female",
        /// Sorted for Y: most calves are male.
        SexedMale = "sexed_male",
    }
}

impl SemenType {
    /// Whether the semen was sorted, which makes it more tender: used later in heat and sooner after thawing.
    pub const fn is_sexed(self) -> bool {
        matches!(self, Self::SexedFemale | Self::SexedMale)
    }

    /// The type in words, for a sentence.
    pub const fn describe(self) -> &'static str {
        match self {
            Self::Conventional => "conventional",
            Self::SexedFemale => "sexed (female)",
            Self::SexedMale => "sexed (male)",
        }
    }
}

/// The volume of a straw: 0.25 ml (2.0 mm wide) or 0.5 ml (2.8 mm wide).
///
/// JSON writes the number of millilitres, `0.25` or `0.5`; both databases keep whole
/// microlitres, 250 or 500, so that nothing is compared as a fraction.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum StrawVolume {
    /// 0.25 ml.
    Quarter,
    /// 0.5 ml.
    Half,
}

impl StrawVolume {
    /// Both volumes.
    pub const ALL: &[Self] = &[Self::Quarter, Self::Half];

    /// The volume in millilitres.
    pub const fn ml(self) -> f64 {
        match self {
            Self::Quarter => 0.25,
            Self::Half => 0.5,
        }
    }

    /// The volume in microlitres.
    pub const fn microlitres(self) -> i64 {
        match self {
            Self::Quarter => 250,
            Self::Half => 500,
        }
    }

    /// The straw of that many millilitres.
    pub fn from_ml(ml: f64) -> Result<Self, String> {
        Self::ALL
            .iter()
            .copied()
            .find(|straw| (straw.ml() - ml).abs() < f64::EPSILON)
            .ok_or_else(|| "must be 0.25 or 0.5 (millilitres)".to_owned())
    }

    /// The straw of that many microlitres, as the store keeps it.
    fn from_microlitres(microlitres: i64) -> Result<Self, BoxDynError> {
        Self::ALL
            .iter()
            .copied()
            .find(|straw| straw.microlitres() == microlitres)
            .ok_or_else(|| format!("no straw holds {microlitres} microlitres").into())
    }
}

impl Serialize for StrawVolume {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_f64(self.ml())
    }
}

impl<'de> Deserialize<'de> for StrawVolume {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        Self::from_ml(f64::deserialize(from)?).map_err(serde::de::Error::custom)
    }
}

impl Field for StrawVolume {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let ml = match value {
            Value::String(text) if spot.is_text_only() => text.parse().ok(),
            other => other.as_f64(),
        };
        Self::from_ml(ml.unwrap_or(f64::NAN)).map_err(|wrong| faults.push(spot.fault(wrong))).ok()
    }
}

impl utoipa::PartialSchema for StrawVolume {
    fn schema() -> utoipa::openapi::RefOr<Schema> {
        ObjectBuilder::new()
            .schema_type(SchemaType::Number)
            // Just these two, said without a list of fractions, of which generated clients make no names.
            .minimum(Some(0.25))
            .maximum(Some(0.5))
            .multiple_of(Some(0.25))
            .description(Some("The volume of a straw in millilitres: 0.25 or 0.5."))
            .into()
    }
}
impl ToSchema for StrawVolume {}

impl<DB: Database> Type<DB> for StrawVolume
where
    i64: Type<DB>,
{
    fn type_info() -> DB::TypeInfo {
        <i64 as Type<DB>>::type_info()
    }
    fn compatible(ty: &DB::TypeInfo) -> bool {
        <i64 as Type<DB>>::compatible(ty)
    }
}
impl Encode<'_, Postgres> for StrawVolume {
    fn encode_by_ref(&self, buf: &mut <Postgres as Database>::ArgumentBuffer) -> Result<IsNull, BoxDynError> {
        Encode::<Postgres>::encode(self.microlitres(), buf)
    }
}
impl<'r> Decode<'r, Postgres> for StrawVolume {
    fn decode(value: <Postgres as Database>::ValueRef<'r>) -> Result<Self, BoxDynError> {
        Self::from_microlitres(<i64 as Decode<Postgres>>::decode(value)?)
    }
}
impl Encode<'_, Sqlite> for StrawVolume {
    fn encode_by_ref(&self, buf: &mut <Sqlite as Database>::ArgumentBuffer) -> Result<IsNull, BoxDynError> {
        Encode::<Sqlite>::encode(self.microlitres(), buf)
    }
}
impl<'r> Decode<'r, Sqlite> for StrawVolume {
    fn decode(value: <Sqlite as Database>::ValueRef<'r>) -> Result<Self, BoxDynError> {
        Self::from_microlitres(<i64 as Decode<Sqlite>>::decode(value)?)
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::domain::form::read;

    #[test]
    fn a_straw_volume_is_a_number_of_millilitres_in_json() {
        for (json, straw) in [(json!(0.25), StrawVolume::Quarter), (json!(0.5), StrawVolume::Half)] {
            assert_eq!(read::<StrawVolume>(&json, &InputPath::body()), Ok(straw));
            assert_eq!(serde_json::to_value(straw).unwrap(), json);
            assert_eq!(serde_json::from_value::<StrawVolume>(json).unwrap(), straw);
        }
        for wrong in [json!(0.3), json!(25), json!("0.25"), json!(null), json!(0)] {
            let faults = read::<StrawVolume>(&wrong, &InputPath::body()).unwrap_err();
            assert_eq!(faults[0].detail, "must be 0.25 or 0.5 (millilitres)", "{wrong}");
        }
        assert_eq!(read::<StrawVolume>(&json!("0.5"), &InputPath::query()), Ok(StrawVolume::Half));
    }

    #[test]
    fn the_description_takes_both_volumes_and_no_other() {
        let schema = serde_json::to_value(<StrawVolume as utoipa::PartialSchema>::schema()).unwrap();
        let limits = ["minimum", "maximum", "multipleOf"].map(|limit| schema[limit].as_f64());
        assert_eq!((&schema["type"], limits), (&json!("number"), [Some(0.25), Some(0.5), Some(0.25)]));
    }

    #[test]
    fn the_store_keeps_whole_microlitres() {
        for straw in StrawVolume::ALL {
            assert_eq!(StrawVolume::from_microlitres(straw.microlitres()).unwrap(), *straw);
        }
        assert!(StrawVolume::from_microlitres(300).is_err());
    }

    #[test]
    fn sexed_is_either_sorting_and_not_conventional() {
        let sexed: Vec<_> =
            SemenType::ALL.iter().filter(|semen| semen.is_sexed()).map(|s| s.as_str()).collect();
        assert_eq!(sexed, ["sexed_female", "sexed_male"]);
    }
}
