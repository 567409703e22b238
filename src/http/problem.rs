//! What a caller is told when something is not done: RFC 9457 problem documents.
//!
//! The kinds are a contract: programs act on `type`, people read `title`, `detail` and the page
//! that `type` leads to. Both come from the one table here.

use axum::{
    body::Body,
    http::{HeaderName, HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use serde_json::{Map, Value, json};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    book::command::{Failure, StoredResponse},
    domain::{
        access::key::MOST_KEYS,
        animals::{choice::Allowed, objection::DeviationKind},
        form::{Fault, MOST_FAULTS},
        rejection::Rejection,
        straws::{
            semen::SemenType,
            stock::Stock,
            thaw::{Advice, BathStep},
        },
        values::{MovementId, StocktakeId, Timestamp, WebhookId, WithdrawalId},
        webhooks::webhook::MOST_WEBHOOKS,
    },
    store,
};

macro_rules! kinds {
    ($($kind:ident $status:literal $slug:literal, $title:literal, $mend:literal;)+) => {
        /// The kinds of problem.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Kind { $(#[doc = $title] $kind,)+ }

        impl Kind {
            /// All of them.
            pub const ALL: &[Self] = &[$(Self::$kind,)+];

            /// The status with which it comes.
            pub const fn status(self) -> u16 {
                match self { $(Self::$kind => $status,)+ }
            }

            /// The last part of its `type`.
            pub const fn slug(self) -> &'static str {
                match self { $(Self::$kind => $slug,)+ }
            }

            /// Its title, the same every time.
            pub const fn title(self) -> &'static str {
                match self { $(Self::$kind => $title,)+ }
            }

            /// What it means and how to mend it.
            pub const fn mend(self) -> &'static str {
                match self { $(Self::$kind => $mend,)+ }
            }
        }
    };
}

