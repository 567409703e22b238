//! A day's round: whom to serve by when, with which straws, and in which order to lift canisters.
//!
//! On the list are animals in heat on that day. Straws are reserved within the list only, the earliest deadline first, so
//! that two animals never count on the same last straw; the book itself reserves nothing. A heat that is expected to come
//! back is to be watched for, and takes no straw until it is seen.

use chrono::TimeDelta;
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::{
            call_out::{CallOut, WaitingCallOut},
            candidate::{Candidate, Turn},
            choice::{Allowed, Class, one_of},
            gestation::{ReturnWatch, return_watch},
            history::Numbered,
            kinship::{Inbreeding, Pedigree, Relative},
            mating_plan::{MatingPlan, Offered, StandingChoice, not_followed, standings},
            objection::{Deviation, waiting_warning},
            offers::{precedence, sires_of},
            reservation::{Offers, Supply, reserve},
            timed_protocol::{ProtocolStart, StartState},
            timing::{Timing, WindowState, timing},
        },
        straws::{lot::Lot, place::Place, semen::SemenType, sire::SireSummary, stock::Stock},
        values::{AnimalId, Canister, Code, Day, HerdId, Name, SireId, TankId, TimeZone, Timestamp},
    },
    text_enum,
};

text_enum! {
    /// Why an animal is on the list.
    DueReason {
        /// She is in heat.
        Heat = "heat",
        /// A timed protocol brings her to it.
        TimedProtocol = "timed_protocol",
    }
}

/// A day's round.
#[derive(Debug, Serialize, ToSchema)]
pub struct Round {
    /// The day, at each herd by its own time.
    pub date: Day,
    /// When the list was made.
    pub made_at: Timestamp,
    /// A stop at each herd where something is asked for, to be done or watched for, the earliest deadline first.
    pub stops: Vec<Stop>,
    /// What runs short, and what to do.
    pub shortages: Vec<Shortage>,
    /// What goes with every straw that is lifted.
    pub cautions: Vec<&'static str>,
}

/// One herd's animals.
#[derive(Debug, Serialize, ToSchema)]
pub struct Stop {
    /// The herd.
    pub herd_id: HerdId,
    /// What it is called.
    pub herd_name: Name,
    /// Where its days begin.
    #[schema(value_type = String)]
    pub time_zone: TimeZone,
    /// What the farm asks for and still waits for, the oldest first.
    pub requests: Vec<CallOut>,
    /// Whom to serve, the earliest deadline first.
    pub animals: Vec<DueAnimal>,
    /// Who may come back into heat.
    pub watch: Vec<WatchedAnimal>,
    /// Canisters to lift, each once, the earliest deadline first.
    pub lifts: Vec<Lift>,
}

/// An animal to be served.
#[derive(Debug, Serialize, ToSchema)]
pub struct DueAnimal {
    /// She.
    pub animal_id: AnimalId,
    /// Her number in her herd.
    pub animal_number: Code,
    /// Why she is on the list.
    pub reason: DueReason,
    /// Heifer or cow.
    pub class: Class,
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub numbered: Numbered,
    /// What her service number calls for.
    pub semen_types: Vec<SemenType>,
    /// The rule that says so.
    pub rule: Allowed,
    /// When to serve her; says so where the window has passed or she was served already.
    pub timing: Timing,
    /// Whether nothing stands against serving her.
    pub permitted: bool,
    /// What stands against it.
    pub objections: Vec<Deviation>,
    /// What is planned for this service, first choice first, and what comes of it.
    pub planned: Vec<StandingChoice>,
    /// The straw that is hers on this list; null where she needs none or is short.
    pub straw: Option<ReservedStraw>,
    /// Whether no straw is left for her.
    pub short: bool,
    /// What to heed.
    pub cautions: Vec<String>,
}

