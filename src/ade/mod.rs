//! The open ICAR Animal Data Exchange (ADE) JSON standard, version 1.3: herd systems that speak it connect
//! without code of their own, both ways.
//!
//! - [`shape`]: the standard's resources, what their members take
//! - [`incoming`], [`outgoing`], [`identifiers`]: from its JSON to what is done here, and back
//! - [`page`], [`answer`]: collections with their links; errors and batch results
//!
//! Its paths are those of the standard's own URL schemes and are described there, not in our OpenAPI
//! document. Names in paths and JSON are the standard's.

mod answer;
mod identifiers;
mod incoming;
mod outgoing;
mod page;
mod shape;

use crate::{
    book::{
        Book, Caller,
        command::{Outcome, RequestContext, StoredResponse},
        exchange::{
            ingest::{TakeIn, TakenIn, own},
            resource,
        },
    },
    domain::{
        access::{Role, limits::Limits},
        animals::herd::Herd,
        exchange::{ade::ItemKind, change::ChangeKind},
        form::{self, InputPath},
        values::{Code, HerdId},
    },
    store::{self, Tx},
};
use answer::AdeError;
use axum::{
    Json, Router,
    body::to_bytes,
    extract::{FromRequestParts, Path, Request, State},
    http::{HeaderMap, HeaderValue, StatusCode, Uri, header, request::Parts},
    response::{IntoResponse, Response},
    routing::{get, post},
};
use futures_util::future::join_all;
use incoming::Place;
use outgoing::Around;
use serde_json::{Value, json};
use uuid::Uuid;

pub use answer::in_the_standards_words;

/// Bytes that a body may have.
const MOST_BYTES: usize = 1024 * 1024;

/// Resources that one batch may have.
const MOST_ITEMS: usize = 1000;

/// The routes. The caller must have been put beside the request by who knows keys.
pub fn router<S: Clone + Send + Sync + 'static>(book: Book) -> Router<S> {
    let mut router = Router::new().route("/ade/locations", get(locations));
    for &kind in ItemKind::ALL {
        let path = format!("/locations/{{scheme}}/{{id}}/{}", kind.path());
        let read = move |book, caller, at, headers, uri| collection(kind, book, caller, at, headers, uri);
        let one = move |book, caller, at| single(kind, book, caller, at);
        let take = move |book, caller, at, request| take_one(kind, book, caller, at, request);
        let take_all = move |book, caller, at, request| take_batch(kind, book, caller, at, request);
        router = router
            .route(&format!("/ade{path}"), get(read).post(take))
            .route(&format!("/ade{path}/{{item}}"), get(one))
            .route(&format!("/ade/batches{path}"), post(take_all));
    }
    router.with_state(book)
}

/// Who calls.
struct Guest(Caller);

impl FromRequestParts<Book> for Guest {
    type Rejection = AdeError;

    async fn from_request_parts(parts: &mut Parts, _: &Book) -> Result<Self, AdeError> {
        // Without the middleware that knows keys nobody is let in.
        let caller = parts.extensions.get::<Caller>().cloned().ok_or_else(AdeError::internal)?;
        // Locations are herds, to which all of this is kept; a straw that is told of may hang in any tank.
        let limits = caller.limits().map(Limits::said).filter(|said| said.tank_ids.is_some());
        if let Some(said) = limits {
            return Err(AdeError::key_limited(format!(
                "This key is limited to {}, and what herd software tells is not kept to a tank; an integration's key without a \
                 limit to tanks may.",
                said.in_words()
            )));
        }
        Ok(Self(caller))
    }
}

impl Guest {
    /// Who may read may not write yet.
    fn may_write(&self) -> Result<(), AdeError> {
        match self.0.role {
            Role::Technician | Role::Integration | Role::Manager => Ok(()),
            Role::Reader => Err(AdeError::forbidden("A reader's key may not report what happened.")),
        }
    }
}

/// The location in a path.
type At = Path<(String, String)>;

