//! What a handler is given: who calls and that he may, the id in the path, the command in the body.
//!
//! A signature says what a route asks for: [`Permit`] names the permission, [`CommandRequest`] the body
//! and whether an Idempotency-Key is required. A handler without one of these cannot know its
//! caller's business, and so cannot reach anything. Both also say how the route keeps the limits of a key
//! ([`limits`](crate::http::access::limits)); one that says nothing is denied to keys that have any.

use crate::{
    book::{
        Caller,
        command::{Keyed, PastAct, RequestContext},
    },
    domain::{
        access::Role,
        form::{self, Field, InputPath},
    },
    http::{
        App,
        access::{
            device,
            limits::{LimitRule, Whole, kept, reads_within},
        },
        json,
        problem::{Kind, Problem, internal},
    },
};
use std::{marker::PhantomData, ops::Deref};

use axum::{
    body::{Body, HttpBody as _, to_bytes},
    extract::{FromRequest, FromRequestParts, Path, Request},
    http::{HeaderMap, HeaderValue, Method, Uri, header, request::Parts},
};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

/// Bytes that a body may have.
pub const MOST_BYTES: usize = 1024 * 1024;

/// What a role must allow.
pub trait Permission: Send + 'static {
    /// Whether this role allows it.
    fn allows(role: Role) -> bool;
    /// What it is, after "may".
    const WHAT: &'static str;
    /// The roles that allow it.
    const ROLES: &'static [Role];
}

macro_rules! permissions {
    ($($(#[$doc:meta])* $name:ident $what:literal: $($role:ident),+;)+) => {$(
        $(#[$doc])*
        pub struct $name;
        impl Permission for $name {
            fn allows(role: Role) -> bool {
                matches!(role, $(Role::$role)|+)
            }
            const WHAT: &'static str = $what;
            const ROLES: &'static [Role] = &[$(Role::$role),+];
        }
    )+};
}

permissions! {
    /// Reading.
    Read "read": Reader, Technician, Integration, Manager;
    /// Withdrawing, thawing, serving, moving stock.
    Work "withdraw, serve or move straws": Technician, Manager;
    /// Reporting animals and what happens to them.
    Report "report animals and what happens to them": Technician, Integration, Manager;
    /// What is read of a tank's nitrogen, by a person or a sensor, and filled in.
    Measure "record readings and refills": Technician, Integration, Manager;
    /// Herds, tanks, sires, lots, and what else is decided at a desk.
    Manage "change or see this": Manager;
}

/// A caller who may do `P`, where limits are kept as `L` says.
pub struct Permit<P, L = Whole>(pub Caller, PhantomData<fn() -> (P, L)>);

impl<P, L> Deref for Permit<P, L> {
    type Target = Caller;

    fn deref(&self) -> &Caller {
        &self.0
    }
}

impl<P: Permission, L: LimitRule> FromRequestParts<App> for Permit<P, L> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let caller = caller(parts)?;
        permitted::<P, L>(&caller)?;
        reads_within(app, &caller, parts).await?;
        Ok(Self(caller, PhantomData))
    }
}

/// The caller was put there by the middleware that knows keys; without it nobody is let in.
fn caller(parts: &Parts) -> Result<Caller, Problem> {
    parts.extensions.get::<Caller>().cloned().ok_or_else(internal)
}

/// Whose keys these are: "technician's or manager's".
pub fn whose(roles: &[Role]) -> String {
    let roles: Vec<String> = roles.iter().map(|role| format!("{role}'s")).collect();
    roles.join(" or ")
}

/// Whether a caller may do `P` where limits are kept as `L` says, or who may.
pub fn permitted<P: Permission, L: LimitRule>(caller: &Caller) -> Result<(), Problem> {
    if P::allows(caller.role) {
        return kept::<L>(caller, P::ROLES);
    }
    let detail = format!("A {}'s key may not {}; a {} key may.", caller.role, P::WHAT, whose(P::ROLES));
    Err(Problem::new(Kind::Forbidden, detail))
}

/// The id in the path. What is not an id names nothing.
pub struct Id(pub Uuid);

impl FromRequestParts<App> for Id {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &App) -> Result<Self, Problem> {
        let path = Path::<Uuid>::from_request_parts(parts, state).await;
        path.map(|Path(id)| Self(id)).map_err(|_| {
            Problem::new(
                Kind::NotFound,
                "There is nothing under this path: its id is not one of this service.",
            )
        })
    }
}