/// The straw that an animal has on the list.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ReservedStraw {
    /// The lot.
    pub lot: Lot,
    /// The sire.
    pub sire: SireSummary,
    /// The semen type.
    pub semen_type: SemenType,
    /// Where it hangs.
    pub place: Place,
    /// What the tank is called.
    pub tank_name: Name,
    /// The herd whose straw it is; the technician's own, for anybody, when null.
    pub owner_herd_name: Option<Name>,
}

/// An animal to be watched for a return to heat.
#[derive(Debug, Serialize, ToSchema)]
pub struct WatchedAnimal {
    /// She.
    pub animal_id: AnimalId,
    /// Her number in her herd.
    pub animal_number: Code,
    /// When she was served.
    pub served_at: Timestamp,
    /// The days on which she comes back if she did not conceive.
    pub return_watch: ReturnWatch,
    /// What the service would be then.
    #[serde(flatten)]
    pub numbered: Numbered,
    /// What that would call for.
    pub semen_types: Vec<SemenType>,
}

/// A canister that is lifted once.
#[derive(Debug, Serialize, ToSchema)]
pub struct Lift {
    /// The tank.
    pub tank_id: TankId,
    /// What it is called.
    pub tank_name: Name,
    /// The canister.
    pub canister: Canister,
    /// What to take out of it, in the order of canes and goblets.
    pub straws: Vec<LiftedStraw>,
}

/// A straw in a canister, and for whom it is.
#[derive(Debug, Serialize, ToSchema)]
pub struct LiftedStraw {
    /// For whom.
    pub animal_id: AnimalId,
    /// Her number in her herd.
    pub animal_number: Code,
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub straw: ReservedStraw,
}

/// Straws that are missing at a herd.
#[derive(Debug, Serialize, ToSchema)]
pub struct Shortage {
    /// The herd.
    pub herd_id: HerdId,
    /// What it is called.
    pub herd_name: Name,
    /// One of these types is called for.
    pub semen_types: Vec<SemenType>,
    /// How many animals are without a straw.
    #[schema(minimum = 1)]
    pub straws: usize,
    /// Their numbers.
    pub animal_numbers: Vec<Code>,
    /// What to do.
    pub text: String,
}

/// What is to be known before a round is planned.
#[derive(Debug)]
pub struct Facts {
    /// Animals with a heat or a service that may matter on the day.
    pub candidates: Vec<Candidate>,
    /// The pedigree of all of them and of the sires of the stock.
    pub pedigree: Pedigree<Relative>,
    /// All that hangs, in the order in which it should be used.
    pub stock: Vec<Stock>,
    /// Animals for whom a straw is out, and since when.
    pub out: Vec<(AnimalId, Timestamp)>,
    /// What farms ask for and still wait for, the oldest first.
    pub requests: Vec<WaitingCallOut>,
    /// Timed protocols that nobody stopped and whose insemination may be on the day.
    pub protocols: Vec<ProtocolStart>,
}

impl Facts {
    /// The animals that may be due.
    pub fn animals(&self) -> Vec<AnimalId> {
        self.candidates.iter().map(|candidate| candidate.id).collect()
    }
}

/// An animal with what is known of her on the day.
struct Listed<'f> {
    candidate: &'f Candidate,
    turn: Turn,
    timing: Timing,
    permitted: bool,
    /// The timed protocol that brings her to it.
    protocol: Option<ProtocolStart>,
}

impl Listed<'_> {
    fn needs_straw(&self) -> bool {
        self.permitted && self.timing.served_at.is_none() && self.timing.state != WindowState::Passed
    }
}