kinds! {
    NotJson 400 "not-json", "The body is not JSON",
        "The body could not be read as JSON in UTF-8. The detail names the line and column. Send one JSON value, \
         without a trailing comma or comments.";
    BadRequest 400 "bad-request", "The request is not well formed",
        "A request has one header Host and at most one header Authorization. Whatever sends it otherwise, or passes it on \
         with another, has to be mended.";
    InvalidQuery 400 "invalid-query", "The query is wrong",
        "A query parameter is unknown, stands twice or has a value that is not right; or a cursor is used with other \
         filters than those it was made for. `errors` names each parameter. Follow `next_cursor` with the same filters.";
    IdempotencyKeyMissing 400 "idempotency-key-missing", "An Idempotency-Key is required",
        "What writes the ledger or a service must carry the header Idempotency-Key: a text of 1 to 255 characters that \
         the sender makes up once for each act, a UUID for instance, stores before the first attempt and sends again \
         with every retry. Then a retry is never counted twice, even days later.";
    IdempotencyKeyInvalid 400 "idempotency-key-invalid", "The Idempotency-Key is wrong",
        "An Idempotency-Key is 1 to 255 visible ASCII characters, with or without quotation marks around it.";
    KeyMissing 401 "key-missing", "No key was sent",
        "Send the header `Authorization: Bearer tks_...` with a key of this service. A manager makes one with \
         `POST /v1/keys`, the operator with `tankside key create`.";
    KeyNotValid 401 "key-not-valid", "The key is not valid",
        "The key is mistyped, unknown, expired, revoked, or its secret was replaced. Check it, or ask a manager or the \
         operator for another.";
    Forbidden 403 "forbidden", "The key may not do this",
        "The key's role does not allow it. Roles: reader (read), technician (withdraw, thaw, serve, move stock, report \
         events, read), integration (report animals and events, read), manager (everything, overrides included).";
    KeyLimited 403 "key-limited", "The key is limited",
        "The key is good for some herds or tanks only, and what was asked for is about more than these, or is not kept to them. \
         `herd_ids` and `tank_ids` say to what it is limited, and `GET /v1/keys/current` too; a key of the same role without limits \
         may. What is beyond the limits of a key is to it as if it were not there (404 `not-found`).";
    NotFound 404 "not-found", "There is no such thing",
        "Nothing of that id is in this business's book, or there is no such path. When the id stood in the body, \
         `errors` says where.";
    MethodNotAllowed 405 "method-not-allowed", "The method is not allowed here",
        "The path exists but not with this method; the header Allow lists those that do.";
    ChoiceRule 409 "choice-rule", "The choice rule calls for another semen type",
        "The herd's choice rule (by default semen sexed for females at the first service, conventional after that) calls for \
         another semen type for this service number. `semen_types` says what is allowed and `allowed` where it hangs; the detail \
         has the clause in words. A manager's key may set the rule aside with `override: {\"reason\": \"...\"}`, a technician's where \
         the herd has `technician_may_override`; that stays on record.";
    NotInStock 409 "not-in-stock", "So many straws do not hang there",
        "`requested` and `available` say what was asked for and what hangs there, `elsewhere` where else straws of that \
         sire and type hang. The refusal stays with its Idempotency-Key even when straws arrive; ask again with a new one.";
    AnimalPregnant 409 "animal-pregnant", "She was found pregnant",
        "Inseminating her may end the pregnancy. Have her checked again; when she is empty, report the check. A manager's \
         key may set this aside with `override`.";
    DoNotBreed 409 "do-not-breed", "She is not to be bred",
        "Her owner decided so. When that has changed, report it with `do_not_breed: false`. A manager's key may set this \
         aside with `override`.";
    AnimalLeft 409 "animal-left", "She left the herd",
        "The book says that she left. If that is wrong, correct `left_on`. A manager's key may set this aside with \
         `override`.";
    TooYoung 409 "too-young", "The heifer is too young",
        "The herd does not serve heifers below `first_service_days`. If her date of birth is wrong, correct it. A \
         manager's key may set this aside with `override`.";
    Kinship 409 "kinship", "She and the sire are too closely related",
        "The calf's expected inbreeding from the known pedigree reaches the herd's `kinship_limit`. `allowed` names other \
         straws. A manager's key may set this aside with `override`.";
    LotNotUsable 409 "lot-not-usable", "The lot is quarantined or recalled",
        "Its straws must stay where they are until its status is `usable` again. `allowed` names other straws. A \
         manager's key may set this aside with `override`.";
    OnHold 409 "on-hold", "Straws that hang there are on hold",
        "Somebody found that straws of that tank or canister are not to be used until further notice; the detail says why. \
         `allowed` names other straws. Whoever is answerable for the tank lifts the hold with `DELETE /v1/holds/{id}`. A \
         manager's key may set this aside with `override`.";
    NotYours 409 "not-yours", "The straw belongs to another herd's owner",
        "Its lot has an owner, and the straw is only for animals of that herd. `allowed` names other straws. A manager's key \
         may set this aside with `override`, above all when the owner has agreed.";
    StrawMismatch 409 "straw-mismatch", "The straw says something else than the book",
        "What was read off the straw is no identifier or name of the sire and not the batch of the lot. Put it back at once, \
         down for at least 10 seconds, unless it is thawed: a thawed straw never goes back. See which straw it is; if the \
         book is wrong, correct the sire's identifiers or the lot. A manager's key may set this aside with `override`.";
    IdTaken 409 "id-taken", "That id is on record already",
        "An id that a client makes is made anew for each act, and a retry carries the Idempotency-Key of the first attempt. \
         This one came before under another key, so look first whether the act is in the book.";
    AlreadyResolved 409 "already-resolved", "The straw was already served or discarded",
        "A withdrawal ends once. `state` and `resolved_at` say how. If that was a mistake it is reversed, not edited.";
    AlreadyThawing 409 "already-thawing", "The straw is in the bath already",
        "`ready_at` and `use_by` say from when and until when to use it. A straw is thawed once and never frozen again.";
    AlreadyReversed 409 "already-reversed", "The line was undone already",
        "A line of the ledger is undone once. `reversed_by` names the line that did it.";
    NotReversible 409 "not-reversible", "It cannot be undone as it stands",
        "Something that followed has to be undone first, or the act is to be entered anew; the detail says which.";
    CountAgain 409 "count-again", "The book was corrected since the count",
        "Another count of that lot at that place was accepted since, or a line before the count was reversed. The differences \
         would correct the book twice. Count there again, and post that count.";
    AlreadyRecorded 409 "already-recorded", "One stands at that instant already",
        "A tank has one reading and one refill at an instant. `record_id` names the one that stands; if it is wrong, send \
         the right one with `supersedes`.";
    AlreadySuperseded 409 "already-superseded", "Another stands in its place already",
        "A reading, refill or repair is superseded once. `superseded_by` names what stands in its place; supersede that one.";
    WebhookNotActive 409 "webhook-not-active", "Nothing is sent to the webhook now",
        "It is paused or disabled; `state` says which. Resume it with `POST /v1/webhooks/{id}/resume` first.";
    TooManyWebhooks 409 "too-many-webhooks", "There are as many webhooks as there may be",
        "Remove one that is no longer used, or widen one that is.";
    TooManyKeys 409 "too-many-keys", "There are as many keys as there may be",
        "Revoke one that is no longer used: `GET /v1/keys?state=good` says when each was last used.";
    LastManagerKey 409 "last-manager-key", "It is the last manager's key",
        "Without it nobody could make or revoke keys over HTTP. Make another manager's key first, with `POST /v1/keys` or \
         `tankside key create`, then revoke this one with it; or replace its secret with `POST /v1/keys/{id}/rotation`.";
    KeyEnded 409 "key-ended", "The key has ended",
        "A key that has expired or was revoked opens nothing any more, and its secret is not replaced. Make another.";
    NotATestBusiness 409 "not-a-test-business", "The book is kept",
        "Only the book of a business for trials may be emptied: one that the operator made with `tankside business create --test`. \
         `GET /v1/business` says by `is_test` whether it is one. In any other nothing is ever deleted.";
    FileKnown 409 "file-known", "The file was taken in before",
        "Straws cannot be known again, so the same file of an inventory is taken in once, by whatever way. If as many straws came \
         once more, say when in `received_at`.";
    InUse 409 "in-use", "It is needed as it is",
        "Something else in the book hangs on what was to be changed; the detail says what.";
    ProtocolNotPossible 409 "protocol-not-possible", "The timed protocol is not possible now",
        "It may not begin for an animal that is pregnant, not to be bred, gone or in a protocol already, and what runs no more \
         is not changed; the detail says for whom and why. Ask the veterinarian who answers for it.";
    Stale 412 "stale", "It was changed in the meantime",
        "The ETag in If-Match is no longer that of the resource. Read it again, and send the change with its new ETag.";
    TooLarge 413 "too-large", "The body is too large",
        "A body may have at most 1 MiB, and a file that is taken in over HTTP 2000 lines. Larger files are taken in by the command \
         `tankside import`.";
    UnsupportedMediaType 415 "unsupported-media-type", "The content type is not understood",
        "Send `Content-Type: application/json`, or `application/merge-patch+json` with PATCH; a file that is taken in is `text/csv`.";
    WrongHost 421 "wrong-host", "The service does not answer this under that name",
        "What was counted is told under an address, `localhost`, a name without a dot, or one that the operator has named with \
         `--metrics-host`.";
    InvalidInput 422 "invalid-input", "The content is wrong",
        "`errors` lists every fault with a JSON Pointer to its place and what would be right. Nothing was changed; mend \
         it and send it again, with the same Idempotency-Key if you like.";
    FileWrong 422 "file-wrong", "The file is wrong",
        "Nothing of it was taken in. `faults` lists up to 200 of what is wrong, each with its line (the header is line 1), its \
         column where it stands in one, and what would be right; `more_faults` counts the others. Mend the file and send it \
         again; `?dry_run=true` finds the same faults and writes nothing.";
    BathTooHot 422 "bath-too-hot", "The bath is too warm",
        "No straw goes in before the bath is right. The detail says what to do; with the bath's volume and the \
         temperature of the water at hand it says how many millilitres. The supplier's own instruction overrides any default.";
    BathTooCold 422 "bath-too-cold", "The bath is too cold",
        "No straw goes in before the bath is right. The detail says what to do; with the bath's volume and the \
         temperature of the water at hand it says how many millilitres. The supplier's own instruction overrides any default.";
    IdempotencyMismatch 422 "idempotency-mismatch", "The Idempotency-Key was used for another request",
        "The same key came before with other content, and nothing was written now. A retry must repeat the request; \
         another act needs another key.";
    RateLimited 429 "rate-limited", "Too many requests",
        "This key has sent more requests than it may. Wait for as many seconds as Retry-After says.";
    TooManyFailures 429 "too-many-failures", "Too many requests without a good key",
        "So many requests came from this address without a key or with one that is not good, that others are no longer \
         looked at. Look for what sends them, and wait for as many seconds as Retry-After says.";
    TooManyReads 429 "too-many-reads", "Too many reads at once",
        "This key has as many reads under way as it may. Send fewer at once; this one may be sent again after Retry-After.";
    Internal 500 "internal", "A fault of the service",
        "It was logged with the request's id (header X-Request-Id); tell the operator. Nothing was changed. The same \
         request may be sent again.";
    Busy 503 "busy", "Too many writes are waiting",
        "Nothing was done. Send the same request with the same Idempotency-Key again after Retry-After.";
    Overloaded 503 "overloaded", "The service has as much in hand as it can",
        "There are as many connections, or as many pictures being drawn, as there may be at once. Nothing was done. Send \
         the same request again after Retry-After.";
    StoreUnavailable 503 "store-unavailable", "The store cannot be reached or written",
        "Nothing was done: the disk may be full or read-only, or the database away. Send the same request with the same \
         Idempotency-Key again after Retry-After.";
    OutcomeUnknown 503 "outcome-unknown", "It is not known whether it was done",
        "The commit failed or took too long, so the act may or may not be in the book. Send the same request with the \
         same Idempotency-Key again: it is then done once, or its first answer is repeated.";
}

