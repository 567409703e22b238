//! An animal of a herd: the female that is served.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::groups::Groups,
        form::Fault,
        identifiers::{ExternalId, Identifiers},
        rejection::Rejection,
        values::{AnimalId, Code, Day, HerdId, Name, SireId, TimeZone, Timestamp},
    },
    form,
};

form! {
    /// What is said of an animal. Whether she is a heifer or a cow, open or pregnant, and the
    /// number of her next service follow from what happens to her and are not told by hand.
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct AnimalDetails {
        /// Her herd.
        pub herd_id: HerdId,
        /// How she is called in her herd: the number on her ear tag or collar.
        #[schema(example = "412")]
        pub number: Code,
        /// Her name, if she has one.
        pub name: Option<Name>,
        /// Her official names, each with its scheme. `iso-11784` and `international-id` are checked.
        #[schema(value_type = Vec<ExternalId>, required = false)]
        pub identifiers: Identifiers = Identifiers::default(),
        /// When she was born.
        pub born_on: Option<Day>,
        /// Her sire, where known.
        pub sire_id: Option<SireId>,
        /// Her dam, where she is in this book.
        pub dam_id: Option<AnimalId>,
        /// Her breed.
        pub breed: Option<Code>,
        /// The groups that her herd counts her to, at most 20; a choice rule may ask for them.
        #[schema(value_type = Vec<Code>, required = false, max_items = 20)]
        #[sqlx(rename = "animal_groups")]
        pub groups: Groups = Groups::default(),
        /// When she left the herd.
        pub left_on: Option<Day>,
        /// Whether she is a donor, flushed for embryos: the herd's choice rule does not speak of her. Default false.
        #[schema(required = false)]
        pub donor: bool = false,
    }
}

/// An animal.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Animal {
    /// Her id.
    pub id: AnimalId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub details: AnimalDetails,
    /// When she was entered.
    pub created_at: Timestamp,
}

impl Animal {
    /// Rejects a moment before she was born.
    pub fn born_before(&self, zone: TimeZone, at: Timestamp, field: &'static str) -> Result<(), Rejection> {
        born_before(self.details.born_on, zone, at, field)
    }
}

/// What is wrong with a dam that was not born before her calf; nothing where one of the days is not known.
pub fn dam_too_young(dam: Option<Day>, calf: Option<Day>) -> Option<String> {
    let (dam, calf) = dam.zip(calf)?;
    (dam >= calf).then(|| format!("was born on {dam}, which is not before her calf, born on {calf}"))
}

/// Rejects a moment before the day of birth.
pub(crate) fn born_before(
    born_on: Option<Day>,
    zone: TimeZone,
    at: Timestamp,
    field: &'static str,
) -> Result<(), Rejection> {
    match born_on {
        Some(born) if at.day_in(zone) < born => {
            Err(Rejection::Invalid(vec![Fault::at(field, format!("lies before she was born, on {born}"))]))
        }
        _ => Ok(()),
    }
}
