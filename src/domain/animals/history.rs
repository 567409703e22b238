//! What an animal is, from what happened to her: heifer or cow, open or pregnant, and the number
//! of her next service. Derived every time, never stored by hand.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::{
            choice::Class,
            pregnancy::{Doubt, Pregnancy},
            service_kind::ServiceKind,
        },
        values::{Calves, HeatHours, PregnancyDays, Timestamp},
    },
    json_column, text_enum,
};

text_enum! {
    /// How a heat was found.
    HeatMethod {
        /// Someone saw her stand to be mounted.
        Seen = "seen",
        /// A sensor of any kind; the heat's time is when it passed its threshold.
        Sensor = "sensor",
        /// A timed protocol: no heat is needed; the time is the second GnRH.
        TimedProtocol = "timed_protocol",
        /// A step counter.
        Pedometer = "pedometer",
        /// A sensor on a collar.
        Collar = "collar",
        /// A sensor in the ear tag.
        EarTag = "ear_tag",
        /// A sensor in the rumen.
        Bolus = "bolus",
        /// By treatment for timed insemination; counts like `timed_protocol`.
        Chemical = "chemical",
        /// Otherwise.
        Other = "other",
    }
}

text_enum! {
    /// How a pregnancy was looked for.
    CheckMethod {
        /// Ultrasound, from 29 days in cows and 26 in heifers.
        Ultrasound = "ultrasound",
        /// By hand, from 35 to 45 days.
        Palpation = "palpation",
        /// Pregnancy-associated glycoprotein in blood.
        Blood = "blood",
        /// The same in milk.
        Milk = "milk",
        /// By sight.
        Visual = "visual",
        /// Otherwise.
        Other = "other",
    }
}

text_enum! {
    /// What a pregnancy check found.
    CheckResult {
        /// Pregnant.
        Pregnant = "pregnant",
        /// Pregnant with more than one.
        Multiple = "multiple",
        /// Not pregnant.
        Empty = "empty",
        /// Not clear; look again.
        Unknown = "unknown",
    }
}

/// What happened to an animal, other than a service.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum AnimalEvent {
    /// She stood in heat.
    Heat {
        /// How it was found.
        method: HeatMethod,
    },
    /// She was examined for pregnancy.
    PregnancyCheck {
        /// How.
        method: CheckMethod,
        /// What was found.
        result: CheckResult,
        /// How long she is pregnant, where that was told.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        days_pregnant: Option<PregnancyDays>,
    },
    /// She calved: a new cycle begins.
    Calving {
        /// How many calves, where that was told.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        calves: Option<Calves>,
    },
    /// She aborted.
    Abortion {
        /// Whether a new cycle begins with it, as after a calving.
        opens_cycle: bool,
    },
    /// Her owner decided whether she may be bred.
    DoNotBreed {
        /// True: she is not to be bred; false: she may be again.
        do_not_breed: bool,
    },
}
json_column!(AnimalEvent);

text_enum! {
    /// The kind of a happening.
    HappeningKind {
        /// A heat.
        Heat = "heat",
        /// A pregnancy check.
        PregnancyCheck = "pregnancy_check",
        /// A calving.
        Calving = "calving",
        /// An abortion.
        Abortion = "abortion",
        /// A decision whether she may be bred.
        DoNotBreed = "do_not_breed",
    }
}

impl AnimalEvent {
    /// Its kind.
    pub fn kind(&self) -> HappeningKind {
        match self {
            Self::Heat { .. } => HappeningKind::Heat,
            Self::PregnancyCheck { .. } => HappeningKind::PregnancyCheck,
            Self::Calving { .. } => HappeningKind::Calving,
            Self::Abortion { .. } => HappeningKind::Abortion,
            Self::DoNotBreed { .. } => HappeningKind::DoNotBreed,
        }
    }

