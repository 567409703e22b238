//! A running service: the book opened, the writer at work, the interface listening.

use std::{net::SocketAddr, sync::Arc, time::Duration};

use anyhow::Context as _;
use metrics_exporter_prometheus::PrometheusHandle;
use rustix::process::{Resource, getrlimit};
use tokio::{net::TcpListener, sync::oneshot, task::JoinHandle};

use crate::{
    book::{
        Book,
        access::{
            device::Devices,
            key::{self, Secret},
            key_use::KeyUses,
        },
        writer::Writer,
    },
    clock::Clock,
    config::{Config, ListenAddress},
    domain::webhooks::address::EgressPolicy,
    http::{
        self, App,
        access::{auth::Limiter, failures::Failures},
        serve::{Limits, serve},
        tls::Tls,
    },
    scheduler::{self as watch, backups},
    store::Db,
    webhooks::{
        seal::SecretKeys,
        send::{Resolver, Sender, system_resolver},
        worker::{self, Working},
    },
};

/// How long the writer may take for what it has in hand: far longer than it ever does while the store can be written.
const WRITTEN_WITHIN: Duration = Duration::from_secs(30);

/// Connections to the listener for `/metrics`: a few that ask now and then.
const METRICS_CONNECTIONS: usize = 16;

/// How often what was counted is put together. What is only gathered, and asked for by nobody, would grow.
const METRICS_PUT_TOGETHER_EVERY: Duration = Duration::from_secs(5);

/// Open files besides those of connections: the store's, the log, and what webhooks are sent over.
const OTHER_FILES: u64 = 128;

/// A running service.
pub struct Running {
    /// Where it listens.
    pub address: SocketAddr,
    /// Where `/metrics` is told.
    pub metrics_address: Option<SocketAddr>,
    /// Its certificate, where it speaks TLS.
    pub tls: Option<Tls>,
    /// The first manager's key, when the store was new.
    pub first_key: Option<Secret>,
    app: App,
    stop: oneshot::Sender<()>,
    serving: JoinHandle<usize>,
    telling_metrics: Option<ToldMetrics>,
    copying: Option<JoinHandle<()>>,
    writing: JoinHandle<()>,
    watching: JoinHandle<()>,
    telling: Working,
}

/// The listener for `/metrics`, and the task that puts together what was counted.
struct ToldMetrics {
    stop: oneshot::Sender<()>,
    serving: JoinHandle<usize>,
    upkeep: Option<JoinHandle<()>>,
}

/// Opens the book and starts serving it.
///
/// # Errors
/// The store cannot be opened or is served by another process, or the address cannot be taken.
pub async fn start(
    config: &Config,
    clock: Clock,
    metrics: Option<PrometheusHandle>,
) -> anyhow::Result<Running> {
    start_with(config, clock, metrics, &system_resolver()).await
}

/// Sockets that listen already and are served instead of new ones.
#[derive(Debug, Default)]
pub struct Listeners {
    /// For the service.
    pub service: Option<std::net::TcpListener>,
    /// For `/metrics`.
    pub metrics: Option<std::net::TcpListener>,
}

/// The same on sockets that the system handed over, where there are any.
///
/// # Errors
/// As [`start`].
pub async fn start_on(
    listeners: Listeners,
    config: &Config,
    clock: Clock,
    metrics: Option<PrometheusHandle>,
) -> anyhow::Result<Running> {
    start_all(listeners, config, clock, metrics, &system_resolver()).await
}

/// The same with another way to resolve the names of webhooks' receivers.
///
/// # Errors
/// As [`start`].
pub async fn start_with(
    config: &Config,
    clock: Clock,
    metrics: Option<PrometheusHandle>,
    names: &Resolver,
) -> anyhow::Result<Running> {
    start_all(Listeners::default(), config, clock, metrics, names).await
}

/// A listener on the socket that was handed over, else on the address that is wanted.
async fn listen_on(
    handed_over: Option<std::net::TcpListener>,
    wanted: &ListenAddress,
    what: &str,
) -> anyhow::Result<TcpListener> {
    match handed_over {
        Some(socket) => Ok(TcpListener::from_std(socket)?),
        None => TcpListener::bind(wanted.resolve().await?.as_slice())
            .await
            .with_context(|| format!("cannot listen on {wanted}{what}")),
    }
}

