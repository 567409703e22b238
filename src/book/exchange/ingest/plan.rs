//! A mating recommendation that came or was taken back: what becomes of the plan of its animal.

use uuid::Uuid;

use crate::{
    book::{
        command::CommandContext,
        exchange::ingest::{Message, own},
        lookup,
    },
    domain::{
        animals::mating_plan::{Landing, MOST_CHOICES, MatingPlan, PlanSource, PlannedChoice, landing},
        exchange::ade::{AdeItem, Plan, Recommended},
        values::{AnimalId, HerdId, MatingPlanId},
    },
    store::{
        self,
        animals::{identifier::NamedSire, mating_plan},
        exchange::ade_item,
    },
};

/// What is to be done with the plan of one animal.
enum Step {
    Set(HerdId, Box<MatingPlan>, Option<MatingPlanId>),
    Remove(HerdId, AnimalId, MatingPlanId),
}

/// What is to be done with plans once the item is written.
#[derive(Default)]
pub(super) struct Steps {
    todo: Vec<Step>,
    /// What comes into the book by the item, and is told as the item.
    pub made: Vec<Uuid>,
    /// What the sender should know.
    pub messages: Vec<Message>,
}

/// Decides what becomes of the plans of her whom `item` is about as it stands now, and of her whom it was about `before`.
pub(super) async fn decide(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    before: Option<AnimalId>,
) -> store::Result<Steps> {
    let mut steps = Steps::default();
    let other = before.filter(|before| item.animal_id != Some(*before));
    for animal in item.animal_id.into_iter().chain(other) {
        let business = cx.business();
        let found = mating_plan::find(cx.tx, business, animal).await?;
        let found = found.ok_or_else(|| lookup::lost("animal", animal.0))?;
        let another = ade_item::last_recommendation(cx.tx, business, animal, item.id).await?;
        let stands = Some(item).filter(|item| !item.deleted && item.animal_id == Some(animal));
        let last =
            stands.into_iter().chain(another.as_ref()).filter_map(|one| Some((one.happened_at?, one.id)));
        let last = last.max().map(|(at, id)| (id, at));
        let current = found.plan.as_ref();
        match landing(current, item.id, last) {
            Landing::Keep => {}
            Landing::KeepLater => {
                let text = "It is kept; the plan of the animal was set by hand after it was made, and stays.";
                steps.messages.push(Message::information(text));
            }
            Landing::Remove => {
                steps.todo.extend(current.map(|plan| Step::Remove(found.herd_id, animal, plan.id)));
            }
            Landing::Set(last) => {
                let Some(source) = stands.into_iter().chain(another.as_ref()).find(|one| one.id == last)
                else {
                    continue;
                };
                let plan = plan_of(cx, source, animal, &mut steps.messages).await?;
                steps.made.push(plan.id.0);
                steps.todo.push(Step::Set(found.herd_id, Box::new(plan), current.map(|plan| plan.id)));
            }
        }
    }
    Ok(steps)
}

impl Steps {
    /// Does it.
    pub(super) async fn run(self, cx: &mut CommandContext<'_>) -> store::Result<()> {
        let business = cx.business();
        for step in self.todo {
            match step {
                Step::Set(herd, plan, before) => {
                    mating_plan::set(cx.tx, business, herd, &plan, before).await?;
                }
                Step::Remove(herd, animal, plan) => {
                    mating_plan::remove(cx.tx, business, herd, animal, plan).await?;
                }
            }
        }
        Ok(())
    }
}

/// The plan that a recommendation makes. A sire whom the book does not know by a name that is his alone is found by it once
/// it does.
async fn plan_of(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    animal_id: AnimalId,
    messages: &mut Vec<Message>,
) -> store::Result<MatingPlan> {
    let business = cx.business();
    let mut told: Vec<Recommended> = item.plan.clone().map(|Plan(told)| told).unwrap_or_default();
    told.sort_by_key(|told| told.rank.unwrap_or(i64::MAX));
    if told.len() > MOST_CHOICES {
        let text =
            format!("Of {} recommendations the first {MOST_CHOICES} by rank are the plan.", told.len());
        messages.push(Message::warning(text));
        told.truncate(MOST_CHOICES);
    }
    let names: Vec<_> = told.iter().flat_map(|told| told.sires.iter().cloned()).collect();
    let known = store::animals::identifier::sires(cx.tx, business, &names, own::SIRE).await?;
    let (mut choices, mut first) = (Vec::new(), 0);
    for told in told {
        let lines = first..first + told.sires.len();
        first = lines.end;
        let is_his = |sire: &&NamedSire| usize::try_from(sire.line).is_ok_and(|line| lines.contains(&line));
        let mut sires: Vec<&NamedSire> = known.iter().filter(is_his).collect();
        sires.sort_by_key(|sire| sire.id);
        sires.dedup_by_key(|sire| sire.id);
        let sire = sires.first().copied().filter(|_| sires.len() == 1);
        choices.push(PlannedChoice {
            recommendation: told.recommendation,
            sire_id: sire.map(|sire| sire.id),
            sire_name: sire.map(|sire| sire.name.clone()).or(told.sire_name),
            sire_identifiers: told.sires,
            semen_type: told.semen_type,
            from_service: None,
            to_service: None,
            lactation: told.lactation,
        });
    }
    Ok(MatingPlan {
        id: MatingPlanId::new(),
        animal_id,
        choices,
        source: PlanSource::HerdSoftware,
        item_id: Some(item.id),
        planned_at: item.happened_at.unwrap_or(item.recorded_at),
        note: None,
        recorded_at: cx.now,
        recorded_by: cx.caller.key_id,
    })
}
