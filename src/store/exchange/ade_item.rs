//! What herd systems told: each thing once, by the name that its sender gave it; what it is in the book.

use uuid::Uuid;

use crate::{
    domain::{
        exchange::{
            ade::{AdeItem, ItemKind},
            change::{Change, ChangeKind},
        },
        identifiers::ExternalId,
        values::{AdeItemId, AnimalId, BusinessId, HerdId, KeyId, Source, Timestamp},
    },
    store::{
        Page, Result, Tx,
        access::business,
        exchange::change::{self, NewChange},
    },
};

fn noted(item: &AdeItem) -> NewChange {
    let noted = NewChange::of(ChangeKind::AdeItem, item.id.0).herd(item.herd_id).reversed(item.is_gone());
    item.animal_id.map_or(noted, |animal| noted.animal(animal))
}

macro_rules! items {
    ($rest:expr) => {
        concat!(
            "select id, herd_id, kind, source, source_id, modified, deleted, animal_id, happened_at, resource, plan,
                    subject_id, flag is not null and resolved_at is null and not deleted as flagged, flag, flag_text,
                    resolution, resolved_at, note, recorded_at
             from ade_item ",
            $rest
        )
    };
}

/// Enters an item.
pub async fn add(tx: &mut Tx, business: BusinessId, by: KeyId, item: &AdeItem) -> Result<()> {
    business::forget_state(tx, business);
    tx.sql(
        "insert into ade_item (business_id, id, herd_id, kind, source, source_id, modified, deleted, animal_id,
                               happened_at, resource, plan, subject_id, flag, flag_text, resolution, resolved_at, note,
                               recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20)",
    )
    .bind(business)
    .bind(item.id)
    .bind(item.herd_id)
    .bind(item.kind)
    .bind(item.source.clone())
    .bind(item.source_id.clone())
    .bind(item.modified)
    .bind(item.deleted)
    .bind(item.animal_id)
    .bind(item.happened_at)
    .bind(item.resource.clone())
    .bind(item.plan.clone())
    .bind(item.subject_id)
    .bind(item.flag)
    .bind(item.flag_text.clone())
    .bind(item.resolution)
    .bind(item.resolved_at)
    .bind(item.note.clone())
    .bind(item.recorded_at)
    .bind(by)
    .run()
    .await?;
    change::note(tx, business, noted(item));
    Ok(())
}

