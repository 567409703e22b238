//! What herd systems are told: a page of changes with how each thing came and whose it is, in one statement.

use uuid::Uuid;

use crate::{
    domain::{
        exchange::{ade::ItemKind, outgoing::OutgoingChange},
        identifiers::ExternalId,
        values::{AnimalId, BusinessId, HerdId, Timestamp},
    },
    store::{Result, Tx},
};

/// Which things are told to a herd system.
#[derive(Clone, Debug)]
pub struct ItemFilter {
    /// Of this herd.
    pub herd: HerdId,
    /// Of this kind.
    pub kind: ItemKind,
    /// Last changed not before this.
    pub from: Option<Timestamp>,
    /// Last changed not after this.
    pub to: Option<Timestamp>,
    /// Of the animals that go by this name.
    pub animal: Option<ExternalId>,
    /// Or of this animal.
    pub animal_id: Option<AnimalId>,
    /// What does not count any more as well, and animals that are at another location now.
    pub with_reversed: bool,
}

/// At the location: an event by its herd.
macro_rules! its_herd {
    () => {
        "c.herd_id = $2"
    };
}

/// An animal as well where she was before, while she is elsewhere. Only of animals, because with it the index by herd
/// does not lead to a page at once.
macro_rules! her_herds {
    () => {
        "(c.herd_id = $2
          or ($7 and c.kind = 'animal'
              and c.subject_id in (select f.animal_id from former_herd f where f.business_id = $1 and f.herd_id = $2)))"
    };
}

/// What is told of the kind `$3`, `$4`. An animal is told as itself however many systems told of her; an event that came
/// as an item is told as the item.
macro_rules! its_kind {
    () => {
        "((c.kind = $3 and not exists (select 1 from ade_made m
                           where m.business_id = $1 and m.subject_id = c.subject_id))
          or (a.kind = $4 and (a.kind <> 'animal' or a.subject_id is null)))"
    };
}

/// The condition that is the same for the page and its count.
macro_rules! condition {
    ($at:ident) => {
        concat!(
            "c.business_id = $1 and ",
            $at!(),
            " and ",
            its_kind!(),
            " and ($5 is null or c.changed_at >= $5) and ($6 is null or c.changed_at <= $6)
              and ($7 or not c.reversed)
              and (($8 is null and $10 is null) or c.animal_id = $10
                   or c.animal_id in (select i.subject_id from identifier i
                                      where i.business_id = $1 and i.scheme = $8 and i.code = $9))"
        )
    };
}

macro_rules! count {
    ($at:ident) => {
        concat!(
            "select cast(count(*) as bigint)
             from change c
             left join ade_item a on c.kind = 'ade_item' and a.business_id = c.business_id and a.id = c.subject_id
             where ",
            condition!($at)
        )
    };
}

macro_rules! bound {
    ($sql:expr, $business:expr, $told:expr) => {
        $sql.bind($business)
            .bind($told.herd)
            .bind($told.kind.subject())
            .bind($told.kind)
            .bind($told.from)
            .bind($told.to)
            .bind($told.with_reversed)
            .bind($told.animal.as_ref().map(|name| name.scheme.clone()))
            .bind($told.animal.as_ref().map(|name| name.id.clone()))
            .bind($told.animal_id)
    };
}

macro_rules! told {
    ($total:expr, $condition:expr) => {
        // Uses ade_item_by_subject for what a system said of an animal.
        concat!(
            "select c.seq, c.kind, c.subject_id, c.herd_id, c.animal_id, c.reversed, c.created_at, c.changed_at,
                    o.source as item_source, o.source_id as item_source_id, o.resource as item_resource,
                    o.subject_id as item_subject_id, n.id as told_animal_id, n.identifiers as told_identifiers,
                    c.herd_id <> $2 as is_elsewhere, ",
            $total,
            " as total
             from change c
             left join ade_item a on c.kind = 'ade_item' and a.business_id = c.business_id and a.id = c.subject_id
             left join ade_item o on o.business_id = c.business_id
                  and o.id = coalesce(a.id, (select i.id from ade_item i
                                             where c.kind = 'animal' and i.business_id = c.business_id
                                               and i.subject_id = c.subject_id
                                             order by i.id limit 1))
             left join animal n on n.business_id = c.business_id
                  and n.id = case when a.id is null then c.animal_id else a.animal_id end
             where ",
            $condition
        )
    };
}

macro_rules! page {
    ($at:ident) => {
        told!(
            concat!("(", count!($at), ")"),
            concat!(condition!($at), " and c.seq > $11 order by c.seq limit $12")
        )
    };
}

/// What is told after the change `after`, in the order of changes; each with how many are told in all.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    filter: &ItemFilter,
    after: i64,
    limit: i64,
) -> Result<Vec<OutgoingChange>> {
    // Uses change_by_herd.
    let text = if filter.kind == ItemKind::Animal { page!(her_herds) } else { page!(its_herd) };
    bound!(tx.sql(text), business, filter).bind(after).bind(limit).all().await
}

/// How many are told in all.
pub async fn count(tx: &mut Tx, business: BusinessId, filter: &ItemFilter) -> Result<i64> {
    let text = if filter.kind == ItemKind::Animal { count!(her_herds) } else { count!(its_herd) };
    Ok(bound!(tx.sql(text), business, filter).value().await?.unwrap_or(0))
}

/// The one of that id, or the animal of whom the item of that id told; at her location before as well.
pub async fn find(
    tx: &mut Tx,
    business: BusinessId,
    herd: HerdId,
    kind: ItemKind,
    id: Uuid,
) -> Result<Option<OutgoingChange>> {
    tx.flush().await?;
    // Uses the primary key of change: an item is told again after each that comes in.
    let text = told!(
        "cast(1 as bigint)",
        concat!(
            "c.business_id = $1 and c.kind in ($3, 'ade_item')
             and c.subject_id = coalesce((select i.subject_id from ade_item i
                                          where i.business_id = $1 and i.id = $5 and i.kind = 'animal'), $5)
             and (c.herd_id = $2
                  or (c.kind = 'animal'
                      and exists (select 1 from former_herd f
                                  where f.business_id = $1 and f.herd_id = $2 and f.animal_id = c.subject_id)))
             and ",
            its_kind!()
        )
    );
    tx.sql(text).bind(business).bind(herd).bind(kind.subject()).bind(kind).bind(id).optional().await
}
