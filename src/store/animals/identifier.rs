//! Official names of sires and animals, kept apart so that a subject is found by any of them.

use serde_json::json;
use uuid::Uuid;

use crate::{
    domain::{
        identifiers::{ExternalId, Identifiers},
        values::{AnimalId, BusinessId, HerdId, Name, SireId},
    },
    store::{Result, Tx, db::Record},
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

/// An animal that goes by one of the names asked for.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct NamedAnimal {
    /// The number of that name, from 0.
    pub line: i64,
    /// Her id.
    pub id: AnimalId,
    /// Her herd.
    pub herd_id: HerdId,
}

/// A sire that goes by one of the names asked for.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct NamedSire {
    /// The number of that name, from 0.
    pub line: i64,
    /// His id.
    pub id: SireId,
    /// What he is called.
    pub name: Name,
}

macro_rules! called {
    ($columns:literal, $names:literal, $key:literal, $id:literal, $subject:literal) => {
        concat!(
            "select f.line, a.id, ",
            $columns,
            "
             from (select ",
            $key,
            " as line, i.subject_id as id
                   from ",
            $names,
            " join identifier i on i.business_id = $1
                        and i.scheme = q.value ->> 0 and i.code = q.value ->> 1
                   union
                   select ",
            $key,
            ", ",
            $id,
            " from ",
            $names,
            ") as f
             join ",
            $subject,
            " a on a.business_id = $1 and a.id = f.id
             order by f.line, a.id"
        )
    };
    (sqlite, $columns:literal, $subject:literal) => {
        called!($columns, "json_each($2) as q", "q.key", "unhex(q.value ->> 2, '-')", $subject)
    };
    (postgres, $columns:literal, $subject:literal) => {
        called!(
            $columns,
            "json_array_elements($2::json) with ordinality as q(value, key)",
            "q.key - 1",
            "(q.value ->> 2)::uuid",
            $subject
        )
    };
}

/// The animals that go by any of these names, our own names (of the scheme `own`) included.
pub async fn animals(
    tx: &mut Tx,
    business: BusinessId,
    names: &[ExternalId],
    own: &str,
) -> Result<Vec<NamedAnimal>> {
    let sql = (called!(sqlite, "a.herd_id", "animal"), called!(postgres, "a.herd_id", "animal"));
    called(tx, business, names, own, sql).await
}

/// The sires that go by any of these names, our own names (of the scheme `own`) included.
pub async fn sires(
    tx: &mut Tx,
    business: BusinessId,
    names: &[ExternalId],
    own: &str,
) -> Result<Vec<NamedSire>> {
    let sql = (called!(sqlite, "a.name", "sire"), called!(postgres, "a.name", "sire"));
    called(tx, business, names, own, sql).await
}

/// Those whom `sql`, said to either database, finds by any of these names.
async fn called<T: Record>(
    tx: &mut Tx,
    business: BusinessId,
    names: &[ExternalId],
    own: &str,
    (sqlite, postgres): (&'static str, &'static str),
) -> Result<Vec<T>> {
    if names.is_empty() {
        return Ok(Vec::new());
    }
    // Uses identifier_by_code.
    tx.sql_for(sqlite, postgres).bind(business).bind(rows(names, own)).all().await
}

/// Scheme, name, and the id that a name of ours is: rows for the store.
fn rows(names: &[ExternalId], own: &str) -> String {
    let row = |name: &ExternalId| {
        let is_ours = name.scheme.as_str() == own;
        let id = Uuid::try_parse(name.id.as_str()).ok().filter(|_| is_ours);
        json!([name.scheme, name.id, id])
    };
    names.iter().map(row).collect::<serde_json::Value>().to_string()
}
