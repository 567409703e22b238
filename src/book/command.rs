//! What is asked of the book: a command, who asks, and what comes back.
//!
//! A command runs in three steps. It gathers the facts from [`store`], decides by a pure function of
//! [`domain`](crate::domain), and writes the decision. No step goes back to an earlier one.

use crate::{
    book::{Caller, CommandError, alerts::alert::RefusedAct},
    domain::{
        access::{
            device::DeviceNote,
            limits::{Limits, NamedAt, NamedId},
        },
        now::Now,
        straws::{movement::Movement, posting::Posting},
        values::{AlertRuleId, BusinessId, LotId, PlaceId, TankId, Timestamp, WithdrawalId},
    },
    store::{self, Tx, straws::ledger},
};

use serde_json::Value;
use uuid::Uuid;

/// Something that is written in the book, in one piece or not at all.
pub trait Command: Send + Sync + 'static {
    /// What came of it.
    type Done: Send;

    /// Whether it writes nothing before it can no longer be rejected. Any other command is run behind a
    /// savepoint, to which a rejection goes back.
    const DECIDES_FIRST: bool = false;

    /// Runs it. It may be called again when the store asks for a second try, so it changes nothing
    /// but the store.
    fn run(
        &self,
        cx: &mut CommandContext<'_>,
    ) -> impl Future<Output = Result<Self::Done, CommandError>> + Send;
}

/// A command about one thing, which the path of its request names.
#[derive(Clone, Copy, Debug)]
pub struct On<I, C> {
    /// The thing.
    pub id: I,
    /// The command.
    pub command: C,
}

/// Work of the service's own, that no caller asked for: nothing of it stands in the audit, and nobody's
/// key is behind it.
pub trait BackgroundCommand: Send + Sync + 'static {
    /// What came of it.
    type Done: Send;

    /// In whose book, where it writes in one only; others are kept out of that until it is done.
    fn business(&self) -> Option<BusinessId>;

    /// Runs it. Like a [`Command`] it may be called again, and changes nothing but the store. It should be
    /// short: callers wait meanwhile.
    fn run(&self, tx: &mut Tx, now: Timestamp) -> impl Future<Output = store::Result<Self::Done>> + Send;
}

/// What a command works with.
pub struct CommandContext<'t> {
    /// The transaction.
    pub tx: &'t mut Tx,
    /// Who asks.
    pub caller: &'t Caller,
    /// Now.
    pub now: Timestamp,
    /// The latest time that the book knows; later than `now` when the clock went back.
    pub latest: Timestamp,
    /// What the command touched that alerts may be about; looked at when all that share the transaction are done.
    pub touched: Touched,
}

impl<'t> CommandContext<'t> {
    /// What the caller's key is limited to. What a request names was held against it before the command runs
    /// ([`RequestContext::new`]); who chooses among what it does not name has to ask.
    pub fn limits(&self) -> Option<&'t Limits> {
        self.caller.limits()
    }
}

impl CommandContext<'_> {
    /// In whose book.
    pub fn business(&self) -> BusinessId {
        self.caller.business_id
    }

    /// What time it is.
    pub fn now(&self) -> Now {
        Now { now: self.now, latest: self.latest }
    }

    /// Writes a line of the ledger, and notes for the alerts where straws moved.
    pub async fn post(&mut self, posting: Posting) -> store::Result<Movement> {
        let business = self.business();
        self.touched.moved(&posting);
        ledger::post(self.tx, business, self.caller.key_id, self.now, posting).await
    }
}

/// What commands touched that alerts may be about.
#[derive(Debug, Default)]
pub struct Touched {
    /// Lots, each with the places that its straws left and came to.
    pub(crate) lots: Vec<(LotId, [Option<PlaceId>; 2])>,
    pub(crate) withdrawals: Vec<WithdrawalId>,
    pub(crate) rules: Vec<AlertRuleId>,
    pub(crate) tanks: Vec<TankId>,
}

