//! What may be asked of the book, and how proptest makes it up.
//!
//! A [`Intent`] picks by a number among what is there when its turn comes, so that it stays sensible while
//! a sequence shrinks; the model turns it into an [`Command`], which names everything.

use proptest::{collection::vec, prelude::*};

use super::farm::{ANIMALS, CANES, CANISTERS, LOTS, SIRES, TANKS};

/// A place in a tank. The order is the one in which places are listed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    pub tank: usize,
    pub canister: i64,
    pub cane: &'static str,
}

/// Of what a straw is wished for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Semen {
    Lot(usize),
    Sire(usize, Option<&'static str>),
}

/// A straw for an animal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    pub animal: usize,
    pub semen: Semen,
    pub place: Option<Place>,
    pub straws: i64,
    /// Whether what stands in the way is to be set aside.
    pub set_aside: bool,
    /// With a technician's key; else with a manager's.
    pub by_technician: bool,
    /// Whether it has happened already.
    pub already_done: bool,
    /// Whether what was read off the straw is none of the sire's names.
    pub misread: bool,
    pub at: Option<i64>,
}

/// What happened to an animal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AnimalEvent {
    Calving,
    Abortion { opens_cycle: bool },
    Check { result: &'static str, days_pregnant: Option<i64> },
    DoNotBreed(bool),
}

/// Something that is asked of the service. Numbers name things in their order of making; a movement is
/// named by its line. A number that is too high names nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Command {
    Receive {
        lot: usize,
        place: Place,
        straws: i64,
    },
    Transfer {
        lot: usize,
        from: Place,
        to: Place,
        straws: i64,
    },
    Discard {
        lot: usize,
        place: Place,
        straws: i64,
    },
    /// To another keeper.
    Send {
        lot: usize,
        place: Place,
        straws: i64,
    },
    Withdraw(Order),
    /// Withdrawals, thaws, services and discards that have happened.
    Batch(Vec<Command>),
    Thaw {
        withdrawal: usize,
        bath: &'static str,
        set_aside: bool,
        by_technician: bool,
        already_done: bool,
        at: i64,
    },
    DiscardWithdrawn {
        withdrawal: usize,
    },
    Serve {
        withdrawal: usize,
        already_done: bool,
        misread: bool,
        at: i64,
    },
    /// Without a straw of this book: with another, by a bull, or with an embryo.
    ServeForeign {
        animal: usize,
        kind: &'static str,
        at: i64,
    },
    Report {
        animal: usize,
        what: AnimalEvent,
        at: i64,
    },
    SetStatus {
        lot: usize,
        status: &'static str,
    },
    Hold {
        tank: usize,
        canister: Option<i64>,
    },
    Lift {
        hold: usize,
    },
    TakeStock {
        tank: usize,
        canister: Option<i64>,
        complete: bool,
        as_of: i64,
        counts: Vec<(usize, Place, i64)>,
    },
    Accept {
        stocktake: usize,
    },
    Reverse {
        line: usize,
    },
    ReverseService {
        service: usize,
    },
}

/// The same before it is known what there is: `nth` counts among what may be meant, what is likely in front.
#[derive(Clone, Debug)]
pub enum Intent {
    Receive {
        lot: usize,
        place: Place,
        straws: i64,
    },
    Transfer {
        spot: Spot,
        to: Place,
        straws: i64,
    },
    Discard {
        spot: Spot,
        straws: i64,
    },
    Send {
        spot: Spot,
        straws: i64,
    },
    Withdraw(Order),
    Batch(Vec<Intent>),
    Thaw {
        nth: u8,
        bath: &'static str,
        set_aside: bool,
        by_technician: bool,
        already_done: bool,
        after: i64,
    },
    DiscardWithdrawn {
        nth: u8,
    },
    Serve {
        nth: u8,
        already_done: bool,
        misread: bool,
        after: i64,
    },
    ServeForeign {
        animal: usize,
        kind: &'static str,
    },
    Report {
        animal: usize,
        what: AnimalEvent,
    },
    SetStatus {
        lot: usize,
        status: &'static str,
    },
    Hold {
        tank: usize,
        canister: Option<i64>,
    },
    Lift {
        nth: u8,
    },
    /// Counts are told as differences from what the book says.
    TakeStock {
        tank: usize,
        canister: Option<i64>,
        complete: bool,
        lines_back: i64,
        counts: Vec<(usize, Place, i64)>,
    },
    Accept {
        nth: u8,
    },
    Reverse {
        nth: u8,
    },
    ReverseService {
        nth: u8,
    },
}

