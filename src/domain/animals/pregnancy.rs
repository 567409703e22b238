//! To which service a pregnancy check, a calving or an abortion belongs, and what is uncertain about her.
//!
//! What is reported late, too early or not at all is never numbered on in silence: it is said as a [`Doubt`].

use chrono::TimeDelta;

use crate::domain::{
    animals::{
        choice::Class,
        gestation,
        history::{AnimalEvent, AnimalHistory, CheckMethod, CheckResult, PastService, ServiceResult},
    },
    values::{HeatHours, TimeZone, Timestamp},
};

/// A calf that is born so many days after a service can be of it: means by breed are 278 to 292 days with a standard
/// deviation of 5-6 (Norman et al. 2009, J Dairy Sci 92:2259-2269; Nevada Extension).
pub const GESTATION_DAYS: std::ops::RangeInclusive<i64> = 260..=300;

/// How far the days of a pregnancy may be from a service to be of it: half a cycle of 21 days, beyond which another heat is
/// nearer (Extension; NZ AB series I).
const NEAR: TimeDelta = TimeDelta::days(10);

/// A normal cycle is 18-24 days, a short one 1-17 (Extension; NZ AB series I).
const SHORT_DAYS: std::ops::RangeInclusive<i64> = 1..=17;

/// The service to which something belongs, by its place in [`AnimalHistory::services`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fit {
    /// This one.
    Service(usize),
    /// This one at best: by that method it is too early for any.
    TooEarly(usize),
    /// None on record.
    Nothing,
}

impl Fit {
    /// The service, if it is certain.
    pub fn service(self) -> Option<usize> {
        match self {
            Self::Service(service) => Some(service),
            Self::TooEarly(_) | Self::Nothing => None,
        }
    }

    /// The service, for want of a better one too.
    fn at_best(self) -> Option<usize> {
        match self {
            Self::Service(service) | Self::TooEarly(service) => Some(service),
            Self::Nothing => None,
        }
    }
}

/// A pregnancy that a check found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pregnancy {
    /// When it was found.
    pub checked_at: Timestamp,
    /// The service to which it belongs.
    pub fit: Fit,
    /// When it began, as far as known.
    pub conceived_at: Option<Timestamp>,
    /// Whether more than one calf was seen.
    pub multiple: bool,
}

impl Pregnancy {
    /// When it is over in any case.
    fn over_at(self) -> Timestamp {
        self.conceived_at.unwrap_or(self.checked_at).plus(TimeDelta::days(*GESTATION_DAYS.end()))
    }
}

/// Something about her that is not certain.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Doubt {
    /// She was found pregnant so long ago that she calved or lost it; neither is on record.
    MissingCalving {
        /// When she was found pregnant.
        checked_at: Timestamp,
    },
    /// She was found pregnant and served again after that.
    ServedSinceCheck {
        /// When she was found pregnant.
        checked_at: Timestamp,
        /// When she was served.
        served_at: Timestamp,
    },
    /// A check found her pregnant of an earlier service than the last.
    EarlierFits {
        /// When.
        checked_at: Timestamp,
        /// The service that fits.
        fits_at: Timestamp,
        /// Her last.
        served_at: Timestamp,
    },
    /// A check was sooner after her last service than its method allows.
    CheckTooEarly {
        /// When.
        checked_at: Timestamp,
        /// How.
        method: CheckMethod,
        /// Her last service before it.
        served_at: Timestamp,
        /// Days between them.
        days: i64,
        /// Days that the method needs.
        reliable_from: i64,
        /// What it found.
        result: CheckResult,
    },
    /// A check found her pregnant, and no service on record fits.
    NoServiceFits {
        /// When.
        checked_at: Timestamp,
    },
    /// She is back sooner than a normal cycle.
    ShortReturn {
        /// Days since her last service.
        days: i64,
    },
}