/// Writes an item over; `by` is who resolved it, if somebody did just now.
pub async fn change(tx: &mut Tx, business: BusinessId, item: &AdeItem, by: Option<KeyId>) -> Result<()> {
    tx.sql(
        "update ade_item
         set herd_id = $3, modified = $4, deleted = $5, animal_id = $6, happened_at = $7, resource = $8, plan = $9,
             subject_id = $10, flag = $11, flag_text = $12, resolution = $13, resolved_at = $14, note = $15,
             resolved_by = case when $14 is null then null else coalesce($16, resolved_by) end
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(item.id)
    .bind(item.herd_id)
    .bind(item.modified)
    .bind(item.deleted)
    .bind(item.animal_id)
    .bind(item.happened_at)
    .bind(item.resource.clone())
    .bind(item.plan.clone())
    .bind(item.subject_id)
    .bind(item.flag)
    .bind(item.flag_text.clone())
    .bind(item.resolution)
    .bind(item.resolved_at)
    .bind(item.note.clone())
    .bind(by)
    .run()
    .await?;
    change::note(tx, business, noted(item));
    Ok(())
}

/// One item.
pub async fn find(tx: &mut Tx, business: BusinessId, id: AdeItemId) -> Result<Option<AdeItem>> {
    tx.sql(items!("where business_id = $1 and id = $2")).bind(business).bind(id).optional().await
}

/// The item that its sender calls so.
pub async fn by_source(
    tx: &mut Tx,
    business: BusinessId,
    kind: ItemKind,
    source: &Source,
    source_id: &Source,
) -> Result<Option<AdeItem>> {
    // Uses ade_item_by_source.
    tx.sql(items!("where business_id = $1 and kind = $2 and source = $3 and source_id = $4"))
        .bind(business)
        .bind(kind)
        .bind(source.clone())
        .bind(source_id.clone())
        .optional()
        .await
}

/// The item as which a thing of the book came; the first of several.
pub async fn of_subject(tx: &mut Tx, business: BusinessId, subject: Uuid) -> Result<Option<AdeItem>> {
    // Uses ade_item_by_subject.
    tx.sql(items!("where business_id = $1 and subject_id = $2 order by id limit 1"))
        .bind(business)
        .bind(subject)
        .optional()
        .await
}

/// The last mating recommendation for an animal up to a moment.
pub async fn plan_for(
    tx: &mut Tx,
    business: BusinessId,
    animal: AnimalId,
    at: Timestamp,
) -> Result<Option<AdeItem>> {
    // Uses ade_item_by_animal.
    tx.sql(items!(
        "where business_id = $1 and animal_id = $2 and kind = 'mating_recommendation' and not deleted
           and happened_at <= $3
         order by happened_at desc, id desc limit 1"
    ))
    .bind(business)
    .bind(animal)
    .bind(at)
    .optional()
    .await
}

/// Which items a list shows; what is not said is not asked.
#[derive(Clone, Copy, Debug, Default)]
pub struct FlagFilter {
    /// Of this herd.
    pub herd: Option<HerdId>,
    /// Of this animal.
    pub animal: Option<AnimalId>,
    /// Only those that a person still has to look at.
    pub flagged: bool,
}

/// Items, oldest entry first.
pub async fn list(tx: &mut Tx, business: BusinessId, wanted: FlagFilter, page: Page) -> Result<Vec<AdeItem>> {
    macro_rules! filtered {
        ($leading:literal) => {
            items!(concat!(
                "where business_id = $1 and id > $2 and ",
                $leading,
                " and ($4 is null or herd_id = $4)
                   and ($5 is null or animal_id = $5)
                   and (not $6 or (flag is not null and resolved_at is null and not deleted))
                 order by id limit $3"
            ))
        };
    }
    tx.sql(if wanted.flagged {
        // ade_item_flagged, which is short.
        filtered!("flag is not null and resolved_at is null")
    } else if wanted.animal.is_some() {
        // ade_item_by_animal, and then sorted: she has few.
        filtered!("animal_id = $5")
    } else if wanted.herd.is_some() {
        // ade_item_by_herd.
        filtered!("herd_id = $4")
    } else {
        // The primary key.
        filtered!("not $6")
    })
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(wanted.herd)
    .bind(wanted.animal)
    .bind(wanted.flagged)
    .all()
    .await
}

/// The item made this in the book, and tells it from now on.
pub async fn made(tx: &mut Tx, business: BusinessId, item: AdeItemId, subject: Uuid) -> Result<()> {
    tx.sql("insert into ade_made (business_id, subject_id, item_id) values ($1, $2, $3)")
        .bind(business)
        .bind(subject)
        .bind(item)
        .run()
        .await
        .map(drop)
}

/// The item that made this in the book.
pub async fn maker(tx: &mut Tx, business: BusinessId, subject: Uuid) -> Result<Option<AdeItemId>> {
    tx.sql("select item_id from ade_made where business_id = $1 and subject_id = $2")
        .bind(business)
        .bind(subject)
        .value()
        .await
}

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
    /// What does not count any more as well.
    pub with_reversed: bool,
}

/// The condition that is the same for the page and its count. An animal is told as itself however many
/// systems told of her; an event that came as an item is told as the item.
macro_rules! told {
    ($select:literal, $rest:literal) => {
        concat!(
            $select,
            " from change c
             left join ade_item a on c.kind = 'ade_item' and a.business_id = c.business_id and a.id = c.subject_id
             where c.business_id = $1 and c.herd_id = $2
               and ((c.kind = $3 and not exists (select 1 from ade_made m
                                     where m.business_id = $1 and m.subject_id = c.subject_id))
                    or (a.kind = $4 and (a.kind <> 'animal' or a.subject_id is null)))
               and ($5 is null or c.changed_at >= $5) and ($6 is null or c.changed_at <= $6)
               and ($7 or not c.reversed)
               and (($8 is null and $10 is null) or c.animal_id = $10
                    or c.animal_id in (select i.subject_id from identifier i
                                       where i.business_id = $1 and i.scheme = $8 and i.code = $9)) ",
            $rest
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

/// What is told after the change `after`, in the order of changes.
pub async fn list_items(
    tx: &mut Tx,
    business: BusinessId,
    told: &ItemFilter,
    after: i64,
    limit: i64,
) -> Result<Vec<Change>> {
    // Uses change_by_herd.
    let sql = tx.sql(told!(
        "select c.seq, c.kind, c.subject_id, c.herd_id, c.animal_id, c.reversed, c.created_at, c.changed_at",
        "and c.seq > $11 order by c.seq limit $12"
    ));
    bound!(sql, business, told).bind(after).bind(limit).all().await
}

/// How many are told in all.
pub async fn count(tx: &mut Tx, business: BusinessId, told: &ItemFilter) -> Result<i64> {
    let sql = tx.sql(told!("select cast(count(*) as bigint)", ""));
    Ok(bound!(sql, business, told).value().await?.unwrap_or(0))
}
