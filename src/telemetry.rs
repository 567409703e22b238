//! Logs and counters. Logs go to standard error; standard output is for what the caller asked for.

use std::{io::IsTerminal as _, sync::Arc};

use metrics_exporter_prometheus::{Matcher, PrometheusBuilder, PrometheusHandle};
use tracing_subscriber::{
    EnvFilter, Layer as _,
    filter::{LevelFilter, filter_fn},
    fmt,
    layer::SubscriberExt as _,
    registry, reload,
    util::SubscriberInitExt as _,
};

use crate::{config::LogFormat, traces::TraceLayer};

/// Bounds in seconds between which durations are counted.
const SECONDS: &[f64] =
    &[0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0];

/// Bounds between which numbers of acts are counted.
const ACTS: &[f64] = &[1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0];

/// What the log lets through.
///
/// # Errors
/// It is no filter. What the library would take for a module without a level, such as a mistyped level, is refused:
/// it would silence the log.
pub fn filter(text: &str) -> anyhow::Result<EnvFilter> {
    let is_one =
        |part: &str| part.contains(['=', '[']) || (!part.is_empty() && part.parse::<LevelFilter>().is_ok());
    // Commas within [...] part fields of a span; who writes these knows what a module is.
    let bare = text.split(',').map(str::trim).find(|part| !text.contains('[') && !is_one(part));
    let parsed = EnvFilter::try_new(text);
    let wrong = match (bare, parsed) {
        (None, Ok(filter)) => return Ok(filter),
        (Some(bare), _) => format!("{bare:?} is no level"),
        (None, Err(_)) => format!("{text:?} is no filter"),
    };
    anyhow::bail!(
        "what is to be logged (--log): {wrong}; give off, error, warn, info, debug or trace, or modules with a level, \
         such as info,tankside=debug"
    )
}

/// The log, whose filter may be changed.
#[derive(Clone)]
pub struct Log(Arc<dyn Fn(EnvFilter) -> Result<(), reload::Error> + Send + Sync>);

impl Log {
    /// From now on lets through what `text` says.
    ///
    /// # Errors
    /// It is no filter.
    pub fn let_through(&self, text: &str) -> anyhow::Result<()> {
        Ok((self.0)(filter(text)?)?)
    }
}

/// Starts writing the log, and handing spans over to the traces where there are any.
///
/// # Errors
/// The filter is not one, or a log was started before.
pub fn start_log(text: &str, format: LogFormat, traces: Option<TraceLayer>) -> anyhow::Result<Log> {
    let (filter, handle) = reload::Layer::new(filter(text)?);
    let lines = fmt::layer().with_writer(std::io::stderr).with_ansi(std::io::stderr().is_terminal());
    let lines = match format {
        LogFormat::Human => lines.boxed(),
        LogFormat::Json => lines.json().flatten_event(true).with_ansi(false).boxed(),
    };
    // Which spans are exported is not for the log's filter to say.
    let is_ours = filter_fn(|about| about.is_span() && about.target().starts_with("tankside"));
    let started = registry()
        .with(lines.with_filter(filter))
        .with(traces.map(|traces| traces.with_filter(is_ours)))
        .try_init();
    started.map_err(|error| anyhow::anyhow!("the log cannot be started: {error}"))?;
    Ok(Log(Arc::new(move |filter| handle.reload(filter))))
}

/// What is counted, as a `# HELP` line tells it.
const HISTOGRAMS: &[(&str, &str)] = &[
    ("tankside_http_request_seconds", "Time to the answer of requests, by method, route and status"),
    (
        "tankside_store_statement_seconds",
        "Time of statements in the store, by the part of the store they stand in",
    ),
    (
        "tankside_store_begin_seconds",
        "Time to begin a transaction, the wait for a connection included: to read, to look up a key, to write",
    ),
    ("tankside_writer_wait_seconds", "Time that commands waited for the writer"),
    ("tankside_writer_batch_acts", "Commands that share a commit"),
    ("tankside_writer_commit_seconds", "Time of commits: what a command waits for its disk"),
    ("tankside_backup_seconds", "Time that copies of the store took that are made by themselves"),
    ("tankside_webhook_attempt_seconds", "Time of attempts to deliver to a webhook"),
];

const COUNTERS: &[(&str, &str)] = &[
    (
        "tankside_auth_failures_total",
        "Requests without a good key, by why: missing, garbled, unknown, revoked, expired, replaced, limited",
    ),
    (
        "tankside_backups_total",
        "Copies of the store that were to be made by themselves, by outcome: made, failed",
    ),
    ("tankside_connections_refused_total", "Connections beyond the most that there may be"),
    (
        "tankside_traces_dropped_total",
        "Spans that were not exported, by why: queue (too many waited), collector (it did not take them)",
    ),
    ("tankside_traces_sent_total", "Spans that the collector took"),
    ("tankside_webhook_attempts_total", "Attempts to deliver to a webhook, by outcome"),
];

const GAUGES: &[(&str, &str)] = &[
    ("tankside_backup_failing", "1 while the last copy that was to be made by itself was not, else 0"),
    ("tankside_backup_last_timestamp_seconds", "When the last good copy was made, in seconds since 1970"),
    ("tankside_build_info", "1, with the version of the program"),
    ("tankside_store_bytes", "Bytes of an embedded store: its file (book) and the log beside it"),
    ("tankside_writer_waiting_acts", "Commands that wait for the writer; it takes up to 4096"),
    ("tankside_writer_sound", "1 while the store can be written, else 0"),
    ("tankside_webhook_waiting_deliveries", "Deliveries that wait"),
    ("tankside_webhook_oldest_waiting_seconds", "How long the oldest of them has waited"),
];

/// Starts counting; `None` when counting was started before in this process.
pub fn start_metrics() -> Option<PrometheusHandle> {
    let handle = PrometheusBuilder::new()
        .set_buckets_for_metric(Matcher::Suffix("_seconds".to_owned()), SECONDS)
        .and_then(|builder| builder.set_buckets_for_metric(Matcher::Suffix("_acts".to_owned()), ACTS))
        .ok()?
        .install_recorder()
        .ok()?;
    for (name, help) in HISTOGRAMS {
        metrics::describe_histogram!(*name, *help);
    }
    for (name, help) in COUNTERS {
        metrics::describe_counter!(*name, *help);
    }
    for (name, help) in GAUGES {
        metrics::describe_gauge!(*name, *help);
    }
    Some(handle)
}
