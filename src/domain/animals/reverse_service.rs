//! A service was entered by mistake: it stays to be seen and no longer counts. A straw of this book that went into it is
//! unresolved again.

use crate::domain::{
    animals::{candidate::Candidate, history::Numbered, service::Service},
    rejection::Rejection,
    straws::withdrawal::{Withdrawal, WithdrawalState},
    values::{ServiceId, Timestamp},
};

/// A service is to be undone.
#[derive(Debug)]
pub struct Decision {
    /// The service as it is then.
    pub service: Service,
    /// Where its withdrawal stands again.
    pub withdrawal_state: Option<WithdrawalState>,
    /// Services that get another number by that.
    pub renumbered: Vec<(ServiceId, Numbered)>,
}

/// How it is undone at `now`.
///
/// # Errors
/// It was undone already.
pub fn decide(
    service: Service,
    candidate: Option<&Candidate>,
    withdrawal: Option<&Withdrawal>,
    now: Timestamp,
) -> Result<Decision, Rejection> {
    if service.reversed_at.is_some() {
        let text = "The service was reversed already.".to_owned();
        return Err(Rejection::NotReversible { text });
    }
    let renumbered = candidate.map(|candidate| candidate.renumbered_without(service.id));
    Ok(Decision {
        withdrawal_state: withdrawal.map(Withdrawal::unresolved_state),
        renumbered: renumbered.unwrap_or_default(),
        service: Service { reversed_at: Some(now), ..service },
    })
}
