//! A file that is taken in while the book is served: a command among others, in the caller's own name.

use std::{io::Cursor, sync::Arc};

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext, Touched},
        exchange::import::{Failure, Import, Subject, Summary, faults::Faults, noted},
    },
    store,
};

/// A file that is taken in, all of it or nothing.
#[derive(Clone, Debug)]
pub struct TakeIn {
    /// What it is about.
    pub subject: Subject,
    /// What a column says where a line says nothing.
    pub given: Vec<(&'static str, String)>,
    /// Whether everything is done but the last step.
    pub dry_run: bool,
    /// The file.
    pub file: Arc<[u8]>,
}

/// What came of it.
#[derive(Debug)]
pub enum Taken {
    /// It is in the book; of a dry run it would be.
    In(Summary),
    /// Lines are wrong; nothing was taken in.
    Wrong(Faults),
    /// The file as a whole cannot be used.
    Unusable(String),
    /// It was taken in before.
    Repeated(String),
}

impl Command for TakeIn {
    type Done = Taken;
    /// What it writes before it finds a fault it takes back itself: a dry run is undone and no refusal.
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Taken, CommandError> {
        cx.tx.savepoint().await?;
        let taken = self.take(cx).await?;
        if self.dry_run || !matches!(taken, Taken::In(_)) {
            cx.tx.rollback_to_savepoint().await?;
            cx.touched = Touched::default();
        }
        cx.tx.release_savepoint().await?;
        Ok(taken)
    }
}

impl TakeIn {
    async fn take(&self, cx: &mut CommandContext<'_>) -> store::Result<Taken> {
        let import = Import {
            business: cx.business(),
            subject: self.subject,
            source: "a request",
            given: &self.given,
            dry_run: self.dry_run,
        };
        let taken = match import.take_in(cx, Cursor::new(self.file.clone()), |_| {}).await {
            Ok((summary, digest)) => {
                noted::note(cx.tx, cx.caller, &import, &digest, &summary, cx.latest).await.map(|()| summary)
            }
            Err(failure) => Err(failure),
        };
        match taken {
            Ok(summary) => Ok(Taken::In(summary)),
            Err(Failure::Wrong(faults)) => Ok(Taken::Wrong(faults)),
            Err(Failure::Unusable(why)) => Ok(Taken::Unusable(why)),
            Err(Failure::Repeated(why)) => Ok(Taken::Repeated(why)),
            Err(Failure::Store(error)) => Err(error),
        }
    }
}
