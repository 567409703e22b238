//! An animal whose turn has come: what is on record of her and what her owner decided.

use crate::domain::{
    animals::{
        animal::born_before,
        choice::{Allowed, Case, Class},
        groups::Groups,
        herd::HerdDetails,
        history::{AnimalEvent, AnimalHistory, AnimalStatus, Numbered, PastService},
        kinship::{Inbreeding, Pedigree, Relative},
        mating::MatingKinship,
        mating_plan::MatingPlan,
        numbering::outdated,
        objection::{self, Objection},
    },
    rejection::Rejection,
    straws::{
        lot::{Lot, LotStatus},
        semen::SemenType,
        sire::{Purpose, SireSummary},
        stock::Stock,
        thaw::ThawProtocol,
    },
    values::{AnimalId, Code, Day, HerdId, Name, ServiceId, SireId, Timestamp},
};

/// What is known of an animal that is to be served.
#[derive(Debug)]
pub struct Candidate {
    /// The animal.
    pub id: AnimalId,
    /// Her number in her herd.
    pub number: Code,
    /// Her herd.
    pub herd_id: HerdId,
    /// When she was born.
    pub born_on: Option<Day>,
    /// When she left the herd.
    pub left_on: Option<Day>,
    /// Whether she is flushed for embryos.
    pub donor: bool,
    /// Her groups.
    pub groups: Groups,
    /// What her owner decided.
    pub herd: HerdDetails,
    /// What is on record of her.
    pub history: AnimalHistory,
    /// Her services as they are numbered, in the order of [`AnimalHistory::services`].
    pub numbered: Vec<(ServiceId, Numbered)>,
    /// Her known pedigree, and that of the sires in question.
    pub pedigree: Pedigree<Relative>,
    /// What is planned for her.
    pub plan: Option<MatingPlan>,
}

/// Three years in days.
const THREE_YEARS: i64 = 1096;

/// What she is at a moment, and what that allows.
#[derive(Clone, Debug)]
pub struct Turn {
    /// The moment.
    pub at: Timestamp,
    /// What she is.
    pub status: AnimalStatus,
    /// What the choice rule allows.
    pub allowed: Allowed,
}

impl Turn {
    /// The same where none of the semen types that the choice rule wants is in her reach.
    #[must_use]
    pub fn with_otherwise(mut self) -> Self {
        self.allowed = self.allowed.with_otherwise();
        self
    }
}

impl Candidate {
    /// What she is at `at`.
    pub fn at(&self, at: Timestamp) -> Turn {
        let status = self.history.standing(at, self.herd.same_heat_hours);
        let allowed = if self.donor {
            Allowed::of_donor()
        } else {
            self.herd.choice_rule.allows(&self.case(&status, at))
        };
        Turn { at, status, allowed }
    }

    /// What is uncertain about her, in words.
    pub fn doubts(&self, turn: &Turn) -> Vec<String> {
        let zone = self.herd.time_zone;
        let told = turn.status.doubts.iter().map(|doubt| doubt.describe(zone));
        told.chain(self.unknown_past(turn)).collect()
    }

    /// Says so of an animal that counts as a heifer and may be a cow that was bought without her history. Heifers calve first
    /// at about two years; from three on one without a calving is rare (common practice, no source).
    fn unknown_past(&self, turn: &Turn) -> Option<String> {
        if turn.status.class == Class::Cow {
            return None;
        }
        let age = self.born_on.map(|born| (turn.at.day_in(self.herd.time_zone).0 - born.0).num_days());
        let is_old = age.is_some_and(|age| age >= THREE_YEARS);
        let is_blank =
            age.is_none() && self.history.services.is_empty() && self.history.happenings.is_empty();
        (is_old || is_blank).then(|| {
            "Uncertain: no calving of hers is on record, so she counts as a heifer and this as a service of one. If she was \
             bought as a cow, report her last calving and the services since."
                .to_owned()
        })
    }

