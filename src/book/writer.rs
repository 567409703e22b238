//! The one hand that writes in the book.
//!
//! Whoever wants something written hands an [`Command`] to the writer and waits. The writer takes
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
        Caller, CommandError, Rejection,
        alerts::alert::{self, Touched},
    },
    clock::Clock,
    domain::values::{BusinessId, MovementId, Timestamp},
    store::{
        self, Db, Tx,
        access::audit::{KeyedResponse, NewAuditEntry},
        straws::ledger::{self, Entry},
    },
};

/// Acts that share one commit at most. More would only lengthen the wait of the first.
const MAX_BATCH: usize = 256;

/// Acts that may wait; one more is told to come back later instead of waiting without end.
const MAX_QUEUE: usize = 4096;

/// How often an act that only met another writer is tried.
const MAX_ATTEMPTS: u32 = 6;

/// From when on the operator is told that the clock went back. Clocks that are set by the network step by less.
const TELL_BEHIND: TimeDelta = TimeDelta::minutes(1);

/// How long after a failure the store is tried again when nobody else does.
const PROBE_INTERVAL: Duration = Duration::from_secs(1);

/// What an act works with when its turn comes.
pub struct CommandContext<'t> {
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

impl CommandContext<'_> {
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
pub trait Command: Send + Sync + 'static {
    /// What came of it.
    type Done: Send;

    /// Does it. It may be called again when the store asks for a second try, so it changes nothing
    /// but the store.
    fn perform(
        &self,
        cx: &mut CommandContext<'_>,
    ) -> impl Future<Output = Result<Self::Done, CommandError>> + Send;
}

/// Work of the service's own, that no caller asked for: nothing of it stands in the audit, and nobody's
/// key is behind it.
pub trait BackgroundCommand: Send + Sync + 'static {
    /// What came of it.
    type Done: Send;

    /// In whose book, where it writes in one only; others are kept out of that until it is done.
    fn business(&self) -> Option<BusinessId>;

    /// Does it. Like an [`Command`] it may be called again, and changes nothing but the store. It should be
    /// short: callers wait meanwhile.
    fn perform(&self, tx: &mut Tx, now: Timestamp) -> impl Future<Output = store::Result<Self::Done>> + Send;
}

/// Who asks, in which words, and under which key.
#[derive(Clone, Debug)]
pub struct RequestContext {
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
pub struct StoredResponse {
    /// Whether it was done, and if not, of what kind the reason is.
    pub status: u16,
    /// Where what was made is to be found.
    pub location: Option<String>,
    /// The version of what is told.
    pub etag: Option<String>,
    /// JSON.
    pub body: String,
}

impl StoredResponse {
    /// Whether a retry under the same key hears this again. What was done, and what the state of
    /// the book forbade: a delayed duplicate must not take straws that arrived since. Not what was
    /// wrong with the request: that can be mended and sent again.
    fn is_final(&self) -> bool {
        matches!(self.status, 200..=299 | 409)
    }
}

/// What comes back from the writer.
#[derive(Debug)]
pub enum Outcome {
    /// Done or refused just now.
    Fresh(StoredResponse),
    /// What was told the first time.
    Replayed(StoredResponse),
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
    Unavailable,
    /// The commit failed: it may or may not have been done.
    Unknown,
    /// A fault of ours; nothing was done.
    Fault,
}

/// Hands acts to the writing task.
#[derive(Clone)]
pub struct Writer {
    queue: mpsc::Sender<Box<dyn QueuedCommand>>,
    sound: Arc<AtomicBool>,
}

impl Writer {
    /// Starts the writing task. It ends when every `Writer` is gone and what waited is written.
    pub fn start(db: Db, clock: Clock) -> (Self, JoinHandle<()>) {
        let (queue, waiting) = mpsc::channel(MAX_QUEUE);
        let sound = Arc::new(AtomicBool::new(true));
        let task = WriterTask {
            db,
            clock,
            sound: sound.clone(),
            stale: false,
            damaged: false,
            latest: None,
            behind: false,
        };
        (Self { queue, sound }, tokio::spawn(task.write(waiting)))
    }

    /// Whether the last attempt to write succeeded and the task is alive. The task tries once at its start,
    /// and by itself again after a failure.
    pub fn is_sound(&self) -> bool {
        self.sound.load(Ordering::Relaxed) && !self.queue.is_closed()
    }

    /// Has `act` done; `respond` puts the outcome into words, within the transaction, which is undone when it cannot.
    pub async fn perform<A: Command>(
        &self,
        ask: RequestContext,
        act: A,
        respond: impl Fn(Result<A::Done, Rejection>) -> serde_json::Result<StoredResponse> + Send + Sync + 'static,
    ) -> Result<Outcome, Failure> {
        let (answer, find_response) = oneshot::channel();
        let task = QueuedClientCommand { ask, act, respond, outcome: None, answer };
        self.queue.try_send(Box::new(task)).map_err(|_| Failure::Busy)?;
        find_response.await.unwrap_or(Err(Failure::Fault))
    }

