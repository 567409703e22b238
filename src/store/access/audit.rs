//! Who asked for what and what came of it; and the first answer to each Idempotency-Key, word for word.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::{
    domain::{
        access::audit::AuditEntry,
        values::{BusinessId, KeyId, Timestamp},
    },
    store::{Page, Result, Tx},
};

/// What was answered under an Idempotency-Key.
#[derive(Clone, Debug, PartialEq, Eq, serde::Deserialize, sqlx::FromRow)]
pub struct KeyedResponse {
    /// The Idempotency-Key.
    pub key: String,
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
pub async fn find_response(tx: &mut Tx, business: BusinessId, key: &str) -> Result<Option<KeyedResponse>> {
    // Uses act_by_key.
    tx.sql(
        "select idempotency_key as key, fingerprint, status, location, etag, body from act
         where business_id = $1 and idempotency_key = $2",
    )
    .bind(business)
    .bind(key.to_owned())
    .optional()
    .await
}

/// An entry to be made.
#[derive(Clone, Debug)]
pub struct NewAuditEntry {
    /// The key with which it was asked for.
    pub by: KeyId,
    /// What was asked for: method and path.
    pub request: String,
    /// What came of it.
    pub status: u16,
    /// Where what was made is to be found.
    pub location: Option<String>,
    /// What is answered again under the Idempotency-Key.
    pub keyed: Option<NewKeyedResponse>,
    /// When.
    pub recorded_at: Timestamp,
}

/// The first response to an Idempotency-Key, to be kept.
#[derive(Clone, Debug)]
pub struct NewKeyedResponse {
    /// The key.
    pub key: String,
    /// Tells one request from another under the same key.
    pub fingerprint: String,
    /// The version of what was answered.
    pub etag: Option<String>,
    /// The body.
    pub body: String,
}

impl NewAuditEntry {
    /// A row for the store.
    pub(in crate::store) fn as_json(&self) -> Value {
        let keyed = self.keyed.as_ref();
        json!([
            Uuid::now_v7(),
            self.by,
            self.request,
            self.status,
            self.location,
            keyed.map(|keyed| &keyed.key),
            keyed.map(|keyed| &keyed.fingerprint),
            keyed.and_then(|keyed| keyed.etag.as_ref()),
            keyed.map(|keyed| &keyed.body),
            self.recorded_at.utc().timestamp_micros(),
        ])
    }
}

/// Makes an entry: when the transaction is committed or [flushed](Tx::flush).
pub fn add(tx: &mut Tx, business: BusinessId, entry: NewAuditEntry) {
    tx.pending.of(business).entry(entry);
}

/// Which acts a list shows; what is not said is not asked.
#[derive(Clone, Debug, Default)]
pub struct AuditQuery {
    /// With this key.
    pub by: Option<KeyId>,
    /// Not before this.
    pub from: Option<Timestamp>,
    /// Before this.
    pub to: Option<Timestamp>,
}

/// Acts, oldest first.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    wanted: &AuditQuery,
    page: Page,
) -> Result<Vec<AuditEntry>> {
    tx.sql(
        "select a.id, a.recorded_at as at, a.key_id, k.name as key_name, a.request, a.status, a.location, a.idempotency_key
         from act a join api_key k on k.business_id = a.business_id and k.id = a.key_id
         where a.business_id = $1 and a.id > $2 and ($4 is null or a.key_id = $4)
           and ($5 is null or a.recorded_at >= $5) and ($6 is null or a.recorded_at < $6)
         order by a.id limit $3",
    )
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(wanted.by)
    .bind(wanted.from)
    .bind(wanted.to)
    .all()
    .await
}
