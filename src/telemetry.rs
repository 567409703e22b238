//! Logs and counters. Logs go to standard error; standard output is for what the caller asked for.

use std::io::IsTerminal as _;

use metrics_exporter_prometheus::{Matcher, PrometheusBuilder, PrometheusHandle};
use tracing_subscriber::EnvFilter;

use crate::config::LogFormat;

/// Bounds in seconds between which durations are counted.
const SECONDS: &[f64] =
    &[0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0];

/// Bounds between which numbers of acts are counted.
const ACTS: &[f64] = &[1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0];

/// Starts writing the log.
///
/// # Errors
/// The filter is not one, or a log was started before.
pub fn start_log(filter: &str, format: LogFormat) -> anyhow::Result<()> {
    let filter = EnvFilter::try_new(filter)?;
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    let started = match format {
        LogFormat::Human => log.with_ansi(std::io::stderr().is_terminal()).try_init(),
        LogFormat::Json => log.json().flatten_event(true).try_init(),
    };
    started.map_err(|error| anyhow::anyhow!("the log cannot be started: {error}"))
}

/// Starts counting; `None` when counting was started before in this process.
pub fn start_metrics() -> Option<PrometheusHandle> {
    PrometheusBuilder::new()
        .set_buckets_for_metric(Matcher::Suffix("_seconds".to_owned()), SECONDS)
        .and_then(|builder| builder.set_buckets_for_metric(Matcher::Suffix("_acts".to_owned()), ACTS))
        .ok()?
        .install_recorder()
        .ok()
}
