//! The one hand that writes in the book.
//!
//! Whoever wants something written hands an [`Act`] to the writer and waits. The writer takes
//! what waits, does each act behind a savepoint inside one transaction, commits once, and only
//! then answers: durable before it is answered, in one order, and many times the rate of a commit
//! for each request. A caller who hangs up leaves no half effect, because the act is no longer in
//! his hands.
//!
//! The first answer to each Idempotency-Key stands in the same transaction as its effect. So a
//! retry is right whatever happened in between, also after a commit whose outcome nobody knows.

use std::{
    panic::AssertUnwindSafe,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    time::Duration,
};

use futures_util::{FutureExt as _, future::BoxFuture};
use tokio::{
    sync::{mpsc, oneshot},
    task::JoinHandle,
};

use super::{Caller, Refusal, Stop};
use crate::{
    clock::Clock,
    domain::values::{BusinessId, Timestamp},
    store::{
        self, Db, Tx,
        act::{Answered, NewAct},
    },
};

/// Acts that share one commit at most. More would only lengthen the wait of the first.
const MOST_TOGETHER: usize = 256;

/// Acts that may wait; one more is told to come back later instead of waiting without end.
const MOST_WAITING: usize = 4096;

/// How often an act that only met another writer is tried.
const TRIES: u32 = 6;

/// What an act works with when its turn comes.
pub struct Turn<'t> {
    /// The transaction.
    pub tx: &'t mut Tx,
    /// Who asks.
    pub caller: &'t Caller,
    /// Now.
    pub now: Timestamp,
}

impl Turn<'_> {
    /// In whose book.
    pub fn business(&self) -> BusinessId {
        self.caller.business_id
    }
}

/// Something that is written in the book, in one piece or not at all.
pub trait Act: Send + Sync + 'static {
    /// What came of it.
    type Done: Send;

    /// Does it. It may be called again when the store asks for a second try, so it changes nothing
    /// but the store.
    fn perform(&self, turn: &mut Turn<'_>) -> impl Future<Output = Result<Self::Done, Stop>> + Send;
}

/// Who asks, in which words, and under which key.
#[derive(Clone, Debug)]
pub struct Ask {
    /// Who.
    pub caller: Caller,
    /// Method and path, for the audit.
    pub request: String,
    /// The Idempotency-Key.
    pub keyed: Option<Keyed>,
}

/// The caller's Idempotency-Key, and what tells this request from another under the same key.
#[derive(Clone, Debug)]
pub struct Keyed {
    /// The key.
    pub key: String,
    /// Covers method, path, query and the body's meaning.
    pub fingerprint: String,
}

/// What the caller is told, word for word, so that a retry hears the same.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reply {
    /// Whether it was done, and if not, of what kind the reason is.
    pub status: u16,
    /// Where what was made is to be found.
    pub location: Option<String>,
    /// The version of what is told.
    pub etag: Option<String>,
    /// JSON.
    pub body: String,
}

impl Reply {
    /// Whether a retry under the same key hears this again. What was done, and what the state of
    /// the book forbade: a delayed duplicate must not take straws that arrived since. Not what was
    /// wrong with the request: that can be mended and sent again.
    fn is_final(&self) -> bool {
        matches!(self.status, 200..=299 | 409)
    }
}

/// What comes back from the writer.
#[derive(Debug)]
pub enum Told {
    /// Done or refused just now.
    Fresh(Reply),
    /// What was told the first time.
    Replayed(Reply),
    /// The key was used for another request.
    Mismatch,
}

/// Why nothing came back. In each case the same key may be sent again.
#[derive(Debug)]
pub enum Failure {
    /// Too many are waiting; nothing was done.
    Busy,
    /// The store could not do it; nothing was done.
    NotDone(store::Error),
    /// The commit failed: it may or may not have been done.
    Unknown,
    /// A fault of ours; nothing was done.
    Fault,
}

/// Hands acts to the writing task.
#[derive(Clone)]
pub struct Writer {
    queue: mpsc::Sender<Box<dyn Job>>,
    sound: Arc<AtomicBool>,
}

