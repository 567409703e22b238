//! The worker: takes what is due in hand, sends it, and writes down how it went.
//!
//! What is due stands in the store, and so does who has it in hand and until when: a worker that dies lets go
//! by itself, several processes share the work, and nothing is held in memory but what is being sent just now and when which
//! webhook is to be looked at. While nothing is due the store is left alone: what this process writes rings a bell, what comes
//! later is on the agenda, and what another process left is found when all webhooks are gone through.
//! Everything is written by the writer, in transactions of its own; nothing is sent inside one. So an event is
//! delivered at least once: a worker may die between the receiver's answer and writing it down.

use std::{
    collections::BTreeMap,
    sync::Arc,
    time::{Duration, Instant},
};

use chrono::TimeDelta;
use tokio::{
    sync::watch,
    task::{JoinHandle, JoinSet},
};
use tracing::Instrument as _;
use uuid::Uuid;

use crate::{
    book::{
        Book,
        alerts::alert,
        command::{BackgroundCommand, Failure},
    },
    domain::{
        alerts::{About, AlertKind},
        values::{BusinessId, Timestamp, WebhookId},
        webhooks::webhook::{
            AttemptOutcome, DeliveryAttempt, DeliveryState, FailureState, NextAttempt, WebhookState, after,
        },
    },
    store::{
        self, Tx,
        webhooks::{
            bell::Addressee,
            webhook::{Claimed, KeptSecret, LookAt, Order},
        },
    },
    traces::{self, Beginning, SpanKind, TraceContext},
    webhooks::{
        agenda::Agenda,
        message::Message,
        seal::{SealError, SecretKeys},
        send::{OutgoingRequest, Sender, Sent},
        sign::Secret,
    },
};

/// How often the clock is looked at for what is due by now.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// How often all webhooks are gone through, for what another process left behind. No bell is needed for it to be right, on
/// either database.
const LOOK_THROUGH_EVERY: Duration = Duration::from_secs(15);

/// Deliveries that a process has in hand at once.
const MOST_IN_HAND: usize = 128;

/// Of these, for one webhook, in all processes together: a slow receiver keeps no other waiting.
const EACH: i64 = 4;

/// How long a delivery is in hand before another worker may take it up: far longer than an attempt takes.
const LEASE: TimeDelta = TimeDelta::seconds(30);

/// How often one looks further in one transaction, where all that is due first waits behind something.
const LOOKS_FURTHER: usize = 5;

/// What a manager is told of a message that could not be signed; the log tells the operator more.
const UNREADABLE: &str = "The webhook's secret is encrypted in the store, and the service has not the key for it. Who runs the \
    service must give it the file again (--secrets-key-file), or the secret must be rotated.";

/// How long deliveries and events are kept.
const KEPT: TimeDelta = TimeDelta::days(30);

/// Rows that are forgotten in one transaction.
const FORGET_TOGETHER: i64 = 200;

/// How often one looks for what is to be forgotten.
const FORGET_EVERY: Duration = Duration::from_hours(1);

/// How often the backlog is counted.
const COUNT_EVERY: Duration = Duration::from_secs(15);

/// By how much the clock must go back to be noticed.
const BACK: TimeDelta = TimeDelta::seconds(60);

/// How often an attempt's end is tried to be written down, a second apart, before another worker repeats it.
const WRITE_TRIES: u32 = 10;

/// A running worker.
pub struct Working {
    stop: watch::Sender<bool>,
    task: JoinHandle<()>,
}

impl Working {
    /// Lets the worker finish what it has in hand, and waits for it.
    pub async fn end(self) {
        let _ = self.stop.send(true);
        if self.task.await.is_err_and(|ended| ended.is_panic()) {
            tracing::error!("the webhooks' worker ended badly");
        }
    }

    /// Ends the worker at once, whatever it is doing; its leases run out.
    pub(crate) fn abort(&self) {
        self.task.abort();
    }
}

/// Starts the worker on `book`.
pub fn start(book: Book, sender: Sender, keys: Arc<SecretKeys>) -> Working {
    let (stop, stopping) = watch::channel(false);
    let task = tokio::spawn(Worker { book, sender, keys }.work(stopping));
    Working { stop, task }
}

#[derive(Clone)]
struct Worker {
    book: Book,
    sender: Sender,
    keys: Arc<SecretKeys>,
}

