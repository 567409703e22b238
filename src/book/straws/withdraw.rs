//! A straw leaves the tank for an animal.
//!
//! Asking for it enforces the rules: what stands against this straw for this animal refuses the
//! withdrawal, unless someone who may do so sets it aside with a reason. Then the withdrawal
//! carries what was set aside as deviations.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    book::{
        Caller, CommandError, NotInStock, Objected, Rejection,
        alerts::alert,
        command::{Command, CommandContext},
        lookup,
        straws::receive::place_exists,
    },
    domain::{
        animals::{
            animal::Animal,
            choice::Allowed,
            herd::HerdDetails,
            history::{AnimalStatus, Numbered},
            objection::{self, Deviations, Objection},
        },
        exchange::ade::ItemKind,
        form::Fault,
        straws::{
            lot::{Lot, LotStatus},
            movement::MovementKind,
            place::{Place, PlaceKind},
            semen::SemenType,
            sire::Sire,
            stock::Stock,
            thaw::ThawProtocol,
            withdrawal::{Withdrawal, WithdrawalState},
        },
        values::{
            AnimalId, BusinessId, LotId, Name, Reason, SireId, Straws, Technician, Timestamp, WithdrawalId,
        },
        webhooks::event::{self, Event, StrawWithdrawn, Subject, Topic},
    },
    store::{
        self, Tx,
        access::key::Role,
        animals::pedigree::{self, Parents, Relative},
        straws::ledger::{self, Cause, Entry, Whereabouts},
    },
};

/// Takes straws out for an animal.
#[derive(Clone, Debug)]
pub struct Withdraw {
    /// For whom.
    pub animal_id: AnimalId,
    /// Of which lot or sire.
    pub what: StrawSelection,
    /// From which place; the one to be used first when not said.
    pub place: Option<Place>,
    /// How many.
    pub straws: Straws,
    /// When; now when not said.
    pub withdrawn_at: Option<Timestamp>,
    /// Who takes them.
    pub technician: Option<Technician>,
    /// Why objections are set aside.
    pub override_reason: Option<Reason>,
}

/// What is wished for.
#[derive(Clone, Copy, Debug)]
pub enum StrawSelection {
    /// Straws of this lot.
    Lot(LotId),
    /// Straws of this sire, and of this type when it is said.
    Sire(SireId, Option<SemenType>),
}

/// What is known of an animal whose turn has come.
pub struct Candidate {
    /// The animal.
    pub animal: Animal,
    /// What her owner decided.
    pub herd: HerdDetails,
    /// What she is.
    pub standing: AnimalStatus,
    /// What the choice rule allows.
    pub allowed: Allowed,
}

impl Candidate {
    /// Gathers what is known of `animal` at `at`.
    pub async fn at(tx: &mut Tx, business: BusinessId, animal: Animal, at: Timestamp) -> store::Result<Self> {
        let herd = lookup::herd_of(tx, business, animal.details.herd_id).await?.details;
        let history = lookup::history(tx, business, animal.id).await?;
        let standing = history.standing(at, herd.same_heat_hours);
        let allowed = herd.choice_rule.allows(standing.next.service_number, standing.class);
        Ok(Self { animal, herd, standing, allowed })
    }

    /// What stands against serving her at all.
    pub fn objections(&self, at: Timestamp) -> Vec<Objection> {
        let d = &self.animal.details;
        objection::objections_to_animal(&self.standing, d.born_on, d.left_on, &self.herd, at)
    }

    /// What stands against a straw of `lot` for her.
    pub fn objections_to(&self, lot: &Lot, inbreeding: f64) -> Vec<Objection> {
        objection::objections_to_straw(
            lot.details.status,
            lot.details.semen_type,
            &self.allowed,
            inbreeding,
            &self.herd,
        )
    }

    /// Whether straws in that tank are within her reach: her herd's own, or the technician's.
    pub fn reaches(&self, stock: &Stock) -> bool {
        stock.tank_herd_id.is_none_or(|herd| herd == self.animal.details.herd_id)
    }