/// A problem document, as it is described to clients: one object for all kinds, whose members for programs are there with
/// the kinds that are named with each. (A schema for each kind, told apart by `type`, is more than most generators can.)
#[derive(ToSchema)]
#[schema(as = Problem)]
#[allow(dead_code, reason = "describes what Problem writes by hand")]
pub struct ProblemBody {
    /// The kind of problem; leads to a page that explains it.
    #[schema(rename = "type", example = "/problems/choice-rule", max_length = 200)]
    r#type: String,
    /// The same for every problem of the kind.
    #[schema(max_length = 200)]
    title: String,
    /// The HTTP status.
    #[schema(minimum = 400, maximum = 599)]
    status: u16,
    /// What happened this time, and what to do.
    #[schema(max_length = 5000)]
    detail: String,
    /// Every fault of the content, with its place; of more than 100 the first.
    #[schema(max_items = 100, nullable = false)]
    errors: Option<Vec<Fault>>,
    /// What stands against the straw: which service it would be, from 1.
    #[schema(minimum = 1, nullable = false)]
    service_number: Option<i64>,
    /// What stands against the straw: which insemination of that heat it would be, from 1.
    #[schema(minimum = 1, nullable = false)]
    rank: Option<i64>,
    /// What stands against the straw: the semen types that the choice rule allows.
    #[schema(nullable = false)]
    semen_types: Option<Vec<SemenType>>,
    /// What stands against the straw: what the choice rule allows, in words too.
    #[schema(nullable = false)]
    rule: Option<Allowed>,
    /// What stands against the straw: every objection, the gravest first.
    #[schema(nullable = false)]
    objections: Option<Vec<Objection>>,
    /// What stands against the straw: straws that she may have, and where they hang.
    #[schema(nullable = false)]
    allowed: Option<Vec<Stock>>,
    /// `not-in-stock`: how many straws were asked for.
    #[schema(minimum = 1, nullable = false)]
    requested: Option<i64>,
    /// `not-in-stock`: how many hang at that place, or at the best where none was named.
    #[schema(minimum = 0, nullable = false)]
    available: Option<i64>,
    /// `not-in-stock`: the semen type that was asked for; null when none was.
    semen_type: Option<SemenType>,
    /// `not-in-stock`: where else straws of that sire and type hang.
    #[schema(nullable = false)]
    elsewhere: Option<Vec<Stock>>,
    /// `key-limited`: the herds that the key is limited to, if to any.
    #[schema(nullable = false, max_items = 100)]
    herd_ids: Option<Vec<Uuid>>,
    /// `key-limited`: the tanks that the key is limited to, if to any.
    #[schema(nullable = false, max_items = 100)]
    tank_ids: Option<Vec<Uuid>>,
    /// `already-resolved`, `already-thawing`: the withdrawal.
    #[schema(nullable = false)]
    withdrawal_id: Option<WithdrawalId>,
    /// `already-resolved`: what became of the straw; `webhook-not-active`: `paused` or `disabled`.
    #[schema(nullable = false, max_length = 50)]
    state: Option<String>,
    /// `already-resolved`: when; null where it is not known.
    resolved_at: Option<Timestamp>,
    /// `already-thawing`: from when the straw may be used.
    ready_at: Option<Timestamp>,
    /// `already-thawing`: until when it should be used.
    use_by: Option<Timestamp>,
    /// `already-reversed`: the line of the ledger.
    #[schema(nullable = false)]
    movement_id: Option<MovementId>,
    /// `already-reversed`: the line that undid it.
    #[schema(nullable = false)]
    reversed_by: Option<MovementId>,
    /// `not-reversible`: the accepted stocktake that counted those straws since.
    #[schema(nullable = false)]
    stocktake_id: Option<StocktakeId>,
    /// `id-taken`: the id.
    #[schema(nullable = false)]
    id: Option<Uuid>,
    /// `already-recorded`: the reading or refill that stands at that instant.
    #[schema(nullable = false)]
    record_id: Option<Uuid>,
    /// `already-superseded`: what stands in its place.
    #[schema(nullable = false)]
    superseded_by: Option<Uuid>,
    /// `webhook-not-active`: the webhook.
    #[schema(nullable = false)]
    webhook_id: Option<WebhookId>,
    /// `bath-too-hot`, `bath-too-cold`: how much of the water to add, in millilitres; null where that does not mend it or is not
    /// known.
    #[schema(minimum = 1, maximum = 100_000)]
    add_ml: Option<i64>,
    /// `bath-too-hot`, `bath-too-cold`: how much of the bath to take out and put in as much of the water instead, in
    /// millilitres; null where that does not mend it or is not known.
    #[schema(minimum = 1, maximum = 100_000)]
    replace_ml: Option<i64>,
    /// `bath-too-hot`, `bath-too-cold`: the same in steps, with a measurement after each.
    #[schema(nullable = false)]
    steps: Option<Vec<BathStep>>,
}