impl Worker {
    async fn work(self, mut stopping: watch::Receiver<bool>) {
        let mut jumps = JoinSet::new();
        let mut agenda = Agenda::default();
        let mut clock = ClockJumpDetector { at: self.book.clock.now(), since: Instant::now() };
        if self.book.db.is_embedded() {
            // Nobody else serves this file, so what is in hand was left by one who died.
            let _ = self.book.writer.run_in_background(ReleaseLeases).await;
        }
        let (mut purge, mut count) = (Timer::new(FORGET_EVERY), Timer::new(COUNT_EVERY));
        let mut through = Timer::new(LOOK_THROUGH_EVERY);
        while !*stopping.borrow() {
            if let Some(background) = clock.went_back(self.book.clock.now()) {
                let _ = self.book.writer.run_in_background(background).await;
                through = Timer::new(LOOK_THROUGH_EVERY);
            }
            if count.is_time() {
                self.count().await;
            }
            if purge.is_time() {
                self.seal().await;
                self.give_up(&stopping).await;
                self.purge(&stopping).await;
            }
            if through.is_time() {
                self.look_through(&mut agenda).await;
            }
            let mut disabled = false;
            while let Some(ended) = jumps.try_join_next() {
                disabled |= ended.unwrap_or(false);
            }
            if disabled {
                self.give_up(&stopping).await;
            }
            for taken in self.claim(&mut agenda, MOST_IN_HAND - jumps.len()).await {
                let worker = self.clone();
                jumps.spawn(async move { worker.deliver(taken).await });
            }
            tokio::select! {
                _ = stopping.changed() => {}
                () = self.book.db.bell().rings() => {}
                () = tokio::time::sleep(LOOK_EVERY) => {}
            }
        }
        while jumps.join_next().await.is_some() {}
    }

    /// Goes through all webhooks for what is on nobody's agenda.
    async fn look_through(&self, agenda: &mut Agenda) {
        let waiting = async {
            let mut tx = self.book.db.read().await?;
            store::webhooks::webhook::all_waiting(&mut tx, self.book.clock.now()).await
        };
        match waiting.await {
            Ok(waiting) => waiting.into_iter().for_each(|LookAt { webhook, at }| agenda.note(webhook, at)),
            Err(error) => tracing::warn!(%error, "webhooks: cannot look what is due"),
        }
    }

    /// Takes at most so many deliveries in hand of what is due.
    async fn claim(&self, agenda: &mut Agenda, most: usize) -> Vec<Claimed> {
        let now = self.book.clock.now();
        for webhook in self.book.db.bell().take() {
            agenda.note(webhook, now);
        }
        let due = agenda.take(now, most);
        if due.is_empty() {
            return Vec::new();
        }
        let claim = ClaimDeliveries { due: due.clone(), most: i64::try_from(most).unwrap_or(0) };
        match self.book.writer.run_in_background(claim).await {
            Ok(ClaimedDeliveries { taken, later }) => {
                for LookAt { webhook, at } in later {
                    agenda.note(webhook, at);
                }
                taken
            }
            Err(failure) => {
                tracing::warn!(?failure, "webhooks: cannot take up what is due");
                for webhook in due {
                    agenda.note(webhook, now);
                }
                Vec::new()
            }
        }
    }

