//! Whether a straw may leave the tank for an animal, and which.
//!
//! Permission before the act: what stands against this straw for this animal rejects the withdrawal, unless
//! someone who may do so sets it aside with a reason. Then the withdrawal carries what was set aside as deviations.

use utoipa::ToSchema;

use crate::{
    domain::{
        access::Role,
        animals::{
            candidate::{Candidate, Turn},
            choice::unruled_warning,
            history::Numbered,
            objection::{self, Deviation, Deviations, Objection},
        },
        form::{Fault, InputPath},
        now::Now,
        rejection::{NotInStock, Objected, Rejection},
        straws::{
            lot::{Lot, LotStatus},
            place::Place,
            semen::SemenType,
            sire::SireSummary,
            stock::Stock,
            withdrawal::{Withdrawal, WithdrawalState},
        },
        values::{
            AnimalId, Canister, LotId, Name, Reason, SireId, Straws, Technician, Timestamp, WithdrawalId,
        },
    },
    form,
};

form! {
    /// Sets aside what stands in the way; needs a manager's key and stays on record.
    #[derive(Clone, Debug, ToSchema)]
    pub struct Override {
        /// Why.
        #[schema(example = "Owner wants a beef calf; agreed by telephone.")]
        pub reason: Reason,
    }
}

form! {
    /// A straw to be withdrawn: of a lot, or of a sire and if need be a semen type.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewWithdrawal, check NewWithdrawal::check {
        /// For which animal.
        pub animal_id: AnimalId,
        /// Of which lot.
        pub lot_id: Option<LotId>,
        /// Of which sire, instead of a lot: the oldest collection that the rule allows is taken first.
        pub sire_id: Option<SireId>,
        /// With `sire_id`: of this semen type only.
        pub semen_type: Option<SemenType>,
        /// From this place; without it, the one that should be used first.
        pub place: Option<Place>,
        /// How many, from one place. Default 1.
        #[schema(required = false)]
        pub straws: Straws = Straws::ONE,
        /// When it left the tank; now when not said.
        pub withdrawn_at: Option<Timestamp>,
        /// Who takes it.
        pub technician: Option<Technician>,
        /// Sets aside what stands in the way.
        #[schema(rename = "override")]
        pub r#override: Option<Override>,
    }
}

impl NewWithdrawal {
    fn check(&self, _: &InputPath, faults: &mut Vec<Fault>) {
        match (self.lot_id, self.sire_id, self.semen_type) {
            (Some(_), None, None) | (None, Some(_), _) => {}
            (Some(_), Some(_), _) => {
                faults.push(Fault::at("sire_id", "must not stand beside lot_id; name one of them"));
            }
            (Some(_), None, Some(_)) => {
                faults.push(Fault::at("semen_type", "belongs to sire_id; a lot has its own semen type"));
            }
            (None, None, _) => faults.push(Fault::at("lot_id", "is required, or sire_id instead")),
        }
    }
}

/// What is to be known before a straw is taken.
#[derive(Debug)]
pub struct Facts {
    /// The animal.
    pub candidate: Option<Candidate>,
    /// The lot that was named.
    pub lot: Option<Lot>,
    /// The sire that was named, or the lot's.
    pub sire: Option<SireSummary>,
    /// Name and canisters of the tank that was named.
    pub tank: Option<(Name, Canister)>,
    /// All straws of the lot that was named, or of the sire, in the order in which they should be used.
    pub stock: Vec<Stock>,
}

/// Whether the straw is still in the tank when it is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Asked {
    /// It is: what stands against it rejects it.
    Before,
    /// It is not, and she has been served: what stood against it goes on record.
    Afterwards,
}

/// A straw is to be taken.
#[derive(Debug)]
pub struct Decision {
    /// The withdrawal.
    pub withdrawal: Withdrawal,
    /// How many straws are left where it is taken.
    pub left: i64,
}

/// Why a straw is not given.
#[derive(Debug)]
pub enum Refusal {
    /// As it stands.
    Final(Rejection),
    /// So many straws do not hang there.
    NotInStock {
        /// What is missing, without the straws that hang elsewhere.
        missing: Box<NotInStock>,
        /// Of which lot, where it was one.
        lot: Option<LotId>,
    },
    /// Something stands against this straw for her; others may do.
    Objected {
        /// What, without the straws that she may have instead.
        objected: Objected,
        /// Whether it stands against serving her at all, so that no other straw would help.
        against_her: bool,
    },
}

impl From<Rejection> for Refusal {
    fn from(rejection: Rejection) -> Self {
        Self::Final(rejection)
    }
}

