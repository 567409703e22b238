//! The 21-day pregnancy rate: how fast females get pregnant once they may be served.
//!
//! Pregnancies over eligible cycles of 21 days (California Demonstration Project). A female is eligible from the end of the
//! herd's waiting period after a calving, a heifer from the herd's age of first service on, until she conceives, is not to be
//! bred, leaves, or the observation ends. Her eligible days over 21 are rounded up where she conceived, because she did so
//! in that cycle, and to the nearest whole number where she is open. A cow that conceived before the waiting period was
//! over did so in her first cycle.

use std::collections::HashMap;

use chrono::TimeDelta;
use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    animals::{gestation, history::AnimalEvent},
    reports::{
        proportion::{Proportion, real},
        record::{AnimalRecord, ReportHerd},
    },
    values::{HerdId, Timestamp},
};

/// Days of a cycle.
pub const CYCLE_DAYS: i64 = 21;

/// A stretch of time in which she could have conceived.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Eligible {
    /// From when on.
    pub from: Timestamp,
    /// Until when.
    pub to: Timestamp,
    /// Whether it ended because she conceived.
    pub conceived: bool,
}

impl Eligible {
    /// What of it lies in a span.
    fn within(self, from: Timestamp, to: Timestamp) -> Option<Self> {
        // A conception belongs to the span in which it was.
        let conceived = self.conceived && (from..to).contains(&self.to);
        let part = Self { from: self.from.max(from), to: self.to.min(to), conceived };
        (conceived || part.from < part.to).then_some(part)
    }

    /// Its cycles of 21 days.
    pub fn cycles(self) -> i64 {
        let days = real(self.to.since(self.from).num_seconds().max(0)) / 86_400.0 / real(CYCLE_DAYS);
        #[expect(clippy::cast_possible_truncation, reason = "cycles of a life")]
        let cycles = if self.conceived { days.ceil().max(1.0) } else { days.round() } as i64;
        cycles
    }
}

/// What changes whether she is eligible.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Turn {
    Lost,
    Calved,
    MayBeBred,
    Conceived,
    DoNotBreed,
}

/// The stretches in which she was eligible until `until`; `None` for a heifer of whom it is not known when she was born and
/// who never calved.
pub fn eligible(animal: &AnimalRecord, herd: &ReportHerd, until: Timestamp) -> Option<Vec<Eligible>> {
    let waiting = TimeDelta::days(herd.waiting_days.get());
    let of_age =
        animal.born_on.map(|born| born.plus_days(herd.first_service_days.get()).start_in(herd.time_zone));
    let mut turns: Vec<(Timestamp, Turn)> = Vec::new();
    let words = animal.history.words();
    for heat in animal.heats() {
        if heat.conceived == Some(true) {
            turns.push((heat.at, Turn::Conceived));
            let own = words.get(heat.services.clone()).into_iter().flatten().flatten();
            if heat.lost
                && let Some((when, _)) = own.max_by_key(|(when, _)| *when)
            {
                turns.push((*when, Turn::Lost));
            }
        }
    }
    for (when, what) in &animal.history.happenings {
        match what {
            AnimalEvent::Calving { .. } => turns.push((*when, Turn::Calved)),
            AnimalEvent::DoNotBreed { do_not_breed: true } => turns.push((*when, Turn::DoNotBreed)),
            AnimalEvent::DoNotBreed { do_not_breed: false } => turns.push((*when, Turn::MayBeBred)),
            _ => {}
        }
    }
    let calved = turns.iter().any(|(_, turn)| *turn == Turn::Calved);
    if of_age.is_none() && !calved {
        return None;
    }
    turns.sort_unstable();
    let until = animal.seen_until(until, herd.time_zone);
    let mut stretches = Vec::new();
    let (mut since, mut pregnant) = (of_age, false);
    for (at, turn) in turns.into_iter().take_while(|(at, _)| *at < until) {
        match turn {
            Turn::Conceived if pregnant => {}
            Turn::Conceived => {
                if let Some(from) = since.take() {
                    stretches.push(Eligible { from: from.min(at), to: at, conceived: true });
                }
                pregnant = true;
            }
            Turn::Calved => {
                // By whom she conceived is not on record: that was a gestation ago.
                if let Some(from) = since.take() {
                    let to = at.plus(-TimeDelta::days(gestation::USUAL_DAYS)).max(from);
                    stretches.push(Eligible { from, to, conceived: false });
                }
                (since, pregnant) = (Some(at.plus(waiting)), false);
            }
            Turn::Lost => (since, pregnant) = (Some(at), false),
            Turn::DoNotBreed => {
                if let Some(from) = since.take() {
                    stretches.push(Eligible { from, to: at.max(from), conceived: false });
                }
            }
            Turn::MayBeBred if !pregnant && since.is_none() => since = Some(at),
            Turn::MayBeBred => {}
        }
    }
    if let Some(from) = since.filter(|from| *from < until) {
        stretches.push(Eligible { from, to: until, conceived: false });
    }
    Some(stretches)
}