    /// Sends one delivery and writes down how it went. Gives whether the webhook was disabled by it.
    async fn deliver(&self, taken: Claimed) -> bool {
        let Claimed { business_id, id } = taken;
        let now = self.book.clock.now();
        let order = async {
            let mut tx = self.book.db.read().await?;
            store::webhooks::webhook::order(&mut tx, business_id, id, now).await
        };
        let order = match order.await {
            Ok(Some(order)) => order,
            // Its webhook was removed meanwhile.
            Ok(None) => return false,
            Err(error) => {
                tracing::warn!(%error, delivery = %id, "webhooks: cannot read a delivery");
                return false;
            }
        };
        let Order { delivery, webhook, event, secrets } = order;
        let secrets = self.opened(business_id, webhook.id, &secrets);
        let message = Message::of(business_id, &event);
        let request = Uuid::now_v7();
        let host = webhook.details.url.authority();
        let sent = match secrets {
            Ok(secrets) => {
                let trace = traces::on().then(TraceContext::begin);
                let outgoing = OutgoingRequest {
                    url: &webhook.details.url,
                    id: message.id.to_string(),
                    request,
                    secrets: &secrets,
                    trace,
                    body: message.bytes(),
                    now,
                };
                // Its path may hold a secret.
                let span = traces::unlogged(|| Beginning {
                    own: trace,
                    attributes: vec![
                        ("http.request.method", "POST".into()),
                        ("server.address", host.as_str().into()),
                        ("tankside.event.id", outgoing.id.as_str().into()),
                    ],
                    ..Beginning::new("POST webhook", SpanKind::Client)
                });
                let sent = self.sender.send(outgoing).instrument(span.clone()).await;
                span.record("status", sent.status.map_or(0, u64::from));
                sent
            }
            Err(trouble) => {
                tracing::error!(webhook = %webhook.id, %trouble, "a message to a webhook cannot be signed");
                Sent {
                    outcome: AttemptOutcome::SecretUnreadable,
                    status: None,
                    asked: None,
                    took: Duration::ZERO,
                    answer: Some(UNREADABLE.to_owned()),
                }
            }
        };
        let outcome = sent.outcome;
        metrics::counter!("tankside_webhook_attempts_total", "outcome" => outcome.as_str()).increment(1);
        metrics::histogram!("tankside_webhook_attempt_seconds").record(sent.took.as_secs_f64());
        tracing::debug!(webhook = %webhook.id, event = %message.id, host, %outcome, status = sent.status, "webhook tried");
        let record_attempt =
            RecordAttempt { taken, webhook: webhook.id, request, started_at: now, host, sent };
        for _ in 0..WRITE_TRIES {
            match self.book.writer.run_in_background(record_attempt.clone()).await {
                Ok(Some(reason)) => {
                    tracing::warn!(webhook = %webhook.id, reason, "a webhook was disabled");
                    return true;
                }
                // Nobody knows whether it is written; if not, the lease runs out and it is sent once more.
                Ok(None) | Err(Failure::Unknown) => return false,
                Err(failure) => {
                    tracing::warn!(?failure, delivery = %delivery.id, "webhooks: cannot write an attempt down");
                }
            }
            tokio::time::sleep(Duration::from_secs(1)).await;
        }
        false
    }

    /// The secrets that sign, the present one first. One before that no longer opens takes nothing from the present one.
    fn opened(
        &self,
        business: BusinessId,
        webhook: WebhookId,
        kept: &[String],
    ) -> Result<Vec<Secret>, SealError> {
        let mut opened = kept.iter().map(|kept| self.keys.open(business, webhook, kept));
        let present = opened.next().unwrap_or(Err(SealError::Changed))?;
        Ok(std::iter::once(present).chain(opened.filter_map(Result::ok)).collect())
    }

    /// Encrypts what is kept in the clear or under an earlier key, if there is a key.
    async fn seal(&self) {
        let kept = async {
            let mut tx = self.book.db.read().await?;
            store::webhooks::webhook::kept_secrets(&mut tx).await
        };
        let mut outdated = BTreeMap::<BusinessId, Vec<KeptSecret>>::new();
        for kept in kept.await.unwrap_or_default() {
            if self.keys.is_outdated(&kept.secret) {
                outdated.entry(kept.business_id).or_default().push(kept);
            }
        }
        for (business, outdated) in outdated {
            let seal = SealSecrets { business, outdated, keys: self.keys.clone() };
            match self.book.writer.run_in_background(seal).await {
                Ok((sealed, None)) => tracing::info!(%business, sealed, "secrets of webhooks were encrypted"),
                Ok((sealed, Some(trouble))) => {
                    tracing::error!(%business, sealed, %trouble, "not all secrets of webhooks could be encrypted anew");
                }
                Err(failure) => tracing::warn!(?failure, "webhooks: cannot encrypt secrets"),
            }
        }
    }

    async fn count(&self) {
        let backlog = async {
            let mut tx = self.book.db.read().await?;
            store::webhooks::webhook::backlog(&mut tx).await
        };
        if let Ok(backlog) = backlog.await {
            let age =
                backlog.oldest.map_or(0.0, |oldest| self.book.clock.now().since(oldest).as_seconds_f64());
            #[expect(clippy::cast_precision_loss, reason = "a gauge need not be exact beyond 2^52")]
            metrics::gauge!("tankside_webhook_waiting_deliveries").set(backlog.waiting as f64);
            metrics::gauge!("tankside_webhook_oldest_waiting_seconds").set(age.max(0.0));
        }
    }

    /// Gives up what waits for webhooks that are told nothing any more, a little at a time.
    async fn give_up(&self, stopping: &watch::Receiver<bool>) {
        let businesses = async {
            let mut tx = self.book.db.read().await?;
            store::webhooks::webhook::with_given_up(&mut tx).await
        };
        for business in businesses.await.unwrap_or_default() {
            while !*stopping.borrow()
                && let Ok(1..) = self.book.writer.run_in_background(GiveUp { business }).await
            {}
        }
    }

