//! A service is recorded: the straw is in the cow.
//!
//! What has happened is kept, with what was out of the ordinary beside it.

use chrono::TimeDelta;
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::{
            candidate::{Candidate, Turn},
            history::{Numbered, PastService},
            objection::{self, Deviation, Deviations, Objection},
            service::{FollowUp, Served, Service},
            service_kind::ServiceKind,
        },
        form::{Fault, InputPath},
        identifiers::Identifiers,
        now::Now,
        rejection::Rejection,
        straws::{
            semen::SemenType,
            sire::SireSummary,
            withdraw::{mismatch, objected},
            withdrawal::Withdrawal,
        },
        values::{AnimalId, Name, Note, ServiceId, SireId, Technician, Timestamp, WithdrawalId},
    },
    form,
};

form! {
    /// A service: with a straw of this book, or, with `animal_id`, with one that never was in it, by a bull, or with an
    /// embryo.
    #[derive(Clone, Debug, Default, ToSchema)]
    pub struct NewService, check NewService::check {
        /// What kind. Default `ai`, an insemination.
        #[schema(required = false)]
        pub kind: ServiceKind = ServiceKind::Ai,
        /// The straw's way out of the tank; it says which animal and which straw.
        pub withdrawal_id: Option<WithdrawalId>,
        /// Without a withdrawal: whom it served.
        pub animal_id: Option<AnimalId>,
        /// Without a withdrawal: the sire, where known; of an embryo its own.
        pub sire_id: Option<SireId>,
        /// With `kind` `embryo_transfer`: the donor, the calf's genetic dam, where she is in this book.
        pub donor_id: Option<AnimalId>,
        /// Without a withdrawal: the semen type, where known.
        pub semen_type: Option<SemenType>,
        /// Without a withdrawal: whether the straw came from the herd's own tank.
        pub semen_from_herd_stock: Option<bool>,
        /// When; now when not said.
        pub served_at: Option<Timestamp>,
        /// Who did it; who withdrew the straw when not said.
        pub technician: Option<Technician>,
        /// The code, name or batch as it was read off the straw; held against the lot and its sire.
        #[schema(example = "0HO123")]
        pub straw_read: Option<Name>,
        /// It has happened: what the straw says does not reject it and becomes a deviation.
        #[schema(required = false)]
        pub already_done: bool = false,
        /// A remark.
        pub note: Option<Note>,
    }
}

impl NewService {
    /// Semen must be named one way: a withdrawal of this book, or an animal and what is known.
    fn check(&self, _: &InputPath, faults: &mut Vec<Fault>) {
        let said = self.animal_id.is_some()
            || self.sire_id.is_some()
            || self.semen_type.is_some()
            || self.semen_from_herd_stock.is_some();
        if self.withdrawal_id.is_some() && said {
            faults.push(Fault::at(
                "withdrawal_id",
                "says already which animal and which straw; leave out animal_id, sire_id, semen_type and \
                 semen_from_herd_stock",
            ));
        } else if self.kind.takes_straw() && self.withdrawal_id.is_none() && self.animal_id.is_none() {
            faults.push(Fault::at(
                "withdrawal_id",
                "is required; or animal_id instead, for a straw that never was in this book",
            ));
        } else if self.withdrawal_id.is_none() && self.straw_read.is_some() {
            faults.push(Fault::at(
                "straw_read",
                "is held against the straw of withdrawal_id; put it into note",
            ));
        }
        let kind = self.kind;
        if !kind.takes_straw() {
            let of_a_straw = [
                ("withdrawal_id", self.withdrawal_id.is_some()),
                ("semen_type", self.semen_type.is_some()),
                ("semen_from_herd_stock", self.semen_from_herd_stock.is_some()),
            ];
            faults.extend(of_a_straw.into_iter().filter(|(_, said)| *said).map(|(field, _)| {
                Fault::at(
                    field,
                    format!("belongs to a straw of semen, of which kind {kind} takes none; leave it out"),
                )
            }));
            if self.animal_id.is_none() {
                faults.push(Fault::at("animal_id", format!("is required with kind {kind}")));
            }
        }
        if self.donor_id.is_some() && kind != ServiceKind::EmbryoTransfer {
            faults.push(Fault::at("donor_id", "belongs to kind embryo_transfer; leave it out"));
        }
    }
}

