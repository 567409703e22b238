//! What a season takes: straws of each type, and the pregnancies and heifer calves that come of them.
//!
//! Every female is served until she is pregnant or was served as often as the plan allows, each time with the type that the
//! plan names for that service. Given the conception rates all that follows is exact: what one female takes is convolved as
//! often as there are females, and pregnancies and heifer calves are binomial. The rates themselves are not known, and all
//! services of a herd share that: its log odds are shifted by a normal deviate, over which is averaged by the eleven nodes of
//! Gauss and Hermite. Without that shift a plan promises too much. Herds do not know of each other.

use std::collections::BTreeMap;

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    animals::choice::Class,
    reports::{distribution::Distribution, proportion::real},
    straws::semen::SemenType,
};

/// One service of a plan.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct PlannedService {
    /// Which service it is.
    #[schema(minimum = 1)]
    pub service_number: i64,
    /// The type that it takes.
    pub semen_type: SemenType,
    /// The share of those served that conceives.
    #[schema(minimum = 0, maximum = 1)]
    pub conception: f64,
}

/// Females that are served alike.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedFemales {
    /// Heifers or cows.
    pub class: Class,
    /// How many.
    pub count: usize,
    /// Their services, in their order.
    pub services: Vec<PlannedService>,
}

/// The females of a herd, and how uncertain its rates are.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedHerd {
    /// Its females.
    pub females: Vec<PlannedFemales>,
    /// The standard deviation of the shift of its log odds.
    pub spread: f64,
}

/// Share of heifer calves by semen type.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FemaleShares {
    /// Of conventional semen.
    pub conventional: f64,
    /// Of semen sexed for females.
    pub sexed_female: f64,
    /// Of semen sexed for males.
    pub sexed_male: f64,
}

impl FemaleShares {
    fn of(self, semen_type: SemenType) -> f64 {
        match semen_type {
            SemenType::Conventional => self.conventional,
            SemenType::SexedFemale => self.sexed_female,
            SemenType::SexedMale => self.sexed_male,
        }
    }
}

/// Nodes and weights that average over a standard normal: Gauss and Hermite, eleven of them (`numpy.polynomial.hermite_e`).
const NODES: [(f64, f64); 6] = [
    (0.0, 0.369_408_369_408_369_3),
    (0.928_868_997_381_064, 0.242_240_299_873_969_97),
    (1.876_035_020_154_846, 0.066_138_746_071_057_78),
    (2.865_123_160_643_645, 0.006_720_285_235_537_270_6),
    (3.936_166_607_129_977, 0.000_195_671_930_271_223_6),
    (5.188_001_224_374_870_5, 8.121_849_790_214_909e-7),
];

fn nodes(spread: f64) -> Vec<(f64, f64)> {
    if spread <= 0.0 {
        return vec![(0.0, 1.0)];
    }
    let both = NODES.iter().flat_map(|(z, weight)| {
        let twin = (*z > 0.0).then_some((-z, *weight));
        [Some((*z, *weight)), twin].into_iter().flatten()
    });
    both.map(|(z, weight)| (z * spread, weight)).collect()
}

/// A rate whose log odds are shifted.
fn shifted(rate: f64, shift: f64) -> f64 {
    if rate <= 0.0 || rate >= 1.0 {
        return rate;
    }
    let odds = rate / (1.0 - rate) * shift.exp();
    odds / (1.0 + odds)
}

/// What a season takes and what comes of it.
#[derive(Clone, Debug, PartialEq)]
pub struct SeasonOutcome {
    /// Straws by type; only types that the plan uses.
    pub straws: BTreeMap<SemenType, Distribution>,
    /// Females that get pregnant.
    pub pregnancies: Distribution,
    /// Heifer calves, none lost.
    pub heifer_calves: Distribution,
}