    /// Forgets what is old, a little at a time; what another process has forgotten is not there any more.
    async fn purge(&self, stopping: &watch::Receiver<bool>) {
        let businesses = async {
            let mut tx = self.book.db.read().await?;
            store::webhooks::webhook::with_old(&mut tx, self.book.clock.now().plus(-KEPT)).await
        };
        let Ok(businesses) = businesses.await else { return };
        for business in businesses {
            let purge = PurgeDeliveries { business };
            while !*stopping.borrow()
                && let Ok(1..) = self.book.writer.run_in_background(purge).await
            {}
        }
    }
}

/// Says when it is time again.
struct Timer {
    period: Duration,
    last: Option<Instant>,
}

impl Timer {
    fn new(period: Duration) -> Self {
        Self { period, last: None }
    }

    fn is_time(&mut self) -> bool {
        let due = self.last.is_none_or(|last| last.elapsed() >= self.period);
        if due {
            self.last = Some(Instant::now());
        }
        due
    }
}

/// The clock's hands as they were seen last.
struct ClockJumpDetector {
    at: Timestamp,
    since: Instant,
}

impl ClockJumpDetector {
    /// Whether the clock was put back since it was seen last.
    fn went_back(&mut self, now: Timestamp) -> Option<ResetAfterClockJump> {
        let passed = TimeDelta::from_std(self.since.elapsed()).unwrap_or_default();
        let back = self.at.plus(passed).since(now) > BACK;
        *self = Self { at: now, since: Instant::now() };
        back.then_some(ResetAfterClockJump)
    }
}

/// Takes deliveries in hand that are due to these webhooks.
struct ClaimDeliveries {
    due: Vec<Addressee>,
    most: i64,
}

/// What was taken in hand, and which webhooks are to be looked at later, without anything ringing for them.
struct ClaimedDeliveries {
    taken: Vec<Claimed>,
    later: Vec<LookAt>,
}

impl BackgroundCommand for ClaimDeliveries {
    type Done = ClaimedDeliveries;

    fn business(&self) -> Option<BusinessId> {
        None
    }

    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<ClaimedDeliveries> {
        let (mut taken, mut later) = (Vec::new(), Vec::new());
        let mut left = self.most;
        for webhook in self.due.iter().copied() {
            if left <= 0 {
                later.push(LookAt { webhook, at: now });
                continue;
            }
            if !store::webhooks::webhook::lock(tx, webhook).await? {
                continue;
            }
            let ready = store::webhooks::webhook::ready(tx, webhook, now, EACH).await?;
            let mut room = ready.room.clamp(0, left);
            let mut next_at = ready.next_at;
            for again in (0..LOOKS_FURTHER).rev() {
                let more = store::webhooks::webhook::claim(tx, webhook, room, LEASE, now).await?;
                let found = i64::try_from(more.len()).unwrap_or(room);
                (room, left) = (room - found, left - found);
                taken.extend(more);
                let is_hidden = ready.is_crowded && room > 0;
                if !is_hidden || store::webhooks::webhook::put_off(tx, webhook, now).await? == 0 {
                    break;
                }
                if again == 0 {
                    next_at = Some(now);
                }
            }
            // When one of these is written down it rings for the next.
            later.extend(next_at.map(|at| LookAt { webhook, at }));
        }
        Ok(ClaimedDeliveries { taken, later })
    }
}

/// Writes down how an attempt went and what follows. Gives the reason when the webhook is disabled by it.
#[derive(Clone)]
struct RecordAttempt {
    taken: Claimed,
    webhook: WebhookId,
    request: Uuid,
    started_at: Timestamp,
    host: String,
    sent: Sent,
}

impl BackgroundCommand for RecordAttempt {
    type Done = Option<String>;

