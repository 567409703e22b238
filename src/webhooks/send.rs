//! One attempt: to an address that was judged, without redirect or proxy, within ten seconds.

use std::{
    error::Error as _,
    future::Future,
    io,
    net::{IpAddr, SocketAddr},
    pin::Pin,
    sync::Arc,
    time::{Duration, Instant},
};

use chrono::TimeDelta;
use reqwest::{
    StatusCode,
    dns::{Addrs, Name, Resolve, Resolving},
    header::{CONTENT_TYPE, RETRY_AFTER},
    redirect::Policy,
};
use uuid::Uuid;

use crate::{
    domain::{
        values::Timestamp,
        webhooks::{
            address::{Blocked, EgressPolicy},
            webhook::{AttemptOutcome, WebhookUrl, retry_after},
        },
    },
    webhooks::{
        message::MEDIA,
        sign::{self, Secret},
    },
};

/// How long an attempt may take, from looking up the name to the end of the answer.
pub const LONGEST: Duration = Duration::from_secs(10);

/// Of an answer, no more than this is read.
const MOST_READ: usize = 64 * 1024;

/// Of an answer, so much is kept for the log.
const MOST_KEPT: usize = 2 * 1024;

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

/// Resolves names and lets through only what may be connected to. What it gives is what is connected to: there is no
/// second look-up between.
struct Judged {
    names: Resolver,
    reach: Arc<EgressPolicy>,
    plain: bool,
}

impl Resolve for Judged {
    fn resolve(&self, name: Name) -> Resolving {
        let (names, reach, plain) = (self.names.clone(), self.reach.clone(), self.plain);
        Box::pin(async move {
            let found = names(name.as_str().to_owned()).await?;
            // One that leads inside is enough to distrust the name.
            for ip in &found {
                reach.judge(*ip, plain).inspect_err(|why| {
                    tracing::warn!(name = name.as_str(), %ip, %why, "webhooks: an address is not sent to");
                })?;
            }
            let found: Vec<_> = found.into_iter().map(|ip| SocketAddr::new(ip, 0)).collect();
            Ok(Box::new(found.into_iter()) as Addrs)
        })
    }
}

/// Sends messages.
#[derive(Clone)]
pub struct Sender {
    reach: Arc<EgressPolicy>,
    https: reqwest::Client,
    http: reqwest::Client,
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
    pub fn new(reach: Arc<EgressPolicy>, names: &Resolver) -> reqwest::Result<Self> {
        let client = |plain| {
            reqwest::Client::builder()
                .user_agent(concat!("Tankside/", env!("CARGO_PKG_VERSION"), " (webhooks)"))
                .dns_resolver(Arc::new(Judged { names: names.clone(), reach: reach.clone(), plain }))
                .redirect(Policy::none())
                .retry(reqwest::retry::never())
                .referer(false)
                .no_proxy()
                .timeout(LONGEST)
                .https_only(!plain)
                // Each attempt judges anew where the name leads.
                .pool_max_idle_per_host(0)
                .build()
        };
        Ok(Self { https: client(false)?, http: client(true)?, reach })
    }

    /// Makes one attempt.
    pub async fn send(&self, outgoing: OutgoingRequest<'_>) -> Sent {
        let started = Instant::now();
        let (outcome, status, asked, answer) = match self.exchange(outgoing).await {
            Ok(answered) => answered,
            Err((outcome, why)) => (outcome, None, None, Some(why)),
        };
        Sent { outcome, status, asked, took: started.elapsed(), answer }
    }

    async fn exchange(
        &self,
        outgoing: OutgoingRequest<'_>,
    ) -> Result<(AttemptOutcome, Option<u16>, Option<TimeDelta>, Option<String>), (AttemptOutcome, String)>
    {
        let blocked = |why: Blocked| (AttemptOutcome::AddressBlocked, why.to_string());
        let url = outgoing
            .url
            .parts()
            .ok_or_else(|| (AttemptOutcome::AddressBlocked, "the address cannot be read".to_owned()))?;
        // An address of numbers is connected to without asking the resolver.
        self.reach.judge_url(&url).map_err(blocked)?;
        let client = if url.scheme() == "https" { &self.https } else { &self.http };
        let timestamp = outgoing.now.utc().timestamp();
        let signature = sign::signatures(outgoing.secrets, &outgoing.id, timestamp, &outgoing.body);
        let request = client
            .post(url)
            .header(CONTENT_TYPE, MEDIA)
            .header("x-request-id", outgoing.request.to_string())
            .header(sign::ID, outgoing.id)
            .header(sign::TIMESTAMP, timestamp)
            .header(sign::SIGNATURE, signature)
            .body(outgoing.body);
        let mut response = request.send().await.map_err(|error| failed(&error))?;
        let status = response.status();
        let asked = response.headers().get(RETRY_AFTER).and_then(|value| value.to_str().ok());
        let asked = asked.and_then(|text| retry_after(text, outgoing.now));
        let answer = beginning(&mut response).await;
        Ok((outcome_of(status), Some(status.as_u16()), asked, answer))
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

/// The beginning of an answer. The status stands already, so what goes wrong here is of no account.
async fn beginning(response: &mut reqwest::Response) -> Option<String> {
    let (mut kept, mut read) = (Vec::new(), 0);
    while let Ok(Some(chunk)) = response.chunk().await {
        read += chunk.len();
        let room = MOST_KEPT.saturating_sub(kept.len());
        kept.extend_from_slice(&chunk[..chunk.len().min(room)]);
        if read >= MOST_READ {
            break;
        }
    }
    let text: String = String::from_utf8_lossy(&kept)
        .chars()
        .map(|c| if c.is_control() && c != '\n' { '\u{fffd}' } else { c })
        .collect();
    (!text.is_empty()).then_some(text)
}

/// Of which kind a failed exchange is, and what is told of it: never the address, which may hold a secret.
fn failed(error: &reqwest::Error) -> (AttemptOutcome, String) {
    let mut cause = error.source();
    let mut innermost = None;
    while let Some(this) = cause {
        if let Some(blocked) = this.downcast_ref::<Blocked>() {
            return (AttemptOutcome::AddressBlocked, blocked.to_string());
        }
        innermost = Some(this.to_string());
        cause = this.source();
    }
    let why = innermost.unwrap_or_else(|| "the exchange failed".to_owned());
    if error.is_timeout() {
        (AttemptOutcome::TimedOut, format!("no answer within {} s", LONGEST.as_secs()))
    } else if error.is_dns() {
        (AttemptOutcome::NameNotResolved, why)
    } else {
        (AttemptOutcome::ConnectionFailed, why)
    }
}
