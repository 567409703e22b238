//! The rules of the book in their plainest form, written from what the interface promises and not from
//! how the service does it: it keeps a list of what happened and works everything else out from that
//! list, every time. A balance is a sum, a state is what was recorded and not reversed.

use std::{cmp::Reverse, collections::HashMap};

use serde_json::{Value, json};

use super::{
    commands::{AnimalEvent, Command, Intent, NEVER, Order, Place, Reported, Semen, Spot, Step},
    farm::{ANIMALS, CANISTERS, DAY, FIRST_SERVICE_DAYS, LOTS, SAME_HEAT, START, TANKS, allowed},
};

/// Either end of a movement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum End {
    In(Place),
    Supplier,
    Used,
    Discarded,
    Counted,
    Keeper,
}

/// A line of the ledger.
#[derive(Clone, Copy, Debug)]
struct Line {
    kind: &'static str,
    lot: usize,
    straws: i64,
    from: End,
    to: End,
    withdrawal: Option<usize>,
    stocktake: Option<usize>,
    reverses: Option<usize>,
}

#[derive(Clone, Debug)]
struct Withdrawal {
    order: Order,
    lot: usize,
    place: Place,
    at: i64,
    number: (usize, usize),
    deviations: Vec<&'static str>,
    thaw: Option<(i64, i64)>,
}

/// Straws of a tank or canister that are not to be used.
#[derive(Clone, Debug)]
struct Hold {
    tank: usize,
    canister: Option<i64>,
    lifted: bool,
}

#[derive(Clone, Debug)]
struct Service {
    animal: usize,
    kind: &'static str,
    at: i64,
    withdrawal: Option<usize>,
    deviations: Vec<&'static str>,
    reversed: bool,
}

#[derive(Clone, Debug)]
struct Stocktake {
    tank: usize,
    as_of: i64,
    /// Place, lot, expected, counted, and the line by which the difference was posted.
    lines: Vec<(Place, usize, i64, i64, Option<usize>)>,
    accepted: bool,
}

/// What the service has to answer.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// This status, and at least these members.
    Fresh(u16, Value),
    /// The first answer to this key again, word for word.
    Replayed,
    /// One for each item of a batch.
    Each(Vec<Answer>),
}

/// The whole book.
#[derive(Default)]
pub struct Book {
    ledger: Vec<Line>,
    withdrawals: Vec<Withdrawal>,
    services: Vec<Service>,
    happenings: Vec<(usize, i64, AnimalEvent)>,
    stocktakes: Vec<Stocktake>,
    holds: Vec<Hold>,
    status: HashMap<usize, &'static str>,
    /// What stands under each Idempotency-Key.
    kept: HashMap<String, Command>,
    /// What was sent, with its key.
    sent: Vec<(String, Command)>,
    /// The day of the step before, in seconds.
    today: i64,
}

/// A pregnancy is over after 300 days, whatever is on record (a gestation of 260-300 d fits: Norman et al. 2009 and others).
const LONGEST_GESTATION: i64 = 300 * DAY;

/// An id that names nothing.
const NOTHING: usize = usize::MAX;

/// Objections in the order in which they name a refusal: what is about her, what is about the straw, and
/// last what only the choice rule says.
const GRAVEST_FIRST: &[&str] = &[
    "do_not_breed",
    "animal_pregnant",
    "too_young",
    "lot_not_usable",
    "not_yours",
    "kinship",
    "choice_rule",
    "on_hold",
    "straw_mismatch",
];

fn done(status: u16, body: Value) -> Answer {
    Answer::Fresh(status, body)
}

fn refused(status: u16, kind: &str, mut members: Value) -> Answer {
    members["type"] = json!(format!("/problems/{kind}"));
    done(status, members)
}

fn wrong() -> Answer {
    refused(422, "invalid-input", json!({}))
}

fn unknown() -> Answer {
    refused(404, "not-found", json!({}))
}

/// A client's clock may be a day ahead of the service's, which says 0.
fn too_far_ahead(at: i64) -> bool {
    at > DAY
}

fn kebab(kind: &str) -> String {
    kind.replace('_', "-")
}

fn kinds(deviations: &[&str]) -> Value {
    let mut kinds: Vec<_> = deviations.iter().map(|kind| json!({"kind": kind})).collect();
    kinds.sort_by_key(ToString::to_string);
    json!(kinds)
}

fn name(thing: &str, n: usize) -> Value {
    json!(format!("{thing} {n}"))
}

fn name_of(thing: &str, n: Option<usize>) -> Value {
    n.map_or(Value::Null, |n| name(thing, n))
}

fn told_place(place: Place) -> Value {
    let cane = (!place.cane.is_empty()).then_some(place.cane);
    json!({"tank_id": name("tank", place.tank), "canister": place.canister, "cane": cane, "goblet": null})
}

fn number_told(number: (usize, usize)) -> Value {
    json!({"service_number": number.0, "rank": number.1})
}

fn merged(mut one: Value, other: Value) -> Value {
    if let (Value::Object(one), Value::Object(other)) = (&mut one, other) {
        one.extend(other);
    }
    one
}

fn list(what: &str, n: usize, told: impl Fn(usize) -> Value) -> (String, Value) {
    let items: Vec<_> = (0..n).map(told).collect();
    (format!("/v1/{what}?limit=500"), json!({"items": items, "next_cursor": null}))
}

/// Number and rank of the last of these inseminations of one cycle, in order of time: those within the
/// same heat as a service's first one are the same service, the next rank.
fn number_of_last(cycle: &[i64]) -> (usize, usize) {
    let (mut number, mut rank, mut first) = (0, 0, i64::MIN);
    for at in cycle {
        if number > 0 && at - first <= SAME_HEAT {
            rank += 1;
        } else {
            (number, rank, first) = (number + 1, 1, *at);
        }
    }
    (number, rank)
}

// What is known.
impl Book {
    pub fn new() -> Self {
        Self { today: START, ..Self::default() }
    }

    /// Straws of a lot that hung at a place after the first `lines` lines: what came less what went.
    fn hung(&self, lot: usize, place: Place, lines: usize) -> i64 {
        let of = |line: &&Line| line.lot == lot;
        let came: i64 =
            self.ledger[..lines].iter().filter(of).filter(|l| l.to == End::In(place)).map(|l| l.straws).sum();
        let went: i64 = self.ledger[..lines]
            .iter()
            .filter(of)
            .filter(|l| l.from == End::In(place))
            .map(|l| l.straws)
            .sum();
        came - went
    }

