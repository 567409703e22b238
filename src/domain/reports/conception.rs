//! Conception and non-return: what came of the services.

use std::collections::{BTreeMap, HashMap};

use chrono::TimeDelta;
use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    animals::service_kind::ServiceKind,
    reports::{
        group::{Dimension, Part},
        proportion::{Estimate, Prior, Proportion},
        record::{AnimalRecord, ReportHerd, ServedHeat},
    },
    values::{HerdId, TimeZone, Timestamp},
};

/// Groups that one answer has at most, so that its size does not grow with the book.
pub const MOST_GROUPS: usize = 5000;

/// Which services are counted, and how.
#[derive(Clone, Debug)]
pub struct Question {
    /// Services at this moment or later.
    pub from: Timestamp,
    /// Services before this moment.
    pub to: Timestamp,
    /// Until when the animals were watched: what happened later is left out.
    pub observed_until: Timestamp,
    /// How long a service must have been watched to count.
    pub horizon: TimeDelta,
    /// Only of these herds; of all where it is empty.
    pub herds: Vec<HerdId>,
    /// By what they are grouped.
    pub by: Vec<Dimension>,
}

/// Services that were kept out of the figures, each counted once, under the first that holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct KeptOut {
    /// Natural matings, a bull running with the group among them, and heats in which one was.
    #[schema(minimum = 0)]
    pub natural_matings: i64,
    /// Embryo transfers.
    #[schema(minimum = 0)]
    pub embryo_transfers: i64,
    /// Inseminations of which the sire is not on record.
    #[schema(minimum = 0)]
    pub unknown_sires: i64,
    /// Served less than the horizon before the end of the observation, or before she left.
    #[schema(minimum = 0)]
    pub too_recent: i64,
}

/// What came of some services.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Services; those of one heat are one.
    pub services: i64,
    /// Of which she conceived.
    pub conceived: i64,
    /// Of which a pregnancy that was found was lost.
    pub lost: i64,
    /// Of which nothing is known.
    pub unknown: i64,
    /// After which she was served in another heat within the horizon.
    pub returned: i64,
}

impl Tally {
    fn add(&mut self, other: Self) {
        self.services += other.services;
        self.conceived += other.conceived;
        self.lost += other.lost;
        self.unknown += other.unknown;
        self.returned += other.returned;
    }

    /// Conceived of those of which it is known.
    pub fn conception(&self) -> Proportion {
        Proportion::of(self.conceived, self.services - self.unknown)
    }

    /// Not served again of all.
    pub fn non_return(&self) -> Proportion {
        Proportion::of(self.services - self.returned, self.services)
    }

    /// Services for each conception, of which it is known: the inverse of the conception rate, and so is its interval.
    /// `None` without a conception.
    pub fn services_per_conception(&self) -> Option<Estimate> {
        let rate = self.conception();
        let (low, estimate, high) = (rate.low?, rate.estimate?, rate.high?);
        (low > 0.0).then(|| Estimate { low: 1.0 / high, estimate: 1.0 / estimate, high: 1.0 / low })
    }

    /// The conception rate of a technician drawn towards that of `all`, with its 90 % interval: technicians differ by a
    /// standard deviation of 3.5 points (3.4-3.7: Everett & Bean 1986; Quebec, CJAS 1993), so few services say little.
    pub fn shrunk(&self, all: &Self) -> Option<Estimate> {
        let mean = all.conception().estimate.filter(|mean| (0.01..=0.99).contains(mean))?;
        let prior = Prior::spread(mean, 0.035);
        Some(prior.after_with_interval(self.conceived, self.services - self.unknown, 0.9))
    }
}

/// Counts the services of one animal after the other.
#[derive(Debug)]
pub struct Count {
    question: Question,
    zones: HashMap<HerdId, TimeZone>,
    groups: BTreeMap<Vec<Part>, Tally>,
    all: Tally,
    kept_out: KeptOut,
    too_many: bool,
}

/// What was counted.
#[derive(Debug, PartialEq)]
pub struct Counted {
    /// In all.
    pub all: Tally,
    /// Group by group, in the order of what they have in common.
    pub groups: Vec<(Vec<Part>, Tally)>,
    /// What was kept out.
    pub kept_out: KeptOut,
}