    /// What happened to her, in words.
    pub fn in_words(&self) -> &'static str {
        match self {
            Self::Heat { .. } => "in heat",
            Self::PregnancyCheck { result: CheckResult::Pregnant | CheckResult::Multiple, .. } => {
                "found pregnant"
            }
            Self::PregnancyCheck { result: CheckResult::Empty, .. } => "found empty",
            Self::PregnancyCheck { result: CheckResult::Unknown, .. } => "checked without a clear result",
            Self::Calving { .. } => "calved",
            Self::Abortion { .. } => "aborted",
            Self::DoNotBreed { do_not_breed: true } => "marked as not to be bred",
            Self::DoNotBreed { do_not_breed: false } => "marked as one that may be bred",
        }
    }

    /// Whether a new cycle begins with it.
    pub fn opens_cycle(&self) -> bool {
        matches!(self, Self::Calving { .. } | Self::Abortion { opens_cycle: true })
    }
}

impl HeatMethod {
    /// Whether a protocol brought it about and nobody saw her stand.
    pub fn is_timed(self) -> bool {
        matches!(self, Self::TimedProtocol | Self::Chemical)
    }
}

/// How long after standing heat an insemination can still belong to it: three days. A heat lasts
/// 10-20 h and she ovulates 24-33 h after onset (De Rensis et al. 2024, Vet Sci 11(4):152); later
/// than this the timing advice of that heat is of no use.
const HEAT_COUNTS_FOR: TimeDelta = TimeDelta::hours(72);

/// A heat, and how it was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FoundHeat {
    /// When.
    pub at: Timestamp,
    /// How.
    pub method: HeatMethod,
}

impl FoundHeat {
    /// Whether an insemination at `at` can belong to it.
    pub fn counts_at(self, at: Timestamp) -> bool {
        at.since(self.at) <= HEAT_COUNTS_FOR
    }

    /// The heat that this is, if it is one.
    pub fn of((at, what): &(Timestamp, AnimalEvent)) -> Option<Self> {
        match what {
            AnimalEvent::Heat { method } => Some(Self { at: *at, method: *method }),
            _ => None,
        }
    }
}

/// A service on record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PastService {
    /// When.
    pub at: Timestamp,
    /// What kind.
    pub kind: ServiceKind,
}

impl PastService {
    /// When the calf was conceived, if it was: an embryo is some days old when it goes in.
    pub fn conceived_at(self) -> Timestamp {
        self.at.plus(-self.kind.since_conception())
    }
}

/// What is on record of one animal, each in order of time.
#[derive(Clone, Debug, Default)]
pub struct AnimalHistory {
    /// Her services.
    pub services: Vec<PastService>,
    /// What else happened, and when.
    pub happenings: Vec<(Timestamp, AnimalEvent)>,
}

text_enum! {
    /// What came of a service.
    ServiceResult {
        /// She was found pregnant.
        Pregnant = "pregnant",
        /// She was found empty.
        Empty = "empty",
        /// She came back and was served again.
        ServedAgain = "served_again",
        /// She calved.
        Calved = "calved",
        /// She aborted.
        Aborted = "aborted",
    }
}

/// The place of an insemination in its cycle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
pub struct Numbered {
    /// Counts the services since her last calving (heifers: since birth), from 1.
    #[schema(minimum = 1, example = 1)]
    pub service_number: i64,
    /// Counts the inseminations within one heat, from 1.
    #[schema(minimum = 1, example = 1)]
    pub rank: i64,
}

/// What an animal is at a moment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AnimalStatus {
    /// Heifer or cow.
    pub class: Class,
    /// Her last calving.
    pub calved_at: Option<Timestamp>,
    /// The pregnancy that a check found, unless she calved, aborted or was found empty since, or it is over for its length.
    pub pregnancy: Option<Pregnancy>,
    /// What is uncertain about her.
    pub doubts: Vec<Doubt>,
    /// Since when she is not to be bred.
    pub do_not_breed_since: Option<Timestamp>,
    /// Her last heat, while it still counts.
    pub heat: Option<FoundHeat>,
    /// Her last service of this cycle.
    pub served_at: Option<Timestamp>,
    /// What an insemination now would be.
    pub next: Numbered,
}