    fn hangs(&self, lot: usize, place: Place) -> i64 {
        self.hung(lot, place, self.ledger.len())
    }

    /// All that hangs after so many lines, by place and lot.
    fn stock_at(&self, lines: usize) -> Vec<(Place, usize, i64)> {
        let mut all = self.spots_at(lines);
        all.retain(|(_, _, straws)| *straws > 0);
        all
    }

    /// The same with the places where nothing hangs any more.
    fn spots_at(&self, lines: usize) -> Vec<(Place, usize, i64)> {
        let ends = self.ledger[..lines].iter().flat_map(|line| [(line.from, line.lot), (line.to, line.lot)]);
        let mut spots: Vec<_> = ends
            .filter_map(|(end, lot)| if let End::In(place) = end { Some((place, lot)) } else { None })
            .collect();
        spots.sort_unstable();
        spots.dedup();
        spots.into_iter().map(|(place, lot)| (place, lot, self.hung(lot, place, lines))).collect()
    }

    /// All that hangs, in the order in which it is to be used: the oldest collection first, and of a lot
    /// what hangs in the herd's own tank before the technician's.
    fn stock_in_order_of_use(&self) -> Vec<(Place, usize, i64)> {
        let mut stock = self.spots_in_order_of_use();
        stock.retain(|(_, _, straws)| *straws > 0);
        stock
    }

    fn spots_in_order_of_use(&self) -> Vec<(Place, usize, i64)> {
        let mut stock = self.spots_at(self.ledger.len());
        stock.sort_by_key(|(place, lot, _)| {
            let collected_on = LOTS[*lot].collected_on.unwrap_or("9999");
            (collected_on, *lot, TANKS[place.tank].unwrap_or(usize::MAX), *place)
        });
        stock
    }

    fn reversal_of(&self, line: usize) -> Option<usize> {
        self.ledger.iter().position(|other| other.reverses == Some(line)).map(|n| n + 1)
    }

    /// Whether a line of this kind for this withdrawal stands and was not reversed.
    fn stands(&self, kind: &str, withdrawal: usize) -> bool {
        let lines = self.ledger.iter().enumerate();
        lines
            .filter(|(_, line)| line.kind == kind && line.withdrawal == Some(withdrawal))
            .any(|(n, _)| self.reversal_of(n + 1).is_none())
    }

    fn service_of(&self, withdrawal: usize) -> Option<usize> {
        self.services.iter().position(|s| s.withdrawal == Some(withdrawal) && !s.reversed)
    }

