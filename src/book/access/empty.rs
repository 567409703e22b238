//! The book of a business for trials is emptied.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext, Touched},
    },
    domain::{
        access::business::{MOST_EMPTIED, may_empty},
        rejection::Rejection,
    },
    store::access::{book, business},
};

/// Takes everything out of the caller's book but the keys.
#[derive(Clone, Copy, Debug)]
pub struct EmptyBook;

impl Command for EmptyBook {
    type Done = ();
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<(), CommandError> {
        let id = cx.business();
        let own = business::own(cx.tx, id).await?;
        let own = own.ok_or(Rejection::Unknown { what: "business", id: id.0, pointer: None })?;
        let is_larger = own.is_test && book::has_more_than(cx.tx, id, MOST_EMPTIED).await?;
        may_empty(&own, is_larger)?;
        book::empty(cx.tx, id).await?;
        cx.touched = Touched::default();
        Ok(())
    }
}