/// There are more than [`MOST_GROUPS`] groups.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TooManyGroups;

impl Count {
    /// Begins to count.
    pub fn new(question: Question, herds: &[ReportHerd]) -> Self {
        Self {
            question,
            zones: herds.iter().map(|herd| (herd.id, herd.time_zone)).collect(),
            groups: BTreeMap::new(),
            all: Tally::default(),
            kept_out: KeptOut::default(),
            too_many: false,
        }
    }

    /// Counts the services of an animal.
    pub fn add(&mut self, animal: &AnimalRecord) {
        for heat in animal.heats() {
            if (self.question.from..self.question.to).contains(&heat.at) {
                self.add_heat(animal, &heat);
            }
        }
    }

    fn add_heat(&mut self, animal: &AnimalRecord, heat: &ServedHeat) {
        let own = animal.services.get(heat.services.clone()).unwrap_or_default();
        let Some(herd) = own.first().and_then(|service| service.herd) else { return };
        let asked = &self.question.herds;
        if !asked.is_empty() && !asked.contains(&herd) {
            return;
        }
        let zone = self.zones.get(&herd).copied().unwrap_or(TimeZone::UTC);
        let kind_is = |kind| heat.services.clone().any(|n| animal.kind(n) == kind);
        let watched = animal.seen_until(self.question.observed_until, zone).since(heat.at);
        if kind_is(ServiceKind::EmbryoTransfer) {
            self.kept_out.embryo_transfers += 1;
        } else if kind_is(ServiceKind::Natural) {
            self.kept_out.natural_matings += 1;
        } else if own.iter().any(|service| service.sire.is_none()) {
            self.kept_out.unknown_sires += 1;
        } else if watched < self.question.horizon {
            self.kept_out.too_recent += 1;
        } else {
            let tally = Tally {
                services: 1,
                conceived: heat.conceived.is_some_and(|conceived| conceived).into(),
                lost: heat.lost.into(),
                unknown: heat.conceived.is_none().into(),
                returned: heat
                    .next_at
                    .is_some_and(|next| next.since(heat.at) <= self.question.horizon)
                    .into(),
            };
            self.all.add(tally);
            let key: Vec<Part> = self.question.by.iter().map(|by| by.of(animal, heat, zone)).collect();
            if self.groups.len() < MOST_GROUPS || self.groups.contains_key(&key) {
                self.groups.entry(key).or_default().add(tally);
            } else {
                self.too_many = true;
            }
        }
    }