impl Doubt {
    /// Whether it is about the check of that moment.
    pub fn is_of_check(&self, at: Timestamp) -> bool {
        match self {
            Self::EarlierFits { checked_at, .. }
            | Self::CheckTooEarly { checked_at, .. }
            | Self::NoServiceFits { checked_at } => *checked_at == at,
            Self::MissingCalving { .. } | Self::ServedSinceCheck { .. } | Self::ShortReturn { .. } => false,
        }
    }

    /// What a person is told, with days in the herd's zone.
    pub fn describe(&self, zone: TimeZone) -> String {
        let on = |at: &Timestamp| at.day_in(zone);
        match self {
            Self::MissingCalving { checked_at } => format!(
                "Uncertain: she was found pregnant on {}, so long ago that she must have calved or lost the calf, and neither is \
                 on record. Her service number counts on from before; report the calving or abortion.",
                on(checked_at)
            ),
            Self::ServedSinceCheck { checked_at, served_at } => format!(
                "Uncertain: she was found pregnant on {} and served again on {}. Have her checked before she is served once more.",
                on(checked_at),
                on(served_at)
            ),
            Self::EarlierFits { checked_at, fits_at, served_at } => format!(
                "The check of {} fits the service of {}, not her last of {}: she counts as pregnant of the earlier one.",
                on(checked_at),
                on(fits_at),
                on(served_at)
            ),
            Self::CheckTooEarly { checked_at, method, served_at, days, reliable_from, result } => {
                let meaning = if *result == CheckResult::Empty {
                    "may have conceived all the same"
                } else {
                    "may not be pregnant of it"
                };
                format!(
                    "Uncertain: the check of {} was {days} days after her service of {}, and {method} is reliable from \
                     {reliable_from} days. She {meaning}; check again.",
                    on(checked_at),
                    on(served_at)
                )
            }
            Self::NoServiceFits { checked_at } => format!(
                "Uncertain: she was found pregnant on {}, and no service on record fits. Report the service or mating.",
                on(checked_at)
            ),
            Self::ShortReturn { days } => format!(
                "She was served {days} days ago, sooner than a normal cycle of 18 to 24 days (short cycles 1-17 days: \
                 Extension; NZ AB series I); look at her again."
            ),
        }
    }
}

fn is_positive(what: &AnimalEvent) -> bool {
    matches!(what, AnimalEvent::PregnancyCheck { result: CheckResult::Pregnant | CheckResult::Multiple, .. })
}

/// What a pregnancy ends with, or a check that finds none.
fn ends_pregnancy(what: &AnimalEvent) -> bool {
    matches!(
        what,
        AnimalEvent::PregnancyCheck { result: CheckResult::Empty, .. }
            | AnimalEvent::Calving { .. }
            | AnimalEvent::Abortion { .. }
    )
}

impl AnimalHistory {
    /// The service to which what happened at `at` belongs, by how long after it that was.
    ///
    /// The days of the pregnancy decide where they are told; else the last service for which the check was not too early.
    /// A calving belongs to the service of the last positive check where its gestation fits, else to the last that fits; an
    /// abortion to the service of the last positive check, else to the last.
    pub fn fit(&self, at: Timestamp, what: &AnimalEvent) -> Fit {
        let last = || self.of_cycle_before(at).last();
        match what {
            AnimalEvent::PregnancyCheck { days_pregnant: Some(days), .. } => {
                let conceived_at = at.plus(-TimeDelta::days(days.get()));
                let off = |service: PastService| service.conceived_at().since(conceived_at).abs();
                let nearest = self.of_cycle_before(at).min_by_key(|(_, service)| off(*service));
                nearest
                    .filter(|(_, service)| off(*service) <= NEAR)
                    .map_or(Fit::Nothing, |(n, _)| Fit::Service(n))
            }
            AnimalEvent::PregnancyCheck { method, .. } => {
                let needed = self.reliable_from(*method, at);
                let days = |service: PastService| at.since(service.conceived_at()).num_days();
                let fits = self.of_cycle_before(at).filter(|(_, service)| days(*service) >= needed).last();
                match (fits, last()) {
                    (Some((_, service)), _) if days(service) > *GESTATION_DAYS.end() => Fit::Nothing,
                    (Some((n, _)), _) => Fit::Service(n),
                    (None, Some((n, _))) => Fit::TooEarly(n),
                    (None, None) => Fit::Nothing,
                }
            }
            AnimalEvent::Calving { .. } => {
                let days = |service: PastService| at.since(service.conceived_at()).num_days();
                let lasted = |service: PastService| GESTATION_DAYS.contains(&days(service));
                let checked = self.positive_before(at).and_then(|pregnancy| pregnancy.fit.at_best());
                let checked = checked.filter(|n| lasted(self.services[*n]));
                let fits = || self.of_cycle_before(at).filter(|(_, service)| lasted(*service)).last();
                // Born too soon, and alive at times.
                let soon = gestation::SHORTEST_DAYS..*GESTATION_DAYS.start();
                let early =
                    || self.of_cycle_before(at).filter(|(_, service)| soon.contains(&days(*service))).last();
                checked.or_else(|| fits().or_else(early).map(|(n, _)| n)).map_or(Fit::Nothing, Fit::Service)
            }
            AnimalEvent::Abortion { .. } => {
                let checked = self.positive_before(at).and_then(|pregnancy| pregnancy.fit.at_best());
                checked.or_else(|| last().map(|(n, _)| n)).map_or(Fit::Nothing, Fit::Service)
            }
            AnimalEvent::Heat { .. } | AnimalEvent::DoNotBreed { .. } => Fit::Nothing,
        }
    }

