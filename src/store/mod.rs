//! The only place with SQL.
//!
//! [`db`] is the statement type that speaks to both databases, [`connect`] opens them; then one
//! file per group of tables, each a handful of plain functions on a [`Tx`]. Every statement on a
//! tenant's data names the business. Not found is a value (`Option`), not an error.

use chrono::{DateTime, TimeDelta};

use crate::domain::values::Timestamp;

pub mod access;
pub mod alerts;
pub mod animals;
pub mod condition;
mod connect;
pub mod copy;
pub mod db;
pub mod exchange;
mod ids;
pub mod nitrogen;
mod pending;
pub mod private;
pub mod reports;
pub mod search;
pub mod straws;
mod unreachable;
pub mod verify;
pub mod webhooks;

pub use connect::{CHECKED_AT_MOST, Db, Kind, LEAST_ROOM, Room, beside, folder_of, newest, sqlite_file};
pub use db::Tx;

/// A page of a list whose order is that of the ids, which is that of entry.
#[derive(Clone, Copy, Debug)]
pub struct Page {
    /// What comes after this id.
    pub after: uuid::Uuid,
    /// At most so many.
    pub limit: i64,
}

/// Rows of a span of time that are sorted rather than looked for along the whole list.
const NARROW: i64 = 10_000;

/// Rows of one filter that are looked at to see how thickly they stand.
const SAMPLE: i64 = 100;

/// A span of time with both its ends, if one was given: it begins with the year 0 and ends with the year 9999.
fn span(from: Option<Timestamp>, to: Option<Timestamp>) -> Option<(Timestamp, Timestamp)> {
    (from.is_some() || to.is_some()).then(|| whole_span(from, to))
}

/// The same where none need be given.
pub fn whole_span(from: Option<Timestamp>, to: Option<Timestamp>) -> (Timestamp, Timestamp) {
    let day = |days| Timestamp::from(DateTime::UNIX_EPOCH).plus(TimeDelta::days(days));
    (from.unwrap_or_else(|| day(-719_528)), to.unwrap_or_else(|| day(2_932_897)))
}

/// The filters that were asked for, of all that a list has.
fn asked_of<L: Copy>(filters: &[(bool, L)]) -> Vec<L> {
    filters.iter().filter_map(|(asked, lead)| asked.then_some(*lead)).collect()
}

/// Which of the filters asked for leads. `reach_of` tells how far the next rows of one reach, `None` where they end: one that
/// ends comes first, then the days where they are few, then the one that reaches furthest, because its rows stand thinnest.
fn leader<L: Copy, R: Ord>(
    asked: &[L],
    reach_of: impl Fn(&L) -> Option<R>,
    few_days: Option<L>,
) -> Option<L> {
    let ending = asked.iter().copied().find(|lead| reach_of(lead).is_none());
    ending.or(few_days).or_else(|| asked.iter().copied().max_by_key(reach_of))
}

/// What a statement can fail with.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The store cannot be used at all; the text tells its owner why and what to do.
    #[error("{0}")]
    Unusable(String),
    /// There is no store there.
    #[error("{0}")]
    Absent(String),
    /// The embedded store's own check of its file found something.
    #[error("the database file is damaged: {0}")]
    Damaged(String),
    /// A statement failed; nothing of its transaction is kept.
    #[error("the store failed: {0}")]
    Database(#[from] sqlx::Error),
    /// The tables could not be brought up to date.
    #[error("the store's tables could not be brought up to date: {0}")]
    Migrate(#[from] sqlx::migrate::MigrateError),
    /// What is to be kept or answered has no JSON.
    #[error("a record has no JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// A commit failed; whether its changes are there, only looking can tell.
    #[error("a commit failed, its outcome is unknown: {0}")]
    CommitUnknown(#[source] sqlx::Error),
}

/// The store's result.
pub type Result<T, E = Error> = std::result::Result<T, E>;

impl Error {
    /// Whether the same transaction may succeed when tried again: it only met another writer.
    pub fn is_transient(&self) -> bool {
        let (Self::Database(sqlx::Error::Database(e)) | Self::CommitUnknown(sqlx::Error::Database(e))) = self
        else {
            return false;
        };
        // 40001, 40P01: PostgreSQL serialization failure, deadlock: certainly not committed.
        // 5, 517: SQLite busy.
        matches!(e.code().as_deref(), Some("40001" | "40P01" | "5" | "517"))
    }

    /// Whether the embedded store's file is damaged, or is no database.
    pub fn is_damage(&self) -> bool {
        use sqlx::migrate::MigrateError::{Execute, ExecuteMigration};
        let (Self::Database(error)
        | Self::CommitUnknown(error)
        | Self::Migrate(Execute(error) | ExecuteMigration(error, _))) = self
        else {
            return matches!(self, Self::Damaged(_));
        };
        // SQLITE_CORRUPT and SQLITE_NOTADB; the rest of an extended code says more closely what.
        error
            .as_database_error()
            .and_then(|error| error.try_downcast_ref::<sqlx::sqlite::SqliteError>())
            .and_then(|error| sqlx::error::DatabaseError::code(error)?.parse::<i32>().ok())
            .is_some_and(|code| matches!(code & 0xff, 11 | 26))
    }

    /// Whether it is a fault of ours, which trying again does not mend; else the store is away, full, busy or
    /// damaged, and its owner has to see to it.
    pub fn is_fault(&self) -> bool {
        match self {
            Self::Unusable(_) | Self::Absent(_) | Self::Migrate(_) | Self::Json(_) => true,
            Self::CommitUnknown(_) | Self::Damaged(_) => false,
            Self::Database(error) => match error {
                sqlx::Error::Database(e) => {
                    e.is_unique_violation() || e.is_foreign_key_violation() || e.is_check_violation()
                }
                // A proxy whose server is gone may hang up in the middle of a connection's beginning, which reads as a
                // breach of the protocol.
                sqlx::Error::Io(_)
                | sqlx::Error::Protocol(_)
                | sqlx::Error::Tls(_)
                | sqlx::Error::PoolTimedOut
                | sqlx::Error::PoolClosed
                | sqlx::Error::WorkerCrashed => false,
                _ => true,
            },
        }
    }
}
