//! A mistake is undone: by another line of the ledger, never by changing one.
//!
//! The pair stays to be seen. A line is undone once, and only if the straws can be where it would put them back from.
//! What hung on it follows: a reversed withdrawal never left the tank, and the service that was recorded with it no
//! longer counts.

use utoipa::ToSchema;

use crate::{
    domain::{
        animals::{candidate::Candidate, history::Numbered},
        form::{Fault, InputPath},
        now::Now,
        rejection::Rejection,
        straws::{
            movement::{End, Movement, MovementKind, ReversalReason},
            posting::{Cause, PlaceStock, Posting, PostingEnd},
            withdrawal::WithdrawalState,
        },
        values::{AnimalId, Note, ServiceId, StocktakeId, Technician, Timestamp, WithdrawalId, needs_note},
    },
    form,
};

form! {
    /// A line of the ledger is undone.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewReversal, check NewReversal::check {
        /// Why.
        pub reason: ReversalReason,
        /// When the mistake was found; now when not said.
        pub reversed_at: Option<Timestamp>,
        /// Who found it.
        pub technician: Option<Technician>,
        /// A remark; required with the reason `other`.
        pub note: Option<Note>,
    }
}

impl NewReversal {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        needs_note(self.reason == ReversalReason::Other, self.note.as_ref(), spot, faults);
    }
}

/// What is to be known before a line is undone.
#[derive(Debug)]
pub struct Facts {
    /// The line.
    pub original: Movement,
    /// Where the straws go back to, when that is in a tank.
    pub back_to: Option<PlaceStock>,
    /// Where they are to be taken from, when that is in a tank.
    pub taken_from: Option<PlaceStock>,
    /// An accepted stocktake that counted that lot at one of the two places after the line.
    pub counted_by: Option<StocktakeId>,
    /// Where the withdrawal stands that the line belongs to, and where it would stand unresolved.
    pub withdrawal: Option<(WithdrawalState, WithdrawalState)>,
    /// The service that was recorded with that withdrawal.
    pub service: Option<ServiceId>,
    /// Whom it served.
    pub candidate: Option<Candidate>,
}

/// A line is to be undone.
#[derive(Debug)]
pub struct Decision {
    /// The line that undoes it.
    pub posting: Posting,
    /// The withdrawal that follows, and where it stands then.
    pub withdrawal: Option<(WithdrawalId, WithdrawalState)>,
    /// The service that no longer counts.
    pub service: Option<ServiceId>,
    /// Whom it served.
    pub animal: Option<AnimalId>,
    /// Services that get another number by that.
    pub renumbered: Vec<(ServiceId, Numbered)>,
}

/// How the line is undone.
///
/// # Errors
/// It was undone already; an accepted count covers it; the straw was discarded since; the straws do not hang any more
/// where they would be taken from; a tank lost the canister; or the time lies far ahead.
pub fn decide(new: &NewReversal, facts: &Facts, now: Now) -> Result<Decision, Rejection> {
    let (occurred_at, ahead) = now.client_time(new.reversed_at, "reversed_at")?;
    let original = &facts.original;
    if let Some(by) = original.reversed_by {
        return Err(Rejection::AlreadyReversed { movement: original.id, by });
    }
    let state = facts.withdrawal.map(|(state, open)| state_after(original, state, open)).transpose()?;
    if let Some(stocktake) = facts.counted_by {
        return Err(Rejection::Counted { stocktake });
    }
    for there in facts.taken_from.iter().chain(&facts.back_to) {
        there.must_still_exist()?;
    }
    let straws = original.straws;
    let missing = || {
        let place = original.to.place.as_ref().map_or_else(String::new, |p| format!(" in {}", p.describe()));
        format!("straws of line {} to be taken back{place}; reverse first what took them", original.seq)
    };
    let posting = Posting {
        kind: MovementKind::Reversal,
        lot_id: original.lot_id,
        from: end(facts.taken_from.as_ref(), &original.to, |there| there.gives(straws, missing))?,
        to: end(facts.back_to.as_ref(), &original.from, |there| Ok(there.takes(straws)))?,
        straws,
        occurred_at,
        technician: new.technician.clone(),
        cause: Cause {
            withdrawal: original.withdrawal_id,
            stocktake: original.stocktake_id,
            reverses: Some(original.id),
        },
        reason: Some(new.reason.as_str()),
        exposure_s: None,
        note: new.note.clone(),
        warnings: ahead.into_iter().collect(),
    };
    let service = facts.service.filter(|_| original.kind == MovementKind::Withdrawal);
    let renumbered =
        service.zip(facts.candidate.as_ref()).map(|(id, candidate)| candidate.renumbered_without(id));
    Ok(Decision {
        posting,
        withdrawal: original.withdrawal_id.zip(state),
        service,
        animal: facts.candidate.as_ref().map(|candidate| candidate.id),
        renumbered: renumbered.unwrap_or_default(),
    })
}

/// An end of the new line, from the end of the old one where straws are put there or taken from there.
fn end(
    there: Option<&PlaceStock>,
    old: &End,
    in_tank: impl FnOnce(&PlaceStock) -> Result<PostingEnd, Rejection>,
) -> Result<PostingEnd, Rejection> {
    there.map_or(Ok(PostingEnd::Outside(old.kind)), in_tank)
}

/// Where a withdrawal stands when its line is undone.
fn state_after(
    original: &Movement,
    state: WithdrawalState,
    open: WithdrawalState,
) -> Result<WithdrawalState, Rejection> {
    match original.kind {
        MovementKind::Withdrawal if state == WithdrawalState::Discarded => {
            Err(not_reversible("The straw was discarded; reverse the discard first."))
        }
        MovementKind::Withdrawal => Ok(WithdrawalState::Reversed),
        MovementKind::Discard => Ok(open),
        MovementKind::Reversal
        | MovementKind::Receipt
        | MovementKind::Transfer
        | MovementKind::Count
        | MovementKind::Consignment => Err(not_reversible(
            "What was reversed with a withdrawal or its discard is entered anew, not reversed back.",
        )),
    }
}

fn not_reversible(text: &str) -> Rejection {
    Rejection::NotReversible { text: text.to_owned() }
}