    /// The expected inbreeding of her calf by each of `sires`, from the known pedigree.
    pub async fn inbreeding(
        &self,
        tx: &mut Tx,
        business: BusinessId,
        sires: &[SireId],
    ) -> store::Result<Vec<f64>> {
        let mut known = Vec::with_capacity(sires.len());
        for sire in sires {
            let parents = store::straws::sire::parents(tx, business, *sire).await?;
            known.push((*sire, parents.unwrap_or(Parents { sire_id: None, dam_id: None })));
        }
        let own = Parents { sire_id: self.animal.details.sire_id, dam_id: self.animal.details.dam_id };
        let pedigree = pedigree::around(tx, business, (self.animal.id, own), &known).await?;
        let her = Relative::Animal(self.animal.id);
        Ok(sires.iter().map(|sire| pedigree.expected_inbreeding(her, Relative::Sire(*sire))).collect())
    }
}

/// How a straw is thawed: by its lot's instruction, else as the herd says, else by the default.
pub fn protocol(lot: &Lot, herd: &HerdDetails) -> ThawProtocol {
    let own = lot.details.thaw.clone().or_else(|| herd.thaw.clone());
    own.unwrap_or_else(|| ThawProtocol::default_for(lot.details.semen_type))
}

/// Refuses an override from a key that may not set rules aside.
pub fn may_override(caller: &Caller) -> Result<(), Rejection> {
    if caller.role == Role::Manager {
        return Ok(());
    }
    Err(Rejection::Forbidden {
        text: format!("Setting a rule aside needs a manager's key; this is a {}'s.", caller.role),
    })
}

/// The most straws that a refusal names instead.
const MOST_INSTEAD: usize = 10;

impl Command for Withdraw {
    type Done = Withdrawal;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Withdrawal, CommandError> {
        self.take(cx, Asked::Before).await
    }
}

/// Whether the straw is still in the tank when it is asked for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Asked {
    /// It is: what stands against it refuses it.
    Before,
    /// It is not, and she has been served: what stood against it goes on record.
    Afterwards,
}

impl Withdraw {
    /// The same for a straw that was used already, as someone tells afterwards: what has happened is not
    /// refused, and what stood against it is kept as deviations.
    pub async fn happened(&self, cx: &mut CommandContext<'_>) -> Result<Withdrawal, CommandError> {
        self.take(cx, Asked::Afterwards).await
    }