    /// What the choice rule may look at.
    fn case(&self, status: &AnimalStatus, at: Timestamp) -> Case<'_> {
        Case {
            service: status.next.service_number,
            class: status.class,
            lactation: self.history.calvings(at),
            groups: &self.groups,
            day: at.day_in(self.herd.time_zone),
        }
    }

    /// Says so when the choice rule says nothing of her turn.
    pub fn unruled_warning(&self, turn: &Turn) -> Option<String> {
        self.herd.choice_rule.unruled_warning(&self.case(&turn.status, turn.at)).filter(|_| !self.donor)
    }

    /// What stands against serving her at all.
    pub fn objections(&self, turn: &Turn) -> Vec<Objection> {
        objection::objections_to_animal(&turn.status, self.born_on, self.left_on, &self.herd, turn.at)
    }

    /// What stands against a straw of `lot` for her.
    pub fn objections_to(
        &self,
        turn: &Turn,
        lot: &Lot,
        purpose: Option<Purpose>,
        inbreeding: Inbreeding,
    ) -> Vec<Objection> {
        objection::objections_to_straw(
            (&lot.details, purpose),
            &turn.allowed,
            inbreeding,
            self.herd_id,
            &self.herd,
        )
    }

    /// The expected inbreeding of her calf by each of `sires`, from the known pedigree.
    pub fn inbreeding(&self, sires: &[SireId]) -> Vec<Inbreeding> {
        let sires: Vec<Relative> = sires.iter().copied().map(Relative::Sire).collect();
        self.pedigree.expected_inbreeding_with(Relative::Animal(self.id), &sires)
    }

    /// What is said of her kinship with a sire.
    pub fn kinship(&self, sire_id: SireId, sire_name: &Name, inbreeding: Inbreeding) -> MatingKinship {
        MatingKinship::of(sire_id, sire_name, inbreeding, self.herd.kinship_limit.get())
    }

    /// Of what a choice of her plan speaks: the number of the service, and her calvings.
    pub fn plan_case(&self, turn: &Turn) -> (i64, i64) {
        (turn.status.next.service_number, self.history.calvings(turn.at))
    }

    /// How soon her plan wants a straw of that sire and type, from 0; what it does not want comes last.
    pub fn plan_rank(&self, turn: &Turn, sire: &SireSummary, semen_type: SemenType) -> usize {
        let (service, lactation) = self.plan_case(turn);
        let rank = self.plan.as_ref().and_then(|plan| plan.rank(service, lactation, sire, semen_type));
        rank.unwrap_or(usize::MAX)
    }

    /// Says so where a straw of that sire and type is not what is planned for her.
    pub fn departure_from_plan(
        &self,
        turn: &Turn,
        sire: &SireSummary,
        semen_type: SemenType,
    ) -> Option<String> {
        let (service, lactation) = self.plan_case(turn);
        self.plan.as_ref()?.departure(service, lactation, sire, semen_type)
    }

    /// What stands against a sire of whom her calf would be so inbred.
    pub fn kinship_objection(&self, inbreeding: Inbreeding) -> Option<Objection> {
        objection::kinship_objection(inbreeding, &self.herd)
    }

    /// Rejects a moment before she was born.
    pub fn born_before(&self, at: Timestamp, field: &'static str) -> Result<(), Rejection> {
        born_before(self.born_on, self.herd.time_zone, at, field)
    }

    /// Her history with what happened at `at`.
    pub fn history_with(&self, at: Timestamp, what: &AnimalEvent) -> AnimalHistory {
        let mut history = self.history.clone();
        // Entered last, it comes after what was at the same instant.
        let place = history.happenings.partition_point(|(when, _)| *when <= at);
        history.happenings.insert(place, (at, what.clone()));
        history
    }

    /// The services that get another number or rank when `what` happened at `at`: what comes late may move those after it.
    pub fn renumbered(&self, at: Timestamp, what: &AnimalEvent) -> Vec<(ServiceId, Numbered)> {
        let history = self.history_with(at, what);
        outdated(&history, self.herd.same_heat_hours, self.numbered.iter().copied().map(Some))
    }

    /// The same when she was served.
    pub fn renumbered_by(&self, service: PastService) -> Vec<(ServiceId, Numbered)> {
        let mut history = self.history.clone();
        let mut numbered: Vec<_> = self.numbered.iter().copied().map(Some).collect();
        let place = history.services.partition_point(|before| before.at <= service.at);
        history.services.insert(place, service);
        numbered.insert(place, None);
        outdated(&history, self.herd.same_heat_hours, numbered)
    }

    /// The services that get another number or rank when that one no longer counts.
    pub fn renumbered_without(&self, service: ServiceId) -> Vec<(ServiceId, Numbered)> {
        let Some(at) = self.numbered.iter().position(|(id, _)| *id == service) else { return Vec::new() };
        let mut history = self.history.clone();
        let mut numbered: Vec<_> = self.numbered.iter().copied().map(Some).collect();
        history.services.remove(at);
        numbered.remove(at);
        outdated(&history, self.herd.same_heat_hours, numbered)
    }

    /// Whether straws in that tank are within her reach: her herd's own, or the technician's.
    pub fn reaches(&self, stock: &Stock) -> bool {
        self.reaches_tank_of(stock.tank_herd_id)
    }

    /// The same of a tank by whose it is; the technician's when nobody's.
    pub fn reaches_tank_of(&self, herd: Option<HerdId>) -> bool {
        herd.is_none_or(|herd| herd == self.herd_id)
    }

    /// Whether straws may be offered for her: within her reach, for her herd, usable and not on hold.
    pub fn may_have(&self, stock: &Stock) -> bool {
        let lot = &stock.lot.details;
        let is_free = lot.status == LotStatus::Usable && stock.on_hold.is_none();
        is_free && lot.is_for(self.herd_id) && self.reaches(stock)
    }

    /// How a straw is thawed for her: by its lot's instruction, else as the herd says, else by the default.
    pub fn protocol(&self, lot: &Lot) -> ThawProtocol {
        let own = lot.details.thaw.clone().or_else(|| self.herd.thaw.clone());
        own.unwrap_or_else(|| ThawProtocol::default_for(lot.details.semen_type, lot.details.straw_ml))
    }
}