/// What is to be known before a service is entered.
#[derive(Debug)]
pub struct Facts {
    /// The animal.
    pub candidate: Option<Candidate>,
    /// The withdrawal that was named.
    pub withdrawal: Option<Withdrawal>,
    /// The sire that was named.
    pub sire: Option<SireSummary>,
    /// The names of the donor that was named.
    pub donor: Option<Identifiers>,
}

/// A service is to be entered.
#[derive(Debug)]
pub struct Decision {
    /// The service.
    pub service: Service,
    /// Services that get another number, because this one came late.
    pub renumbered: Vec<(ServiceId, Numbered)>,
    /// What it went against, with the straw's withdrawal.
    pub against: Option<(Withdrawal, Deviations)>,
}

/// Whose clock says when she was served.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clock {
    /// The one that said when the straw left the tank, within a few minutes.
    Same,
    /// A herd system's, which may know the day only.
    HerdSystem,
}

/// How much earlier than its withdrawal a service may be by clocks that are not quite together.
const CLOCKS_APART: TimeDelta = TimeDelta::minutes(5);

/// How long after its withdrawal a straw is at most served. A thawed straw is used within minutes; a day more is a slip of
/// the pen, which would give her other services other numbers.
const SERVED_WITHIN: TimeDelta = TimeDelta::hours(24);

/// Rejects a service at a time at which that straw cannot have been used.
fn within_reach_of(withdrawn_at: Timestamp, served_at: Timestamp, clock: Clock) -> Result<(), Rejection> {
    let earliest = match clock {
        Clock::Same => CLOCKS_APART,
        Clock::HerdSystem => SERVED_WITHIN,
    };
    let after = served_at.since(withdrawn_at);
    let detail = if after < -earliest {
        format!("lies before the straw left the tank at {withdrawn_at}; look at the day and the year of both")
    } else if after > SERVED_WITHIN {
        format!(
            "lies more than 24 hours after the straw left the tank at {withdrawn_at}; look at the day and the year of both"
        )
    } else {
        return Ok(());
    };
    Err(Rejection::Invalid(vec![Fault::at("served_at", detail)]))
}

/// What is said of a straw that nobody put on record as thawed.
pub const NO_THAW: &str = "No thaw is on record for this straw.";

/// The service as it is entered.
///
/// # Errors
/// What was named is not there; the withdrawal was served or discarded already; it lies before her birth, before the
/// withdrawal, more than 24 hours after it or far ahead; the straw says something else than the book, unless it was done
/// already.
pub fn decide(new: &NewService, facts: Facts, now: Now, clock: Clock) -> Result<Decision, Rejection> {
    let (served_at, ahead) = now.client_time(new.served_at, "served_at")?;
    let unknown = |what, id: uuid::Uuid, pointer: &str| Rejection::Unknown {
        what,
        id,
        pointer: Some(pointer.to_owned()),
    };
    let withdrawal = match new.withdrawal_id {
        Some(id) => {
            let found = facts.withdrawal.ok_or_else(|| unknown("withdrawal", id.0, "#/withdrawal_id"))?;
            found.must_be_open()?;
            within_reach_of(found.withdrawn_at, served_at, clock)?;
            Some(found)
        }
        None => None,
    };
    let animal_id = new.animal_id.map_or_else(uuid::Uuid::nil, |id| id.0);
    let candidate = facts.candidate.ok_or_else(|| unknown("animal", animal_id, "#/animal_id"))?;
    candidate.born_before(served_at, "served_at")?;
    if let (Some(id), None) = (new.sire_id, &facts.sire) {
        return Err(unknown("sire", id.0, "#/sire_id"));
    }
    if let (Some(id), None) = (new.donor_id, &facts.donor) {
        return Err(unknown("animal", id.0, "#/donor_id"));
    }
    let turn = candidate.at(served_at);
    let mismatch = withdrawal
        .as_ref()
        .and_then(|withdrawal| mismatch(new.straw_read.as_ref(), &withdrawal.lot, &withdrawal.sire));
    if let Some(mismatch) = mismatch.as_ref().filter(|_| !new.already_done) {
        return Err(Rejection::Objected(Box::new(objected(
            &candidate,
            &turn,
            std::slice::from_ref(mismatch),
        ))));
    }
    let mut warnings: Vec<String> = ahead.into_iter().collect();
    warnings.extend(objection::waiting_warning(&turn.status, &candidate.herd, served_at));
    if withdrawal.as_ref().is_some_and(|withdrawal| withdrawal.thaw_started_at.is_none()) {
        warnings.push(NO_THAW.to_owned());
    }
    warnings.extend(candidate.doubts(&turn));
    let kind = new.kind;
    let renumbered = candidate.renumbered_by(PastService { at: served_at, kind });
    let numbered = kind.takes_number().then_some(turn.status.next);
    let follow_up = |breed| {
        FollowUp::from(Served {
            served_at,
            kind,
            time_zone: candidate.herd.time_zone,
            calved_at: turn.status.calved_at,
            sire_breed: breed,
            is_multiple: false,
        })
    };
    let foreign = Service {
        id: ServiceId::new(),
        animal_id: candidate.id,
        animal_number: candidate.number.clone(),
        herd_id: candidate.herd_id,
        served_at,
        kind,
        service_number: numbered.map(|numbered| numbered.service_number),
        rank: numbered.map(|numbered| numbered.rank),
        technician: new.technician.clone(),
        straw_read: new.straw_read.clone(),
        withdrawal_id: None,
        lot: None,
        follow_up: follow_up(facts.sire.as_ref().and_then(|sire| sire.breed.clone())),
        sire: facts.sire,
        donor_id: new.donor_id,
        donor_identifiers: facts.donor,
        semen_type: new.semen_type,
        place: None,
        tank_name: None,
        straws: i64::from(kind.takes_straw()),
        semen_from_herd_stock: new.semen_from_herd_stock.unwrap_or(false),
        deviations: Deviations::default(),
        note: new.note.clone(),
        reversed_at: None,
        warnings,
        animal: None,
        withdrawal: None,
        recorded_at: now.now,
    };
    let Some(withdrawal) = withdrawal else {
        return Ok(Decision { service: foreign, renumbered, against: None });
    };
    let follow_up = follow_up(withdrawal.sire.breed.clone());
    let mismatch = mismatch.map(|mismatch| mismatch.set_aside(&candidate.herd, None));
    let rules = rules_against(&candidate, &turn, &withdrawal, mismatch);
    let against = (!rules.0.is_empty()).then(|| (withdrawal.clone(), rules.clone()));
    let service = with_straw(Service { follow_up, ..foreign }, withdrawal, rules);
    Ok(Decision { service, renumbered, against })
}

