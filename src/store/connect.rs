//! Opening a database, bringing its tables up to date, and starting transactions.

use std::{
    fs::{File, TryLockError},
    path::{Path, PathBuf},
    str::FromStr as _,
    sync::{Arc, atomic::Ordering},
    time::Duration,
};

use sqlx::{
    Connection as _, PgConnection, PgPool, Postgres, SqlitePool, Transaction,
    migrate::Migrator,
    postgres::{PgConnectOptions, PgPoolOptions},
    sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous},
};
use tokio::sync::Notify;

use crate::store::{
    Error, Result, Tx,
    db::{self, Connection, Shared, Timed},
    private, unreachable,
    webhooks::bell::Bell,
};

static SQLITE: Migrator = sqlx::migrate!("migrations/sqlite");
static POSTGRES: Migrator = sqlx::migrate!("migrations/postgres");

/// The first SQLite without the fault that could corrupt a write-ahead log (sqlite.org/wal.html,
/// "WAL-reset bug"); the one that is built in must not be older.
const SQLITE_AT_LEAST: (u32, u32, u32) = (3, 51, 3);

/// How long a connection waits for another process that is writing the same file.
const BUSY_WAIT: Duration = Duration::from_secs(10);

/// The log is cut back to this many bytes once a long read, such as a backup, no longer holds it.
const LOG_AT_MOST: &str = "67108864";

/// With less room than this many bytes on the disk the next writes may fail.
pub const LEAST_ROOM: u64 = 1 << 20;

/// Up to this size in bytes a file is looked through after a crash; a larger one would keep the service away too long.
pub const CHECKED_AT_MOST: u64 = 1 << 30;

/// How a transaction that only reads begins on a PostgreSQL server.
const READ_ONLY: &str = "begin isolation level repeatable read, read only";

/// How long a PostgreSQL server may take to answer a statement that reads, and one that writes: it is gone then, and what
/// it had in hand is tried on another connection.
const READ_WAIT: Duration = Duration::from_secs(30);
const WRITE_WAIT: Duration = Duration::from_secs(15);

/// How long a server may take to see its connections closed.
const CLOSED_WITHIN: Duration = Duration::from_secs(5);

/// Times how long it takes to begin a transaction, the wait for a free connection included.
fn beginning(kind: &'static str) -> Timed {
    Timed::start(metrics::histogram!("tankside_store_begin_seconds", "kind" => kind))
}

/// Connections for reading. Writing has one of its own, so reads never wait for it.
const READERS: u32 = 8;

/// Transactions that a process writes in on a PostgreSQL server at the same time, each in businesses of its own. More would
/// only wait for each other at the server's log.
const LANES: u32 = 4;

/// Connections for writing on a PostgreSQL server, and for looking up keys: reads, however many, never take one.
const WRITERS: u32 = LANES + 2;

/// An open database.
#[derive(Clone, Debug)]
pub struct Db {
    pools: Pools,
    shared: Arc<Shared>,
    /// Whether a server may take as long as it likes: whoever goes through a whole book asks what takes long.
    is_patient: bool,
}

#[derive(Clone, Debug)]
enum Pools {
    /// The embedded store: one connection writes, others read.
    Sqlite {
        /// Read-only connections.
        read: SqlitePool,
        /// The one writing connection.
        write: SqlitePool,
        /// Held for as long as the database is being served; see [`Db::serve_alone`].
        #[expect(dead_code, reason = "the file is locked until it is dropped")]
        lock: Option<Arc<Lock>>,
    },
    /// A PostgreSQL server.
    Postgres {
        /// For reading.
        read: PgPool,
        /// For writing and for what must never wait for readers.
        write: PgPool,
    },
}

impl From<Pools> for Db {
    fn from(pools: Pools) -> Self {
        Self { pools, shared: Arc::default(), is_patient: true }
    }
}