/// The herd at a location.
async fn herd_at(tx: &mut Tx, caller: &Caller, scheme: &str, id: &str) -> Result<Herd, AdeError> {
    let unknown =
        || AdeError::not_found("No herd of this book has this location; GET /ade/locations lists them.");
    if scheme == own::HERD {
        let id = Uuid::try_parse(id).map_err(|_| unknown())?;
        let herd = store::animals::herd::find(tx, caller.business_id, HerdId(id)).await?;
        return herd.filter(|herd| caller.may_see(herd)).ok_or_else(unknown);
    }
    // What cannot be a name is nobody's; the store could not even be asked for it.
    if Code::parse(scheme).is_err() || Code::parse(id).is_err() {
        return Err(unknown());
    }
    let mut herds = store::animals::herd::at_location(tx, caller.business_id, scheme, id).await?;
    herds.retain(|herd| caller.may_see(herd));
    match herds.len() {
        0 => Err(unknown()),
        1 => herds.pop().ok_or_else(unknown),
        _ => Err(AdeError::not_found(format!(
            "Several herds of this book have this location; name the herd by the scheme {}.",
            own::HERD
        ))),
    }
}

/// `GET /ade/locations`: the herds.
async fn locations(
    State(book): State<Book>,
    guest: Guest,
    headers: HeaderMap,
    uri: Uri,
) -> Result<Response, AdeError> {
    let mut tx = book.db.read().await?;
    let (mut herds, mut after) = (Vec::new(), Uuid::nil());
    loop {
        let page = store::Page { after, limit: 500 };
        let mut page = store::animals::herd::list(&mut tx, guest.0.business_id, page).await?;
        let Some(last) = page.last() else { break };
        after = last.id.0;
        let is_full = page.len() == 500;
        page.retain(|herd| guest.0.may_see(herd));
        let ids: Vec<Uuid> = page.iter().map(|herd| herd.id.0).collect();
        let changes =
            store::exchange::change::of_ids(&mut tx, guest.0.business_id, ChangeKind::Herd, &ids).await?;
        herds.extend(page.iter().map(|herd| {
            let change = changes.iter().find(|change| change.id == herd.id.0);
            outgoing::location(herd, change, guest.0.business_id)
        }));
        if !is_full {
            break;
        }
    }
    let total = i64::try_from(herds.len()).unwrap_or(i64::MAX);
    let base = page::base(&headers, &uri);
    Ok(Json(page::collection(&herds, total, total, None, &base, &uri)).into_response())
}

/// `GET {location}/heats` and the like.
async fn collection(
    kind: ItemKind,
    State(book): State<Book>,
    guest: Guest,
    Path((scheme, id)): At,
    headers: HeaderMap,
    uri: Uri,
) -> Result<Response, AdeError> {
    let wanted = page::Wanted::read(&uri)?;
    let business = guest.0.business_id;
    let mut tx = book.db.read().await?;
    let herd = herd_at(&mut tx, &guest.0, &scheme, &id).await?;
    let location = (scheme, id);
    let around = Around { business, location: &location, now: book.clock.now() };
    let base = page::base(&headers, &uri);
    let Some(asked) = wanted.item_filter(herd.id, kind) else {
        return Ok(Json(page::collection(&[], 0, wanted.size, None, &base, &uri)).into_response());
    };
    let page = resource::page(&mut tx, business, &asked, wanted.after, wanted.size).await?;
    let members: Vec<Value> = page.members.iter().map(|told| outgoing::resource(told, &around)).collect();
    Ok(Json(page::collection(&members, page.total, wanted.size, page.next, &base, &uri)).into_response())
}