    /// What came of the service at `served`, and when that was known: the last word that belongs to it, else that she was
    /// served anew in another heat. Nothing when nothing is known yet.
    pub fn outcome(&self, served: Timestamp, same_heat: HeatHours) -> Option<(ServiceResult, Timestamp)> {
        let service = self.services.iter().position(|service| service.at == served)?;
        let words = self.happenings.iter().filter(|(when, _)| *when > served);
        let known =
            words.filter_map(|(when, what)| Some((self.result(*when, what, service)?, *when))).next_back();
        let window = TimeDelta::hours(same_heat.get());
        let again = self.services.iter().map(|next| next.at).find(|next| next.since(served) > window);
        known.or_else(|| again.map(|again| (ServiceResult::ServedAgain, again)))
    }

    /// What it says of that service.
    fn result(&self, when: Timestamp, what: &AnimalEvent, service: usize) -> Option<ServiceResult> {
        self.word(when, what).filter(|(of, _)| *of == service).map(|(_, result)| result)
    }

    /// Of which service it says what.
    fn word(&self, when: Timestamp, what: &AnimalEvent) -> Option<(usize, ServiceResult)> {
        let result = match what {
            AnimalEvent::PregnancyCheck { result: CheckResult::Pregnant | CheckResult::Multiple, .. } => {
                ServiceResult::Pregnant
            }
            AnimalEvent::PregnancyCheck { result: CheckResult::Empty, .. } => ServiceResult::Empty,
            AnimalEvent::Calving { .. } => ServiceResult::Calved,
            AnimalEvent::Abortion { .. } => ServiceResult::Aborted,
            _ => return None,
        };
        let fit = self.fit(when, what);
        // Too early to see a calf says nothing; a calf that was seen is there.
        let service = if result == ServiceResult::Empty { fit.service() } else { fit.at_best() };
        service.map(|service| (service, result))
    }

    /// What checks, calvings and abortions say of each service, each with when, in their order; the services stand in
    /// that of [`AnimalHistory::services`].
    pub fn words(&self) -> Vec<Vec<(Timestamp, ServiceResult)>> {
        let mut words = vec![Vec::new(); self.services.len()];
        for (when, what) in &self.happenings {
            if let Some((service, result)) = self.word(*when, what)
                && let Some(own) = words.get_mut(service)
            {
                own.push((*when, result));
            }
        }
        words
    }

    /// Whether more than one calf of that service was seen or born.
    pub fn is_multiple(&self, service: usize) -> bool {
        self.happenings.iter().any(|(when, what)| {
            let several = match what {
                AnimalEvent::PregnancyCheck { result, .. } => *result == CheckResult::Multiple,
                AnimalEvent::Calving { calves } => calves.is_some_and(|calves| calves.get() > 1),
                _ => false,
            };
            several && self.fit(*when, what).at_best() == Some(service)
        })
    }

