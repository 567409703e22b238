//! Official names of sires and animals, kept apart so that a subject is found by any of them.

use uuid::Uuid;

use crate::{
    domain::{
        identifiers::{ExternalId, Identifiers},
        values::{AnimalId, BusinessId, SireId},
    },
    store::{Result, Tx},
};

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

/// The animals that go by a name.
pub async fn animals(tx: &mut Tx, business: BusinessId, name: &ExternalId) -> Result<Vec<AnimalId>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        id: AnimalId,
    }
    // Uses identifier_by_code.
    let rows: Vec<Row> = tx
        .sql(
            "select a.id from identifier i join animal a on a.business_id = i.business_id and a.id = i.subject_id
             where i.business_id = $1 and i.scheme = $2 and i.code = $3 order by a.id",
        )
        .bind(business)
        .bind(name.scheme.clone())
        .bind(name.id.clone())
        .all()
        .await?;
    Ok(rows.into_iter().map(|row| row.id).collect())
}

/// The sires that go by a name.
pub async fn sires(tx: &mut Tx, business: BusinessId, name: &ExternalId) -> Result<Vec<SireId>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        id: SireId,
    }
    // Uses identifier_by_code.
    let rows: Vec<Row> = tx
        .sql(
            "select s.id from identifier i join sire s on s.business_id = i.business_id and s.id = i.subject_id
             where i.business_id = $1 and i.scheme = $2 and i.code = $3 order by s.id",
        )
        .bind(business)
        .bind(name.scheme.clone())
        .bind(name.id.clone())
        .all()
        .await?;
    Ok(rows.into_iter().map(|row| row.id).collect())
}
