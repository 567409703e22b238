//! With which straw an insemination was made that a herd system tells of.

use chrono::TimeDelta;

use crate::domain::{
    animals::service_kind::ServiceKind,
    exchange::ade::{Flag, MAY_BE_THE_SAME, MatchCriteria, MatchResult, Resolution, Straw},
    straws::{place::Place, semen::SemenType, stock::Stock, withdrawal::Withdrawal},
    values::{AnimalId, LotId, SireId, Timestamp, WithdrawalId},
};

/// With which straw.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Used {
    /// One that hangs here still, as far as the book knows.
    Hanging(LotId, Place),
    /// One that was withdrawn for her already.
    Withdrawn(WithdrawalId),
    /// One that never was in this book.
    Foreign(Option<SireId>, Option<SemenType>, bool),
    /// None: a mating by this bull, or an embryo of this sire and this donor.
    NoStraw(ServiceKind, Option<SireId>, Option<AnimalId>),
}

/// What an insemination was in the book before it was corrected.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Before {
    /// Nothing that could still be right.
    Nothing,
    /// The straw of this lot from this place, for what is told of the straw is the same.
    Straw(LotId, Place, Option<(Resolution, Timestamp)>),
    /// The straw that somebody withdrew for her here.
    Withdrawn(WithdrawalId, Option<(Resolution, Timestamp)>),
    /// A person decided that no straw of this book was used, or that it is on record already.
    Decided(Resolution, Timestamp, bool),
}

/// What is known where an insemination is told.
#[derive(Clone, Debug)]
pub struct Facts {
    /// When it was.
    pub at: Timestamp,
    /// What kind of service.
    pub kind: ServiceKind,
    /// The donor of an embryo.
    pub donor: Option<AnimalId>,
    /// Frozen, so that the straw may have hung in a tank of this book.
    pub was_frozen: bool,
    /// What is told of the straw.
    pub criteria: MatchCriteria,
    /// Her other services that count.
    pub served_at: Vec<Timestamp>,
    /// Straws that are out for her.
    pub out: Vec<Withdrawal>,
    /// What hangs within her herd's reach.
    pub stock: Vec<Stock>,
}

/// What is done with an insemination.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Decision {
    /// It is a service with this straw; `None`: it does not count yet, or any more.
    pub used: Option<Used>,
    /// Why a person must look at it.
    pub flag: Option<(Flag, String)>,
    /// A decision made before that still stands.
    pub resolution: Option<(Resolution, Timestamp)>,
}

/// Which straw it was. Nothing is guessed: where it is not certain a person is asked.
pub fn decide(before: Before, facts: &Facts) -> Decision {
    let used = |used, resolution| Decision { used: Some(used), flag: None, resolution };
    match before {
        Before::Straw(lot, place, decided) if facts.hangs(lot, &place) => {
            used(Used::Hanging(lot, place), decided)
        }
        Before::Withdrawn(id, decided) => used(Used::Withdrawn(id), decided),
        Before::Decided(resolution, at, true) => used(facts.foreign(), Some((resolution, at))),
        Before::Decided(resolution, at, false) => {
            Decision { used: None, flag: None, resolution: Some((resolution, at)) }
        }
        Before::Nothing | Before::Straw(..) => {
            if let Some(text) = facts.may_be_the_same() {
                let flag = Some((Flag::PossibleDuplicate, text));
                return Decision { used: None, flag, resolution: None };
            }
            if !facts.was_frozen || !facts.kind.takes_straw() {
                return used(facts.foreign(), None);
            }
            match facts.which() {
                Ok(straw) => used(straw, None),
                Err(flag) => Decision { flag: Some(flag), ..used(facts.foreign(), None) },
            }
        }
    }
}

impl Facts {
    fn hangs(&self, lot: LotId, place: &Place) -> bool {
        self.stock.iter().any(|hanging| hanging.lot.id == lot && hanging.place == *place)
    }

    /// The straw as one that never was in this book.
    fn foreign(&self) -> Used {
        let told = &self.criteria;
        let sire = told.sires.first().copied().filter(|_| told.sires.len() == 1);
        if !self.kind.takes_straw() {
            return Used::NoStraw(self.kind, sire, self.donor);
        }
        Used::Foreign(
            sire,
            told.semen_type.or_else(|| (told.is_sexed == Some(false)).then_some(SemenType::Conventional)),
            told.from_herd_stock.unwrap_or(false),
        )
    }

    /// Says so when an insemination of hers is on record that may be this one.
    fn may_be_the_same(&self) -> Option<String> {
        let near = self.served_at.iter().find(|served| served.since(self.at).abs() <= MAY_BE_THE_SAME)?;
        Some(format!("An insemination of hers at {near} is on record, which may be the same one."))
    }

    /// Which straw it was, or why a person must say so.
    fn which(&self) -> Result<Used, (Flag, String)> {
        let told = &self.criteria;
        let mut out = self.out.iter().filter(|out| {
            told.name_something()
                && told.fit(&out.lot)
                && out.withdrawn_at.since(self.at).abs() <= TimeDelta::hours(24)
        });
        match (out.next(), out.next()) {
            (None, _) => {}
            (Some(one), None) => return Ok(Used::Withdrawn(one.id)),
            (Some(_), Some(_)) => {
                let text = "Several straws that fit are out for her and not accounted for.";
                return Err((Flag::StrawAmbiguous, text.to_owned()));
            }
        }
        let straws: Vec<Straw<'_>> = self
            .stock
            .iter()
            .map(|hanging| Straw {
                lot: &hanging.lot,
                place: &hanging.place,
                tank_name: &hanging.tank_name,
                tank_herd_id: hanging.tank_herd_id,
            })
            .collect();
        match told.which(&straws) {
            MatchResult::This(n) => {
                let hanging = &self.stock[n];
                Ok(Used::Hanging(hanging.lot.id, hanging.place.clone()))
            }
            MatchResult::None(text) => Err((Flag::StrawUnknown, text)),
            MatchResult::Several(text) => Err((Flag::StrawAmbiguous, text)),
        }
    }
}
