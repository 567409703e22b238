//! Businesses: the tenants whose books are kept here.

use crate::{
    domain::{
        access::business::Business,
        values::{BusinessId, Name, Timestamp},
    },
    store::{Result, Tx},
};

/// Enters a business.
pub async fn add(tx: &mut Tx, id: BusinessId, name: &Name, now: Timestamp) -> Result<()> {
    tx.sql("insert into business (id, name, movement_seq, last_recorded_at, changed_at, created_at) values ($1, $2, 0, $3, $3, $3)")
        .bind(id)
        .bind(name.clone())
        .bind(now)
        .run()
        .await
        .map(drop)
}

/// All businesses, oldest first.
pub async fn all(tx: &mut Tx) -> Result<Vec<Business>> {
    tx.sql("select id, name, movement_seq as movements, created_at from business order by id").all().await
}

/// One business.
pub async fn find(tx: &mut Tx, id: BusinessId) -> Result<Option<Business>> {
    tx.sql("select id, name, movement_seq as movements, created_at from business where id = $1")
        .bind(id)
        .optional()
        .await
}

/// Gives a business another name.
pub async fn rename(tx: &mut Tx, id: BusinessId, name: &Name) -> Result<()> {
    tx.sql("update business set name = $2 where id = $1").bind(id).bind(name.clone()).run().await.map(drop)
}

/// Waits until no other process writes in this business, and keeps others out until the
/// transaction ends. With it every act sees what the one before it did, on either database;
/// SQLite has one writer anyway. The transaction's changes get a later time than any before them,
/// even when the clock steps back.
pub async fn lock(tx: &mut Tx, id: BusinessId, now: Timestamp) -> Result<()> {
    tx.sql_for(
        "update business set changed_at = max(changed_at + 1, $2) where id = $1",
        "update business set changed_at = greatest(changed_at + interval '1 microsecond', $2) where id = $1",
    )
    .bind(id)
    .bind(now)
    .run()
    .await
    .map(drop)
}

/// Writes without changing anything, to see whether the store can be written.
pub async fn touch(tx: &mut Tx) -> Result<()> {
    tx.sql("update business set name = name where id = (select id from business order by id limit 1)")
        .run()
        .await
        .map(drop)
}

/// When the last line of any ledger was recorded; nothing when there is no business.
pub async fn last_recorded_at(tx: &mut Tx) -> Result<Option<Timestamp>> {
    // Of a business without a line it is the time of its entry.
    Ok(tx.sql("select max(last_recorded_at) from business").value::<Option<Timestamp>>().await?.flatten())
}

/// The number and time of the ledger's next line. Both only grow: the number without a gap,
/// because it is taken in the transaction that writes the line; the time even when the clock
/// steps back.
pub async fn next_line(tx: &mut Tx, id: BusinessId, now: Timestamp) -> Result<(i64, Timestamp)> {
    #[derive(sqlx::FromRow)]
    struct Line {
        movement_seq: i64,
        last_recorded_at: Timestamp,
    }
    let line: Line = tx
        .sql(
            "update business
             set movement_seq = movement_seq + 1,
                 last_recorded_at = case when last_recorded_at > $2 then last_recorded_at else $2 end
             where id = $1
             returning movement_seq, last_recorded_at",
        )
        .bind(id)
        .bind(now)
        .one()
        .await?;
    Ok((line.movement_seq, line.last_recorded_at))
}