impl Touched {
    /// Straws moved.
    pub fn moved(&mut self, posting: &Posting) {
        let places = [posting.from.place_id(), posting.to.place_id()];
        if places != [None, None] {
            self.lots.push((posting.lot_id, places));
        }
    }

    /// Straws of a lot were taken out of a place.
    pub fn took(&mut self, lot: LotId, place: PlaceId) {
        self.lots.push((lot, [Some(place), None]));
    }

    /// Whether a lot's straws may be used changed.
    pub fn lot(&mut self, lot: LotId) {
        self.lots.push((lot, [None, None]));
    }

    /// A tank's level was read, or it was filled.
    pub fn tank(&mut self, id: TankId) {
        self.tanks.push(id);
    }

    /// A rule was changed or taken away.
    pub fn rule(&mut self, id: AlertRuleId) {
        self.rules.push(id);
    }

    /// A withdrawn straw went on its way.
    pub fn withdrawal(&mut self, id: WithdrawalId) {
        self.withdrawals.push(id);
    }

    /// Takes up what another command touched.
    pub(crate) fn merge(&mut self, other: Self) {
        self.lots.extend(other.lots);
        self.withdrawals.extend(other.withdrawals);
        self.rules.extend(other.rules);
        self.tanks.extend(other.tanks);
    }

    /// The same with each thing once.
    pub(crate) fn each_once(mut self) -> Self {
        fn once<T: Ord>(things: &mut Vec<T>) {
            things.sort_unstable();
            things.dedup();
        }
        once(&mut self.lots);
        once(&mut self.withdrawals);
        once(&mut self.rules);
        once(&mut self.tanks);
        self
    }
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
    /// That it was done already and is only told, and by which device.
    pub told: Option<PastAct>,
    /// The things that it names, where the key is limited.
    named: Vec<NamedId>,
}

impl RequestContext {
    /// Who asks, and what for: by `request`, method and path for the audit, at `path`, with this `body`. Every id in path and body
    /// is kept where the key is limited, whatever it means there, so that no command can forget to ask whether the caller may.
    pub fn new(
        caller: Caller,
        request: String,
        path: &str,
        body: &Value,
        keyed: Option<Keyed>,
        told: Option<PastAct>,
    ) -> Self {
        let mut named = Vec::new();
        if caller.limits.is_some() {
            named.extend(named_in_path(path));
            named_in(body, "#", &mut named);
        }
        Self { caller, request, keyed, told, named }
    }

    /// The things that it names, where the key is limited.
    pub(crate) fn named(&self) -> &[NamedId] {
        &self.named
    }
}

/// The ids in a path, and what refusals call what is found there.
pub fn named_in_path(path: &str) -> Vec<NamedId> {
    let what = match path.split('/').nth(2).unwrap_or_default() {
        "herds" => "herd",
        "tanks" => "tank",
        "sires" => "sire",
        "lots" => "lot",
        "animals" => "animal",
        "heats" => "heat",
        "pregnancy-checks" => "pregnancy check",
        "calvings" => "calving",
        "abortions" => "abortion",
        "do-not-breed" => "decision",
        "withdrawals" => "withdrawal",
        "services" => "service",
        "movements" => "movement",
        "stocktakes" => "stocktake",
        "holds" => "hold",
        "requests" => "request",
        "timed-protocols" => "timed protocol",
        "protocol-starts" => "protocol start",
        "nitrogen-readings" => "reading",
        "refills" => "refill",
        "alerts" => "alert",
        "ade-items" => "item",
        _ => "thing",
    };
    let ids = path.split('/').filter_map(|part| Uuid::try_parse(part).ok());
    ids.map(|id| NamedId { id, at: NamedAt::Path { what } }).collect()
}