/// Whether an Idempotency-Key must be there.
pub trait KeyRule: Send + 'static {
    /// Whether it must.
    const REQUIRED: bool;
}
/// It must: the ledger or a service is written.
pub struct Required;
impl KeyRule for Required {
    const REQUIRED: bool = true;
}
/// It may.
pub struct Optional;
impl KeyRule for Optional {
    const REQUIRED: bool = false;
}

/// Something to be done: by whom, under which Idempotency-Key, and what; `L` says how the limits of a key are kept.
pub struct CommandRequest<T, P, K = Optional, L = Whole> {
    /// Who asks, in which words, and under which key.
    pub ask: RequestContext,
    /// The versions of which one must still be in the book.
    pub if_match: Option<Vec<String>>,
    /// What is to be done.
    pub body: T,
    rule: PhantomData<fn() -> (P, K)>,
    limits: PhantomData<fn() -> L>,
}

/// What writes the ledger or a service.
pub type LedgerRequest<T, L = Whole> = CommandRequest<T, Work, Required, L>;

impl<T: Field, P: Permission, K: KeyRule, L: LimitRule> FromRequest<App> for CommandRequest<T, P, K, L> {
    type Rejection = Problem;

    async fn from_request(request: Request, app: &App) -> Result<Self, Problem> {
        let (parts, body) = request.into_parts();
        let caller = caller(&parts)?;
        let permitted = permitted::<P, L>(&caller);
        // What needs nothing said needs no body.
        let is_empty = body.is_end_stream() && parts.method == Method::POST;
        let said = read_request::<K>(caller, &parts, (!is_empty).then_some(body)).await;
        if let Err(problem) = permitted {
            // What was done at the tank is done, whoever's key tells it; a reader's does nothing there.
            if let Ok((ask, _)) = said
                && ask.caller.role != Role::Reader
            {
                app.note_refused(&ask, &problem).await?;
            }
            return Err(problem);
        }
        let (ask, value) = said?;
        let faults = match form::read(&value, &InputPath::body()) {
            Ok(body) => {
                let if_match = if_match(&parts.headers);
                return Ok(Self { ask, if_match, body, rule: PhantomData, limits: PhantomData });
            }
            Err(faults) => faults,
        };
        if is_empty {
            let detail = "The body is empty; send a JSON object.";
            return Err(Problem::new(Kind::NotJson, detail).with_faults(faults));
        }
        let problem = Problem::invalid(Kind::InvalidInput, faults);
        app.note_refused(&ask, &problem).await?;
        Err(problem)
    }
}

/// What a request says: who asks and under which key, and its body; none is an empty object.
async fn read_request<K: KeyRule>(
    caller: Caller,
    parts: &Parts,
    body: Option<Body>,
) -> Result<(RequestContext, Value), Problem> {
    if body.is_some() {
        is_json(&parts.method, &parts.headers)?;
        plainly_coded(&parts.headers)?;
    }
    no_query(&parts.uri)?;
    let key = idempotency_key(&parts.headers)?;
    if K::REQUIRED && key.is_none() {
        return Err(Problem::new(
            Kind::IdempotencyKeyMissing,
            "Send a header `Idempotency-Key: <a UUID of your own>`, made once for this act, kept, and sent again \
             with every retry.",
        )
        .with_header(
            header::LINK,
            HeaderValue::from_static("</problems/idempotency-key-missing>; rel=\"describedby\""),
        ));
    }
    let value = match body {
        None => json!({}),
        Some(body) => json::read(&to_bytes(body, MOST_BYTES).await.map_err(|_| {
            Problem::new(Kind::TooLarge, format!("The body has more than {MOST_BYTES} bytes, or broke off."))
        })?)?,
    };
    let keyed = key.map(|key| Keyed { key, fingerprint: fingerprint(&parts.method, &parts.uri, &value) });
    let told = told(&parts.headers, &value);
    let request = format!("{} {}", parts.method, parts.uri.path());
    Ok((RequestContext::new(caller, request, parts.uri.path(), &value, keyed, told), value))
}

/// Something to be taken away; it needs no body.
pub struct DeleteRequest<P, L = Whole> {
    /// Who asks, in which words, and under which key.
    pub ask: RequestContext,
    /// The versions of which one must still be in the book.
    pub if_match: Option<Vec<String>>,
    rule: PhantomData<fn() -> (P, L)>,
}

impl<P: Permission, L: LimitRule> FromRequestParts<App> for DeleteRequest<P, L> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let caller = caller(parts)?;
        permitted::<P, L>(&caller)?;
        no_query(&parts.uri)?;
        let keyed = idempotency_key(&parts.headers)?
            .map(|key| Keyed { key, fingerprint: fingerprint(&parts.method, &parts.uri, &Value::Null) });
        let request = format!("{} {}", parts.method, parts.uri.path());
        let told = told(&parts.headers, &Value::Null);
        let ask = RequestContext::new(caller, request, parts.uri.path(), &Value::Null, keyed, told);
        Ok(Self { ask, if_match: if_match(&parts.headers), rule: PhantomData })
    }
}