/// From where straws are wished for.
#[derive(Clone, Copy, Debug)]
pub enum Spot {
    /// Where some hang.
    Held(u8),
    Anywhere(usize, Place),
}

/// An `nth` that means what never was.
pub const NEVER: u8 = u8::MAX;

/// One step of a sequence.
#[derive(Clone, Debug)]
pub enum Step {
    /// Under a key of its own, so many days after the step before.
    Do { intent: Intent, days: i64, reported: Reported },
    /// What an earlier step sent, word for word, under its key.
    Again { back: u8 },
    /// Something else under an earlier step's key.
    OtherContent { back: u8, intent: Intent },
}

/// When a command is sent and which time it gives.
#[derive(Clone, Copy, Debug)]
pub enum Reported {
    InTime,
    /// So many days after it happened.
    Late(i64),
    /// Without a time: now, by the service's clock.
    Not,
    /// Two days ahead of the service's clock.
    Ahead,
}

pub fn steps() -> impl Strategy<Value = Vec<Step>> {
    vec(step(), 1..30)
}

fn step() -> impl Strategy<Value = Step> {
    let days = prop_oneof![3 => Just(0), 3 => Just(1), 2 => Just(3), 3 => Just(21)];
    let reported = prop_oneof![
        20 => Just(Reported::InTime),
        4 => (1..30_i64).prop_map(Reported::Late),
        1 => Just(Reported::Not),
        1 => Just(Reported::Ahead),
    ];
    prop_oneof![
        18 => (intent(), days, reported).prop_map(|(intent, days, reported)| Step::Do { intent, days, reported }),
        1 => (0..6_u8).prop_map(|back| Step::Again { back }),
        1 => (0..6_u8, intent()).prop_map(|(back, intent)| Step::OtherContent { back, intent }),
    ]
}

fn intent() -> impl Strategy<Value = Intent> {
    let (lot, animal) = (|| 0..LOTS.len(), || 0..ANIMALS.len());
    prop_oneof![
        3 => (lot(), place(), 1..4_i64).prop_map(|(lot, place, straws)| Intent::Receive { lot, place, straws }),
        3 => (spot(), place(), 1..3_i64).prop_map(|(spot, to, straws)| Intent::Transfer { spot, to, straws }),
        2 => (spot(), 1..3_i64).prop_map(|(spot, straws)| Intent::Discard { spot, straws }),
        2 => (spot(), 1..3_i64).prop_map(|(spot, straws)| Intent::Send { spot, straws }),
        10 => order().prop_map(Intent::Withdraw),
        1 => vec(offline(), 1..4).prop_map(Intent::Batch),
        4 => thaw(false),
        2 => nth().prop_map(|nth| Intent::DiscardWithdrawn { nth }),
        9 => serve(false),
        3 => (animal(), prop_oneof![Just("ai"), Just("natural"), Just("embryo_transfer")])
            .prop_map(|(animal, kind)| Intent::ServeForeign { animal, kind }),
        4 => (animal(), happening()).prop_map(|(animal, what)| Intent::Report { animal, what }),
        1 => (lot(), prop_oneof![2 => Just("usable"), 1 => Just("quarantined"), 1 => Just("recalled")])
            .prop_map(|(lot, status)| Intent::SetStatus { lot, status }),
        1 => (0..TANKS.len(), prop::option::weighted(0.6, 1..=CANISTERS + 1))
            .prop_map(|(tank, canister)| Intent::Hold { tank, canister }),
        2 => nth().prop_map(|nth| Intent::Lift { nth }),
        3 => stocktake(),
        3 => nth().prop_map(|nth| Intent::Accept { nth }),
        6 => nth().prop_map(|nth| Intent::Reverse { nth }),
        2 => nth().prop_map(|nth| Intent::ReverseService { nth }),
    ]
}

fn nth() -> impl Strategy<Value = u8> {
    prop_oneof![24 => 0..3_u8, 3 => 3..40_u8, 2 => Just(NEVER)]
}

fn seldom() -> impl Strategy<Value = bool> {
    prop::bool::weighted(0.2)
}

fn thaw(offline: bool) -> impl Strategy<Value = Intent> {
    let after = prop_oneof![Just(0), Just(50), Just(150)];
    (nth(), bath(), seldom(), seldom(), seldom(), after).prop_map(
        move |(nth, bath, set_aside, by_technician, already_done, after)| Intent::Thaw {
            nth,
            bath,
            set_aside,
            by_technician,
            already_done: already_done || offline,
            after,
        },
    )
}

