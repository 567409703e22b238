//! The first answer to each Idempotency-Key, word for word.

use super::{Result, Tx};
use crate::domain::values::{BusinessId, Timestamp};

/// What was answered.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct Answered {
    /// Tells one request from another under the same key.
    pub fingerprint: String,
    /// The status.
    pub status: i64,
    /// Where what was made is to be found.
    pub location: Option<String>,
    /// The version of what was answered.
    pub etag: Option<String>,
    /// The body.
    pub body: String,
}

/// What was answered under a key, if it was used.
pub async fn find(tx: &mut Tx, business: BusinessId, key: &str) -> Result<Option<Answered>> {
    tx.sql(
        "select fingerprint, status, location, etag, body from idempotency
         where business_id = $1 and key = $2",
    )
    .bind(business)
    .bind(key.to_owned())
    .optional()
    .await
}

/// Keeps an answer under a key.
pub async fn add(
    tx: &mut Tx,
    business: BusinessId,
    key: &str,
    answered: &Answered,
    now: Timestamp,
) -> Result<()> {
    tx.sql(
        "insert into idempotency (business_id, key, fingerprint, status, location, etag, body, recorded_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(business)
    .bind(key.to_owned())
    .bind(answered.fingerprint.clone())
    .bind(answered.status)
    .bind(answered.location.clone())
    .bind(answered.etag.clone())
    .bind(answered.body.clone())
    .bind(now)
    .run()
    .await
    .map(drop)
}