/// A period of 21 days.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct PregnancyPeriod {
    /// Its beginning.
    pub from: Timestamp,
    /// Its end.
    pub to: Timestamp,
    /// Of the females that were eligible (for half of it or more, or until they conceived in it), those that were served in it.
    pub served: Proportion,
    /// Of the same females those that conceived in it: the pregnancy rate of the period.
    pub pregnant: Proportion,
    /// Whether it is so short ago that results are still to come.
    pub is_provisional: bool,
}

/// Days after a service within which its result is known: palpation 35-45 d (Texas A&M / CSU report).
pub const RESULT_DAYS: i64 = 45;

/// Periods that one answer tells at most: fifteen years.
pub const MOST_PERIODS: i64 = 261;

/// Counts one animal after the other.
#[derive(Debug)]
pub struct PregnancyCount {
    from: Timestamp,
    to: Timestamp,
    now: Timestamp,
    herds: HashMap<HerdId, ReportHerd>,
    periods: Vec<(i64, i64, i64)>,
    cycles: i64,
    pregnancies: i64,
    unknown_age: i64,
}

/// What was counted.
#[derive(Clone, Debug, PartialEq)]
pub struct PregnancyRate {
    /// Pregnancies over the cycles of all.
    pub all: Proportion,
    /// Period by period.
    pub periods: Vec<PregnancyPeriod>,
    /// Heifers of whom it is not known when they were born.
    pub unknown_age: i64,
}

impl PregnancyCount {
    /// Begins to count the periods of 21 days that lie wholly between `from` and `to`, the last ending at `to`.
    pub fn new(from: Timestamp, to: Timestamp, now: Timestamp, herds: Vec<ReportHerd>) -> Self {
        let periods = (to.since(from).num_days() / CYCLE_DAYS).clamp(0, MOST_PERIODS);
        Self {
            from: to.plus(-TimeDelta::days(CYCLE_DAYS * periods)),
            to,
            now,
            herds: herds.into_iter().map(|herd| (herd.id, herd)).collect(),
            periods: vec![(0, 0, 0); usize::try_from(periods).unwrap_or(0)],
            cycles: 0,
            pregnancies: 0,
            unknown_age: 0,
        }
    }

    /// From when on is counted.
    pub fn from(&self) -> Timestamp {
        self.from
    }

    /// Counts an animal.
    pub fn add(&mut self, animal: &AnimalRecord) {
        let Some(herd) = self.herds.get(&animal.herd) else { return };
        if animal.seen_until(self.to, herd.time_zone) <= self.from {
            return;
        }
        let Some(stretches) = eligible(animal, herd, self.to) else {
            self.unknown_age += 1;
            return;
        };
        for stretch in stretches {
            if let Some(part) = stretch.within(self.from, self.to) {
                self.cycles += part.cycles();
                self.pregnancies += i64::from(part.conceived);
            }
            for (n, (eligible, served, pregnant)) in self.periods.iter_mut().enumerate() {
                let begin = self.from.plus(TimeDelta::days(CYCLE_DAYS) * i32::try_from(n).unwrap_or(0));
                let end = begin.plus(TimeDelta::days(CYCLE_DAYS));
                let Some(part) = stretch.within(begin, end).filter(|part| part.cycles() > 0) else {
                    continue;
                };
                let within = |at: Timestamp| (begin..end).contains(&at) && at <= part.to;
                *eligible += 1;
                *served += i64::from(animal.history.services.iter().any(|service| within(service.at)));
                *pregnant += i64::from(part.conceived);
            }
        }
    }