    fn state(&self, withdrawal: usize) -> &'static str {
        if !self.stands("withdrawal", withdrawal) {
            "reversed"
        } else if self.stands("discard", withdrawal) {
            "discarded"
        } else if self.service_of(withdrawal).is_some() {
            "served"
        } else {
            match self.withdrawals[withdrawal].thaw {
                None => "out",
                Some((ready, _)) if ready > 0 => "thawing",
                Some(_) => "thawed",
            }
        }
    }

    fn is_resolved(&self, withdrawal: usize) -> bool {
        matches!(self.state(withdrawal), "reversed" | "discarded" | "served")
    }

    /// What happened to her up to then, the last in time first; of two at one moment the one told last.
    fn last(&self, animal: usize, at: i64, wanted: fn(AnimalEvent) -> bool) -> Option<(i64, AnimalEvent)> {
        let hers = self
            .happenings
            .iter()
            .filter(|(whom, when, what)| *whom == animal && *when <= at && wanted(*what));
        hers.max_by_key(|(_, when, _)| *when).map(|(_, when, what)| (*when, *what))
    }

    fn is_cow(&self, animal: usize, at: i64) -> bool {
        self.last(animal, at, |what| what == AnimalEvent::Calving).is_some()
    }

    /// When the cycle began in which that moment falls.
    fn cycle_began(&self, animal: usize, at: i64) -> i64 {
        let opens = |what| matches!(what, AnimalEvent::Calving | AnimalEvent::Abortion { opens_cycle: true });
        self.last(animal, at, opens).map_or(i64::MIN, |(when, _)| when)
    }

    /// Her services that count and take a number, in order of time: an embryo transfer takes none.
    fn served(&self, animal: usize) -> Vec<(i64, usize)> {
        let hers = self
            .services
            .iter()
            .enumerate()
            .filter(|(_, s)| s.animal == animal && !s.reversed && s.kind != "embryo_transfer");
        let mut times: Vec<_> = hers.map(|(n, s)| (s.at, n)).collect();
        times.sort_unstable();
        times
    }

    /// The number of a service then: counts those since her last calving, or since birth.
    fn next_number(&self, animal: usize, at: i64) -> (usize, usize) {
        let began = self.cycle_began(animal, at);
        let before =
            self.served(animal).into_iter().map(|(when, _)| when).filter(|when| *when > began && *when <= at);
        number_of_last(&before.chain([at]).collect::<Vec<_>>())
    }

    /// The number of a service that is on record; one that does not count keeps its last.
    fn number(&self, service: usize) -> Option<(usize, usize)> {
        let Service { animal, kind, at, reversed, .. } = self.services[service];
        if kind == "embryo_transfer" {
            return None;
        }
        let began = self.cycle_began(animal, at);
        let before =
            self.served(animal).into_iter().filter(|(when, n)| *when > began && (*when, *n) < (at, service));
        (!reversed).then(|| number_of_last(&before.map(|(when, _)| when).chain([at]).collect::<Vec<_>>()))
    }

    /// What the choice rule allows, and what it allows otherwise.
    fn rule(&self, animal: usize, at: i64) -> (&'static [&'static str], &'static [&'static str]) {
        let (number, _) = self.next_number(animal, at);
        let is_hers = |(who, when, what): &&(usize, i64, AnimalEvent)| {
            *who == animal && *when <= at && matches!(what, AnimalEvent::Calving)
        };
        allowed(ANIMALS[animal].herd, number, self.happenings.iter().filter(is_hers).count())
    }

    fn allowed(&self, animal: usize, at: i64) -> &'static [&'static str] {
        self.rule(animal, at).0
    }

    fn status(&self, lot: usize) -> &'static str {
        self.status.get(&lot).copied().unwrap_or("usable")
    }

    fn objections_to_her(&self, animal: usize, at: i64) -> Vec<&'static str> {
        let decided = self.last(animal, at, |what| matches!(what, AnimalEvent::DoNotBreed(_)));
        let settled = self.last(animal, at, |what| match what {
            AnimalEvent::Check { result, .. } => result != "unknown",
            AnimalEvent::Calving | AnimalEvent::Abortion { .. } => true,
            AnimalEvent::DoNotBreed(_) => false,
        });
        let pregnant = |(checked_at, what)| match what {
            AnimalEvent::Check { result: "pregnant" | "multiple", days_pregnant } => {
                at - self.conceived(animal, checked_at, days_pregnant) <= LONGEST_GESTATION
            }
            _ => false,
        };
        let age = ANIMALS[animal].age_at_start + (at.div_euclid(DAY) - START.div_euclid(DAY));
        let mut found = Vec::new();
        if decided.is_some_and(|(_, what)| what == AnimalEvent::DoNotBreed(true)) {
            found.push("do_not_breed");
        }
        if settled.is_some_and(pregnant) {
            found.push("animal_pregnant");
        }
        if !self.is_cow(animal, at) && age < FIRST_SERVICE_DAYS {
            found.push("too_young");
        }
        found
    }

    /// When the calf was conceived that a check found: the days of the pregnancy decide, to within half a cycle; else the last
    /// service old enough for ultrasound (26 d in heifers, 29 d in cows: Prairie View A&M), for want of it the last.
    fn conceived(&self, animal: usize, checked_at: i64, days_pregnant: Option<i64>) -> i64 {
        let earlier = |wanted: fn(AnimalEvent) -> bool| self.last(animal, checked_at - 1, wanted);
        let opens = |what| matches!(what, AnimalEvent::Calving | AnimalEvent::Abortion { opens_cycle: true });
        let began = earlier(opens).map_or(i64::MIN, |(when, _)| when);
        let needed = if earlier(|what| what == AnimalEvent::Calving).is_some() { 29 } else { 26 };
        let mut hers: Vec<_> = self.services.iter().filter(|s| s.animal == animal && !s.reversed).collect();
        hers.retain(|s| s.at > began && s.at <= checked_at);
        hers.sort_by_key(|s| s.at);
        // An embryo is seven days old when it goes in.
        let conceived: Vec<i64> =
            hers.iter().map(|s| if s.kind == "embryo_transfer" { s.at - 7 * DAY } else { s.at }).collect();
        if let Some(days) = days_pregnant {
            let told = checked_at - days * DAY;
            let nearest = conceived.iter().copied().min_by_key(|at| (at - told).abs());
            return nearest.filter(|at| (at - told).abs() <= 10 * DAY).unwrap_or(told);
        }
        let old_enough = conceived.iter().copied().rfind(|at| checked_at - at >= needed * DAY);
        match old_enough {
            Some(at) if checked_at - at >= LONGEST_GESTATION + DAY => checked_at,
            Some(at) => at,
            None => conceived.last().copied().unwrap_or(checked_at),
        }
    }

    fn objections_to_straw(&self, animal: usize, lot: usize, at: i64) -> Vec<&'static str> {
        let mut found = Vec::new();
        if self.status(lot) != "usable" {
            found.push("lot_not_usable");
        }
        if !Self::is_for(lot, animal) {
            found.push("not_yours");
        }
        if ANIMALS[animal].sire == Some(LOTS[lot].sire) {
            found.push("kinship");
        }
        if !self.allowed(animal, at).contains(&LOTS[lot].semen_type) {
            found.push("choice_rule");
        }
        found
    }

    /// Whether a tank is her herd's own or the technician's.
    fn reaches(animal: usize, place: Place) -> bool {
        TANKS[place.tank].is_none_or(|herd| herd == ANIMALS[animal].herd)
    }

    /// Whether straws of a lot are for her.
    fn is_for(lot: usize, animal: usize) -> bool {
        LOTS[lot].owner.is_none_or(|owner| owner == ANIMALS[animal].herd)
    }

    fn on_hold(&self, place: Place) -> bool {
        self.holds.iter().any(|hold| {
            !hold.lifted
                && hold.tank == place.tank
                && hold.canister.is_none_or(|canister| canister == place.canister)
        })
    }

    fn wanted_rank(allowed: &[&str], lot: usize) -> usize {
        allowed.iter().position(|semen_type| *semen_type == LOTS[lot].semen_type).unwrap_or(usize::MAX)
    }

    /// Straws of these types in her reach against which nothing else stands.
    fn free(&self, animal: usize, at: i64, types: &[&str]) -> Vec<(Place, usize, i64)> {
        let mut stock = self.stock_in_order_of_use();
        stock.retain(|(place, lot, _)| {
            let barred = self.objections_to_straw(animal, *lot, at).iter().any(|kind| *kind != "choice_rule");
            let held = self.on_hold(*place);
            Self::reaches(animal, *place) && !held && !barred && types.contains(&LOTS[*lot].semen_type)
        });
        stock
    }

    /// Straws that she may have, what the rule names first in front.
    fn candidates(&self, animal: usize, at: i64) -> Vec<Value> {
        let (allowed, otherwise) = self.rule(animal, at);
        let mut free = self.free(animal, at, allowed);
        if free.is_empty() {
            free = self.free(animal, at, otherwise);
        }
        free.sort_by_key(|(_, lot, _)| Self::wanted_rank(&[allowed, otherwise].concat(), *lot));
        let told = |(place, lot, straws)| json!({"lot": {"id": name("lot", lot)}, "place": told_place(place), "straws": straws});
        free.into_iter().map(told).collect()
    }
}

// What is done.
impl Book {
    fn write(&mut self, line: Line) -> Value {
        self.ledger.push(line);
        self.told_line(self.ledger.len())
    }

    fn plain(kind: &'static str, lot: usize, straws: i64, from: End, to: End) -> Line {
        Line { kind, lot, straws, from, to, withdrawal: None, stocktake: None, reverses: None }
    }

    fn is_no_place(place: Place) -> bool {
        place.canister > CANISTERS
    }

