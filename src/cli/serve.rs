//! `tankside serve`: starts the service, tells where it is, and does what signals ask for.

use std::{path::Path, process::ExitCode};

use anyhow::Context as _;
use tankside::{
    clock::Clock,
    config::Settings,
    http::tls::{LOOKED_AT_EVERY, Tls},
    server,
    store::folder_of,
    telemetry::{self, Log},
    traces,
};
use tokio::{
    signal::unix::{SignalKind, signal},
    task::JoinHandle,
};

use crate::cli::sockets;

/// Serves until it is told to stop. `unknown` is what the log begins with.
pub async fn run(settings: Settings, unknown: &[String]) -> anyhow::Result<ExitCode> {
    let config = settings.clone().resolve()?;
    let listeners = sockets::handed_over()?;
    let (layer, export) = config.otlp_endpoint.clone().map(traces::start).transpose()?.unzip();
    let log = telemetry::start_log(&config.log, config.log_format, layer)?;
    for unknown in unknown {
        tracing::warn!("{unknown}");
    }
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    // Before the key is made, which can be shown only once.
    let key_file = config.first_key_file.as_deref().map(KeyFile::prepare).transpose()?;
    // Nothing is counted that nobody can ask for.
    let can_be_asked = config.metrics_listen.is_some() || listeners.metrics.is_some();
    let metrics = can_be_asked.then(telemetry::start_metrics).flatten();
    let running = server::start_on(listeners, &config, Clock::system(), metrics).await?;
    // Before it says that it is ready: who heard that may ask it to read again.
    let reading_again = read_again(settings, log, running.tls.clone())?;
    let mut ready = serde_json::json!({"listening": running.base()});
    if let Some(address) = running.metrics_address {
        ready["metrics"] = format!("http://{address}/metrics").into();
    }
    match (&running.first_key, key_file) {
        (None, _) => {}
        (Some(key), None) => ready["first_key"] = key.reveal().into(),
        (Some(key), Some(file)) => ready["first_key_file"] = file.write(key.reveal())?.into(),
    }
    println!("{ready}");
    tracing::info!(address = %running.address, "ready");
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
    reading_again.abort();
    tracing::info!("stopping");
    running.stop().await?;
    tracing::info!("stopped");
    if let Some(export) = export {
        export.end().await;
    }
    Ok(ExitCode::SUCCESS)
}

/// On SIGHUP reads the certificate and the filter of the log again; the certificate also when its files change.
fn read_again(settings: Settings, log: Log, tls: Option<Tls>) -> anyhow::Result<JoinHandle<()>> {
    let mut asked = signal(SignalKind::hangup())?;
    let mut next = tokio::time::interval(LOOKED_AT_EVERY);
    Ok(tokio::spawn(async move {
        loop {
            tokio::select! {
                _ = asked.recv() => {
                    read_log_filter(settings.clone(), &log);
                    if let Some(tls) = &tls {
                        tls.reload();
                    }
                }
                _ = next.tick() => {
                    if let Some(tls) = &tls {
                        tls.reload_if_changed();
                    }
                }
            }
        }
    }))
}

/// What was given by flag or environment goes before the file as it did at the start.
fn read_log_filter(settings: Settings, log: &Log) {
    let again = settings.resolve().map_err(Into::into);
    match again.and_then(|config| log.let_through(&config.log).map(|()| config)) {
        Ok(config) => tracing::info!(filter = config.log, "what is logged was read again"),
        Err(error) => tracing::error!("what is logged stays as it is: {error:#}"),
    }
}

/// A file for the first key, in which nobody else can read. What stood there was the key of a book that is gone.
struct KeyFile<'p> {
    part: tempfile::NamedTempFile,
    path: &'p Path,
}

impl<'p> KeyFile<'p> {
    fn prepare(path: &'p Path) -> anyhow::Result<Self> {
        let folder = folder_of(path);
        let part = tempfile::NamedTempFile::new_in(folder)
            .with_context(|| format!("the first key cannot be written into {}", folder.display()))?;
        Ok(Self { part, path })
    }

    /// Writes the key; gives where.
    fn write(mut self, key: &str) -> anyhow::Result<String> {
        use std::io::Write as _;
        writeln!(self.part, "{key}")?;
        self.part.as_file().sync_all()?;
        self.part.persist(self.path)?;
        Ok(self.path.display().to_string())
    }
}
