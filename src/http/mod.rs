//! The routes: one file per resource with its requests, answers, handlers and their description.
//!
//! - [`problem`], [`extract`], [`page`], [`answer`], [`auth`], [`docs`], [`schemas`], [`json`]: what all of them
//!   share
//! - [`herds`], [`tanks`], [`sires`], [`lots`], [`animals`]: what the book is about, alike by [`catalogue`]
//! - [`events`], [`next_service`], [`withdrawals`], `batch`, [`services`]: the work
//! - `levels`, [`nitrogen`], `picture`: the liquid in the tanks
//! - `receipts`, `transfers`, `discards`, `stocktakes`, [`movements`], [`stock`]: the ledger
//! - `outlook`, `alerts`, `alert_rules`: what runs out and what needs attention
//! - [`webhooks`]: who else is told
//! - `changes`, `ade_items`: for integrations; what they speak under `/ade` is in [`ade`](crate::ade)
//! - `web`: the page at the tank
//! - [`reports`], [`audit`], [`exports`], [`business`], [`health`]: the rest
//!
//! A handler takes what it needs from the request, calls one function of [`book`](crate::book), and answers.

pub(crate) mod access;
pub(crate) mod alerts;
pub(crate) mod animals;
pub(crate) mod answer;
mod at_the_tank;
mod catalogue;
mod deprecation;
mod description;
pub mod docs;
pub mod exchange;
pub(crate) mod extract;
pub(crate) mod health;
mod ics;
pub(crate) mod json;
mod markup;
pub(crate) mod nitrogen;
pub(crate) mod page;
pub(crate) mod picture;
pub mod problem;
pub(crate) mod reports;
mod schemas;
pub(crate) mod serve;
pub(crate) mod straws;
mod table;
pub mod tls;
pub(crate) mod turns;
mod web;
pub(crate) mod webhooks;

use std::{
    num::NonZeroUsize,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    time::{Duration, Instant},
};

use axum::{
    Router,
    extract::{MatchedPath, Request, State},
    http::{HeaderName, HeaderValue, Method, Uri, Version, header},
    middleware::{self, Next},
    response::{IntoResponse, Response},
    routing::get,
};
use metrics_exporter_prometheus::PrometheusHandle;
use percent_encoding::percent_decode_str;
use problem::{Kind, Problem, internal};
use tower::util::option_layer;
use tower_http::{
    catch_panic::CatchPanicLayer,
    cors::CorsLayer,
    request_id::{MakeRequestUuid, PropagateRequestIdLayer, RequestId, SetRequestIdLayer},
    trace::{DefaultOnFailure, TraceLayer},
};
use utoipa::OpenApi as _;
use utoipa_axum::router::OpenApiRouter;

use crate::{
    ade,
    book::Book,
    domain::webhooks::address::EgressPolicy,
    scheduler::backups::Backups,
    traces::{self, Beginning, SpanKind, TraceContext},
    webhooks::seal::SecretKeys,
};

/// How long a request may take.
const LONGEST: Duration = Duration::from_secs(30);

const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

/// What handlers work with.
#[derive(Clone)]
pub struct App {
    /// The book.
    pub book: Book,
    /// Where webhooks may lead.
    pub reach: Arc<EgressPolicy>,
    /// What webhooks' secrets are encrypted with.
    pub secret_keys: Arc<SecretKeys>,
    /// Keys looked up in the last seconds.
    pub known_keys: access::auth::KnownKeys,
    /// How often each key may call; as often as it likes when `None`.
    pub limiter: Option<access::auth::Limiter>,
    /// How often an address may call without a good key; as often as it likes when `None`.
    pub failures: Option<access::failures::Failures>,
    /// What each key is reading.
    pub readers: access::readers::Readers,
    /// Pictures that are being drawn.
    pub pictures: turns::Turns,
    /// Names under which `/metrics` answers besides those that lead to no other place.
    pub metrics_hosts: Arc<[String]>,
    /// What was counted.
    pub metrics: Option<PrometheusHandle>,
    /// Copies that are made by themselves; none are when `None`.
    pub backups: Option<Backups>,
    stopping: Arc<AtomicBool>,
}

