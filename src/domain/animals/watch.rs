//! What to watch: returns to heat, pregnancy checks, calvings, and cows that nobody has served.
//!
//! Derived from what is on record, as everything about an animal. Days are those of her herd.

use std::collections::HashMap;

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::{
            gestation::EarliestCheck,
            history::{AnimalEvent, AnimalHistory, PastService, ServiceResult},
            service::{FollowUp, Served},
            timed_protocol::{ProtocolStart, WatchedStep},
        },
        values::{AnimalId, Code, Day, Days, HeatHours, HerdId, Name, ServiceId, TimeZone, Timestamp},
    },
    text_enum,
};

text_enum! {
    /// What is to be watched.
    WatchKind {
        /// Whether she comes back into heat.
        ReturnToHeat = "return_to_heat",
        /// Whether she is pregnant.
        PregnancyCheck = "pregnancy_check",
        /// Whether she still is.
        Recheck = "recheck",
        /// Her calving.
        Calving = "calving",
        /// The waiting period is over and nobody has served her.
        FirstService = "first_service",
        /// A step of a timed protocol.
        ProtocolStep = "protocol_step",
    }
}

text_enum! {
    /// Where today lies.
    WatchState {
        /// Before its first day.
        Coming = "coming",
        /// In its days.
        Due = "due",
        /// After its last day.
        Overdue = "overdue",
    }
}

/// Something to watch of one animal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct WatchItem {
    /// What.
    pub kind: WatchKind,
    /// Where today lies.
    pub state: WatchState,
    /// Her herd.
    pub herd_id: HerdId,
    /// What it is called.
    pub herd_name: Name,
    /// The animal.
    pub animal_id: AnimalId,
    /// Her number in her herd.
    pub animal_number: Code,
    /// The first day.
    pub from_on: Day,
    /// The likeliest day, or the day from which on it can be done.
    pub on: Day,
    /// The last day, where there is one; after it the item is overdue, or gone.
    pub to_on: Option<Day>,
    /// The service that it follows from.
    pub service_id: Option<ServiceId>,
    /// `protocol_step`: which one, at which hour, and who answers for it.
    pub protocol: Option<WatchedStep>,
    /// `pregnancy_check`: from when on each method can be trusted.
    pub checks: Vec<EarliestCheck>,
    /// Why, in words.
    #[schema(max_length = 1000)]
    pub reason: String,
    /// Where the days come from.
    #[schema(max_length = 500)]
    pub source: String,
}

/// A service, its id, and the breed of its sire.
pub type SiredService = (PastService, ServiceId, Option<Code>);

/// An animal with what is on record of her.
#[derive(Clone, Debug)]
pub struct Watched {
    /// Her id.
    pub id: AnimalId,
    /// Her number in her herd.
    pub number: Code,
    /// Her herd.
    pub herd_id: HerdId,
    /// What it is called.
    pub herd_name: Name,
    /// Its time zone.
    pub time_zone: TimeZone,
    /// Days after a calving until she is to be served.
    pub waiting_days: Days,
    /// Hours within which inseminations are one service.
    pub same_heat_hours: HeatHours,
    /// What happened to her.
    pub history: AnimalHistory,
    /// Her services that count, in order of time, each with the breed of its sire.
    pub services: Vec<SiredService>,
}

/// Days after the last one for which a recheck that nobody made is still told (no source).
const RECHECK_MISSED_DAYS: i64 = 30;

/// The last day of the methods whose days are published, after the service: palpation, 35-45 days (Texas A&M / CSU report).
const CHECK_UNTIL_DAYS: i64 = 45;

/// Days on either side of the day she is due: twice the standard deviation of 5-6 days (Norman et al. 2009, J Dairy Sci
/// 92:2259-2269).
const CALVING_SPREAD_DAYS: i64 = 12;

/// Days after the last one for which a calving that nobody reported is still told; then it will not come any more, and the
/// record is what is wrong (no source).
const CALVING_MISSED_DAYS: i64 = 60;

