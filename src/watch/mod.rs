//! What time alone brings about: looked for by the clock.
//!
//! A round goes through the businesses, reads what may be due, and hands the writer only what is. The writer
//! looks at each once more in its own transaction, so that rounds of several processes, a round after a long
//! stop, and a clock that jumps do no more than one round would.

use std::time::Duration;

use tokio::{task::JoinHandle, time};

use crate::{
    book::{
        Book,
        alert::{self, Round},
        writer::Failure,
    },
    store,
};

/// From one round to the next.
const EVERY: Duration = Duration::from_secs(20);

/// What the writer does of a round in one go; callers wait meanwhile.
const TOGETHER: usize = 25;

/// Why a round was not gone through; the next one takes it up.
#[derive(Debug, thiserror::Error)]
pub enum Trouble {
    /// The store could not be read.
    #[error(transparent)]
    Store(#[from] store::Error),
    /// The writer could not do it.
    #[error("the writer could not do it: {0:?}")]
    Writer(Failure),
}

/// Goes round until it is told to stop by dropping the handle's task.
pub fn start(book: Book) -> JoinHandle<()> {
    tokio::spawn(async move {
        let mut rounds = time::interval(EVERY);
        rounds.set_missed_tick_behavior(time::MissedTickBehavior::Delay);
        loop {
            rounds.tick().await;
            if let Err(trouble) = look_round(&book).await {
                tracing::warn!(%trouble, "a round could not be finished, the next one takes it up");
            }
        }
    })
}

/// One round.
///
/// # Errors
/// The store cannot be read, or the writer cannot write.
pub async fn look_round(book: &Book) -> Result<(), Trouble> {
    let mut tx = book.db.read().await?;
    let businesses = store::business::all(&mut tx).await?;
    drop(tx);
    for business in businesses {
        let mut tx = book.db.read().await?;
        let due = alert::due(&mut tx, business.id, book.clock.now()).await?;
        drop(tx);
        for due in due.chunks(TOGETHER) {
            let round = Round { business: business.id, due: due.to_vec() };
            book.writer.chore(round).await.map_err(Trouble::Writer)?;
        }
    }
    Ok(())
}