impl Db {
    /// Opens `sqlite://FILE` or `postgres://...`, makes the store when it is new, and brings its tables up to date.
    ///
    /// # Errors
    /// The address is of neither kind; the store cannot be opened, is damaged, is something else's, or was
    /// written by a newer Tankside than this.
    pub async fn open(url: &str) -> Result<Self> {
        match Kind::of(url)? {
            Kind::Sqlite => Self::open_sqlite(url, None).await,
            Kind::Postgres => Self::open_postgres(url).await,
        }
    }

    /// Like [`Db::open`], for a process that serves the store. Of an embedded store there may be
    /// only one at a time, because its writer task puts all writes in order; short commands such
    /// as `key create` may work beside it.
    ///
    /// # Errors
    /// As [`Db::open`]; and [`Error::Unusable`] when another process is serving the file.
    pub async fn serve_alone(url: &str) -> Result<Self> {
        match Kind::of(url)? {
            Kind::Sqlite => Self::open_sqlite(url, Some(lock(&sqlite_file(url)?)?)).await,
            Kind::Postgres => Self::open_postgres(url).await,
        }
    }

    /// Opens a store that is there, for a command that works in it, maybe beside the service. It makes
    /// nothing and migrates nothing: a mistyped path is not a new store.
    ///
    /// # Errors
    /// As [`Db::open`]; and when there is no store, or its tables are not of this program's version.
    pub async fn open_existing(url: &str) -> Result<Self> {
        must_be_current(url).await?;
        Self::open(url).await
    }

    /// Like [`Db::open_existing`], for long writing: of an embedded store only while no process serves it,
    /// and none can until it is closed.
    ///
    /// # Errors
    /// As [`Db::open_existing`] and [`Db::serve_alone`].
    pub async fn alone_in(url: &str) -> Result<Self> {
        must_be_current(url).await?;
        Self::serve_alone(url).await
    }

    /// Opens a store that is there for looking only, of whatever version its tables are; gives that too.
    ///
    /// # Errors
    /// As [`Db::open`]; and when there is no store.
    pub async fn look(url: &str) -> Result<(Self, i64)> {
        match Kind::of(url)? {
            Kind::Sqlite => Self::look_into(&sqlite_file(url)?).await,
            Kind::Postgres => {
                let options = postgres_options(url)?.options([("default_transaction_read_only", "on")]);
                let shared = Arc::default();
                let read = postgres_pool(options, READERS, &shared, Must::Answer).await?;
                let db =
                    Self { pools: Pools::Postgres { write: read.clone(), read }, shared, is_patient: true };
                match db.version().await? {
                    Some(version) => Ok((db, version)),
                    None => Err(Error::Absent(
                        "there is no book in this database; `tankside serve` makes one".to_owned(),
                    )),
                }
            }
        }
    }

    /// Opens an embedded store in a file for looking only.
    pub(super) async fn look_into(file: &Path) -> Result<(Self, i64)> {
        if !file.exists() {
            return Err(Error::Absent(format!(
                "there is no store at {}; `tankside serve` makes one, `tankside restore` brings one back",
                file.display()
            )));
        }
        let look = async {
            let db = Self::only_reading(SqliteConnectOptions::new().filename(file)).await?;
            let version = db.version().await?;
            Ok((db, version))
        };
        match look.await.map_err(|error| damaged(file, error))? {
            (db, Some(version)) => Ok((db, version)),
            (_, None) => Err(not_ours(file)),
        }
    }

    async fn only_reading(options: SqliteConnectOptions) -> Result<Self> {
        let options = options.read_only(true).busy_timeout(BUSY_WAIT);
        let read = SqlitePoolOptions::new().max_connections(1).connect_with(options).await?;
        Ok(Pools::Sqlite { write: read.clone(), read, lock: None }.into())
    }

