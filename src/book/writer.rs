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

use chrono::TimeDelta;
use futures_util::{FutureExt as _, future::BoxFuture};
use tokio::{
    sync::{mpsc, oneshot},
    task::JoinHandle,
};

use crate::{
    book::{
        Caller, Refusal, Stop,
        alerts::alert::{self, Touched},
    },
    clock::Clock,
    domain::values::{BusinessId, MovementId, Timestamp},
    store::{
        self, Db, Tx,
        access::audit::{Answered, NewAct},
        straws::ledger::{self, Entry},
    },
};

/// Acts that share one commit at most. More would only lengthen the wait of the first.
const MOST_TOGETHER: usize = 256;

/// Acts that may wait; one more is told to come back later instead of waiting without end.
const MOST_WAITING: usize = 4096;

/// How often an act that only met another writer is tried.
const TRIES: u32 = 6;

/// From when on the operator is told that the clock went back. Clocks that are set by the network step by less.
const TELL_BEHIND: TimeDelta = TimeDelta::minutes(1);

/// How long after a failure the store is tried again when nobody else does.
const TRY_AGAIN: Duration = Duration::from_secs(1);

/// What an act works with when its turn comes.
pub struct Turn<'t> {
    /// The transaction.
    pub tx: &'t mut Tx,
    /// Who asks.
    pub caller: &'t Caller,
    /// Now.
    pub now: Timestamp,
    /// The latest time that the book knows; later than `now` when the clock went back.
    pub latest: Timestamp,
    /// What the act touched that alerts may be about; looked at when it is done.
    pub touched: Touched,
}

impl Turn<'_> {
    /// In whose book.
    pub fn business(&self) -> BusinessId {
        self.caller.business_id
    }

    /// Moves straws, as [`ledger::write`] does. Acts move them by this alone, so that no movement passes
    /// unseen by the alerts.
    pub async fn write(&mut self, entry: Entry) -> store::Result<Option<MovementId>> {
        let business = self.business();
        self.touched.moved(&entry);
        ledger::write(self.tx, business, self.caller.key_id, self.now, entry).await
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

/// Work of the service's own, that no caller asked for: nothing of it stands in the audit, and nobody's
/// key is behind it.
pub trait Chore: Send + Sync + 'static {
    /// What came of it.
    type Done: Send;

    /// In whose book, where it writes in one only; others are kept out of that until it is done.
    fn business(&self) -> Option<BusinessId>;

    /// Does it. Like an [`Act`] it may be called again, and changes nothing but the store. It should be
    /// short: callers wait meanwhile.
    fn perform(&self, tx: &mut Tx, now: Timestamp) -> impl Future<Output = store::Result<Self::Done>> + Send;
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
    /// The store cannot be written at all; nothing was begun.
    Away,
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
        let hand = Hand {
            db,
            clock,
            sound: sound.clone(),
            stale: false,
            damaged: false,
            latest: None,
            behind: false,
        };
        (Self { queue, sound }, tokio::spawn(hand.write(waiting)))
    }

    /// Whether the last attempt to write succeeded and the task is alive. The task tries once at its start,
    /// and by itself again after a failure.
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

    /// Has `chore` done, in one transaction with what else waits.
    pub async fn chore<C: Chore>(&self, chore: C) -> Result<C::Done, Failure> {
        let (answer, answered) = oneshot::channel();
        let errand = Errand { chore, done: None, answer };
        self.queue.try_send(Box::new(errand)).map_err(|_| Failure::Busy)?;
        answered.await.unwrap_or(Err(Failure::Fault))
    }
}

/// What the clock says, and what it said before.
#[derive(Clone, Copy)]
struct Times {
    now: Timestamp,
    latest: Timestamp,
}