    fn not_in_stock(requested: i64, available: i64) -> Answer {
        refused(409, "not-in-stock", json!({"requested": requested, "available": available}))
    }

    fn do_it(&mut self, act: &Command) -> Answer {
        match *act {
            Command::Receive { place, .. } | Command::Discard { place, .. } | Command::Send { place, .. }
                if Self::is_no_place(place) =>
            {
                wrong()
            }
            Command::Receive { lot, place, straws } => {
                done(201, self.write(Self::plain("receipt", lot, straws, End::Supplier, End::In(place))))
            }
            Command::Transfer { from, to, .. }
                if from == to || Self::is_no_place(from) || Self::is_no_place(to) =>
            {
                wrong()
            }
            Command::Transfer { lot, from, straws, .. }
            | Command::Discard { lot, place: from, straws }
            | Command::Send { lot, place: from, straws }
                if self.hangs(lot, from) < straws =>
            {
                Self::not_in_stock(straws, self.hangs(lot, from))
            }
            Command::Transfer { lot, from, to, straws } => {
                done(201, self.write(Self::plain("transfer", lot, straws, End::In(from), End::In(to))))
            }
            Command::Discard { lot, place, straws } => {
                done(201, self.write(Self::plain("discard", lot, straws, End::In(place), End::Discarded)))
            }
            Command::Send { lot, place, straws } => {
                let line = self.write(Self::plain("consignment", lot, straws, End::In(place), End::Keeper));
                let line = json!({"movement_id": line["id"], "seq": line["seq"], "lot_id": name("lot", lot),
                                  "place": told_place(place), "straws": straws});
                done(201, json!({"direction": "out", "lines": [line]}))
            }
            Command::Withdraw(ref order) => self.withdraw(order),
            Command::Batch(_) => unreachable!("each item is done by itself"),
            Command::Thaw { withdrawal, bath, set_aside, by_technician, already_done, at } => {
                self.thaw(withdrawal, bath, (set_aside, by_technician, already_done), at)
            }
            Command::DiscardWithdrawn { withdrawal } => self.discard_withdrawn(withdrawal),
            Command::Serve { withdrawal, already_done, misread, at } => {
                self.serve(withdrawal, already_done, misread, at)
            }
            Command::ServeForeign { at, .. } | Command::Report { at, .. } if too_far_ahead(at) => wrong(),
            Command::ServeForeign { animal, kind, at } => {
                self.add_service(animal, kind, at, None, Vec::new())
            }
            Command::Report { animal, what, at } => {
                self.happenings.push((animal, at, what));
                done(201, json!({"animal_id": name("animal", animal)}))
            }
            Command::SetStatus { lot, status } => {
                self.status.insert(lot, status);
                done(200, json!({"id": name("lot", lot), "status": status}))
            }
            Command::Hold { tank, canister } => {
                let same = |hold: &Hold| !hold.lifted && (hold.tank, hold.canister) == (tank, canister);
                if canister.is_some_and(|canister| canister > CANISTERS) || self.holds.iter().any(same) {
                    return wrong();
                }
                self.holds.push(Hold { tank, canister, lifted: false });
                done(201, self.told_hold(self.holds.len() - 1))
            }
            Command::Lift { hold } => match self.holds.get_mut(hold) {
                None => unknown(),
                Some(hold) => {
                    hold.lifted = true;
                    done(204, Value::Null)
                }
            },
            Command::TakeStock { tank, canister, complete, as_of, ref counts } => {
                self.take_stock(tank, canister, complete, as_of, counts)
            }
            Command::Accept { stocktake } => self.accept(stocktake),
            Command::Reverse { line } => self.reverse(line),
            Command::ReverseService { service } => self.reverse_service(service),
        }
    }

    fn withdraw(&mut self, order: &Order) -> Answer {
        let at = order.at.unwrap_or(0);
        if too_far_ahead(at) || order.place.is_some_and(Self::is_no_place) {
            return wrong();
        }
        let meant =
            |place: Place| order.place.map_or(Self::reaches(order.animal, place), |named| place == named);
        let mut stock = self.spots_in_order_of_use();
        if !order.already_done {
            stock.retain(|(place, _, straws)| meant(*place) && *straws > 0);
        }
        let (wanted, otherwise) = self.rule(order.animal, at);
        let widened = [wanted, otherwise].concat();
        let choose = |allowed: &[&str]| match order.semen {
            Semen::Lot(lot) => Some(lot),
            Semen::Sire(sire, semen_type) => {
                let his = stock.iter().filter(|(_, lot, _)| {
                    LOTS[*lot].sire == sire && semen_type.is_none_or(|wanted| LOTS[*lot].semen_type == wanted)
                });
                // Where they were meant; what she may have before what she may not, one place that holds enough before
                // others, what the rule names first, the oldest collection.
                let best = his.min_by_key(|(place, lot, straws)| {
                    let barred = self.status(*lot) != "usable"
                        || self.on_hold(*place)
                        || !Self::is_for(*lot, order.animal)
                        || !Self::reaches(order.animal, *place)
                        || !allowed.contains(&LOTS[*lot].semen_type);
                    (!meant(*place), barred, *straws < order.straws, Self::wanted_rank(&widened, *lot))
                });
                best.map(|(_, lot, _)| *lot)
            }
        };
        // What the rule names otherwise may be taken where nothing that it wants is in her reach.
        let asks_otherwise = choose(&widened).is_some_and(|lot| otherwise.contains(&LOTS[lot].semen_type));
        let none_in_reach = asks_otherwise && self.free(order.animal, at, wanted).is_empty();
        let allowed = if none_in_reach { &widened[..] } else { wanted };
        let lot = match choose(allowed) {
            Some(lot) => lot,
            None if order.already_done => return wrong(),
            None => return Self::not_in_stock(order.straws, 0),
        };
        // Within her reach, where enough hang, not on hold; where too few do, where most do.
        let of_lot = stock.iter().filter(|(place, other, _)| {
            *other == lot && (meant(*place) || (order.already_done && order.place.is_none()))
        });
        let best = of_lot.clone().min_by_key(|(place, _, straws)| {
            let short = *straws < order.straws;
            (
                !Self::reaches(order.animal, *place),
                short,
                self.on_hold(*place),
                short.then_some(Reverse(*straws)),
            )
        });
        let spot = best.map(|(place, _, straws)| (*place, *straws)).or(order.place.map(|place| (place, 0)));
        let mut objections = self.objections_to_her(order.animal, at);
        objections.extend(self.objections_to_straw(order.animal, lot, at));
        if none_in_reach && allowed.contains(&LOTS[lot].semen_type) {
            objections.retain(|kind| *kind != "choice_rule");
        }
        if spot.is_some_and(|(place, _)| self.on_hold(place)) {
            objections.push("on_hold");
        }
        if order.misread {
            objections.push("straw_mismatch");
        }
        let number = self.next_number(order.animal, at);
        if !objections.is_empty() && !order.set_aside && !order.already_done {
            let gravest = GRAVEST_FIRST.iter().find(|kind| objections.contains(kind)).unwrap();
            let helpless = !self.objections_to_her(order.animal, at).is_empty();
            let instead = if helpless { Vec::new() } else { self.candidates(order.animal, at) };
            let told = json!({"objections": kinds(&objections), "semen_types": allowed, "allowed": instead});
            return refused(409, &kebab(gravest), merged(told, number_told(number)));
        }
        if !objections.is_empty() && order.by_technician && !order.already_done {
            return refused(403, "forbidden", json!({}));
        }
        let (place, held) = match spot {
            Some(spot) if spot.1 >= order.straws || order.already_done => spot,
            None if order.already_done => return wrong(),
            _ => {
                let most = of_lot.map(|(_, _, straws)| *straws).max().unwrap_or(0);
                return Self::not_in_stock(order.straws, most);
            }
        };
        if held < order.straws {
            // What the book did not have there was there all the same.
            self.write(Self::plain("count", lot, order.straws - held, End::Counted, End::In(place)));
        }
        let id = self.withdrawals.len();
        let withdrawal =
            Withdrawal { order: order.clone(), lot, place, at, number, deviations: objections, thaw: None };
        self.withdrawals.push(withdrawal);
        let line = Self::plain("withdrawal", lot, order.straws, End::In(place), End::Used);
        self.write(Line { withdrawal: Some(id), ..line });
        done(201, merged(self.told_withdrawal(id), json!({"rule": {"semen_types": allowed}})))
    }

