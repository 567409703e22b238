//! The tasks that write in the book.
//!
//! Whoever wants something written hands a [`Command`] to the writer and waits. The writer takes
//! what waits, runs each command in one transaction, commits once, and only
//! then answers: durable before it is answered, in one order, and many times the rate of a commit
//! for each request. A caller who hangs up leaves no half effect, because the command is no longer in
//! his hands.
//!
//! The first response to each Idempotency-Key stands in the same transaction as its effect. So a
//! retry is right whatever happened in between, also after a commit whose outcome nobody knows.

use crate::{
    book::{
        CommandError,
        alerts::alert,
        command::{
            BackgroundCommand, Command, CommandContext, Failure, Keyed, Outcome, RequestContext,
            StoredResponse, Touched,
        },
    },
    clock::Clock,
    domain::{
        rejection::Rejection,
        values::{BusinessId, KeyId, Timestamp},
    },
    store::{
        self, Db, Tx,
        access::audit::{self, NewAuditEntry, NewKeyedResponse},
    },
    traces::{self, Beginning, SpanKind},
};
use std::{
    collections::{BTreeMap, HashMap},
    panic::AssertUnwindSafe,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    time::{Duration, Instant},
};

use chrono::TimeDelta;
use futures_util::{FutureExt as _, future::BoxFuture};
use tokio::{
    sync::{mpsc, oneshot},
    task::JoinHandle,
};
use tracing::{Instrument as _, Span};

/// Commands that share one commit at most. More would only lengthen the wait of the first.
const MAX_BATCH: usize = 256;

/// How long a transaction goes on taking up commands that wait; those after that are the first of the next. So whoever waits
/// for one of its businesses, in this process or another, waits no longer than this and the last command.
const BATCH_WITHIN: Duration = Duration::from_millis(200);

/// Commands that may wait; one more is told to come back later instead of waiting without end.
const MAX_QUEUE: usize = 4096;

/// How often a command that only met another writer is tried.
const MAX_ATTEMPTS: u32 = 6;

/// From when on the operator is told that the clock went back. Clocks that are set by the network step by less.
const TELL_BEHIND: TimeDelta = TimeDelta::minutes(1);

/// How long after a failure the store is tried again when nobody else does.
const PROBE_INTERVAL: Duration = Duration::from_secs(1);

/// A command in the queue, and since when.
struct Waiting {
    command: Box<dyn QueuedCommand>,
    since: Instant,
}

impl Waiting {
    fn new(command: impl QueuedCommand + 'static) -> Self {
        Self { command: Box::new(command), since: Instant::now() }
    }
}

/// Hands acts to the writing tasks: one on the embedded store, several on a PostgreSQL server, each with businesses of its own,
/// so that what is written in one business keeps its order.
#[derive(Clone)]
pub struct Writer {
    lanes: Arc<[Lane]>,
}

/// The way to one writing task.
struct Lane {
    queue: mpsc::Sender<Waiting>,
    sound: Arc<AtomicBool>,
}

impl Writer {
    /// Starts the writing tasks. They end when every `Writer` is gone and what waited is written.
    pub fn start(db: &Db, clock: &Clock) -> (Self, JoinHandle<()>) {
        let (lanes, tasks): (Vec<Lane>, Vec<JoinHandle<()>>) = (0..db.lanes())
            .map(|_| {
                let (queue, waiting) = mpsc::channel(MAX_QUEUE);
                let sound = Arc::new(AtomicBool::new(true));
                let task = WriterTask {
                    db: db.clone(),
                    clock: clock.clone(),
                    sound: sound.clone(),
                    stale: false,
                    damaged: false,
                    behind: false,
                    wait_for: None,
                    batch_within: BATCH_WITHIN,
                };
                (Lane { queue, sound }, tokio::spawn(task.write(waiting)))
            })
            .unzip();
        let all = async {
            for task in tasks {
                if task.await.is_err() {
                    tracing::error!("a writing task ended badly");
                }
            }
        };
        (Self { lanes: lanes.into() }, tokio::spawn(all))
    }

