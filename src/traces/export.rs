//! Sends what has ended to the collector: OTLP/HTTP in JSON, <https://opentelemetry.io/docs/specs/otlp/>.
//!
//! A collector that is slow or gone keeps nobody waiting: so many spans wait in memory, and what finds no room, or is not taken, is
//! dropped and counted.

use std::time::{Duration, Instant};

use anyhow::Context as _;
use serde_json::{Value, json};
use tokio::{
    sync::{mpsc, oneshot},
    task::JoinHandle,
};
use url::Url;
use uuid::Uuid;

use crate::{
    clock::Clock,
    traces::{
        Attribute, ON,
        layer::{Ended, TraceLayer},
    },
};

/// Spans that wait to be sent at most.
const MOST_WAITING: usize = 4096;

/// Spans in one request at most.
const TOGETHER: usize = 512;

/// How long spans are gathered before they are sent.
const GATHERED_FOR: Duration = Duration::from_secs(1);

/// How long the collector may take, as in OpenTelemetry's own default.
const WITHIN: Duration = Duration::from_secs(10);

/// How long the last of it may take when the service stops.
const ENDS_WITHIN: Duration = Duration::from_secs(2);

/// How often the log says that the collector does not take them.
const TOLD_EVERY: Duration = Duration::from_mins(5);

/// Sends what has ended until it is told to end.
pub struct Export {
    stop: oneshot::Sender<()>,
    task: JoinHandle<()>,
}

impl Export {
    /// Sends what is left, for two seconds at most.
    pub async fn end(self) {
        let _ = self.stop.send(());
        let _ = tokio::time::timeout(ENDS_WITHIN, self.task).await;
    }
}

/// Where traces go for a collector at that address.
///
/// # Errors
/// It is no address of HTTP.
pub fn endpoint_of(base: &str) -> anyhow::Result<Url> {
    let told = "where traces are sent (--otlp-endpoint): give the collector's address, such as http://localhost:4318";
    let mut url = Url::parse(base).context(told)?;
    anyhow::ensure!(matches!(url.scheme(), "http" | "https") && url.has_host(), told);
    // Specification of the exporter: the path of the signal is appended to the base.
    let path = format!("{}/v1/traces", url.path().trim_end_matches('/'));
    url.set_path(&path);
    Ok(url)
}

/// Starts sending to a collector; gives what sees the spans.
///
/// # Errors
/// TLS cannot be set up.
pub fn start(collector: Url) -> anyhow::Result<(TraceLayer, Export)> {
    let client = reqwest::Client::builder()
        .timeout(WITHIN)
        .redirect(reqwest::redirect::Policy::none())
        .user_agent(concat!("Tankside/", env!("CARGO_PKG_VERSION"), " (traces)"))
        .build()?;
    let (ended, waiting) = mpsc::channel(MOST_WAITING);
    let (stop, stopping) = oneshot::channel();
    let sending = Sending { client, collector, instance: Uuid::now_v7(), told: None };
    let task = tokio::spawn(sending.send_all(waiting, stopping));
    ON.store(true, std::sync::atomic::Ordering::Relaxed);
    Ok((TraceLayer { ended, clock: Clock::system() }, Export { stop, task }))
}

struct Sending {
    client: reqwest::Client,
    collector: Url,
    instance: Uuid,
    told: Option<Instant>,
}

impl Sending {
    async fn send_all(mut self, mut waiting: mpsc::Receiver<Ended>, mut stopping: oneshot::Receiver<()>) {
        let mut spans = Vec::with_capacity(TOGETHER);
        loop {
            tokio::select! {
                biased;
                _ = &mut stopping => break,
                taken = waiting.recv_many(&mut spans, TOGETHER) => if taken == 0 { return },
            }
            tokio::select! {
                () = tokio::time::sleep(GATHERED_FOR) => {}
                _ = &mut stopping => break,
            }
            while spans.len() < TOGETHER
                && let Ok(span) = waiting.try_recv()
            {
                spans.push(span);
            }
            self.send(&spans).await;
            spans.clear();
        }
        while let Ok(span) = waiting.try_recv() {
            spans.push(span);
        }
        for spans in spans.chunks(TOGETHER) {
            self.send(spans).await;
        }
    }

    async fn send(&mut self, spans: &[Ended]) {
        let count = u64::try_from(spans.len()).unwrap_or(u64::MAX);
        let sent = self.client.post(self.collector.clone()).json(&self.request(spans)).send().await;
        match sent.and_then(reqwest::Response::error_for_status) {
            Ok(_) => metrics::counter!("tankside_traces_sent_total").increment(count),
            Err(error) => {
                metrics::counter!("tankside_traces_dropped_total", "why" => "collector").increment(count);
                if self.told.is_none_or(|told| told.elapsed() >= TOLD_EVERY) {
                    self.told = Some(Instant::now());
                    // The address may hold a password.
                    let error = error.without_url();
                    tracing::warn!(%error, "the collector does not take traces; they are dropped");
                }
            }
        }
    }

    /// `ExportTraceServiceRequest` in JSON: ids in hexadecimal, and numbers of 64 bits as texts.
    fn request(&self, spans: &[Ended]) -> Value {
        let spans: Vec<Value> = spans.iter().map(span).collect();
        let about = [
            ("service.name", Attribute::from("tankside")),
            ("service.version", env!("CARGO_PKG_VERSION").into()),
            ("service.instance.id", self.instance.to_string().as_str().into()),
        ];
        json!({"resourceSpans": [{
            "resource": {"attributes": attributes(&about)},
            "scopeSpans": [{
                "scope": {"name": "tankside", "version": env!("CARGO_PKG_VERSION")},
                "spans": spans,
            }],
        }]})
    }
}

fn span(span: &Ended) -> Value {
    let began = span.began_at.utc().timestamp_micros().max(0).unsigned_abs() * 1000;
    let mut told = json!({
        "traceId": format!("{:032x}", span.context.trace),
        "spanId": format!("{:016x}", span.context.span),
        "name": span.name,
        "kind": span.kind as i32,
        "startTimeUnixNano": began.to_string(),
        "endTimeUnixNano": began.saturating_add(span.took_ns).to_string(),
        "attributes": attributes(&span.attributes),
        // `Status.StatusCode`: 0 unset, 2 error.
        "status": if span.is_error { json!({"code": 2}) } else { json!({}) },
    });
    if let Some(parent) = span.parent {
        told["parentSpanId"] = format!("{parent:016x}").into();
    }
    told
}

fn attributes(attributes: &[(&'static str, Attribute)]) -> Value {
    let told = |(key, value): &(&'static str, Attribute)| {
        json!({"key": key, "value": match value {
            Attribute::Text(text) => json!({"stringValue": text}),
            Attribute::Number(number) => json!({"intValue": number.to_string()}),
        }})
    };
    attributes.iter().map(told).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_path_of_the_signal_is_appended() {
        // Specification "OpenTelemetry Protocol Exporter", section "Endpoint URLs for OTLP/HTTP", its examples.
        let of = |base: &str| endpoint_of(base).unwrap().to_string();
        assert_eq!(of("http://collector:4318"), "http://collector:4318/v1/traces");
        assert_eq!(of("http://collector:4318/"), "http://collector:4318/v1/traces");
        assert_eq!(of("https://example.com/mycollector/"), "https://example.com/mycollector/v1/traces");
        for wrong in ["", "collector:4318", "ftp://collector/", "/v1/traces"] {
            assert!(endpoint_of(wrong).is_err(), "{wrong}");
        }
    }
}