/// Plans the round of `date` as it stands at `now`.
pub fn plan(date: Day, facts: &Facts, now: Timestamp) -> Round {
    let mut listed: Vec<Listed<'_>> =
        facts.candidates.iter().filter_map(|candidate| on_the_list(candidate, facts, date, now)).collect();
    listed.sort_by_key(|listed| {
        (listed.timing.latest_at, listed.candidate.herd_id, listed.candidate.number.clone())
    });
    let (places, planned) = reserved(&listed, facts);
    let (mut stops, mut missing) = (Vec::<Stop>::new(), Vec::new());
    for ((listed, place), planned) in listed.iter().zip(places).zip(planned) {
        let straw = place.map(|place| ReservedStraw::of(&facts.stock[place]));
        if listed.needs_straw() && straw.is_none() {
            missing.push(listed);
        }
        let out =
            facts.out.iter().find(|(animal, _)| *animal == listed.candidate.id).map(|(_, since)| *since);
        let stop = stop_of(&mut stops, listed.candidate);
        if let Some(straw) = &straw {
            stop.lift(listed.candidate, straw.clone());
        }
        stop.animals.push(due(listed, straw, planned, out));
    }
    for candidate in &facts.candidates {
        if let Some(watched) = watched(candidate, date, now) {
            stop_of(&mut stops, candidate).watch.push(watched);
        }
    }
    for WaitingCallOut { call_out, time_zone } in &facts.requests {
        let (_, end, _) = moment(*time_zone, date, now);
        if call_out.asked_at <= end {
            let stop = stop_at(&mut stops, call_out.herd_id, &call_out.herd_name, *time_zone);
            stop.requests.push(call_out.clone());
        }
    }
    stops.sort_by_key(|stop| stop.deadline().map_or((true, now), |deadline| (false, deadline)));
    for stop in &mut stops {
        stop.watch.sort_by(|a, b| (a.served_at, &a.animal_number).cmp(&(b.served_at, &b.animal_number)));
    }
    Round {
        date,
        made_at: now,
        stops,
        shortages: shortages(&missing, &facts.stock),
        cautions: CAUTIONS.to_vec(),
    }
}

/// What goes with every straw that is lifted.
const CAUTIONS: &[&str] = &[
    "Read the code on the straw before it goes into the bath; check the bath before a straw is lifted.",
    "Liquid nitrogen burns, and its gas displaces air without warning: gloves, face shield, open doors. Local codes and \
     licensed practice go before this.",
];

/// The moment of the day at which she is looked at: now, or where the day does not hold it its nearest end.
fn moment(zone: TimeZone, date: Day, now: Timestamp) -> (Timestamp, Timestamp, Timestamp) {
    let start = date.start_in(zone);
    let end = date.plus_days(1).start_in(zone).plus(TimeDelta::microseconds(-1));
    (start, end, now.max(start).min(end))
}

/// Whether she is on the list: in heat, and the window for her service touches the day. Today's list has those too whose
/// window has passed since, because somebody may still ask for them.
fn listed(candidate: &Candidate, date: Day, now: Timestamp) -> Option<Listed<'_>> {
    let zone = candidate.herd.time_zone;
    let (start, end, at) = moment(zone, date, now);
    let turn = candidate.at(at);
    let heat = turn.status.heat?;
    let wanted = turn.allowed.semen_types.first().copied().unwrap_or(SemenType::Conventional);
    let served_at = turn.status.served_at.filter(|served| *served >= heat.at);
    let timing = timing(heat, wanted, at, served_at, zone);
    let permitted = candidate.objections(&turn).is_empty();
    let is_listed = is_of_the_day(&timing, served_at, (start, end), at == now);
    is_listed.then_some(Listed { candidate, turn, timing, permitted, protocol: None })
}

/// Whether the window touches the day, or, of today's list, has passed since. Who was served before the day began is done with.
fn is_of_the_day(
    timing: &Timing,
    served_at: Option<Timestamp>,
    (start, end): (Timestamp, Timestamp),
    is_today: bool,
) -> bool {
    let touches = timing.earliest_at <= end && timing.latest_at >= start;
    let is_missed = is_today && timing.latest_at < start;
    let is_over = served_at.is_some_and(|served| served < start);
    (touches || is_missed) && !is_over
}