    /// Whether the last attempt to write succeeded and every task is alive. The tasks try once at their start,
    /// and by themselves again after a failure.
    pub fn is_sound(&self) -> bool {
        self.lanes.iter().all(|lane| lane.sound.load(Ordering::Relaxed) && !lane.queue.is_closed())
    }

    /// Hands a command to the task of its business.
    fn queue(&self, command: impl QueuedCommand + 'static) -> Result<(), Failure> {
        let lanes = self.lanes.len() as u128;
        // The last bits of an id are random.
        let lane = command.business().map_or(0, |business| business.0.as_u128() % lanes);
        let lane = usize::try_from(lane).ok().and_then(|lane| self.lanes.get(lane)).ok_or(Failure::Fault)?;
        lane.queue.try_send(Waiting::new(command)).map_err(|_| Failure::Busy)
    }

    /// How many commands wait for the writing tasks.
    pub fn waiting(&self) -> usize {
        self.lanes.iter().map(|lane| lane.queue.max_capacity() - lane.queue.capacity()).sum()
    }

    /// Runs `command`; `respond` puts the outcome into a response, within the transaction, which
    /// is undone when it cannot.
    pub async fn run<C: Command>(
        &self,
        request: RequestContext,
        command: C,
        respond: impl Fn(Result<C::Done, Rejection>) -> serde_json::Result<StoredResponse> + Send + Sync + 'static,
    ) -> Result<Outcome, Failure> {
        let (answer, answered) = oneshot::channel();
        let span = span_of::<C>();
        let queued = QueuedClientCommand { request, command, respond, outcome: None, answer, span };
        self.queue(queued)?;
        answered.await.unwrap_or(Err(Failure::Fault))
    }

    /// Runs a background command, in one transaction with what else waits.
    pub async fn run_in_background<C: BackgroundCommand>(&self, command: C) -> Result<C::Done, Failure> {
        let (answer, answered) = oneshot::channel();
        let queued = QueuedBackgroundCommand { command, done: None, answer, span: span_of::<C>() };
        self.queue(queued)?;
        answered.await.unwrap_or(Err(Failure::Fault))
    }
}

/// A command with its caller, or a background command, as the writing task sees it.
trait QueuedCommand: Send {
    fn business(&self) -> Option<BusinessId>;
    fn key(&self) -> Option<&str>;
    fn run<'t>(&'t mut self, batch: &'t mut Batch) -> BoxFuture<'t, store::Result<()>>;
    fn answer(self: Box<Self>, failure: Option<Failure>);
}

/// What was answered first under an Idempotency-Key.
struct FirstResponse {
    fingerprint: String,
    /// Who asked.
    by: KeyId,
    response: StoredResponse,
}

/// What commands of one transaction share.
struct Batch {
    tx: Tx,
    now: Timestamp,
    /// The latest time that the book of each business knows, now among them.
    latest: HashMap<BusinessId, Timestamp>,
    /// First responses to the keys of this batch: from the store, and from the batch itself.
    responses: HashMap<(BusinessId, String), FirstResponse>,
    touched: Vec<(BusinessId, Touched)>,
}

impl Batch {
    /// Keeps others out of the businesses, and looks up their keys. Of several businesses those in which another process is
    /// writing are left out; one that is waited for comes alone, so that nobody waits who holds a lock. `None`: it could
    /// not be had.
    async fn begin(
        mut tx: Tx,
        now: Timestamp,
        mut businesses: Keys,
        wait_for: Option<BusinessId>,
    ) -> store::Result<Option<Self>> {
        if let Some(business) = wait_for {
            if !store::access::business::lock_in_turn(&mut tx, business, now).await? {
                return Ok(None);
            }
            businesses.retain(|locked, _| *locked == business);
        } else if !businesses.is_empty() {
            let all: Vec<BusinessId> = businesses.keys().copied().collect();
            let free = store::access::business::lock_free(&mut tx, &all, now).await?;
            businesses.retain(|business, _| free.contains(business));
        }
        let (mut latest, mut responses) = (HashMap::new(), HashMap::new());
        for (business, keys) in businesses {
            let (known, used) = store::access::business::locked(&mut tx, business, now, &keys).await?;
            latest.insert(business, known);
            for found in used {
                let response = StoredResponse {
                    status: u16::try_from(found.status).unwrap_or(500),
                    location: found.location,
                    etag: found.etag,
                    body: found.body,
                };
                let first = FirstResponse { fingerprint: found.fingerprint, by: found.by, response };
                responses.insert((business, found.key), first);
            }
        }
        Ok(Some(Self { tx, now, latest, responses, touched: Vec::new() }))
    }