impl AnimalHistory {
    /// How often she calved up to `at`, as far as it is on record.
    pub fn calvings(&self, at: Timestamp) -> i64 {
        let is_calving = |(when, what): &&(Timestamp, AnimalEvent)| {
            *when <= at && matches!(what, AnimalEvent::Calving { .. })
        };
        i64::try_from(self.happenings.iter().filter(is_calving).count()).unwrap_or(i64::MAX)
    }

    /// What she is at `at`, from what is on record up to then.
    pub fn standing(&self, at: Timestamp, same_heat: HeatHours) -> AnimalStatus {
        let until_then = || self.happenings.iter().take_while(|(when, _)| *when <= at);
        let last = |wanted: fn(&AnimalEvent) -> bool| until_then().filter(|(_, what)| wanted(what)).last();
        let calved_at = last(|what| matches!(what, AnimalEvent::Calving { .. })).map(|(when, _)| *when);
        let do_not_breed_since = last(|what| matches!(what, AnimalEvent::DoNotBreed { .. }))
            .filter(|(_, what)| matches!(what, AnimalEvent::DoNotBreed { do_not_breed: true }))
            .map(|(when, _)| *when);
        let heat = last(|what| matches!(what, AnimalEvent::Heat { .. })).and_then(FoundHeat::of);
        let heat = heat.filter(|heat| heat.counts_at(at));
        let cycle = self.cycle_at(at);
        let numbered = cycle.iter().filter(|s| s.kind.takes_number()).map(|s| s.at);
        AnimalStatus {
            class: if calved_at.is_some() { Class::Cow } else { Class::Heifer },
            calved_at,
            pregnancy: self.pregnancy(at),
            doubts: self.doubts(at, same_heat),
            do_not_breed_since,
            heat,
            served_at: cycle.last().map(|service| service.at),
            next: number(numbered.chain([at]), same_heat).last().unwrap_or(FIRST),
        }
    }

    /// The number and rank of every service on record, in their order; none of those that take no number.
    pub fn numbers(&self, same_heat: HeatHours) -> Vec<Option<Numbered>> {
        self.services
            .iter()
            .enumerate()
            .map(|(n, service)| {
                let opened = self.opened_before(service.at);
                let cycle = self.services[..=n]
                    .iter()
                    .filter(|s| s.kind.takes_number() && opened.is_none_or(|open| s.at > open))
                    .map(|s| s.at);
                service.kind.takes_number().then(|| number(cycle, same_heat).last().unwrap_or(FIRST))
            })
            .collect()
    }

    /// The services of the cycle in which `at` falls, up to it.
    fn cycle_at(&self, at: Timestamp) -> Vec<PastService> {
        let opened = self.opened_before(at);
        let of_cycle = |s: &PastService| s.at <= at && opened.is_none_or(|open| s.at > open);
        self.services.iter().copied().filter(of_cycle).collect()
    }

    fn opened_before(&self, at: Timestamp) -> Option<Timestamp> {
        self.happenings
            .iter()
            .rev()
            .find(|(when, what)| *when <= at && what.opens_cycle())
            .map(|(when, _)| *when)
    }
}

const FIRST: Numbered = Numbered { service_number: 1, rank: 1 };

/// Numbers the inseminations of one cycle: those within `same_heat` of a service's first one are
/// the same service, the next rank (two inseminations 12 h apart are one heat).
fn number(cycle: impl Iterator<Item = Timestamp>, same_heat: HeatHours) -> impl Iterator<Item = Numbered> {
    let window = TimeDelta::hours(same_heat.get());
    cycle.scan(None::<(Timestamp, Numbered)>, move |state, at| {
        *state = Some(match *state {
            None => (at, FIRST),
            Some((first, n)) if at.since(first) <= window => (first, Numbered { rank: n.rank + 1, ..n }),
            Some((_, n)) => (at, Numbered { service_number: n.service_number + 1, rank: 1 }),
        });
        state.map(|(_, numbered)| numbered)
    })
}

