//! Stock: straws of one lot at one place.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    straws::{lot::Lot, place::Place, semen::SemenType, sire::SireSummary},
    values::{HerdId, Name, PlaceId, Reason},
};

/// Straws of one lot at one place.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Stock {
    /// The lot.
    #[sqlx(flatten)]
    pub lot: Lot,
    /// The sire.
    #[sqlx(flatten)]
    pub sire: SireSummary,
    /// The semen type.
    #[sqlx(rename = "lot_semen_type")]
    pub semen_type: SemenType,
    /// Where they hang.
    #[sqlx(flatten)]
    pub place: Place,
    /// The place's id.
    #[serde(skip)]
    pub place_id: PlaceId,
    /// What the tank is called.
    pub tank_name: Name,
    /// Whose tank it is; the technician's when none.
    #[serde(skip)]
    pub tank_herd_id: Option<HerdId>,
    /// The herd whose straws they are; the technician's own, for anybody, when null.
    pub owner_herd_name: Option<Name>,
    /// Why straws that hang there are not to be used; null where they may.
    pub on_hold: Option<Reason>,
    /// How many.
    #[schema(minimum = 0)]
    pub straws: i64,
}
