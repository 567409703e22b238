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
    store::{Db, access::key::FoundKey},
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

/// How often the list of all keys is read anew, at most, while one that is not on it asks too often: so long may a key that was
/// made by another process have to wait in an attack.
const READ_ANEW: Duration = Duration::from_secs(5);

/// And at most this part of the time is spent on it, however many there are.
const READ_ANEW_PART: u32 = 20;

/// Keys that were looked up in the last seconds, and which there are at all. One revoked through this process's own database
/// handle is forgotten at once. Nothing is remembered of keys that there are not, so nobody can fill this.
#[derive(Clone, Default)]
pub struct KnownKeys {
    known: Arc<Mutex<Known>>,
    /// Held by who reads them anew; the others wait for what comes of it.
    reading: Arc<tokio::sync::Mutex<()>>,
}

#[derive(Default)]
struct Known {
    epoch: u64,
    by_hash: HashMap<String, (Instant, FoundKey)>,
    /// All keys that there are, each by the beginning of its hash.
    there: HashSet<u128>,
    /// At which epoch these were read, and when they may be read anew.
    read: Option<(u64, Instant)>,
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
            if known.by_hash.len() >= MOST_KEYS {
                known.by_hash.clear();
            }
            known.by_hash.insert(hash.to_owned(), (Instant::now(), key.clone()));
            // One that was made after they were read.
            known.there.extend(beginning_of(hash).filter(|_| key.key.revoked_at.is_none()));
        }
        Ok(found)
    }

    /// Whether there is a key of that hash, as far as is known without asking the store.
    fn is_there(&self, hash: &str) -> bool {
        beginning_of(hash).is_some_and(|hash| self.lock().there.contains(&hash))
    }

    /// There is a key of that hash now.
    pub fn add(&self, hash: &str) {
        self.lock().there.extend(beginning_of(hash));
    }

    /// Reads which keys there are, unless that was done just now and no key of this process has changed since.
    ///
    /// # Errors
    /// The store cannot be read.
    pub async fn read_anew(&self, db: &Db) -> crate::store::Result<()> {
        let _reading = self.reading.lock().await;
        let (epoch, began) = (db.key_epoch(), Instant::now());
        if self.lock().read.is_some_and(|(read_at, next)| read_at == epoch && began < next) {
            return Ok(());
        }
        let hashes = {
            let mut tx = db.read_at_once().await?;
            crate::store::access::key::hashes(&mut tx).await?
        };
        let there = hashes.iter().filter_map(|hash| beginning_of(hash)).collect();
        let pause = READ_ANEW.max(began.elapsed() * READ_ANEW_PART);
        let mut known = self.lock();
        known.there = there;
        known.read = Some((epoch, Instant::now() + pause));
        Ok(())
    }

    /// What is known, as long as no key has changed since.
    fn known(&self, epoch: u64) -> MutexGuard<'_, Known> {
        let mut known = self.lock();
        if known.epoch != epoch {
            known.epoch = epoch;
            known.by_hash.clear();
        }
        known
    }

    fn lock(&self) -> MutexGuard<'_, Known> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The first half of a hash in hexadecimal: no two keys share it.
fn beginning_of(hash: &str) -> Option<u128> {
    u128::from_str_radix(hash.get(..32)?, 16).ok()
}

/// Lets a request through with its caller, or says why not.
pub async fn authenticate(State(app): State<App>, mut request: Request, next: Next) -> Response {
    let from = failures::address(request.extensions());
    let found = match find(&app, from, request.headers()).await {
        Ok(found) => found,
        Err(problem) => return problem.into_response(),
    };
    let (limits, key) = (found.limits().map(Arc::new), found.key);
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
    let caller = Caller { business_id: key.business_id, key_id: key.id, role: key.role, limits };
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

/// The key that was sent, if it is good. What is sent without one is counted for its address, and refused unseen once it is too
/// much; who has a key that there is, is let in however much that is.
async fn find(app: &App, from: Option<IpAddr>, headers: &HeaderMap) -> Result<FoundKey, Problem> {
    let failures = app.failures.as_ref().zip(from);
    let failed = |why: &'static str, problem| {
        metrics::counter!("tankside_auth_failures_total", "why" => why).increment(1);
        failures.and_then(|(failures, from)| failures.count(from).err()).unwrap_or(problem)
    };
    let hash = sent_key(headers).map_err(|(why, problem)| failed(why, problem))?;
    if !app.known_keys.is_there(&hash)
        && let Some((failures, from)) = failures
        // Before it is looked up: it will hardly be good.
        && let Err(problem) = failures.count(from)
    {
        // Unless it was made after they were read.
        app.known_keys.read_anew(&app.book.db).await?;
        if !app.known_keys.is_there(&hash) {
            metrics::counter!("tankside_auth_failures_total", "why" => "limited").increment(1);
            return Err(problem);
        }
    }
    let key = app.known_keys.find(&app.book.db, &hash).await?;
    let now = app.book.clock.now();
    let Some(found) = key else {
        metrics::counter!("tankside_auth_failures_total", "why" => "unknown").increment(1);
        return Err(not_valid("This key is not known here."));
    };
    if found.key.revoked_at.is_some() {
        return Err(failed("revoked", not_valid("This key was revoked.")));
    }
    if found.expired_at(now).is_some() {
        return Err(failed("expired", not_valid("This key has expired.")));
    }
    if found.replaced_at(now).is_some() {
        let told = "The secret of this key was replaced by another, which is to be sent now.";
        return Err(failed("replaced", not_valid(told)));
    }
    Ok(found)
}

fn not_valid(why: &str) -> Problem {
    Problem::new(Kind::KeyNotValid, why)
}

/// The hash of the key in the headers, or in a word why there is none.
fn sent_key(headers: &HeaderMap) -> Result<String, (&'static str, Problem)> {
    let missing =
        || ("missing", Problem::new(Kind::KeyMissing, "Send a header `Authorization: Bearer <key>`."));
    let sent = headers.get(header::AUTHORIZATION).ok_or_else(missing)?;
    let sent = sent.to_str().unwrap_or_default();
    let (scheme, key) = sent.split_once(' ').ok_or_else(missing)?;
    if !scheme.eq_ignore_ascii_case("bearer") {
        return Err(missing());
    }
    key::hash(key.trim()).ok_or_else(|| {
        ("garbled", not_valid("This is not a key of this service: look for a typing mistake."))
    })
}