    /// The pregnancy in which she is at `at`: found by a check, not ended since, and not over for its length.
    pub fn pregnancy(&self, at: Timestamp) -> Option<Pregnancy> {
        self.found(at).filter(|pregnancy| at <= pregnancy.over_at())
    }

    /// The pregnancy that the last word on it found, however long ago.
    fn found(&self, at: Timestamp) -> Option<Pregnancy> {
        let until_then = self.happenings.iter().take_while(|(when, _)| *when <= at);
        let (when, what) = until_then.filter(|(_, what)| is_positive(what) || ends_pregnancy(what)).last()?;
        is_positive(what).then(|| self.pregnancy_of(*when, what))
    }

    fn pregnancy_of(&self, when: Timestamp, what: &AnimalEvent) -> Pregnancy {
        let fit = self.fit(when, what);
        let (days, result) = match what {
            AnimalEvent::PregnancyCheck { days_pregnant, result, .. } => (*days_pregnant, *result),
            _ => (None, CheckResult::Unknown),
        };
        let told = days.map(|days| when.plus(-TimeDelta::days(days.get())));
        let conceived_at = fit.at_best().map(|n| self.services[n].conceived_at()).or(told);
        Pregnancy { checked_at: when, fit, conceived_at, multiple: result == CheckResult::Multiple }
    }

    /// What a check found before `at`, in the cycle that ends there.
    fn positive_before(&self, at: Timestamp) -> Option<Pregnancy> {
        let opened = self.cycle_before(at);
        let mut words = self.happenings.iter().rev().filter(|(when, _)| *when < at);
        let (when, what) = words.find(|(_, what)| is_positive(what) || ends_pregnancy(what))?;
        (is_positive(what) && opened.is_none_or(|open| *when >= open)).then(|| self.pregnancy_of(*when, what))
    }

    /// The services before `at` of the cycle that lasts until then.
    fn of_cycle_before(&self, at: Timestamp) -> impl Iterator<Item = (usize, PastService)> {
        let opened = self.cycle_before(at);
        let services = self.services.iter().copied().enumerate();
        services.filter(move |(_, s)| s.at <= at && opened.is_none_or(|open| s.at > open))
    }

    /// When the cycle began that lasts until `at`; what ends it then does not count.
    fn cycle_before(&self, at: Timestamp) -> Option<Timestamp> {
        let mut before = self.happenings.iter().rev();
        before.find(|(when, what)| *when < at && what.opens_cycle()).map(|(when, _)| *when)
    }

    /// From how many days on a check by that method is reliable; of a method without a figure, always.
    fn reliable_from(&self, method: CheckMethod, at: Timestamp) -> i64 {
        let calved = self
            .happenings
            .iter()
            .any(|(when, what)| *when < at && matches!(what, AnimalEvent::Calving { .. }));
        let class = if calved { Class::Cow } else { Class::Heifer };
        gestation::reliable_from(method, class).map_or(0, |(days, _)| days)
    }

    /// What is uncertain about her at `at`, from what is on record up to then.
    pub fn doubts(&self, at: Timestamp, same_heat: HeatHours) -> Vec<Doubt> {
        let last = self.of_cycle_before(at).last().map(|(_, service)| service);
        let mut doubts = Vec::new();
        doubts.extend(self.missing_calving(at));
        if let (Some(pregnancy), Some(last)) = (self.pregnancy(at), last) {
            let checked_at = pregnancy.checked_at;
            if last.at > checked_at {
                doubts.push(Doubt::ServedSinceCheck { checked_at, served_at: last.at });
            } else if let Some(fits) =
                pregnancy.fit.service().map(|n| self.services[n]).filter(|fits| fits.at < last.at)
            {
                doubts.push(Doubt::EarlierFits { checked_at, fits_at: fits.at, served_at: last.at });
            }
        }
        if let Some(pregnancy) = self.pregnancy(at).filter(|pregnancy| pregnancy.fit == Fit::Nothing) {
            doubts.push(Doubt::NoServiceFits { checked_at: pregnancy.checked_at });
        }
        doubts.extend(self.last_check_too_early(at));
        if let Some(last) = last {
            let (days, window) = (at.since(last.at).num_days(), TimeDelta::hours(same_heat.get()));
            if SHORT_DAYS.contains(&days) && at.since(last.at) > window {
                doubts.push(Doubt::ShortReturn { days });
            }
        }
        doubts
    }

