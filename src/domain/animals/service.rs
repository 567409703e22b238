//! A service: an insemination of a female within one heat.

use crate::domain::{
    animals::objection::Deviations,
    straws::semen::SemenType,
    values::{
        AnimalId, HerdId, LotId, Note, PlaceId, ServiceId, SireId, Straws, Technician, Timestamp,
        WithdrawalId,
    },
};

/// A service, as it is stored.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct Service {
    /// Its id.
    pub id: ServiceId,
    /// Her herd.
    pub herd_id: HerdId,
    /// The animal.
    pub animal_id: AnimalId,
    /// When.
    pub served_at: Timestamp,
    /// Counts her services since her last calving.
    pub service_number: i64,
    /// Counts the inseminations within the heat.
    pub rank: i64,
    /// Who did it.
    pub technician: Option<Technician>,
    /// The straw's way out of the tank; none when the straw was not from this book.
    pub withdrawal_id: Option<WithdrawalId>,
    /// The lot, when the straw was from this book.
    pub lot_id: Option<LotId>,
    /// The sire, where known.
    pub sire_id: Option<SireId>,
    /// The semen type, where known.
    pub semen_type: Option<SemenType>,
    /// Where the straw hung.
    pub place_id: Option<PlaceId>,
    /// How many straws.
    pub straws: Straws,
    /// Whether the straw came from the herd's own tank.
    pub semen_from_herd_stock: bool,
    /// What was out of the ordinary.
    pub deviations: Deviations,
    /// A remark.
    pub note: Option<Note>,
    /// When it was found to have been entered by mistake; then it does not count.
    pub reversed_at: Option<Timestamp>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
}