    fn thaw(
        &mut self,
        withdrawal: usize,
        bath: &str,
        (set_aside, by_technician, already_done): (bool, bool, bool),
        at: i64,
    ) -> Answer {
        if too_far_ahead(at) {
            return wrong();
        }
        if withdrawal == NOTHING {
            return unknown();
        }
        if self.is_resolved(withdrawal) {
            return refused(409, "already-resolved", json!({"state": self.state(withdrawal)}));
        }
        if self.withdrawals[withdrawal].thaw.is_some() {
            return refused(409, "already-thawing", json!({"withdrawal_id": name("withdrawal", withdrawal)}));
        }
        // 35.0-37.0 C: common practice, no source; at least 45 s where the volume is not known: Nebel, Virginia Cooperative
        // Extension, 1997; from the tank to the animal 15 min: Dalton, Univ. Idaho (10-15 min), 5 min sexed: trade guidance.
        let found = match bath {
            "34.0" => Some("bath-too-cold"),
            "38.4" => Some("bath-too-hot"),
            _ => None,
        };
        match found {
            Some(kind) if !set_aside && !already_done => return refused(422, kind, json!({})),
            Some(_) if by_technician && !already_done => return refused(403, "forbidden", json!({})),
            Some(_) => self.withdrawals[withdrawal].deviations.push("bath_out_of_range"),
            None => {}
        }
        // Over a minute from the tank to the bath goes on record.
        if at - self.withdrawals[withdrawal].at > 60 {
            self.withdrawals[withdrawal].deviations.push("late_to_bath");
        }
        let is_sexed = LOTS[self.withdrawals[withdrawal].lot].semen_type != "conventional";
        let use_by = self.withdrawals[withdrawal].at.min(at) + if is_sexed { 300 } else { 900 };
        self.withdrawals[withdrawal].thaw = Some((at + 45, use_by));
        done(200, self.told_withdrawal(withdrawal))
    }

    fn discard_withdrawn(&mut self, withdrawal: usize) -> Answer {
        if withdrawal == NOTHING {
            return unknown();
        }
        if self.is_resolved(withdrawal) {
            return refused(409, "already-resolved", json!({"state": self.state(withdrawal)}));
        }
        let Withdrawal { lot, order: Order { straws, .. }, .. } = self.withdrawals[withdrawal];
        let line = Self::plain("discard", lot, straws, End::Used, End::Discarded);
        self.write(Line { withdrawal: Some(withdrawal), ..line });
        done(200, self.told_withdrawal(withdrawal))
    }

    fn serve(&mut self, withdrawal: usize, already_done: bool, misread: bool, at: i64) -> Answer {
        if too_far_ahead(at) {
            return wrong();
        }
        if withdrawal == NOTHING {
            return unknown();
        }
        if self.is_resolved(withdrawal) {
            return refused(409, "already-resolved", json!({"state": self.state(withdrawal)}));
        }
        let taken = &self.withdrawals[withdrawal];
        // Five minutes before it by clocks that are apart, at most a day after it.
        if !(-300..=DAY).contains(&(at - taken.at)) {
            return wrong();
        }
        if misread && !already_done {
            return refused(409, "straw-mismatch", json!({"objections": kinds(&["straw_mismatch"])}));
        }
        let (animal, mut deviations) = (taken.order.animal, taken.deviations.clone());
        if at < taken.at {
            deviations.push("before_withdrawal");
        }
        if let Some((ready, use_by)) = taken.thaw {
            if at < ready {
                deviations.push("before_ready");
            }
            if at > use_by {
                deviations.push("after_use_by");
            }
        }
        // It may have become another service than it was when the straw was taken.
        let (wanted, otherwise) = self.rule(animal, at);
        let fits = [wanted, otherwise].concat().contains(&LOTS[taken.lot].semen_type);
        if !fits && !deviations.contains(&"choice_rule") {
            deviations.push("choice_rule");
        }
        if misread && !deviations.contains(&"straw_mismatch") {
            deviations.push("straw_mismatch");
        }
        self.add_service(animal, "ai", at, Some(withdrawal), deviations)
    }