impl App {
    /// An interface to `book`, of which nothing is counted and no copies are made.
    pub fn new(
        book: Book,
        reach: Arc<EgressPolicy>,
        secret_keys: Arc<SecretKeys>,
        limiter: Option<access::auth::Limiter>,
        failures: Option<access::failures::Failures>,
    ) -> Self {
        // More than one at a time on each core only takes memory.
        let cores = std::thread::available_parallelism().map_or(1, NonZeroUsize::get);
        Self {
            book,
            reach,
            secret_keys,
            known_keys: access::auth::KnownKeys::default(),
            limiter,
            failures,
            readers: access::readers::Readers::default(),
            pictures: turns::Turns::new(cores, 4 * cores),
            metrics_hosts: Arc::default(),
            metrics: None,
            backups: None,
            stopping: Arc::default(),
        }
    }

    /// From now on the service says that it is not ready.
    pub fn stop(&self) {
        self.stopping.store(true, Ordering::Relaxed);
    }

    fn is_stopping(&self) -> bool {
        self.stopping.load(Ordering::Relaxed)
    }
}

/// The routes that need a key, with their description.
fn described() -> OpenApiRouter<App> {
    OpenApiRouter::with_openapi(docs::Description::openapi())
        .merge(access::business::routes())
        .merge(animals::herd::routes())
        .merge(nitrogen::tank::routes())
        .merge(nitrogen::level::routes())
        .merge(nitrogen::status::routes())
        .merge(straws::sire::routes())
        .merge(straws::lot::routes())
        .merge(animals::animal::routes())
        .merge(animals::event::routes())
        .merge(animals::next_service::routes())
        .merge(animals::round::routes())
        .merge(at_the_tank::routes())
        .merge(animals::mating_plan::routes())
        .merge(animals::call_out::routes())
        .merge(animals::watch::routes())
        .merge(straws::labels::routes())
        .merge(animals::timed_protocol::all_routes())
        .merge(animals::calendar::routes())
        .merge(straws::receipt::routes())
        .merge(straws::transfer::routes())
        .merge(straws::discard::routes())
        .merge(straws::stocktake::routes())
        .merge(straws::consignment::routes())
        .merge(straws::movement::routes())
        .merge(straws::stock::routes())
        .merge(straws::outlook::routes())
        .merge(straws::hold::routes())
        .merge(alerts::alert::routes())
        .merge(alerts::rule::all_routes())
        .merge(straws::thaw_advice::routes())
        .merge(straws::withdrawal::routes())
        .merge(straws::batch::routes())
        .merge(animals::service::routes())
        .merge(straws::report::routes())
        .merge(straws::register::routes())
        .merge(reports::conception::routes())
        .merge(reports::pregnancy_rate::routes())
        .merge(reports::season::routes())
        .merge(reports::watch::routes())
        .merge(reports::charges::routes())
        .merge(reports::price_list::routes())
        .merge(reports::straw_use::routes())
        .merge(webhooks::webhook::routes())
        .merge(access::audit::routes())
        .merge(access::device::routes())
        .merge(access::key::routes())
        .merge(exchange::export::routes())
        .merge(exchange::import::routes())
        .merge(exchange::change::routes())
        .merge(exchange::ade_item::routes())
}

/// The description of the interface.
pub fn description() -> utoipa::openapi::OpenApi {
    let mut api = described().into_openapi();
    docs::complete(&mut api);
    description::finish(&mut api);
    api
}

/// The whole interface.
pub fn router(app: App, origins: &[HeaderValue]) -> Router {
    let (keyed, _) = described().split_for_parts();
    let keyed = deprecation::told(keyed, deprecation::DEPRECATED)
        .merge(ade::router(app.book.clone()))
        .fallback(not_found)
        .method_not_allowed_fallback(method_not_allowed)
        .layer(middleware::from_fn_with_state(app.clone(), drawn_in_turn))
        .layer(middleware::from_fn_with_state(app.clone(), access::auth::authenticate))
        .layer(middleware::map_response(no_store));
    let open = Router::new()
        .route("/healthz", get(health::healthz))
        .route("/readyz", get(health::readyz))
        .route("/openapi.json", get(description::served::openapi))
        .route("/docs", get(docs::docs))
        .route("/problems", get(docs::problems))
        .route("/problems/{slug}", get(docs::problem))
        .route("/v1/watch.ics", get(animals::watch::feed))
        .merge(web::routes())
        .method_not_allowed_fallback(method_not_allowed);
    let others = (!origins.is_empty()).then(|| of_other_sites(origins));
    // Merged, not nested: what is layered on all of them then knows which route was met.
    layered(open.merge(keyed).with_state(app), others)
}