    /// What was counted.
    pub fn finish(self) -> PregnancyRate {
        let known = self.now.plus(-TimeDelta::days(RESULT_DAYS));
        // Of nobody nothing is told.
        let told =
            if self.periods.iter().any(|(eligible, ..)| *eligible > 0) { &self.periods[..] } else { &[] };
        let periods = told.iter().enumerate().map(|(n, (eligible, served, pregnant))| {
            let from = self.from.plus(TimeDelta::days(CYCLE_DAYS) * i32::try_from(n).unwrap_or(0));
            let to = from.plus(TimeDelta::days(CYCLE_DAYS));
            PregnancyPeriod {
                from,
                to,
                served: Proportion::of(*served, *eligible),
                pregnant: Proportion::of(*pregnant, *eligible),
                is_provisional: to > known,
            }
        });
        PregnancyRate {
            all: Proportion::of(self.pregnancies, self.cycles),
            periods: periods.collect(),
            unknown_age: self.unknown_age,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::domain::{
        animals::history::CheckResult,
        reports::fixture::{ai, animal, calved, checked, day, herd, pregnant},
        straws::semen::SemenType::Conventional,
        values::{Day, Days, TimeZone},
    };

    fn waits(days: i64) -> ReportHerd {
        ReportHerd { waiting_days: Days::new(days).unwrap(), ..herd() }
    }

    #[test]
    fn two_cows_of_the_california_demonstration_project() {
        // Waiting period 50 days. Cow A conceives on day 120: 70 / 21 = 3.33, so in her 4th cycle. Cow B is open on day 90:
        // 40 / 21 = 1.9, rounded to 2. One pregnancy in 6 cycles (California Demonstration Project, reproductive analysis).
        let mut count = PregnancyCount::new(day(-210), day(210), day(300), vec![waits(50)]);
        count.add(&animal(&[(120, ai(1, 1, "A", Conventional))], &[(0, calved()), (160, pregnant())]));
        count.add(&animal(&[], &[(120, calved())]));
        let rate = count.finish();
        assert_eq!((rate.all.numerator, rate.all.denominator), (1, 6));
        assert_eq!(rate.all.estimate, Some(1.0 / 6.0));
    }

    #[test]
    fn a_heifer_is_eligible_from_the_age_of_first_service() {
        let mut heifer = animal(&[(395, ai(1, 1, "A", Conventional))], &[(440, pregnant())]);
        assert_eq!(eligible(&heifer, &herd(), day(500)), None, "nobody knows when she was born");
        heifer.born_on = Some(Day("2026-01-01".parse().unwrap()));
        let own = eligible(&heifer, &herd(), day(500)).unwrap();
        assert_eq!(own, [Eligible { from: day(365), to: day(395), conceived: true }]);
        assert_eq!(own[0].cycles(), 2);
    }

    #[test]
    fn she_is_eligible_again_after_a_loss_and_no_more_once_she_is_not_to_be_bred() {
        let cow = animal(
            &[(60, ai(1, 1, "A", Conventional))],
            &[
                (0, calved()),
                (100, pregnant()),
                (130, checked(CheckResult::Empty)),
                (170, AnimalEvent::DoNotBreed { do_not_breed: true }),
            ],
        );
        let own = eligible(&cow, &waits(50), day(400)).unwrap();
        let expected = [
            Eligible { from: day(50), to: day(60), conceived: true },
            Eligible { from: day(130), to: day(170), conceived: false },
        ];
        assert_eq!(own, expected);
    }

    #[test]
    fn a_cow_that_conceives_before_the_wait_is_over_did_so_in_her_first_cycle() {
        let cow = animal(&[(40, ai(1, 1, "A", Conventional))], &[(0, calved()), (100, pregnant())]);
        let own = eligible(&cow, &waits(50), day(200)).unwrap();
        assert_eq!(own.iter().map(|stretch| stretch.cycles()).collect::<Vec<_>>(), [1]);
    }

    #[test]
    fn she_leaves() {
        let mut cow = animal(&[], &[(0, calved())]);
        cow.left_on = Some(day(92).day_in(TimeZone::UTC));
        let own = eligible(&cow, &waits(50), day(400)).unwrap();
        assert_eq!(own, [Eligible { from: day(50), to: day(92), conceived: false }]);
    }

    #[test]
    fn a_period_counts_who_could_have_conceived_in_it() {
        // From day 0 to 63: eligible from day 5 on, served on day 10 and 31, conceived on day 31.
        let mut count = PregnancyCount::new(day(0), day(63), day(300), vec![waits(5)]);
        let services = [(10, ai(1, 1, "A", Conventional)), (31, ai(2, 1, "A", Conventional))];
        count.add(&animal(&services, &[(0, calved()), (80, pregnant())]));
        let rate = count.finish();
        let told: Vec<_> = rate
            .periods
            .iter()
            .map(|period| (period.served.numerator, period.pregnant.numerator, period.pregnant.denominator))
            .collect();
        assert_eq!(told, [(1, 0, 1), (1, 1, 1), (0, 0, 0)]);
        // 26 days: in her second cycle.
        assert_eq!((rate.all.numerator, rate.all.denominator), (1, 2));
    }

    #[test]
    fn who_left_before_is_not_asked_for_her_age() {
        let rate = |left: Option<i64>| {
            let mut nobody_knows = animal(&[], &[]);
            nobody_knows.left_on = left.map(|on| day(on).day_in(TimeZone::UTC));
            let mut count = PregnancyCount::new(day(0), day(63), day(300), vec![waits(5)]);
            count.add(&nobody_knows);
            count.finish().unknown_age
        };
        assert_eq!([None, Some(10), Some(0), Some(-5)].map(rate), [1, 1, 0, 0]);
    }

    #[test]
    fn a_service_after_she_is_not_to_be_bred_is_none_of_the_rate() {
        let mut count = PregnancyCount::new(day(0), day(21), day(300), vec![waits(1)]);
        let barred = (12, AnimalEvent::DoNotBreed { do_not_breed: true });
        count.add(&animal(&[(15, ai(1, 1, "A", Conventional))], &[(0, calved()), barred]));
        let period = count.finish().periods[0];
        assert_eq!((period.served.numerator, period.served.denominator), (0, 1));
    }

    #[test]
    fn a_period_is_provisional_until_its_results_can_be_known() {
        let provisional = |now| {
            let mut count = PregnancyCount::new(day(0), day(42), day(now), vec![waits(1)]);
            count.add(&animal(&[], &[(0, calved())]));
            count.finish().periods.iter().map(|period| period.is_provisional).collect::<Vec<_>>()
        };
        assert_eq!(provisional(42 + RESULT_DAYS), [false, false]);
        assert_eq!(provisional(42 + RESULT_DAYS - 1), [false, true]);
    }

    proptest! {
        #[test]
        fn nobody_conceives_more_often_than_she_has_cycles(
            services in proptest::collection::btree_set(0..900_i64, 0..12),
            checks in proptest::collection::btree_map(0..900_i64, 0..4_u8, 0..8),
        ) {
            let services: Vec<_> = services.into_iter().map(|on| (on, ai(1, 1, "A", Conventional))).collect();
            let mut happenings = vec![(-1, calved())];
            happenings.extend(checks.into_iter().map(|(on, what)| (on, match what {
                0 => pregnant(),
                1 => checked(CheckResult::Empty),
                2 => calved(),
                _ => AnimalEvent::Abortion { opens_cycle: false },
            })));
            let mut count = PregnancyCount::new(day(0), day(840), day(900), vec![waits(50)]);
            count.add(&animal(&services, &happenings));
            let rate = count.finish();
            prop_assert!(rate.all.numerator <= rate.all.denominator);
            for period in rate.periods {
                prop_assert!(period.pregnant.numerator <= period.served.numerator, "who conceived was served");
                prop_assert!(period.pregnant.numerator <= period.pregnant.denominator);
            }
        }
    }
}