impl Watched {
    /// Adds a service, after those before it.
    pub fn served(&mut self, service: PastService, id: ServiceId, sire_breed: Option<Code>) {
        self.history.services.push(service);
        self.services.push((service, id, sire_breed));
    }

    /// What is on record last of her up to `now`, in words.
    pub fn last_word(&self, now: Timestamp) -> Option<String> {
        let served = self.history.services.iter().rev().find(|service| service.at <= now);
        let happened = self.history.happenings.iter().rev().find(|(at, _)| *at <= now);
        let (at, what) = match (served, happened) {
            (Some(service), Some((at, _))) if service.at >= *at => (service.at, "served"),
            (Some(service), None) => (service.at, "served"),
            (_, Some((at, what))) => (*at, what.in_words()),
            (None, None) => return None,
        };
        Some(format!("{what} on {}", at.day_in(self.time_zone)))
    }

    /// What is to be watched of her at `now`, with what begins up to `until`.
    pub fn items(&self, now: Timestamp, until: Day) -> Vec<WatchItem> {
        let status = self.history.standing(now, self.same_heat_hours);
        let mut items = match status.served_at.and_then(|served_at| self.service_at(served_at)) {
            Some((place, (service, id, breed))) => {
                let served = Served {
                    served_at: service.at,
                    kind: service.kind,
                    time_zone: self.time_zone,
                    calved_at: status.calved_at,
                    sire_breed: breed.clone(),
                    is_multiple: self.history.is_multiple(place),
                };
                self.after_service(*id, service.at, &FollowUp::from(served), now)
            }
            None => self.unserved(status.calved_at).into_iter().collect(),
        };
        if status.do_not_breed_since.is_some() {
            items.retain(|item| !matches!(item.kind, WatchKind::ReturnToHeat | WatchKind::FirstService));
        }
        let today = now.day_in(self.time_zone);
        items.retain(|item| item.from_on <= until);
        for item in &mut items {
            item.state = match item.to_on {
                _ if today < item.from_on => WatchState::Coming,
                Some(last) if today > last => WatchState::Overdue,
                _ => WatchState::Due,
            };
        }
        items
    }

    fn service_at(&self, at: Timestamp) -> Option<(usize, &SiredService)> {
        self.services.iter().enumerate().rev().find(|(_, (service, ..))| service.at == at)
    }

    fn after_service(
        &self,
        id: ServiceId,
        served_at: Timestamp,
        follow_up: &FollowUp,
        now: Timestamp,
    ) -> Vec<WatchItem> {
        let (served_on, today) = (served_at.day_in(self.time_zone), now.day_in(self.time_zone));
        let outcome = self.history.outcome(served_at, self.same_heat_hours).map(|(outcome, _)| outcome);
        let item = |kind| WatchItem { service_id: Some(id), ..self.item(kind, served_on) };
        let mut items = Vec::new();
        let due = &follow_up.due;
        match outcome {
            None => {
                let watch = &follow_up.return_watch;
                if today <= watch.to_on {
                    items.push(WatchItem {
                        from_on: watch.from_on,
                        on: watch.mean_on,
                        to_on: Some(watch.to_on),
                        reason: format!(
                            "Served on {served_on}: if she is not pregnant she comes into heat again."
                        ),
                        source: watch.source.to_owned(),
                        ..item(WatchKind::ReturnToHeat)
                    });
                }
                let first = follow_up.pregnancy_checks.iter().min_by_key(|check| check.earliest_on);
                if let Some(first) = first.filter(|_| today <= due.due_on) {
                    items.push(WatchItem {
                        from_on: first.earliest_on,
                        on: first.earliest_on,
                        to_on: Some(served_on.plus_days(CHECK_UNTIL_DAYS)),
                        checks: follow_up.pregnancy_checks.clone(),
                        reason: format!("Served on {served_on}, and no result is on record."),
                        source: first.source.to_owned(),
                        ..item(WatchKind::PregnancyCheck)
                    });
                }
            }
            Some(ServiceResult::Pregnant) => {
                let (from_on, to_on) = (follow_up.recheck.from_on, follow_up.recheck.to_on);
                if !self.was_checked(from_on) && today <= to_on.plus_days(RECHECK_MISSED_DAYS) {
                    items.push(WatchItem {
                        from_on,
                        on: from_on,
                        to_on: Some(to_on),
                        reason: format!(
                            "Served on {served_on} and found pregnant: see whether she still is."
                        ),
                        source: follow_up.recheck.source.to_owned(),
                        ..item(WatchKind::Recheck)
                    });
                }
            }
            Some(_) => return items,
        }
        let last = due.due_on.plus_days(CALVING_SPREAD_DAYS);
        if today <= last.plus_days(CALVING_MISSED_DAYS) {
            let known = if outcome.is_some() { "and found pregnant" } else { "and never found empty" };
            items.push(WatchItem {
                from_on: due.due_on.plus_days(-CALVING_SPREAD_DAYS),
                on: due.due_on,
                to_on: Some(last),
                reason: format!("Served on {served_on} {known}: due after {} days.", due.days),
                source: due.source.clone(),
                ..item(WatchKind::Calving)
            });
        }
        items
    }