    async fn take(&self, cx: &mut CommandContext<'_>, asked: Asked) -> Result<Withdrawal, CommandError> {
        let (at, ahead) = lookup::client_time(self.withdrawn_at, cx, "withdrawn_at")?;
        let business = cx.business();
        let animal = lookup::animal(cx, self.animal_id, Some("#/animal_id")).await?;
        if let Some(place) = &self.place {
            place_exists(cx, place, "place").await?;
        }
        let candidate = Candidate::at(cx.tx, business, animal, at).await?;
        let (lot, sire, stock) = self.choose(cx, &candidate).await?;

        let inbreeding = candidate.inbreeding(cx.tx, business, &[sire.id]).await?;
        let mut objections = candidate.objections(at);
        objections.extend(candidate.objections_to(&lot, inbreeding.first().copied().unwrap_or(0.0)));
        if !objections.is_empty() && asked == Asked::Before {
            if self.override_reason.is_none() {
                return Err(refused(cx, &candidate, &objections).await?);
            }
            may_override(cx.caller)?;
        }

        let hanging = stock.iter().find(|hanging| hanging.straws >= self.straws.get());
        let Some(hanging) = hanging else {
            return Err(self.not_in_stock(cx, &candidate, &lot, &sire, &stock).await?);
        };
        let place_id = hanging.place_id;
        let Numbered { service_number, rank } = candidate.standing.next;
        let deviations = objections
            .iter()
            .map(|objection| objection.set_aside(&candidate.herd, self.override_reason.as_ref()))
            .collect::<Vec<_>>();
        let mut withdrawal = Withdrawal {
            id: WithdrawalId::new(),
            state: WithdrawalState::Out,
            animal_id: candidate.animal.id,
            animal_number: candidate.animal.details.number.clone(),
            herd_id: candidate.animal.details.herd_id,
            service_number,
            rank,
            thaw: protocol(&lot, &candidate.herd),
            semen_type: lot.details.semen_type,
            lot: lot.clone(),
            sire: hanging.sire.clone(),
            place: hanging.place.clone(),
            place_id,
            tank_name: hanging.tank_name.clone(),
            straws: self.straws,
            withdrawn_at: at,
            technician: self.technician.clone(),
            rule: candidate.allowed.clone(),
            bath_temp_c: None,
            thaw_started_at: None,
            ready_at: None,
            use_by: None,
            resolved_at: None,
            override_reason: self.override_reason.clone().filter(|_| !deviations.is_empty()),
            deviations: Deviations(deviations),
            warnings: ahead.into_iter().collect(),
            recorded_at: cx.now,
        };
        store::straws::withdrawal::add(cx.tx, business, cx.caller.key_id, &withdrawal).await?;
        let entry = Entry {
            kind: MovementKind::Withdrawal,
            lot: lot.id,
            from: Whereabouts::In(place_id),
            to: Whereabouts::Outside(PlaceKind::Used),
            straws: self.straws,
            occurred_at: at,
            technician: self.technician.clone(),
            cause: Cause::withdrawal(withdrawal.id),
            reason: None,
            exposure: None,
            note: None,
        };
        if cx.write(entry).await?.is_none() {
            return Err(self.not_in_stock(cx, &candidate, &lot, &sire, &stock).await?);
        }
        if !withdrawal.deviations.0.is_empty() {
            let texts: Vec<_> = withdrawal.deviations.0.iter().map(|d| d.text.as_str()).collect();
            alert::overridden(cx, &withdrawal, &format!("set aside: {}", texts.join(" "))).await?;
        }
        store::webhooks::outbox::write(cx.tx, business, cx.now, event_of(&withdrawal));

        withdrawal.warnings.extend(objection::waiting_warning(&candidate.standing, &candidate.herd, at));
        if !candidate.reaches(hanging) {
            withdrawal.warnings.push("These straws hang in another herd's tank.".to_owned());
        }
        Ok(withdrawal)
    }
}

impl Withdraw {
    /// Which lot to take, and where its straws hang, the place to be used first in front.
    async fn choose(
        &self,
        cx: &mut CommandContext<'_>,
        candidate: &Candidate,
    ) -> Result<(Lot, Sire, Vec<Stock>), CommandError> {
        let business = cx.business();
        match self.what {
            StrawSelection::Lot(id) => {
                let lot = lookup::lot(cx, id, Some("#/lot_id")).await?;
                let sire = lookup::sire_of(cx.tx, business, lot.details.sire_id).await?;
                let stock = ledger::stock_of_lot(cx.tx, business, id).await?;
                Ok((lot, sire, self.within_reach(candidate, stock)))
            }
            StrawSelection::Sire(id, semen_type) => {
                let sire = lookup::sire(cx, id, Some("#/sire_id")).await?;
                let stock = ledger::stock_of_sire(cx.tx, business, id).await?;
                let stock = self.within_reach(candidate, stock);
                let lot = best_lot(&stock, semen_type, &candidate.allowed, self.straws);
                let Some(lot) = lot else {
                    let text = match semen_type {
                        Some(semen_type) => {
                            format!("{} straws of {}", semen_type.describe(), sire.details.name)
                        }
                        None => format!("straws of {}", sire.details.name),
                    };
                    let elsewhere = ledger::stock_of_sire(cx.tx, business, id).await?;
                    let elsewhere = elsewhere
                        .into_iter()
                        .filter(|other| {
                            semen_type.is_none_or(|wanted| other.lot.details.semen_type == wanted)
                        })
                        .take(MOST_INSTEAD)
                        .collect();
                    let missing =
                        NotInStock { asked: self.straws.get(), held: 0, text, semen_type, elsewhere };
                    return Err(Rejection::NotInStock(Box::new(missing)).into());
                };
                let stock = stock.into_iter().filter(|hanging| hanging.lot.id == lot.id).collect();
                Ok((lot, sire, stock))
            }
        }
    }

