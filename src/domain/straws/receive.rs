//! A delivery comes in.

use utoipa::ToSchema;

use crate::{
    domain::{
        now::Now,
        rejection::Rejection,
        straws::{
            lot::Lot,
            movement::MovementKind,
            place::{Place, PlaceKind},
            posting::{Cause, PlaceStock, Posting, PostingEnd},
        },
        values::{LotId, Note, Straws, Technician, Timestamp},
    },
    form,
};

form! {
    /// A delivery of straws of one lot to one place.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewReceipt {
        /// Of which lot.
        pub lot_id: LotId,
        /// Where they hang.
        pub place: Place,
        /// How many.
        pub straws: Straws,
        /// When they came; now when not said.
        pub received_at: Option<Timestamp>,
        /// Who took them in.
        pub technician: Option<Technician>,
        /// A remark, such as the number of the delivery note.
        pub note: Option<Note>,
    }
}

/// The line by which the straws come in.
///
/// # Errors
/// The lot or the tank is not known, the tank has no such canister, or the time lies far ahead.
pub fn decide(new: &NewReceipt, lot: Option<&Lot>, to: &PlaceStock, now: Now) -> Result<Posting, Rejection> {
    let (occurred_at, ahead) = now.client_time(new.received_at, "received_at")?;
    known_lot(lot, new.lot_id)?;
    to.must_exist("place")?;
    Ok(Posting { warnings: ahead.into_iter().collect(), ..new.posting(to, occurred_at) })
}

impl NewReceipt {
    /// The line, when lot and place are known to be there.
    pub fn posting(&self, to: &PlaceStock, occurred_at: Timestamp) -> Posting {
        Posting {
            kind: MovementKind::Receipt,
            lot_id: self.lot_id,
            from: PostingEnd::Outside(PlaceKind::Supplier),
            to: to.takes(self.straws),
            straws: self.straws,
            occurred_at,
            technician: self.technician.clone(),
            cause: Cause::default(),
            reason: None,
            exposure_s: None,
            note: self.note.clone(),
            warnings: Vec::new(),
        }
    }
}

/// The lot that a request names.
pub fn known_lot(lot: Option<&Lot>, id: LotId) -> Result<&Lot, Rejection> {
    lot.ok_or_else(|| Rejection::Unknown { what: "lot", id: id.0, pointer: Some("#/lot_id".to_owned()) })
}