/// An act with its caller, or a chore, as the writing task sees it.
trait Job: Send {
    fn business(&self) -> Option<BusinessId>;
    fn run<'t>(&'t mut self, tx: &'t mut Tx, times: Times) -> BoxFuture<'t, store::Result<()>>;
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
    async fn turn(&self, tx: &mut Tx, times: Times) -> store::Result<Told> {
        let Times { now, latest } = times;
        let Ask { caller, request, keyed } = &self.ask;
        let business = caller.business_id;
        if let Some(keyed) = keyed
            && let Some(answered) = store::access::audit::answered(tx, business, &keyed.key).await?
        {
            return Ok(if answered.fingerprint == keyed.fingerprint {
                Told::Replayed(replay(answered))
            } else {
                Told::Mismatch
            });
        }
        tx.mark().await?;
        let mut turn = Turn { tx, caller, now, latest, touched: Touched::default() };
        let outcome = match self.act.perform(&mut turn).await {
            Ok(done) => {
                alert::look_at_touched(&mut turn).await?;
                Ok(done)
            }
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
            store::access::audit::add(tx, business, act, now).await?;
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
    fn business(&self) -> Option<BusinessId> {
        Some(self.ask.caller.business_id)
    }

    fn run<'t>(&'t mut self, tx: &'t mut Tx, times: Times) -> BoxFuture<'t, store::Result<()>> {
        Box::pin(async move {
            self.told = Some(self.turn(tx, times).await?);
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

struct Errand<C: Chore> {
    chore: C,
    done: Option<C::Done>,
    answer: oneshot::Sender<Result<C::Done, Failure>>,
}

impl<C: Chore> Job for Errand<C> {
    fn business(&self) -> Option<BusinessId> {
        self.chore.business()
    }

    fn run<'t>(&'t mut self, tx: &'t mut Tx, times: Times) -> BoxFuture<'t, store::Result<()>> {
        Box::pin(async move {
            self.done = Some(self.chore.perform(tx, times.now).await?);
            Ok(())
        })
    }

    fn answer(self: Box<Self>, failure: Option<Failure>) {
        let answer = match (failure, self.done) {
            (None, Some(done)) => Ok(done),
            (Some(failure), _) => Err(failure),
            (None, None) => Err(Failure::Fault),
        };
        let _ = self.answer.send(answer);
    }
}

/// Why a transaction came to nothing.
enum Trouble {
    /// It could not be begun.
    Away(store::Error),
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
    /// The connection failed and is replaced before it is used again.
    stale: bool,
    /// The file is damaged: nothing is written to it any more, whatever else may be asked.
    damaged: bool,
    /// The latest time at which something was recorded, by this process or before it; read at the first turn.
    latest: Option<Timestamp>,
    /// The clock stands before that.
    behind: bool,
}

impl Hand {
    async fn write(mut self, mut waiting: mpsc::Receiver<Box<dyn Job>>) {
        self.try_store().await;
        let mut jobs = Vec::with_capacity(MOST_TOGETHER);
        loop {
            let sound = self.sound.load(Ordering::Relaxed);
            let take = waiting.recv_many(&mut jobs, MOST_TOGETHER);
            let taken = if sound { Ok(take.await) } else { tokio::time::timeout(TRY_AGAIN, take).await };
            match taken {
                Ok(0) => break,
                Ok(_) => self.turn(&mut jobs, waiting.len()).await,
                // Nobody may come while the service says that it is not ready, so it finds out by itself.
                Err(_) => self.try_store().await,
            }
        }
    }

    /// Does what waits.
    async fn turn(&mut self, jobs: &mut Vec<Box<dyn Job>>, waiting: usize) {
        metrics::histogram!("tankside_writer_batch_acts").record(count(jobs.len()));
        metrics::gauge!("tankside_writer_waiting_acts").set(count(waiting));
        match self.together(jobs).await {
            Ok(()) => jobs.drain(..).for_each(|job| job.answer(None)),
            Err(Trouble::Away(error)) => self.turn_away(&error, jobs),
            Err(trouble) if trouble.leaves_outcome_unknown() => self.give_up(&trouble, jobs),
            // One of them failed, and it takes the others' work with it: each on its own then.
            Err(_) => {
                for job in std::mem::take(jobs) {
                    self.alone(job).await;
                }
            }
        }
    }

    /// Does all jobs in one transaction.
    async fn together(&mut self, jobs: &mut [Box<dyn Job>]) -> Result<(), Trouble> {
        let mut tx = self.begin().await.map_err(Trouble::Away)?;
        let times = self.times(&mut tx).await?;
        let mut businesses: Vec<_> = jobs.iter().filter_map(|job| job.business()).collect();
        businesses.sort_unstable();
        businesses.dedup();
        for business in businesses {
            store::access::business::lock(&mut tx, business, times.now).await?;
        }
        for job in jobs {
            AssertUnwindSafe(job.run(&mut tx, times)).catch_unwind().await.map_err(|_| Trouble::Panic)??;
        }
        let started = std::time::Instant::now();
        tx.commit().await?;
        metrics::histogram!("tankside_writer_commit_seconds").record(started.elapsed().as_secs_f64());
        self.mark_sound();
        Ok(())
    }

    /// The time, for all that is written together. A clock that went back is told to the operator once.
    async fn times(&mut self, tx: &mut Tx) -> store::Result<Times> {
        let now = self.clock.now();
        let known = match self.latest {
            Some(latest) => latest,
            None => store::access::business::last_recorded_at(tx).await?.unwrap_or(now),
        };
        let behind = known.since(now) > TELL_BEHIND;
        if behind && !self.behind {
            tracing::warn!(%now, book = %known, "the clock went back: the book was written at a later time");
        }
        self.behind = behind;
        let latest = known.max(now);
        self.latest = Some(latest);
        Ok(Times { now, latest })
    }

    /// A transaction on a connection that can be relied on.
    async fn begin(&mut self) -> store::Result<Tx> {
        if self.damaged {
            return Err(store::Error::Damaged("nothing is written to it any more".to_owned()));
        }
        if self.stale {
            self.db.reopen_writer().await?;
            self.stale = false;
        }
        self.db.write().await
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
            Err(trouble) if trouble.leaves_outcome_unknown() => self.give_up(&trouble, &mut jobs),
            Err(Trouble::Panic) => jobs.drain(..).for_each(|job| job.answer(Some(Failure::Fault))),
            Err(Trouble::Away(error)) => self.turn_away(&error, &mut jobs),
            Err(Trouble::Store(error)) => {
                tracing::error!(%error, "an act could not be written");
                self.mark_unsound(&error);
                if let Some(job) = jobs.pop() {
                    job.answer(Some(Failure::NotDone(error)));
                }
            }
        }
    }

    /// The store cannot be written at all, so all are told at once instead of each waiting for the same.
    fn turn_away(&mut self, error: &store::Error, jobs: &mut Vec<Box<dyn Job>>) {
        tracing::error!(%error, acts = jobs.len(), "the store cannot be written");
        self.mark_unsound(error);
        jobs.drain(..).for_each(|job| job.answer(Some(Failure::Away)));
    }

    /// After a failed commit nobody knows whether it happened; a new connection sees what is there,
    /// and each caller's key decides on his retry.
    fn give_up(&mut self, trouble: &Trouble, jobs: &mut Vec<Box<dyn Job>>) {
        if let Trouble::Store(error) = trouble {
            tracing::error!(%error, acts = jobs.len(), "a commit failed, the store is opened anew");
            self.mark_unsound(error);
        }
        jobs.drain(..).for_each(|job| job.answer(Some(Failure::Unknown)));
    }

    /// Sees whether the store can be written, by a write that changes nothing.
    async fn try_store(&mut self) {
        let tried = async {
            let mut tx = self.begin().await?;
            self.times(&mut tx).await?;
            store::access::business::touch(&mut tx).await?;
            tx.commit().await
        };
        match tried.await {
            Ok(()) => self.mark_sound(),
            Err(error) => {
                if self.sound.load(Ordering::Relaxed) {
                    tracing::error!(%error, "the store cannot be written");
                }
                self.mark_unsound(&error);
            }
        }
    }

    fn mark_sound(&self) {
        if !self.sound.swap(true, Ordering::Relaxed) {
            tracing::info!("the store can be written again");
        }
    }

    fn mark_unsound(&mut self, error: &store::Error) {
        self.sound.store(false, Ordering::Relaxed);
        self.stale = true;
        if error.is_damage() && !self.damaged {
            self.damaged = true;
            tracing::error!(
                "the file is damaged; nothing is written to it until it was seen to and restarted"
            );
        }
    }
}

fn count(number: usize) -> f64 {
    u32::try_from(number).map_or(f64::MAX, f64::from)
}
