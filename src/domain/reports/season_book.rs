//! What the book knows of a season to come: who is to be served, and how services took so far.

use std::collections::BTreeMap;

use crate::domain::{
    animals::{
        choice::{Case, Class},
        groups::Groups,
        herd::Herd,
        history::AnimalEvent,
    },
    reports::{
        prior::{expected, published, remaining_sd},
        record::AnimalRecord,
        season::{PlannedFemales, PlannedHerd, PlannedService},
    },
    straws::semen::SemenType,
    values::{Day, HerdId, Timestamp},
};

/// Services with a known result: conceived, of how many; by class, type and service number, of which the third stands for
/// all that follow.
type Results = BTreeMap<(Class, SemenType, i64), (i64, i64)>;

/// What is known of one herd.
#[derive(Debug, Default)]
struct Known {
    heifers: usize,
    cows: usize,
    results: Results,
}

/// Goes through the animals of the herds.
#[derive(Debug)]
pub struct SeasonBook {
    starts_on: Day,
    now: Timestamp,
    herds: BTreeMap<HerdId, (Herd, Known)>,
}

/// What a caller says instead of what the book knows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Given {
    /// How many females of the class.
    pub count: Option<usize>,
    /// The types of their services.
    pub types: Option<Vec<SemenType>>,
    /// The conception rates of their services.
    pub conception: Option<Vec<f64>>,
}

impl SeasonBook {
    /// Begins with these herds.
    pub fn new(herds: Vec<Herd>, starts_on: Day, now: Timestamp) -> Self {
        let herds = herds.into_iter().map(|herd| (herd.id, (herd, Known::default())));
        Self { starts_on, now, herds: herds.collect() }
    }

    /// Takes up an animal: as one to be served, if she is, and her services as results.
    pub fn add(&mut self, animal: &AnimalRecord) {
        for heat in animal.heats() {
            let own = animal.services.get(heat.services.clone()).unwrap_or_default();
            let Some(first) = own.first() else { continue };
            let natural = heat.services.clone().any(|n| !animal.kind(n).takes_straw());
            let known = first.herd.and_then(|herd| self.herds.get_mut(&herd));
            if let (false, Some((_, known)), Some(semen_type), Some(conceived)) =
                (natural, known, first.semen_type, heat.conceived)
            {
                let key = (class_at(animal, heat.at), semen_type, first.service_number.clamp(1, 3));
                let result = known.results.entry(key).or_default();
                result.0 += i64::from(conceived);
                result.1 += 1;
            }
        }
        let Some((herd, known)) = self.herds.get_mut(&animal.herd) else { return };
        let zone = herd.details.time_zone;
        let is_here = animal.left_on.is_none_or(|left| left > self.now.day_in(zone).max(self.starts_on));
        let is_open = animal.history.pregnancy(self.now).is_none();
        let decided = animal.history.happenings.iter().rev();
        let mut decided = decided.filter_map(|(_, what)| match what {
            AnimalEvent::DoNotBreed { do_not_breed } => Some(*do_not_breed),
            _ => None,
        });
        let may_be_bred = !decided.next().unwrap_or(false);
        if !(is_here && is_open && may_be_bred) {
            return;
        }
        match class_at(animal, self.now) {
            Class::Cow => known.cows += 1,
            Class::Heifer => {
                let age = herd.details.first_service_days.get();
                if animal.born_on.is_none_or(|born| born.plus_days(age) <= self.starts_on) {
                    known.heifers += 1;
                }
            }
        }
    }

    /// The plan: of each herd by its own choice rule, with at most `services` of each female; what is `given` goes before.
    /// With a number of females the plan is of these, with the rule of the first herd.
    pub fn plan(&self, services: usize, spread: f64, given: &BTreeMap<Class, Given>) -> Vec<PlannedHerd> {
        let counted = given.values().any(|given| given.count.is_some());
        let nobody = (None, Known::default());
        let mut herds: Vec<(Option<&Herd>, &Known)> =
            self.herds.values().map(|(herd, known)| (Some(herd), known)).collect();
        if counted {
            herds.truncate(1);
            if herds.is_empty() {
                herds.push((nobody.0, &nobody.1));
            }
        }
        herds
            .into_iter()
            .map(|(herd, known)| {
                let females =
                    [(Class::Heifer, known.heifers), (Class::Cow, known.cows)].map(|(class, there)| {
                        let given = given.get(&class);
                        let there = if counted { 0 } else { there };
                        let count = given.and_then(|given| given.count).unwrap_or(there);
                        let services = self.services(herd, known, class, services, given);
                        PlannedFemales { class, count, services }
                    });
                let rates_are_given = given.values().any(|given| given.conception.is_some());
                let seen = known.results.iter().map(|((class, semen_type, service), (conceived, of))| {
                    (expected(published(*class, *semen_type, *service), *conceived, *of), *of)
                });
                let spread = if rates_are_given { spread } else { remaining_sd(spread, seen) };
                PlannedHerd { females: females.into(), spread }
            })
            .collect()
    }

