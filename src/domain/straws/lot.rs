//! A lot: straws of one sire, one semen type, one collection.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, InputPath},
        straws::{
            semen::{SemenType, StrawVolume},
            thaw::ThawProtocol,
        },
        values::{Code, Day, HerdId, LotId, MinorUnits, Name, Percent, SireId, Timestamp},
    },
    form, json_column, text_enum,
};

text_enum! {
    /// Whether a lot's straws may be used.
    LotStatus {
        /// They may.
        Usable = "usable",
        /// Not until further notice.
        Quarantined = "quarantined",
        /// Not any more.
        Recalled = "recalled",
    }
}

form! {
    /// What one straw cost.
    #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
    pub struct Cost, check Cost::check {
        /// In the currency's smallest unit, such as cents.
        pub amount_minor: MinorUnits,
        /// ISO 4217 code of three letters.
        #[schema(example = "EUR")]
        pub currency: Code,
    }
}
json_column!(Cost);

impl Cost {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        let code = self.currency.as_str();
        if code.len() != 3 || !code.bytes().all(|b| b.is_ascii_uppercase()) {
            faults
                .push(spot.member("currency").fault("must be three capital letters (ISO 4217), such as EUR"));
        }
    }
}

form! {
    /// What is said of a lot. Its columns are named with `lot_` in front, so that a lot can stand in the row of
    /// what it belongs to.
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct LotDetails, check LotDetails::check {
        /// The sire.
        #[sqlx(rename = "lot_sire_id")]
        pub sire_id: SireId,
        /// Conventional, or sexed for females or males.
        #[sqlx(rename = "lot_semen_type")]
        pub semen_type: SemenType,
        /// The batch printed on the straw.
        #[schema(example = "24117")]
        #[sqlx(rename = "lot_batch")]
        pub batch: Option<Code>,
        /// When it was collected.
        #[sqlx(rename = "lot_collected_on")]
        pub collected_on: Option<Day>,
        /// Where it was collected: the establishment's approval number or name.
        #[sqlx(rename = "lot_collection_centre")]
        pub collection_centre: Option<Name>,
        /// A straw's volume in millilitres: 0.25 or 0.5.
        #[sqlx(rename = "lot_straw_volume")]
        pub straw_ml: Option<StrawVolume>,
        /// Of sexed semen, the share of the stated sex in percent.
        #[schema(example = 90)]
        #[sqlx(rename = "lot_sexed_percentage")]
        pub sexed_percentage: Option<Percent>,
        /// What one straw cost.
        #[sqlx(rename = "lot_cost")]
        pub cost: Option<Cost>,
        /// The supplier's printed thawing instruction, which overrides any other.
        #[sqlx(rename = "lot_thaw")]
        pub thaw: Option<ThawProtocol>,
        /// Whether its straws may be used.
        #[schema(required = false)]
        #[sqlx(rename = "lot_status")]
        pub status: LotStatus = LotStatus::Usable,
        /// The herd whose straws they are, and for whose animals only they are offered and given. The technician's own,
        /// for anybody, without it. The same batch of two owners is two lots.
        #[sqlx(rename = "lot_owner_herd_id")]
        pub owner_herd_id: Option<HerdId>,
    }
}

impl LotDetails {
    /// What its members say against each other.
    pub fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.sexed_percentage.is_some() && !self.semen_type.is_sexed() {
            faults.push(spot.member("sexed_percentage").fault("belongs to sexed semen only"));
        }
    }

    /// Whether its straws are for an animal of that herd.
    pub fn is_for(&self, herd: HerdId) -> bool {
        self.owner_herd_id.is_none_or(|owner| owner == herd)
    }

    /// The lot in words: "batch 24117 of 2024-04-26".
    pub fn describe(&self) -> String {
        match (&self.batch, self.collected_on) {
            (Some(batch), Some(day)) => format!("batch {batch} of {day}"),
            (Some(batch), None) => format!("batch {batch}"),
            (None, Some(day)) => format!("the collection of {day}"),
            (None, None) => "an unmarked lot".to_owned(),
        }
    }
}

/// A lot.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Lot {
    /// Its id.
    #[sqlx(rename = "lot_id")]
    pub id: LotId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub details: LotDetails,
    /// When it was entered.
    #[sqlx(rename = "lot_created_at")]
    pub created_at: Timestamp,
}
