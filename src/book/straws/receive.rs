//! A delivery comes in.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext},
    },
    domain::straws::{
        movement::Movement,
        receive::{self, NewReceipt},
    },
    store::straws::place,
};

impl Command for NewReceipt {
    type Done = Movement;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Movement, CommandError> {
        let business = cx.business();
        let (lot, to) = place::stock_at(cx.tx, business, self.lot_id, &self.place).await?;
        let posting = receive::decide(self, lot.as_ref(), &to, cx.now())?;
        Ok(cx.post(posting).await?)
    }
}