    fn add_service(
        &mut self,
        animal: usize,
        kind: &'static str,
        at: i64,
        withdrawal: Option<usize>,
        deviations: Vec<&'static str>,
    ) -> Answer {
        self.services.push(Service { animal, kind, at, withdrawal, deviations, reversed: false });
        done(201, self.told_service(self.services.len() - 1))
    }

    fn take_stock(
        &mut self,
        tank: usize,
        canister: Option<i64>,
        complete: bool,
        as_of: i64,
        counts: &[(usize, Place, i64)],
    ) -> Answer {
        let repeated =
            |n: usize| counts[..n].iter().any(|(lot, place, _)| (*lot, *place) == (counts[n].0, counts[n].1));
        let Ok(lines) = usize::try_from(as_of) else { return wrong() };
        if lines > self.ledger.len() || (0..counts.len()).any(repeated) {
            return wrong();
        }
        let mut compared: Vec<_> = counts
            .iter()
            .map(|(lot, place, counted)| (*place, *lot, self.hung(*lot, *place, lines), *counted, None))
            .collect();
        if complete {
            let hung = self.stock_at(lines).into_iter();
            let meant =
                hung.filter(|(p, _, _)| p.tank == tank && canister.is_none_or(|only| p.canister == only));
            let missed =
                meant.filter(|(p, l, _)| !counts.iter().any(|(lot, place, _)| (place, lot) == (p, l)));
            compared.extend(missed.map(|(place, lot, expected)| (place, lot, expected, 0, None)));
        }
        compared.sort_unstable();
        self.stocktakes.push(Stocktake { tank, as_of, lines: compared, accepted: false });
        done(201, self.told_stocktake(self.stocktakes.len() - 1))
    }

    /// Posts differences, not counts, all or none: what moved since the count stays as it is.
    fn accept(&mut self, stocktake: usize) -> Answer {
        let Some(Stocktake { lines, accepted, as_of, .. }) = self.stocktakes.get(stocktake).cloned() else {
            return unknown();
        };
        if accepted {
            return refused(409, "in-use", json!({}));
        }
        for (place, lot, expected, counted, _) in &lines {
            if self.corrected_since(*lot, *place, as_of) {
                return refused(409, "count-again", json!({}));
            }
            let missing = expected - counted;
            if missing > self.hangs(*lot, *place) && missing > 0 {
                return Self::not_in_stock(missing, self.hangs(*lot, *place));
            }
        }
        for (n, (place, lot, expected, counted, _)) in lines.into_iter().enumerate() {
            let line = match counted - expected {
                0 => continue,
                found @ 1.. => Self::plain("count", lot, found, End::Counted, End::In(place)),
                lost => Self::plain("count", lot, -lost, End::In(place), End::Counted),
            };
            self.write(Line { stocktake: Some(stocktake), ..line });
            self.stocktakes[stocktake].lines[n].4 = Some(self.ledger.len());
        }
        self.stocktakes[stocktake].accepted = true;
        done(200, self.told_stocktake(stocktake))
    }

    /// Whether the book was corrected there after that line: by a count, or by undoing what stood before it.
    fn corrected_since(&self, lot: usize, place: Place, as_of: i64) -> bool {
        let before = |line: Option<usize>| line.is_some_and(|line| i64::try_from(line).unwrap() <= as_of);
        let since = self.ledger.iter().skip(usize::try_from(as_of).unwrap());
        since
            .filter(|l| l.lot == lot && (l.from == End::In(place) || l.to == End::In(place)))
            .any(|l| l.kind == "count" || before(l.reverses))
    }

    /// Whether an accepted count, whose own line stands, found what that line had left.
    fn counted_since(&self, line: usize) -> bool {
        let Line { lot, from, to, .. } = self.ledger[line - 1];
        self.stocktakes
            .iter()
            .filter(|s| s.accepted && s.as_of >= i64::try_from(line).unwrap())
            .flat_map(|s| &s.lines)
            .filter(|(_, _, _, _, posted)| posted.is_none_or(|posted| self.reversal_of(posted).is_none()))
            .any(|(place, counted, ..)| *counted == lot && [from, to].contains(&End::In(*place)))
    }

    /// A line is undone once, by another the other way round, if the straws can be there.
    fn reverse(&mut self, line: usize) -> Answer {
        if line == NOTHING {
            return unknown();
        }
        if let Some(by) = self.reversal_of(line) {
            return refused(409, "already-reversed", json!({"reversed_by": name("movement", by)}));
        }
        let original = self.ledger[line - 1];
        if let Some(withdrawal) = original.withdrawal {
            // What was reversed of a withdrawal is entered anew; a discarded straw is first found again.
            if original.kind == "reversal"
                || (original.kind == "withdrawal" && self.state(withdrawal) == "discarded")
            {
                return refused(409, "not-reversible", json!({}));
            }
        }
        if self.counted_since(line) {
            return refused(409, "not-reversible", json!({}));
        }
        if let End::In(place) = original.to
            && self.hangs(original.lot, place) < original.straws
        {
            return Self::not_in_stock(original.straws, self.hangs(original.lot, place));
        }
        if original.kind == "withdrawal"
            && let Some(service) = original.withdrawal.and_then(|withdrawal| self.service_of(withdrawal))
        {
            self.services[service].reversed = true;
        }
        let (from, to) = (original.to, original.from);
        done(201, self.write(Line { kind: "reversal", from, to, reverses: Some(line), ..original }))
    }

    fn reverse_service(&mut self, service: usize) -> Answer {
        if service == NOTHING {
            return unknown();
        }
        if self.services[service].reversed {
            return refused(409, "not-reversible", json!({}));
        }
        self.services[service].reversed = true;
        done(200, self.told_service(service))
    }
}

// What is told.
impl Book {
    fn told_end(&self, end: End, lot: usize, line: usize) -> Value {
        let kind = match end {
            End::In(place) => {
                let after = self.hung(lot, place, line);
                return json!({"kind": "tank", "place": told_place(place), "straws_after": after});
            }
            End::Supplier => "supplier",
            End::Used => "used",
            End::Discarded => "discarded",
            End::Counted => "counted",
            End::Keeper => "keeper",
        };
        json!({"kind": kind, "place": null, "straws_after": null})
    }

