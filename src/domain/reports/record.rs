//! What is on record of one animal, and her services heat by heat.

use std::ops::Range;

use crate::domain::{
    animals::{
        history::{AnimalEvent, AnimalHistory, FoundHeat, ServiceResult},
        service_kind::ServiceKind,
    },
    straws::semen::SemenType,
    values::{
        AnimalId, Celsius, Day, Days, HerdId, LotId, Name, SireId, TankId, Technician, TimeZone, Timestamp,
    },
};

/// What reports need to know of a herd.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct ReportHerd {
    /// Its id.
    pub id: HerdId,
    /// What people call it.
    pub name: Name,
    /// Where its days begin.
    pub time_zone: TimeZone,
    /// Days after a calving before she is served.
    pub waiting_days: Days,
    /// The age in days at which heifers are served.
    pub first_service_days: Days,
}

/// What is on record of a service besides when and of what kind.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ServiceFacts {
    /// Her herd then.
    pub herd: Option<HerdId>,
    /// Counts her services since her last calving.
    pub service_number: i64,
    /// Counts the inseminations of the heat.
    pub rank: i64,
    /// Who did it.
    pub technician: Option<Technician>,
    /// The lot.
    pub lot: Option<LotId>,
    /// The sire.
    pub sire: Option<SireId>,
    /// The semen type.
    pub semen_type: Option<SemenType>,
    /// The tank that the straw hung in.
    pub tank: Option<TankId>,
    /// The bath.
    pub bath: Option<Celsius>,
    /// When the straw left the tank, and when it went into the bath.
    pub to_bath: Option<(Timestamp, Timestamp)>,
}

/// What is on record of one animal.
#[derive(Clone, Debug)]
pub struct AnimalRecord {
    /// Her id.
    pub id: AnimalId,
    /// Her herd now.
    pub herd: HerdId,
    /// When she was born.
    pub born_on: Option<Day>,
    /// When she left.
    pub left_on: Option<Day>,
    /// What happened to her.
    pub history: AnimalHistory,
    /// Her services, in the order of those of the history.
    pub services: Vec<ServiceFacts>,
}

/// The services of one heat: one service, whatever the number of its inseminations.
#[derive(Clone, Debug, PartialEq)]
pub struct ServedHeat {
    /// Which of her services.
    pub services: Range<usize>,
    /// When the first was.
    pub at: Timestamp,
    /// When she was served in another heat after it.
    pub next_at: Option<Timestamp>,
    /// Whether she conceived; `None` while nothing is known of it.
    pub conceived: Option<bool>,
    /// Whether a pregnancy that was found ended without a calf.
    pub lost: bool,
}

impl AnimalRecord {
    /// Her services heat by heat, each with what came of it.
    ///
    /// She conceived if a check that fits the service found her pregnant, or she calved or aborted of it; that stays so
    /// when the pregnancy is lost later. She did not if a check that was late enough found her empty, or she was served in
    /// another heat.
    pub fn heats(&self) -> Vec<ServedHeat> {
        let words = self.history.words();
        let mut starts: Vec<usize> = Vec::new();
        for (n, service) in self.services.iter().enumerate() {
            let begins = match starts.last().and_then(|start| self.services.get(*start)) {
                None => true,
                Some(first) => {
                    let transfer = |n: usize| self.kind(n) == ServiceKind::EmbryoTransfer;
                    service.rank <= 1
                        || transfer(n)
                        || transfer(n - 1)
                        || service.service_number != first.service_number
                }
            };
            if begins {
                starts.push(n);
            }
        }
        let at = |n: usize| self.history.services.get(n).map(|service| service.at);
        let ends = starts.iter().skip(1).copied().chain([self.services.len()]);
        starts
            .iter()
            .zip(ends)
            .filter_map(|(start, end)| {
                let own: Vec<_> = words.get(*start..end).into_iter().flatten().flatten().collect();
                let found = |result| {
                    matches!(result, ServiceResult::Pregnant | ServiceResult::Calved | ServiceResult::Aborted)
                };
                let conceived = own.iter().any(|(_, result)| found(*result));
                let last = own.iter().max_by_key(|(when, _)| *when).map(|(_, result)| *result);
                let next_at = at(end);
                let failed = last == Some(ServiceResult::Empty) || next_at.is_some();
                let ended = matches!(last, Some(ServiceResult::Empty | ServiceResult::Aborted));
                Some(ServedHeat {
                    services: *start..end,
                    at: at(*start)?,
                    next_at,
                    conceived: if conceived { Some(true) } else { failed.then_some(false) },
                    lost: conceived && ended,
                })
            })
            .collect()
    }

    /// The kind of one of her services.
    pub fn kind(&self, n: usize) -> ServiceKind {
        self.history.services.get(n).map_or(ServiceKind::Ai, |service| service.kind)
    }

    /// How often she had calved by then.
    pub fn lactation(&self, at: Timestamp) -> i64 {
        self.history.calvings(at)
    }

    /// Her last heat that an insemination then can belong to.
    pub fn heat_before(&self, at: Timestamp) -> Option<FoundHeat> {
        let heats = self.history.happenings.iter().rev().filter(|(when, _)| *when <= at);
        let last =
            heats.filter(|(_, what)| matches!(what, AnimalEvent::Heat { .. })).map(FoundHeat::of).next();
        last.flatten().filter(|heat| heat.counts_at(at))
    }

    /// Until when she was seen, if she is looked at until then: she may have left before.
    pub fn seen_until(&self, until: Timestamp, zone: TimeZone) -> Timestamp {
        self.left_on.map_or(until, |left| left.start_in(zone).min(until))
    }
}