    async fn open_sqlite(url: &str, lock: Option<Arc<Lock>>) -> Result<Self> {
        let file = sqlite_file(url)?;
        // Before anything is written to it.
        look_first(&file, lock.is_some()).await.map_err(|error| damaged(&file, error))?;
        private::keep(&file)?;
        let open = async {
            let options = sqlite_options(url)?;
            let write = sqlite_writer(&options).await?;
            let read = SqlitePoolOptions::new()
                .max_connections(READERS)
                .connect_with(options.create_if_missing(false).read_only(true))
                .await?;
            SQLITE.run(&write).await?;
            Ok(Pools::Sqlite { read, write, lock }.into())
        };
        open.await.map_err(|error| damaged(&file, error))
    }

    async fn open_postgres(url: &str) -> Result<Self> {
        let options = postgres_options(url)?;
        // What the writer asks names its rows by key, so one plan serves; planning anew costs more than the statement.
        let writing = options.clone().options([("plan_cache_mode", "force_generic_plan")]);
        // Who stops in the middle of a transaction, because its machine does, must not keep others out of a business.
        let writing = writing.options([("idle_in_transaction_session_timeout", "10s")]);
        let shared = Arc::default();
        let write = postgres_pool(writing, WRITERS, &shared, Must::BeWritable).await?;
        let read = postgres_pool(options.clone(), READERS, &shared, Must::BeWritable).await?;
        let db = Self { pools: Pools::Postgres { read, write }, shared, is_patient: false };
        // Says so when a newer program wrote it.
        db.version().await?;
        // A process that starts at the same time may have to wait long for this one.
        let mut migrating = PgConnection::connect_with(&options).await?;
        POSTGRES.run(&mut migrating).await?;
        migrating.close().await?;
        Ok(db)
    }

    /// The version of the store's tables; `None` when there are none of ours.
    async fn version(&self) -> Result<Option<i64>> {
        let mut tx = self.read().await?;
        let noted = tx
            .sql_for(
                "select count(*) from sqlite_schema where name = '_sqlx_migrations'",
                "select count(*) from pg_class where oid = to_regclass('_sqlx_migrations')",
            )
            .value::<i64>()
            .await?;
        if noted != Some(1) {
            return Ok(None);
        }
        let ours = tx
            .sql("select count(*) from _sqlx_migrations where version = 1 and description = 'book of straws'")
            .value::<i64>()
            .await?;
        if ours != Some(1) {
            return Ok(None);
        }
        let version =
            tx.sql("select max(version) from _sqlx_migrations where success").value::<i64>().await?;
        match version {
            Some(version) if version > newest() => Err(Error::Unusable(format!(
                "the store's tables are of version {version}, written by a newer Tankside; this program knows up \
                 to {}. Use the newer program; nothing was changed",
                newest()
            ))),
            version => Ok(version),
        }
    }

    /// Whether nobody has made a table yet, but the one that notes the versions, without a line: whoever made this store was cut
    /// off in his first moments.
    async fn is_empty(&self) -> Result<bool> {
        #[derive(sqlx::FromRow)]
        struct Tables {
            of_anyone: i64,
            of_versions: i64,
        }
        let mut tx = self.read().await?;
        let Tables { of_anyone, of_versions } = tx
            .sql(
                "select count(*) filter (where tbl_name <> '_sqlx_migrations') as of_anyone,
                        count(*) filter (where tbl_name = '_sqlx_migrations') as of_versions
                 from sqlite_schema",
            )
            .one()
            .await?;
        if of_anyone > 0 || of_versions == 0 {
            return Ok(of_anyone == 0);
        }
        Ok(tx.sql("select count(*) from _sqlx_migrations").value::<i64>().await? == Some(0))
    }

    /// A transaction that sees one moment of the database and changes nothing.
    pub async fn read(&self) -> Result<Tx> {
        let _begun = beginning("read");
        let connection = match &self.pools {
            Pools::Sqlite { read, .. } => Connection::Sqlite(read.begin().await?),
            Pools::Postgres { read, .. } => self.begin(read, READ_ONLY).await?,
        };
        Ok(self.tx(connection, READ_WAIT))
    }

