//! A sire: the bull whose semen is in the straws.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, InputPath},
        identifiers::{ExternalId, Identifiers, printed},
        values::{AnimalId, Code, Name, SireId, Timestamp},
    },
    form, text_enum,
};

text_enum! {
    /// What a sire's calves are kept for.
    Purpose {
        /// Milk.
        Dairy = "dairy",
        /// Meat.
        Beef = "beef",
        /// Both.
        Dual = "dual",
    }
}

form! {
    /// What is said of a sire.
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct SireDetails, check SireDetails::check {
        /// His name.
        #[schema(example = "Invented One")]
        pub name: Name,
        /// His breed, by its three letters as in an international ID.
        #[schema(example = "HOL")]
        pub breed: Option<Code>,
        /// What his calves are kept for; a choice rule may ask for it.
        pub purpose: Option<Purpose>,
        /// His official names, each with its scheme. `international-id` and `uniform-code` are
        /// checked and written in their normal form; other schemes are kept as they come.
        #[schema(value_type = Vec<ExternalId>, required = false)]
        pub identifiers: Identifiers = Identifiers::default(),
        /// His own sire, where known.
        pub sire_id: Option<SireId>,
        /// His own dam, where she is in this book.
        pub dam_id: Option<AnimalId>,
        /// The sire of his dam, where he is in this book.
        pub maternal_grandsire_id: Option<SireId>,
        /// His own sire by an official name, where he is not in this book.
        pub sire_identifier: Option<ExternalId>,
        /// His own dam by an official name, where she is not in this book.
        pub dam_identifier: Option<ExternalId>,
        /// The sire of his dam by an official name, where he is not in this book.
        pub maternal_grandsire_identifier: Option<ExternalId>,
    }
}

impl SireDetails {
    /// Each parent is named one way, and nobody is his own.
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        let named = [
            ("sire_identifier", self.sire_identifier.as_ref(), self.sire_id.is_some(), "sire_id"),
            ("dam_identifier", self.dam_identifier.as_ref(), self.dam_id.is_some(), "dam_id"),
            (
                "maternal_grandsire_identifier",
                self.maternal_grandsire_identifier.as_ref(),
                self.maternal_grandsire_id.is_some(),
                "maternal_grandsire_id",
            ),
        ];
        for (field, name, is_said, other) in named {
            let Some(name) = name else { continue };
            if is_said {
                let detail = format!("must not stand beside {other}; name one of them");
                faults.push(spot.member(field).fault(detail));
            }
            if self.identifiers.iter().any(|own| own == name) {
                faults.push(spot.member(field).fault("must not be his own"));
            }
        }
    }
}

/// A sire.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Sire {
    /// His id.
    pub id: SireId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub details: SireDetails,
    /// When he was entered.
    pub created_at: Timestamp,
}

/// A sire in short, beside his straws.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct SireSummary {
    /// His id.
    #[sqlx(rename = "sire_id")]
    pub id: SireId,
    /// His name.
    #[sqlx(rename = "sire_name")]
    pub name: Name,
    /// His breed.
    #[sqlx(rename = "sire_breed")]
    pub breed: Option<Code>,
    /// What his calves are kept for.
    #[sqlx(rename = "sire_purpose")]
    pub purpose: Option<Purpose>,
    /// His official names.
    #[schema(value_type = Vec<ExternalId>)]
    #[sqlx(rename = "sire_identifiers")]
    pub identifiers: Identifiers,
}

impl SireSummary {
    /// His official names as they are printed on straws.
    pub fn codes(&self) -> Vec<String> {
        self.identifiers.iter().map(printed).collect()
    }
}

impl From<&Sire> for SireSummary {
    fn from(sire: &Sire) -> Self {
        let d = &sire.details;
        Self {
            id: sire.id,
            name: d.name.clone(),
            breed: d.breed.clone(),
            purpose: d.purpose,
            identifiers: d.identifiers.clone(),
        }
    }
}