/// Something that stands against a straw for an animal.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what Problem writes by hand")]
struct Objection {
    /// What it is.
    kind: DeviationKind,
    /// The same in words.
    #[schema(max_length = 1000)]
    text: String,
}

/// A problem on its way to the caller.
#[derive(Debug)]
pub struct Problem {
    kind: Kind,
    detail: String,
    errors: Vec<Fault>,
    members: Map<String, Value>,
    headers: Vec<(HeaderName, HeaderValue)>,
}

impl Problem {
    /// A problem of this kind; `detail` explains this occurrence.
    pub fn new(kind: Kind, detail: impl Into<String>) -> Self {
        Self { kind, detail: detail.into(), errors: Vec::new(), members: Map::new(), headers: Vec::new() }
    }

    /// The content is wrong.
    pub fn invalid(kind: Kind, errors: Vec<Fault>) -> Self {
        let detail = match errors.as_slice() {
            [one] => format!("{} {}.", one.pointer, one.detail),
            several => format!("{} things are wrong; see errors.", several.len()),
        };
        Self { errors, ..Self::new(kind, detail) }.with_at_most(MOST_FAULTS)
    }

    /// With every fault of the content beside what it says.
    #[must_use]
    pub fn with_faults(mut self, mut faults: Vec<Fault>) -> Self {
        faults.truncate(MOST_FAULTS);
        self.errors = faults;
        self
    }

