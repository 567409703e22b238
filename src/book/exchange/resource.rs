//! What herd systems are told: things of the book with all that is said of them, however many in the same statements.

use uuid::Uuid;

use crate::{
    book::lookup,
    domain::{
        exchange::{
            ade::ItemKind,
            outgoing::{OutgoingChange, Resource, Subject, Subjects},
        },
        values::{BusinessId, HerdId},
    },
    store::{
        self, Tx,
        animals::{animal, event, mating_plan, service},
        exchange::outgoing::ItemFilter,
    },
};

/// A page of what is told.
#[derive(Debug)]
pub struct TellingPage {
    /// How many are told in all.
    pub total: i64,
    /// Those of this page.
    pub members: Vec<Resource>,
    /// After which change the next page begins, if there is one.
    pub next: Option<i64>,
}

/// What is told after the change `after`, `size` of them at most.
pub async fn page(
    tx: &mut Tx,
    business: BusinessId,
    filter: &ItemFilter,
    after: i64,
    size: i64,
) -> store::Result<TellingPage> {
    let mut told = store::exchange::outgoing::list(tx, business, filter, after, size + 1).await?;
    let total = match told.first() {
        Some(first) => first.total,
        // Nothing of that follows; what comes before it is counted all the same.
        None => store::exchange::outgoing::count(tx, business, filter).await?,
    };
    let shown = usize::try_from(size).unwrap_or(usize::MAX);
    let more = told.len() > shown;
    told.truncate(shown);
    let next = told.last().filter(|_| more).map(|last| last.change.seq);
    Ok(TellingPage { total, members: resources(tx, business, filter.kind, told).await?, next })
}

/// The thing of that id at a herd's location.
pub async fn find(
    tx: &mut Tx,
    business: BusinessId,
    herd: HerdId,
    kind: ItemKind,
    id: Uuid,
) -> store::Result<Option<Resource>> {
    let told = store::exchange::outgoing::find(tx, business, herd, kind, id).await?;
    let told = told.into_iter().collect();
    Ok(resources(tx, business, kind, told).await?.pop())
}

/// What is told, with what each is in the book: one statement for all.
async fn resources(
    tx: &mut Tx,
    business: BusinessId,
    kind: ItemKind,
    told: Vec<OutgoingChange>,
) -> store::Result<Vec<Resource>> {
    let ids: Vec<Uuid> =
        told.iter().filter(|told| !told.is_elsewhere).filter_map(|told| told.subject(kind)).collect();
    let subjects = subjects(tx, business, kind, &ids).await?;
    let resource = |told: OutgoingChange| {
        let subject = match told.subject(kind) {
            None => Subject::None,
            Some(_) if told.is_elsewhere => Subject::Elsewhere,
            Some(id) => match subjects.get(&id).cloned() {
                Some(subject) => subject,
                // A plan that was replaced or taken away is not kept.
                None if kind == ItemKind::MatingRecommendation => Subject::None,
                None => return Err(lookup::lost("subject of an item", id)),
            },
        };
        let OutgoingChange { change, sent, animal, .. } = told;
        Ok(Resource { kind, change, sent, animal, subject })
    };
    told.into_iter().map(resource).collect()
}

async fn subjects(
    tx: &mut Tx,
    business: BusinessId,
    kind: ItemKind,
    ids: &[Uuid],
) -> store::Result<Subjects> {
    if ids.is_empty() {
        return Ok(Subjects::new());
    }
    Ok(match kind {
        ItemKind::MatingRecommendation => {
            let planned = mating_plan::of_ids(tx, business, ids).await?;
            let plans = planned.into_iter().filter_map(|planned| planned.plan);
            plans.map(|plan| (plan.id.0, Subject::Plan(Box::new(plan)))).collect()
        }
        ItemKind::Insemination => {
            let services = service::of_ids(tx, business, ids).await?;
            services.into_iter().map(|one| (one.id.0, Subject::Service(Box::new(one)))).collect()
        }
        ItemKind::Animal => {
            let animals = animal::descents(tx, business, ids).await?;
            animals.into_iter().map(|one| (one.animal.id.0, Subject::Animal(Box::new(one)))).collect()
        }
        ItemKind::Heat
        | ItemKind::PregnancyCheck
        | ItemKind::Parturition
        | ItemKind::Abortion
        | ItemKind::DoNotBreed => {
            let events = event::of_ids(tx, business, ids).await?;
            events.into_iter().map(|one| (one.id.0, Subject::Event(Box::new(one)))).collect()
        }
    })
}
