//! What herd systems are told: a thing of the book with all that is said of it.

use uuid::Uuid;

use crate::{
    book::lookup,
    domain::{
        animals::{animal::Animal, event::Event, service::Service},
        exchange::{
            ade::{AdeItem, ItemKind},
            change::{Change, ChangeKind},
        },
        straws::sire::SireSummary,
        values::{AdeItemId, AnimalId, BusinessId, EventId, HerdId, ServiceId},
    },
    store::{self, Tx},
};

/// A thing as herd systems are told it.
#[derive(Clone, Debug)]
pub struct Resource {
    /// What kind of thing.
    pub kind: ItemKind,
    /// Its id and when it last changed.
    pub change: Change,
    /// As it came, if it came from a herd system.
    pub item: Option<AdeItem>,
    /// Her of whom it is told.
    pub animal: Option<Animal>,
    /// What it is in the book.
    pub subject: Subject,
}

/// What a thing is in the book.
#[derive(Clone, Debug)]
pub enum Subject {
    /// Nothing: it is only kept.
    None,
    /// Something that happened.
    Event(Event),
    /// A service.
    Service(Box<Service>),
    /// The animal herself, with her parents where known.
    Animal {
        /// Her sire.
        sire: Option<SireSummary>,
        /// Her dam.
        dam: Option<Box<Animal>>,
    },
}

/// The thing that a change is about.
pub async fn of(
    tx: &mut Tx,
    business: BusinessId,
    kind: ItemKind,
    change: Change,
) -> store::Result<Resource> {
    if change.kind == ChangeKind::AdeItem {
        let item = store::exchange::ade_item::find(tx, business, AdeItemId(change.id)).await?;
        let item = item.ok_or_else(|| lookup::lost("item", change.id))?;
        return with(tx, business, change, kind, item.subject_id, Some(item)).await;
    }
    let subject = Some(change.id);
    let item = match kind {
        ItemKind::Animal => store::exchange::ade_item::of_subject(tx, business, change.id).await?,
        _ => None,
    };
    with(tx, business, change, kind, subject, item).await
}

/// An item: an animal as herself, all else as it came.
pub async fn as_item(tx: &mut Tx, business: BusinessId, item: AdeItem) -> store::Result<Resource> {
    let (kind, id) = match (item.kind, item.subject_id) {
        (ItemKind::Animal, Some(animal)) => (ChangeKind::Animal, animal),
        _ => (ChangeKind::AdeItem, item.id.0),
    };
    let change = store::exchange::change::find(tx, business, kind, id)
        .await?
        .ok_or_else(|| lookup::lost("change", id))?;
    with(tx, business, change, item.kind, item.subject_id, Some(item)).await
}

/// The thing of that id at a herd's location.
pub async fn find(
    tx: &mut Tx,
    business: BusinessId,
    herd: HerdId,
    kind: ItemKind,
    id: Uuid,
) -> store::Result<Option<Resource>> {
    let item = store::exchange::ade_item::find(tx, business, AdeItemId(id)).await?;
    if let Some(item) = item.filter(|item| item.kind == kind && item.herd_id == herd) {
        return as_item(tx, business, item).await.map(Some);
    }
    let Some(subject) = kind.subject() else { return Ok(None) };
    let change = store::exchange::change::find(tx, business, subject, id).await?;
    match change.filter(|change| change.herd_id == Some(herd)) {
        None => Ok(None),
        // What an item made is told as the item.
        Some(_) if store::exchange::ade_item::maker(tx, business, id).await?.is_some() => Ok(None),
        Some(change) => of(tx, business, kind, change).await.map(Some),
    }
}

async fn with(
    tx: &mut Tx,
    business: BusinessId,
    change: Change,
    kind: ItemKind,
    subject: Option<Uuid>,
    item: Option<AdeItem>,
) -> store::Result<Resource> {
    let subject = match (kind, subject) {
        (_, None) | (ItemKind::MatingRecommendation, _) => Subject::None,
        (ItemKind::Insemination, Some(id)) => {
            let service = store::animals::service::find(tx, business, ServiceId(id)).await?;
            Subject::Service(Box::new(service.ok_or_else(|| lookup::lost("service", id))?))
        }
        (ItemKind::Animal, Some(id)) => {
            let animal = lookup::animal_of(tx, business, AnimalId(id)).await?;
            let sire = match animal.details.sire_id {
                Some(sire) => Some(SireSummary::from(&lookup::sire_of(tx, business, sire).await?)),
                None => None,
            };
            let dam = match animal.details.dam_id {
                Some(dam) => Some(Box::new(lookup::animal_of(tx, business, dam).await?)),
                None => None,
            };
            Subject::Animal { sire, dam }
        }
        (_, Some(id)) => {
            let event = store::animals::event::find(tx, business, EventId(id)).await?;
            Subject::Event(event.ok_or_else(|| lookup::lost("event", id))?)
        }
    };
    let animal = match change.animal_id.or_else(|| item.as_ref().and_then(|item| item.animal_id)) {
        Some(animal) => Some(lookup::animal_of(tx, business, animal).await?),
        None => None,
    };
    Ok(Resource { kind, change, item, animal, subject })
}