/// Whether she is on the list, by a timed protocol or by a heat; the hour that a veterinarian set goes before.
fn on_the_list<'f>(candidate: &'f Candidate, facts: &Facts, date: Day, now: Timestamp) -> Option<Listed<'f>> {
    let mut of_hers = facts.protocols.iter().filter(|start| start.animal_id == candidate.id);
    let by_protocol = of_hers.find_map(|start| listed_by_protocol(candidate, start, date, now));
    by_protocol.or_else(|| listed(candidate, date, now))
}

/// Whether a timed protocol has her on the list: it runs, or she was served in it that day. Today's list has those too whom
/// nobody served at their hour, until that is three days ago.
fn listed_by_protocol<'f>(
    candidate: &'f Candidate,
    start: &ProtocolStart,
    date: Day,
    now: Timestamp,
) -> Option<Listed<'f>> {
    let (start_of_day, end, at) = moment(candidate.herd.time_zone, date, now);
    let stands = start.clone().at(&candidate.history, at);
    if !matches!(stands.state, StartState::Running | StartState::Served) {
        return None;
    }
    let turn = candidate.at(at);
    let wanted = turn.allowed.semen_types.first().copied().unwrap_or(SemenType::Conventional);
    let timing = stands.timing(wanted, at);
    let permitted = candidate.objections(&turn).is_empty();
    let is_listed = is_of_the_day(&timing, stands.served_at(), (start_of_day, end), at == now);
    is_listed.then_some(Listed { candidate, turn, timing, permitted, protocol: Some(stands) })
}

/// Whether she may come back into heat on the day, and was neither seen to nor found pregnant.
fn watched(candidate: &Candidate, date: Day, now: Timestamp) -> Option<WatchedAnimal> {
    let zone = candidate.herd.time_zone;
    let (_, _, at) = moment(zone, date, now);
    let turn = candidate.at(at);
    let served_at = turn.status.served_at?;
    let watch = return_watch(served_at.day_in(zone));
    let is_due = (watch.from_on..=watch.to_on).contains(&date);
    let is_settled = turn.status.heat.is_some() || !candidate.objections(&turn).is_empty();
    (is_due && !is_settled).then(|| WatchedAnimal {
        animal_id: candidate.id,
        animal_number: candidate.number.clone(),
        served_at,
        return_watch: watch,
        numbered: turn.status.next,
        semen_types: turn.allowed.semen_types,
    })
}

/// The sires of the straws and of the plans, each once, in order.
pub fn sires_in_question(candidates: &[Candidate], stock: &[Stock]) -> Vec<SireId> {
    let planned =
        candidates.iter().filter_map(|candidate| candidate.plan.as_ref()).flat_map(MatingPlan::sires);
    let mut sires: Vec<SireId> = sires_of(stock).into_iter().chain(planned).collect();
    sires.sort_unstable();
    sires.dedup();
    sires
}

