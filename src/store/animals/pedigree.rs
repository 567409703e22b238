//! The known pedigree around a mating: the animal, the sires and all their ancestors, however far back.

use serde::{Deserialize, Deserializer};
use sqlx::types::Json;
use uuid::Uuid;

use crate::{
    domain::{
        animals::kinship::{Pedigree, Relative},
        identifiers::ExternalId,
        values::{AnimalId, BusinessId, SireId},
    },
    store::{
        Result, Tx,
        ids::{ids_in, json_ids},
    },
};

/// What a line of the pedigree says of a sire `s`: his parents and his dam's sire, those named only by an official name
/// too, if someone in this book goes by it; and the names themselves (`$names`, in each database's own words).
macro_rules! sire_line {
    ($names:literal) => {
        concat!(
            "s.id, 'sire', ",
            $crate::store::animals::pedigree::sire_line!(@or_named "s.sire_id", "s.sire_identifier"), ", ",
            $crate::store::animals::pedigree::sire_line!(@or_named "s.dam_id", "s.dam_identifier"), ", ",
            $crate::store::animals::pedigree::sire_line!(@or_named "s.maternal_grandsire_id", "s.maternal_grandsire_identifier"),
            ", case when coalesce(s.sire_identifier, s.dam_identifier, s.maternal_grandsire_identifier) is not null then ",
            $names,
            " end"
        )
    };
    // Uses identifier_by_code.
    (@or_named $id:literal, $name:literal) => {
        concat!(
            "coalesce(", $id, ", case when ", $name, " is not null then (
                 select i.subject_id from identifier i
                 where i.business_id = s.business_id and i.scheme = ", $name, " ->> 'scheme' and i.code = ", $name, " ->> 'id'
                 order by i.subject_id limit 1) end)"
        )
    };
}
pub(crate) use sire_line;

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
            with recursive kin (id, kind, sire_id, dam_id, grandsire_id, names) as (
                select id, 'animal', sire_id, dam_id, null, null from animal
                where business_id = ", $business, " and id ", $animals, "
                union
                select ", $crate::store::animals::pedigree::sire_line!("json_array(json(s.sire_identifier), json(s.dam_identifier),
                           json(s.maternal_grandsire_identifier))"), " from sire s
                where s.business_id = ", $business, " and s.id ", $sires, "
                union
                select ", $crate::store::animals::pedigree::sire_line!("json_array(json(s.sire_identifier), json(s.dam_identifier),
                           json(s.maternal_grandsire_identifier))"), "
                from kin cross join sire s on s.business_id = ", $business, " and s.id = kin.sire_id
                union
                select ", $crate::store::animals::pedigree::sire_line!("json_array(json(s.sire_identifier), json(s.dam_identifier),
                           json(s.maternal_grandsire_identifier))"), "
                from kin cross join sire s on s.business_id = ", $business, " and s.id = kin.grandsire_id
                union
                select dam.id, 'animal', dam.sire_id, dam.dam_id, null, null
                from kin cross join animal dam on dam.business_id = ", $business, " and dam.id = kin.dam_id
            )
            select json_group_array(json_array(
                kind, hex(id), nullif(hex(sire_id), ''), nullif(hex(dam_id), ''), nullif(hex(grandsire_id), ''), json(names)
            )) from kin
        )")
    };
    (postgres, $business:literal, $animals:expr, $sires:expr) => {
        concat!("(
            with recursive kin (id, kind, sire_id, dam_id, grandsire_id, names) as (
                select id, 'animal', sire_id, dam_id, null::uuid, null::jsonb from animal
                where business_id = ", $business, " and id ", $animals, "
                union
                select ", $crate::store::animals::pedigree::sire_line!("jsonb_build_array(s.sire_identifier, s.dam_identifier,
                           s.maternal_grandsire_identifier)"), " from sire s
                where s.business_id = ", $business, " and s.id ", $sires, "
                union
                select parent.* from kin cross join lateral (
                    select ", $crate::store::animals::pedigree::sire_line!("jsonb_build_array(s.sire_identifier, s.dam_identifier,
                           s.maternal_grandsire_identifier)"), " from sire s
                    where s.business_id = ", $business, " and s.id in (kin.sire_id, kin.grandsire_id)
                    union all
                    select id, 'animal', sire_id, dam_id, null, null from animal
                    where business_id = ", $business, " and id = kin.dam_id
                ) parent
            )
            select coalesce(json_agg(json_build_array(kind, id, sire_id, dam_id, grandsire_id, names)), '[]') from kin
        )")
    };
}
pub(crate) use pedigree_json;

/// Who it is, the parents, the dam's sire, and the official names of these three.
#[derive(Deserialize)]
struct Row(Kind, Uuid, Option<SireId>, Option<AnimalId>, Option<SireId>, Option<[Option<ExternalId>; 3]>);

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
        for Row(kind, id, sire_id, dam_id, grandsire_id, names) in Vec::deserialize(deserializer)? {
            let who = match kind {
                Kind::Animal => Relative::Animal(AnimalId(id)),
                Kind::Sire => Relative::Sire(SireId(id)),
            };
            let [sire, dam, grandsire] =
                names.unwrap_or_default().map(|name| name.as_ref().map(Relative::outside));
            pedigree.add(who, sire_id.map(Relative::Sire).or(sire), dam_id.map(Relative::Animal).or(dam));
            if let Some(grandsire) = grandsire_id.map(Relative::Sire).or(grandsire) {
                pedigree.add_maternal_grandsire(who, grandsire);
            }
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
            concat!("select ", self::pedigree_json!(sqlite, "$1", "= $2", ids_in!(sqlite, "$3"))),
            concat!("select ", self::pedigree_json!(postgres, "$1", "= $2", ids_in!(postgres, "$3"))),
        )
        .bind(business)
        .bind(animal.into())
        .bind(json_ids(sires))
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
    of_matings(tx, business, animals, &[]).await
}

/// The known pedigree of several animals and sires.
pub async fn of_matings(
    tx: &mut Tx,
    business: BusinessId,
    animals: &[AnimalId],
    sires: &[SireId],
) -> Result<Pedigree<Relative>> {
    let found = tx
        .sql_for(
            concat!(
                "select ",
                self::pedigree_json!(sqlite, "$1", ids_in!(sqlite, "$2"), ids_in!(sqlite, "$3"))
            ),
            concat!(
                "select ",
                self::pedigree_json!(postgres, "$1", ids_in!(postgres, "$2"), ids_in!(postgres, "$3"))
            ),
        )
        .bind(business)
        .bind(json_ids(animals))
        .bind(json_ids(sires))
        .value::<Json<_>>()
        .await?;
    Ok(found.map_or_else(Pedigree::new, |Json(pedigree)| pedigree))
}
