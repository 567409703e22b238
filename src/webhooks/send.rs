//! One attempt: to an address that was judged, without redirect or proxy, within ten seconds.

use std::{
    future::Future,
    io,
    net::IpAddr,
    pin::Pin,
    sync::Arc,
    time::{Duration, Instant},
};

use axum::http::{
    HeaderMap, HeaderName, HeaderValue, StatusCode,
    header::{ACCEPT, CONTENT_TYPE, RETRY_AFTER, USER_AGENT},
};
use chrono::TimeDelta;
use tokio::time::timeout;
use tokio_rustls::rustls;
use uuid::Uuid;

use crate::{
    domain::{
        values::Timestamp,
        webhooks::{
            address::EgressPolicy,
            webhook::{AttemptOutcome, WebhookUrl, retry_after},
        },
    },
    traces::{self, TraceContext},
    webhooks::{
        message::MEDIA,
        sign::{self, Secret},
        transport::{Failed, Transport},
    },
};

/// How long an attempt may take, from looking up the name to the end of the answer.
pub const LONGEST: Duration = Duration::from_secs(10);

/// How names become addresses, handed in so that a test can say.
pub type Resolver =
    Arc<dyn Fn(String) -> Pin<Box<dyn Future<Output = io::Result<Vec<IpAddr>>> + Send>> + Send + Sync>;

/// Names as the system resolves them.
pub fn system_resolver() -> Resolver {
    Arc::new(|name| {
        Box::pin(async move {
            let found = tokio::net::lookup_host((name, 0)).await?;
            Ok(found.map(|address| address.ip()).collect())
        })
    })
}

/// Sends messages.
#[derive(Clone)]
pub struct Sender {
    reach: Arc<EgressPolicy>,
    transport: Transport,
}

/// A message ready to be sent.
#[derive(Clone, Debug)]
pub struct OutgoingRequest<'m> {
    /// To where.
    pub url: &'m WebhookUrl,
    /// The event's id.
    pub id: String,
    /// The attempt's id.
    pub request: Uuid,
    /// The secrets that sign it.
    pub secrets: &'m [Secret],
    /// Whose span the attempt is, where traces are exported.
    pub trace: Option<TraceContext>,
    /// What is sent.
    pub body: Vec<u8>,
    /// Now.
    pub now: Timestamp,
}

/// How an attempt went.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sent {
    /// How it ended.
    pub outcome: AttemptOutcome,
    /// What the receiver answered.
    pub status: Option<u16>,
    /// The wait that it asked for.
    pub asked: Option<TimeDelta>,
    /// How long it took.
    pub took: Duration,
    /// The beginning of what it said, or what went wrong.
    pub answer: Option<String>,
}

impl Sender {
    /// Sends to where `reach` allows.
    ///
    /// # Errors
    /// TLS cannot be set up.
    pub fn new(reach: Arc<EgressPolicy>, names: &Resolver) -> Result<Self, rustls::Error> {
        Ok(Self { transport: Transport::new(reach.clone(), names.clone())?, reach })
    }

    /// Makes one attempt.
    pub async fn send(&self, outgoing: OutgoingRequest<'_>) -> Sent {
        let started = Instant::now();
        let exchanged = timeout(LONGEST, self.exchange(outgoing)).await.unwrap_or_else(|_| {
            Err((AttemptOutcome::TimedOut, format!("no answer within {} s", LONGEST.as_secs())))
        });
        let took = started.elapsed();
        match exchanged {
            Ok(sent) => Sent { took, ..sent },
            Err((outcome, why)) => Sent { outcome, status: None, asked: None, took, answer: Some(why) },
        }
    }

    async fn exchange(&self, outgoing: OutgoingRequest<'_>) -> Result<Sent, Failed> {
        let url = outgoing
            .url
            .parts()
            .ok_or_else(|| (AttemptOutcome::AddressBlocked, "the address cannot be read".to_owned()))?;
        // What can be told without asking for the name; the rest is judged where it is connected to.
        self.reach.judge_url(&url).map_err(|why| (AttemptOutcome::AddressBlocked, why.to_string()))?;
        let timestamp = outgoing.now.utc().timestamp();
        let signature = sign::signatures(outgoing.secrets, &outgoing.id, timestamp, &outgoing.body);
        let agent = concat!("Tankside/", env!("CARGO_PKG_VERSION"), " (webhooks)");
        let mut headers = HeaderMap::new();
        for (name, value) in [
            (USER_AGENT, agent),
            (ACCEPT, "*/*"),
            (CONTENT_TYPE, MEDIA),
            (HeaderName::from_static("x-request-id"), outgoing.request.to_string().as_str()),
            (HeaderName::from_static(sign::ID), outgoing.id.as_str()),
            (HeaderName::from_static(sign::TIMESTAMP), timestamp.to_string().as_str()),
            (HeaderName::from_static(sign::SIGNATURE), signature.as_str()),
        ] {
            let value = HeaderValue::from_str(value)
                .map_err(|_| (AttemptOutcome::ConnectionFailed, format!("{name} cannot be sent")))?;
            headers.insert(name, value);
        }
        if let Some(value) = outgoing.trace.and_then(|trace| HeaderValue::try_from(trace.to_string()).ok()) {
            headers.insert(HeaderName::from_static(traces::HEADER), value);
        }
        let answer = self.transport.post(&url, headers, outgoing.body).await?;
        let asked = answer.headers.get(RETRY_AFTER).and_then(|value| value.to_str().ok());
        Ok(Sent {
            outcome: outcome_of(answer.status),
            status: Some(answer.status.as_u16()),
            asked: asked.and_then(|text| retry_after(text, outgoing.now)),
            took: Duration::ZERO,
            answer: legible(&answer.beginning),
        })
    }
}

/// What a status means (Standard Webhooks 1.0.0, "Webhook delivery success / failure").
fn outcome_of(status: StatusCode) -> AttemptOutcome {
    match status.as_u16() {
        200..=299 => AttemptOutcome::Delivered,
        300..=399 => AttemptOutcome::Redirected,
        410 => AttemptOutcome::Gone,
        429 | 502 | 503 | 504 => AttemptOutcome::Overloaded,
        _ => AttemptOutcome::Refused,
    }
}

/// What a receiver said, without what could garble a log.
fn legible(said: &[u8]) -> Option<String> {
    let text: String = String::from_utf8_lossy(said)
        .chars()
        .map(|c| if c.is_control() && c != '\n' { '\u{fffd}' } else { c })
        .collect();
    (!text.is_empty()).then_some(text)
}
