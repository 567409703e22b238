//! Whether a straw may leave the tank for an animal, and which.
//!
//! Permission before the act: what stands against this straw for this animal rejects the withdrawal, unless
//! someone who may do so sets it aside with a reason. Then the withdrawal carries what was set aside as deviations.
//! Truth after it: what was done already is not rejected, whoever tells it. What stood against it becomes deviations, and
//! a straw that the book does not have where it was taken is found first, by a line of the ledger of its own.

use std::cmp::Reverse;

use utoipa::ToSchema;

use crate::{
    domain::{
        access::Role,
        animals::{
            candidate::{Candidate, Turn},
            herd::HerdDetails,
            history::Numbered,
            objection::{self, Deviation, DeviationKind, Deviations, Objection},
        },
        form::{Fault, InputPath},
        now::Now,
        rejection::{NotInStock, Objected, Rejection},
        straws::{
            lot::Lot,
            movement::MovementKind,
            place::{NamedTank, Place, PlaceKind},
            posting::{Cause, Posting, PostingEnd, canister_exists},
            semen::SemenType,
            sire::SireSummary,
            stock::Stock,
            straw_read,
            withdrawal::{Withdrawal, WithdrawalState},
        },
        values::{
            AnimalId, HerdId, LotId, Name, Note, PlaceId, Reason, SireId, Straws, Technician, Timestamp,
            WithdrawalId,
        },
    },
    form,
};

form! {
    /// Sets aside what stands in the way; needs a manager's key, or for the choice rule a technician's where the herd says so,
    /// and stays on record.
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
        /// Its id, a UUIDv7 (RFC 9562) that the client makes, so that what follows can name it before this is sent; made
        /// by the service without it.
        pub id: Option<WithdrawalId>,
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
        /// The code, name or batch as it was read off the straw; held against the lot and its sire.
        #[schema(example = "0HO123")]
        pub straw_read: Option<Name>,
        /// It has happened: nothing that stands against it rejects it, and what did becomes a deviation.
        #[schema(required = false)]
        pub already_done: bool = false,
        /// Sets aside what stands in the way.
        #[schema(rename = "override")]
        pub r#override: Option<Override>,
    }
}

