//! What time alone brings about: looked for by the clock.
//!
//! A round goes through the businesses, reads what may be due, and hands the writer only what is. The writer
//! looks at each once more in its own transaction, so that rounds of several processes, a round after a long
//! stop, and a clock that jumps do no more than one round would. Of several processes on one server one goes through a
//! business at a time.

pub mod backups;
pub mod rechecks;

use std::{
    collections::{BTreeMap, HashMap},
    time::Duration,
};

use chrono::TimeDelta;
use tokio::{task::JoinHandle, time};

use crate::{
    book::{
        Book,
        access::{device::WriteSeen, key_use::WriteUses},
        alerts::{
            alert::{self, Round},
            animal,
        },
        command::{BackgroundCommand, Failure},
    },
    domain::{
        access::device::SeenDevice,
        values::{BusinessId, Timestamp},
    },
    store::{self, Tx, alerts::sweep::Sweep},
};

/// From one round to the next.
const EVERY: Duration = Duration::from_secs(20);

/// How often the tanks are gone through: their level falls slowly, and it takes all of their readings to tell.
const TANKS_EVERY: TimeDelta = TimeDelta::minutes(15);

/// How long a business is left alone once a process took it up: a little less than a round, so that who took it up may do so
/// again when its next one comes a moment early.
const TAKEN_FOR: TimeDelta = TimeDelta::seconds(19);

/// Businesses that a process takes up in one go; others take up the next meanwhile.
const TAKEN_TOGETHER: i64 = 25;

/// What the writer does of a round in one go; callers wait meanwhile.
const TOGETHER: usize = 25;

/// Why a round was not gone through; the next one takes it up.
#[derive(Debug, thiserror::Error)]
pub enum RoundError {
    /// The store could not be read.
    #[error(transparent)]
    Store(#[from] store::Error),
    /// The writer could not do it.
    #[error("the writer could not do it: {0:?}")]
    Writer(Failure),
}

/// Goes round until the task is aborted.
pub fn start(book: Book) -> JoinHandle<()> {
    tokio::spawn(async move {
        tokio::join!(go_round(&book), rechecks::work(&book));
    })
}

async fn go_round(book: &Book) {
    let mut rounds = Rounds::default();
    let mut next = time::interval(EVERY);
    next.set_missed_tick_behavior(time::MissedTickBehavior::Delay);
    loop {
        next.tick().await;
        if let Err(trouble) = rounds.share(book).await {
            tracing::warn!(%trouble, "a round could not be finished, the next one takes it up");
        }
    }
}

/// Writes what is only remembered, before the service stops.
///
/// # Errors
/// The writer cannot write.
pub async fn end(book: &Book) -> Result<(), RoundError> {
    write_remembered(book, book.devices.rest(book.clock.now())).await
}

/// Writes which devices were seen, and which keys were used.
async fn write_remembered(
    book: &Book,
    seen: BTreeMap<BusinessId, Vec<SeenDevice>>,
) -> Result<(), RoundError> {
    let used = book.key_uses.due(book.clock.now());
    run_all(book, seen.into_iter().map(|(business, seen)| WriteSeen { business, seen })).await?;
    run_all(book, used.into_iter().map(|(business, used)| WriteUses { business, used })).await
}

/// Has the writer do these, one after the other.
async fn run_all<C: BackgroundCommand>(
    book: &Book,
    commands: impl Iterator<Item = C> + Send,
) -> Result<(), RoundError> {
    for command in commands {
        book.writer.run_in_background(command).await.map_err(RoundError::Writer)?;
    }
    Ok(())
}

/// Looks at what may be due in a business, and has the writer look at what is.
async fn look_through(book: &Book, business: BusinessId, tanks: bool) -> Result<(), RoundError> {
    let now = book.clock.now();
    let mut tx = book.db.read().await?;
    let mut due = alert::due(&mut tx, business, now).await?;
    due.extend(animal::due(&mut tx, business, now).await?);
    if tanks {
        due.extend(alert::due_tanks(&mut tx, business, now).await?);
    }
    drop(tx);
    let rounds = due.chunks(TOGETHER).map(|due| Round { business, due: due.to_vec() });
    run_all(book, rounds).await
}

/// Takes up businesses that nobody has gone through for a while.
struct TakeUp {
    enters_new: bool,
}

impl BackgroundCommand for TakeUp {
    type Done = Vec<Sweep>;

    fn business(&self) -> Option<BusinessId> {
        None
    }

    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<Vec<Sweep>> {
        if self.enters_new {
            store::alerts::sweep::enter_new(tx).await?;
        }
        store::alerts::sweep::claim(tx, now, TAKEN_FOR, TANKS_EVERY, TAKEN_TOGETHER).await
    }
}

/// Rounds one after the other. What they remember only saves work: a first round looks at everything.
#[derive(Default)]
pub struct Rounds {
    tanks_looked_at: HashMap<BusinessId, Timestamp>,
}

impl Rounds {
    /// A round of this process alone, through every business.
    ///
    /// # Errors
    /// The store cannot be read, or the writer cannot write.
    pub async fn look(&mut self, book: &Book) -> Result<(), RoundError> {
        let mut tx = book.db.read().await?;
        let businesses = store::access::business::all(&mut tx).await?;
        drop(tx);
        write_remembered(book, book.devices.due(book.clock.now())).await?;
        for business in businesses {
            let (business, now) = (business.id, book.clock.now());
            let tanks = self.tanks_are_due(business, now);
            Box::pin(look_through(book, business, tanks)).await?;
            if tanks {
                self.tanks_looked_at.insert(business, now);
            }
        }
        Ok(())
    }

    /// This process's share of a round: what no other process has taken up.
    async fn share(&mut self, book: &Book) -> Result<(), RoundError> {
        if book.db.is_embedded() {
            return self.look(book).await;
        }
        write_remembered(book, book.devices.due(book.clock.now())).await?;
        let mut is_first = true;
        loop {
            let taking = TakeUp { enters_new: is_first };
            let taken = book.writer.run_in_background(taking).await.map_err(RoundError::Writer)?;
            if taken.is_empty() {
                return Ok(());
            }
            for Sweep { business_id, tanks } in taken {
                Box::pin(look_through(book, business_id, tanks)).await?;
            }
            is_first = false;
        }
    }

    /// Also when the clock was set back.
    fn tanks_are_due(&self, business: BusinessId, now: Timestamp) -> bool {
        self.tanks_looked_at
            .get(&business)
            .is_none_or(|last| !(TimeDelta::zero()..TANKS_EVERY).contains(&now.since(*last)))
    }
}