    /// With no more faults than that.
    #[must_use]
    pub fn with_at_most(mut self, faults: usize) -> Self {
        if self.errors.len() > faults {
            self.errors.truncate(faults);
            self.detail = format!("More than {faults} things are wrong; errors has the first {faults}.");
        }
        self
    }

    /// Nothing of that id is in this business's book.
    pub fn not_there(what: &str, id: Uuid) -> Self {
        Self::new(Kind::NotFound, format!("There is no {what} {id} in this book."))
    }

    /// With an extension member for programs.
    #[must_use]
    pub fn with(mut self, member: &str, value: impl Into<Value>) -> Self {
        self.members.insert(member.to_owned(), value.into());
        self
    }

    /// With a header.
    #[must_use]
    pub fn with_header(mut self, name: HeaderName, value: HeaderValue) -> Self {
        self.headers.push((name, value));
        self
    }

    /// The status.
    pub fn status(&self) -> u16 {
        self.kind.status()
    }

    /// What happened this time, and what to do.
    pub fn detail(&self) -> &str {
        &self.detail
    }

    fn body(&self) -> String {
        let mut body = json!({
            "type": format!("/problems/{}", self.kind.slug()),
            "title": self.kind.title(),
            "status": self.kind.status(),
            "detail": self.detail,
        });
        if let Value::Object(members) = &mut body {
            if !self.errors.is_empty() {
                members.insert("errors".to_owned(), json!(self.errors));
            }
            members.extend(self.members.clone());
        }
        body.to_string()
    }

