//! One way to talk to either database.
//!
//! A statement is written once and runs on whichever database is open:
//!
//! ```ignore
//! let left: Option<i64> = tx
//!     .sql("update balance set straws = straws - $3
//!           where lot_id = $1 and place_id = $2 and straws >= $3
//!           returning straws")
//!     .bind(lot).bind(place).bind(straws)
//!     .value()
//!     .await?;
//! ```
//!
//! The compiler refuses a bound value or a result that one of the two cannot hold. A statement
//! is `&'static str`, so none can be built from what a client sent. Where the databases speak
//! differently, [`Tx::sql_for`] takes both texts and is thereby easy to find.

use std::{
    collections::BTreeSet,
    io,
    panic::Location,
    pin::pin,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicU64, Ordering},
    },
    time::{Duration, Instant},
};

use futures_util::{
    StreamExt as _, TryStreamExt as _,
    stream::{self, BoxStream},
};
use metrics::Histogram;
use sqlx::{
    Decode, Encode, FromRow, PgConnection, Postgres, Row as _, Sqlite, SqliteConnection, Transaction, Type,
    postgres::{PgArguments, PgRow},
    query::Query,
    sqlite::{SqliteArguments, SqliteRow},
};
use tokio::sync::Notify;
use tracing::Span;

use crate::{
    store::{
        Error, Result,
        pending::Pending,
        webhooks::bell::{Addressee, Bell},
    },
    traces::{self, Beginning, SpanKind},
};

/// A transaction. Dropping it without [`commit`](Tx::commit) undoes it.
///
/// What every act writes alike (the change feed, the audit, events for the outbox) waits in the transaction
/// and is written by [`flush`](Tx::flush) in one call for all acts that share it; `commit` does that first.
pub struct Tx {
    connection: Connection,
    pub(super) pending: Pending,
    keys_changed: bool,
    pub(super) rings: BTreeSet<Addressee>,
    pub(super) has_rechecks: bool,
    shared: Arc<Shared>,
    patience: Option<Duration>,
}

