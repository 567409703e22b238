//! Who asked for what and what came of it; and the first answer to each Idempotency-Key, word for word.

use serde_json::{Value, json};

use crate::{
    domain::{
        access::audit::AuditEntry,
        ids,
        values::{BusinessId, KeyId, Timestamp},
    },
    store::{NARROW, Page, Result, SAMPLE, Tx, span},
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
    /// With which of the business's keys it was asked for.
    pub by: KeyId,
}

/// What was answered under a key, if it was used.
pub async fn find_response(tx: &mut Tx, business: BusinessId, key: &str) -> Result<Option<KeyedResponse>> {
    // Uses act_by_key.
    tx.sql(
        "select idempotency_key as key, fingerprint, status, location, etag, body, key_id as by from act
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
            ids::next(),
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
    macro_rules! acts {
        ($leading:literal, $order:literal) => {
            concat!(
                "select a.id, a.recorded_at as at, a.key_id, k.name as key_name, a.request, a.status, a.location,
                        a.idempotency_key
                 from act a join api_key k on k.business_id = a.business_id and k.id = a.key_id
                 where a.business_id = $1 and a.id in (
                     select x.id from act x where x.business_id = $1 and ", $leading, "
                       and ($4 is null or x.key_id = $4)
                       and ($5 is null or x.recorded_at >= $5) and ($6 is null or x.recorded_at < $6)
                     order by ", $order, " limit $3)
                 order by a.id"
            )
        };
    }
    let span = span(wanted.from, wanted.to);
    let narrow = match span {
        Some(span) => is_narrow(tx, business, wanted, span, page).await?,
        None => false,
    };
    let sql = if narrow {
        // act_by_time, and then sorted: the second name of the id keeps SQLite from walking in the order of the ids.
        acts!(
            "x.recorded_at >= $5 and x.recorded_at < $6 and coalesce(x.id, x.id) > $2",
            "coalesce(x.id, x.id)"
        )
    } else if wanted.by.is_some() {
        // act_by_caller.
        acts!("x.key_id = $4 and x.id > $2", "x.id")
    } else {
        // The primary key.
        acts!("x.id > $2", "x.id")
    };
    tx.sql(sql)
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .bind(wanted.by)
        .bind(span.map(|span| span.0))
        .bind(span.map(|span| span.1))
        .all()
        .await
}

/// Whether the acts of the span of time are few, and fewer than may be left of the key.
async fn is_narrow(
    tx: &mut Tx,
    business: BusinessId,
    wanted: &AuditQuery,
    (from, to): (Timestamp, Timestamp),
    page: Page,
) -> Result<bool> {
    // By act_by_time and act_by_caller, some entries of each.
    let narrow = tx.sql(
        "select not exists (select 1 from act x
                            where x.business_id = $1 and x.recorded_at >= $2 and x.recorded_at < $3
                            order by x.recorded_at limit 1 offset $4)
            and ($5 is null
                 or exists (select 1 from act x where x.business_id = $1 and x.key_id = $5 and x.id > $6
                            order by x.id limit 1 offset $7))",
    );
    let narrow = narrow
        .bind(business)
        .bind(from)
        .bind(to)
        .bind(NARROW)
        .bind(wanted.by)
        .bind(page.after)
        .bind(SAMPLE)
        .value()
        .await?;
    Ok(narrow.unwrap_or(false))
}