fn serve(offline: bool) -> impl Strategy<Value = Intent> {
    (nth(), seldom(), prop::bool::weighted(0.1), after()).prop_map(
        move |(nth, already_done, misread, after)| Intent::Serve {
            nth,
            already_done: already_done || offline,
            misread,
            after,
        },
    )
}

/// What a batch may hold.
fn offline() -> impl Strategy<Value = Intent> {
    prop_oneof![
        3 => order().prop_map(|order| Intent::Withdraw(Order { already_done: true, ..order })),
        1 => thaw(true),
        1 => serve(true),
        1 => nth().prop_map(|nth| Intent::DiscardWithdrawn { nth }),
    ]
}

fn place() -> impl Strategy<Value = Place> {
    let canister = prop_oneof![30 => 1..=CANISTERS, 1 => Just(CANISTERS + 1)];
    // Few places, so that commands meet; marks of canes only now and then.
    let cane = prop_oneof![4 => Just(CANES[0]), 1 => Just(CANES[1]), 1 => Just(CANES[2])];
    (0..TANKS.len(), canister, cane).prop_map(|(tank, canister, cane)| Place { tank, canister, cane })
}

fn spot() -> impl Strategy<Value = Spot> {
    prop_oneof![
        4 => (0..6_u8).prop_map(Spot::Held),
        1 => (0..LOTS.len(), place()).prop_map(|(lot, place)| Spot::Anywhere(lot, place)),
    ]
}

fn order() -> impl Strategy<Value = Order> {
    let types = [None, Some("conventional"), Some("sexed_female"), Some("sexed_male")];
    let semen = prop_oneof![
        3 => (0..LOTS.len()).prop_map(Semen::Lot),
        2 => (0..SIRES, prop::sample::select(types.to_vec())).prop_map(|(sire, of)| Semen::Sire(sire, of)),
    ];
    let place = prop::option::weighted(0.2, place());
    let straws = prop_oneof![6 => Just(1), 1 => Just(2), 1 => Just(4)];
    let how = (prop::bool::weighted(0.4), prop::bool::weighted(0.3), seldom(), prop::bool::weighted(0.1));
    (0..ANIMALS.len(), semen, place, straws, how).prop_map(
        |(animal, semen, place, straws, (set_aside, by_technician, already_done, misread))| Order {
            animal,
            semen,
            place,
            straws,
            set_aside,
            by_technician,
            already_done,
            misread,
            at: None,
        },
    )
}

fn bath() -> impl Strategy<Value = &'static str> {
    prop_oneof![6 => Just("35.5"), 1 => Just("34.0"), 1 => Just("38.4")]
}

/// Seconds from withdrawal to service: before it by clocks that are apart and by more, too early after a thaw, in time, too
/// late for a sexed straw, too late for any, and a slip of days.
fn after() -> impl Strategy<Value = i64> {
    prop_oneof![1 => Just(-60), 1 => Just(-3_600), 1 => Just(10), 4 => Just(240), 1 => Just(520), 1 => Just(1_300), 1 => Just(259_200)]
}

fn happening() -> impl Strategy<Value = AnimalEvent> {
    prop_oneof![
        4 => Just(AnimalEvent::Calving),
        1 => any::<bool>().prop_map(|opens_cycle| AnimalEvent::Abortion { opens_cycle }),
        3 => prop::sample::select(vec!["pregnant", "multiple", "empty", "unknown"])
            .prop_flat_map(|result| {
                let days = prop_oneof![2 => Just(None), 1 => (1..120_i64).prop_map(Some)];
                days.prop_map(move |days_pregnant| AnimalEvent::Check { result, days_pregnant })
            }),
        1 => any::<bool>().prop_map(AnimalEvent::DoNotBreed),
    ]
}

fn stocktake() -> impl Strategy<Value = Intent> {
    let count = (0..LOTS.len(), place(), -2..=2_i64);
    let lines_back = prop_oneof![4 => Just(0), 4 => 1..6_i64, 1 => Just(-1)];
    (0..TANKS.len(), prop::option::weighted(0.3, 1..=CANISTERS), any::<bool>(), lines_back, vec(count, 0..4))
        .prop_map(|(tank, canister, complete, lines_back, counts)| Intent::TakeStock {
            tank,
            canister,
            complete,
            lines_back,
            counts,
        })
}