/// The rules that a service with a straw of this book went against, beside those that the withdrawal tells.
fn rules_against(
    candidate: &Candidate,
    turn: &Turn,
    withdrawal: &Withdrawal,
    mismatch: Option<Deviation>,
) -> Deviations {
    let known = &withdrawal.deviations;
    let is_new = |found: &Deviation| !known.0.iter().any(|known| known.kind == found.kind);
    let moved_on = moved_on(candidate, turn, withdrawal, known);
    Deviations(moved_on.into_iter().chain(mismatch).filter(is_new).collect())
}

/// The service with the straw of its withdrawal.
fn with_straw(service: Service, withdrawal: Withdrawal, rules: Deviations) -> Service {
    let mut deviations = withdrawal.deviations;
    let thawing = withdrawal.ready_at.zip(withdrawal.use_by);
    let in_time = objection::deviations_in_time(service.served_at, withdrawal.withdrawn_at, thawing);
    deviations.0.extend(in_time.into_iter().chain(rules.0));
    Service {
        technician: service.technician.or(withdrawal.technician),
        straw_read: service.straw_read.or(withdrawal.straw_read),
        withdrawal_id: Some(withdrawal.id),
        lot: Some(withdrawal.lot),
        sire: Some(withdrawal.sire),
        semen_type: Some(withdrawal.semen_type),
        place: Some(withdrawal.place),
        tank_name: Some(withdrawal.tank_name),
        straws: withdrawal.straws.get(),
        semen_from_herd_stock: withdrawal.tank_herd_id.is_some(),
        deviations,
        ..service
    }
}

/// The choice rule once more: something reported since the withdrawal may have changed which
/// service this is.
fn moved_on(
    candidate: &Candidate,
    turn: &Turn,
    withdrawal: &Withdrawal,
    already: &Deviations,
) -> Option<Deviation> {
    let (semen_type, purpose) = (withdrawal.semen_type, withdrawal.sire.purpose);
    // Whether others were in reach was seen when the straw was taken.
    let fits = (turn.allowed.has(semen_type) || turn.allowed.has_otherwise(semen_type))
        && turn.allowed.takes(purpose);
    let objection = Objection::ChoiceRule { semen_type, purpose, allowed: turn.allowed.clone() };
    let known = already.0.iter().any(|deviation| deviation.kind == objection.kind());
    (!known && !fits).then(|| objection.set_aside(&candidate.herd, None))
}