/// What the operator's own listener answers: what was counted, and nothing of any business.
pub fn metrics_router(app: App) -> Router {
    let router = Router::new()
        .route("/metrics", get(health::metrics))
        .fallback(nothing_but_metrics)
        .method_not_allowed_fallback(method_not_allowed)
        .with_state(app);
    layered(router, None)
}

/// What every request goes through, whatever it asks for.
fn layered(router: Router, others: Option<CorsLayer>) -> Router {
    router
        .layer(middleware::from_fn(within_time))
        .layer(option_layer(others))
        .layer(middleware::from_fn(well_formed))
        .layer(middleware::map_response(guarded))
        .layer(CatchPanicLayer::custom(|_| internal().into_response()))
        .layer(middleware::from_fn(ade::in_the_standards_words))
        .layer(middleware::from_fn(counted))
        .layer(
            TraceLayer::new_for_http()
                .make_span_with(span)
                .on_request(())
                .on_response(log)
                .on_failure(DefaultOnFailure::new()),
        )
        .layer(PropagateRequestIdLayer::new(REQUEST_ID))
        .layer(SetRequestIdLayer::new(REQUEST_ID, MakeRequestUuid))
        .layer(middleware::map_request(plain_request_id))
}

/// Lets pages of other sites ask, each with a key of its own; no cookie is known here. (Fetch, <https://fetch.spec.whatwg.org>)
fn of_other_sites(origins: &[HeaderValue]) -> CorsLayer {
    let custom = ["idempotency-key", "tankside-device", "tankside-device-name", "tankside-waiting"];
    let asked =
        [header::AUTHORIZATION, header::CONTENT_TYPE, header::IF_MATCH, header::IF_NONE_MATCH, REQUEST_ID];
    let told = ["idempotent-replayed", "ratelimit", "ratelimit-policy", "deprecation", "sunset"];
    let exposed = [header::ETAG, header::LINK, header::LOCATION, header::RETRY_AFTER, REQUEST_ID];
    CorsLayer::new()
        .allow_origin(origins.to_vec())
        .allow_methods([Method::GET, Method::HEAD, Method::POST, Method::PUT, Method::PATCH, Method::DELETE])
        .allow_headers(asked.into_iter().chain(custom.map(HeaderName::from_static)).collect::<Vec<_>>())
        .expose_headers(exposed.into_iter().chain(told.map(HeaderName::from_static)).collect::<Vec<_>>())
        .max_age(Duration::from_mins(10))
}

async fn not_found(uri: Uri) -> Problem {
    if uri.path().ends_with('/') {
        let detail = "There is nothing under this path; no path here ends with a slash.";
        return Problem::new(Kind::NotFound, detail);
    }
    Problem::new(Kind::NotFound, "There is nothing under this path; /docs lists what there is.")
}

async fn nothing_but_metrics() -> Problem {
    Problem::new(Kind::NotFound, "Only /metrics is told here; the book has an address of its own.")
}

async fn method_not_allowed() -> Problem {
    Problem::new(Kind::MethodNotAllowed, "This path is not for this method; the header Allow says for which.")
}

/// A client's own request id is kept when it cannot garble a log.
async fn plain_request_id(mut request: Request) -> Request {
    let plain = |value: &HeaderValue| {
        let bytes = value.as_bytes();
        (1..=100).contains(&bytes.len())
            && bytes.iter().all(|byte| byte.is_ascii_alphanumeric() || b"-_.".contains(byte))
    };
    if request.headers().get(&REQUEST_ID).is_some_and(|value| !plain(value)) {
        request.headers_mut().remove(&REQUEST_ID);
    }
    request
}

/// What is told of a business is not for caches.
async fn no_store(mut response: Response) -> Response {
    response.headers_mut().entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

/// No answer is taken for something else, and none tells other sites where its reader was.
async fn guarded(mut response: Response) -> Response {
    let headers = response.headers_mut();
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    response
}

/// Refuses what a proxy and this service might read differently: a request that names no host or several (RFC 9112,
/// section 3.2), or several callers.
async fn well_formed(request: Request, next: Next) -> Response {
    match ill_formed(&request) {
        Some(wrong) => Problem::new(Kind::BadRequest, wrong).into_response(),
        None => next.run(request).await,
    }
}

fn ill_formed(request: &Request) -> Option<&'static str> {
    let many = |name| request.headers().get_all(name).iter().count();
    match (many(header::HOST), many(header::AUTHORIZATION)) {
        (0, _) if request.version() >= Version::HTTP_11 => Some("It has no header Host."),
        (2.., _) => Some("It has several headers Host."),
        (_, 2..) => Some("It has several headers Authorization."),
        _ => None,
    }
}

