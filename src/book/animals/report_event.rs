//! Something happened to an animal: a heat, a pregnancy check, a calving, an abortion, a decision
//! whether she may be bred.
//!
//! What has happened is never refused for what it means; it may only be impossible, such as a
//! calving before her own birth.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext},
    },
    domain::{
        animals::{
            candidate::Candidate,
            event::{Event, FittingService},
            gestation,
            herd::HerdDetails,
            history::{AnimalEvent, AnimalHistory, CheckResult, Numbered},
            numbering::Numbering,
            pregnancy::{Fit, GESTATION_DAYS},
        },
        now::Now,
        rejection::Rejection,
        values::{AnimalId, BusinessId, EventId, HerdId, Note, ServiceId, Technician, Timestamp},
    },
    store::{
        self, Tx,
        animals::{candidate, numbering},
    },
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

    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Event, CommandError> {
        let business = cx.business();
        let asked = candidate::Asked { animal: Some(self.animal_id), ..candidate::Asked::default() };
        let candidate = candidate::gather(cx.tx, business, asked).await?.candidate;
        let (event, renumbered) = self.decide(candidate, cx.now())?;
        store::animals::event::write(cx.tx, business, cx.caller.key_id, &event, &renumbered).await?;
        Ok(event)
    }
}

impl Report {
    /// The event as it is entered, and the services that get another number by it.
    ///
    /// # Errors
    /// The animal is not there; it lies before her birth or far ahead.
    fn decide(
        &self,
        candidate: Option<Candidate>,
        now: Now,
    ) -> Result<(Event, Vec<(ServiceId, Numbered)>), Rejection> {
        let (at, ahead) = now.client_time(self.at, self.at_field)?;
        let candidate = candidate.ok_or_else(|| Rejection::Unknown {
            what: "animal",
            id: self.animal_id.0,
            pointer: Some("#/animal_id".to_owned()),
        })?;
        candidate.born_before(at, self.at_field)?;
        let history = candidate.history_with(at, &self.what);
        let doubts = doubts(&self.what, at, &history, &candidate.herd);
        let services: Vec<ServiceId> = candidate.numbered.iter().map(|(id, _)| *id).collect();
        let is_check = matches!(self.what, AnimalEvent::PregnancyCheck { .. });
        let fits = FittingService::of(&history, &services, at, &self.what).filter(|_| is_check);
        let event = Event {
            id: EventId::new(),
            herd_id: candidate.herd_id,
            animal_id: candidate.id,
            happened_at: at,
            what: self.what.clone(),
            technician: self.technician.clone(),
            note: self.note.clone(),
            reversed_at: None,
            fits,
            warnings: ahead.into_iter().chain(doubts).collect(),
            recorded_at: now.now,
        };
        let renumbered = candidate.renumbered(at, &self.what);
        Ok((event, renumbered))
    }
}

/// Gives every service of an animal the number and rank that follow from all that is on record and from her herd's rule.
pub async fn renumber(tx: &mut Tx, business: BusinessId, animal: AnimalId) -> store::Result<()> {
    let numbering = numbering::of_animal(tx, business, animal).await?;
    let outdated = numbering.map(|numbering| numbering.outdated()).unwrap_or_default();
    numbering::put(tx, business, &outdated).await
}

/// The same for all animals of a herd, whose rule changed.
pub async fn renumber_herd(tx: &mut Tx, business: BusinessId, herd: HerdId) -> store::Result<()> {
    let all = numbering::of_herd(tx, business, herd).await?;
    let outdated: Vec<_> = all.iter().flat_map(Numbering::outdated).collect();
    numbering::put(tx, business, &outdated).await
}

/// What makes a report doubtful, in words.
fn doubts(report: &AnimalEvent, at: Timestamp, history: &AnimalHistory, herd: &HerdDetails) -> Vec<String> {
    let status = history.standing(at, herd.same_heat_hours);
    let zone = herd.time_zone;
    match report {
        AnimalEvent::Heat { .. } => {
            let found = status.pregnancy.map(|found| found.checked_at.day_in(zone));
            found
                .map(|on| format!("She was found pregnant on {on}; have her checked again."))
                .into_iter()
                .collect()
        }
        AnimalEvent::PregnancyCheck { result, .. } if *result != CheckResult::Unknown => {
            let mut told: Vec<String> = status
                .doubts
                .iter()
                .filter(|doubt| doubt.is_of_check(at))
                .map(|doubt| doubt.describe(zone))
                .collect();
            if told.is_empty() && status.served_at.is_none() {
                told.push("No service of this cycle is on record.".to_owned());
            }
            told
        }
        AnimalEvent::Calving { .. } => {
            let before = history.happenings.iter().rev();
            let mut calvings =
                before.filter(|(when, what)| *when < at && matches!(what, AnimalEvent::Calving { .. }));
            let last = calvings.next().map(|(when, _)| *when);
            let too_close =
                last.filter(|last| at.since(*last).num_days() < gestation::SHORTEST_DAYS).map(|last| {
                    format!("Her calving before that was on {}, which is too close.", last.display_in(zone))
                });
            let of_cycle = history
                .services
                .iter()
                .any(|service| service.at < at && last.is_none_or(|last| service.at > last));
            let unknown = (of_cycle && history.fit(at, report) == Fit::Nothing).then(|| {
                format!(
                    "Uncertain: no service on record fits a gestation of {} to {} days; one may be missing.",
                    GESTATION_DAYS.start(),
                    GESTATION_DAYS.end()
                )
            });
            too_close.into_iter().chain(unknown).collect()
        }
        AnimalEvent::PregnancyCheck { .. }
        | AnimalEvent::Abortion { .. }
        | AnimalEvent::DoNotBreed { .. } => Vec::new(),
    }
}