    /// A pregnancy of this cycle that was followed by a service, or by nothing, for longer than a cow carries.
    fn missing_calving(&self, at: Timestamp) -> Option<Doubt> {
        let opened = self.cycle_before(at);
        let up_to = |when: &Timestamp| *when <= at && opened.is_none_or(|open| *when >= open);
        self.happenings.iter().filter(|(when, what)| up_to(when) && is_positive(what)).find_map(
            |(when, what)| {
                let pregnancy = self.pregnancy_of(*when, what);
                let ended =
                    self.happenings.iter().find(|(later, what)| *later > *when && ends_pregnancy(what));
                let until = ended.map(|(ended, _)| *ended).filter(|ended| *ended <= at);
                let begun = pregnancy.conceived_at.unwrap_or(*when);
                let too_late = |service: &&PastService| {
                    service.at <= until.unwrap_or(at)
                        && service.at.since(begun) > TimeDelta::days(*GESTATION_DAYS.start())
                };
                let served = self.services.iter().any(|service| too_late(&service));
                let over = until.is_none() && at > pregnancy.over_at();
                (served || over).then_some(Doubt::MissingCalving { checked_at: *when })
            },
        )
    }

    /// The last check, when it was too early for the last service before it and none followed.
    fn last_check_too_early(&self, at: Timestamp) -> Option<Doubt> {
        let until_then = self.happenings.iter().take_while(|(when, _)| *when <= at);
        let (checked_at, what) =
            until_then.filter(|(_, what)| is_positive(what) || ends_pregnancy(what)).last()?;
        let AnimalEvent::PregnancyCheck { method, result, days_pregnant } = what else { return None };
        let (n, last) = self.of_cycle_before(*checked_at).last()?;
        // Another service fits a positive check, or the days of the pregnancy say which one.
        let is_settled =
            is_positive(what) && (self.fit(*checked_at, what) != Fit::TooEarly(n) || days_pregnant.is_some());
        let (days, needed) =
            (checked_at.since(last.conceived_at()).num_days(), self.reliable_from(*method, *checked_at));
        let followed = self.services.iter().any(|service| service.at > *checked_at && service.at <= at);
        (!is_settled && !followed && days < needed).then_some(Doubt::CheckTooEarly {
            checked_at: *checked_at,
            method: *method,
            served_at: last.at,
            days,
            reliable_from: needed,
            result: *result,
        })
    }
}

#[cfg(test)]
mod tests {
    use chrono::{TimeZone as _, Utc};

    use super::*;
    use crate::domain::{
        animals::service_kind::ServiceKind,
        values::{Calves, PregnancyDays},
    };

    fn at(day: i64) -> Timestamp {
        Timestamp::from(Utc.with_ymd_and_hms(2026, 1, 1, 8, 0, 0).unwrap()).plus(TimeDelta::days(day))
    }

    fn two_days() -> HeatHours {
        HeatHours::new(48).unwrap()
    }

    fn check(method: CheckMethod, result: CheckResult, days: Option<i64>) -> AnimalEvent {
        AnimalEvent::PregnancyCheck { method, result, days_pregnant: days.and_then(PregnancyDays::new) }
    }

    fn scanned(result: CheckResult) -> AnimalEvent {
        check(CheckMethod::Ultrasound, result, None)
    }

    fn calving(calves: Option<i64>) -> AnimalEvent {
        AnimalEvent::Calving { calves: calves.and_then(Calves::new) }
    }