    /// The same on a connection that other readers cannot take: who calls must be known however busy they are.
    pub async fn read_at_once(&self) -> Result<Tx> {
        let _begun = beginning("key");
        let connection = match &self.pools {
            Pools::Sqlite { read, .. } => Connection::Sqlite(read.begin().await?),
            Pools::Postgres { write, .. } => self.begin(write, READ_ONLY).await?,
        };
        Ok(self.tx(connection, READ_WAIT))
    }

    /// A transaction that may change the database.
    pub async fn write(&self) -> Result<Tx> {
        let _begun = beginning("write");
        let connection = match &self.pools {
            // Takes the write lock at once: a reader that turns writer later can fail.
            Pools::Sqlite { write, .. } => Connection::Sqlite(write.begin_with("begin immediate").await?),
            Pools::Postgres { write, .. } => self.begin(write, "begin").await?,
        };
        Ok(self.tx(connection, WRITE_WAIT))
    }

    fn tx(&self, connection: Connection, patience: Duration) -> Tx {
        Tx::new(connection, self.shared.clone(), (!self.is_patient).then_some(patience))
    }

    /// Begins a transaction on a server. A connection that rested may lead to one that is gone meanwhile, which its first
    /// statement shows: then on a new one.
    async fn begin(&self, pool: &PgPool, statement: &'static str) -> Result<Connection> {
        let once = || async {
            let transaction: sqlx::Result<Transaction<'static, Postgres>> =
                self.shared.answer(Some(BEGIN_WAIT), pool.begin_with(statement)).await;
            transaction
        };
        let transaction = match once().await {
            Err(error) if db::is_gone(&error) => once().await?,
            first => first?,
        };
        Ok(Connection::Postgres(transaction))
    }

    /// What rings when something is to be sent to webhooks.
    pub fn bell(&self) -> &Bell {
        &self.shared.bell
    }

    /// Wakes once open alerts of a rule that is another now are [to be looked at](super::alerts::recheck).
    pub fn rechecks(&self) -> &Notify {
        &self.shared.rechecks
    }

    /// Whether it is a file of this process.
    pub fn is_embedded(&self) -> bool {
        matches!(self.pools, Pools::Sqlite { .. })
    }

    /// How many transactions may write at the same time.
    pub fn lanes(&self) -> u32 {
        match &self.pools {
            Pools::Sqlite { .. } => 1,
            Pools::Postgres { .. } => LANES,
        }
    }

    /// Another number whenever a key was made, changed or revoked through this handle or a clone of it.
    pub fn key_epoch(&self) -> u64 {
        self.shared.key_epoch.load(Ordering::Acquire)
    }

    /// From now on keeps the text of every statement, for tests that count them.
    pub fn record_statements(&self) {
        self.shared.record_statements();
    }