impl Writer {
    /// Starts the writing task. It ends when every `Writer` is gone and what waited is written.
    pub fn start(db: Db, clock: Clock) -> (Self, JoinHandle<()>) {
        let (queue, waiting) = mpsc::channel(MOST_WAITING);
        let sound = Arc::new(AtomicBool::new(true));
        let hand = Hand { db, clock, sound: sound.clone() };
        (Self { queue, sound }, tokio::spawn(hand.write(waiting)))
    }

    /// Whether the last attempt to write succeeded and the task is alive.
    pub fn is_sound(&self) -> bool {
        self.sound.load(Ordering::Relaxed) && !self.queue.is_closed()
    }

    /// Has `act` done; `tell` puts the outcome into words, within the transaction.
    pub async fn perform<A: Act>(
        &self,
        ask: Ask,
        act: A,
        tell: impl Fn(Result<A::Done, Refusal>) -> Reply + Send + Sync + 'static,
    ) -> Result<Told, Failure> {
        let (answer, answered) = oneshot::channel();
        let task = Task { ask, act, tell, told: None, answer };
        self.queue.try_send(Box::new(task)).map_err(|_| Failure::Busy)?;
        answered.await.unwrap_or(Err(Failure::Fault))
    }
}

/// An act with its caller, as the writing task sees it.
trait Job: Send {
    fn business(&self) -> BusinessId;
    fn run<'t>(&'t mut self, tx: &'t mut Tx, now: Timestamp) -> BoxFuture<'t, store::Result<()>>;
    fn answer(self: Box<Self>, failure: Option<Failure>);
}

struct Task<A, T> {
    ask: Ask,
    act: A,
    tell: T,
    told: Option<Told>,
    answer: oneshot::Sender<Result<Told, Failure>>,
}

impl<A, T> Task<A, T>
where
    A: Act,
    T: Fn(Result<A::Done, Refusal>) -> Reply + Send + Sync + 'static,
{
    async fn turn(&self, tx: &mut Tx, now: Timestamp) -> store::Result<Told> {
        let Ask { caller, request, keyed } = &self.ask;
        let business = caller.business_id;
        if let Some(keyed) = keyed
            && let Some(answered) = store::act::answered(tx, business, &keyed.key).await?
        {
            return Ok(if answered.fingerprint == keyed.fingerprint {
                Told::Replayed(replay(answered))
            } else {
                Told::Mismatch
            });
        }
        tx.mark().await?;
        let outcome = match self.act.perform(&mut Turn { tx, caller, now }).await {
            Ok(done) => Ok(done),
            Err(Stop::Failed(error)) => return Err(error),
            Err(Stop::Refused(refusal)) => {
                tx.undo().await?;
                Err(*refusal)
            }
        };
        let reply = (self.tell)(outcome);
        if reply.is_final() {
            let keyed = keyed.as_ref().map(|Keyed { key, fingerprint }| {
                (key.as_str(), fingerprint.as_str(), reply.etag.as_deref(), reply.body.as_str())
            });
            let (status, location) = (reply.status, reply.location.as_deref());
            let act = NewAct { by: caller.key_id, request, status, location, keyed };
            store::act::add(tx, business, act, now).await?;
        }
        tx.keep().await?;
        Ok(Told::Fresh(reply))
    }
}

fn replay(answered: Answered) -> Reply {
    Reply {
        status: u16::try_from(answered.status).unwrap_or(500),
        location: answered.location,
        etag: answered.etag,
        body: answered.body,
    }
}

impl<A, T> Job for Task<A, T>
where
    A: Act,
    T: Fn(Result<A::Done, Refusal>) -> Reply + Send + Sync + 'static,
{
    fn business(&self) -> BusinessId {
        self.ask.caller.business_id
    }

    fn run<'t>(&'t mut self, tx: &'t mut Tx, now: Timestamp) -> BoxFuture<'t, store::Result<()>> {
        Box::pin(async move {
            self.told = Some(self.turn(tx, now).await?);
            Ok(())
        })
    }

    fn answer(self: Box<Self>, failure: Option<Failure>) {
        let answer = match (failure, self.told) {
            (None, Some(told)) => Ok(told),
            (Some(failure), _) => Err(failure),
            (None, None) => Err(Failure::Fault),
        };
        // The caller may have hung up; what was written stays, and his key finds it.
        let _ = self.answer.send(answer);
    }
}

/// Why a transaction came to nothing.
enum Trouble {
    Store(store::Error),
    Panic,
}