async fn start_all(
    listeners: Listeners,
    config: &Config,
    clock: Clock,
    metrics: Option<PrometheusHandle>,
    names: &Resolver,
) -> anyhow::Result<Running> {
    // Before the store: a certificate that cannot be used is found at once.
    let tls = config.tls.clone().map(Tls::open).transpose()?;
    let acceptor = tls.as_ref().map(Tls::acceptor).transpose()?;
    let db = Db::serve_alone(&config.database_url).await?;
    let listener = listen_on(listeners.service, &config.listen, "").await?;
    let address = listener.local_addr()?;
    let metrics_listener = match (listeners.metrics, &config.metrics_listen) {
        (None, None) => None,
        (Some(socket), None) => Some(TcpListener::from_std(socket)?),
        (socket, Some(wanted)) => Some(listen_on(socket, wanted, " for /metrics").await?),
    };
    let metrics_address = metrics_listener.as_ref().map(TcpListener::local_addr).transpose()?;
    let reach = Arc::new(EgressPolicy::new(config.webhook_allow.clone()));
    let sender = Sender::new(reach.clone(), names)?;
    let secret_keys = Arc::new(SecretKeys::read(config.secrets_key_file.as_deref()));
    if let Some(trouble) = secret_keys.trouble() {
        tracing::error!("webhooks' secrets can be neither read nor made: {trouble}");
    }
    // Only now that nothing else can fail: the key is shown this once.
    let first_key = key::first_key(&db, clock.now()).await?;
    let (writer, writing) = Writer::start(&db, &clock);
    let limiter = config.rate_limit_per_minute.map(Limiter::new);
    let failures = config.failures_per_minute.map(Failures::new);
    let book = Book { db, writer, clock, devices: Devices::default(), key_uses: KeyUses::default() };
    let telling = worker::start(book.clone(), sender, secret_keys.clone());
    let watching = watch::start(book.clone());
    let copying = config.backups.clone();
    let copying = copying.map(|plan| backups::start(config.database_url.clone(), plan, book.clock.clone()));
    let (backups, copying) = copying.unzip();
    let mut app = App::new(book, reach, secret_keys, limiter, failures);
    app.metrics_hosts = config.metrics_hosts.clone().into();
    app.metrics = metrics;
    app.backups = backups;
    app.known_keys.read_anew(&app.book.db).await?;
    let router = http::router(app.clone(), &config.cors_origins);
    let (stop, stopped) = oneshot::channel::<()>();
    let limits = within_files(config.limits);
    let serving = tokio::spawn(serve(listener, acceptor, router, limits, stopped));
    let telling_metrics = metrics_listener.map(|listener| tell_metrics(listener, app.clone(), limits));
    Ok(Running {
        address,
        metrics_address,
        tls,
        first_key,
        app,
        stop,
        serving,
        telling_metrics,
        copying,
        writing,
        watching,
        telling,
    })
}

/// Serves `/metrics`.
fn tell_metrics(listener: TcpListener, app: App, limits: Limits) -> ToldMetrics {
    let upkeep = app.metrics.clone().map(|metrics| {
        tokio::spawn(async move {
            loop {
                tokio::time::sleep(METRICS_PUT_TOGETHER_EVERY).await;
                metrics.run_upkeep();
            }
        })
    });
    let limits = Limits { connections: METRICS_CONNECTIONS, ..limits };
    let (stop, stopped) = oneshot::channel::<()>();
    let serving = tokio::spawn(serve(listener, None, http::metrics_router(app), limits, stopped));
    ToldMetrics { stop, serving, upkeep }
}

/// Not more connections than the system gives files for.
fn within_files(limits: Limits) -> Limits {
    let Some(files) = getrlimit(Resource::Nofile).current else { return limits };
    let room = usize::try_from(files.saturating_sub(OTHER_FILES)).unwrap_or(usize::MAX).max(1);
    if room >= limits.connections {
        return limits;
    }
    tracing::warn!(
        "there may be {files} open files (ulimit -n), so at most {room} connections are taken at once"
    );
    Limits { connections: room, ..limits }
}

impl Running {
    /// The beginning of addresses under which it answers.
    pub fn base(&self) -> String {
        let scheme = if self.tls.is_some() { "https" } else { "http" };
        format!("{scheme}://{}", self.address)
    }

    /// Looks at once for what time brought about, as the service does by itself a few times a minute.
    ///
    /// # Errors
    /// The store fails.
    pub async fn look_round(&self) -> Result<(), watch::RoundError> {
        watch::rechecks::finish(&self.app.book).await?;
        Box::pin(watch::Rounds::default().look(&self.app.book)).await
    }

    /// The open database, for tests that count statements.
    pub fn db(&self) -> &Db {
        &self.app.book.db
    }

    /// From now on nothing happens by the clock alone, for tests that count statements.
    pub fn stop_clockwork(&self) {
        self.watching.abort();
        self.telling.abort();
    }

    /// Stops: takes no new connections, answers what is under way, writes what waits, closes the store. Requests
    /// that take longer than they may are cut off; what the writer was handed of them is written all the same.
    ///
    /// # Errors
    /// The listener ended badly.
    pub async fn stop(self) -> anyhow::Result<()> {
        let Self { app, stop, serving, telling_metrics, copying, writing, watching, telling, .. } = self;
        app.stop();
        // What the writer has in hand of a round is written all the same; the rest is due again.
        watching.abort();
        let _ = watching.await;
        // A copy that is half made has no name, and goes.
        if let Some(copying) = copying {
            copying.abort();
            let _ = copying.await;
        }
        let _ = stop.send(());
        let (cut_off, ()) = tokio::join!(serving, telling.end());
        match cut_off? {
            0 => {}
            cut_off => tracing::warn!(cut_off, "connections were still open when the time to stop was over"),
        }
        if let Some(ToldMetrics { stop, serving, upkeep }) = telling_metrics {
            let _ = stop.send(());
            let _ = serving.await;
            if let Some(upkeep) = upkeep {
                upkeep.abort();
            }
        }
        if let Err(trouble) = watch::end(&app.book).await {
            tracing::warn!(%trouble, "which devices were seen last is not written");
        }
        let db = app.book.db.clone();
        // The writer ends when the last handle to it is gone.
        drop(app);
        if tokio::time::timeout(WRITTEN_WITHIN, writing).await.is_err() {
            tracing::warn!("the writer did not end");
        }
        db.close().await;
        Ok(())
    }
}