    fn told_line(&self, line: usize) -> Value {
        let l = &self.ledger[line - 1];
        json!({
            "id": name("movement", line), "seq": line, "kind": l.kind, "lot_id": name("lot", l.lot), "straws": l.straws,
            "from": self.told_end(l.from, l.lot, line), "to": self.told_end(l.to, l.lot, line),
            "withdrawal_id": name_of("withdrawal", l.withdrawal), "stocktake_id": name_of("stocktake", l.stocktake),
            "reverses": name_of("movement", l.reverses), "reversed_by": name_of("movement", self.reversal_of(line)),
        })
    }

    fn told_withdrawal(&self, withdrawal: usize) -> Value {
        let w = &self.withdrawals[withdrawal];
        let told = json!({
            "id": name("withdrawal", withdrawal), "animal_id": name("animal", w.order.animal),
            "lot": {"id": name("lot", w.lot)}, "place": told_place(w.place), "straws": w.order.straws,
            "state": self.state(withdrawal), "deviations": kinds(&w.deviations),
        });
        merged(told, number_told(w.number))
    }

    fn told_service(&self, service: usize) -> Value {
        let s = &self.services[service];
        let told = json!({
            "id": name("service", service), "animal_id": name("animal", s.animal), "kind": s.kind,
            "straws": self.straws_of(s),
            "withdrawal_id": name_of("withdrawal", s.withdrawal), "deviations": kinds(&s.deviations),
            "reversed_at": if s.reversed { json!("some time") } else { Value::Null },
        });
        let none = json!({"service_number": null, "rank": null});
        let unnumbered = if s.kind == "embryo_transfer" { none } else { json!({}) };
        merged(told, self.number(service).map_or(unnumbered, number_told))
    }

    /// Straws of semen that went into it.
    fn straws_of(&self, service: &Service) -> i64 {
        match service.withdrawal {
            Some(withdrawal) => self.withdrawals[withdrawal].order.straws,
            None => i64::from(service.kind == "ai"),
        }
    }

    fn told_hold(&self, hold: usize) -> Value {
        let h = &self.holds[hold];
        json!({
            "id": name("hold", hold), "tank_id": name("tank", h.tank), "canister": h.canister,
            "lifted_at": if h.lifted { json!("some time") } else { Value::Null },
        })
    }

    fn told_stocktake(&self, stocktake: usize) -> Value {
        let s = &self.stocktakes[stocktake];
        let line = |(place, lot, expected, counted, line): &(Place, usize, i64, i64, Option<usize>)| {
            json!({"place": told_place(*place), "lot_id": name("lot", *lot), "expected": expected, "counted": counted,
                   "difference": counted - expected, "movement_id": name_of("movement", *line)})
        };
        json!({
            "id": name("stocktake", stocktake), "tank_id": name("tank", s.tank), "as_of_seq": s.as_of,
            "lines": s.lines.iter().map(line).collect::<Vec<_>>(),
            "state": if s.accepted { "accepted" } else { "open" },
        })
    }

    /// The ledger in its order, by its path.
    pub fn all_lines(&self) -> (String, Value) {
        list("movements", self.ledger.len(), |n| self.told_line(n + 1))
    }

    /// Everything that can be read, by its path; lists in their order.
    pub fn everything(&self) -> Vec<(String, Value)> {
        let stock = self.stock_at(self.ledger.len());
        let total: i64 = stock.iter().map(|(_, _, straws)| straws).sum();
        let mut stock: Vec<_> = stock
            .into_iter()
            .map(|(place, lot, straws)| json!({"lot": {"id": name("lot", lot)}, "place": told_place(place), "straws": straws}))
            .collect();
        stock.sort_by_key(ToString::to_string);
        let mut all = vec![
            (
                "/v1/stock?limit=500".to_owned(),
                json!({"items": stock, "total_straws": total, "as_of_seq": self.ledger.len()}),
            ),
            self.all_lines(),
            list("withdrawals", self.withdrawals.len(), |n| self.told_withdrawal(n)),
            list("services", self.services.len(), |n| self.told_service(n)),
            list("holds", self.holds.len(), |n| self.told_hold(n)),
            list("stocktakes", self.stocktakes.len(), |n| self.told_stocktake(n)),
        ];
        for animal in 0..ANIMALS.len() {
            let number = self.next_number(animal, 0);
            let class = if self.is_cow(animal, 0) { "cow" } else { "heifer" };
            let told = json!({
                "class": class, "semen_types": self.allowed(animal, 0),
                "objections": kinds(&self.objections_to_her(animal, 0)), "candidates": self.candidates(animal, 0),
            });
            all.push((
                format!("/v1/animals/{{animal {animal}}}/next-service"),
                merged(told, number_told(number)),
            ));
        }
        all
    }
}

// Turning a intent into an act, and keys.
impl Book {
    /// What a step sends, and under which key.
    pub fn resolve(&mut self, step: &Step) -> (String, Command) {
        let earlier = |back: u8| self.sent.iter().rev().nth(usize::from(back));
        let sent = match step {
            Step::Again { back } if earlier(*back).is_some() => earlier(*back).unwrap().clone(),
            Step::OtherContent { back, intent } if earlier(*back).is_some() => {
                (earlier(*back).unwrap().0.clone(), self.act(intent, self.today))
            }
            Step::Do { intent, days, reported } => {
                self.today += days * DAY;
                // Early in the morning, and no two of them at the same moment.
                let moment = self.today + 6 * 3_600 + 97 * i64::try_from(self.sent.len()).unwrap();
                let at = match reported {
                    Reported::InTime => moment,
                    Reported::Late(days) => moment - days * DAY,
                    Reported::Not => 0,
                    Reported::Ahead => 2 * DAY,
                };
                (format!("step {}", self.sent.len()), self.act(intent, at))
            }
            Step::Again { .. } | Step::OtherContent { .. } => {
                (format!("step {}", self.sent.len()), Command::SetStatus { lot: 0, status: "usable" })
            }
        };
        self.sent.push(sent.clone());
        sent
    }

