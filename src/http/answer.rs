//! Putting what was done into an answer.

use axum::{
    Json,
    body::Body,
    http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    book::{
        alerts::alert::NoteRefused,
        catalogue::version,
        command::{Command, Outcome, RequestContext, StoredResponse},
    },
    http::{
        App,
        extract::CommandRequest,
        problem::{Kind, Problem, internal},
    },
};

/// What was done, with what to heed in it.
#[derive(Serialize, ToSchema)]
pub struct WithCautions<T> {
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub done: T,
    /// What to heed. Only the answer to the act has it; local codes and licensed practice go before it.
    pub cautions: &'static [&'static str],
}

/// Marks an answer that was given before.
const REPLAYED: HeaderName = HeaderName::from_static("idempotent-replayed");

/// Something that can be changed, with the mark of its version.
#[derive(Serialize, ToSchema)]
pub struct Tagged<T> {
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub thing: T,
    /// The version, as in the header ETag without its quotation marks; send it as If-Match with a change.
    #[schema(max_length = 100)]
    pub etag: String,
}

impl<T: Serialize> Tagged<T> {
    /// With the mark of its version.
    pub fn new(thing: T) -> serde_json::Result<Self> {
        Ok(Self { etag: version(&thing)?, thing })
    }

    /// The answer to a reader, who may have this version already.
    pub fn answer(self, headers: &HeaderMap) -> Response {
        let etag = format!("\"{}\"", self.etag);
        if is_known(headers, &etag) {
            return with_etag(StatusCode::NOT_MODIFIED.into_response(), &etag);
        }
        with_etag(Json(self).into_response(), &etag)
    }
}

/// Things with the marks of their versions.
pub fn all_tagged<T: Serialize>(things: Vec<T>) -> serde_json::Result<Vec<Tagged<T>>> {
    things.into_iter().map(Tagged::new).collect()
}

/// Whether the reader has the version of this ETag, in its quotation marks, already.
pub fn is_known(headers: &HeaderMap, etag: &str) -> bool {
    headers
        .get_all(header::IF_NONE_MATCH)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(','))
        .any(|tag| matches!(tag.trim().trim_start_matches("W/"), tag if tag == etag || tag == "*"))
}

/// The answer with its ETag.
pub fn with_etag(mut response: Response, etag: &str) -> Response {
    if let Ok(etag) = HeaderValue::try_from(etag) {
        response.headers_mut().insert(header::ETAG, etag);
    }
    response
}

/// A thing was made and is to be found at `location`.
pub fn created(location: String, body: &impl Serialize) -> serde_json::Result<StoredResponse> {
    Ok(StoredResponse { status: 201, location: Some(location), ..done(body)? })
}

/// A thing was done.
pub fn done(body: &impl Serialize) -> serde_json::Result<StoredResponse> {
    Ok(StoredResponse { status: 200, location: None, etag: None, body: serde_json::to_string(body)? })
}

/// A thing was taken away.
pub fn gone() -> StoredResponse {
    StoredResponse { status: 204, location: None, etag: None, body: String::new() }
}

/// A thing that may change was made or changed; its version goes with it.
pub fn tagged(
    status: u16,
    location: Option<String>,
    thing: impl Serialize,
) -> serde_json::Result<StoredResponse> {
    let thing = Tagged::new(thing)?;
    let body = serde_json::to_string(&thing)?;
    Ok(StoredResponse { status, location, etag: Some(thing.etag), body })
}

impl App {
    /// Has `act` done for a command; `respond` puts what came of it into an answer.
    pub async fn perform<T, P, K, L, A: Command>(
        &self,
        command: CommandRequest<T, P, K, L>,
        act: A,
        respond: impl Fn(A::Done) -> serde_json::Result<StoredResponse> + Send + Sync + 'static,
    ) -> Result<Response, Problem> {
        self.do_for(command.ask, act, respond).await
    }

    /// The same for whoever asks.
    pub async fn do_for<A: Command>(
        &self,
        ask: RequestContext,
        act: A,
        respond: impl Fn(A::Done) -> serde_json::Result<StoredResponse> + Send + Sync + 'static,
    ) -> Result<Response, Problem> {
        let (reply, replayed) = self.run(ask, act, respond).await?;
        to_response(reply, replayed)
    }

    /// The same for an act with a `secret` that is shown this once: it is put into the first answer on its way out,
    /// and not into the one that is kept under the Idempotency-Key.
    pub async fn perform_and_show<T, P, K, L, A: Command>(
        &self,
        command: CommandRequest<T, P, K, L>,
        act: A,
        secret: &str,
        respond: impl Fn(A::Done) -> serde_json::Result<StoredResponse> + Send + Sync + 'static,
    ) -> Result<Response, Problem> {
        let (mut reply, replayed) = self.run(command.ask, act, respond).await?;
        if reply.status < 300 {
            let mut body: Value = serde_json::from_str(&reply.body)?;
            body["secret"] = if replayed { Value::Null } else { secret.into() };
            reply.body = body.to_string();
        }
        to_response(reply, replayed)
    }

    /// Tells the office of an act that is refused before anybody looked into the book, and was done all the same. It is told
    /// before the answer goes, so a device that takes it knows that the office does.
    pub async fn note_refused(&self, ask: &RequestContext, problem: &Problem) -> Result<(), Problem> {
        let Some(act) = ask.refused(&problem.reply()) else { return Ok(()) };
        let noted = NoteRefused { business: ask.caller.business_id, act };
        Ok(self.book.writer.run_in_background(noted).await?)
    }

    /// Has `act` done; gives what is answered, and whether it was answered before.
    pub async fn run<A: Command>(
        &self,
        ask: RequestContext,
        act: A,
        respond: impl Fn(A::Done) -> serde_json::Result<StoredResponse> + Send + Sync + 'static,
    ) -> Result<(StoredResponse, bool), Problem> {
        let respond = move |outcome| match outcome {
            Ok(done) => respond(done),
            Err(refusal) => Ok(Problem::from(refusal).reply()),
        };
        let told = ask.told.is_some().then(|| ask.clone());
        match self.book.writer.run(ask, act, respond).await? {
            Outcome::Fresh(reply) => Ok((reply, false)),
            Outcome::Replayed(reply) => Ok((reply, true)),
            Outcome::Mismatch => {
                let problem = Problem::new(
                    Kind::IdempotencyMismatch,
                    "This Idempotency-Key came before with another request. Nothing was written now.",
                );
                if let Some(ask) = told {
                    self.note_refused(&ask, &problem).await?;
                }
                Err(problem)
            }
        }
    }
}

/// What was answered, or is answered again.
///
/// # Errors
/// None that a response kept by the book can have.
pub fn to_response(reply: StoredResponse, replayed: bool) -> Result<Response, Problem> {
    let mut response = answer(reply)?;
    if replayed {
        response.headers_mut().insert(REPLAYED, HeaderValue::from_static("true"));
    }
    Ok(response)
}

fn answer(reply: StoredResponse) -> Result<Response, Problem> {
    let media = if reply.status < 400 { "application/json" } else { "application/problem+json" };
    let mut response = Response::builder().status(reply.status);
    if !reply.body.is_empty() {
        response = response.header(header::CONTENT_TYPE, media);
    }
    if let Some(location) = reply.location {
        response = response.header(header::LOCATION, location);
    }
    if let Some(etag) = reply.etag {
        response = response.header(header::ETAG, format!("\"{etag}\""));
    }
    response.body(Body::from(reply.body)).map_err(|_| internal())
}
