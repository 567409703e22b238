//! Looks at the open alerts of rules that were changed or taken away, a part at a time.

use std::time::Duration;

use tokio::time;

use crate::{
    book::{Book, alerts::recheck::Recheck},
    scheduler::RoundError,
    store::alerts::recheck,
};

/// How often one looks for what another process left, or this one before it was stopped.
const EVERY: Duration = Duration::from_secs(20);

/// Goes on until it is dropped.
pub async fn work(book: &Book) {
    let mut next = time::interval(EVERY);
    next.set_missed_tick_behavior(time::MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            _ = next.tick() => {}
            () = book.db.rechecks().notified() => {}
        }
        if let Err(trouble) = finish(book).await {
            tracing::warn!(%trouble, "alerts of a changed rule could not all be looked at, which is done later");
        }
    }
}

/// Looks at all that are left. Businesses take turns.
///
/// # Errors
/// The store cannot be read, or the writer cannot write.
pub async fn finish(book: &Book) -> Result<(), RoundError> {
    let mut tx = book.db.read().await?;
    let mut businesses = recheck::businesses(&mut tx).await?;
    drop(tx);
    while !businesses.is_empty() {
        let mut left = Vec::new();
        for business in businesses {
            let command = Recheck { business };
            if book.writer.run_in_background(command).await.map_err(RoundError::Writer)? {
                left.push(business);
            }
        }
        businesses = left;
    }
    Ok(())
}