    /// The statements that were run since the last call.
    pub fn take_statements(&self) -> Vec<&'static str> {
        self.shared.take_statements()
    }

    /// The bytes of an embedded store's file, and of the log beside it.
    pub fn bytes(&self) -> Option<(u64, u64)> {
        let Pools::Sqlite { write, .. } = &self.pools else { return None };
        let options = write.connect_options();
        let file = options.get_filename();
        let bytes = |path: &Path| path.metadata().map_or(0, |file| file.len());
        Some((bytes(file), bytes(&beside(file, "-wal"))))
    }

    /// The pool of read-only connections of an embedded store.
    pub(super) fn sqlite_reader(&self) -> Option<&SqlitePool> {
        match &self.pools {
            Pools::Sqlite { read, .. } => Some(read),
            Pools::Postgres { .. } => None,
        }
    }

    /// Whether there is room to write, as far as can be told by reading.
    ///
    /// # Errors
    /// The store cannot be read.
    pub async fn room(&self) -> Result<Room> {
        let mut tx = self.read().await?;
        match &self.pools {
            Pools::Sqlite { write, .. } => {
                tx.sql("select 1 from business limit 1").run().await?;
                let file = write.connect_options().get_filename().to_owned();
                let disk = rustix::fs::statvfs(folder_of(&file)).map_err(|error| {
                    Error::Unusable(format!("{} cannot be looked at: {error}", file.display()))
                })?;
                Ok(if disk.f_flag.contains(rustix::fs::StatVfsMountFlags::RDONLY) {
                    Room::ReadOnly
                } else if disk.f_bavail.saturating_mul(disk.f_frsize) < LEAST_ROOM {
                    Room::Full
                } else {
                    Room::Enough
                })
            }
            Pools::Postgres { .. } => {
                let read_only = tx
                    .sql("select pg_is_in_recovery() or current_setting('default_transaction_read_only')::boolean")
                    .value::<bool>()
                    .await?;
                Ok(if read_only == Some(true) { Room::ReadOnly } else { Room::Enough })
            }
        }
    }

    /// Replaces the writing connection after a commit of unknown outcome: SQLite promises nothing
    /// about a connection whose sync failed, only about what a new one finds in the file. Also one that was
    /// opened while the file could not be written stays unable.
    pub async fn reopen_writer(&mut self) -> Result<()> {
        if let Pools::Sqlite { write, .. } = &mut self.pools {
            write.close().await;
            let options = (*write.connect_options()).clone().create_if_missing(false);
            *write = sqlite_writer(&options).await?;
        }
        Ok(())
    }

    /// Closes every connection; an embedded store folds its log into the file. A server that does not answer any more is not
    /// waited for: what was answered as done is committed, and the connections end with the process.
    pub async fn close(&self) {
        match &self.pools {
            Pools::Sqlite { read, write, .. } => {
                read.close().await;
                write.close().await;
            }
            Pools::Postgres { read, write } => {
                let closed = async { tokio::join!(read.close(), write.close()) };
                if tokio::time::timeout(CLOSED_WITHIN, closed).await.is_err() {
                    tracing::warn!("the server did not answer when its connections were closed");
                }
            }
        }
    }
}

/// Whether a store has room to write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Room {
    /// As far as can be told.
    Enough,
    /// The disk is full, or nearly.
    Full,
    /// It may be read only: a disk mounted so, or a standby server.
    ReadOnly,
}

/// The two kinds of database.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A file.
    Sqlite,
    /// A server.
    Postgres,
}

impl Kind {
    /// The kind that an address is of.
    ///
    /// # Errors
    /// It is of neither.
    pub fn of(url: &str) -> Result<Self> {
        if url.starts_with("sqlite:") {
            Ok(Self::Sqlite)
        } else if url.starts_with("postgres:") || url.starts_with("postgresql:") {
            Ok(Self::Postgres)
        } else {
            Err(Error::Unusable(
                "the database address must begin with sqlite:// or postgres://, \
                 such as sqlite://tankside.db or postgres://user@host/tankside"
                    .to_owned(),
            ))
        }
    }
}

/// Looks at a file before it is opened for writing: it must be new or ours, and not of a newer program. For who
/// serves it also whether it is sound, when the last process did not end well: what cut it off may have hurt the
/// disk as well.
async fn look_first(file: &Path, to_serve: bool) -> Result<()> {
    let Ok(found) = std::fs::metadata(file) else { return Ok(()) };
    if found.len() == 0 {
        return Ok(());
    }
    // Whoever ends well folds the log into the file and removes it.
    let log = std::fs::metadata(beside(file, "-wal"));
    let crashed = log.as_ref().is_ok_and(|log| log.len() > 0);
    let options = SqliteConnectOptions::new().filename(file);
    // Without a log nobody is writing, and looking need not leave files behind whose owner may only read.
    let options = if log.is_err() { options.immutable(true) } else { options };
    let db = match Db::only_reading(options).await {
        Ok(db) => db,
        Err(error) if error.is_damage() => return Err(error),
        // It cannot be read without being written, such as a file whose last change has to be undone first.
        Err(_) => return Ok(()),
    };
    let looked = async {
        if db.version().await?.is_none() && !db.is_empty().await? {
            return Err(not_ours(file));
        }
        if !(crashed && to_serve) {
            return Ok(());
        }
        if found.len() > CHECKED_AT_MOST {
            tracing::warn!(
                "the last process did not end well; `tankside verify` looks through so large a store"
            );
            return Ok(());
        }
        let said = db.read().await?.sql("pragma quick_check(1)").value::<String>().await?;
        if said.as_deref() == Some("ok") {
            tracing::info!("the last process did not end well; its log is taken up and the file is sound");
            return Ok(());
        }
        Err(Error::Damaged(said.unwrap_or_else(|| "its check says nothing".to_owned())))
    };
    let looked = looked.await;
    db.close().await;
    match looked {
        Err(error @ Error::Database(_)) if !error.is_damage() => Ok(()),
        looked => looked,
    }
}

