//! An import is noted like any other act; and the same delivery is not counted twice.
//!
//! Animals and services are known again; straws are not: ten more of a lot are ten more. So the file of
//! an inventory is its own Idempotency-Key: whoever is not sure whether an import went through runs it again.

use crate::{
    book::{
        Caller,
        exchange::import::{Failure, Import, Subject, Summary},
    },
    domain::values::Timestamp,
    store::{
        self, Tx,
        access::audit::{self, NewAuditEntry, NewKeyedResponse},
    },
};

/// Notes that the file was taken in; refuses a delivery that was before.
pub async fn note(
    tx: &mut Tx,
    caller: &Caller,
    import: &Import<'_>,
    digest: &str,
    summary: &Summary,
    now: Timestamp,
) -> Result<(), Failure> {
    let delivery = import.subject == Subject::Inventory;
    let key = format!("import inventory sha256:{digest}");
    if delivery && audit::find_response(tx, caller.business_id, &key).await?.is_some() {
        return Err(Failure::Repeated(
            "this very file was imported before, and its straws are in the book; if as many came once more, \
             say when in received_at"
                .to_owned(),
        ));
    }
    let body = serde_json::to_string(summary).map_err(store::Error::from)?;
    let keyed =
        delivery.then_some(NewKeyedResponse { key, fingerprint: digest.to_owned(), etag: None, body });
    let entry = NewAuditEntry {
        by: caller.key_id,
        request: format!("import {}", import.subject),
        status: 201,
        location: None,
        keyed,
        recorded_at: now,
    };
    audit::add(tx, caller.business_id, entry);
    Ok(())
}