#[cfg(test)]
mod tests {
    use chrono::{TimeZone as _, Utc};

    use super::*;

    /// The instant `hours` after 1 January 2026.
    fn at(hours: i64) -> Timestamp {
        Timestamp::from(Utc.with_ymd_and_hms(2026, 1, 1, 0, 0, 0).unwrap()).plus(TimeDelta::hours(hours))
    }

    fn ai(hours: i64) -> PastService {
        PastService { at: at(hours), kind: ServiceKind::Ai }
    }

    fn two_days() -> HeatHours {
        HeatHours::new(48).unwrap()
    }

    fn history(services: &[i64], happenings: &[(i64, AnimalEvent)]) -> AnimalHistory {
        AnimalHistory {
            services: services.iter().map(|h| ai(*h)).collect(),
            happenings: happenings.iter().map(|(h, what)| (at(*h), what.clone())).collect(),
        }
    }

    fn next(history: &AnimalHistory, hours: i64) -> (i64, i64) {
        let next = history.standing(at(hours), two_days()).next;
        (next.service_number, next.rank)
    }

    fn check(result: CheckResult) -> AnimalEvent {
        AnimalEvent::PregnancyCheck { method: CheckMethod::Ultrasound, result, days_pregnant: None }
    }

    #[test]
    fn a_heifer_starts_with_service_one_and_each_return_is_the_next() {
        // A return comes after 18-24 days (Extension; NZ AB series I).
        assert_eq!(next(&history(&[], &[]), 0), (1, 1));
        assert_eq!(next(&history(&[0], &[]), 21 * 24), (2, 1));
        assert_eq!(next(&history(&[0, 21 * 24], &[]), 42 * 24), (3, 1));
    }

    #[test]
    fn two_inseminations_in_one_heat_are_one_service() {
        // Two inseminations 12 h apart are one heat: double-insemination retrospective, n = 54,677.
        assert_eq!(next(&history(&[0], &[]), 12), (1, 2));
        assert_eq!(next(&history(&[0, 12], &[]), 24), (1, 3));
    }

    #[test]
    fn the_window_is_measured_from_the_services_first_insemination() {
        // Merge window two days from the first insemination: derived, see the trade's counting rules.
        let twice = history(&[0, 40], &[]);
        assert_eq!(next(&twice, 48), (1, 3));
        assert_eq!(
            next(&twice, 49),
            (2, 1),
            "40 h is the second of that heat and opens no window of its own"
        );
    }

    #[test]
    fn a_calving_begins_anew_and_makes_a_cow() {
        // Services count per lactation; heifers are parity 0 (Univ. Guelph CBFert format; Norman 2009).
        let calved = history(&[0, 500], &[(9000, AnimalEvent::Calving { calves: None })]);
        assert_eq!(next(&calved, 8999), (3, 1));
        assert_eq!(next(&calved, 10_000), (1, 1));
        assert_eq!(calved.standing(at(8999), two_days()).class, Class::Heifer);
        assert_eq!(calved.standing(at(10_000), two_days()).class, Class::Cow);
    }

    #[test]
    fn only_an_abortion_that_opens_a_cycle_begins_anew() {
        let early = history(&[0], &[(900, AnimalEvent::Abortion { opens_cycle: false })]);
        assert_eq!(next(&early, 1000), (2, 1));
        let late = history(&[0], &[(900, AnimalEvent::Abortion { opens_cycle: true })]);
        assert_eq!(next(&late, 1000), (1, 1));
        assert_eq!(late.standing(at(1000), two_days()).class, Class::Heifer);
    }