/// The store is there and its tables are as this program writes them.
async fn must_be_current(url: &str) -> Result<()> {
    let (seen, version) = Db::look(url).await?;
    seen.close().await;
    if version < newest() {
        return Err(Error::Unusable(format!(
            "the store's tables are of version {version} and this program writes {}: start \
             `tankside serve` once, which brings them up to date; make a backup before",
            newest()
        )));
    }
    Ok(())
}

/// The version of the tables that this program writes.
pub fn newest() -> i64 {
    SQLITE.iter().map(|migration| migration.version).max().unwrap_or(0)
}

/// The file of an address of an embedded store.
///
/// # Errors
/// It is no such address.
pub fn sqlite_file(url: &str) -> Result<PathBuf> {
    Ok(SqliteConnectOptions::from_str(url)?.get_filename().to_owned())
}

/// The folder that holds a file.
pub fn folder_of(file: &Path) -> &Path {
    file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// A file beside the database's, by what is added to its name.
pub fn beside(database: &Path, ending: &str) -> PathBuf {
    let mut path = database.as_os_str().to_owned();
    path.push(ending);
    path.into()
}

fn not_ours(file: &Path) -> Error {
    Error::Unusable(format!("{} is not a store of Tankside; nothing was changed", file.display()))
}

/// Tells the owner of a damaged file what to do.
fn damaged(file: &Path, error: Error) -> Error {
    if !error.is_damage() {
        return error;
    }
    Error::Unusable(format!(
        "{} is damaged or not a store at all: {error}. Nothing was changed. Keep it and what stands beside it as they \
         are, and bring the last backup back under another name: tankside restore BACKUP --database-url \
         sqlite://OTHER",
        file.display()
    ))
}

fn postgres_options(url: &str) -> Result<PgConnectOptions> {
    // What the parser says of an address may hold parts of it.
    let options = PgConnectOptions::from_str(url).map_err(|_| {
        Error::Unusable(
            "the database's address is wrong: it must be postgres://USER@HOST:PORT/DATABASE, with special characters as %XX"
                .to_owned(),
        )
    })?;
    Ok(options.application_name("tankside").options([
        ("default_transaction_isolation", "read committed"),
        ("synchronous_commit", "on"),
        // Statements are short; compiling one takes longer than running it.
        ("jit", "off"),
    ]))
}

/// How long a connection to a PostgreSQL server is waited for.
const CONNECT_WAIT: Duration = Duration::from_secs(5);

/// The same, and until a transaction has begun on it.
const BEGIN_WAIT: Duration = Duration::from_secs(8);

/// What a server must do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Must {
    /// Only answer; a standby does.
    Answer,
    /// Also be one that can be written: behind a name or a proxy that follows the primary there may still be its standby,
    /// and what that reads lags behind.
    BeWritable,
}

