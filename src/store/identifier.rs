//! Official names of sires and animals, kept apart so that a subject is found by any of them.

use uuid::Uuid;

use super::{Result, Tx};
use crate::domain::{identifiers::Identifiers, values::BusinessId};

/// Makes `identifiers` the names by which `subject` is found.
pub async fn set(tx: &mut Tx, business: BusinessId, subject: Uuid, identifiers: &Identifiers) -> Result<()> {
    tx.sql("delete from identifier where business_id = $1 and subject_id = $2")
        .bind(business)
        .bind(subject)
        .run()
        .await?;
    for name in identifiers.iter() {
        tx.sql(
            "insert into identifier (business_id, subject_id, scheme, code) values ($1, $2, $3, $4)
             on conflict (business_id, subject_id, scheme, code) do nothing",
        )
        .bind(business)
        .bind(subject)
        .bind(name.scheme.clone())
        .bind(name.id.clone())
        .run()
        .await?;
    }
    Ok(())
}