    #[test]
    fn a_late_entry_renumbers_what_came_after_it() {
        let full = history(&[0, 504, 510, 1008], &[]);
        let numbers: Vec<_> =
            full.numbers(two_days()).iter().flatten().map(|n| (n.service_number, n.rank)).collect();
        assert_eq!(numbers, [(1, 1), (2, 1), (2, 2), (3, 1)]);
        let with_calving = history(&[0, 504, 9000], &[(8000, AnimalEvent::Calving { calves: None })]);
        let numbers: Vec<_> =
            with_calving.numbers(two_days()).iter().flatten().map(|n| n.service_number).collect();
        assert_eq!(numbers, [1, 2, 1]);
    }

    #[test]
    fn a_natural_mating_takes_a_number_and_an_embryo_transfer_none() {
        use ServiceKind::{Ai, EmbryoTransfer, Natural};
        // Rank: "each AI carried out within the same reproductive cycle" (ICAR ADE); services of one heat by any bull.
        let kinds = |kinds: &[ServiceKind]| {
            let services =
                kinds.iter().zip(0..).map(|(kind, n)| PastService { kind: *kind, ..ai(n * 21 * 24) });
            let history = AnimalHistory { services: services.collect(), ..AnimalHistory::default() };
            let numbers = history.numbers(two_days()).iter().map(|n| n.map(|n| n.service_number)).collect();
            let next = history.standing(at(200 * 24), two_days()).next.service_number;
            (numbers, next)
        };
        assert_eq!(kinds(&[Ai, Natural, Ai]), (vec![Some(1), Some(2), Some(3)], 4));
        assert_eq!(kinds(&[Ai, EmbryoTransfer, Ai]), (vec![Some(1), None, Some(2)], 3));
        assert_eq!(kinds(&[EmbryoTransfer]), (vec![None], 1));
    }

    #[test]
    fn pregnant_lasts_until_empty_calving_or_abortion() {
        let pregnant = |more: &[(i64, AnimalEvent)], hours| {
            let mut all = vec![(800, check(CheckResult::Pregnant))];
            all.extend_from_slice(more);
            history(&[0], &all).standing(at(hours), two_days()).pregnancy.map(|found| found.checked_at)
        };
        assert_eq!(pregnant(&[], 799), None);
        assert_eq!(pregnant(&[], 900), Some(at(800)));
        assert_eq!(pregnant(&[(850, check(CheckResult::Unknown))], 900), Some(at(800)));
        assert_eq!(pregnant(&[(850, check(CheckResult::Empty))], 900), None);
        assert_eq!(pregnant(&[(850, AnimalEvent::Abortion { opens_cycle: false })], 900), None);
        assert_eq!(pregnant(&[(7000, AnimalEvent::Calving { calves: None })], 7001), None);
        assert_eq!(pregnant(&[(850, AnimalEvent::Heat { method: HeatMethod::Seen })], 900), Some(at(800)));
        let multiple = history(&[0], &[(800, check(CheckResult::Multiple))]);
        assert!(multiple.standing(at(900), two_days()).pregnancy.is_some_and(|found| found.multiple));
    }

    #[test]
    fn the_last_word_on_breeding_counts() {
        let said = |words: &[(i64, bool)], hours| {
            let all: Vec<_> =
                words.iter().map(|(h, no)| (*h, AnimalEvent::DoNotBreed { do_not_breed: *no })).collect();
            history(&[], &all).standing(at(hours), two_days()).do_not_breed_since
        };
        assert_eq!(said(&[(10, true)], 9), None);
        assert_eq!(said(&[(10, true)], 11), Some(at(10)));
        assert_eq!(said(&[(10, true), (20, false)], 21), None);
    }

    #[test]
    fn an_old_heat_no_longer_counts() {
        let heat = history(&[], &[(0, AnimalEvent::Heat { method: HeatMethod::Seen })]);
        assert_eq!(heat.standing(at(72), two_days()).heat.map(|heat| heat.at), Some(at(0)));
        assert_eq!(heat.standing(at(73), two_days()).heat, None);
    }
}
