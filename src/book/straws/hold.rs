//! Straws of a tank or canister are not to be used, or may be used again.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext},
    },
    domain::{
        rejection::Rejection,
        straws::hold::{self, Hold, NewHold},
        values::HoldId,
    },
    store::{nitrogen::tank, straws::hold as holds},
};

impl Command for NewHold {
    type Done = Hold;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Hold, CommandError> {
        let business = cx.business();
        let tank = tank::find(cx.tx, business, self.tank_id).await?;
        let open = holds::open_in(cx.tx, business, self.tank_id).await?;
        let hold = hold::decide(self, tank.as_ref(), &open, cx.now())?;
        holds::add(cx.tx, business, cx.caller.key_id, &hold).await?;
        Ok(hold)
    }
}

/// Lifts a hold.
#[derive(Clone, Copy, Debug)]
pub struct Lift {
    /// Which.
    pub hold_id: HoldId,
}

impl Command for Lift {
    type Done = ();
    const DECIDES_FIRST: bool = true;

    /// A second time changes nothing.
    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<(), CommandError> {
        let business = cx.business();
        let hold = holds::find(cx.tx, business, self.hold_id).await?;
        let id = self.hold_id;
        let hold = hold.ok_or(Rejection::Unknown { what: "hold", id: id.0, pointer: None })?;
        if hold.lifted_at.is_none() {
            holds::lift(cx.tx, business, cx.caller.key_id, id, cx.now).await?;
        }
        Ok(())
    }
}
