//! What herd systems told: each thing once, by the name that its sender gave it; what it is in the book.

use serde_json::json;
use uuid::Uuid;

use crate::{
    domain::{
        exchange::{
            ade::{AdeItem, ItemKind},
            change::ChangeKind,
        },
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

/// Enters an item with what it made in the book, in one call.
pub async fn add(tx: &mut Tx, business: BusinessId, by: KeyId, item: &AdeItem, made: &[Uuid]) -> Result<()> {
    business::has_items_now(tx, business);
    tx.sql_for(
        "insert into ade_item (business_id, id, herd_id, kind, source, source_id, modified, deleted, animal_id,
                               happened_at, resource, plan, subject_id, flag, flag_text, resolution, resolved_at, note,
                               recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20);
         insert into ade_made (business_id, subject_id, item_id)
         select $1, unhex(m.value, '-'), $2 from json_each($21) as m",
        "with entered as (
             insert into ade_item (business_id, id, herd_id, kind, source, source_id, modified, deleted, animal_id,
                               happened_at, resource, plan, subject_id, flag, flag_text, resolution, resolved_at, note,
                               recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20))
         insert into ade_made (business_id, subject_id, item_id)
         select $1, m.value::uuid, $2 from json_array_elements_text($21::json) as m(value)",
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
    .bind(json!(made).to_string())
    .run()
    .await?;
    change::note(tx, business, noted(item));
    Ok(())
}

/// Writes an item over, with what it made in the book, in one call; `by` is who resolved it, if somebody did just now.
pub async fn change(
    tx: &mut Tx,
    business: BusinessId,
    item: &AdeItem,
    by: Option<KeyId>,
    made: &[Uuid],
) -> Result<()> {
    tx.sql_for(
        "update ade_item
         set herd_id = $3, modified = $4, deleted = $5, animal_id = $6, happened_at = $7, resource = $8, plan = $9,
             subject_id = $10, flag = $11, flag_text = $12, resolution = $13, resolved_at = $14, note = $15,
             resolved_by = case when $14 is null then null else coalesce($16, resolved_by) end
         where business_id = $1 and id = $2;
         insert into ade_made (business_id, subject_id, item_id)
         select $1, unhex(m.value, '-'), $2 from json_each($17) as m",
        "with changed as (
             update ade_item
             set herd_id = $3, modified = $4, deleted = $5, animal_id = $6, happened_at = $7, resource = $8, plan = $9,
                 subject_id = $10, flag = $11, flag_text = $12, resolution = $13, resolved_at = $14, note = $15,
                 resolved_by = case when $14 is null then null else coalesce($16, resolved_by) end
             where business_id = $1 and id = $2)
         insert into ade_made (business_id, subject_id, item_id)
         select $1, m.value::uuid, $2 from json_array_elements_text($17::json) as m(value)",
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
    .bind(json!(made).to_string())
    .run()
    .await?;
    change::note(tx, business, noted(item));
    Ok(())
}

/// The same was said at a later time: what is older than that is known from now on. Nothing of the item changed, so
/// nothing is noted, and systems that forward everything to each other come to rest.
pub async fn said_again(tx: &mut Tx, business: BusinessId, id: AdeItemId, modified: Timestamp) -> Result<()> {
    tx.sql("update ade_item set modified = $3 where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .bind(modified)
        .run()
        .await
        .map(drop)
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

/// The last mating recommendation for an animal that stands, `except` aside.
pub async fn last_recommendation(
    tx: &mut Tx,
    business: BusinessId,
    animal: AnimalId,
    except: AdeItemId,
) -> Result<Option<AdeItem>> {
    // Uses ade_item_by_animal.
    tx.sql(items!(
        "where business_id = $1 and animal_id = $2 and kind = 'mating_recommendation' and not deleted and id <> $3
           and happened_at is not null
         order by happened_at desc, id desc limit 1"
    ))
    .bind(business)
    .bind(animal)
    .bind(except)
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

/// The item that made this in the book.
pub async fn maker(tx: &mut Tx, business: BusinessId, subject: Uuid) -> Result<Option<AdeItemId>> {
    tx.sql("select item_id from ade_made where business_id = $1 and subject_id = $2")
        .bind(business)
        .bind(subject)
        .value()
        .await
}