    /// Whether a pregnancy check was made on that day or later.
    fn was_checked(&self, since: Day) -> bool {
        self.history.happenings.iter().any(|(at, what)| {
            matches!(what, AnimalEvent::PregnancyCheck { .. }) && at.day_in(self.time_zone) >= since
        })
    }

    /// A cow whose waiting period ends.
    fn unserved(&self, calved_at: Option<Timestamp>) -> Option<WatchItem> {
        let calved_on = calved_at?.day_in(self.time_zone);
        let days = self.waiting_days;
        let from_on = calved_on.plus_days(days.get());
        Some(WatchItem {
            reason: format!(
                "Calved on {calved_on}: the waiting period of {days} days ends, and she was not served since."
            ),
            source: "the herd's own waiting period".to_owned(),
            ..self.item(WatchKind::FirstService, from_on)
        })
    }

    fn item(&self, kind: WatchKind, on: Day) -> WatchItem {
        WatchItem {
            kind,
            state: WatchState::Coming,
            herd_id: self.herd_id,
            herd_name: self.herd_name.clone(),
            animal_id: self.id,
            animal_number: self.number.clone(),
            from_on: on,
            on,
            to_on: None,
            service_id: None,
            protocol: None,
            checks: Vec::new(),
            reason: String::new(),
            source: String::new(),
        }
    }
}

/// Starts as they stand by what is on record of these animals.
pub fn as_they_stand(starts: Vec<ProtocolStart>, animals: &[Watched], now: Timestamp) -> Vec<ProtocolStart> {
    let histories: HashMap<AnimalId, &AnimalHistory> =
        animals.iter().map(|animal| (animal.id, &animal.history)).collect();
    let empty = AnimalHistory::default();
    let stands = |start: ProtocolStart| {
        let history = histories.get(&start.animal_id).copied().unwrap_or(&empty);
        start.at(history, now)
    };
    starts.into_iter().map(stands).collect()
}

/// What is to be watched of all of these, the earliest first; with the steps of the timed protocols that began for some.
pub fn all(
    animals: &[Watched],
    starts: Vec<ProtocolStart>,
    now: Timestamp,
    until: impl Fn(Day) -> Day,
) -> Vec<WatchItem> {
    let of = |animal: &Watched| animal.items(now, until(now.day_in(animal.time_zone)));
    let mut items: Vec<_> = animals.iter().flat_map(of).collect();
    for start in as_they_stand(starts, animals, now) {
        items.extend(start.items(now, until(now.day_in(start.time_zone))));
    }
    items.sort_by_cached_key(|item| {
        (item.from_on, item.herd_id, item.animal_number.clone(), item.animal_id, item.kind)
    });
    items
}

