//! Who calls: the key in `Authorization: Bearer`, and how often it may.

use std::{
    collections::{HashMap, HashSet},
    net::IpAddr,
    num::NonZeroU32,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant},
};

use axum::{
    extract::{Request, State},
    http::{HeaderMap, HeaderValue, header},
    middleware::Next,
    response::{IntoResponse, Response},
};
use governor::{
    DefaultKeyedRateLimiter, Quota, RateLimiter,
    clock::{Clock as _, DefaultClock},
    middleware::StateInformationMiddleware,
};

use crate::{
    book::{Caller, access::key},
    domain::values::KeyId,
    http::{
        App,
        access::{device, failures},
        problem::{Kind, Problem},
    },
    store::{
        Db,
        access::key::{FoundKey, Key},
    },
};

/// Counts the requests of each key.
#[derive(Clone)]
pub struct Limiter {
    by_key: Arc<DefaultKeyedRateLimiter<KeyId, StateInformationMiddleware>>,
    clock: DefaultClock,
    per_minute: NonZeroU32,
}

impl Limiter {
    /// Lets each key send so many requests a minute, all at once if it likes.
    pub fn new(per_minute: NonZeroU32) -> Self {
        let quota = Quota::per_minute(per_minute);
        let by_key = RateLimiter::keyed(quota).with_middleware::<StateInformationMiddleware>();
        Self { by_key: Arc::new(by_key), clock: DefaultClock::default(), per_minute }
    }

    /// Counts a request: how many are left, or how long to wait.
    pub fn count(&self, key: KeyId) -> Result<u32, Duration> {
        match self.by_key.check_key(&key) {
            Ok(left) => Ok(left.remaining_burst_capacity()),
            Err(not_yet) => Err(not_yet.wait_time_from(self.clock.now())),
        }
    }

    /// The headers of draft-ietf-httpapi-ratelimit-headers.
    fn tell(&self, headers: &mut HeaderMap, left: u32, wait: Duration) {
        let policy = format!("\"default\";q={};w=60", self.per_minute);
        let state = format!("\"default\";r={left};t={}", wait.as_secs() + u64::from(wait.subsec_nanos() > 0));
        for (name, value) in [("ratelimit-policy", policy), ("ratelimit", state)] {
            if let Ok(value) = HeaderValue::try_from(value) {
                headers.insert(name, value);
            }
        }
    }
}

/// How long a key that was looked up is believed: a key revoked by another process stops within this time.
const BELIEVED: Duration = Duration::from_secs(5);

/// Keys that are believed at most; more than any farm has.
const MOST_KEYS: usize = 10_000;

/// Keys that were looked up in the last seconds. One revoked through this process's own database handle is
/// forgotten at once.
#[derive(Clone, Default)]
pub struct KnownKeys(Arc<Mutex<Known>>);

#[derive(Default)]
struct Known {
    epoch: u64,
    by_hash: HashMap<String, (Instant, FoundKey)>,
    /// Hashes of all keys that were found.
    seen: HashSet<String>,
}

impl KnownKeys {
    /// The key of that hash, if there is one.
    async fn find(&self, db: &Db, hash: &str) -> crate::store::Result<Option<FoundKey>> {
        let epoch = db.key_epoch();
        if let Some(key) = self.known(epoch).by_hash.get(hash).filter(|(at, _)| at.elapsed() < BELIEVED) {
            return Ok(Some(key.1.clone()));
        }
        let mut tx = db.read_at_once().await?;
        let found = crate::store::access::key::by_hash(&mut tx, hash).await?;
        if let Some(key) = &found {
            let mut known = self.known(epoch);
            if known.by_hash.len() >= MOST_KEYS || known.seen.len() >= MOST_KEYS {
                known.by_hash.clear();
                known.seen.clear();
            }
            known.seen.insert(hash.to_owned());
            known.by_hash.insert(hash.to_owned(), (Instant::now(), key.clone()));
        }
        Ok(found)
    }

