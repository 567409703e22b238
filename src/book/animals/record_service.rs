//! A service is recorded: the straw is in the cow.
//!
//! What has happened is kept, with what was out of the ordinary beside it.

use crate::{
    book::{
        CommandError, Rejection,
        animals::report_event as report,
        command::{Command, CommandContext},
        lookup,
        straws::{thaw::still_open, withdraw::Candidate},
    },
    domain::{
        animals::{
            objection::{self, Deviations, Objection},
            service::{Service, ServiceEntry},
        },
        exchange::ade::ItemKind,
        form::Fault,
        straws::{
            lot::Lot,
            semen::SemenType,
            withdrawal::{Withdrawal, WithdrawalState},
        },
        values::{AnimalId, Note, ServiceId, SireId, Straws, Technician, Timestamp, WithdrawalId},
        webhooks::event::{self, Event, ServiceRecorded, Subject, Topic},
    },
    store,
};

/// What is said of a straw that nobody put on record as thawed.
pub const NO_THAW: &str = "No thaw is on record for this straw.";

/// Records a service.
#[derive(Clone, Debug)]
pub struct Serve {
    /// With which semen.
    pub semen: Semen,
    /// When; now when not said.
    pub served_at: Option<Timestamp>,
    /// Who did it.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
}

/// Where the semen came from.
#[derive(Clone, Debug)]
pub enum Semen {
    /// A straw of this book, on its way since this withdrawal.
    Withdrawn(WithdrawalId),
    /// A straw that never was in this book: a history brought along, or another's service.
    Foreign {
        /// Whom it served.
        animal_id: AnimalId,
        /// The sire, where known.
        sire_id: Option<SireId>,
        /// The type, where known.
        semen_type: Option<SemenType>,
        /// Whether it came from the herd's own tank.
        from_herd_stock: bool,
    },
}

impl Command for Serve {
    type Done = Service;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Service, CommandError> {
        let (served_at, ahead) = lookup::client_time(self.served_at, cx, "served_at")?;
        let business = cx.business();
        let (animal_id, withdrawal) = match &self.semen {
            Semen::Foreign { animal_id, .. } => (*animal_id, None),
            Semen::Withdrawn(id) => {
                let withdrawal = lookup::withdrawal(cx, *id, Some("#/withdrawal_id")).await?;
                still_open(&withdrawal)?;
                (withdrawal.animal_id, Some(withdrawal))
            }
        };
        let animal = lookup::animal(cx, animal_id, Some("#/animal_id")).await?;
        let candidate = Candidate::at(cx.tx, business, animal, served_at).await?;
        report::born_before(&candidate.animal, &candidate.herd, served_at, "served_at")?;

        let entry = match &withdrawal {
            Some(withdrawal) => self.with_straw(cx, &candidate, withdrawal, served_at).await?,
            None => self.foreign(cx, &candidate, served_at).await?,
        };
        store::animals::service::add(cx.tx, business, cx.caller.key_id, &entry).await?;
        if let Some(withdrawal) = &withdrawal {
            let state = WithdrawalState::Served;
            store::straws::withdrawal::resolve(cx.tx, business, withdrawal.id, state, served_at).await?;
            cx.touched.withdrawal(withdrawal.id);
        }
        report::renumber(cx.tx, business, candidate.animal.id, &candidate.herd).await?;

        let service = store::animals::service::find(cx.tx, business, entry.id).await?;
        let mut service = service.ok_or_else(|| lookup::lost("service", entry.id.0))?;
        store::webhooks::outbox::write(cx.tx, business, cx.now, event_of(&service));
        service.warnings.extend(ahead);
        service.warnings.extend(objection::waiting_warning(&candidate.standing, &candidate.herd, served_at));
        if withdrawal.is_some_and(|withdrawal| withdrawal.thaw_started_at.is_none()) {
            service.warnings.push(NO_THAW.to_owned());
        }
        Ok(service)
    }
}

impl Serve {
    /// A service of which nothing is known but the animal and the time.
    fn bare(&self, cx: &CommandContext<'_>, candidate: &Candidate, served_at: Timestamp) -> ServiceEntry {
        let next = candidate.standing.next;
        ServiceEntry {
            id: ServiceId::new(),
            herd_id: candidate.animal.details.herd_id,
            animal_id: candidate.animal.id,
            served_at,
            service_number: next.service_number,
            rank: next.rank,
            technician: self.technician.clone(),
            withdrawal_id: None,
            lot_id: None,
            sire_id: None,
            semen_type: None,
            place_id: None,
            straws: Straws::ONE,
            semen_from_herd_stock: false,
            deviations: Deviations::default(),
            note: self.note.clone(),
            recorded_at: cx.now,
        }
    }

