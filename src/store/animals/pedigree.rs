//! The known pedigree around a mating: the animal, the sires and all their ancestors, however far back.

use serde::{Deserialize, Deserializer};
use sqlx::types::Json;
use uuid::Uuid;

use crate::{
    domain::{
        animals::kinship::{Pedigree, Relative},
        values::{AnimalId, BusinessId, SireId},
    },
    store::{Result, Tx},
};

/// The end of a condition on an id: that it is in a list, given as JSON text.
///
/// PostgreSQL takes an array to be short; of `in (select ...)` it expects so much that it compiles the
/// statement first, which takes longer than running it.
macro_rules! ids_in {
    (sqlite, $list:literal) => {
        concat!("in (select unhex(value, '-') from json_each(", $list, "))")
    };
    (postgres, $list:literal) => {
        concat!("= any (array(select value::uuid from json_array_elements_text((", $list, ")::json)))")
    };
}
pub(crate) use ids_in;

/// A scalar subquery: the pedigree of some animals and sires as JSON, to be read into a
/// `#[sqlx(json)] Pedigree<Relative>`.
///
/// It takes the database, the business, and which animals and which sires, as the end of a condition on
/// their id:
///
/// ```ignore
/// concat!("select a.number, ", pedigree_json!(sqlite, "$1", "= $2", ids_in!(sqlite, "$3")), " as pedigree
///          from animal a where a.business_id = $1 and a.id = $2")
/// ```
///
/// `union` and not `union all`: whoever is an ancestor on several sides is followed once, and a loop
/// in bad data comes to an end. PostgreSQL lets a recursive part name itself once only, hence `lateral`;
/// SQLite has no `lateral`, and would not keep to the index without `cross join`.
#[rustfmt::skip]
macro_rules! pedigree_json {
    (sqlite, $business:literal, $animals:expr, $sires:expr) => {
        concat!("(
            with recursive kin (id, kind, sire_id, dam_id) as (
                select id, 'animal', sire_id, dam_id from animal
                where business_id = ", $business, " and id ", $animals, "
                union
                select id, 'sire', sire_id, dam_id from sire
                where business_id = ", $business, " and id ", $sires, "
                union
                select sire.id, 'sire', sire.sire_id, sire.dam_id
                from kin cross join sire on sire.business_id = ", $business, " and sire.id = kin.sire_id
                union
                select dam.id, 'animal', dam.sire_id, dam.dam_id
                from kin cross join animal dam on dam.business_id = ", $business, " and dam.id = kin.dam_id
            )
            select json_group_array(json_array(
                kind, hex(id), nullif(hex(sire_id), ''), nullif(hex(dam_id), '')
            )) from kin
        )")
    };
    (postgres, $business:literal, $animals:expr, $sires:expr) => {
        concat!("(
            with recursive kin (id, kind, sire_id, dam_id) as (
                select id, 'animal', sire_id, dam_id from animal
                where business_id = ", $business, " and id ", $animals, "
                union
                select id, 'sire', sire_id, dam_id from sire
                where business_id = ", $business, " and id ", $sires, "
                union
                select parent.* from kin cross join lateral (
                    select id, 'sire', sire_id, dam_id from sire
                    where business_id = ", $business, " and id = kin.sire_id
                    union all
                    select id, 'animal', sire_id, dam_id from animal
                    where business_id = ", $business, " and id = kin.dam_id
                ) parent
            )
            select coalesce(json_agg(json_build_array(kind, id, sire_id, dam_id)), '[]') from kin
        )")
    };
}
pub(crate) use pedigree_json;

/// Who it is, and the parents.
#[derive(Deserialize)]
struct Row(Kind, Uuid, Option<SireId>, Option<AnimalId>);

#[derive(Deserialize)]
#[serde(rename_all = "snake_case")]
enum Kind {
    Animal,
    Sire,
}

/// Reads what `pedigree_json!` wrote.
impl<'de> Deserialize<'de> for Pedigree<Relative> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> std::result::Result<Self, D::Error> {
        let mut pedigree = Self::new();
        for Row(kind, id, sire_id, dam_id) in Vec::deserialize(deserializer)? {
            let who = match kind {
                Kind::Animal => Relative::Animal(AnimalId(id)),
                Kind::Sire => Relative::Sire(SireId(id)),
            };
            pedigree.add(who, sire_id.map(Relative::Sire), dam_id.map(Relative::Animal));
        }
        Ok(pedigree)
    }
}

/// The known pedigree of an animal, if one is given, and of `sires`.
pub async fn of(
    tx: &mut Tx,
    business: BusinessId,
    animal: impl Into<Option<AnimalId>>,
    sires: &[SireId],
) -> Result<Pedigree<Relative>> {
    let found = tx
        .sql_for(
            concat!("select ", self::pedigree_json!(sqlite, "$1", "= $2", self::ids_in!(sqlite, "$3"))),
            concat!("select ", self::pedigree_json!(postgres, "$1", "= $2", self::ids_in!(postgres, "$3"))),
        )
        .bind(business)
        .bind(animal.into())
        .bind(list(sires))
        .value::<Json<_>>()
        .await?;
    Ok(found.map_or_else(Pedigree::new, |Json(pedigree)| pedigree))
}

/// The known pedigree of several animals.
pub async fn of_animals(
    tx: &mut Tx,
    business: BusinessId,
    animals: &[AnimalId],
) -> Result<Pedigree<Relative>> {
    let found = tx
        .sql_for(
            concat!(
                "select ",
                self::pedigree_json!(
                    sqlite,
                    "$1",
                    self::ids_in!(sqlite, "$2"),
                    self::ids_in!(sqlite, "'[]'")
                )
            ),
            concat!(
                "select ",
                self::pedigree_json!(
                    postgres,
                    "$1",
                    self::ids_in!(postgres, "$2"),
                    self::ids_in!(postgres, "'[]'")
                )
            ),
        )
        .bind(business)
        .bind(list(animals))
        .value::<Json<_>>()
        .await?;
    Ok(found.map_or_else(Pedigree::new, |Json(pedigree)| pedigree))
}

/// Ids as the JSON text that `ids_in!` reads.
pub fn list<I: serde::Serialize>(ids: &[I]) -> String {
    serde_json::to_string(ids).unwrap_or_default()
}
