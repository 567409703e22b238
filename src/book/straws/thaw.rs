//! A straw goes into the bath.

use crate::{
    book::{
        CommandError, Rejection,
        alerts::alert,
        command::{Command, CommandContext},
        lookup,
        straws::withdraw::may_override,
    },
    domain::{
        animals::objection::{Deviation, DeviationKind},
        straws::{
            thaw::{BathVerdict, judge_bath, straws_at_once, thawing},
            withdrawal::{Withdrawal, WithdrawalState},
        },
        values::{Celsius, Millilitres, Reason, Timestamp, WithdrawalId},
    },
    store,
};

/// Puts a withdrawn straw into the bath.
#[derive(Clone, Debug)]
pub struct Thaw {
    /// Which.
    pub withdrawal_id: WithdrawalId,
    /// The bath's temperature.
    pub bath_temp_c: Celsius,
    /// When it goes in; now when not said.
    pub started_at: Option<Timestamp>,
    /// How much water the bath holds.
    pub bath_volume_ml: Option<Millilitres>,
    /// How warm the water is with which the bath could be mended.
    pub water_temp_c: Option<Celsius>,
    /// Why a bath out of range was used all the same.
    pub override_reason: Option<Reason>,
}

impl Command for Thaw {
    type Done = Withdrawal;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Withdrawal, CommandError> {
        let (started_at, ahead) = lookup::client_time(self.started_at, cx, "started_at")?;
        let mut withdrawal = lookup::withdrawal(cx, self.withdrawal_id, None).await?;
        still_open(&withdrawal)?;
        if withdrawal.state == WithdrawalState::Thawing {
            return Err(Rejection::AlreadyThawing {
                withdrawal: withdrawal.id,
                ready_at: withdrawal.ready_at,
                use_by: withdrawal.use_by,
            }
            .into());
        }
        let verdict = judge_bath(&withdrawal.thaw, self.bath_temp_c, self.bath_volume_ml, self.water_temp_c);
        let refusal = match verdict {
            BathVerdict::Right => None,
            BathVerdict::TooHot(advice) => Some((advice.text.clone(), Rejection::BathTooHot(advice))),
            BathVerdict::TooCold(advice) => Some((advice.text.clone(), Rejection::BathTooCold(advice))),
        };
        let set_aside = refusal.as_ref().map(|(text, _)| text.clone());
        if let Some((text, refusal)) = refusal {
            let Some(reason) = &self.override_reason else { return Err(refusal.into()) };
            may_override(cx.caller)?;
            let kind = DeviationKind::BathOutOfRange;
            withdrawal.deviations.0.push(Deviation { kind, text, reason: Some(reason.to_string()) });
        }

        let clock = thawing(&withdrawal.thaw, started_at);
        let business = cx.business();
        let (id, bath) = (withdrawal.id, self.bath_temp_c);
        store::straws::withdrawal::thawing(cx.tx, business, id, bath, &clock, &withdrawal.deviations).await?;
        let withdrawal = Withdrawal {
            state: WithdrawalState::Thawing,
            bath_temp_c: Some(bath),
            thaw_started_at: Some(clock.started_at),
            ready_at: Some(clock.ready_at),
            use_by: Some(clock.use_by),
            ..withdrawal
        };
        cx.touched.withdrawal(id);
        if let Some(what) = set_aside {
            alert::overridden(cx, &withdrawal, &format!("set aside: {what}")).await?;
        }
        let warnings = ahead.into_iter().chain(self.crowded(&withdrawal)).collect();
        Ok(Withdrawal { warnings, ..withdrawal }.at(cx.now))
    }
}

impl Thaw {
    /// A warning when the straws together would cool the bath by more than a degree.
    fn crowded(&self, withdrawal: &Withdrawal) -> Option<String> {
        let volume = self.bath_volume_ml?;
        let at_once = straws_at_once(volume, withdrawal.lot.details.straw_ml?);
        (withdrawal.straws.get() > at_once).then(|| {
            format!(
                "{} straws together cool {volume} ml of water by more than 1 C; thaw at most {at_once} at once, \
                 and they must not touch.",
                withdrawal.straws
            )
        })
    }
}

/// Refuses what was already served or discarded.
pub fn still_open(withdrawal: &Withdrawal) -> Result<(), Rejection> {
    if withdrawal.is_resolved() {
        return Err(Rejection::AlreadyResolved {
            withdrawal: withdrawal.id,
            state: withdrawal.state,
            at: withdrawal.resolved_at,
        });
    }
    Ok(())
}