    /// A service with a straw that never was in this book.
    async fn foreign(
        &self,
        cx: &mut CommandContext<'_>,
        candidate: &Candidate,
        served_at: Timestamp,
    ) -> Result<ServiceEntry, CommandError> {
        let bare = self.bare(cx, candidate, served_at);
        let Semen::Foreign { sire_id, semen_type, from_herd_stock, .. } = &self.semen else {
            return Ok(bare);
        };
        if let Some(sire) = sire_id {
            lookup::sire(cx, *sire, Some("#/sire_id")).await?;
        }
        Ok(ServiceEntry {
            sire_id: *sire_id,
            semen_type: *semen_type,
            semen_from_herd_stock: *from_herd_stock,
            ..bare
        })
    }

    /// A service with a straw of this book.
    async fn with_straw(
        &self,
        cx: &mut CommandContext<'_>,
        candidate: &Candidate,
        withdrawal: &Withdrawal,
        served_at: Timestamp,
    ) -> Result<ServiceEntry, CommandError> {
        let lot = &withdrawal.lot;
        let tank = lookup::tank(cx, withdrawal.place.tank_id, None).await?;
        let mut deviations = withdrawal.deviations.clone();
        let thawing = withdrawal.ready_at.zip(withdrawal.use_by);
        deviations.0.extend(objection::deviations_in_time(served_at, withdrawal.withdrawn_at, thawing));
        deviations.0.extend(moved_on(candidate, lot, &deviations));
        Ok(ServiceEntry {
            technician: self.technician.clone().or_else(|| withdrawal.technician.clone()),
            withdrawal_id: Some(withdrawal.id),
            lot_id: Some(lot.id),
            sire_id: Some(lot.details.sire_id),
            semen_type: Some(lot.details.semen_type),
            place_id: Some(withdrawal.place_id),
            straws: withdrawal.straws,
            semen_from_herd_stock: tank.details.herd_id.is_some(),
            deviations,
            ..self.bare(cx, candidate, served_at)
        })
    }
}

/// What others are told of a service.
fn event_of(service: &Service) -> Event {
    let data = ServiceRecorded {
        service_id: service.id,
        animal_id: service.animal_id,
        herd_id: service.herd_id,
        withdrawal_id: service.withdrawal_id,
        lot_id: service.lot.as_ref().map(|lot| lot.id),
        sire_id: service.sire.as_ref().map(|sire| sire.id),
        semen_type: service.semen_type,
        straws: service.straws,
        service_number: service.service_number,
        rank: service.rank,
        deviations: event::kinds_of(&service.deviations),
        ade: ItemKind::Insemination.address(service.herd_id, service.id.0),
    };
    Event {
        kind: Topic::ServiceRecorded.happened(),
        subject: Subject::Animal(service.animal_id),
        occurred_at: service.served_at,
        herd: Some(service.herd_id),
        tank: service.place.as_ref().map(|place| place.tank_id),
        data: event::data(&data),
    }
}

/// The choice rule once more: something reported since the withdrawal may have changed which
/// service this is.
fn moved_on(candidate: &Candidate, lot: &Lot, already: &Deviations) -> Option<objection::Deviation> {
    let semen_type = lot.details.semen_type;
    let objection = Objection::ChoiceRule { semen_type, allowed: candidate.allowed.clone() };
    let known = already.0.iter().any(|deviation| deviation.kind == objection.kind());
    (!known && !candidate.allowed.has(semen_type)).then(|| objection.set_aside(&candidate.herd, None))
}

/// Semen must be named one way: a withdrawal of this book, or an animal and what is known.
pub fn semen(
    withdrawal: Option<WithdrawalId>,
    animal: Option<AnimalId>,
    sire: Option<SireId>,
    semen_type: Option<SemenType>,
    from_herd_stock: Option<bool>,
) -> Result<Semen, Rejection> {
    match (withdrawal, animal) {
        (Some(id), None) if sire.is_none() && semen_type.is_none() && from_herd_stock.is_none() => {
            Ok(Semen::Withdrawn(id))
        }
        (None, Some(animal_id)) => Ok(Semen::Foreign {
            animal_id,
            sire_id: sire,
            semen_type,
            from_herd_stock: from_herd_stock.unwrap_or(false),
        }),
        (None, None) => Err(Rejection::Invalid(vec![Fault::at(
            "withdrawal_id",
            "is required; or animal_id instead, for a straw that never was in this book",
        )])),
        (Some(_), _) => Err(Rejection::Invalid(vec![Fault::at(
            "withdrawal_id",
            "says already which animal and which straw; leave out animal_id, sire_id, semen_type and \
             semen_from_herd_stock",
        )])),
    }
}