    /// The straws that may be meant: at the place named, or in the tanks within her herd's reach.
    fn within_reach(&self, candidate: &Candidate, stock: Vec<Stock>) -> Vec<Stock> {
        let meant = |hanging: &Stock| match &self.place {
            Some(place) => hanging.place == *place,
            None => candidate.reaches(hanging),
        };
        stock.into_iter().filter(meant).collect()
    }

    async fn not_in_stock(
        &self,
        cx: &mut CommandContext<'_>,
        candidate: &Candidate,
        lot: &Lot,
        sire: &Sire,
        stock: &[Stock],
    ) -> Result<CommandError, store::Error> {
        let semen_type = lot.details.semen_type;
        let business = cx.business();
        let others = ledger::stock_of_sire(cx.tx, business, sire.id).await?;
        let asked_for =
            |other: &Stock| stock.iter().any(|s| s.place_id == other.place_id && s.lot.id == other.lot.id);
        let elsewhere = others
            .into_iter()
            .filter(|other| other.lot.details.semen_type == semen_type && !asked_for(other))
            .filter(|other| other.lot.details.status == LotStatus::Usable && candidate.reaches(other))
            .take(MOST_INSTEAD)
            .collect();
        let wherefrom =
            self.place.as_ref().map_or_else(String::new, |place| format!(" in {}", place.describe()));
        let missing = NotInStock {
            asked: self.straws.get(),
            held: stock.iter().map(|hanging| hanging.straws).max().unwrap_or(0),
            text: format!(
                "{} straws of {} ({}){wherefrom}",
                semen_type.describe(),
                sire.details.name,
                lot.details.describe()
            ),
            semen_type: Some(semen_type),
            elsewhere,
        };
        Ok(Rejection::NotInStock(Box::new(missing)).into())
    }
}

/// What others are told of a withdrawal.
fn event_of(withdrawal: &Withdrawal) -> Event {
    let data = StrawWithdrawn {
        withdrawal_id: withdrawal.id,
        animal_id: withdrawal.animal_id,
        herd_id: withdrawal.herd_id,
        lot_id: withdrawal.lot.id,
        sire_id: withdrawal.sire.id,
        semen_type: withdrawal.semen_type,
        place: withdrawal.place.clone(),
        straws: withdrawal.straws,
        service_number: withdrawal.service_number,
        rank: withdrawal.rank,
        deviations: event::kinds_of(&withdrawal.deviations),
        ade: ItemKind::Animal.address(withdrawal.herd_id, withdrawal.animal_id.0),
    };
    Event {
        kind: Topic::StrawWithdrawn.happened(),
        subject: Subject::Animal(withdrawal.animal_id),
        occurred_at: withdrawal.withdrawn_at,
        herd: Some(withdrawal.herd_id),
        tank: Some(withdrawal.place.tank_id),
        data: event::data(&data),
    }
}

/// Of a sire's straws, the lot to use: usable and of an allowed type before others, then one place
/// that holds enough before several that do not, then the type that the rule names first, then the
/// oldest collection.
fn best_lot(
    stock: &[Stock],
    semen_type: Option<SemenType>,
    allowed: &Allowed,
    straws: Straws,
) -> Option<Lot> {
    stock
        .iter()
        .filter(|hanging| semen_type.is_none_or(|wanted| hanging.lot.details.semen_type == wanted))
        .min_by_key(|hanging| {
            let d = &hanging.lot.details;
            let in_the_way = d.status != LotStatus::Usable || !allowed.has(d.semen_type);
            (in_the_way, hanging.straws < straws.get(), allowed.preference(d.semen_type))
        })
        .map(|hanging| hanging.lot.clone())
}

/// A refusal that says what stands in the way, what she may have instead, and where it hangs.
async fn refused(
    cx: &mut CommandContext<'_>,
    candidate: &Candidate,
    objections: &[Objection],
) -> Result<CommandError, store::Error> {
    let mut instead = Vec::new();
    if !objections.iter().any(against_her) {
        instead = offers(cx.tx, cx.caller.business_id, candidate).await?.0;
        instead.truncate(MOST_INSTEAD);
    }
    let objected = Objected {
        kind: objections[0].kind(),
        objections: objections.iter().map(|objection| objection.set_aside(&candidate.herd, None)).collect(),
        numbered: candidate.standing.next,
        allowed: candidate.allowed.clone(),
        instead,
    };
    Ok(Rejection::Objected(Box::new(objected)).into())
}