/// Whether an act was done already and is only told: it says so, or, where it cannot, it waited on the device that sends it.
fn told(headers: &HeaderMap, body: &Value) -> Option<PastAct> {
    let device = device::note(headers);
    let waited = device.as_ref().and_then(|device| device.waiting).is_some_and(|waiting| waiting.acts > 0);
    body["already_done"].as_bool().unwrap_or(waited).then_some(PastAct { device })
}

/// A write says everything in its body.
pub fn no_query(uri: &Uri) -> Result<(), Problem> {
    if uri.query().is_some_and(|query| !query.is_empty()) {
        let detail = "This takes no query parameters; everything stands in the body.";
        return Err(Problem::new(Kind::InvalidQuery, detail));
    }
    Ok(())
}

/// Whether the caller would rather have CSV than JSON (RFC 9110, section 12.5.1): it is named, and JSON is not named before it.
pub fn prefers_csv(headers: &HeaderMap) -> bool {
    let accepted: Vec<&str> = headers
        .get_all(header::ACCEPT)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','))
        .collect();
    let weight = |media: &str| -> f64 {
        let named = accepted.iter().filter_map(|range| {
            let mut parts = range.split(';').map(str::trim);
            parts.next().filter(|name| name.eq_ignore_ascii_case(media))?;
            let told = parts.find_map(|part| part.strip_prefix("q=").or(part.strip_prefix("Q=")));
            Some(told.map_or(1.0, |told| told.parse().unwrap_or(0.0)))
        });
        named.fold(0.0, f64::max)
    };
    let csv = weight("text/csv");
    csv > 0.0 && csv >= weight("application/json").max(weight("application/problem+json"))
}

/// The media type of a body, without its parameters; empty where none is said.
pub fn media_type(headers: &HeaderMap) -> String {
    let sent = content_type(headers).unwrap_or_default();
    sent.split(';').next().unwrap_or_default().trim().to_ascii_lowercase()
}

/// A body of another type than what is to be sent.
pub fn other_media(headers: &HeaderMap, wanted: &str) -> Problem {
    let sent = content_type(headers);
    let told = sent.map_or_else(|| "no Content-Type".to_owned(), |sent| format!("Content-Type {sent}"));
    Problem::new(Kind::UnsupportedMediaType, format!("The request has {told}; send {wanted}."))
}

fn content_type(headers: &HeaderMap) -> Option<&str> {
    headers.get(header::CONTENT_TYPE)?.to_str().ok()
}

fn is_json(method: &Method, headers: &HeaderMap) -> Result<(), Problem> {
    let media = media_type(headers);
    let merge_patch = method == Method::PATCH && media == "application/merge-patch+json";
    if merge_patch || media == "application/json" {
        return Ok(());
    }
    let problem = other_media(headers, "application/json");
    Err(if method == Method::PATCH {
        let patches = HeaderValue::from_static("application/merge-patch+json, application/json");
        problem.with_header(header::HeaderName::from_static("accept-patch"), patches)
    } else {
        problem
    })
}

/// A body is sent as it is, in UTF-8 (RFC 8259, section 8.1; the same is asked of a CSV file).
pub fn plainly_coded(headers: &HeaderMap) -> Result<(), Problem> {
    let told = |name| headers.get(name).and_then(|value: &HeaderValue| value.to_str().ok());
    let unsupported = |detail: String| Err(Problem::new(Kind::UnsupportedMediaType, detail));
    if let Some(coding) = told(header::CONTENT_ENCODING)
        && !coding.trim().eq_ignore_ascii_case("identity")
    {
        return unsupported(format!(
            "The body is coded as {coding}; send it as it is, without Content-Encoding."
        ));
    }
    let content_type = told(header::CONTENT_TYPE).unwrap_or_default().to_ascii_lowercase();
    let charset = content_type.split(';').find_map(|part| part.trim().strip_prefix("charset="));
    match charset.map(|charset| charset.trim_matches('"')) {
        None | Some("utf-8" | "utf8" | "us-ascii") => Ok(()),
        Some(other) => unsupported(format!("The body is said to be in {other}; send it in UTF-8.")),
    }
}