/// The ids in a body, but for one that the sender makes up for what is entered.
fn named_in(value: &Value, pointer: &str, named: &mut Vec<NamedId>) {
    match value {
        Value::String(text) => {
            if let Ok(id) = Uuid::try_parse(text)
                && pointer != "#/id"
            {
                named.push(NamedId { id, at: NamedAt::Body { pointer: pointer.to_owned() } });
            }
        }
        Value::Array(elements) => {
            for (n, element) in elements.iter().enumerate() {
                named_in(element, &format!("{pointer}/{n}"), named);
            }
        }
        Value::Object(members) => {
            for (name, member) in members {
                named_in(member, &format!("{pointer}/{name}"), named);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

/// An act that was done already and is told afterwards.
#[derive(Clone, Debug)]
pub struct PastAct {
    /// The device that tells it, where it says so.
    pub device: Option<DeviceNote>,
}

impl PastAct {
    /// Whether it waited on the device that tells it.
    pub fn waited(&self) -> bool {
        self.device.as_ref().and_then(|device| device.waiting).is_some_and(|waiting| waiting.acts > 0)
    }
}

impl RequestContext {
    /// The act that is refused by `response` and was done all the same; nothing where it may be sent anew by whoever does it.
    pub(crate) fn refused(&self, response: &StoredResponse) -> Option<RefusedAct> {
        let (told, keyed) = self.told.as_ref().zip(self.keyed.as_ref())?;
        (response.status >= 400).then(|| RefusedAct {
            by: self.caller.key_id,
            device: told.device.clone(),
            request: self.request.clone(),
            key: keyed.key.clone(),
            why: response.detail(),
        })
    }
}

/// The caller's Idempotency-Key, and what tells this request from another under the same key.
#[derive(Clone, Debug)]
pub struct Keyed {
    /// The key.
    pub key: String,
    /// Covers method, path, query and the body's meaning.
    pub fingerprint: String,
}

/// The response to a command, word for word, so that a retry gets the same.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredResponse {
    /// Whether it was done, and if not, of what kind the reason is.
    pub status: u16,
    /// Where what was made is to be found.
    pub location: Option<String>,
    /// The version of what is answered.
    pub etag: Option<String>,
    /// JSON.
    pub body: String,
}

impl StoredResponse {
    /// What a problem says in words.
    fn detail(&self) -> String {
        let problem = serde_json::from_str::<serde_json::Value>(&self.body).unwrap_or_default();
        let told = problem["detail"].as_str().or(problem["title"].as_str());
        told.unwrap_or_default().to_owned()
    }

    /// Whether a retry under the same key gets this again. What was done, and what the state of
    /// the book forbade: a delayed duplicate must not take straws that arrived since. Not what was
    /// wrong with the request: that can be mended and sent again.
    pub(crate) fn is_final(&self) -> bool {
        matches!(self.status, 200..=299 | 409)
    }
}

/// What comes back from the writer.
#[derive(Debug)]
pub enum Outcome {
    /// Done or rejected just now.
    Fresh(StoredResponse),
    /// The first response to this key.
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

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn every_id_of_a_request_is_found_wherever_it_stands() {
        let [a, b, c, d] = [(); 4].map(|()| Uuid::now_v7());
        let mut named = Vec::new();
        let body = json!({"id": a, "animal_id": b, "lines": [{"place": {"tank_id": c, "id": d}}], "note": "none", "n": 1});
        named_in(&body, "#", &mut named);
        let found: Vec<_> = named
            .iter()
            .map(|named| match &named.at {
                NamedAt::Body { pointer } => (named.id, pointer.as_str()),
                NamedAt::Path { .. } => panic!("{named:?}"),
            })
            .collect();
        let expected = [(b, "#/animal_id"), (d, "#/lines/0/place/id"), (c, "#/lines/0/place/tank_id")];
        for named in expected {
            assert!(found.contains(&named), "{named:?} of {found:?}");
        }
        assert_eq!(found.len(), expected.len());
        assert_eq!(
            named_in_path(&format!("/v1/do-not-breed/{a}")),
            [NamedId { id: a, at: NamedAt::Path { what: "decision" } }]
        );
        assert_eq!(named_in_path("/v1/heats"), []);
    }
}
