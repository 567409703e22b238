//! Taking turns: so many at once, a few that wait, and the others are turned away while that costs nothing.

use std::{sync::Arc, time::Duration};

use tokio::{
    sync::{OwnedSemaphorePermit, Semaphore},
    time::timeout,
};

/// How long one may wait for its turn; whoever asks again later waits no longer.
const LONGEST: Duration = Duration::from_secs(5);

/// Turns at something.
#[derive(Clone, Debug)]
pub struct Turns {
    at_once: Arc<Semaphore>,
    waiting: Arc<Semaphore>,
}

/// A turn, until it is dropped.
#[derive(Debug)]
#[must_use]
pub struct Turn {
    _permit: OwnedSemaphorePermit,
}

impl Turns {
    /// So many at once, and so many more that wait.
    pub fn new(at_once: usize, waiting: usize) -> Self {
        Self { at_once: Arc::new(Semaphore::new(at_once)), waiting: Arc::new(Semaphore::new(waiting)) }
    }

    /// A turn; `None` when too many wait already or it took too long to come.
    pub async fn take(&self) -> Option<Turn> {
        if let Ok(permit) = self.at_once.clone().try_acquire_owned() {
            return Some(Turn { _permit: permit });
        }
        let _place = self.waiting.try_acquire().ok()?;
        let permit = timeout(LONGEST, self.at_once.clone().acquire_owned()).await.ok()?.ok()?;
        Some(Turn { _permit: permit })
    }

    /// Whether nobody has or awaits a turn.
    pub fn is_idle(&self) -> bool {
        Arc::strong_count(&self.at_once) == 1
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn so_many_at_once_a_few_wait_and_one_more_is_turned_away() {
        let turns = Turns::new(2, 1);
        let (first, _second) = (turns.take().await.unwrap(), turns.take().await.unwrap());
        let waits = tokio::spawn({
            let turns = turns.clone();
            async move { turns.take().await }
        });
        tokio::task::yield_now().await;
        while turns.waiting.available_permits() > 0 {
            tokio::task::yield_now().await;
        }
        assert!(turns.take().await.is_none());
        drop(first);
        assert!(waits.await.unwrap().is_some());
        assert!(!turns.is_idle());
    }
}
