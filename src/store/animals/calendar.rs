//! Calendars of what to watch.

use crate::{
    domain::{
        animals::calendar::Calendar,
        values::{BusinessId, CalendarId},
    },
    store::{Page, Result, Tx},
};

/// A calendar, and in whose book it reads.
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct Feed {
    /// In whose book.
    pub business_id: BusinessId,
    /// The calendar.
    #[sqlx(flatten)]
    pub calendar: Calendar,
}

/// Enters a calendar whose token has that hash.
pub async fn add(tx: &mut Tx, business: BusinessId, calendar: &Calendar, hash: &str) -> Result<()> {
    tx.sql(
        "insert into calendar (business_id, id, name, herd_id, hash, created_at) values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(business)
    .bind(calendar.id)
    .bind(calendar.details.name.clone())
    .bind(calendar.details.herd_id)
    .bind(hash.to_owned())
    .bind(calendar.created_at)
    .run()
    .await
    .map(drop)
}

/// Takes a calendar away; whether it was there.
pub async fn remove(tx: &mut Tx, business: BusinessId, id: CalendarId) -> Result<bool> {
    let gone = tx.sql("delete from calendar where business_id = $1 and id = $2").bind(business).bind(id);
    Ok(gone.run().await? > 0)
}

/// One calendar.
pub async fn find(tx: &mut Tx, business: BusinessId, id: CalendarId) -> Result<Option<Calendar>> {
    tx.sql("select id, name, herd_id, created_at from calendar where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .optional()
        .await
}

/// Calendars, oldest first.
pub async fn list(tx: &mut Tx, business: BusinessId, page: Page) -> Result<Vec<Calendar>> {
    tx.sql(
        "select id, name, herd_id, created_at from calendar where business_id = $1 and id > $2 order by id limit $3",
    )
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .all()
    .await
}

/// The calendar whose token has that hash, in whosever book.
pub async fn by_hash(tx: &mut Tx, hash: &str) -> Result<Option<Feed>> {
    // Uses calendar_by_hash.
    tx.sql("select business_id, id, name, herd_id, created_at from calendar where hash = $1")
        .bind(hash.to_owned())
        .optional()
        .await
}