/// `GET {location}/heats/{id}` and the like.
async fn single(
    kind: ItemKind,
    State(book): State<Book>,
    guest: Guest,
    Path((scheme, id, item)): Path<(String, String, String)>,
) -> Result<Response, AdeError> {
    let business = guest.0.business_id;
    let mut tx = book.db.read().await?;
    let herd = herd_at(&mut tx, &guest.0, &scheme, &id).await?;
    let unknown = || AdeError::not_found("There is no such thing at this location.");
    let item = Uuid::try_parse(&item).map_err(|_| unknown())?;
    let told = resource::find(&mut tx, business, herd.id, kind, item).await?.ok_or_else(unknown)?;
    let location = (scheme, id);
    let around = Around { business, location: &location, now: book.clock.now() };
    Ok(Json(outgoing::resource(&told, &around)).into_response())
}

/// Where a POST stands: the herd, the location, who asks.
struct Post {
    place: Place,
    base: String,
    request: String,
    path: String,
    body: Value,
}

async fn read_post(book: &Book, guest: &Guest, at: At, request: Request) -> Result<Post, AdeError> {
    guest.may_write()?;
    let Path((scheme, id)) = at;
    let mut tx = book.db.read().await?;
    let herd = herd_at(&mut tx, &guest.0, &scheme, &id).await?;
    drop(tx);
    let (parts, body) = request.into_parts();
    if parts.uri.query().is_some_and(|query| !query.is_empty()) {
        let fault = InputPath::query().member("query").fault("must be empty");
        return Err(AdeError::query(vec![fault]));
    }
    let media = parts.headers.get(header::CONTENT_TYPE).and_then(|media| media.to_str().ok());
    let media = media.and_then(|media| media.split(';').next()).unwrap_or_default().trim();
    if !media.eq_ignore_ascii_case("application/json") {
        return Err(AdeError::media("Send Content-Type: application/json."));
    }
    let bytes = to_bytes(body, MOST_BYTES).await.map_err(|_| {
        AdeError::too_large(format!("The body has more than {MOST_BYTES} bytes, or broke off."))
    })?;
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
    let body = serde_json::from_slice(bytes)
        .map_err(|error| AdeError::not_json(format!("The body is not JSON: {error}.")))?;
    Ok(Post {
        place: Place { herd: herd.id, location: (scheme, id) },
        base: page::base(&parts.headers, &parts.uri),
        request: format!("{} {}", parts.method, parts.uri.path()),
        path: parts.uri.path().to_owned(),
        body,
    })
}

/// Has a resource taken in; `tell` puts what came of it into the body of the answer.
async fn take_in(
    book: &Book,
    ask: RequestContext,
    act: TakeIn,
    location: impl Fn(&TakenIn) -> String + Send + Sync + 'static,
    tell: impl Fn(TakenIn) -> Value + Send + Sync + 'static,
) -> Result<StoredResponse, AdeError> {
    let tell = move |outcome| match outcome {
        Ok(taken) => {
            let location = Some(location(&taken));
            Ok(StoredResponse { status: 200, location, etag: None, body: tell(taken).to_string() })
        }
        Err(refusal) => {
            let error = AdeError::from(refusal);
            let (status, body) = (error.status(), error.body().to_string());
            Ok(StoredResponse { status, location: None, etag: None, body })
        }
    };
    match book.writer.run(ask, act, tell).await? {
        Outcome::Fresh(reply) | Outcome::Replayed(reply) => Ok(reply),
        Outcome::Mismatch => Err(AdeError::internal()),
    }
}