    /// The problem as an answer that may be kept under an Idempotency-Key.
    pub fn reply(&self) -> StoredResponse {
        StoredResponse { status: self.status(), location: None, etag: None, body: self.body() }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut response = Response::new(Body::from(self.body()));
        *response.status_mut() =
            StatusCode::from_u16(self.status()).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        match self.status() {
            401 => {
                headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
            }
            503 => {
                headers.insert(header::RETRY_AFTER, HeaderValue::from_static("2"));
            }
            _ => {}
        }
        for (name, value) in self.headers {
            headers.insert(name, value);
        }
        response
    }
}

impl From<store::Error> for Problem {
    /// The cause goes to the log, never to the client.
    fn from(error: store::Error) -> Self {
        tracing::error!(%error, "the store failed");
        if error.is_fault() {
            return internal();
        }
        store_unavailable()
    }
}

impl From<serde_json::Error> for Problem {
    /// What is answered has JSON; where it has none, that is a fault of ours.
    fn from(error: serde_json::Error) -> Self {
        tracing::error!(%error, "an answer has no JSON");
        internal()
    }
}

impl From<Failure> for Problem {
    fn from(failure: Failure) -> Self {
        match failure {
            Failure::Busy => Self::new(Kind::Busy, "Too many writes are waiting; this one was not begun."),
            Failure::NotDone(error) => error.into(),
            Failure::Unavailable => store_unavailable(),
            Failure::Unknown => Self::new(
                Kind::OutcomeUnknown,
                "The commit failed. Send the request again with the same Idempotency-Key.",
            ),
            Failure::Fault => internal(),
        }
    }
}

fn store_unavailable() -> Problem {
    Problem::new(Kind::StoreUnavailable, "The store cannot be reached or written just now; nothing was done.")
}

/// A fault of ours.
pub fn internal() -> Problem {
    Problem::new(Kind::Internal, "Something went wrong here; it was logged. Nothing was changed.")
}