    /// Has `background` done, in one transaction with what else waits.
    pub async fn background<C: BackgroundCommand>(&self, background: C) -> Result<C::Done, Failure> {
        let (answer, find_response) = oneshot::channel();
        let queued = QueuedBackgroundCommand { background, done: None, answer };
        self.queue.try_send(Box::new(queued)).map_err(|_| Failure::Busy)?;
        find_response.await.unwrap_or(Err(Failure::Fault))
    }
}

/// What the clock says, and what it said before.
#[derive(Clone, Copy)]
struct Times {
    now: Timestamp,
    latest: Timestamp,
}

/// An act with its caller, or a chore, as the writing task sees it.
trait QueuedCommand: Send {
    fn business(&self) -> Option<BusinessId>;
    fn run<'t>(&'t mut self, tx: &'t mut Tx, times: Times) -> BoxFuture<'t, store::Result<()>>;
    fn answer(self: Box<Self>, failure: Option<Failure>);
}

struct QueuedClientCommand<A, T> {
    ask: RequestContext,
    act: A,
    respond: T,
    outcome: Option<Outcome>,
    answer: oneshot::Sender<Result<Outcome, Failure>>,
}

impl<A, T> QueuedClientCommand<A, T>
where
    A: Command,
    T: Fn(Result<A::Done, Rejection>) -> serde_json::Result<StoredResponse> + Send + Sync + 'static,
{
    async fn cx(&self, tx: &mut Tx, times: Times) -> store::Result<Outcome> {
        let Times { now, latest } = times;
        let RequestContext { caller, request, keyed } = &self.ask;
        let business = caller.business_id;
        if let Some(keyed) = keyed
            && let Some(find_response) = store::access::audit::find_response(tx, business, &keyed.key).await?
        {
            return Ok(if find_response.fingerprint == keyed.fingerprint {
                Outcome::Replayed(replay(find_response))
            } else {
                Outcome::Mismatch
            });
        }
        tx.savepoint().await?;
        let mut cx = CommandContext { tx, caller, now, latest, touched: Touched::default() };
        let outcome = match self.act.perform(&mut cx).await {
            Ok(done) => {
                alert::look_at_touched(&mut cx).await?;
                Ok(done)
            }
            Err(CommandError::Failed(error)) => return Err(error),
            Err(CommandError::Rejected(rejection)) => {
                tx.rollback_to_savepoint().await?;
                Err(*rejection)
            }
        };
        let reply = (self.respond)(outcome)?;
        if reply.is_final() {
            let keyed = keyed.as_ref().map(|Keyed { key, fingerprint }| {
                (key.as_str(), fingerprint.as_str(), reply.etag.as_deref(), reply.body.as_str())
            });
            let (status, location) = (reply.status, reply.location.as_deref());
            let act = NewAuditEntry { by: caller.key_id, request, status, location, keyed };
            store::access::audit::add(tx, business, act, now).await?;
        }
        tx.release_savepoint().await?;
        Ok(Outcome::Fresh(reply))
    }
}

fn replay(find_response: KeyedResponse) -> StoredResponse {
    StoredResponse {
        status: u16::try_from(find_response.status).unwrap_or(500),
        location: find_response.location,
        etag: find_response.etag,
        body: find_response.body,
    }
}

impl<A, T> QueuedCommand for QueuedClientCommand<A, T>
where
    A: Command,
    T: Fn(Result<A::Done, Rejection>) -> serde_json::Result<StoredResponse> + Send + Sync + 'static,
{
    fn business(&self) -> Option<BusinessId> {
        Some(self.ask.caller.business_id)
    }

    fn run<'t>(&'t mut self, tx: &'t mut Tx, times: Times) -> BoxFuture<'t, store::Result<()>> {
        Box::pin(async move {
            self.outcome = Some(self.cx(tx, times).await?);
            Ok(())
        })
    }

    fn answer(self: Box<Self>, failure: Option<Failure>) {
        let answer = match (failure, self.outcome) {
            (None, Some(outcome)) => Ok(outcome),
            (Some(failure), _) => Err(failure),
            (None, None) => Err(Failure::Fault),
        };
        // The caller may have hung up; what was written stays, and his key finds it.
        let _ = self.answer.send(answer);
    }
}

struct QueuedBackgroundCommand<C: BackgroundCommand> {
    background: C,
    done: Option<C::Done>,
    answer: oneshot::Sender<Result<C::Done, Failure>>,
}

impl<C: BackgroundCommand> QueuedCommand for QueuedBackgroundCommand<C> {
    fn business(&self) -> Option<BusinessId> {
        self.background.business()
    }