    fn history(services: &[i64], happenings: &[(i64, AnimalEvent)]) -> AnimalHistory {
        AnimalHistory {
            services: services
                .iter()
                .map(|day| PastService { at: at(*day), kind: ServiceKind::Ai })
                .collect(),
            happenings: happenings.iter().map(|(day, what)| (at(*day), what.clone())).collect(),
        }
    }

    fn fit(services: &[i64], day: i64, what: &AnimalEvent) -> Fit {
        history(services, &[(day, what.clone())]).fit(at(day), what)
    }

    #[test]
    fn the_days_of_a_pregnancy_decide_which_service_it_is_of() {
        // Services on day 0 and 21, palpation on day 56 that says 8 weeks: day 0.
        let palpated = |days| check(CheckMethod::Palpation, CheckResult::Pregnant, days);
        assert_eq!(fit(&[0, 21], 56, &palpated(Some(56))), Fit::Service(0));
        assert_eq!(fit(&[0, 21], 56, &palpated(Some(35))), Fit::Service(1));
        // Without them the last service that is old enough: palpation 35-45 d (Texas A&M / CSU report).
        assert_eq!(fit(&[0, 21], 56, &palpated(None)), Fit::Service(1));
        assert_eq!(fit(&[0, 21], 55, &palpated(None)), Fit::Service(0));
        assert_eq!(
            fit(&[0], 56, &palpated(Some(90))),
            Fit::Nothing,
            "another mating, which is not on record"
        );
    }

    #[test]
    fn a_check_sooner_than_its_method_allows_is_too_early() {
        // Ultrasound from day 26 in heifers, 29 in cows (Prairie View A&M, 1,400 scans).
        let pregnant = scanned(CheckResult::Pregnant);
        assert_eq!(fit(&[0], 26, &pregnant), Fit::Service(0));
        assert_eq!(fit(&[0], 25, &pregnant), Fit::TooEarly(0));
        let cow =
            |day| history(&[0], &[(-90, calving(None)), (day, pregnant.clone())]).fit(at(day), &pregnant);
        assert_eq!((cow(28), cow(29)), (Fit::TooEarly(0), Fit::Service(0)));
        // Too early for the second service, it is of the first.
        assert_eq!(fit(&[0, 21], 40, &pregnant), Fit::Service(0));
    }

    #[test]
    fn a_calving_belongs_to_the_service_whose_gestation_fits() {
        // 260-300 d around the breeds' means of 278-292 d (Norman et al. 2009; Nevada Extension).
        assert_eq!(fit(&[0, 21], 279, &calving(None)), Fit::Service(0), "258 days after the second");
        assert_eq!(
            fit(&[0, 21], 290, &calving(None)),
            Fit::Service(1),
            "both fit; she returned to the second"
        );
        let checked =
            [(60, check(CheckMethod::Palpation, CheckResult::Pregnant, Some(60))), (290, calving(None))];
        assert_eq!(
            history(&[0, 21], &checked).fit(at(290), &calving(None)),
            Fit::Service(0),
            "the check says so"
        );
        assert_eq!(fit(&[0], 301, &calving(None)), Fit::Nothing);
        assert_eq!(fit(&[0], 245, &calving(None)), Fit::Service(0), "born too soon");
        assert_eq!(fit(&[0], 239, &calving(None)), Fit::Nothing);
    }

    #[test]
    fn an_embryo_counts_from_seven_days_before_it_went_in() {
        let transfer = PastService { at: at(7), kind: ServiceKind::EmbryoTransfer };
        let her = AnimalHistory { services: vec![transfer], ..history(&[], &[]) };
        // 26 days after conception, 19 after the transfer.
        assert_eq!(her.fit(at(26), &scanned(CheckResult::Pregnant)), Fit::Service(0));
        assert_eq!(her.fit(at(25), &scanned(CheckResult::Pregnant)), Fit::TooEarly(0));
    }