impl NewWithdrawal {
    fn check(&self, _: &InputPath, faults: &mut Vec<Fault>) {
        if self.id.is_some_and(|id| id.0.get_version_num() != 7) {
            faults.push(Fault::at("id", "must be a UUIDv7 (RFC 9562), made anew for each withdrawal"));
        }
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
    /// The tank that was named.
    pub tank: Option<NamedTank>,
    /// The id of the place that was named, if straws ever hung there.
    pub place_id: Option<PlaceId>,
    /// Why straws at the place that was named are not to be used.
    pub place_on_hold: Option<Reason>,
    /// Whether a withdrawal has the id that the client made.
    pub is_id_taken: bool,
    /// All straws of the lot that was named, or of the sire, in the order in which they should be used; of what was done
    /// already also the places where such straws hung before.
    pub stock: Vec<Stock>,
    /// That none of what the choice rule wants is in her reach, where [`asks_otherwise`].
    pub none_in_reach: bool,
}

/// A straw is to be taken.
#[derive(Debug)]
pub struct Decision {
    /// The withdrawal.
    pub withdrawal: Withdrawal,
    /// How many straws are left where it is taken.
    pub left: i64,
    /// The line that enters straws which the book did not have there.
    pub found: Option<Posting>,
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
        objected: Box<Objected>,
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
///
/// # Errors
/// Something named is not known; a time lies far ahead; the id is taken; and, unless it was done already, what stands
/// against it, or that so many straws do not hang there.
pub fn decide(new: &NewWithdrawal, facts: &Facts, now: Now, role: Role) -> Result<Decision, Refusal> {
    let (at, ahead) = now.client_time(new.withdrawn_at, "withdrawn_at")?;
    let id = id(new, facts, now)?;
    let candidate =
        facts.candidate.as_ref().ok_or_else(|| unknown("animal", new.animal_id.0, "#/animal_id"))?;
    if let Some(place) = &new.place {
        let tank = facts.tank.as_ref().ok_or_else(|| unknown("tank", place.tank_id.0, "#/place/tank_id"))?;
        canister_exists(&tank.name, tank.canisters, place.canister, "place/canister")?;
    }
    let turn = candidate.at(at);
    let otherwise = turn.allowed.otherwise_note().filter(|_| facts.none_in_reach);
    let turn = if facts.none_in_reach { turn.with_otherwise() } else { turn };
    let (lot, sire) = choose(new, facts, candidate, &turn)?;
    let spot = spot(new, facts, candidate, lot);

    let inbreeding = candidate.inbreeding(&[sire.id]).first().copied().unwrap_or_default();
    let mut objections = candidate.objections(&turn);
    objections.extend(candidate.objections_to(&turn, lot, sire.purpose, inbreeding));
    let on_hold = spot.as_ref().and_then(|spot| spot.on_hold.clone());
    objections.extend(on_hold.map(|reason| Objection::OnHold { reason }));
    objections.extend(mismatch(new.straw_read.as_ref(), lot, sire));
    let reason = new.r#override.as_ref().map(|set_aside| &set_aside.reason);
    if !objections.is_empty() && !new.already_done {
        if reason.is_none() {
            return Err(Refusal::Objected {
                objected: Box::new(objected(candidate, &turn, &objections)),
                against_her: objections.iter().any(Objection::is_against_her),
            });
        }
        may_set_aside(role, &candidate.herd, &objections)?;
    }
    let asked = new.straws.get();
    let spot = match spot {
        Some(spot) if spot.held >= asked || new.already_done => spot,
        None if new.already_done => return Err(place_needed(lot).into()),
        _ => return Err(not_in_stock(new, facts, candidate, lot, sire)),
    };
    let found = spot.found(new, lot, at);
    let deviations: Vec<Deviation> =
        objections.iter().map(|objection| objection.set_aside(&candidate.herd, reason)).collect();
    let kinship = candidate.kinship(sire.id, &sire.name, inbreeding);
    let mut warnings: Vec<String> = ahead.into_iter().collect();
    warnings.extend(kinship.warning());
    warnings.extend(objection::waiting_warning(&turn.status, &candidate.herd, at));
    warnings.extend(candidate.unruled_warning(&turn));
    warnings.extend(candidate.departure_from_plan(&turn, sire, lot.details.semen_type));
    warnings.extend(otherwise);
    warnings.extend(turn.allowed.purpose_warning(sire));
    warnings.extend(many_warning(new.straws));
    if !candidate.reaches_tank_of(spot.tank_herd_id) {
        warnings.push("These straws hang in another herd's tank.".to_owned());
    }
    if found.is_some() {
        warnings.push(format!(
            "By the book {} hung there, so the difference was entered as found. See whether lot and place are right, and \
             count there.",
            spot.held
        ));
    }
    warnings.extend(candidate.doubts(&turn));
    let Numbered { service_number, rank } = turn.status.next;
    let withdrawal = Withdrawal {
        id,
        state: WithdrawalState::Out,
        animal_id: candidate.id,
        animal_number: candidate.number.clone(),
        herd_id: candidate.herd_id,
        service_number,
        rank,
        thaw: candidate.protocol(lot),
        semen_type: lot.details.semen_type,
        lot: lot.clone(),
        sire: sire.clone(),
        place: spot.place,
        place_id: spot.place_id,
        tank_name: spot.tank_name,
        tank_herd_id: spot.tank_herd_id,
        straws: new.straws,
        withdrawn_at: at,
        technician: new.technician.clone(),
        straw_read: new.straw_read.clone(),
        rule: turn.allowed,
        animal: None,
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
    Ok(Decision { withdrawal, left: (spot.held - asked).max(0), found })
}

/// The withdrawal's id: the client's, or a new one.
///
/// # Errors
/// It is taken, or was made far ahead of now: lists are in the order of ids, and what comes later would stand before it.
fn id(new: &NewWithdrawal, facts: &Facts, now: Now) -> Result<WithdrawalId, Rejection> {
    let Some(id) = new.id else { return Ok(WithdrawalId::new()) };
    if facts.is_id_taken {
        return Err(Rejection::IdTaken { what: "withdrawal", id: id.0 });
    }
    now.client_time(Timestamp::of_id(id.0), "id")?;
    Ok(id)
}

/// What the straw says against the lot and its sire.
pub fn mismatch(read: Option<&Name>, lot: &Lot, sire: &SireSummary) -> Option<Objection> {
    let read = read.filter(|read| !straw_read::agrees(read, lot, sire))?;
    Some(Objection::StrawMismatch { read: read.clone(), expected: straw_read::expected(lot, sire) })
}

/// Where straws of a lot are taken.
struct Spot {
    place: Place,
    place_id: PlaceId,
    is_new: bool,
    tank_name: Name,
    tank_herd_id: Option<HerdId>,
    on_hold: Option<Reason>,
    held: i64,
}

impl Spot {
    /// The line that enters what the book did not have here.
    fn found(&self, new: &NewWithdrawal, lot: &Lot, at: Timestamp) -> Option<Posting> {
        let straws = Straws::new(new.straws.get() - self.held)?;
        Some(Posting {
            kind: MovementKind::Count,
            lot_id: lot.id,
            from: PostingEnd::Outside(PlaceKind::Counted),
            to: PostingEnd::Tank {
                id: self.place_id,
                is_new: self.is_new,
                place: self.place.clone(),
                straws_after: new.straws.get(),
            },
            straws,
            occurred_at: at,
            technician: new.technician.clone(),
            cause: Cause::default(),
            reason: None,
            exposure_s: None,
            note: Note::parse("Found when they were taken; the book did not have them here.").ok(),
            warnings: Vec::new(),
        })
    }
}

/// Where straws of the lot are taken: at the place that was named; else within her reach, where enough hang and nothing
/// stands against it, in the order of use. Of what was done already also where too few hang, or hung before.
fn spot(new: &NewWithdrawal, facts: &Facts, candidate: &Candidate, lot: &Lot) -> Option<Spot> {
    let anywhere = new.already_done && new.place.is_none();
    let may_be = facts
        .stock
        .iter()
        .filter(|stock| stock.lot.id == lot.id && (anywhere || is_meant(new, candidate, stock)));
    let best = may_be.min_by_key(|stock| {
        let is_short = stock.straws < new.straws.get();
        let most_first = is_short.then_some(Reverse(stock.straws));
        (!candidate.reaches(stock), is_short, stock.on_hold.is_some(), most_first)
    });
    if let Some(stock) = best {
        return Some(Spot {
            place: stock.place.clone(),
            place_id: stock.place_id,
            is_new: false,
            tank_name: stock.tank_name.clone(),
            tank_herd_id: stock.tank_herd_id,
            on_hold: stock.on_hold.clone(),
            held: stock.straws,
        });
    }
    let (place, tank) = new.place.as_ref().zip(facts.tank.as_ref())?;
    Some(Spot {
        place: place.clone(),
        place_id: facts.place_id.unwrap_or_else(PlaceId::new),
        is_new: facts.place_id.is_none(),
        tank_name: tank.name.clone(),
        tank_herd_id: tank.herd_id,
        on_hold: facts.place_on_hold.clone(),
        held: 0,
    })
}

/// Straws of the lot never hung anywhere, so only who took one knows where.
fn place_needed(lot: &Lot) -> Rejection {
    let detail = format!(
        "is required: by the book no straw of {} ever hung anywhere. Say where this one was taken",
        lot.details.describe()
    );
    Rejection::Invalid(vec![Fault::at("place", detail)])
}

/// Straws for one insemination above which a slip is likely: one is usual, two are sometimes used (common practice, no
/// source).
const MOST_USUAL: i64 = 2;

fn many_warning(straws: Straws) -> Option<String> {
    (straws.get() > MOST_USUAL).then(|| {
        format!("{straws} straws for one animal: one is usual, two at most. If that was a slip, reverse the withdrawal.")
    })
}

/// Whether the straw asked for is one that the choice rule allows only where none of what it wants is in her reach.
pub fn asks_otherwise(new: &NewWithdrawal, facts: &Facts, now: Timestamp) -> bool {
    let Some(candidate) = &facts.candidate else { return false };
    let turn = candidate.at(new.withdrawn_at.unwrap_or(now));
    let chosen = choose(new, facts, candidate, &turn.clone().with_otherwise());
    chosen.is_ok_and(|(lot, _)| turn.allowed.has_otherwise(lot.details.semen_type))
}

/// Rejects an override of `objections` from a key that may not set them aside: a technician's may where the herd says so, and
/// only the choice rule.
fn may_set_aside(role: Role, herd: &HerdDetails, objections: &[Objection]) -> Result<(), Rejection> {
    let only_the_rule = objections.iter().all(|objection| objection.kind() == DeviationKind::ChoiceRule);
    if role == Role::Technician && herd.technician_may_override && only_the_rule {
        return Ok(());
    }
    may_override(role)
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
    let may_be = facts.stock.iter().filter(|stock| new.already_done || is_meant(new, candidate, stock));
    let best = may_be
        .filter(|stock| new.semen_type.is_none_or(|wanted| stock.semen_type == wanted))
        .min_by_key(|stock| how_well_it_fits(new, sire, candidate, turn, stock));
    if let Some(stock) = best {
        return Ok((&stock.lot, sire));
    }
    let text = match new.semen_type {
        Some(semen_type) => format!("{} straws of {}", semen_type.describe(), sire.name),
        None => format!("straws of {}", sire.name),
    };
    if new.already_done {
        let detail = format!(
            "names a sire of whom the book never had such straws ({text}). Say lot_id and place; or, if the straw never \
             was in this book, record the service with animal_id and sire_id"
        );
        return Err(Rejection::Invalid(vec![Fault::at("sire_id", detail)]).into());
    }
    let missing = NotInStock {
        asked: new.straws.get(),
        held: 0,
        text,
        semen_type: new.semen_type,
        elsewhere: Vec::new(),
    };
    Err(Refusal::NotInStock { missing: Box::new(missing), lot: None })
}

/// Of a sire's straws, which to use, the least first: where they were meant and as the straw says; free for her and of an
/// allowed type before others, then one place that holds enough before several that do not, then the type that her plan
/// wants, then that which the rule names first. The oldest collection stands in front anyway.
fn how_well_it_fits(
    new: &NewWithdrawal,
    sire: &SireSummary,
    candidate: &Candidate,
    turn: &Turn,
    stock: &Stock,
) -> (bool, bool, bool, bool, usize, usize) {
    (
        !is_meant(new, candidate, stock),
        mismatch(new.straw_read.as_ref(), &stock.lot, sire).is_some(),
        !candidate.may_have(stock) || !turn.allowed.has(stock.semen_type),
        stock.straws < new.straws.get(),
        candidate.plan_rank(turn, sire, stock.semen_type),
        turn.allowed.preference(stock.semen_type),
    )
}

/// Whether straws may be meant: at the place named, or in the tanks within her herd's reach.
fn is_meant(new: &NewWithdrawal, candidate: &Candidate, stock: &Stock) -> bool {
    match &new.place {
        Some(place) => stock.place == *place,
        None => candidate.reaches(stock),
    }
}

/// Of a sire's straws, those that she may have where others were asked for and are not there; of the semen type where one
/// was meant.
pub fn elsewhere(
    new: &NewWithdrawal,
    candidate: &Candidate,
    lot: Option<LotId>,
    semen_type: Option<SemenType>,
    stock: Vec<Stock>,
) -> Vec<Stock> {
    let asked_for = |other: &Stock| Some(other.lot.id) == lot && is_meant(new, candidate, other);
    let others = stock.into_iter().filter(|other| {
        candidate.may_have(other)
            && semen_type.is_none_or(|wanted| other.semen_type == wanted)
            && !asked_for(other)
    });
    others.take(MOST_INSTEAD).collect()
}

/// The objections as they are told, without the straws that she may have instead.
pub fn objected(candidate: &Candidate, turn: &Turn, objections: &[Objection]) -> Objected {
    Objected {
        kind: objections[0].kind(),
        objections: objections.iter().map(|objection| objection.set_aside(&candidate.herd, None)).collect(),
        numbered: turn.status.next,
        allowed: turn.allowed.clone(),
        instead: Vec::new(),
    }
}

/// So many straws of the lot do not hang there.
fn not_in_stock(
    new: &NewWithdrawal,
    facts: &Facts,
    candidate: &Candidate,
    lot: &Lot,
    sire: &SireSummary,
) -> Refusal {
    let there = facts.stock.iter().filter(|stock| stock.lot.id == lot.id && is_meant(new, candidate, stock));
    let semen_type = lot.details.semen_type;
    let wherefrom = new.place.as_ref().map_or_else(String::new, |place| format!(" in {}", place.describe()));
    let missing = NotInStock {
        asked: new.straws.get(),
        held: there.map(|hanging| hanging.straws).max().unwrap_or(0),
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