#[cfg(test)]
mod tests {
    use chrono::{TimeDelta, TimeZone as _, Utc};

    use super::*;
    use crate::domain::animals::{
        history::{CheckMethod, CheckResult},
        service_kind::ServiceKind,
    };

    fn day(text: &str) -> Day {
        Day(text.parse().unwrap())
    }

    fn noon(text: &str) -> Timestamp {
        let day = day(text).0;
        Timestamp::from(Utc.from_utc_datetime(&day.and_hms_opt(12, 0, 0).unwrap()))
    }

    fn ai(on: &str) -> PastService {
        PastService { at: noon(on), kind: ServiceKind::Ai }
    }

    fn check(on: &str, result: CheckResult) -> (Timestamp, AnimalEvent) {
        let what = serde_json::json!({"kind": "pregnancy_check", "method": CheckMethod::Ultrasound, "result": result});
        (noon(on), serde_json::from_value(what).unwrap())
    }

    fn calving(on: &str) -> (Timestamp, AnimalEvent) {
        (noon(on), serde_json::from_value(serde_json::json!({"kind": "calving"})).unwrap())
    }

    fn animal(zone: &str, services: &[Timestamp], happenings: Vec<(Timestamp, AnimalEvent)>) -> Watched {
        let mut watched = Watched {
            id: AnimalId::new(),
            number: Code::parse("412").unwrap(),
            herd_id: HerdId::new(),
            herd_name: Name::parse("Lower Meadow").unwrap(),
            time_zone: TimeZone(zone.parse().unwrap()),
            waiting_days: Days::WAITING,
            same_heat_hours: HeatHours::DEFAULT,
            history: AnimalHistory::default(),
            services: Vec::new(),
        };
        watched.history.happenings = happenings;
        for at in services {
            let service = PastService { at: *at, kind: ServiceKind::Ai };
            watched.served(service, ServiceId::new(), Some(Code::parse("HOL").unwrap()));
        }
        watched
    }

    fn told(animal: &Watched, now: &str, until: &str) -> Vec<(WatchKind, WatchState, String)> {
        let items = animal.items(noon(now), day(until));
        items.into_iter().map(|item| (item.kind, item.state, item.on.to_string())).collect()
    }

    #[test]
    fn a_return_is_watched_from_day_18_to_24() {
        // 18-24 d, mean 21: Extension; NZ AB series I. Across 29 February: 10 February 2028 + 21 d is 2 March.
        let heifer = animal("UTC", &[noon("2028-02-10")], vec![]);
        let returning = |now: &str, until: &str| {
            let items = told(&heifer, now, until);
            items.into_iter().find(|item| item.0 == WatchKind::ReturnToHeat).map(|item| (item.1, item.2))
        };
        assert_eq!(returning("2028-02-20", "2028-02-27"), None);
        assert_eq!(
            returning("2028-02-20", "2028-02-28"),
            Some((WatchState::Coming, "2028-03-02".to_owned()))
        );
        assert_eq!(returning("2028-02-28", "2028-02-28").unwrap().0, WatchState::Due);
        assert_eq!(returning("2028-03-05", "2028-03-10").unwrap().0, WatchState::Due);
        assert_eq!(
            returning("2028-03-06", "2028-03-10"),
            None,
            "the days are over: she is checked for pregnancy"
        );
    }

