//! Something happened to an animal: a heat, a pregnancy check, a calving, an abortion, a decision
//! whether she may be bred.
//!
//! What has happened is never refused for what it means; it may only be impossible, such as a
//! calving before her own birth.

use crate::{
    book::{
        CommandError, Rejection,
        command::{Command, CommandContext},
        lookup,
    },
    domain::{
        animals::{
            animal::Animal,
            event::Event,
            gestation,
            herd::HerdDetails,
            history::{AnimalEvent, AnimalHistory, CheckResult},
        },
        form::Fault,
        values::{AnimalId, BusinessId, EventId, Note, Technician, Timestamp},
    },
    store::{self, Tx},
};

/// Reports what happened to an animal.
#[derive(Clone, Debug)]
pub struct Report {
    /// To whom.
    pub animal_id: AnimalId,
    /// What.
    pub what: AnimalEvent,
    /// When; now when not said.
    pub at: Option<Timestamp>,
    /// The name of that field to the caller.
    pub at_field: &'static str,
    /// Who reports it.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
}

impl Command for Report {
    type Done = Event;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Event, CommandError> {
        let (at, ahead) = lookup::client_time(self.at, cx, self.at_field)?;
        let animal = lookup::animal(cx, self.animal_id, Some("#/animal_id")).await?;
        let business = cx.business();
        let herd = lookup::herd_of(cx.tx, business, animal.details.herd_id).await?.details;
        born_before(&animal, &herd, at, self.at_field)?;
        let history = lookup::history(cx.tx, business, animal.id).await?;
        let event = Event {
            id: EventId::new(),
            herd_id: animal.details.herd_id,
            animal_id: animal.id,
            happened_at: at,
            what: self.what.clone(),
            technician: self.technician.clone(),
            note: self.note.clone(),
            reversed_at: None,
            warnings: ahead.into_iter().chain(doubt(&self.what, at, &history, &herd)).collect(),
            recorded_at: cx.now,
        };
        store::animals::event::add(cx.tx, business, cx.caller.key_id, &event).await?;
        renumber(cx.tx, business, animal.id, &herd).await?;
        Ok(event)
    }
}

/// Refuses a moment before the animal was born.
pub fn born_before(
    animal: &Animal,
    herd: &HerdDetails,
    at: Timestamp,
    field: &'static str,
) -> Result<(), Rejection> {
    match animal.details.born_on {
        Some(born) if at.day_in(herd.time_zone) < born => {
            Err(Rejection::Invalid(vec![Fault::at(field, format!("lies before she was born, on {born}"))]))
        }
        _ => Ok(()),
    }
}

/// Gives every service of an animal the number and rank that follow from all that is on record:
/// what came late may have moved those after it.
pub async fn renumber(
    tx: &mut Tx,
    business: BusinessId,
    animal: AnimalId,
    herd: &HerdDetails,
) -> store::Result<()> {
    let services = store::animals::service::of_animal(tx, business, animal).await?;
    if services.is_empty() {
        return Ok(());
    }
    let events = store::animals::event::of_animal(tx, business, animal).await?;
    let numbers = lookup::history_of(&services, events).numbers(herd.same_heat_hours);
    for (service, numbered) in services.iter().zip(numbers) {
        if service.numbered != numbered {
            store::animals::service::renumber(tx, business, service.id, numbered).await?;
        }
    }
    Ok(())
}

/// What makes a report doubtful, in words.
fn doubt(what: &AnimalEvent, at: Timestamp, history: &AnimalHistory, herd: &HerdDetails) -> Option<String> {
    let standing = history.standing(at, herd.same_heat_hours);
    let days_since_service = standing.served_at.map(|served| at.since(served).num_days());
    match what {
        AnimalEvent::Heat { .. } => standing.pregnant_since_check.map(|check| {
            format!("She was found pregnant on {}; have her checked again.", check.display_in(herd.time_zone))
        }),
        AnimalEvent::PregnancyCheck { method, result } if *result != CheckResult::Unknown => {
            let Some(days) = days_since_service else {
                return Some("No service of this cycle is on record.".to_owned());
            };
            let (reliable_from, _) = gestation::reliable_from(*method)?;
            (days < reliable_from).then(|| {
                format!(
                    "Her last service was {days} days before; {method} is reliable from {reliable_from} days."
                )
            })
        }
        AnimalEvent::Calving => standing
            .calved_at
            .filter(|last| at.since(*last).num_days() < gestation::SHORTEST_DAYS)
            .map(|last| {
                format!(
                    "Her calving before that was on {}, which is too close.",
                    last.display_in(herd.time_zone)
                )
            }),
        AnimalEvent::PregnancyCheck { .. }
        | AnimalEvent::Abortion { .. }
        | AnimalEvent::DoNotBreed { .. } => None,
    }
}
