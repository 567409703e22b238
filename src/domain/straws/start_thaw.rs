//! A straw goes into the bath.

use chrono::TimeDelta;
use utoipa::ToSchema;

use crate::{
    domain::{
        access::Role,
        animals::objection::{Deviation, DeviationKind, Deviations},
        duration::words,
        now::Now,
        rejection::Rejection,
        straws::{
            exposure::{self, OnTheWay},
            thaw::{BathVerdict, InBath, judge_bath, room_for, straws_in, thawing},
            thaw_advice::crowded_text,
            withdraw::{Override, may_override},
            withdrawal::{Withdrawal, WithdrawalState},
        },
        values::{Celsius, Millilitres, Timestamp},
    },
    form,
};

form! {
    /// A straw goes into the bath.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewThaw {
        /// The bath's temperature, in degrees Celsius.
        #[schema(example = 35.6)]
        pub bath_temp_c: Celsius,
        /// When the straw goes in; now when not said.
        pub started_at: Option<Timestamp>,
        /// How much water the bath holds, for advice in millilitres.
        #[schema(example = 1000)]
        pub bath_volume_ml: Option<Millilitres>,
        /// How warm the water at hand is, for advice in millilitres.
        #[schema(example = 12.0)]
        pub water_temp_c: Option<Celsius>,
        /// It has happened: a bath out of range does not reject it and becomes a deviation.
        #[schema(required = false)]
        pub already_done: bool = false,
        /// Records a bath out of range that was used all the same.
        #[schema(rename = "override")]
        pub r#override: Option<Override>,
    }
}

/// A straw is in the bath.
#[derive(Debug)]
pub struct Decision {
    /// The withdrawal as it is then.
    pub withdrawal: Withdrawal,
    /// What was set aside.
    pub set_aside: Deviations,
}

/// Whether the straw may go in; `in_bath` are the technician's other straws that are in the bath then.
///
/// # Errors
/// It was used or thawed already, the time lies far ahead; or, unless it was done already, the bath is out of the protocol's
/// range and no manager sets that aside.
pub fn decide(
    new: &NewThaw,
    mut withdrawal: Withdrawal,
    in_bath: &[InBath],
    now: Now,
    role: Role,
) -> Result<Decision, Rejection> {
    let (started_at, ahead) = now.client_time(new.started_at, "started_at")?;
    withdrawal.must_be_open()?;
    if withdrawal.state == WithdrawalState::Thawing {
        return Err(Rejection::AlreadyThawing {
            withdrawal: withdrawal.id,
            ready_at: withdrawal.ready_at,
            use_by: withdrawal.use_by,
        });
    }
    let verdict = judge_bath(&withdrawal.thaw, new.bath_temp_c, new.bath_volume_ml, new.water_temp_c);
    let out_of_range = match verdict {
        BathVerdict::Right => None,
        BathVerdict::TooHot(advice) => Some((advice.text.clone(), Rejection::BathTooHot(advice))),
        BathVerdict::TooCold(advice) => Some((advice.text.clone(), Rejection::BathTooCold(advice))),
    };
    let mut set_aside = Deviations::default();
    if let Some((text, rejection)) = out_of_range {
        let reason = new.r#override.as_ref().map(|Override { reason }| reason.to_string());
        if !new.already_done {
            if reason.is_none() {
                return Err(rejection);
            }
            may_override(role)?;
        }
        set_aside.0.push(Deviation { kind: DeviationKind::BathOutOfRange, text, reason });
        withdrawal.deviations.0.extend(set_aside.0.clone());
    }
    if started_at < withdrawal.withdrawn_at {
        withdrawal.deviations.0.push(Deviation {
            kind: DeviationKind::BeforeWithdrawal,
            text: format!(
                "The thaw is dated {} before the straw left the tank; look at the clocks.",
                words(withdrawal.withdrawn_at.since(started_at).max(TimeDelta::seconds(1)))
            ),
            reason: None,
        });
    }
    let way =
        exposure::on_the_way(started_at.since(withdrawal.withdrawn_at), withdrawal.lot.details.straw_ml);
    let slow = match way {
        OnTheWay::InTime => None,
        OnTheWay::Slow(text) => Some(text),
        OnTheWay::Late(deviation) => {
            withdrawal.deviations.0.push(deviation);
            None
        }
    };
    let clock = thawing(&withdrawal.thaw, withdrawal.withdrawn_at, started_at);
    withdrawal.warnings = ahead.into_iter().chain(slow).chain(crowded(new, &withdrawal, in_bath)).collect();
    let withdrawal = Withdrawal {
        state: WithdrawalState::Thawing,
        bath_temp_c: Some(new.bath_temp_c),
        thaw_started_at: Some(clock.started_at),
        ready_at: Some(clock.ready_at),
        use_by: Some(clock.use_by),
        ..withdrawal
    };
    Ok(Decision { withdrawal, set_aside })
}

/// A warning when there are more straws in the bath than may be there together.
fn crowded(new: &NewThaw, withdrawal: &Withdrawal, in_bath: &[InBath]) -> Option<String> {
    let lot = &withdrawal.lot.details;
    let at_once = room_for(lot.semen_type, lot.straw_ml, new.bath_volume_ml, in_bath);
    (withdrawal.straws.get() > at_once).then(|| crowded_text(withdrawal.straws, at_once, straws_in(in_bath)))
}