/// The system gives no random numbers for a secret.
pub fn no_random_numbers(error: getrandom::Error) -> Problem {
    tracing::error!(%error, "the system gives no random numbers");
    internal()
}

impl From<Rejection> for Problem {
    #[expect(clippy::too_many_lines, reason = "one arm for each kind")]
    fn from(refusal: Rejection) -> Self {
        match refusal {
            Rejection::Unknown { what, id, pointer } => {
                let problem = Self::not_there(what, id);
                match pointer {
                    Some(pointer) => Self {
                        errors: vec![Fault { pointer, detail: format!("names no {what} of this book") }],
                        ..problem
                    },
                    None => problem,
                }
            }
            Rejection::Invalid(faults) => Self::invalid(Kind::InvalidInput, faults),
            Rejection::Forbidden { text } => Self::new(Kind::Forbidden, text),
            Rejection::Stale => {
                Self::new(Kind::Stale, "It has another ETag now; read it again before changing it.")
            }
            Rejection::InUse { text } => Self::new(Kind::InUse, text),
            Rejection::ProtocolNotPossible { text } => Self::new(Kind::ProtocolNotPossible, text),
            Rejection::Objected(objected) => {
                let kind = kind_of(objected.kind);
                let told: Vec<_> =
                    objected.objections.iter().map(|objection| objection.text.as_str()).collect();
                let reasons: Vec<_> = objected
                    .objections
                    .iter()
                    .map(|objection| json!({"kind": objection.kind, "text": objection.text}))
                    .collect();
                let nearest = objected.instead.first().map(|first| {
                    let semen_type = first.lot.details.semen_type.describe();
                    let place = first.place.describe();
                    format!("Nearest: {} ({semen_type}) in {}, {place}.", first.sire.name, first.tank_name)
                });
                let detail = told.into_iter().chain(nearest.as_deref()).collect::<Vec<_>>().join(" ");
                Self::new(kind, detail)
                    .with("service_number", objected.numbered.service_number)
                    .with("rank", objected.numbered.rank)
                    .with("semen_types", json!(objected.allowed.semen_types))
                    .with("rule", json!(objected.allowed))
                    .with("objections", reasons)
                    .with("allowed", json!(objected.instead))
            }
            Rejection::NotInStock(missing) => {
                let elsewhere = missing.elsewhere.first().map_or_else(
                    || " None hang elsewhere within reach.".to_owned(),
                    |first| {
                        let (lot, place) = (first.lot.details.describe(), first.place.describe());
                        format!(" {} of {lot} hang in {}, {place}.", first.straws, first.tank_name)
                    },
                );
                let detail = format!(
                    "{} asked for, {} there: {}.{elsewhere}",
                    missing.asked, missing.held, missing.text
                );
                Self::new(Kind::NotInStock, detail)
                    .with("requested", missing.asked)
                    .with("available", missing.held)
                    .with("semen_type", json!(missing.semen_type))
                    .with("elsewhere", json!(missing.elsewhere))
            }
            Rejection::AlreadyResolved { withdrawal, state, at } => {
                Self::new(Kind::AlreadyResolved, format!("The straw was {state} already."))
                    .with("withdrawal_id", json!(withdrawal))
                    .with("state", json!(state))
                    .with("resolved_at", json!(at))
            }
            Rejection::AlreadyReversed { movement, by } => {
                Self::new(Kind::AlreadyReversed, format!("The movement {movement} was undone by {by}."))
                    .with("movement_id", json!(movement))
                    .with("reversed_by", json!(by))
            }
            Rejection::IdTaken { what, id } => Self::new(
                Kind::IdTaken,
                format!("A {what} {id} is on record already, under another Idempotency-Key."),
            )
            .with("id", json!(id)),
            Rejection::AlreadyRecorded { what, id, at } => {
                Self::new(Kind::AlreadyRecorded, format!("The {what} {id} stands at {at} already."))
                    .with("record_id", json!(id))
            }
            Rejection::AlreadySuperseded { by } => {
                Self::new(Kind::AlreadySuperseded, format!("It was superseded by {by}."))
                    .with("superseded_by", json!(by))
            }
            Rejection::NotReversible { text } => Self::new(Kind::NotReversible, text),
            Rejection::Counted { stocktake } => {
                Self::new(Kind::NotReversible, COUNTED_SINCE).with("stocktake_id", json!(stocktake))
            }
            Rejection::CountAgain { text } => Self::new(Kind::CountAgain, text),
            Rejection::AlreadyThawing { withdrawal, ready_at, use_by } => {
                Self::new(Kind::AlreadyThawing, "The straw went into the bath before.")
                    .with("withdrawal_id", json!(withdrawal))
                    .with("ready_at", json!(ready_at))
                    .with("use_by", json!(use_by))
            }
            Rejection::WebhookNotActive { webhook, state } => {
                Self::new(Kind::WebhookNotActive, format!("The webhook is {state}; resume it first."))
                    .with("webhook_id", json!(webhook))
                    .with("state", json!(state))
            }
            Rejection::TooManyWebhooks => {
                let text = format!("This business has {MOST_WEBHOOKS} webhooks already.");
                Self::new(Kind::TooManyWebhooks, text)
            }
            Rejection::TooManyKeys => {
                let text = format!("This business has {MOST_KEYS} keys that are good already.");
                Self::new(Kind::TooManyKeys, text)
            }
            Rejection::LastManagerKey { key } => Self::new(
                Kind::LastManagerKey,
                format!(
                    "The key {key} is the last of a manager that is good; make another manager's key first."
                ),
            )
            .with("key_id", json!(key)),
            Rejection::NotATestBusiness => Self::new(
                Kind::NotATestBusiness,
                "This is no test business: what is in its book is kept. Mistakes are reversed, each by itself.",
            ),
            Rejection::KeyEnded { key, state } => {
                Self::new(Kind::KeyEnded, format!("The key {key} is {state}; make another."))
                    .with("key_id", json!(key))
                    .with("state", json!(state))
            }
            Rejection::BathTooHot(advice) => bath(Kind::BathTooHot, advice),
            Rejection::BathTooCold(advice) => bath(Kind::BathTooCold, advice),
        }
    }
}

