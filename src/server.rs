//! A running service: the book opened, the writer at work, the interface listening.

use std::{net::SocketAddr, sync::Arc, time::Duration};

use anyhow::Context as _;
use metrics_exporter_prometheus::PrometheusHandle;
use tokio::{net::TcpListener, sync::oneshot, task::JoinHandle};

use crate::{
    book::{
        Book,
        access::key::{self, Secret},
        writer::Writer,
    },
    clock::Clock,
    config::Config,
    domain::webhooks::address::EgressPolicy,
    http::{self, App, access::auth::Limiter},
    scheduler as watch,
    store::Db,
    webhooks::{
        send::{Resolver, Sender, system_resolver},
        worker::{self, Working},
    },
};

/// How long requests under way may take after the service was told to stop.
const DRAIN: Duration = Duration::from_secs(30);

/// A running service.
pub struct Running {
    /// Where it listens.
    pub address: SocketAddr,
    /// The first manager's key, when the store was new.
    pub first_key: Option<Secret>,
    app: App,
    stop: oneshot::Sender<()>,
    serving: JoinHandle<std::io::Result<()>>,
    writing: JoinHandle<()>,
    watching: JoinHandle<()>,
    telling: Working,
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
    let db = Db::serve_alone(&config.database_url).await?;
    let listener = TcpListener::bind(config.listen)
        .await
        .with_context(|| format!("cannot listen on {}", config.listen))?;
    let address = listener.local_addr()?;
    let reach = Arc::new(EgressPolicy::new(config.webhook_allow.clone()));
    let sender = Sender::new(reach.clone(), names)?;
    let pages = http::docs::Pages::of_this_program()?;
    // Only now that nothing else can fail: the key is shown this once.
    let first_key = key::first_key(&db, clock.now()).await?;
    let (writer, writing) = Writer::start(db.clone(), clock.clone());
    let limiter = config.rate_limit_per_minute.map(Limiter::new);
    let book = Book { db, writer, clock };
    let telling = worker::start(book.clone(), sender);
    let watching = watch::start(book.clone());
    let app = App::new(book, reach, limiter, metrics, pages);
    let router = http::router(app.clone());
    let (stop, stopped) = oneshot::channel::<()>();
    let serving = tokio::spawn(async move {
        axum::serve(listener, router)
            .with_graceful_shutdown(async move {
                let _ = stopped.await;
            })
            .await
    });
    Ok(Running { address, first_key, app, stop, serving, writing, watching, telling })
}

impl Running {
    /// Looks at once for what time brought about, as the service does by itself a few times a minute.
    ///
    /// # Errors
    /// The store fails.
    pub async fn look_round(&self) -> Result<(), watch::RoundError> {
        watch::Rounds::default().look(&self.app.book).await
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

    /// Stops: takes no new connections, answers what is under way, writes what waits, closes the store.
    ///
    /// # Errors
    /// The listener or the writer ended badly.
    pub async fn stop(self) -> anyhow::Result<()> {
        let Self { app, stop, serving, writing, watching, telling, .. } = self;
        app.stop();
        // What the writer has in hand of a round is written all the same; the rest is due again.
        watching.abort();
        let _ = watching.await;
        let _ = stop.send(());
        if let Ok(served) = tokio::time::timeout(DRAIN, serving).await {
            served??;
        } else {
            tracing::warn!("requests were still under way after {} s", DRAIN.as_secs());
        }
        telling.end().await;
        let db = app.book.db.clone();
        // The writer ends when the last handle to it is gone.
        drop(app);
        if tokio::time::timeout(DRAIN, writing).await.is_err() {
            tracing::warn!("the writer did not end");
        }
        db.close().await;
        Ok(())
    }
}