    /// Whether nobody else writes where the command will.
    fn is_for(&self, command: &dyn QueuedCommand) -> bool {
        command.business().is_none_or(|business| self.latest.contains_key(&business))
    }

    /// Looks at what the commands touched, once for all of them, and makes everything durable.
    async fn commit(mut self) -> store::Result<()> {
        self.touched.sort_by_key(|(business, _)| *business);
        let mut together: Vec<(BusinessId, Touched)> = Vec::new();
        for (business, touched) in self.touched {
            match together.last_mut() {
                Some((last, all)) if *last == business => all.merge(touched),
                _ => together.push((business, touched)),
            }
        }
        for (business, touched) in together {
            alert::look_at_touched(&mut self.tx, business, self.now, touched).await?;
        }
        self.tx.commit().await
    }
}

/// Businesses with the Idempotency-Keys of their commands.
type Keys = BTreeMap<BusinessId, Vec<String>>;

fn keys_of(commands: &[Box<dyn QueuedCommand>]) -> Keys {
    let mut keys = Keys::new();
    for command in commands {
        if let Some(business) = command.business() {
            keys.entry(business).or_default().extend(command.key().map(ToOwned::to_owned));
        }
    }
    keys
}

struct QueuedClientCommand<C, R> {
    request: RequestContext,
    command: C,
    respond: R,
    outcome: Option<Outcome>,
    answer: oneshot::Sender<Result<Outcome, Failure>>,
    /// From here until it is answered, under the request that it came with.
    span: Span,
}

impl<C, R> QueuedClientCommand<C, R>
where
    C: Command,
    R: Fn(Result<C::Done, Rejection>) -> serde_json::Result<StoredResponse> + Send + Sync + 'static,
{
    async fn outcome(&self, batch: &mut Batch) -> store::Result<Outcome> {
        let RequestContext { caller, request, keyed, .. } = &self.request;
        let (business, now) = (caller.business_id, batch.now);
        let mut used_by_another = false;
        if let Some(Keyed { key, fingerprint }) = keyed
            && let Some(first) = batch.responses.get(&(business, key.clone()))
        {
            // What another key was answered may tell of more than a limited one is good for; its own it has been told.
            used_by_another = caller.limits.is_some() && first.by != caller.key_id;
            if !used_by_another {
                return Ok(if first.fingerprint == *fingerprint {
                    Outcome::Replayed(first.response.clone())
                } else {
                    Outcome::Mismatch
                });
            }
        }
        if let Some(limits) = caller.limits() {
            let ids: Vec<_> = self.request.named().iter().map(|named| named.id).collect();
            let things = store::access::limits::named(&mut batch.tx, business, &ids).await?;
            if let Err(rejection) = limits.check(self.request.named(), &things) {
                let response = (self.respond)(Err(rejection))?;
                if let Some(act) = self.request.refused(&response) {
                    alert::refused(&mut batch.tx, business, now, &act).await?;
                }
                return Ok(Outcome::Fresh(response));
            }
        }
        if used_by_another {
            return Ok(Outcome::Mismatch);
        }
        let latest = batch.latest.get(&business).copied().unwrap_or(now);
        let tx = &mut batch.tx;
        if !C::DECIDES_FIRST {
            tx.savepoint().await?;
        }
        let mut cx = CommandContext { tx, caller, now, latest, touched: Touched::default() };
        let done = match self.command.run(&mut cx).await {
            Ok(done) => {
                let touched = cx.touched;
                batch.touched.push((business, touched));
                Ok(done)
            }
            Err(CommandError::Failed(error)) => return Err(error),
            Err(CommandError::Rejected(rejection)) => {
                if !C::DECIDES_FIRST {
                    tx.rollback_to_savepoint().await?;
                }
                Err(*rejection)
            }
        };
        let response = (self.respond)(done)?;
        if let Some(act) = self.request.refused(&response) {
            alert::refused(&mut batch.tx, business, now, &act).await?;
        }
        if response.is_final() {
            let keyed = keyed.clone().map(|Keyed { key, fingerprint }| NewKeyedResponse {
                key,
                fingerprint,
                etag: response.etag.clone(),
                body: response.body.clone(),
            });
            if let Some(NewKeyedResponse { key, fingerprint, .. }) = &keyed {
                let (fingerprint, response) = (fingerprint.clone(), response.clone());
                let first = FirstResponse { fingerprint, by: caller.key_id, response };
                batch.responses.insert((business, key.clone()), first);
            }
            let entry = NewAuditEntry {
                by: caller.key_id,
                request: request.clone(),
                status: response.status,
                location: response.location.clone(),
                keyed,
                recorded_at: latest,
            };
            audit::add(&mut batch.tx, business, entry);
        }
        if !C::DECIDES_FIRST {
            batch.tx.release_savepoint().await?;
        }
        Ok(Outcome::Fresh(response))
    }
}

