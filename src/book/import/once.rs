//! The same delivery is not counted twice.
//!
//! Animals and services are known again; straws are not: ten more of a lot are ten more. So the file of
//! an inventory is its own Idempotency-Key: whoever is not sure whether an import went through runs it again.

use super::{Failure, Summary};
use crate::{
    domain::values::{BusinessId, Timestamp},
    store::{
        Tx,
        idempotency::{self, Answered},
    },
};

/// Notes that the file was taken in; refuses one that was before.
pub async fn note(
    tx: &mut Tx,
    business: BusinessId,
    digest: &str,
    summary: &Summary,
    now: Timestamp,
) -> Result<(), Failure> {
    let key = format!("import inventory sha256:{digest}");
    if idempotency::find(tx, business, &key).await?.is_some() {
        return Err(Failure::Unusable(
            "this very file was imported before, and its straws are in the book; if as many came once more, \
             say when in received_at"
                .to_owned(),
        ));
    }
    let answered = Answered {
        fingerprint: digest.to_owned(),
        status: 201,
        location: None,
        etag: None,
        body: serde_json::to_string(summary).unwrap_or_default(),
    };
    Ok(idempotency::add(tx, business, &key, &answered, now).await?)
}