/// `POST {location}/heats` and the like.
async fn take_one(
    kind: ItemKind,
    State(book): State<Book>,
    guest: Guest,
    at: At,
    request: Request,
) -> Result<Response, AdeError> {
    let post = read_post(&book, &guest, at, request).await?;
    let act = incoming::read(kind, &post.place, &post.body).map_err(AdeError::invalid)?;
    let (business, clock) = (guest.0.business_id, book.clock.clone());
    let location = post.place.location;
    let where_it_is = located(kind, location.clone());
    let ask = RequestContext::new(guest.0.clone(), post.request, &post.path, &post.body, None, None);
    let reply = take_in(&book, ask, act, where_it_is, move |taken| {
        outgoing::resource(&taken.told, &Around { business, location: &location, now: clock.now() })
    })
    .await?;
    let status = StatusCode::from_u16(reply.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let json = HeaderValue::from_static("application/json");
    let mut response = (status, [(header::CONTENT_TYPE, json)], reply.body).into_response();
    if let Some(location) = reply.location
        && let Ok(location) = HeaderValue::try_from(format!("{}{location}", post.base))
    {
        response.headers_mut().insert(header::LOCATION, location);
    }
    Ok(response)
}

fn located(kind: ItemKind, location: (String, String)) -> impl Fn(&TakenIn) -> String + Send + Sync {
    move |taken| outgoing::address(kind, taken.told.change.id, &location)
}

/// `POST /batches{location}/heats` and the like: a list in, a list of results out, one for each.
async fn take_batch(
    kind: ItemKind,
    State(book): State<Book>,
    guest: Guest,
    at: At,
    request: Request,
) -> Result<Response, AdeError> {
    let post = read_post(&book, &guest, at, request).await?;
    let at_top = |detail: String| AdeError::invalid(vec![InputPath::body().fault(detail)]);
    let Value::Array(sent) = &post.body else {
        return Err(at_top(format!("must be a list of resources, not {}", form::kind(&post.body))));
    };
    if sent.len() > MOST_ITEMS {
        return Err(at_top(format!(
            "must have at most {MOST_ITEMS} resources, not {}; none of them was taken, send them in several batches",
            sent.len()
        )));
    }
    // Handed to the writer in order without waiting in between, so that they share commits.
    let results = sent.iter().enumerate().map(|(n, each)| one_of(kind, &book, &guest, &post, n, each));
    Ok(Json(join_all(results).await).into_response())
}

async fn one_of(kind: ItemKind, book: &Book, guest: &Guest, post: &Post, n: usize, sent: &Value) -> Value {
    let business = guest.0.business_id;
    let act = incoming::read(kind, &post.place, sent).map_err(AdeError::invalid);
    let told = match act {
        Err(error) => Err(error),
        Ok(act) => {
            let where_it_is = located(kind, post.place.location.clone());
            let request = format!("{} ({n})", post.request);
            let ask = RequestContext::new(guest.0.clone(), request, &post.path, sent, None, None);
            take_in(book, ask, act, where_it_is, move |taken| {
                let mut result = json!({
                    "id": taken.told.change.id,
                    "meta": outgoing::meta(&taken.told, business),
                });
                let messages: Vec<Value> = taken.messages.iter().map(answer::told).collect();
                if !messages.is_empty() {
                    result["messages"] = messages.into();
                }
                result
            })
            .await
        }
    };
    let messages = match told {
        Ok(reply) => {
            let body: Value = serde_json::from_str(&reply.body).unwrap_or_default();
            if reply.status < 300 {
                return body;
            }
            body.get("errors").and_then(Value::as_array).cloned().unwrap_or_default()
        }
        Err(error) => error.messages(),
    };
    refused(n, sent, messages, book)
}

/// The result for an item that was not taken: as much of its meta as names it, so that the sender can
/// match it, and what is wrong with their places in the list.
fn refused(n: usize, sent: &Value, messages: Vec<Value>, book: &Book) -> Value {
    let placed = |mut message: Value| {
        if let Some(at) = message["instance"].as_str().and_then(|at| at.strip_prefix('#')) {
            message["instance"] = format!("#/{n}{at}").into();
        }
        message
    };
    let mut result = json!({"messages": messages.into_iter().map(placed).collect::<Vec<_>>()});
    let meta = sent.get("meta");
    let text = |name: &str| meta.and_then(|meta| meta.get(name)).and_then(Value::as_str);
    if let Some(source) = text("source") {
        let modified = text("modified").filter(|at| chrono::DateTime::parse_from_rfc3339(at).is_ok());
        let modified = modified.map_or_else(|| book.clock.now().to_string(), ToOwned::to_owned);
        result["meta"] = json!({"source": source, "modified": modified});
        if let Some(id) = text("sourceId") {
            result["meta"]["sourceId"] = id.into();
        }
    }
    result
}