/// The database that a transaction runs on.
pub(super) enum Connection {
    /// On the embedded store.
    Sqlite(Transaction<'static, Sqlite>),
    /// On a PostgreSQL server.
    Postgres(Transaction<'static, Postgres>),
}

/// What all transactions of an open database have in common.
#[derive(Debug, Default)]
pub(super) struct Shared {
    /// Goes up whenever a key was made, changed or revoked through this database handle.
    pub(super) key_epoch: AtomicU64,
    /// The statements that were run, for tests that count them; empty unless asked for.
    statements: Mutex<Option<Vec<&'static str>>>,
    /// Rings for what has to be sent.
    pub(super) bell: Bell,
    /// Wakes who looks at open alerts of a rule that is another now. It only saves waiting: they stand in the store.
    pub(super) rechecks: Notify,
    /// When a server was last found to be gone: connections that were made before lead to it.
    gone_at: Mutex<Option<Instant>>,
}

impl Shared {
    /// Whether a connection of that age may lead to a server that is gone.
    pub(super) fn leads_nowhere(&self, age: Duration) -> bool {
        let gone_at = *self.gone_at.lock().unwrap_or_else(PoisonError::into_inner);
        gone_at.is_some_and(|gone_at| age >= gone_at.elapsed())
    }

    /// What a PostgreSQL server answers. Where it is gone, or waited for longer than `patience`, no connection made so
    /// far is used again: after a failover those that nobody cut would hang, or lead to a server that is no longer written.
    pub(super) async fn answer<T>(
        &self,
        patience: Option<Duration>,
        answer: impl Future<Output = sqlx::Result<T>> + Send,
    ) -> sqlx::Result<T> {
        // Held once, whichever way it is waited for.
        let answer = pin!(answer);
        let answer = match patience {
            None => answer.await,
            Some(patience) => tokio::time::timeout(patience, answer)
                .await
                .unwrap_or_else(|_| Err(sqlx::Error::Io(io::ErrorKind::TimedOut.into()))),
        };
        if answer.as_ref().is_err_and(is_gone) {
            *self.gone_at.lock().unwrap_or_else(PoisonError::into_inner) = Some(Instant::now());
        }
        answer
    }

    pub(super) fn record_statements(&self) {
        *self.log() = Some(Vec::new());
    }

    pub(super) fn take_statements(&self) -> Vec<&'static str> {
        self.log().as_mut().map(std::mem::take).unwrap_or_default()
    }

    fn note(&self, statement: &'static str) {
        if let Some(statements) = self.log().as_mut() {
            statements.push(statement);
        }
    }

    fn log(&self) -> MutexGuard<'_, Option<Vec<&'static str>>> {
        self.statements.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whether an error says that the server is gone, or cannot be written any more.
pub(super) fn is_gone(error: &sqlx::Error) -> bool {
    match error {
        sqlx::Error::Io(_) | sqlx::Error::Protocol(_) => true,
        // PostgreSQL, appendix A: 57P01 admin_shutdown, 57P02 crash_shutdown, 57P03 cannot_connect_now, 25006
        // read_only_sql_transaction, which a standby answers.
        sqlx::Error::Database(told) => {
            matches!(told.code().as_deref(), Some("57P01" | "57P02" | "57P03" | "25006"))
        }
        _ => false,
    }
}

impl Tx {
    /// `patience`: how long a server may take to answer a statement, or to give its next row.
    pub(super) fn new(connection: Connection, shared: Arc<Shared>, patience: Option<Duration>) -> Self {
        let (pending, rings) = (Pending::default(), BTreeSet::new());
        Self { connection, pending, keys_changed: false, rings, has_rechecks: false, shared, patience }
    }

    /// Whether it runs on a PostgreSQL server.
    pub fn is_postgres(&self) -> bool {
        matches!(self.connection, Connection::Postgres(_))
    }

    /// A statement that both databases understand.
    #[track_caller]
    pub fn sql(&mut self, text: &'static str) -> Sql<'_> {
        self.sql_for(text, text)
    }

    /// A statement that has to be said differently to each database. SQLite takes several statements in one
    /// text, in which `$n` means the same value; PostgreSQL takes one, which may have data-modifying `with`.
    #[track_caller]
    pub fn sql_for(&mut self, sqlite: &'static str, postgres: &'static str) -> Sql<'_> {
        let on = match &mut self.connection {
            Connection::Sqlite(tx) => {
                self.shared.note(sqlite);
                On::Sqlite(tx, sqlx::query(sqlite))
            }
            Connection::Postgres(tx) => {
                self.shared.note(postgres);
                On::Postgres(
                    tx,
                    sqlx::query(postgres),
                    Server { shared: &self.shared, patience: self.patience },
                )
            }
        };
        Sql { on, part: part_of(Location::caller().file()) }
    }

    /// Makes everything done in this transaction durable.
    ///
    /// # Errors
    /// [`Error::CommitUnknown`]: the changes may or may not be there; only looking can tell. Any other: nothing
    /// is there.
    pub async fn commit(mut self) -> Result<()> {
        self.flush().await?;
        let committed = match self.connection {
            Connection::Sqlite(tx) => tx.commit().await,
            Connection::Postgres(tx) => self.shared.answer(self.patience, tx.commit()).await,
        };
        // Also where nobody knows whether it is committed: a look too many does no harm.
        self.shared.bell.ring(self.rings);
        if self.has_rechecks {
            self.shared.rechecks.notify_one();
        }
        committed.map_err(Error::CommitUnknown)?;
        if self.keys_changed {
            self.shared.key_epoch.fetch_add(1, Ordering::Release);
        }
        Ok(())
    }

    /// Another key than before is good once this transaction is committed: who is known is forgotten then.
    pub(super) fn forget_known_keys(&mut self) {
        self.keys_changed = true;
    }

    /// Lets this transaction, at its beginning, see and change the store as if no other ran; of two
    /// that clash one fails as transient. SQLite's writers are alone anyway.
    pub async fn set_serializable(&mut self) -> Result<()> {
        self.sql_for("select 1", "set transaction isolation level serializable").run().await.map(drop)
    }

    /// Where [`rollback_to_savepoint`](Tx::rollback_to_savepoint) returns to.
    pub async fn savepoint(&mut self) -> Result<()> {
        self.flush().await?;
        self.sql("savepoint command").run().await.map(drop)
    }

    /// Undoes what was done since [`savepoint`](Tx::savepoint); the savepoint stays.
    pub async fn rollback_to_savepoint(&mut self) -> Result<()> {
        self.pending.clear();
        self.sql("rollback to savepoint command").run().await.map(drop)
    }

    /// Keeps what was done since [`savepoint`](Tx::savepoint) and forgets the savepoint.
    pub async fn release_savepoint(&mut self) -> Result<()> {
        self.sql("release savepoint command").run().await.map(drop)
    }
}

/// A value that fits a column of either database.
#[diagnostic::on_unimplemented(message = "`{Self}` cannot be stored in both SQLite and PostgreSQL")]
pub trait Value:
    Type<Sqlite> + for<'q> Encode<'q, Sqlite> + Type<Postgres> + for<'q> Encode<'q, Postgres>
{
}
impl<T> Value for T where
    T: Type<Sqlite> + for<'q> Encode<'q, Sqlite> + Type<Postgres> + for<'q> Encode<'q, Postgres>
{
}

/// A value that can be read from a column of either database.
#[diagnostic::on_unimplemented(message = "`{Self}` cannot be read from both SQLite and PostgreSQL")]
pub trait Scalar:
    Type<Sqlite> + for<'r> Decode<'r, Sqlite> + Type<Postgres> + for<'r> Decode<'r, Postgres>
{
}
impl<T> Scalar for T where
    T: Type<Sqlite> + for<'r> Decode<'r, Sqlite> + Type<Postgres> + for<'r> Decode<'r, Postgres>
{
}

/// A record that can be read from a row of either database; derive `sqlx::FromRow`.
pub trait Record: for<'r> FromRow<'r, SqliteRow> + for<'r> FromRow<'r, PgRow> + Send + Unpin {}
impl<T> Record for T where T: for<'r> FromRow<'r, SqliteRow> + for<'r> FromRow<'r, PgRow> + Send + Unpin {}

/// The file of `store` in which a statement stands, without its ending: a bounded label for how long its statements take.
fn part_of(file: &'static str) -> &'static str {
    let name = file.rsplit_once("store/").map_or("other", |(_, name)| name);
    name.strip_suffix(".rs").unwrap_or(name)
}

/// Records how long something took when it is dropped, however it ended.
pub(super) struct Timed {
    histogram: Histogram,
    since: Instant,
    #[expect(dead_code, reason = "it ends when this is dropped")]
    span: Span,
}

impl Timed {
    pub(super) fn start(histogram: Histogram) -> Self {
        Self::within(histogram, Span::none())
    }

    fn within(histogram: Histogram, span: Span) -> Self {
        Self { histogram, since: Instant::now(), span }
    }
}

impl Drop for Timed {
    fn drop(&mut self) {
        self.histogram.record(self.since.elapsed().as_secs_f64());
    }
}

/// A statement about to run.
pub struct Sql<'c> {
    on: On<'c>,
    part: &'static str,
}

enum On<'c> {
    /// On the embedded store.
    Sqlite(&'c mut SqliteConnection, Query<'c, Sqlite, SqliteArguments>),
    /// On a PostgreSQL server.
    Postgres(&'c mut PgConnection, Query<'c, Postgres, PgArguments>, Server<'c>),
}

/// How a server's answers are waited for.
#[derive(Clone, Copy)]
pub struct Server<'c> {
    shared: &'c Shared,
    patience: Option<Duration>,
}

impl Server<'_> {
    async fn answer<T>(self, answer: impl Future<Output = sqlx::Result<T>> + Send) -> sqlx::Result<T> {
        self.shared.answer(self.patience, answer).await
    }
}

impl<'c> On<'c> {
    /// As OpenTelemetry's semantic conventions name it.
    fn system(&self) -> &'static str {
        match self {
            Self::Sqlite(..) => "sqlite",
            Self::Postgres(..) => "postgresql",
        }
    }