    /// Turns a intent into what is asked for. Where nothing is there that could be meant, it is made first.
    fn act(&self, intent: &Intent, at: i64) -> Command {
        let order = |order: &Order| Order { at: (at != 0).then_some(at), ..order.clone() };
        let spot = |spot: Spot| match spot {
            Spot::Anywhere(lot, place) => (lot, place),
            Spot::Held(nth) => {
                let stock = self.stock_at(self.ledger.len());
                let held = stock.get(usize::from(nth) % stock.len().max(1));
                held.map_or((0, Place { tank: 0, canister: 1, cane: "" }), |(place, lot, _)| (*lot, *place))
            }
        };
        let withdrawals = || (0..self.withdrawals.len()).map(|n| (self.is_resolved(n), n));
        match intent.clone() {
            Intent::Thaw { .. } | Intent::DiscardWithdrawn { .. } | Intent::Serve { .. }
                if self.withdrawals.is_empty() =>
            {
                let semen = Semen::Sire(0, None);
                Command::Withdraw(Order {
                    animal: 0,
                    semen,
                    place: None,
                    straws: 1,
                    set_aside: false,
                    by_technician: true,
                    already_done: false,
                    misread: false,
                    at: (at != 0).then_some(at),
                })
            }
            Intent::Accept { .. } if self.stocktakes.is_empty() => {
                let as_of = i64::try_from(self.ledger.len()).unwrap();
                Command::TakeStock { tank: 0, canister: None, complete: true, as_of, counts: Vec::new() }
            }
            Intent::ReverseService { .. } if self.services.is_empty() => {
                Command::ServeForeign { animal: 0, kind: "ai", at }
            }
            Intent::Receive { lot, place, straws } => Command::Receive { lot, place, straws },
            Intent::Transfer { spot: from, to, straws } => {
                let (lot, from) = spot(from);
                Command::Transfer { lot, from, to, straws }
            }
            Intent::Discard { spot: from, straws } => {
                let (lot, place) = spot(from);
                Command::Discard { lot, place, straws }
            }
            Intent::Send { spot: from, straws } => {
                let (lot, place) = spot(from);
                Command::Send { lot, place, straws }
            }
            Intent::Withdraw(wished) => Command::Withdraw(order(&wished)),
            Intent::Batch(wished) => {
                Command::Batch(wished.iter().map(|intent| done_already(self.act(intent, at))).collect())
            }
            Intent::Thaw { nth, bath, set_aside, by_technician, already_done, after } => {
                let withdrawal = pick(nth, withdrawals());
                let taken = self.withdrawals.get(withdrawal).map_or(0, |w| w.at);
                Command::Thaw { withdrawal, bath, set_aside, by_technician, already_done, at: taken + after }
            }
            Intent::DiscardWithdrawn { nth } => {
                Command::DiscardWithdrawn { withdrawal: pick(nth, withdrawals()) }
            }
            Intent::Serve { nth, already_done, misread, after } => {
                let withdrawal = pick(nth, withdrawals());
                let taken = self.withdrawals.get(withdrawal).map_or(0, |w| w.at);
                Command::Serve { withdrawal, already_done, misread, at: taken + after }
            }
            Intent::ServeForeign { animal, kind } => Command::ServeForeign { animal, kind, at },
            Intent::Report { animal, what } => Command::Report { animal, what, at },
            Intent::SetStatus { lot, status } => Command::SetStatus { lot, status },
            Intent::Hold { tank, canister } => Command::Hold { tank, canister },
            Intent::Lift { nth } => {
                let all = self.holds.iter().enumerate().map(|(n, hold)| (hold.lifted, n));
                Command::Lift { hold: pick(nth, all) }
            }
            Intent::TakeStock { tank, canister, complete, lines_back, counts } => {
                let head = i64::try_from(self.ledger.len()).unwrap();
                let as_of = (head - lines_back).max(0);
                let lines = usize::try_from(as_of.min(head)).unwrap();
                let counts = counts
                    .into_iter()
                    .map(|(lot, place, off)| {
                        let canister = canister.unwrap_or(place.canister.min(CANISTERS));
                        let place = Place { tank, canister, ..place };
                        (lot, place, (self.hung(lot, place, lines) + off).max(0))
                    })
                    .collect();
                Command::TakeStock { tank, canister, complete, as_of, counts }
            }
            Intent::Accept { nth } => {
                let all = self.stocktakes.iter().enumerate().map(|(n, stocktake)| (stocktake.accepted, n));
                Command::Accept { stocktake: pick(nth, all) }
            }
            Intent::Reverse { nth } => {
                let all = (1..=self.ledger.len()).map(|line| (self.reversal_of(line).is_some(), line));
                Command::Reverse { line: pick(nth, all) }
            }
            Intent::ReverseService { nth } => {
                let all = self.services.iter().enumerate().map(|(n, service)| (service.reversed, n));
                Command::ReverseService { service: pick(nth, all) }
            }
        }
    }

    /// Asks for something under a key: what was done, and what the state of the book forbade, is answered
    /// the same again; the key is not for other content. What was wrong with a request may be mended.
    pub fn ask(&mut self, key: &str, act: &Command) -> Answer {
        if let Command::Batch(steps) = act {
            let items = steps.iter().enumerate();
            return Answer::Each(items.map(|(n, step)| self.ask(&item_key(key, n), step)).collect());
        }
        // A PATCH and a DELETE take no key here.
        if matches!(act, Command::SetStatus { .. } | Command::Lift { .. }) {
            return self.do_it(act);
        }
        match self.kept.get(key) {
            Some(first) if first == act => return Answer::Replayed,
            Some(_) => return refused(422, "idempotency-mismatch", json!({})),
            None => {}
        }
        let answer = self.do_it(act);
        if let Answer::Fresh(200..=299 | 409, _) = answer {
            self.kept.insert(key.to_owned(), act.clone());
        }
        answer
    }
}

/// The same as it is told in a batch.
fn done_already(act: Command) -> Command {
    match act {
        Command::Withdraw(order) => Command::Withdraw(Order { already_done: true, ..order }),
        other => other,
    }
}

/// The nth of them: those that are not over in front, the newest first.
fn pick(nth: u8, all: impl Iterator<Item = (bool, usize)>) -> usize {
    let mut all: Vec<_> = all.map(|(over, n)| (over, Reverse(n))).collect();
    all.sort_unstable();
    match all.len() {
        0 => NOTHING,
        _ if nth == NEVER => NOTHING,
        there => all[usize::from(nth) % there].1.0,
    }
}

/// The key of an item of a batch.
pub fn item_key(key: &str, item: usize) -> String {
    format!("{key}, item {item}")
}