/// For each animal the place in the stock where her straw is reserved, and what comes of her plan.
fn reserved(listed: &[Listed<'_>], facts: &Facts) -> (Vec<Option<usize>>, Vec<Vec<StandingChoice>>) {
    let sires = sires_in_question(&facts.candidates, &facts.stock);
    let relatives: Vec<Relative> = sires.iter().copied().map(Relative::Sire).collect();
    let dams: Vec<Relative> = listed.iter().map(|listed| Relative::Animal(listed.candidate.id)).collect();
    let inbreeding = facts.pedigree.expected_inbreeding_of(&dams, &relatives);
    let (offers, planned): (Vec<Offers>, Vec<_>) =
        listed.iter().zip(inbreeding).map(|(listed, of)| offers(listed, &facts.stock, &sires, &of)).unzip();
    let supply: Vec<Supply<(TankId, Canister)>> = facts
        .stock
        .iter()
        .map(|stock| Supply { straws: stock.straws, canister: (stock.place.tank_id, stock.place.canister) })
        .collect();
    (reserve(&offers, &supply), planned)
}

/// The straws that she may have: by what her plan wants, then by what the rule names first, then in the order of use; those of
/// one lot are alike. And what comes of her plan for this service.
fn offers(
    listed: &Listed<'_>,
    stock: &[Stock],
    sires: &[SireId],
    inbreeding: &[Inbreeding],
) -> (Offers, Vec<StandingChoice>) {
    if !listed.needs_straw() && listed.candidate.plan.is_none() {
        return (Vec::new(), Vec::new());
    }
    let (candidate, turn) = (listed.candidate, &listed.turn);
    let of =
        |sire: SireId| sires.binary_search(&sire).map_or_else(|_| Inbreeding::default(), |n| inbreeding[n]);
    let may_have = |stock: &Stock| {
        candidate.may_have(stock)
            && candidate
                .objections_to(turn, &stock.lot, stock.sire.purpose, of(stock.lot.details.sire_id))
                .is_empty()
    };
    let mut places: Vec<usize> = (0..stock.len()).filter(|n| may_have(&stock[*n])).collect();
    let is_offered = |n: usize| places.contains(&n);
    let offered = Offered { stock, is_offered: &is_offered, inbreeding: &of, wanted: None };
    let mut planned = standings(candidate, turn, &offered);
    planned.retain(|choice| choice.for_this_service);
    if !listed.needs_straw() {
        return (Vec::new(), planned);
    }
    places.sort_by_cached_key(|n| precedence(candidate, turn, &stock[*n]));
    let places =
        places.chunk_by(|a, b| stock[*a].lot.id == stock[*b].lot.id).map(<[usize]>::to_vec).collect();
    (places, planned)
}

impl ReservedStraw {
    fn of(stock: &Stock) -> Self {
        Self {
            lot: stock.lot.clone(),
            sire: stock.sire.clone(),
            semen_type: stock.semen_type,
            place: stock.place.clone(),
            tank_name: stock.tank_name.clone(),
            owner_herd_name: stock.owner_herd_name.clone(),
        }
    }
}

/// The stop at an animal's herd.
fn stop_of<'s>(stops: &'s mut Vec<Stop>, candidate: &Candidate) -> &'s mut Stop {
    stop_at(stops, candidate.herd_id, &candidate.herd.name, candidate.herd.time_zone)
}

/// The stop at a herd, made where nothing was to be done there so far.
fn stop_at<'s>(
    stops: &'s mut Vec<Stop>,
    herd_id: HerdId,
    herd_name: &Name,
    time_zone: TimeZone,
) -> &'s mut Stop {
    let at = stops.iter().position(|stop| stop.herd_id == herd_id).unwrap_or_else(|| {
        stops.push(Stop {
            herd_id,
            herd_name: herd_name.clone(),
            time_zone,
            requests: Vec::new(),
            animals: Vec::new(),
            watch: Vec::new(),
            lifts: Vec::new(),
        });
        stops.len() - 1
    });
    &mut stops[at]
}

impl Stop {
    /// By when somebody must be there: for the first animal, or as the farm asks.
    fn deadline(&self) -> Option<Timestamp> {
        let animals = self.animals.iter().map(|animal| animal.timing.latest_at);
        animals.chain(self.requests.iter().filter_map(|request| request.wanted_by)).min()
    }

    /// Takes a straw along when its canister is lifted.
    fn lift(&mut self, candidate: &Candidate, straw: ReservedStraw) {
        let (tank_id, canister) = (straw.place.tank_id, straw.place.canister);
        let is_it = |lift: &Lift| (lift.tank_id, lift.canister) == (tank_id, canister);
        let at = self.lifts.iter().position(is_it).unwrap_or_else(|| {
            self.lifts.push(Lift {
                tank_id,
                tank_name: straw.tank_name.clone(),
                canister,
                straws: Vec::new(),
            });
            self.lifts.len() - 1
        });
        let lift = &mut self.lifts[at];
        lift.straws.push(LiftedStraw {
            animal_id: candidate.id,
            animal_number: candidate.number.clone(),
            straw,
        });
        lift.straws.sort_by(|a, b| a.straw.place.cmp(&b.straw.place));
    }
}

