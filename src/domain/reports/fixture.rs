//! Animals for the unit tests of this module.

use chrono::{TimeDelta, TimeZone as _, Utc};

use crate::domain::{
    animals::{
        history::{AnimalEvent, AnimalHistory, CheckMethod, CheckResult, PastService},
        service_kind::ServiceKind,
    },
    reports::record::{AnimalRecord, ReportHerd, ServiceFacts},
    straws::semen::SemenType,
    values::{AnimalId, Days, HerdId, Name, SireId, Technician, TimeZone, Timestamp},
};

/// So many days after 1 January 2026.
pub fn day(days: i64) -> Timestamp {
    Timestamp::from(Utc.with_ymd_and_hms(2026, 1, 1, 0, 0, 0).unwrap()).plus(TimeDelta::days(days))
}

pub fn id(n: u128) -> uuid::Uuid {
    uuid::Uuid::from_u128(n)
}

pub fn herd() -> ReportHerd {
    ReportHerd {
        id: HerdId(id(1)),
        name: Name::parse("Lower Meadow").unwrap(),
        time_zone: TimeZone::UTC,
        waiting_days: Days::WAITING,
        first_service_days: Days::FIRST_SERVICE,
    }
}

pub fn checked(result: CheckResult) -> AnimalEvent {
    AnimalEvent::PregnancyCheck { method: CheckMethod::Ultrasound, result, days_pregnant: None }
}

pub fn pregnant() -> AnimalEvent {
    checked(CheckResult::Pregnant)
}

pub fn calved() -> AnimalEvent {
    AnimalEvent::Calving { calves: None }
}

/// An insemination by `technician` with a straw of a sire.
pub fn ai(number: i64, rank: i64, technician: &str, semen_type: SemenType) -> ServiceFacts {
    ServiceFacts {
        herd: Some(HerdId(id(1))),
        service_number: number,
        rank,
        technician: Technician::parse(technician).ok(),
        sire: Some(SireId(id(2))),
        semen_type: Some(semen_type),
        ..ServiceFacts::default()
    }
}

/// An animal with these services and happenings, on these days.
pub fn animal(services: &[(i64, ServiceFacts)], happenings: &[(i64, AnimalEvent)]) -> AnimalRecord {
    AnimalRecord {
        id: AnimalId(id(3)),
        herd: HerdId(id(1)),
        born_on: None,
        left_on: None,
        history: AnimalHistory {
            services: services
                .iter()
                .map(|(on, _)| PastService { at: day(*on), kind: ServiceKind::Ai })
                .collect(),
            happenings: happenings.iter().map(|(on, what)| (day(*on), what.clone())).collect(),
        },
        services: services.iter().map(|(_, facts)| facts.clone()).collect(),
    }
}
