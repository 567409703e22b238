//! What a device at the tank keeps for when there is no signal: the day's round, what each animal's next service calls for,
//! what hangs where. Gathered in a few statements however many animals there are; nothing of the choice is left to the device.

use std::{
    collections::{BTreeMap, BTreeSet},
    mem,
};

use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    book::{
        Caller,
        animals::{
            next_service::{MOST_OUT, ServiceCall, told},
            round,
        },
        nitrogen::status::{self, TankRecord},
    },
    domain::{
        alerts::Alert,
        animals::{
            animal::Animal,
            candidate::Candidate,
            mating_plan::MatingPlan,
            offers::offers,
            round::{Facts, Round, plan},
        },
        straws::{
            lot::Lot, place::Place, semen::SemenType, sire::SireSummary, stock::Stock, thaw::ThawProtocol,
            withdrawal::Withdrawal,
        },
        values::{AnimalId, Day, HerdId, LotId, Name, Reason, SireId, Timestamp},
    },
    store::{
        self, Page, Tx,
        alerts::alert::{self, WantedAlerts},
        animals::{animal, due},
        nitrogen::tank,
        straws::withdrawal,
    },
};

/// Animals of a round that are told of; more than a technician serves in a week.
const MOST_ANIMALS: usize = 1000;
/// Places where straws hang.
const MOST_STOCK: usize = 5000;
/// Straws that are out, alerts, tanks.
pub const MOST_OF_OTHERS: i64 = 500;

/// What is to be known before anything is reckoned.
#[derive(Debug)]
pub struct Gathered {
    date: Day,
    at: Timestamp,
    herds: Vec<HerdId>,
    facts: Facts,
    animals: Vec<Animal>,
    out: Vec<Withdrawal>,
    alerts: Vec<Alert>,
    truncated: Vec<&'static str>,
    /// The tanks, with what is on record of their nitrogen.
    pub tanks: Vec<TankRecord>,
}

/// Gathers it for the round of `date` at these herds, or at all, as it stands at `now`, within the limits of the caller's key.
pub async fn gather(
    tx: &mut Tx,
    caller: &Caller,
    date: Day,
    herds: &[HerdId],
    now: Timestamp,
) -> store::Result<Gathered> {
    let business = caller.business_id;
    let page = Page { after: Uuid::nil(), limit: MOST_OF_OTHERS };
    let is_in_reach =
        |herd: Option<HerdId>| herds.is_empty() || herd.is_none_or(|herd| herds.contains(&herd));
    let mut facts = round::gather(tx, caller, date, herds).await?;
    let animals = facts.animals();
    let mut out = withdrawal::list(tx, business, None, true, page).await?;
    let mut truncated: Vec<_> = is_full(&out).then_some("withdrawals").into_iter().collect();
    facts.out = if is_full(&out) {
        due::straws_out(tx, business, &animals).await?
    } else {
        let mut first = BTreeMap::<AnimalId, Timestamp>::new();
        for straw in &out {
            let since = first.entry(straw.animal_id).or_insert(straw.withdrawn_at);
            *since = straw.withdrawn_at.min(*since);
        }
        first.into_iter().collect()
    };
    let animals = animal::of_ids(tx, business, &animals).await?;
    let mut tanks = tank::list(tx, business, None, page).await?;
    truncated.extend(is_full(&tanks).then_some("tanks"));
    tanks.retain(|tank| is_in_reach(tank.details.herd_id) && caller.may_see(tank));
    let tanks = status::records_of(tx, business, &tanks, now).await?;
    let wanted = WantedAlerts { open: Some(true), ..WantedAlerts::default() };
    let mut alerts = alert::list(tx, business, &wanted, page).await?;
    truncated.extend(is_full(&alerts).then_some("alerts"));
    alerts.retain(|alert| is_in_reach(alert.about.herd_id) && caller.may_see(alert));
    out.retain(|straw| is_in_reach(Some(straw.herd_id)) && caller.may_see(straw));
    Ok(Gathered { date, at: now, herds: herds.to_vec(), facts, animals, out, alerts, truncated, tanks })
}

fn is_full<T>(rows: &[T]) -> bool {
    i64::try_from(rows.len()).is_ok_and(|rows| rows >= MOST_OF_OTHERS)
}

