//! A straw goes into the bath.

use crate::{
    book::{
        CommandError,
        alerts::alert,
        command::{Command, CommandContext, On},
        lookup,
    },
    domain::{
        straws::{
            start_thaw::{self, Decision, NewThaw},
            withdrawal::Withdrawal,
        },
        values::WithdrawalId,
    },
    store::{self, straws::withdrawal::Whose},
};

impl Command for On<WithdrawalId, NewThaw> {
    type Done = Withdrawal;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Withdrawal, CommandError> {
        let withdrawal = lookup::withdrawal(cx, self.id, None).await?;
        let whose = Whose {
            technician: withdrawal.technician.clone(),
            key: cx.caller.key_id,
            but: Some(withdrawal.id),
        };
        let at = self.command.started_at.unwrap_or(cx.now);
        let in_bath = store::straws::withdrawal::in_bath(cx.tx, cx.business(), &whose, at).await?;
        let decision = start_thaw::decide(&self.command, withdrawal, &in_bath, cx.now(), cx.caller.role)?;
        let Decision { withdrawal, set_aside } = decision;
        store::straws::withdrawal::thawing(cx.tx, cx.caller.business_id, &withdrawal).await?;
        cx.touched.withdrawal(withdrawal.id);
        if !set_aside.0.is_empty() {
            alert::overridden(cx, &withdrawal, &set_aside).await?;
        }
        // Ready in the past is ready now.
        Ok(withdrawal.at(cx.now))
    }
}