async fn postgres_pool(
    options: PgConnectOptions,
    connections: u32,
    shared: &Arc<Shared>,
    must: Must,
) -> Result<PgPool> {
    let (before, after) = (shared.clone(), shared.clone());
    let pool = PgPoolOptions::new()
        .max_connections(connections)
        .acquire_timeout(CONNECT_WAIT)
        // A question of its own for each transaction, and one that waits without end where the server is gone.
        .test_before_acquire(false)
        .before_acquire(move |_, meta| {
            let usable = !before.leads_nowhere(meta.age);
            Box::pin(async move { Ok(usable) })
        })
        .after_release(move |_, meta| {
            let usable = !after.leads_nowhere(meta.age);
            Box::pin(async move { Ok(usable) })
        })
        .after_connect(move |connection, _| {
            Box::pin(async move {
                if must == Must::BeWritable && is_standby(connection).await? {
                    return Err(sqlx::Error::Configuration(
                        "the server is a standby, which only reads".into(),
                    ));
                }
                Ok(())
            })
        });
    match pool.connect_with(options.clone()).await {
        Ok(pool) => Ok(pool),
        // The pool goes on trying while a server may be starting up, and does not say what stood against it.
        Err(sqlx::Error::PoolTimedOut) => {
            let once = async {
                let mut connection = PgConnection::connect_with(&options).await?;
                is_standby(&mut connection).await
            };
            Err(match tokio::time::timeout(CONNECT_WAIT, once).await {
                Ok(Ok(true)) => unreachable::standby(&options),
                Ok(Err(error)) => unreachable::postgres(&options, error),
                _ => unreachable::postgres(&options, sqlx::Error::PoolTimedOut),
            })
        }
        Err(error) => Err(unreachable::postgres(&options, error)),
    }
}

async fn is_standby(connection: &mut PgConnection) -> sqlx::Result<bool> {
    sqlx::query_scalar("select pg_is_in_recovery()").fetch_one(connection).await
}

fn sqlite_options(url: &str) -> Result<SqliteConnectOptions> {
    Ok(SqliteConnectOptions::from_str(url)?
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        // NORMAL would lose answered withdrawals in a power cut.
        .synchronous(SqliteSynchronous::Full)
        .foreign_keys(true)
        // What a statement must be able to undo stays in memory instead of a file of its own.
        .pragma("temp_store", "memory")
        .pragma("journal_size_limit", LOG_AT_MOST)
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

/// A lock file that is held.
#[derive(Debug)]
pub(super) struct Lock(File);

impl Drop for Lock {
    /// Lets go of the lock itself, not of this handle alone: a child process that is being started at this moment
    /// has a copy of the handle until it runs its own program.
    fn drop(&mut self) {
        if let Err(error) = self.0.unlock() {
            tracing::warn!(%error, "the lock file could not be let go of");
        }
    }
}

/// Takes the lock file beside `database`; the system lets go of it when the process ends, however it ends.
pub(super) fn lock(database: &Path) -> Result<Arc<Lock>> {
    let path = beside(database, ".lock");
    let unusable = |why: &dyn std::fmt::Display| Error::Unusable(format!("{}: {why}", path.display()));
    let file = private::open(&path).map_err(|e| unusable(&e))?;
    match file.try_lock() {
        Ok(()) => Ok(Arc::new(Lock(file))),
        Err(TryLockError::WouldBlock) => Err(Error::Unusable(format!(
            "{} is being served by another Tankside process; stop that one first, or give this one \
             another file or a PostgreSQL database, which several processes may share",
            database.display()
        ))),
        Err(TryLockError::Error(e)) => Err(unusable(&e)),
    }
}

/// Makes an embedded store as the program of an older version did.
#[cfg(test)]
pub(super) async fn make_of_version(file: &Path, version: i64) {
    let pool =
        sqlite_writer(&sqlite_options(&format!("sqlite://{}", file.display())).unwrap()).await.unwrap();
    SQLITE.run_to(version, &pool).await.unwrap();
    pool.close().await;
}

/// Every version that the tables had.
#[cfg(test)]
pub(super) fn versions() -> impl Iterator<Item = i64> {
    SQLITE.iter().map(|migration| migration.version)
}