/// The most straws that a rejection names instead.
pub const MOST_INSTEAD: usize = 10;

/// Which straw is taken, or why none is.
pub fn decide(
    new: &NewWithdrawal,
    facts: &Facts,
    asked: Asked,
    now: Now,
    role: Role,
) -> Result<Decision, Refusal> {
    let (at, ahead) = now.client_time(new.withdrawn_at, "withdrawn_at")?;
    let candidate =
        facts.candidate.as_ref().ok_or_else(|| unknown("animal", new.animal_id.0, "#/animal_id"))?;
    if let Some(place) = &new.place {
        let (name, canisters) =
            facts.tank.as_ref().ok_or_else(|| unknown("tank", place.tank_id.0, "#/place/tank_id"))?;
        if place.canister > *canisters {
            let detail = format!("{name} has canisters 1 to {canisters}");
            return Err(Rejection::Invalid(vec![Fault::at("place/canister", detail)]).into());
        }
    }
    let turn = candidate.at(at);
    let (lot, sire) = choose(new, facts, candidate, &turn)?;
    let stock: Vec<&Stock> =
        facts.stock.iter().filter(|s| s.lot.id == lot.id && is_meant(new, candidate, s)).collect();

    let inbreeding = candidate.inbreeding(&[sire.id]).first().copied().unwrap_or_default();
    let mut objections = candidate.objections(&turn);
    objections.extend(candidate.objections_to(&turn, lot, inbreeding));
    let reason = new.r#override.as_ref().map(|set_aside| &set_aside.reason);
    if !objections.is_empty() && asked == Asked::Before {
        if reason.is_none() {
            return Err(objected(candidate, &turn, &objections));
        }
        may_override(role)?;
    }
    let hanging = stock.iter().find(|hanging| hanging.straws >= new.straws.get());
    let hanging = *hanging.ok_or_else(|| not_in_stock(new, lot, sire, &stock))?;
    let deviations: Vec<Deviation> =
        objections.iter().map(|objection| objection.set_aside(&candidate.herd, reason)).collect();
    let kinship = candidate.kinship(sire.id, &sire.name, inbreeding);
    let mut warnings: Vec<String> = ahead.into_iter().collect();
    warnings.extend(kinship.warning());
    warnings.extend(objection::waiting_warning(&turn.status, &candidate.herd, at));
    let (number, class) = (turn.status.next.service_number, turn.status.class);
    warnings.extend(unruled_warning(&candidate.herd.choice_rule, number, class).filter(|_| !candidate.donor));
    warnings.extend(many_warning(new.straws));
    if !candidate.reaches(hanging) {
        warnings.push("These straws hang in another herd's tank.".to_owned());
    }
    warnings.extend(candidate.doubts(&turn));
    let Numbered { service_number, rank } = turn.status.next;
    let withdrawal = Withdrawal {
        id: WithdrawalId::new(),
        state: WithdrawalState::Out,
        animal_id: candidate.id,
        animal_number: candidate.number.clone(),
        herd_id: candidate.herd_id,
        service_number,
        rank,
        thaw: candidate.protocol(lot),
        semen_type: lot.details.semen_type,
        lot: lot.clone(),
        sire: hanging.sire.clone(),
        place: hanging.place.clone(),
        place_id: hanging.place_id,
        tank_name: hanging.tank_name.clone(),
        tank_herd_id: hanging.tank_herd_id,
        straws: new.straws,
        withdrawn_at: at,
        technician: new.technician.clone(),
        rule: turn.allowed,
        bath_temp_c: None,
        thaw_started_at: None,
        ready_at: None,
        use_by: None,
        resolved_at: None,
        override_reason: reason.cloned().filter(|_| !deviations.is_empty()),
        deviations: Deviations(deviations),
        kinship: Some(kinship),
        warnings,
        recorded_at: now.now,
    };
    Ok(Decision { withdrawal, left: hanging.straws - new.straws.get() })
}

/// Straws for one insemination above which a slip is likely: one is usual, two are sometimes used (common practice, no
/// source).
const MOST_USUAL: i64 = 2;

fn many_warning(straws: Straws) -> Option<String> {
    (straws.get() > MOST_USUAL).then(|| {
        format!("{straws} straws for one animal: one is usual, two at most. If that was a slip, reverse the withdrawal.")
    })
}

/// Rejects an override from a key that may not set rules aside.
pub fn may_override(role: Role) -> Result<(), Rejection> {
    if role == Role::Manager {
        return Ok(());
    }
    Err(Rejection::Forbidden {
        text: format!("Setting a rule aside needs a manager's key; this is a {role}'s."),
    })
}