/// What a device keeps, but for what the tanks' nitrogen is reckoned to be.
#[derive(Debug)]
pub struct Kept {
    /// The day's round.
    pub round: Round,
    /// Every animal on it, then those in heat whose hour is on another day.
    pub animals: Vec<AnimalAtTank>,
    /// What hangs where.
    pub stock: Vec<Hanging>,
    /// What lots that is.
    pub lots: Vec<LotAtTank>,
    /// How straws are thawed.
    pub thaw_protocols: Vec<ThawProtocol>,
    /// Straws that are out.
    pub withdrawals: Vec<Withdrawal>,
    /// Alerts that are open.
    pub alerts: Vec<Alert>,
    /// What is not complete.
    pub truncated: Vec<&'static str>,
}

/// An animal, with what her next service calls for.
#[derive(Debug, Serialize, ToSchema)]
pub struct AnimalAtTank {
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub animal: Animal,
    /// What her next service calls for.
    pub next_service: ServiceAtTank,
}

/// What her next service calls for, as `GET /v1/animals/{id}/next-service` says it, with the straws by their lots.
#[derive(Debug, Serialize, ToSchema)]
pub struct ServiceAtTank {
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub call: ServiceCall,
    /// Straws that she may have and where they hang, the first to be used first.
    pub candidates: Vec<Offered>,
}

/// Straws that an animal may have.
#[derive(Debug, Serialize, ToSchema)]
pub struct Offered {
    /// The lot, which is among the lots.
    pub lot_id: LotId,
    /// The semen type.
    pub semen_type: SemenType,
    /// Where they hang.
    pub place: Place,
    /// What the tank is called.
    pub tank_name: Name,
    /// How many.
    #[schema(minimum = 1)]
    pub straws: i64,
    /// How to thaw one for her: its place among the thaw protocols.
    #[schema(minimum = 0)]
    pub thaw_protocol: usize,
}

/// Straws of one lot at one place.
#[derive(Debug, Serialize, ToSchema)]
pub struct Hanging {
    /// The lot, which is among the lots.
    pub lot_id: LotId,
    /// The sire.
    pub sire_id: SireId,
    /// The semen type.
    pub semen_type: SemenType,
    /// Where they hang.
    pub place: Place,
    /// What the tank is called.
    pub tank_name: Name,
    /// Why straws that hang there are not to be used; null where they may.
    pub on_hold: Option<Reason>,
    /// How many.
    #[schema(minimum = 1)]
    pub straws: i64,
}

/// A lot with its sire.
#[derive(Debug, Serialize, ToSchema)]
pub struct LotAtTank {
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub lot: Lot,
    /// The sire.
    pub sire: SireSummary,
    /// The herd whose straws they are; the technician's own, for anybody, when null.
    pub owner_herd_name: Option<Name>,
    /// How its straws are thawed where an animal's herd says nothing else: its place among the thaw protocols.
    #[schema(minimum = 0)]
    pub thaw_protocol: usize,
}

/// Each protocol once.
#[derive(Default)]
struct Protocols(Vec<ThawProtocol>);

impl Protocols {
    fn place_of(&mut self, protocol: ThawProtocol) -> usize {
        self.0.iter().position(|known| *known == protocol).unwrap_or_else(|| {
            self.0.push(protocol);
            self.0.len() - 1
        })
    }
}

impl Gathered {
    /// Reckons what the device keeps.
    pub fn kept(mut self) -> Kept {
        let round = plan(self.date, &self.facts, self.at);
        let mut protocols = Protocols::default();
        let mut truncated = mem::take(&mut self.truncated);
        let wanted = self.wanted(&round);
        if wanted.len() > MOST_ANIMALS {
            truncated.push("animals");
        }
        let mut known: BTreeMap<AnimalId, Animal> =
            mem::take(&mut self.animals).into_iter().map(|animal| (animal.id, animal)).collect();
        let mut candidates: BTreeMap<AnimalId, Candidate> = mem::take(&mut self.facts.candidates)
            .into_iter()
            .map(|candidate| (candidate.id, candidate))
            .collect();
        let mut animals = Vec::new();
        for id in wanted.into_iter().take(MOST_ANIMALS) {
            if let Some((animal, candidate)) = known.remove(&id).zip(candidates.remove(&id)) {
                let next_service = self.next_service(candidate, &mut protocols);
                animals.push(AnimalAtTank { animal, next_service });
            }
        }
        let (herds, at) = (self.herds, self.at);
        let mut stock = self.facts.stock;
        stock.retain(|hanging| {
            herds.is_empty() || hanging.tank_herd_id.is_none_or(|herd| herds.contains(&herd))
        });
        if stock.len() > MOST_STOCK {
            truncated.push("stock");
            stock.truncate(MOST_STOCK);
        }
        let (lots, stock) = split(stock, &mut protocols);
        Kept {
            round,
            animals,
            stock,
            lots,
            thaw_protocols: protocols.0,
            withdrawals: self.out.into_iter().map(|straw| straw.at(at)).collect(),
            alerts: self.alerts,
            truncated,
        }
    }