impl<C, R> QueuedCommand for QueuedClientCommand<C, R>
where
    C: Command,
    R: Fn(Result<C::Done, Rejection>) -> serde_json::Result<StoredResponse> + Send + Sync + 'static,
{
    fn business(&self) -> Option<BusinessId> {
        Some(self.request.caller.business_id)
    }

    fn key(&self) -> Option<&str> {
        self.request.keyed.as_ref().map(|keyed| keyed.key.as_str())
    }

    fn run<'t>(&'t mut self, batch: &'t mut Batch) -> BoxFuture<'t, store::Result<()>> {
        Box::pin(async move {
            self.outcome = Some(self.outcome(batch).instrument(self.span.clone()).await?);
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
    command: C,
    done: Option<C::Done>,
    answer: oneshot::Sender<Result<C::Done, Failure>>,
    span: Span,
}

impl<C: BackgroundCommand> QueuedCommand for QueuedBackgroundCommand<C> {
    fn business(&self) -> Option<BusinessId> {
        self.command.business()
    }

    fn key(&self) -> Option<&str> {
        None
    }

    fn run<'t>(&'t mut self, batch: &'t mut Batch) -> BoxFuture<'t, store::Result<()>> {
        Box::pin(async move {
            let run = self.command.run(&mut batch.tx, batch.now);
            self.done = Some(run.instrument(self.span.clone()).await?);
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
    /// The clock stands before what was recorded, by this process or another.
    behind: bool,
    /// Another process was writing in this business, so the next transaction waits for it.
    wait_for: Option<BusinessId>,
    /// How long a transaction takes up commands.
    batch_within: Duration,
}

/// Which commands a transaction ran; the others wait for the next.
type Ran = Vec<bool>;

impl WriterTask {
    async fn write(mut self, mut waiting: mpsc::Receiver<Waiting>) {
        self.probe_store().await;
        let mut queued = Vec::with_capacity(MAX_BATCH);
        let mut commands = Vec::with_capacity(MAX_BATCH);
        loop {
            // What the last transaction left comes first.
            if !commands.is_empty() {
                while commands.len() < MAX_BATCH
                    && let Ok(command) = waiting.try_recv()
                {
                    commands.push(taken_up(command));
                }
                self.write_waiting(&mut commands).await;
                continue;
            }
            let sound = self.sound.load(Ordering::Relaxed);
            let take = waiting.recv_many(&mut queued, MAX_BATCH);
            let taken = if sound { Ok(take.await) } else { tokio::time::timeout(PROBE_INTERVAL, take).await };
            match taken {
                Ok(0) => break,
                Ok(_) => {
                    commands.extend(queued.drain(..).map(taken_up));
                    self.write_waiting(&mut commands).await;
                }
                // Nobody may come while the service says that it is not ready, so it finds out by itself.
                Err(_) => self.probe_store().await,
            }
        }
    }

    /// Writes what waits; what has to go on waiting stays.
    async fn write_waiting(&mut self, commands: &mut Vec<Box<dyn QueuedCommand>>) {
        match self.run_batch(commands).await {
            Ok(ran) => {
                let mut left = Vec::new();
                for (command, ran) in commands.drain(..).zip(ran) {
                    if ran { command.answer(None) } else { left.push(command) }
                }
                *commands = left;
            }
            Err(TransactionError::Unavailable(error)) => self.reject_all(&error, commands),
            Err(trouble) if trouble.leaves_outcome_unknown() => self.outcome_unknown(&trouble, commands),
            // One of them failed, and it takes the others' work with it: each on its own then.
            Err(_) => {
                let mut waiting = std::mem::take(commands).into_iter();
                while let Some(command) = waiting.next() {
                    let business = command.business();
                    // What is written in a business keeps its order.
                    if business.is_some() && commands.iter().any(|left| left.business() == business) {
                        commands.push(command);
                        continue;
                    }
                    match self.run_alone(command).await {
                        Ok(left) => commands.extend(left),
                        Err(unavailable) => {
                            // The others need not find out one by one.
                            commands.extend(waiting);
                            self.reject_all(&unavailable, commands);
                            return;
                        }
                    }
                }
                self.wait_for = commands.first().and_then(|left| left.business());
            }
        }
    }

    /// Runs all commands in one transaction that need not wait for another process, as many as come to it in time.
    async fn run_batch(&mut self, commands: &mut [Box<dyn QueuedCommand>]) -> Result<Ran, TransactionError> {
        let businesses = keys_of(commands);
        let wait_for = self.wait_for.take();
        let tx = self.begin().await.map_err(TransactionError::Unavailable)?;
        let now = self.clock.now();
        let Some(mut batch) = Batch::begin(tx, now, businesses, wait_for).await? else {
            return Ok(vec![false; commands.len()]);
        };
        if let Some(latest) = batch.latest.values().max() {
            self.compare(now, *latest);
        }
        let started = Instant::now();
        let mut ran = Vec::with_capacity(commands.len());
        for command in commands.iter_mut() {
            let is_late = ran.contains(&true) && started.elapsed() > self.batch_within;
            let runs = !is_late && batch.is_for(&**command);
            if runs {
                AssertUnwindSafe(command.run(&mut batch))
                    .catch_unwind()
                    .await
                    .map_err(|_| TransactionError::Panic)??;
            } else if !is_late && self.wait_for.is_none() && wait_for.is_none() {
                self.wait_for = command.business();
            }
            ran.push(runs);
        }
        if ran.contains(&true) {
            let committing = Instant::now();
            batch.commit().await?;
            metrics::histogram!("tankside_writer_commit_seconds").record(committing.elapsed().as_secs_f64());
            metrics::histogram!("tankside_writer_batch_acts")
                .record(count(ran.iter().filter(|ran| **ran).count()));
            self.mark_sound();
        }
        Ok(ran)
    }

    /// A clock that went back is told to the operator once.
    fn compare(&mut self, now: Timestamp, known: Timestamp) {
        let behind = known.since(now) > TELL_BEHIND;
        if behind && !self.behind {
            tracing::warn!(%now, book = %known, "the clock went back: the book was written at a later time");
        }
        self.behind = behind;
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

    /// Runs one command in a transaction of its own, again while it only meets other writers. Gives it back where another
    /// process is writing in its business.
    ///
    /// # Errors
    /// The store cannot be written at all; the command's caller was told so.
    async fn run_alone(
        &mut self,
        command: Box<dyn QueuedCommand>,
    ) -> Result<Option<Box<dyn QueuedCommand>>, store::Error> {
        self.wait_for = None;
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
            Ok(ran) if ran.contains(&false) => return Ok(commands.pop()),
            Ok(_) => commands.drain(..).for_each(|command| command.answer(None)),
            Err(trouble) if trouble.leaves_outcome_unknown() => self.outcome_unknown(&trouble, &mut commands),
            Err(TransactionError::Panic) => {
                commands.drain(..).for_each(|command| command.answer(Some(Failure::Fault)));
            }
            Err(TransactionError::Unavailable(error)) => {
                self.reject_all(&error, &mut commands);
                return Err(error);
            }
            Err(TransactionError::Store(error)) => {
                tracing::error!(%error, "a command could not be written");
                self.mark_unsound(&error);
                if let Some(command) = commands.pop() {
                    command.answer(Some(Failure::NotDone(error)));
                }
            }
        }
        Ok(None)
    }

    /// The store cannot be written at all, so all are told at once instead of each waiting for the same.
    fn reject_all(&mut self, error: &store::Error, commands: &mut Vec<Box<dyn QueuedCommand>>) {
        tracing::error!(%error, commands = commands.len(), "the store cannot be written");
        self.mark_unsound(error);
        commands.drain(..).for_each(|command| command.answer(Some(Failure::Unavailable)));
    }

    /// After a failed commit nobody knows whether it happened; a new connection sees what is there,
    /// and each caller's key decides on his retry.
    fn outcome_unknown(&mut self, trouble: &TransactionError, commands: &mut Vec<Box<dyn QueuedCommand>>) {
        if let TransactionError::Store(error) = trouble {
            tracing::error!(%error, commands = commands.len(), "a commit failed, the store is opened anew");
            self.mark_unsound(error);
        }
        commands.drain(..).for_each(|command| command.answer(Some(Failure::Unknown)));
    }

    /// Sees whether the store can be written, by a write that changes nothing.
    async fn probe_store(&mut self) {
        let tried = async {
            let mut tx = self.begin().await?;
            if let Some(known) = store::access::business::last_recorded_at(&mut tx).await? {
                self.compare(self.clock.now(), known);
            }
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

/// A command as the traces tell it; one that nobody asked for is not told.
fn span_of<C>() -> Span {
    traces::unlogged(|| {
        let name = std::any::type_name::<C>();
        let name = name.split('<').next().unwrap_or(name);
        let name = name.rsplit("::").next().unwrap_or(name);
        Beginning { needs_parent: true, ..Beginning::new(name, SpanKind::Internal) }
    })
}

/// Takes a command from the queue, and records how long it waited there.
fn taken_up(waiting: Waiting) -> Box<dyn QueuedCommand> {
    metrics::histogram!("tankside_writer_wait_seconds").record(waiting.since.elapsed().as_secs_f64());
    waiting.command
}

fn count(number: usize) -> f64 {
    u32::try_from(number).map_or(f64::MAX, f64::from)
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use super::*;

    /// Notes that it ran.
    struct Noted(u8, Arc<Mutex<Vec<u8>>>);

    impl BackgroundCommand for Noted {
        type Done = ();

        fn business(&self) -> Option<BusinessId> {
            None
        }

        async fn run(&self, _: &mut Tx, _: Timestamp) -> store::Result<()> {
            self.1.lock().unwrap().push(self.0);
            Ok(())
        }
    }

    /// Three commands that wait, and what ran of them after each transaction.
    async fn written(batch_within: Duration) -> Vec<Vec<u8>> {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite://{}", folder.path().join("book.db").display());
        let mut task = WriterTask {
            db: Db::open(&url).await.unwrap(),
            clock: Clock::system(),
            sound: Arc::new(AtomicBool::new(true)),
            stale: false,
            damaged: false,
            behind: false,
            wait_for: None,
            batch_within,
        };
        let ran = Arc::new(Mutex::new(Vec::new()));
        let mut answers = Vec::new();
        let mut commands: Vec<Box<dyn QueuedCommand>> = Vec::new();
        for number in 1..=3 {
            let (answer, answered) = oneshot::channel();
            answers.push(answered);
            let command = Noted(number, ran.clone());
            commands.push(Box::new(QueuedBackgroundCommand {
                command,
                done: None,
                answer,
                span: Span::none(),
            }));
        }
        let mut after_each = Vec::new();
        while !commands.is_empty() {
            task.write_waiting(&mut commands).await;
            after_each.push(ran.lock().unwrap().clone());
        }
        for answered in answers {
            assert!(answered.await.unwrap().is_ok());
        }
        after_each
    }

    /// A bound of nothing is over after any command, and one without end never: no clock decides this test.
    #[tokio::test]
    async fn a_transaction_takes_up_no_command_after_its_time_and_the_next_goes_on_where_it_stopped() {
        assert_eq!(written(Duration::ZERO).await, [vec![1], vec![1, 2], vec![1, 2, 3]]);
        assert_eq!(written(Duration::MAX).await, [vec![1, 2, 3]]);
    }
}
