//! A withdrawn straw is thrown away instead of used.

use super::{
    Stop, known,
    thaw::still_open,
    withdraw::{Shown, shown},
    writer::{Act, Turn},
};
use crate::{
    domain::{
        movement::MovementKind,
        place::PlaceKind,
        values::{Note, Technician, Timestamp, WithdrawalId},
        withdrawal::{DiscardReason, Withdrawal, WithdrawalState},
    },
    store::{
        self,
        ledger::{self, Entry},
    },
};

/// Throws a withdrawn straw away.
#[derive(Clone, Debug)]
pub struct DiscardWithdrawn {
    /// Which.
    pub withdrawal_id: WithdrawalId,
    /// Why.
    pub reason: DiscardReason,
    /// When; now when not said.
    pub discarded_at: Option<Timestamp>,
    /// Who.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
}

impl Act for DiscardWithdrawn {
    type Done = Shown;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<Shown, Stop> {
        let (at, ahead) = known::told_time(self.discarded_at, turn.now, "discarded_at")?;
        let withdrawal = known::withdrawal(turn, self.withdrawal_id, None).await?;
        still_open(&withdrawal)?;
        let business = turn.business();
        let state = WithdrawalState::Discarded;
        store::withdrawal::resolve(turn.tx, business, withdrawal.id, state, at).await?;
        let entry = Entry {
            kind: MovementKind::Discard,
            lot: withdrawal.lot_id,
            // It went out of the tank towards a use; now it is known not to have got there.
            from: ledger::outside(turn.tx, business, PlaceKind::Used).await?,
            to: ledger::outside(turn.tx, business, PlaceKind::Discarded).await?,
            straws: withdrawal.straws,
            occurred_at: at,
            technician: self.technician.clone(),
            withdrawal: Some(withdrawal.id),
            reason: Some(self.reason.as_str()),
            note: self.note.clone(),
        };
        ledger::record(turn.tx, business, turn.caller.key_id, turn.now, entry).await?;
        let withdrawal = Withdrawal { state, resolved_at: Some(at), ..withdrawal };
        let mut shown = shown(turn.tx, business, withdrawal).await?;
        shown.warnings.extend(ahead);
        Ok(shown)
    }
}