/// Whether an objection is to serving her at all, so that no other straw would help.
fn against_her(objection: &Objection) -> bool {
    match objection {
        Objection::DoNotBreed { .. }
        | Objection::AnimalLeft { .. }
        | Objection::Pregnant { .. }
        | Objection::TooYoung { .. } => true,
        Objection::LotNotUsable { .. } | Objection::Kinship { .. } | Objection::ChoiceRule { .. } => false,
    }
}

/// A sire whose straws are in reach and may not be used for her, and why.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct Blocked {
    /// The sire.
    pub sire_id: SireId,
    /// His name.
    pub sire_name: Name,
    /// The lot, when only that is in the way and not the sire.
    pub lot_id: Option<LotId>,
    /// Why, in words.
    pub reason: String,
}

/// The straws within her reach that she may have, in the order in which they should be used; and
/// the sires of straws that she may not have for another reason than the choice rule.
pub async fn offers(
    tx: &mut Tx,
    business: BusinessId,
    candidate: &Candidate,
) -> store::Result<(Vec<Stock>, Vec<Blocked>)> {
    let stock = ledger::stock_for_herd(tx, business, candidate.animal.details.herd_id).await?;
    let mut sires: Vec<SireId> = stock.iter().map(|hanging| hanging.lot.details.sire_id).collect();
    sires.sort_unstable();
    sires.dedup();
    let inbreeding = candidate.inbreeding(tx, business, &sires).await?;
    let of = |sire: SireId| sires.binary_search(&sire).map_or(0.0, |n| inbreeding[n]);

    let (mut free, mut blocked) = (Vec::new(), Vec::<Blocked>::new());
    for hanging in stock {
        let objections = candidate.objections_to(&hanging.lot, of(hanging.lot.details.sire_id));
        for objection in &objections {
            let found = barred(&hanging, objection, &candidate.herd);
            let is_new = |new: &Blocked| {
                !blocked.iter().any(|known| known.sire_id == new.sire_id && known.lot_id == new.lot_id)
            };
            blocked.extend(found.filter(is_new));
        }
        if objections.is_empty() {
            free.push(hanging);
        }
    }
    // Keeps the order of age within what the rule names first.
    free.sort_by_key(|hanging| candidate.allowed.preference(hanging.lot.details.semen_type));
    Ok((free, blocked))
}

/// What an objection bars beyond her service number: a whole sire, or a lot.
fn barred(hanging: &Stock, objection: &Objection, herd: &HerdDetails) -> Option<Blocked> {
    let lot = &hanging.lot;
    let (lot_id, reason) = match objection {
        Objection::Kinship { .. } => (None, objection.describe(herd)),
        Objection::LotNotUsable { status } => {
            (Some(lot.id), format!("Only {} of his is barred: it is {status}.", lot.details.describe()))
        }
        _ => return None,
    };
    Some(Blocked { sire_id: lot.details.sire_id, sire_name: hanging.sire.name.clone(), lot_id, reason })
}

/// A wish must name a lot or a sire, not both and not neither.
pub fn wish(
    lot: Option<LotId>,
    sire: Option<SireId>,
    semen_type: Option<SemenType>,
) -> Result<StrawSelection, Vec<Fault>> {
    match (lot, sire, semen_type) {
        (Some(lot), None, None) => Ok(StrawSelection::Lot(lot)),
        (None, Some(sire), semen_type) => Ok(StrawSelection::Sire(sire, semen_type)),
        (Some(_), Some(_), _) => {
            Err(vec![Fault::at("sire_id", "must not stand beside lot_id; name one of them")])
        }
        (Some(_), None, Some(_)) => {
            Err(vec![Fault::at("semen_type", "belongs to sire_id; a lot has its own semen type")])
        }
        (None, None, _) => Err(vec![Fault::at("lot_id", "is required, or sire_id instead")]),
    }
}
