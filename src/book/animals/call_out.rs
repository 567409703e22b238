//! A farm asks for the technician.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext, On},
    },
    domain::{
        animals::call_out::{self, CallOut, CallOutState, NewCallOut, NewClosing},
        rejection::Rejection,
        values::CallOutId,
    },
    store,
};

impl Command for NewCallOut {
    type Done = CallOut;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<CallOut, CommandError> {
        let (business, by) = (cx.business(), cx.caller.key_id);
        let herd = store::animals::herd::find(cx.tx, business, self.herd_id).await?;
        let animals = match self.animal_ids[..] {
            [] => Vec::new(),
            ref ids => store::animals::animal::of_ids(cx.tx, business, ids).await?,
        };
        let herd_name = herd.map(|herd| herd.details.name);
        let call_out = call_out::decide(self, herd_name, &animals, by, cx.now())?;
        store::animals::call_out::add(cx.tx, business, &call_out).await?;
        Ok(call_out)
    }
}

impl Command for On<CallOutId, NewClosing> {
    type Done = CallOut;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<CallOut, CommandError> {
        let business = cx.business();
        let found = store::animals::call_out::find(cx.tx, business, self.id).await?;
        let found = found.ok_or(Rejection::Unknown { what: "request", id: self.id.0, pointer: None })?;
        if found.state == CallOutState::Done {
            return Ok(found);
        }
        let closed = found.closed(&self.command, cx.now);
        store::animals::call_out::change(cx.tx, business, &closed).await?;
        Ok(closed)
    }
}
