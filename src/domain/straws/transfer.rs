//! Straws are hung elsewhere.

use utoipa::ToSchema;

use crate::{
    domain::{
        form::Fault,
        now::Now,
        rejection::Rejection,
        straws::{
            exposure,
            lot::Lot,
            movement::MovementKind,
            place::Place,
            posting::{Cause, PlaceStock, Posting},
            receive::known_lot,
        },
        values::{ExposureSeconds, LotId, Note, Straws, Technician, Timestamp},
    },
    form,
};

form! {
    /// Straws of one lot hung at another place, of this or another tank.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewTransfer {
        /// Of which lot.
        pub lot_id: LotId,
        /// Where they hang.
        pub from: Place,
        /// Where they are to hang.
        pub to: Place,
        /// How many.
        pub straws: Straws,
        /// Seconds that they were above the frost line, where measured.
        #[schema(example = 6)]
        pub exposure_s: Option<ExposureSeconds>,
        /// When; now when not said.
        pub transferred_at: Option<Timestamp>,
        /// Who did it.
        pub technician: Option<Technician>,
        /// A remark.
        pub note: Option<Note>,
    }
}

/// The line by which the straws move.
///
/// # Errors
/// The places are the same, the lot or a tank is not known, a tank has no such canister, the time lies far ahead, or so many straws do not hang
/// where they are to be taken from.
pub fn decide(
    new: &NewTransfer,
    lot: Option<&Lot>,
    from: &PlaceStock,
    to: &PlaceStock,
    now: Now,
) -> Result<Posting, Rejection> {
    let (occurred_at, ahead) = now.client_time(new.transferred_at, "transferred_at")?;
    if new.from == new.to {
        return Err(Rejection::Invalid(vec![Fault::at("to", "must be another place than from")]));
    }
    let lot = known_lot(lot, new.lot_id)?;
    from.must_exist("from")?;
    to.must_exist("to")?;
    let exposed = new.exposure_s.and_then(|seconds| exposure::warning(seconds.get(), lot.details.straw_ml));
    Ok(Posting {
        kind: MovementKind::Transfer,
        lot_id: new.lot_id,
        from: from.gives(new.straws, || format!("straws of this lot in {}", from.place.describe()))?,
        to: to.takes(new.straws),
        straws: new.straws,
        occurred_at,
        technician: new.technician.clone(),
        cause: Cause::default(),
        reason: None,
        exposure_s: new.exposure_s,
        note: new.note.clone(),
        warnings: ahead.into_iter().chain(exposed).collect(),
    })
}