/// Pictures take much memory while they are drawn, so only a few are at a time.
async fn drawn_in_turn(State(app): State<App>, request: Request, next: Next) -> Response {
    let route = request.extensions().get::<MatchedPath>().map(MatchedPath::as_str);
    if !route.is_some_and(|route| route.ends_with("/nitrogen.png") || route.ends_with("/nitrogen.svg")) {
        return next.run(request).await;
    }
    match app.pictures.take().await {
        Some(_turn) => next.run(request).await,
        None => Problem::new(Kind::Overloaded, "As many pictures are being drawn as can be.").into_response(),
    }
}

/// An answer that takes too long is given up; what was handed to the writer is done all the same,
/// and the key finds it.
async fn within_time(request: Request, next: Next) -> Response {
    let reads = request.method().is_safe();
    let Ok(response) = tokio::time::timeout(LONGEST, next.run(request)).await else {
        let waited = format!("There was no answer within {} s.", LONGEST.as_secs());
        return if reads {
            Problem::new(Kind::StoreUnavailable, format!("{waited} Ask again, or for less.")).into_response()
        } else {
            let again = format!("{waited} Send it again with the same Idempotency-Key.");
            Problem::new(Kind::OutcomeUnknown, again).into_response()
        };
    };
    response
}

/// Counts requests and how long they take, by route and not by path, which has no bound.
async fn counted(request: Request, next: Next) -> Response {
    let route = request.extensions().get::<MatchedPath>().map_or("other", MatchedPath::as_str).to_owned();
    let method = known_method(request.method());
    let started = Instant::now();
    let response = next.run(request).await;
    let status = response.status().as_u16().to_string();
    let labels = [("method", method.to_owned()), ("route", route), ("status", status)];
    metrics::histogram!("tankside_http_request_seconds", &labels).record(started.elapsed().as_secs_f64());
    response
}

/// Anyone can make up a method, so only those that some route knows become labels.
fn known_method(method: &Method) -> &'static str {
    match *method {
        Method::GET => "GET",
        Method::HEAD => "HEAD",
        Method::POST => "POST",
        Method::PUT => "PUT",
        Method::PATCH => "PATCH",
        Method::DELETE => "DELETE",
        _ => "other",
    }
}

fn span(request: &Request) -> tracing::Span {
    let id = request.extensions().get::<RequestId>().and_then(|id| id.header_value().to_str().ok());
    let id = id.unwrap_or_default();
    let logged = || {
        tracing::info_span!(
            "request",
            id,
            method = %request.method(),
            path = loggable(request.uri().path()),
            key = tracing::field::Empty,
            status = tracing::field::Empty,
        )
    };
    if traces::on() { traces::begin(traced(request, id), logged) } else { logged() }
}

/// A request as the traces tell it, by OpenTelemetry's semantic conventions for HTTP; the query may hold a key.
fn traced(request: &Request, id: &str) -> Beginning {
    let method = known_method(request.method());
    let method = if method == "other" { "_OTHER" } else { method };
    let route = request.extensions().get::<MatchedPath>().map(MatchedPath::as_str);
    let name = route.map_or_else(|| method.to_owned(), |route| format!("{method} {route}"));
    let mut told = request.headers().get_all(traces::HEADER).iter();
    let parent = match (told.next(), told.next()) {
        (Some(one), None) => one.to_str().ok().and_then(TraceContext::parse),
        _ => None,
    };
    let mut beginning = Beginning { parent, ..Beginning::new(name, SpanKind::Server) };
    beginning.attributes = vec![
        ("http.request.method", method.into()),
        ("url.path", loggable(request.uri().path()).into()),
        ("tankside.request.id", id.into()),
    ];
    beginning.attributes.extend(route.map(|route| ("http.route", route.into())));
    beginning
}

/// The path, unless a key or a secret strayed into it.
fn loggable(path: &str) -> &str {
    let plain = percent_decode_str(path).decode_utf8_lossy().to_ascii_lowercase();
    if ["tks_", "whsec_", "tkc_"].iter().any(|begins| plain.contains(begins)) {
        "(not shown: a key stands in it)"
    } else {
        path
    }
}

fn log(response: &Response, took: Duration, span: &tracing::Span) {
    let duration_ms = u64::try_from(took.as_millis()).unwrap_or(u64::MAX);
    let status = response.status().as_u16();
    tracing::info!(status, duration_ms, "answered");
    if traces::on() {
        span.record("status", u64::from(status));
    }
}
