//! A withdrawn straw is thrown away: it was not used.

use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, InputPath},
        now::Now,
        rejection::Rejection,
        straws::withdrawal::{DiscardReason, Withdrawal, WithdrawalState},
        values::{Note, Technician, Timestamp, needs_note},
    },
    form,
};

form! {
    /// A withdrawn straw is thrown away.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewDiscardOfWithdrawn, check NewDiscardOfWithdrawn::check {
        /// Why.
        pub reason: DiscardReason,
        /// When; now when not said.
        pub discarded_at: Option<Timestamp>,
        /// Who.
        pub technician: Option<Technician>,
        /// A remark; required with the reason `other`.
        pub note: Option<Note>,
    }
}

impl NewDiscardOfWithdrawn {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        needs_note(self.reason == DiscardReason::Other, self.note.as_ref(), spot, faults);
    }
}

/// The withdrawal as it is then.
///
/// # Errors
/// It was served or discarded already; the time lies far ahead.
pub fn decide(
    new: &NewDiscardOfWithdrawn,
    withdrawal: Withdrawal,
    now: Now,
) -> Result<Withdrawal, Rejection> {
    let (at, ahead) = now.client_time(new.discarded_at, "discarded_at")?;
    withdrawal.must_be_open()?;
    Ok(Withdrawal {
        state: WithdrawalState::Discarded,
        resolved_at: Some(at),
        warnings: ahead.into_iter().collect(),
        ..withdrawal
    })
}