fn due(
    listed: &Listed<'_>,
    straw: Option<ReservedStraw>,
    planned: Vec<StandingChoice>,
    out: Option<Timestamp>,
) -> DueAnimal {
    let Listed { candidate, turn, timing, permitted, protocol } = listed;
    let zone = candidate.herd.time_zone;
    let objections = candidate.objections(turn);
    let mut cautions: Vec<String> =
        waiting_warning(&turn.status, &candidate.herd, turn.at).into_iter().collect();
    cautions.extend(candidate.doubts(turn));
    cautions.extend(plan_caution(listed, straw.as_ref(), &planned));
    cautions.extend(protocol.as_ref().map(ProtocolStart::caution_in_words));
    cautions.extend(out.map(|since| {
        format!("A straw has been out for her since {} and is not accounted for.", since.display_in(zone))
    }));
    if timing.served_at.is_some() || timing.state == WindowState::Passed {
        cautions.push(timing.text.clone());
    }
    DueAnimal {
        animal_id: candidate.id,
        animal_number: candidate.number.clone(),
        reason: if timing.method.is_timed() { DueReason::TimedProtocol } else { DueReason::Heat },
        class: turn.status.class,
        numbered: turn.status.next,
        semen_types: turn.allowed.semen_types.clone(),
        rule: turn.allowed.clone(),
        timing: timing.clone(),
        permitted: *permitted,
        objections: objections.iter().map(|objection| objection.set_aside(&candidate.herd, None)).collect(),
        short: listed.needs_straw() && straw.is_none(),
        planned,
        straw,
        cautions,
    }
}

/// Says so where her straw on the list is not what is planned, and why.
fn plan_caution(
    listed: &Listed<'_>,
    straw: Option<&ReservedStraw>,
    planned: &[StandingChoice],
) -> Option<String> {
    if !listed.needs_straw() {
        return None;
    }
    let departs = straw
        .and_then(|straw| listed.candidate.departure_from_plan(&listed.turn, &straw.sire, straw.semen_type));
    match (straw, departs) {
        (Some(_), None) => None,
        (_, departs) => not_followed(planned).or(departs),
    }
}

/// What runs short, by herd and by what is called for.
fn shortages(missing: &[&Listed<'_>], stock: &[Stock]) -> Vec<Shortage> {
    let mut shortages = Vec::<Shortage>::new();
    for listed in missing {
        let (candidate, types) = (listed.candidate, &listed.turn.allowed.semen_types);
        let number = candidate.number.clone();
        match shortages.iter_mut().find(|s| s.herd_id == candidate.herd_id && s.semen_types == *types) {
            Some(shortage) => shortage.animal_numbers.push(number),
            None => shortages.push(Shortage {
                herd_id: candidate.herd_id,
                herd_name: candidate.herd.name.clone(),
                semen_types: types.clone(),
                straws: 0,
                animal_numbers: vec![number],
                text: String::new(),
            }),
        }
    }
    for shortage in &mut shortages {
        shortage.straws = shortage.animal_numbers.len();
        shortage.text = what_to_do(shortage, stock);
    }
    shortages
}

fn what_to_do(shortage: &Shortage, stock: &[Stock]) -> String {
    let numbers: Vec<String> = shortage.animal_numbers.iter().map(ToString::to_string).collect();
    let straws = if shortage.straws == 1 { "straw" } else { "straws" };
    let missing = format!(
        "{} {straws} missing at {} ({}), for {}.",
        shortage.straws,
        shortage.herd_name,
        one_of(&shortage.semen_types),
        numbers.join(", ")
    );
    // Tanks of other herds are out of reach, so their straws are none to be counted on.
    let hang = stock.iter().any(|s| shortage.semen_types.contains(&s.semen_type) && s.tank_herd_id.is_none());
    let advice = if hang {
        "Such straws hang in the technician's tank, but not enough or none that she may have: bring more, or agree another \
         type with the owner before you set out."
    } else {
        "None hangs in the technician's tank: bring some, or agree another type with the owner before you set out."
    };
    format!("{missing} {advice}")
}
