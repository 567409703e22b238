//! Who asked for what and what came of it; and the first answer to each Idempotency-Key, word for word.

use uuid::Uuid;

use crate::{
    domain::{
        access::audit::AuditEntry,
        values::{BusinessId, KeyId, Timestamp},
    },
    store::{Page, Result, Tx},
};

/// What was answered under an Idempotency-Key.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct KeyedResponse {
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
        "select fingerprint, status, location, etag, body from act
         where business_id = $1 and idempotency_key = $2",
    )
    .bind(business)
    .bind(key.to_owned())
    .optional()
    .await
}

/// An act to be noted.
#[derive(Clone, Debug)]
pub struct NewAuditEntry<'a> {
    /// The key with which it was asked for.
    pub by: KeyId,
    /// What was asked for: method and path.
    pub request: &'a str,
    /// What came of it.
    pub status: u16,
    /// Where what was made is to be found.
    pub location: Option<&'a str>,
    /// The Idempotency-Key and what is to be said again under it: fingerprint, version, body.
    pub keyed: Option<(&'a str, &'a str, Option<&'a str>, &'a str)>,
}

/// Notes an act.
pub async fn add(tx: &mut Tx, business: BusinessId, act: NewAuditEntry<'_>, now: Timestamp) -> Result<()> {
    let (key, fingerprint, etag, body) = match act.keyed {
        Some((key, fingerprint, etag, body)) => (Some(key), Some(fingerprint), etag, Some(body)),
        None => (None, None, None, None),
    };
    tx.sql(
        "insert into act (business_id, id, key_id, request, status, location, idempotency_key, fingerprint, etag,
                          body, recorded_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(business)
    .bind(Uuid::now_v7())
    .bind(act.by)
    .bind(act.request.to_owned())
    .bind(i64::from(act.status))
    .bind(act.location.map(ToOwned::to_owned))
    .bind(key.map(ToOwned::to_owned))
    .bind(fingerprint.map(ToOwned::to_owned))
    .bind(etag.map(ToOwned::to_owned))
    .bind(body.map(ToOwned::to_owned))
    .bind(now)
    .run()
    .await
    .map(drop)
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