/// What a season takes of all herds.
pub fn season(herds: &[PlannedHerd], shares: FemaleShares) -> SeasonOutcome {
    let mut whole = SeasonOutcome {
        straws: BTreeMap::new(),
        pregnancies: Distribution::certainly(0),
        heifer_calves: Distribution::certainly(0),
    };
    for herd in herds {
        let own = of_herd(herd, shares);
        whole.pregnancies = whole.pregnancies.plus(&own.pregnancies);
        whole.heifer_calves = whole.heifer_calves.plus(&own.heifer_calves);
        for (semen_type, straws) in own.straws {
            let sum = match whole.straws.get(&semen_type) {
                Some(others) => others.plus(&straws),
                None => straws,
            };
            whole.straws.insert(semen_type, sum);
        }
    }
    whole
}

fn of_herd(herd: &PlannedHerd, shares: FemaleShares) -> SeasonOutcome {
    let served = herd.females.iter().filter(|females| females.count > 0);
    let mut types: Vec<SemenType> =
        served.flat_map(|females| &females.services).map(|service| service.semen_type).collect();
    types.sort_unstable();
    types.dedup();
    let shifts = nodes(herd.spread);
    let mixed = |of: &dyn Fn(&PlannedFemales, f64) -> Distribution| {
        let parts: Vec<_> = shifts
            .iter()
            .map(|(shift, weight)| {
                let each = herd.females.iter().map(|females| of(females, *shift));
                let sum = each.reduce(|sum, one| sum.plus(&one));
                (*weight, sum.unwrap_or_else(|| Distribution::certainly(0)))
            })
            .collect();
        Distribution::mixed(&parts)
    };
    let straws = types.into_iter().map(|semen_type| {
        let of = move |females: &PlannedFemales, shift: f64| {
            one_takes(females, shift, semen_type).times(females.count)
        };
        (semen_type, mixed(&of))
    });
    SeasonOutcome {
        straws: straws.collect(),
        pregnancies: mixed(&|females, shift| {
            let open: f64 =
                females.services.iter().map(|service| 1.0 - shifted(service.conception, shift)).product();
            Distribution::binomial(females.count, 1.0 - open)
        }),
        heifer_calves: mixed(&|females, shift| {
            let mut open = 1.0;
            let mut heifer = 0.0;
            for service in &females.services {
                let rate = shifted(service.conception, shift);
                heifer += open * rate * shares.of(service.semen_type);
                open *= 1.0 - rate;
            }
            Distribution::binomial(females.count, heifer)
        }),
    }
}

/// Straws of a type that one female takes.
fn one_takes(females: &PlannedFemales, shift: f64, semen_type: SemenType) -> Distribution {
    let mut mass = vec![0.0; females.services.len() + 1];
    let (mut open, mut taken) = (1.0, 0);
    for service in &females.services {
        if service.semen_type == semen_type {
            taken += 1;
        }
        let rate = shifted(service.conception, shift);
        if let Some(place) = mass.get_mut(taken) {
            *place += open * rate;
        }
        open *= 1.0 - rate;
    }
    if let Some(place) = mass.get_mut(taken) {
        *place += open;
    }
    Distribution::of(mass)
}