/// Why a line that an accepted count covers is not undone.
const COUNTED_SINCE: &str = "A stocktake counted these straws at that place after this line and was accepted, so the book holds \
     what was counted; undoing the line would correct it twice. If the count was wrong, count again, or reverse its own line \
     first.";

fn bath(kind: Kind, advice: Advice) -> Problem {
    let (add, replace) = (advice.add_ml, advice.replace_ml);
    let steps = json!(advice.steps);
    let problem = Problem::new(kind, advice.text)
        .with("add_ml", json!(add))
        .with("replace_ml", json!(replace))
        .with("steps", steps);
    let told = problem.detail.clone();
    Problem { errors: vec![Fault::at("bath_temp_c", told)], ..problem }
}

fn kind_of(objection: DeviationKind) -> Kind {
    match objection {
        DeviationKind::AnimalPregnant => Kind::AnimalPregnant,
        DeviationKind::DoNotBreed => Kind::DoNotBreed,
        DeviationKind::AnimalLeft => Kind::AnimalLeft,
        DeviationKind::TooYoung => Kind::TooYoung,
        DeviationKind::Kinship => Kind::Kinship,
        DeviationKind::LotNotUsable => Kind::LotNotUsable,
        DeviationKind::OnHold => Kind::OnHold,
        DeviationKind::NotYours => Kind::NotYours,
        DeviationKind::StrawMismatch => Kind::StrawMismatch,
        DeviationKind::ChoiceRule
        | DeviationKind::BathOutOfRange
        | DeviationKind::LateToBath
        | DeviationKind::BeforeReady
        | DeviationKind::AfterUseBy
        | DeviationKind::BeforeWithdrawal => Kind::ChoiceRule,
    }
}
