//! Animals.

use super::{
    Page, Result, Tx,
    change::{self, Noted},
    identifier,
    pedigree::Parents,
};
use crate::domain::{
    animal::{Animal, AnimalDetails},
    change::ChangeKind,
    values::{AnimalId, BusinessId, HerdId, Mark},
};

/// Enters an animal.
pub async fn add(tx: &mut Tx, business: BusinessId, animal: &Animal) -> Result<()> {
    let d = &animal.details;
    tx.sql(
        "insert into animal (business_id, id, herd_id, number, name, identifiers, born_on, sire_id, dam_id,
                             breed, left_on, created_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)",
    )
    .bind(business)
    .bind(animal.id)
    .bind(d.herd_id)
    .bind(d.number.clone())
    .bind(d.name.clone())
    .bind(d.identifiers.clone())
    .bind(d.born_on)
    .bind(d.sire_id)
    .bind(d.dam_id)
    .bind(d.breed.clone())
    .bind(d.left_on)
    .bind(animal.created_at)
    .run()
    .await?;
    identifier::set(tx, business, animal.id.0, &d.identifiers).await?;
    change::note(tx, business, Noted::of(ChangeKind::Animal, animal.id.0).herd(d.herd_id).animal(animal.id))
        .await
}

/// Changes what is said of an animal.
pub async fn change(tx: &mut Tx, business: BusinessId, id: AnimalId, d: &AnimalDetails) -> Result<()> {
    tx.sql(
        "update animal set herd_id = $3, number = $4, name = $5, identifiers = $6, born_on = $7, sire_id = $8,
                           dam_id = $9, breed = $10, left_on = $11
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(d.herd_id)
    .bind(d.number.clone())
    .bind(d.name.clone())
    .bind(d.identifiers.clone())
    .bind(d.born_on)
    .bind(d.sire_id)
    .bind(d.dam_id)
    .bind(d.breed.clone())
    .bind(d.left_on)
    .run()
    .await?;
    identifier::set(tx, business, id.0, &d.identifiers).await?;
    change::note(tx, business, Noted::of(ChangeKind::Animal, id.0).herd(d.herd_id).animal(id)).await
}

/// One animal.
pub async fn find(tx: &mut Tx, business: BusinessId, id: AnimalId) -> Result<Option<Animal>> {
    tx.sql(
        "select id, herd_id, number, name, identifiers, born_on, sire_id, dam_id, breed, left_on, created_at
         from animal where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .optional()
    .await
}

/// Which animals a list shows; what is not said is not asked.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of this herd.
    pub herd: Option<HerdId>,
    /// With this number.
    pub number: Option<Mark>,
    /// With this official name, in whatever scheme.
    pub identifier: Option<Mark>,
}

/// Animals, oldest entry first.
pub async fn list(tx: &mut Tx, business: BusinessId, wanted: Wanted, page: Page) -> Result<Vec<Animal>> {
    tx.sql(
        "select id, herd_id, number, name, identifiers, born_on, sire_id, dam_id, breed, left_on, created_at
         from animal
         where business_id = $1 and id > $2 and ($4 is null or herd_id = $4) and ($5 is null or number = $5)
           and ($6 is null or id in (
               select subject_id from identifier where business_id = $1 and code = $6))
         order by id limit $3",
    )
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(wanted.herd)
    .bind(wanted.number)
    .bind(wanted.identifier)
    .all()
    .await
}

/// The parents of an animal.
pub async fn parents(tx: &mut Tx, business: BusinessId, id: AnimalId) -> Result<Option<Parents>> {
    tx.sql("select sire_id, dam_id from animal where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .optional()
        .await
}