/// Straws that a number of heifer calves takes on the average, where each is used once: calves / (conception x share of
/// females).
pub fn straws_for_heifer_calves(calves: i64, conception: f64, share: f64) -> f64 {
    real(calves) / (conception * share)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use SemenType::{Conventional, SexedFemale};

    fn plan(count: usize, services: &[(SemenType, f64)], spread: f64) -> PlannedHerd {
        let services = (1..).zip(services).map(|(service_number, (semen_type, conception))| PlannedService {
            service_number,
            semen_type: *semen_type,
            conception: *conception,
        });
        let females = PlannedFemales { class: Class::Heifer, count, services: services.collect() };
        PlannedHerd { females: vec![females], spread }
    }

    fn shares(conventional: f64) -> FemaleShares {
        FemaleShares { conventional, sexed_female: 0.9, sexed_male: 0.1 }
    }

    fn near(got: f64, wanted: f64) {
        assert!((got - wanted).abs() < 1e-9 * wanted.abs().max(1.0), "{got} is not {wanted}");
    }

    #[test]
    fn a_hundred_heifers_sexed_sexed_conventional() {
        // 45 / 39 / 57 % (Norman & Hutchison 2009), 90 and 48 % females. By hand: 100 + 55 sexed straws, 55 x 0.61 conventional.
        let services = [(SexedFemale, 0.45), (SexedFemale, 0.39), (Conventional, 0.57)];
        let outcome = season(&[plan(100, &services, 0.0)], shares(0.48));
        near(outcome.straws[&SexedFemale].mean(), 155.0);
        near(outcome.straws[&Conventional].mean(), 33.55);
        near(outcome.pregnancies.mean(), 85.5735);
        near(outcome.heifer_calves.mean(), 0.9 * (45.0 + 0.55 * 39.0) + 0.48 * 33.55 * 0.57);
        assert!((outcome.heifer_calves.mean() - 68.98).abs() < 0.01);
    }

    #[test]
    fn the_spread_between_herds_belongs_into_a_plan() {
        // n = 50, 45 / 57 %, sexed once, three services: 39.325 conventional, 95 % need at most 49 (scipy, tests/reference).
        let services = [(SexedFemale, 0.45), (Conventional, 0.57), (Conventional, 0.57)];
        let exact = season(&[plan(50, &services, 0.0)], shares(0.485));
        near(exact.straws[&Conventional].mean(), 39.325);
        assert_eq!(exact.straws[&Conventional].quantile(0.95), 49);
        assert_eq!(
            (exact.straws[&SexedFemale].mean(), exact.straws[&SexedFemale].quantile(0.05)),
            (50.0, 50)
        );
        near(exact.pregnancies.mean(), 44.91525);
        near(exact.heifer_calves.mean(), 31.121_396_25);
        assert_eq!((exact.heifer_calves.quantile(0.05), exact.heifer_calves.quantile(0.95)), (25, 37));
        let spread = season(&[plan(50, &services, 0.32)], shares(0.485));
        assert_eq!(spread.straws[&Conventional].quantile(0.95), 56);
        assert_eq!(spread.heifer_calves.quantile(0.05), 23);
    }

    #[test]
    fn twenty_five_heifer_calves() {
        // 56 sexed straws at 50 % and 90 % female, or 83 conventional at 60 % (half of the calves): Teagasc 2019.
        assert!((straws_for_heifer_calves(25, 0.5, 0.9) - 56.0).abs() < 0.5);
        assert!((straws_for_heifer_calves(25, 0.6, 0.5) - 83.0).abs() < 0.5);
    }

    #[test]
    fn the_nodes_average_the_powers_of_a_standard_normal() {
        // Moments of the standard normal: 1, 0, 1, 0, 3, 0, 15.
        for (power, moment) in [(0, 1.0), (1, 0.0), (2, 1.0), (3, 0.0), (4, 3.0), (5, 0.0), (6, 15.0)] {
            let mean: f64 = nodes(1.0).iter().map(|(z, weight)| weight * z.powi(power)).sum();
            assert!((mean - moment).abs() < 1e-9, "{power}: {mean}");
        }
    }

    proptest! {
        #[test]
        fn every_distribution_of_a_plan_sums_to_one(
            counts in proptest::collection::vec(0..60_usize, 1..4),
            rates in proptest::collection::vec((0..3_usize, 0.0..=1.0_f64), 1..5),
            spread in 0.0..0.6_f64,
        ) {
            let services: Vec<_> = rates.iter().map(|(n, rate)| (SemenType::ALL[*n], *rate)).collect();
            let herds: Vec<_> = counts.iter().map(|count| plan(*count, &services, spread)).collect();
            let outcome = season(&herds, shares(0.485));
            let females = real(i64::try_from(counts.iter().sum::<usize>()).unwrap());
            for distribution in outcome.straws.values().chain([&outcome.pregnancies, &outcome.heifer_calves]) {
                prop_assert!((distribution.total() - 1.0).abs() < 1e-9);
            }
            prop_assert!(outcome.heifer_calves.mean() <= outcome.pregnancies.mean() + 1e-9);
            prop_assert!(outcome.pregnancies.mean() <= females + 1e-9);
            let straws: f64 = outcome.straws.values().map(Distribution::mean).sum();
            prop_assert!(straws + 1e-6 >= females, "each is served once at least");
            prop_assert!(straws <= females * real(i64::try_from(services.len()).unwrap()) + 1e-6);
        }
    }
}