fn unknown(what: &'static str, id: uuid::Uuid, pointer: &str) -> Rejection {
    Rejection::Unknown { what, id, pointer: Some(pointer.to_owned()) }
}

/// Which lot to take.
fn choose<'f>(
    new: &NewWithdrawal,
    facts: &'f Facts,
    candidate: &Candidate,
    turn: &Turn,
) -> Result<(&'f Lot, &'f SireSummary), Refusal> {
    if let Some(id) = new.lot_id {
        let unknown = || unknown("lot", id.0, "#/lot_id").into();
        return facts.lot.as_ref().zip(facts.sire.as_ref()).ok_or_else(unknown);
    }
    let id = new.sire_id.map_or_else(uuid::Uuid::nil, |id| id.0);
    let sire = facts.sire.as_ref().ok_or_else(|| unknown("sire", id, "#/sire_id"))?;
    let wanted = |stock: &&Stock| new.semen_type.is_none_or(|wanted| stock.semen_type == wanted);
    let best = facts
        .stock
        .iter()
        .filter(|stock| is_meant(new, candidate, stock))
        .filter(wanted)
        .min_by_key(|stock| how_well_it_fits(stock, turn, new.straws));
    let lot = best.map(|stock| (&stock.lot, sire));
    lot.ok_or_else(|| {
        let text = match new.semen_type {
            Some(semen_type) => format!("{} straws of {}", semen_type.describe(), sire.name),
            None => format!("straws of {}", sire.name),
        };
        let missing = NotInStock {
            asked: new.straws.get(),
            held: 0,
            text,
            semen_type: new.semen_type,
            elsewhere: Vec::new(),
        };
        Refusal::NotInStock { missing: Box::new(missing), lot: None }
    })
}

/// Of a sire's straws, which to use, the least first: usable and of an allowed type before others, then one place
/// that holds enough before several that do not, then the type that the rule names first. The oldest collection
/// stands in front anyway.
fn how_well_it_fits(stock: &Stock, turn: &Turn, straws: Straws) -> (bool, bool, usize) {
    let in_the_way = stock.lot.details.status != LotStatus::Usable || !turn.allowed.has(stock.semen_type);
    (in_the_way, stock.straws < straws.get(), turn.allowed.preference(stock.semen_type))
}

/// Whether straws may be meant: at the place named, or in the tanks within her herd's reach.
fn is_meant(new: &NewWithdrawal, candidate: &Candidate, stock: &Stock) -> bool {
    match &new.place {
        Some(place) => stock.place == *place,
        None => candidate.reaches(stock),
    }
}

/// Of a sire's straws, those that she may have where others were asked for and are not there: usable, of the semen type
/// where one was meant, and within her reach.
pub fn elsewhere(
    new: &NewWithdrawal,
    candidate: &Candidate,
    lot: Option<LotId>,
    semen_type: Option<SemenType>,
    stock: Vec<Stock>,
) -> Vec<Stock> {
    let asked_for = |other: &Stock| Some(other.lot.id) == lot && is_meant(new, candidate, other);
    let others = stock.into_iter().filter(|other| {
        other.lot.details.status == LotStatus::Usable
            && semen_type.is_none_or(|wanted| other.semen_type == wanted)
            && candidate.reaches(other)
            && !asked_for(other)
    });
    others.take(MOST_INSTEAD).collect()
}

fn objected(candidate: &Candidate, turn: &Turn, objections: &[Objection]) -> Refusal {
    let objected = Objected {
        kind: objections[0].kind(),
        objections: objections.iter().map(|objection| objection.set_aside(&candidate.herd, None)).collect(),
        numbered: turn.status.next,
        allowed: turn.allowed.clone(),
        instead: Vec::new(),
    };
    Refusal::Objected { objected, against_her: objections.iter().any(Objection::is_against_her) }
}

/// So many straws of the lot do not hang there.
fn not_in_stock(new: &NewWithdrawal, lot: &Lot, sire: &SireSummary, stock: &[&Stock]) -> Refusal {
    let semen_type = lot.details.semen_type;
    let wherefrom = new.place.as_ref().map_or_else(String::new, |place| format!(" in {}", place.describe()));
    let missing = NotInStock {
        asked: new.straws.get(),
        held: stock.iter().map(|hanging| hanging.straws).max().unwrap_or(0),
        text: format!(
            "{} straws of {} ({}){wherefrom}",
            semen_type.describe(),
            sire.name,
            lot.details.describe()
        ),
        semen_type: Some(semen_type),
        elsewhere: Vec::new(),
    };
    Refusal::NotInStock { missing: Box::new(missing), lot: Some(lot.id) }
}