    fn rows<T: Record + 'c>(self) -> BoxStream<'c, Result<T>> {
        match self {
            Self::Sqlite(conn, query) => query.fetch(conn).map(|row| Ok(T::from_row(&row?)?)).boxed(),
            Self::Postgres(conn, query, server) => {
                stream::try_unfold(query.fetch(conn), move |mut rows| async move {
                    let row = server.answer(rows.try_next()).await?;
                    Ok(row.map(|row| T::from_row(&row)).transpose()?.map(|row| (row, rows)))
                })
                .boxed()
            }
        }
    }
}

impl<'c> Sql<'c> {
    /// Times the statement, and tells it to the traces; neither its text nor a value.
    fn timed(&self) -> Timed {
        let part = self.part;
        let span = traces::unlogged(|| Beginning {
            needs_parent: true,
            attributes: vec![("db.system.name", self.on.system().into())],
            ..Beginning::new(part, SpanKind::Client)
        });
        let histogram = metrics::histogram!("tankside_store_statement_seconds", "part" => part);
        Timed::within(histogram, span)
    }

    /// Gives the next `$n` its value.
    #[must_use]
    pub fn bind<V: Value + 'c>(self, value: V) -> Self {
        let on = match self.on {
            On::Sqlite(conn, query) => On::Sqlite(conn, query.bind(value)),
            On::Postgres(conn, query, server) => On::Postgres(conn, query.bind(value), server),
        };
        Self { on, part: self.part }
    }

    /// Runs the statement; gives how many rows it touched.
    pub async fn run(self) -> Result<u64> {
        let _timed = self.timed();
        Ok(match self.on {
            On::Sqlite(conn, query) => query.execute(conn).await?.rows_affected(),
            On::Postgres(conn, query, server) => server.answer(query.execute(conn)).await?.rows_affected(),
        })
    }

    /// The first column of the first row, if there is a row.
    pub async fn value<T: Scalar>(self) -> Result<Option<T>> {
        let _timed = self.timed();
        Ok(match self.on {
            On::Sqlite(conn, query) => {
                query.fetch_optional(conn).await?.map(|row| row.try_get(0)).transpose()?
            }
            On::Postgres(conn, query, server) => {
                server.answer(query.fetch_optional(conn)).await?.map(|row| row.try_get(0)).transpose()?
            }
        })
    }

    /// The first row, if there is one.
    pub async fn optional<T: Record>(self) -> Result<Option<T>> {
        let _timed = self.timed();
        Ok(match self.on {
            On::Sqlite(conn, query) => {
                query.fetch_optional(conn).await?.as_ref().map(T::from_row).transpose()?
            }
            On::Postgres(conn, query, server) => {
                server.answer(query.fetch_optional(conn)).await?.as_ref().map(T::from_row).transpose()?
            }
        })
    }

    /// The one row that must be there.
    pub async fn one<T: Record>(self) -> Result<T> {
        self.optional().await?.ok_or(Error::Database(sqlx::Error::RowNotFound))
    }

    /// All rows.
    pub async fn all<T: Record + 'c>(self) -> Result<Vec<T>> {
        let _timed = self.timed();
        self.on.rows().try_collect().await
    }

    /// The first column of all rows.
    pub async fn values<T: Scalar + Send + Unpin + 'c>(self) -> Result<Vec<T>> {
        Ok(self.all::<(T,)>().await?.into_iter().map(|(value,)| value).collect())
    }

    /// The rows as they come, for answers too long to hold. What is timed ends with the first: how quickly the rest is taken
    /// is the reader's doing.
    pub fn stream<T: Record + 'c>(self) -> BoxStream<'c, Result<T>> {
        let mut timed = Some(self.timed());
        self.on.rows().inspect(move |_| drop(timed.take())).boxed()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_statement_is_counted_for_the_file_in_which_it_stands() {
        assert_eq!(part_of("src/store/straws/stock.rs"), "straws/stock");
        assert_eq!(part_of("/home/anna/src/store/verify.rs"), "verify");
        assert_eq!(part_of("tests/stories/keys.rs"), "other");
    }
}