impl From<store::Error> for Trouble {
    fn from(error: store::Error) -> Self {
        Self::Store(error)
    }
}

impl Trouble {
    fn is_transient(&self) -> bool {
        matches!(self, Self::Store(error) if error.is_transient())
    }

    fn leaves_outcome_unknown(&self) -> bool {
        matches!(self, Self::Store(error @ store::Error::CommitUnknown(_)) if !error.is_transient())
    }
}

/// The writing task.
struct Hand {
    db: Db,
    clock: Clock,
    sound: Arc<AtomicBool>,
}

impl Hand {
    async fn write(mut self, mut waiting: mpsc::Receiver<Box<dyn Job>>) {
        let mut jobs = Vec::with_capacity(MOST_TOGETHER);
        while waiting.recv_many(&mut jobs, MOST_TOGETHER).await > 0 {
            metrics::histogram!("tankside_writer_batch_acts").record(count(jobs.len()));
            metrics::gauge!("tankside_writer_waiting_acts").set(count(waiting.len()));
            match self.together(&mut jobs).await {
                Ok(()) => jobs.drain(..).for_each(|job| job.answer(None)),
                Err(trouble) if trouble.leaves_outcome_unknown() => self.give_up(&trouble, &mut jobs).await,
                // One of them failed, and it takes the others' work with it: each on its own then.
                Err(_) => {
                    for job in std::mem::take(&mut jobs) {
                        self.alone(job).await;
                    }
                }
            }
        }
    }

    /// Does all jobs in one transaction.
    async fn together(&self, jobs: &mut [Box<dyn Job>]) -> Result<(), Trouble> {
        let now = self.clock.now();
        let mut tx = self.db.write().await?;
        let mut businesses: Vec<_> = jobs.iter().map(|job| job.business()).collect();
        businesses.sort_unstable();
        businesses.dedup();
        for business in businesses {
            store::business::lock(&mut tx, business, now).await?;
        }
        for job in jobs {
            AssertUnwindSafe(job.run(&mut tx, now)).catch_unwind().await.map_err(|_| Trouble::Panic)??;
        }
        let started = std::time::Instant::now();
        tx.commit().await?;
        metrics::histogram!("tankside_writer_commit_seconds").record(started.elapsed().as_secs_f64());
        self.sound.store(true, Ordering::Relaxed);
        Ok(())
    }

    /// Does one job in a transaction of its own, again while it only meets other writers.
    async fn alone(&mut self, job: Box<dyn Job>) {
        let mut jobs = [job];
        let mut outcome = self.together(&mut jobs).await;
        for tried in 1..TRIES {
            if !outcome.as_ref().is_err_and(Trouble::is_transient) {
                break;
            }
            tokio::time::sleep(Duration::from_millis(5 << tried)).await;
            outcome = self.together(&mut jobs).await;
        }
        let mut jobs = Vec::from(jobs);
        match outcome {
            Ok(()) => jobs.drain(..).for_each(|job| job.answer(None)),
            Err(trouble) if trouble.leaves_outcome_unknown() => self.give_up(&trouble, &mut jobs).await,
            Err(Trouble::Panic) => jobs.drain(..).for_each(|job| job.answer(Some(Failure::Fault))),
            Err(Trouble::Store(error)) => {
                tracing::error!(%error, "an act could not be written");
                self.sound.store(false, Ordering::Relaxed);
                if let Some(job) = jobs.pop() {
                    job.answer(Some(Failure::NotDone(error)));
                }
            }
        }
    }

    /// After a failed commit nobody knows whether it happened; a new connection sees what is there,
    /// and each caller's key decides on his retry.
    async fn give_up(&mut self, trouble: &Trouble, jobs: &mut Vec<Box<dyn Job>>) {
        if let Trouble::Store(error) = trouble {
            tracing::error!(%error, acts = jobs.len(), "a commit failed, the store is opened anew");
        }
        self.sound.store(false, Ordering::Relaxed);
        jobs.drain(..).for_each(|job| job.answer(Some(Failure::Unknown)));
        if let Err(error) = self.db.reopen_writer().await {
            tracing::error!(%error, "the store could not be opened anew");
        }
    }
}

fn count(number: usize) -> f64 {
    u32::try_from(number).map_or(f64::MAX, f64::from)
}