    fn services(
        &self,
        herd: Option<&Herd>,
        known: &Known,
        class: Class,
        services: usize,
        given: Option<&Given>,
    ) -> Vec<PlannedService> {
        let types = given.and_then(|given| given.types.as_ref());
        let rates = given.and_then(|given| given.conception.as_ref());
        let lengths = [types.map(Vec::len), rates.map(Vec::len)];
        let services = lengths.into_iter().flatten().max().unwrap_or(services);
        let groups = Groups::default();
        let rule = herd.map(|herd| herd.details.choice_rule.clone()).unwrap_or_default();
        (1..)
            .take(services)
            .enumerate()
            .map(|(n, service_number)| {
                let case = Case {
                    service: service_number,
                    class,
                    lactation: i64::from(class == Class::Cow),
                    groups: &groups,
                    day: self.starts_on,
                };
                let by_rule =
                    || rule.allows(&case).semen_types.first().copied().unwrap_or(SemenType::Conventional);
                let semen_type = last_or(types, n).unwrap_or_else(by_rule);
                let (conceived, of) = known
                    .results
                    .get(&(class, semen_type, service_number.min(3)))
                    .copied()
                    .unwrap_or_default();
                let by_book = || expected(published(class, semen_type, service_number), conceived, of);
                let conception = last_or(rates, n).unwrap_or_else(by_book);
                PlannedService { service_number, semen_type, conception }
            })
            .collect()
    }

    /// Services with a known result of all herds.
    pub fn known_services(&self) -> i64 {
        self.herds.values().flat_map(|(_, known)| known.results.values()).map(|(_, of)| of).sum()
    }
}

/// The nth of a list, the last standing for all that follow.
fn last_or<T: Copy>(list: Option<&Vec<T>>, n: usize) -> Option<T> {
    list.and_then(|list| list.get(n).or(list.last())).copied()
}

fn class_at(animal: &AnimalRecord, at: Timestamp) -> Class {
    if animal.lactation(at) > 0 { Class::Cow } else { Class::Heifer }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::domain::{
        animals::{herd::HerdDetails, service_kind::ServiceKind},
        form::{self, InputPath},
        reports::fixture::{ai, animal, calved, day, id, pregnant},
        values::TimeZone,
    };

    fn herd() -> Herd {
        let details = json!({"name": "Lower Meadow", "time_zone": "UTC"});
        let details = form::read::<HerdDetails>(&details, &InputPath::body()).unwrap();
        Herd { id: HerdId(id(1)), details, created_at: day(0) }
    }

    #[test]
    fn open_females_are_counted_and_served_by_the_herds_rule() {
        let mut book = SeasonBook::new(vec![herd()], day(400).day_in(TimeZone::UTC), day(390));
        let sexed = |on| animal(&[(on, ai(1, 1, "A", SemenType::SexedFemale))], &[(on + 40, pregnant())]);
        // Pregnant; pregnant long ago; too young; left; not to be bred; open heifer; open cow.
        book.add(&sexed(340));
        let mut young = animal(&[], &[]);
        young.born_on = Some(day(100).day_in(TimeZone::UTC));
        book.add(&young);
        let mut left = animal(&[], &[]);
        left.left_on = Some(day(300).day_in(TimeZone::UTC));
        book.add(&left);
        book.add(&animal(&[], &[(10, AnimalEvent::DoNotBreed { do_not_breed: true })]));
        book.add(&animal(&[], &[]));
        book.add(&animal(&[], &[(380, calved())]));
        let [herd] = &book.plan(3, 0.32, &BTreeMap::new())[..] else { panic!("one herd") };
        let counts: Vec<_> = herd.females.iter().map(|females| (females.class, females.count)).collect();
        assert_eq!(counts, [(Class::Heifer, 1), (Class::Cow, 1)]);
        let types: Vec<_> = herd.females[0].services.iter().map(|service| service.semen_type).collect();
        assert_eq!(types, [SemenType::SexedFemale, SemenType::Conventional, SemenType::Conventional]);
        // One conception draws 45 % up by 0.55 / 38.7 (weight 37.7), and narrows the spread a little.
        let first = herd.females[0].services[0].conception;
        assert!((first - (0.45 + 0.55 / 38.67)).abs() < 1e-3, "{first}");
        assert!(herd.spread < 0.32 && herd.spread > 0.31);
    }

    #[test]
    fn who_leaves_before_the_season_is_not_planned_and_a_bulls_heat_is_no_result() {
        let mut book = SeasonBook::new(vec![herd()], day(400).day_in(TimeZone::UTC), day(390));
        let mut sold = animal(&[], &[]);
        sold.left_on = Some(day(395).day_in(TimeZone::UTC));
        book.add(&sold);
        // Inseminated, and the bull was with her in the same heat.
        let twice =
            [(340, ai(1, 1, "A", SemenType::SexedFemale)), (340, ai(1, 2, "A", SemenType::SexedFemale))];
        let mut both = animal(&twice, &[(380, pregnant())]);
        both.history.services[1].kind = ServiceKind::Natural;
        book.add(&both);
        let [herd] = &book.plan(3, 0.32, &BTreeMap::new())[..] else { panic!("one herd") };
        assert_eq!([herd.females[0].count, herd.females[1].count], [0, 0]);
        assert_eq!(book.known_services(), 0);
    }

    #[test]
    fn what_is_given_goes_before_what_is_known() {
        let book = SeasonBook::new(vec![herd()], day(400).day_in(TimeZone::UTC), day(390));
        let heifers = Given { count: Some(100), types: None, conception: Some(vec![0.5, 0.4]) };
        let plan = book.plan(3, 0.2, &BTreeMap::from([(Class::Heifer, heifers)]));
        assert_eq!((plan[0].females[0].count, plan[0].females[1].count, plan[0].spread), (100, 0, 0.2));
        let rates: Vec<_> = plan[0].females[0].services.iter().map(|service| service.conception).collect();
        assert_eq!(rates, [0.5, 0.4]);
    }
}