    /// What was counted.
    ///
    /// # Errors
    /// There are too many groups to tell.
    pub fn finish(self) -> Result<Counted, TooManyGroups> {
        if self.too_many {
            return Err(TooManyGroups);
        }
        Ok(Counted { all: self.all, groups: self.groups.into_iter().collect(), kept_out: self.kept_out })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::domain::{
        animals::history::{AnimalEvent, CheckResult},
        reports::{
            fixture::{ai, animal, calved, checked, day, herd, pregnant},
            record::ServiceFacts,
        },
        straws::semen::SemenType::{Conventional, SexedFemale},
    };

    fn question(until: i64, horizon: i64, by: &[Dimension]) -> Question {
        Question {
            from: day(-1000),
            to: day(until),
            observed_until: day(until),
            horizon: TimeDelta::days(horizon),
            herds: Vec::new(),
            by: by.to_vec(),
        }
    }

    fn count(question: Question, animals: &[AnimalRecord]) -> Counted {
        let mut count = Count::new(question, &[herd()]);
        for animal in animals {
            count.add(animal);
        }
        count.finish().unwrap()
    }

    #[test]
    fn thirty_five_of_a_hundred_bred() {
        // 100 bred, 35 pregnant = 35 % (extension).
        let animals: Vec<_> = (0..100)
            .map(|n| {
                let result = if n < 35 { CheckResult::Pregnant } else { CheckResult::Empty };
                animal(&[(0, ai(1, 1, "A", SexedFemale))], &[(40, checked(result))])
            })
            .collect();
        let share = count(question(60, 56, &[]), &animals).all.conception();
        assert_eq!((share.numerator, share.denominator, share.estimate), (35, 100, Some(0.35)));
        assert_eq!((share.low, share.high).0.map(|low| (low * 1000.0).round()), Some(264.0));
        // The inverse, its ends exchanged: 1 / 0.4475, 1 / 0.35, 1 / 0.2636 (Wilson's ends by statsmodels).
        let services = count(question(60, 56, &[]), &animals).all.services_per_conception().unwrap();
        let told = [services.low, services.estimate, services.high].map(|figure| (figure * 100.0).round());
        assert_eq!(format!("{told:?}"), "[223.0, 286.0, 379.0]");
    }

    #[test]
    fn a_service_counts_from_the_end_of_its_horizon_on_and_in_its_own_herd() {
        let one = animal(&[(0, ai(1, 1, "A", Conventional))], &[]);
        assert_eq!(count(question(56, 56, &[]), std::slice::from_ref(&one)).all.services, 1);
        assert_eq!(count(question(55, 56, &[]), std::slice::from_ref(&one)).kept_out.too_recent, 1);
        // Sold: served in both herds, asked of the second.
        let second = HerdId(uuid::Uuid::from_u128(77));
        let moved = ServiceFacts { herd: Some(second), ..ai(2, 1, "B", Conventional) };
        let sold = animal(&[(0, ai(1, 1, "A", Conventional)), (30, moved)], &[(80, pregnant())]);
        let asked = Question { herds: vec![second], ..question(200, 56, &[Dimension::Technician]) };
        let counted = count(asked, &[sold, one]);
        let [(key, tally)] = &counted.groups[..] else { panic!("{:?}", counted.groups) };
        assert_eq!((key[0].clone(), tally.services), (Part::Text("B".to_owned()), 1));
    }

    #[test]
    fn what_follows_an_embryo_is_a_service_of_its_own() {
        let mut both = animal(
            &[(0, ai(1, 1, "A", Conventional)), (0, ai(1, 2, "A", Conventional))],
            &[(60, pregnant())],
        );
        both.history.services[0].kind = ServiceKind::EmbryoTransfer;
        let counted = count(question(100, 56, &[]), &[both]);
        assert_eq!((counted.kept_out.embryo_transfers, counted.all.services), (1, 1));
    }

    #[test]
    fn non_return_counts_who_was_not_served_again_and_only_services_watched_long_enough() {
        // Share not inseminated again within N days, of inseminations at least N days before the end of the observation
        // (Johnson, Proc NZSAP 64 (2004) 138-139). Ten services, reckoned by hand: two back on day 21 and 24, one on day 60.
        let back =
            |day: i64| animal(&[(0, ai(1, 1, "A", Conventional)), (day, ai(2, 1, "A", Conventional))], &[]);
        let mut animals = vec![back(21), back(24), back(60)];
        animals.extend((0..7).map(|_| animal(&[(0, ai(1, 1, "A", Conventional))], &[])));
        let rate = |horizon| {
            let mut question = question(200, horizon, &[Dimension::ServiceNumber]);
            question.to = day(1);
            count(question, &animals).all.non_return()
        };
        assert_eq!([24, 56, 90].map(|days| rate(days).estimate), [Some(0.8), Some(0.8), Some(0.7)]);
        // With the observation ending on day 70 no service is 90 days old; of the second ones two are 24.
        let late = count(question(70, 24, &[Dimension::ServiceNumber]), &animals);
        assert_eq!(late.groups.iter().map(|(_, tally)| tally.services).collect::<Vec<_>>(), [10, 2]);
        assert_eq!(late.kept_out.too_recent, 1);
        assert_eq!(count(question(70, 90, &[]), &animals).all.services, 0);
    }

    #[test]
    fn two_straws_in_one_heat_are_one_service() {
        let twice =
            animal(&[(0, ai(1, 1, "A", SexedFemale)), (0, ai(1, 2, "B", SexedFemale))], &[(40, pregnant())]);
        let by = [Dimension::Technician, Dimension::SemenType];
        let counted = count(question(60, 24, &by), &[twice]);
        assert_eq!((counted.all.services, counted.all.conceived), (1, 1));
        assert_eq!(counted.groups[0].0, [Part::Several, Part::Class(1, "sexed_female")]);
    }

    #[test]
    fn a_pregnancy_that_is_lost_was_conceived_all_the_same() {
        let empty = |on| (on, checked(CheckResult::Empty));
        let one = |happenings: &[(i64, AnimalEvent)]| {
            count(question(100, 56, &[]), &[animal(&[(0, ai(1, 1, "A", Conventional))], happenings)]).all
        };
        let tally = one(&[(30, pregnant()), empty(60)]);
        assert_eq!((tally.conceived, tally.lost, tally.unknown), (1, 1, 0));
        let tally = one(&[(70, AnimalEvent::Abortion { opens_cycle: false })]);
        assert_eq!((tally.conceived, tally.lost, tally.unknown), (1, 1, 0));
        assert_eq!((one(&[empty(30)]).conceived, one(&[empty(30)]).unknown), (0, 0));
        // Too early to see a calf: nothing is known (ultrasound, heifers, from day 26: Prairie View A&M).
        assert_eq!(one(&[empty(20)]).unknown, 1);
        assert_eq!(one(&[]).unknown, 1);
    }

    #[test]
    fn natural_matings_and_unknown_sires_are_counted_apart() {
        let mut bull = animal(&[(0, ai(1, 1, "A", Conventional))], &[(40, pregnant())]);
        bull.history.services[0].kind = ServiceKind::Natural;
        let mut embryo = bull.clone();
        embryo.history.services[0].kind = ServiceKind::EmbryoTransfer;
        let mut unknown = animal(&[(0, ai(1, 1, "A", Conventional))], &[]);
        unknown.services[0].sire = None;
        let mut left = animal(&[(0, ai(1, 1, "A", Conventional))], &[]);
        left.left_on = Some(day(20).day_in(TimeZone::UTC));
        let counted = count(question(60, 24, &[]), &[bull, embryo, unknown, left]);
        assert_eq!(counted.all.services, 0);
        let expected = KeptOut { natural_matings: 1, embryo_transfers: 1, unknown_sires: 1, too_recent: 1 };
        assert_eq!(counted.kept_out, expected);
    }

    #[test]
    fn a_cow_is_in_the_lactation_of_her_calvings() {
        let cow = animal(
            &[(0, ai(1, 1, "A", Conventional)), (340, ai(1, 1, "A", Conventional))],
            &[(280, calved()), (400, pregnant())],
        );
        let counted = count(question(500, 56, &[Dimension::Lactation]), &[cow]);
        let told: Vec<_> =
            counted.groups.iter().map(|(key, tally)| (key[0].clone(), tally.conceived)).collect();
        assert_eq!(told, [(Part::Number(0), 1), (Part::Number(1), 1)]);
    }

    proptest! {
        #[test]
        fn the_groups_sum_to_the_whole(
            animals in proptest::collection::vec(
                (proptest::collection::vec((0..400_i64, 1..4_i64, 0..3_usize, any::<bool>()), 0..6),
                 proptest::collection::vec((0..700_i64, any::<bool>()), 0..4)),
                0..20),
            horizon in 1..100_i64,
        ) {
            let names = ["A", "B", "C"];
            let animals: Vec<_> = animals.into_iter().map(|(mut services, mut checks)| {
                services.sort_unstable();
                checks.sort_unstable();
                let services: Vec<_> = services.into_iter().map(|(on, number, who, sexed)| {
                    (on, ai(number, 1, names[who], if sexed { SexedFemale } else { Conventional }))
                }).collect();
                let checks: Vec<_> = checks.into_iter().map(|(on, is)| {
                    (on, checked(if is { CheckResult::Pregnant } else { CheckResult::Empty }))
                }).collect();
                animal(&services, &checks)
            }).collect();
            let whole = count(question(600, horizon, &[]), &animals);
            for by in [&[Dimension::Technician][..], &[Dimension::Month, Dimension::SemenType], &[Dimension::Lactation]] {
                let counted = count(question(600, horizon, by), &animals);
                let mut sum = Tally::default();
                counted.groups.iter().for_each(|(_, tally)| sum.add(*tally));
                prop_assert_eq!(sum, whole.all);
                prop_assert_eq!(counted.kept_out, whole.kept_out);
            }
            let t = whole.all;
            prop_assert!(t.conceived + t.unknown <= t.services && t.lost <= t.conceived && t.returned <= t.services);
        }
    }
}
