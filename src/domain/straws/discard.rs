//! Straws that hang in a tank are thrown away.

use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, InputPath},
        now::Now,
        rejection::Rejection,
        straws::{
            lot::Lot,
            movement::MovementKind,
            place::{Place, PlaceKind},
            posting::{Cause, PlaceStock, Posting, PostingEnd},
            receive::known_lot,
            withdrawal::DiscardReason,
        },
        values::{LotId, Note, Straws, Technician, Timestamp, needs_note},
    },
    form,
};

form! {
    /// Straws of one lot thrown away from one place.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewDiscard, check NewDiscard::check {
        /// Of which lot.
        pub lot_id: LotId,
        /// Where they hang.
        pub place: Place,
        /// How many.
        pub straws: Straws,
        /// Why.
        pub reason: DiscardReason,
        /// When; now when not said.
        pub discarded_at: Option<Timestamp>,
        /// Who did it.
        pub technician: Option<Technician>,
        /// A remark; required with the reason `other`.
        pub note: Option<Note>,
    }
}

impl NewDiscard {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        needs_note(self.reason == DiscardReason::Other, self.note.as_ref(), spot, faults);
    }
}

/// The line by which the straws go.
///
/// # Errors
/// The lot or the tank is not known, the tank has no such canister, the time lies far ahead, or so many straws do not
/// hang there.
pub fn decide(
    new: &NewDiscard,
    lot: Option<&Lot>,
    from: &PlaceStock,
    now: Now,
) -> Result<Posting, Rejection> {
    let (occurred_at, ahead) = now.client_time(new.discarded_at, "discarded_at")?;
    known_lot(lot, new.lot_id)?;
    from.must_exist("place")?;
    Ok(Posting {
        kind: MovementKind::Discard,
        lot_id: new.lot_id,
        from: from.gives(new.straws, || format!("straws of this lot in {}", from.place.describe()))?,
        to: PostingEnd::Outside(PlaceKind::Discarded),
        straws: new.straws,
        occurred_at,
        technician: new.technician.clone(),
        cause: Cause::default(),
        reason: Some(new.reason.as_str()),
        exposure_s: None,
        note: new.note.clone(),
        warnings: ahead.into_iter().collect(),
    })
}