    fn run<'t>(&'t mut self, tx: &'t mut Tx, times: Times) -> BoxFuture<'t, store::Result<()>> {
        Box::pin(async move {
            self.done = Some(self.background.perform(tx, times.now).await?);
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
enum TransactionError {
    /// It could not be begun.
    Unavailable(store::Error),
    Store(store::Error),
    Panic,
}

impl From<store::Error> for TransactionError {
    fn from(error: store::Error) -> Self {
        Self::Store(error)
    }
}

impl TransactionError {
    fn is_transient(&self) -> bool {
        matches!(self, Self::Store(error) if error.is_transient())
    }

    fn leaves_outcome_unknown(&self) -> bool {
        matches!(self, Self::Store(error @ store::Error::CommitUnknown(_)) if !error.is_transient())
    }
}

/// The writing task.
struct WriterTask {
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

impl WriterTask {
    async fn write(mut self, mut waiting: mpsc::Receiver<Box<dyn QueuedCommand>>) {
        self.probe_store().await;
        let mut commands = Vec::with_capacity(MAX_BATCH);
        loop {
            let sound = self.sound.load(Ordering::Relaxed);
            let take = waiting.recv_many(&mut commands, MAX_BATCH);
            let taken = if sound { Ok(take.await) } else { tokio::time::timeout(PROBE_INTERVAL, take).await };
            match taken {
                Ok(0) => break,
                Ok(_) => self.cx(&mut commands, waiting.len()).await,
                // Nobody may come while the service says that it is not ready, so it finds out by itself.
                Err(_) => self.probe_store().await,
            }
        }
    }

    /// Does what waits.
    async fn cx(&mut self, commands: &mut Vec<Box<dyn QueuedCommand>>, waiting: usize) {
        metrics::histogram!("tankside_writer_batch_acts").record(count(commands.len()));
        metrics::gauge!("tankside_writer_waiting_acts").set(count(waiting));
        match self.run_batch(commands).await {
            Ok(()) => commands.drain(..).for_each(|command| command.answer(None)),
            Err(TransactionError::Unavailable(error)) => self.reject_all(&error, commands),
            Err(trouble) if trouble.leaves_outcome_unknown() => self.outcome_unknown(&trouble, commands),
            // One of them failed, and it takes the others' work with it: each on its own then.
            Err(_) => {
                for command in std::mem::take(commands) {
                    self.run_alone(command).await;
                }
            }
        }
    }

    /// Does all jobs in one transaction.
    async fn run_batch(&mut self, commands: &mut [Box<dyn QueuedCommand>]) -> Result<(), TransactionError> {
        let mut tx = self.begin().await.map_err(TransactionError::Unavailable)?;
        let times = self.times(&mut tx).await?;
        let mut businesses: Vec<_> = commands.iter().filter_map(|command| command.business()).collect();
        businesses.sort_unstable();
        businesses.dedup();
        for business in businesses {
            store::access::business::lock(&mut tx, business, times.now).await?;
        }
        for command in commands {
            AssertUnwindSafe(command.run(&mut tx, times))
                .catch_unwind()
                .await
                .map_err(|_| TransactionError::Panic)??;
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
    async fn run_alone(&mut self, command: Box<dyn QueuedCommand>) {
        let mut commands = [command];
        let mut outcome = self.run_batch(&mut commands).await;
        for tried in 1..MAX_ATTEMPTS {
            if !outcome.as_ref().is_err_and(TransactionError::is_transient) {
                break;
            }
            tokio::time::sleep(Duration::from_millis(5 << tried)).await;
            outcome = self.run_batch(&mut commands).await;
        }
        let mut commands = Vec::from(commands);
        match outcome {
            Ok(()) => commands.drain(..).for_each(|command| command.answer(None)),
            Err(trouble) if trouble.leaves_outcome_unknown() => self.outcome_unknown(&trouble, &mut commands),
            Err(TransactionError::Panic) => {
                commands.drain(..).for_each(|command| command.answer(Some(Failure::Fault)));
            }
            Err(TransactionError::Unavailable(error)) => self.reject_all(&error, &mut commands),
            Err(TransactionError::Store(error)) => {
                tracing::error!(%error, "an act could not be written");
                self.mark_unsound(&error);
                if let Some(command) = commands.pop() {
                    command.answer(Some(Failure::NotDone(error)));
                }
            }
        }
    }

    /// The store cannot be written at all, so all are told at once instead of each waiting for the same.
    fn reject_all(&mut self, error: &store::Error, commands: &mut Vec<Box<dyn QueuedCommand>>) {
        tracing::error!(%error, acts = commands.len(), "the store cannot be written");
        self.mark_unsound(error);
        commands.drain(..).for_each(|command| command.answer(Some(Failure::Unavailable)));
    }

    /// After a failed commit nobody knows whether it happened; a new connection sees what is there,
    /// and each caller's key decides on his retry.
    fn outcome_unknown(&mut self, trouble: &TransactionError, commands: &mut Vec<Box<dyn QueuedCommand>>) {
        if let TransactionError::Store(error) = trouble {
            tracing::error!(%error, acts = commands.len(), "a commit failed, the store is opened anew");
            self.mark_unsound(error);
        }
        commands.drain(..).for_each(|command| command.answer(Some(Failure::Unknown)));
    }

    /// Sees whether the store can be written, by a write that changes nothing.
    async fn probe_store(&mut self) {
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
