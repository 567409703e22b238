//! Straws are thrown away: from stock, or withdrawn and not used.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext, On},
        lookup,
        straws::decided,
    },
    domain::{
        straws::{
            discard::{self, NewDiscard},
            discard_withdrawn::{self, NewDiscardOfWithdrawn},
            movement::Movement,
            withdrawal::Withdrawal,
        },
        values::WithdrawalId,
    },
    store::{self, straws::place},
};

impl Command for NewDiscard {
    type Done = Movement;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Movement, CommandError> {
        let business = cx.business();
        let (lot, from) = place::stock_at(cx.tx, business, self.lot_id, &self.place).await?;
        let decision = discard::decide(self, lot.as_ref(), &from, cx.now());
        let posting = decided(cx, self.lot_id, Some(&self.place), decision).await?;
        Ok(cx.post(posting).await?)
    }
}

impl Command for On<WithdrawalId, NewDiscardOfWithdrawn> {
    type Done = Withdrawal;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Withdrawal, CommandError> {
        let withdrawal = lookup::withdrawal(cx, self.id, None).await?;
        let withdrawal = discard_withdrawn::decide(&self.command, withdrawal, cx.now())?;
        let (business, by) = (cx.business(), cx.caller.key_id);
        store::straws::withdrawal::discard(cx.tx, business, by, cx.now, &self.command, &withdrawal).await?;
        cx.touched.withdrawal(withdrawal.id);
        Ok(withdrawal)
    }
}
