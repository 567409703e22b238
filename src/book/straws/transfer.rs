//! Straws are hung elsewhere.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext},
        straws::decided,
    },
    domain::straws::{
        movement::Movement,
        transfer::{self, NewTransfer},
    },
    store::{self, straws::place},
};

impl Command for NewTransfer {
    type Done = Movement;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Movement, CommandError> {
        let business = cx.business();
        let asked = [(self.lot_id, &self.from), (self.lot_id, &self.to)];
        let places = place::stock_at_all(cx.tx, business, &asked).await?;
        let [(lot, from), (_, to)] = places.as_slice() else {
            return Err(store::Error::Unusable("two places were asked for and not found".to_owned()).into());
        };
        let decision = transfer::decide(self, lot.as_ref(), from, to, cx.now());
        let posting = decided(cx, self.lot_id, Some(&self.from), decision).await?;
        Ok(cx.post(posting).await?)
    }
}