    #[test]
    fn a_services_outcome_is_the_last_word_that_belongs_to_it() {
        let told = |services: &[i64], happenings: &[(i64, AnimalEvent)], of: i64| {
            let told = history(services, happenings).outcome(at(of), two_days());
            told.map(|(outcome, when)| (outcome, when.since(at(0)).num_days()))
        };
        let pregnant = (30, scanned(CheckResult::Pregnant));
        assert_eq!(told(&[0, 21], std::slice::from_ref(&pregnant), 0), Some((ServiceResult::Pregnant, 30)));
        assert_eq!(told(&[0, 21], &[pregnant], 21), None);
        let early = (20, scanned(CheckResult::Empty));
        assert_eq!(told(&[0], &[early], 0), None, "too early to say so");
        assert_eq!(told(&[0], &[(300, calving(None))], 0), Some((ServiceResult::Calved, 300)));
        assert_eq!(told(&[0], &[(301, calving(None))], 0), None);
    }

    #[test]
    fn another_window_of_the_herd_makes_another_outcome() {
        let twice = history(&[0, 3], &[]);
        assert_eq!(twice.outcome(at(0), two_days()), Some((ServiceResult::ServedAgain, at(3))));
        assert_eq!(twice.outcome(at(0), HeatHours::new(72).unwrap()), None, "the same heat there");
    }

    #[test]
    fn a_pregnancy_is_over_after_300_days_and_then_a_calving_is_missing() {
        let her = history(&[0], &[(30, scanned(CheckResult::Pregnant))]);
        assert!(her.pregnancy(at(300)).is_some());
        assert_eq!(her.doubts(at(300), two_days()), []);
        assert_eq!(her.pregnancy(at(301)), None);
        assert_eq!(her.doubts(at(301), two_days()), [Doubt::MissingCalving { checked_at: at(30) }]);
        let served = history(
            &[0, 340, 361],
            &[(30, scanned(CheckResult::Pregnant)), (350, scanned(CheckResult::Empty))],
        );
        assert!(served.doubts(at(362), two_days()).contains(&Doubt::MissingCalving { checked_at: at(30) }));
        let calved = history(&[0, 340], &[(30, scanned(CheckResult::Pregnant)), (280, calving(None))]);
        assert_eq!(calved.doubts(at(361), two_days()), []);
    }

    #[test]
    fn what_is_uncertain_is_said() {
        let doubts = |services: &[i64], happenings: &[(i64, AnimalEvent)], day| {
            history(services, happenings).doubts(at(day), two_days())
        };
        let pregnant = |day| (day, scanned(CheckResult::Pregnant));
        assert_eq!(
            doubts(&[0, 60], &[pregnant(30)], 85),
            [Doubt::ServedSinceCheck { checked_at: at(30), served_at: at(60) }]
        );
        assert_eq!(
            doubts(&[0, 21], &[pregnant(40)], 45),
            [Doubt::EarlierFits { checked_at: at(40), fits_at: at(0), served_at: at(21) }]
        );
        assert!(matches!(
            doubts(&[0], &[(20, scanned(CheckResult::Empty))], 21)[..],
            [Doubt::CheckTooEarly { days: 20, reliable_from: 26, .. }]
        ));
        assert_eq!(doubts(&[], &[pregnant(30)], 40), [Doubt::NoServiceFits { checked_at: at(30) }]);
        // Short cycles 1-17 d, normal 18-24 d (Extension; NZ AB series I).
        assert_eq!(doubts(&[0], &[], 17), [Doubt::ShortReturn { days: 17 }]);
        assert_eq!(doubts(&[0], &[], 18), []);
        assert_eq!(doubts(&[0], &[], 1), [], "the same heat");
    }

    #[test]
    fn twins_are_of_the_service_that_fits() {
        let seen =
            history(&[0, 21], &[(60, check(CheckMethod::Ultrasound, CheckResult::Multiple, Some(60)))]);
        assert!(seen.is_multiple(0) && !seen.is_multiple(1));
        let born = history(&[0], &[(276, calving(Some(2)))]);
        assert!(born.is_multiple(0));
        assert!(!history(&[0], &[(276, calving(Some(1)))]).is_multiple(0));
    }
}