    #[test]
    fn a_check_is_due_until_there_is_a_result() {
        let open = animal("UTC", &[noon("2026-03-01")], vec![]);
        let kinds = |animal: &Watched, now| {
            told(animal, now, "2026-12-31").into_iter().map(|item| (item.0, item.1)).collect::<Vec<_>>()
        };
        assert!(kinds(&open, "2026-04-12").contains(&(WatchKind::PregnancyCheck, WatchState::Due)));
        // Palpation 35-45 d: Texas A&M / CSU report; 45 d after 1 March is 15 April.
        assert!(kinds(&open, "2026-04-16").contains(&(WatchKind::PregnancyCheck, WatchState::Overdue)));
        let checks = &open.items(noon("2026-04-12"), day("2026-12-31"))[0].checks;
        assert!(checks.iter().any(|check| check.method == CheckMethod::Palpation && check.earliest_on == day("2026-04-05")));
        let empty = animal("UTC", &[noon("2026-03-01")], vec![check("2026-04-10", CheckResult::Empty)]);
        assert_eq!(kinds(&empty, "2026-04-12"), []);
        let unclear = animal("UTC", &[noon("2026-03-01")], vec![check("2026-04-10", CheckResult::Unknown)]);
        assert!(kinds(&unclear, "2026-04-12").contains(&(WatchKind::PregnancyCheck, WatchState::Due)));
    }

    #[test]
    fn a_pregnancy_is_looked_at_again_and_ends_with_a_calving() {
        // Rechecks about day 60-90: JDS Communications 2023, 4:144-148. Holstein heifer 277.8 d, rounded 278: Norman et al. 2009.
        let found = vec![check("2026-04-10", CheckResult::Pregnant)];
        let pregnant = animal("UTC", &[noon("2026-03-01")], found.clone());
        assert_eq!(
            told(&pregnant, "2026-05-01", "2026-12-31"),
            [
                (WatchKind::Recheck, WatchState::Due, "2026-04-30".to_owned()),
                (WatchKind::Calving, WatchState::Coming, "2026-12-04".to_owned()),
            ]
        );
        assert_eq!(told(&pregnant, "2026-05-31", "2026-05-31")[0].1, WatchState::Overdue);
        let again = [found, vec![check("2026-05-10", CheckResult::Pregnant)]].concat();
        let again = animal("UTC", &[noon("2026-03-01")], again);
        assert_eq!(told(&again, "2026-05-20", "2026-11-21"), []);
        assert_eq!(told(&again, "2026-12-04", "2026-12-04")[0].1, WatchState::Due);
        assert_eq!(told(&again, "2026-12-17", "2026-12-31")[0].1, WatchState::Overdue);
        let mut calved = again;
        calved.history.happenings.push(calving("2026-12-06"));
        assert_eq!(
            told(&calved, "2027-01-20", "2027-01-25"),
            [(WatchKind::FirstService, WatchState::Coming, "2027-01-25".to_owned())]
        );
        assert_eq!(told(&calved, "2027-01-20", "2027-01-24"), [], "50 days are not over");
        calved.served(ai("2027-01-26"), ServiceId::new(), None);
        assert!(told(&calved, "2027-01-27", "2027-01-28").is_empty());
    }

    #[test]
    fn days_are_those_of_the_herd_across_daylight_saving() {
        // 23:30 UTC on 1 March is 2 March in Vienna; the clocks go forward on 29 March 2026 (Directive 2000/84/EC).
        let late = noon("2026-03-01").plus(TimeDelta::minutes(11 * 60 + 30));
        let on = |zone| animal(zone, &[late], vec![]).items(noon("2026-03-20"), day("2026-03-31"))[0].clone();
        assert_eq!(on("UTC").on, day("2026-03-22"));
        assert_eq!(on("Europe/Vienna").on, day("2026-03-23"));
        assert_eq!(on("Europe/Vienna").to_on, Some(day("2026-03-26")));
    }

    #[test]
    fn who_is_not_to_be_bred_is_watched_only_for_what_is_in_her() {
        let decided = serde_json::json!({"kind": "do_not_breed", "do_not_breed": true});
        let decided = (noon("2026-03-05"), serde_json::from_value(decided).unwrap());
        let animal = animal("UTC", &[noon("2026-03-01")], vec![decided]);
        let kinds: Vec<_> =
            told(&animal, "2026-03-20", "2026-12-31").into_iter().map(|item| item.0).collect();
        assert_eq!(kinds, [WatchKind::PregnancyCheck, WatchKind::Calving]);
    }
}
