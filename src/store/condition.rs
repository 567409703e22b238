//! What an operator's look at a store needs to know besides what is in the book.

use crate::{
    domain::values::Timestamp,
    store::{Result, Tx, access::business},
};

/// How a store does.
#[derive(Clone, Debug)]
pub struct Condition {
    /// The database and its version.
    pub engine: String,
    /// What the server's clock says; an embedded store has none of its own.
    pub server_clock: Option<Timestamp>,
    /// The latest time that any book knows.
    pub last_recorded_at: Option<Timestamp>,
    /// Whether a server may only be read: a standby, or set so.
    pub is_read_only: bool,
    /// What the server is set to that may lose or tear what was answered.
    pub unsafe_settings: Vec<&'static str>,
    /// What the embedded store's own quick check found; a server keeps checksums itself.
    pub damage: Option<String>,
}

/// Looks at the store. The quick check reads the whole file of an embedded store, so it is made only if `thorough`.
///
/// # Errors
/// The store cannot be read.
pub async fn of(tx: &mut Tx, thorough: bool) -> Result<Condition> {
    let engine = tx
        .sql_for(
            "select 'SQLite ' || sqlite_version()",
            "select 'PostgreSQL ' || current_setting('server_version')",
        )
        .value::<String>()
        .await?
        .unwrap_or_default();
    let last_recorded_at = business::last_recorded_at(tx).await?;
    let (mut server_clock, mut unsafe_settings, mut damage) = (None, Vec::new(), None);
    let mut is_read_only = false;
    if tx.is_postgres() {
        // Who looks asked for reading only, so what the session is set to says nothing.
        let set = tx.sql(
            "select pg_is_in_recovery() or exists (select 1 from pg_db_role_setting s where s.setdatabase in \
             (0, (select oid from pg_database where datname = current_database())) \
             and 'default_transaction_read_only=on' = any(s.setconfig))",
        );
        is_read_only = set.value::<bool>().await? == Some(true);
        server_clock = tx.sql("select clock_timestamp()").value::<Timestamp>().await?;
        // PostgreSQL 17, 30.1: without either a crash of the machine may lose or tear what was committed.
        for (setting, statement) in [
            ("fsync", "select current_setting('fsync')"),
            ("full_page_writes", "select current_setting('full_page_writes')"),
        ] {
            if tx.sql(statement).value::<String>().await?.as_deref() == Some("off") {
                unsafe_settings.push(setting);
            }
        }
    } else if thorough {
        let said = tx.sql("pragma quick_check(1)").value::<String>().await?;
        damage = said.filter(|said| said != "ok");
    }
    Ok(Condition { engine, server_clock, last_recorded_at, is_read_only, unsafe_settings, damage })
}
