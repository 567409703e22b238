//! Opening a database, bringing its tables up to date, and starting transactions.

use std::{
    fs::{File, TryLockError},
    path::{Path, PathBuf},
    str::FromStr as _,
    sync::Arc,
    time::Duration,
};

use sqlx::{
    PgPool, SqlitePool,
    migrate::Migrator,
    postgres::{PgConnectOptions, PgPoolOptions},
    sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous},
};

use super::{Error, Result, Tx};

static SQLITE: Migrator = sqlx::migrate!("migrations/sqlite");
static POSTGRES: Migrator = sqlx::migrate!("migrations/postgres");

/// The first SQLite without the fault that could corrupt a write-ahead log (sqlite.org/wal.html,
/// "WAL-reset bug"); the one that is built in must not be older.
const SQLITE_AT_LEAST: (u32, u32, u32) = (3, 51, 3);

/// How long a connection waits for another process that is writing the same file.
const BUSY_WAIT: Duration = Duration::from_secs(10);

/// Connections for reading. Writing has one of its own, so reads never wait for it.
const READERS: u32 = 8;

/// An open database.
#[derive(Clone, Debug)]
pub enum Db {
    /// The embedded store: one connection writes, others read.
    Sqlite {
        /// Read-only connections.
        read: SqlitePool,
        /// The one writing connection.
        write: SqlitePool,
        /// Held for as long as the database is being served; see [`Db::serve_alone`].
        lock: Option<Arc<File>>,
    },
    /// A PostgreSQL server.
    Postgres(PgPool),
}

impl Db {
    /// Opens `sqlite://FILE` or `postgres://...` and brings its tables up to date.
    ///
    /// # Errors
    /// The address is of neither kind, the store cannot be opened, or it was written by a newer
    /// Tankside than this.
    pub async fn open(url: &str) -> Result<Self> {
        if url.starts_with("sqlite:") {
            Self::open_sqlite(url, None).await
        } else if url.starts_with("postgres:") || url.starts_with("postgresql:") {
            Self::open_postgres(url).await
        } else {
            Err(Error::Unusable(
                "the database address must begin with sqlite:// or postgres://, \
                 such as sqlite://tankside.db or postgres://user@host/tankside"
                    .to_owned(),
            ))
        }
    }

    /// Like [`Db::open`], for a process that serves the store. Of an embedded store there may be
    /// only one at a time, because its writer task puts all writes in order; short commands such
    /// as `key create` may work beside it.
    ///
    /// # Errors
    /// As [`Db::open`]; and [`Error::Unusable`] when another process is serving the file.
    pub async fn serve_alone(url: &str) -> Result<Self> {
        if !url.starts_with("sqlite:") {
            return Self::open(url).await;
        }
        let file = SqliteConnectOptions::from_str(url)?.get_filename().to_owned();
        Self::open_sqlite(url, Some(lock(&file)?)).await
    }

    /// Like [`Db::open`], for a store that must be there: a mistyped path is told, not made a new store.
    ///
    /// # Errors
    /// As [`Db::open`]; and [`Error::Unusable`] when there is no such file.
    pub async fn open_existing(url: &str) -> Result<Self> {
        must_exist(url)?;
        Self::open(url).await
    }

    /// Like [`Db::open_existing`], for long writing: of an embedded store only while no process serves it,
    /// and none can until it is closed.
    ///
    /// # Errors
    /// As [`Db::open_existing`] and [`Db::serve_alone`].
    pub async fn alone_in(url: &str) -> Result<Self> {
        must_exist(url)?;
        Self::serve_alone(url).await
    }

    async fn open_sqlite(url: &str, lock: Option<Arc<File>>) -> Result<Self> {
        let options = sqlite_options(url)?;
        let write = sqlite_writer(&options).await?;
        SQLITE.run(&write).await?;
        let read = SqlitePoolOptions::new()
            .max_connections(READERS)
            .connect_with(options.create_if_missing(false).read_only(true))
            .await?;
        Ok(Self::Sqlite { read, write, lock })
    }

    async fn open_postgres(url: &str) -> Result<Self> {
        let options = PgConnectOptions::from_str(url)?
            .application_name("tankside")
            .options([("default_transaction_isolation", "read committed"), ("synchronous_commit", "on")]);
        let pool = PgPoolOptions::new()
            .max_connections(READERS + 2)
            .acquire_timeout(Duration::from_secs(5))
            .connect_with(options)
            .await?;
        POSTGRES.run(&pool).await?;
        Ok(Self::Postgres(pool))
    }