/// The Idempotency-Key: a structured-field string in quotation marks, or bare as most clients send it.
pub fn idempotency_key(headers: &HeaderMap) -> Result<Option<String>, Problem> {
    let mut sent = headers.get_all("idempotency-key").iter();
    let Some(value) = sent.next() else { return Ok(None) };
    let key = read_key(value.to_str().unwrap_or_default()).filter(|_| sent.next().is_none());
    key.map(Some).ok_or_else(|| {
        Problem::new(
            Kind::IdempotencyKeyInvalid,
            "The Idempotency-Key must be one text of 1 to 255 visible ASCII characters, such as a UUID.",
        )
    })
}

/// The key without its quotation marks; `None` for what cannot be one.
pub fn read_key(sent: &str) -> Option<String> {
    let text = sent.trim();
    let bare = text.strip_prefix('"').and_then(|text| text.strip_suffix('"')).unwrap_or(text);
    let well_formed =
        (1..=255).contains(&bare.len()) && bare.bytes().all(|byte| (b' '..=b'~').contains(&byte));
    well_formed.then(|| bare.to_owned())
}

/// Covers what is asked, not how it is written: members in another order or other white space are
/// the same request.
fn fingerprint(method: &Method, uri: &Uri, body: &Value) -> String {
    fingerprint_of(method.as_str(), uri.path(), body)
}

/// The same for a request that came in other words.
pub fn fingerprint_of(method: &str, path: &str, body: &Value) -> String {
    let mut digest = Sha256::new();
    for part in [method, path, &body.to_string()] {
        digest.update(part.len().to_be_bytes());
        digest.update(part);
    }
    format!("{:x}", digest.finalize())
}

/// The strong ETags of If-Match; `None` when any version will do. A weak tag matches none. One without its quotation marks,
/// as it is easily copied, is read as if it had them.
fn if_match(headers: &HeaderMap) -> Option<Vec<String>> {
    let mut tags = Vec::new();
    let mut sent = false;
    for value in headers.get_all(header::IF_MATCH) {
        sent = true;
        for tag in value.to_str().unwrap_or_default().split(',').map(str::trim) {
            if tag == "*" {
                return None;
            }
            let bare = tag.strip_prefix('"').and_then(|tag| tag.strip_suffix('"'));
            tags.extend(bare.or((!tag.contains('"')).then_some(tag)).map(ToOwned::to_owned));
        }
    }
    sent.then_some(tags)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(name: &'static str, values: &[&str]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for value in values {
            headers.append(name, HeaderValue::from_str(value).unwrap());
        }
        headers
    }

    #[test]
    fn a_key_is_the_same_with_and_without_quotation_marks() {
        // draft-ietf-httpapi-idempotency-key-header: an RFC 8941 string; clients send it bare.
        let read = |values: &[&str]| idempotency_key(&headers("idempotency-key", values));
        assert_eq!(read(&[]).unwrap(), None);
        assert_eq!(read(&["8e03"]).unwrap().as_deref(), Some("8e03"));
        assert_eq!(read(&["\"8e03\""]).unwrap().as_deref(), Some("8e03"));
        assert!(read(&[&"x".repeat(255)]).is_ok());
        for wrong in [&[""][..], &["\"\""], &[&"x".repeat(256)], &["a", "a"]] {
            assert_eq!(read(wrong).unwrap_err().status(), 400, "{wrong:?}");
        }
    }

    #[test]
    fn if_match_compares_strongly() {
        // RFC 9110, sections 8.8.3.2 and 13.1.1.
        let read = |values: &[&str]| if_match(&headers("if-match", values));
        assert_eq!(read(&[]), None);
        assert_eq!(read(&["*"]), None);
        assert_eq!(
            read(&["\"a\", \"b\"", "\"c\""]),
            Some(vec!["a".to_owned(), "b".to_owned(), "c".to_owned()])
        );
        assert_eq!(read(&["W/\"a\""]), Some(vec![]));
        assert_eq!(read(&["a, \"b\""]), Some(vec!["a".to_owned(), "b".to_owned()]));
        assert_eq!(read(&["\"a"]), Some(vec![]), "half a pair of marks is neither");
    }

    #[test]
    fn a_fingerprint_sees_the_meaning_and_not_the_writing() {
        let print = |path: &str, body: &str| {
            fingerprint(&Method::POST, &path.parse().unwrap(), &json::read(body.as_bytes()).unwrap())
        };
        let one = print("/v1/receipts", "{\"a\": 1, \"b\": [2]}");
        assert_eq!(one, print("/v1/receipts", "{ \"b\":[2],\"a\":1 }"));
        assert_ne!(one, print("/v1/receipts", "{\"a\": 1, \"b\": [3]}"));
        assert_ne!(one, print("/v1/transfers", "{\"a\": 1, \"b\": [2]}"));
    }
}