    /// Whom it tells of: those on the round, in its order; then those in heat whose hour is on another day, for a farm may ask for
    /// them all the same.
    fn wanted(&self, round: &Round) -> Vec<AnimalId> {
        let mut wanted: Vec<AnimalId> =
            round.stops.iter().flat_map(|stop| stop.animals.iter().map(|animal| animal.animal_id)).collect();
        let listed: BTreeSet<AnimalId> = wanted.iter().copied().collect();
        let in_heat = |candidate: &&Candidate| candidate.at(self.at).status.heat.is_some();
        let others = self.facts.candidates.iter().filter(|candidate| !listed.contains(&candidate.id));
        wanted.extend(others.filter(in_heat).map(|candidate| candidate.id));
        wanted
    }

    fn next_service(&mut self, mut candidate: Candidate, protocols: &mut Protocols) -> ServiceAtTank {
        // What hangs elsewhere of the sires that are planned for her: it is told that it does.
        let planned = candidate.plan.as_ref().map(MatingPlan::sires).unwrap_or_default();
        let is_told = |stock: &&Stock| candidate.reaches(stock) || planned.contains(&stock.sire.id);
        let told_of = self.facts.stock.iter().filter(is_told).cloned().collect();
        let hers = self.out.iter().filter(|straw| straw.animal_id == candidate.id);
        let open: Vec<Withdrawal> = hers.take(MOST_OUT.into()).cloned().collect();
        // Lent for as long as it is asked: it is that of all of them, and large.
        candidate.pedigree = mem::take(&mut self.facts.pedigree);
        let turn = candidate.at(self.at);
        let offered = offers(&candidate, &turn, told_of, None);
        let next = told(&candidate, turn, offered, &open, &self.facts.protocols);
        let offer = |hanging: Stock| Offered {
            thaw_protocol: protocols.place_of(candidate.protocol(&hanging.lot)),
            lot_id: hanging.lot.id,
            semen_type: hanging.semen_type,
            place: hanging.place,
            tank_name: hanging.tank_name,
            straws: hanging.straws,
        };
        let candidates = next.candidates.into_iter().map(offer).collect();
        self.facts.pedigree = mem::take(&mut candidate.pedigree);
        ServiceAtTank { call: next.call, candidates }
    }
}

/// The lots of a stock, each once, and where they hang.
fn split(stock: Vec<Stock>, protocols: &mut Protocols) -> (Vec<LotAtTank>, Vec<Hanging>) {
    let mut lots = BTreeMap::<LotId, LotAtTank>::new();
    let hanging = stock.into_iter().map(|stock| {
        let hanging = Hanging {
            lot_id: stock.lot.id,
            sire_id: stock.sire.id,
            semen_type: stock.semen_type,
            place: stock.place,
            tank_name: stock.tank_name,
            on_hold: stock.on_hold,
            straws: stock.straws,
        };
        lots.entry(stock.lot.id).or_insert_with(|| {
            let own = stock.lot.details.thaw.clone();
            let protocol = own
                .unwrap_or_else(|| ThawProtocol::default_for(stock.semen_type, stock.lot.details.straw_ml));
            LotAtTank {
                lot: stock.lot,
                sire: stock.sire,
                owner_herd_name: stock.owner_herd_name,
                thaw_protocol: protocols.place_of(protocol),
            }
        });
        hanging
    });
    let hanging = hanging.collect();
    (lots.into_values().collect(), hanging)
}