    /// A transaction that sees one moment of the database and changes nothing.
    pub async fn read(&self) -> Result<Tx> {
        Ok(match self {
            Self::Sqlite { read, .. } => Tx::Sqlite(read.begin().await?),
            Self::Postgres(pool) => {
                Tx::Postgres(pool.begin_with("begin isolation level repeatable read, read only").await?)
            }
        })
    }

    /// A transaction that may change the database.
    pub async fn write(&self) -> Result<Tx> {
        Ok(match self {
            // Takes the write lock at once: a reader that turns writer later can fail.
            Self::Sqlite { write, .. } => Tx::Sqlite(write.begin_with("begin immediate").await?),
            Self::Postgres(pool) => Tx::Postgres(pool.begin().await?),
        })
    }

    /// Replaces the writing connection after a commit of unknown outcome: SQLite promises nothing
    /// about a connection whose sync failed, only about what a new one finds in the file.
    pub async fn reopen_writer(&mut self) -> Result<()> {
        if let Self::Sqlite { write, .. } = self {
            write.close().await;
            *write = sqlite_writer(&write.connect_options()).await?;
        }
        Ok(())
    }

    /// Closes every connection; an embedded store folds its log into the file.
    pub async fn close(&self) {
        match self {
            Self::Sqlite { read, write, .. } => {
                read.close().await;
                write.close().await;
            }
            Self::Postgres(pool) => pool.close().await,
        }
    }
}

fn must_exist(url: &str) -> Result<()> {
    if url.starts_with("sqlite:") {
        let options = SqliteConnectOptions::from_str(url)?;
        let file = options.get_filename();
        if !file.exists() {
            return Err(Error::Unusable(format!("there is no store {}", file.display())));
        }
    }
    Ok(())
}

fn sqlite_options(url: &str) -> Result<SqliteConnectOptions> {
    Ok(SqliteConnectOptions::from_str(url)?
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        // NORMAL would lose answered withdrawals in a power cut.
        .synchronous(SqliteSynchronous::Full)
        .foreign_keys(true)
        .busy_timeout(BUSY_WAIT))
}

/// Connects for writing and reads back that the store gives what the ledger relies on.
async fn sqlite_writer(options: &SqliteConnectOptions) -> Result<SqlitePool> {
    let pool = SqlitePoolOptions::new()
        .max_connections(1)
        .idle_timeout(None)
        .max_lifetime(None)
        .connect_with(options.clone())
        .await?;
    let version: String = sqlx::query_scalar("select sqlite_version()").fetch_one(&pool).await?;
    let journal: String = sqlx::query_scalar("pragma journal_mode").fetch_one(&pool).await?;
    let synchronous: i64 = sqlx::query_scalar("pragma synchronous").fetch_one(&pool).await?;
    let foreign_keys: i64 = sqlx::query_scalar("pragma foreign_keys").fetch_one(&pool).await?;
    if parse_version(&version) < Some(SQLITE_AT_LEAST) {
        return Err(Error::Unusable(format!("the built-in SQLite {version} is too old to be safe")));
    }
    if (journal.as_str(), synchronous, foreign_keys) != ("wal", 2, 1) {
        return Err(Error::Unusable(format!(
            "the store does not keep what the ledger needs (journal {journal}, synchronous {synchronous}, \
             foreign keys {foreign_keys}); put it on a local disk, not on a network share"
        )));
    }
    Ok(pool)
}

fn parse_version(text: &str) -> Option<(u32, u32, u32)> {
    let mut parts = text.split('.').map(|part| part.parse().ok());
    Some((parts.next()??, parts.next()??, parts.next()??))
}

/// Takes the lock file beside `database`; the system lets go of it when the process ends, however it ends.
fn lock(database: &Path) -> Result<Arc<File>> {
    let path = PathBuf::from(format!("{}.lock", database.display()));
    let unusable = |why: &dyn std::fmt::Display| Error::Unusable(format!("{}: {why}", path.display()));
    let file =
        File::options().create(true).truncate(false).write(true).open(&path).map_err(|e| unusable(&e))?;
    match file.try_lock() {
        Ok(()) => Ok(Arc::new(file)),
        Err(TryLockError::WouldBlock) => Err(Error::Unusable(format!(
            "{} is being served by another Tankside process; stop that one first, or give this one \
             another file or a PostgreSQL database, which several processes may share",
            database.display()
        ))),
        Err(TryLockError::Error(e)) => Err(unusable(&e)),
    }
}