    /// Whether a key of that hash was found before.
    fn has_seen(&self, hash: &str) -> bool {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).seen.contains(hash)
    }

    /// What is known, as long as no key has changed since.
    fn known(&self, epoch: u64) -> MutexGuard<'_, Known> {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if known.epoch != epoch {
            known.epoch = epoch;
            known.by_hash.clear();
        }
        known
    }
}

/// Lets a request through with its caller, or says why not.
pub async fn authenticate(State(app): State<App>, mut request: Request, next: Next) -> Response {
    let from = failures::address(request.extensions());
    let key = match find(&app, from, request.headers()).await {
        Ok(key) => key,
        Err(problem) => return problem.into_response(),
    };
    tracing::Span::current().record("key", tracing::field::display(key.id));
    let counted = app.limiter.as_ref().map(|limiter| (limiter, limiter.count(key.id)));
    if let Some((limiter, Err(wait))) = counted {
        return too_many(limiter, wait);
    }
    let _turn = if request.method().is_safe() {
        match app.readers.take(key.id).await {
            Ok(turn) => Some(turn),
            Err(problem) => return problem.into_response(),
        }
    } else {
        None
    };
    let caller = Caller { business_id: key.business_id, key_id: key.id, role: key.role };
    app.book.key_uses.note(key.business_id, key.id, app.book.clock.now());
    if let Some(note) = device::note(request.headers()) {
        app.book.devices.note(key.business_id, key.id, &note, app.book.clock.now());
    }
    request.extensions_mut().insert(caller);
    let mut response = next.run(request).await;
    if let Some((limiter, Ok(left))) = counted {
        limiter.tell(response.headers_mut(), left, Duration::ZERO);
    }
    response
}

/// What is answered when a key asks too often.
pub fn too_many(limiter: &Limiter, wait: Duration) -> Response {
    let seconds = wait.as_secs() + 1;
    let detail = format!("This key may send {} requests a minute; wait {seconds} s.", limiter.per_minute);
    let problem = Problem::new(Kind::RateLimited, detail);
    let mut response = problem.with_header(header::RETRY_AFTER, HeaderValue::from(seconds)).into_response();
    limiter.tell(response.headers_mut(), 0, wait);
    response
}

/// The key that was sent, if it is good. What is sent without one is counted for its address, and refused unseen once
/// it is too much.
async fn find(app: &App, from: Option<IpAddr>, headers: &HeaderMap) -> Result<Key, Problem> {
    let failed = |problem| match app.failures.as_ref().zip(from) {
        Some((failures, from)) => failures.count(from).err().unwrap_or(problem),
        None => problem,
    };
    let hash = sent_key(headers).map_err(failed)?;
    if !app.known_keys.has_seen(&hash)
        && let Some((failures, from)) = app.failures.as_ref().zip(from)
    {
        // Before it is looked up: it will hardly be good.
        failures.count(from)?;
    }
    let key = app.known_keys.find(&app.book.db, &hash).await?;
    let now = app.book.clock.now();
    let found = key.ok_or_else(|| not_valid("This key is not known here."))?;
    if found.key.revoked_at.is_some() {
        return Err(failed(not_valid("This key was revoked.")));
    }
    if found.expired_at(now).is_some() {
        return Err(failed(not_valid("This key has expired.")));
    }
    if found.replaced_at(now).is_some() {
        return Err(failed(not_valid(
            "The secret of this key was replaced by another, which is to be sent now.",
        )));
    }
    Ok(found.key)
}

fn not_valid(why: &str) -> Problem {
    Problem::new(Kind::KeyNotValid, why)
}

/// The hash of the key in the headers.
fn sent_key(headers: &HeaderMap) -> Result<String, Problem> {
    let missing = || Problem::new(Kind::KeyMissing, "Send a header `Authorization: Bearer <key>`.");
    let sent = headers.get(header::AUTHORIZATION).ok_or_else(missing)?;
    let sent = sent.to_str().unwrap_or_default();
    let (scheme, key) = sent.split_once(' ').ok_or_else(missing)?;
    if !scheme.eq_ignore_ascii_case("bearer") {
        return Err(missing());
    }
    key::hash(key.trim())
        .ok_or_else(|| not_valid("This is not a key of this service: look for a typing mistake."))
}