    fn business(&self) -> Option<BusinessId> {
        Some(self.taken.business_id)
    }

    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<Option<String>> {
        let Claimed { business_id, id } = self.taken;
        let Some(delivery) = store::webhooks::webhook::delivery(tx, business_id, id).await? else {
            return Ok(None);
        };
        let failure_state = store::webhooks::webhook::failure_state(tx, business_id, self.webhook).await?;
        let Some((state, failures, failing_since)) = failure_state else { return Ok(None) };
        let attempt = DeliveryAttempt {
            request_id: self.request,
            number: delivery.attempts + 1,
            started_at: self.started_at,
            host: self.host.clone(),
            outcome: self.sent.outcome,
            status: self.sent.status.map(i64::from),
            latency_ms: i64::try_from(self.sent.took.as_millis()).unwrap_or(i64::MAX),
            answer: self.sent.answer.clone(),
        };
        let before = FailureState { delivery: id, step: delivery.step, failures, failing_since };
        let after = after(before, self.sent.outcome, self.sent.asked, now);
        let after = if state == WebhookState::Disabled { ended(&after, self.sent.outcome) } else { after };
        store::webhooks::webhook::add_attempt(tx, business_id, id, &attempt).await?;
        store::webhooks::webhook::record_attempt(tx, business_id, (id, self.webhook), &attempt, &after, now)
            .await?;
        if after.disabled.is_some() {
            let about = About::webhook(self.webhook);
            alert::settle(tx, business_id, now, AlertKind::WebhookDisabled, about).await?;
        }
        Ok(after.disabled)
    }
}

/// What follows when the webhook was disabled while this was on its way: it is not tried again.
fn ended(after: &NextAttempt, outcome: AttemptOutcome) -> NextAttempt {
    let delivered = outcome == AttemptOutcome::Delivered;
    let state = if delivered { DeliveryState::Delivered } else { DeliveryState::Failed };
    NextAttempt { state, due_at: None, rest_until: None, disabled: None, ..after.clone() }
}

/// Lets go of everything that is in hand.
struct ReleaseLeases;

impl BackgroundCommand for ReleaseLeases {
    type Done = ();

    fn business(&self) -> Option<BusinessId> {
        None
    }

    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<()> {
        store::webhooks::webhook::release(tx, now).await
    }
}

/// What was to come later comes now.
struct ResetAfterClockJump;

impl BackgroundCommand for ResetAfterClockJump {
    type Done = ();

    fn business(&self) -> Option<BusinessId> {
        None
    }

    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<()> {
        store::webhooks::webhook::clock_went_back(tx, now).await?;
        store::webhooks::webhook::release(tx, now.plus(LEASE)).await
    }
}

/// Keeps secrets as they are to be kept.
struct SealSecrets {
    business: BusinessId,
    outdated: Vec<KeptSecret>,
    keys: Arc<SecretKeys>,
}

impl BackgroundCommand for SealSecrets {
    /// How many, and why others could not be.
    type Done = (u64, Option<SealError>);

    fn business(&self) -> Option<BusinessId> {
        Some(self.business)
    }

    async fn run(&self, tx: &mut Tx, _: Timestamp) -> store::Result<Self::Done> {
        let (mut sealed, mut trouble) = (0, None);
        for kept in &self.outdated {
            let opened = self.keys.open(self.business, kept.webhook_id, &kept.secret);
            match opened.and_then(|secret| self.keys.seal(self.business, kept.webhook_id, &secret)) {
                Ok(after) => {
                    sealed += store::webhooks::webhook::keep_secret(tx, kept, after).await?;
                }
                Err(error) => trouble = Some(error),
            }
        }
        Ok((sealed, trouble))
    }
}

/// Gives up some of what waits for webhooks that are told nothing any more.
struct GiveUp {
    business: BusinessId,
}

impl BackgroundCommand for GiveUp {
    type Done = u64;

    fn business(&self) -> Option<BusinessId> {
        Some(self.business)
    }

    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<u64> {
        store::webhooks::webhook::give_up(tx, self.business, now).await
    }
}

/// Forgets some of what is old.
#[derive(Clone, Copy)]
struct PurgeDeliveries {
    business: BusinessId,
}

impl BackgroundCommand for PurgeDeliveries {
    type Done = u64;

    fn business(&self) -> Option<BusinessId> {
        Some(self.business)
    }

    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<u64> {
        // A minute in 2099 must not take what waits.
        let now = store::access::business::believed(tx, self.business, now).await?;
        store::webhooks::webhook::purge(tx, self.business, now.plus(-KEPT), FORGET_TOGETHER).await
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_is_put_back_is_noticed_and_one_that_is_put_forward_is_not() {
        let now: Timestamp = chrono::DateTime::from_timestamp(1_772_427_600, 0).unwrap().into();
        let mut jumps = ClockJumpDetector { at: now, since: Instant::now() };
        assert!(jumps.went_back(now).is_none());
        assert!(jumps.went_back(now.plus(TimeDelta::days(1))).is_none());
        assert!(jumps.went_back(now.plus(TimeDelta::days(1))).is_none());
        assert!(jumps.went_back(now).is_some());
        assert!(jumps.went_back(now).is_none(), "noticed once");
    }
}
