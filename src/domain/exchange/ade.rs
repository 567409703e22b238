//! What herd systems tell us: of which kind, which straw they mean, what they plan.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    domain::{
        exchange::change::ChangeKind,
        identifiers::ExternalId,
        straws::{lot::Lot, place::Place, semen::SemenType},
        values::{
            AdeItemId, AnimalId, Code, Day, HerdId, Lactation, LotId, Name, Note, SireId, Source, TimeZone,
            Timestamp,
        },
    },
    json_column, text_enum,
};

/// The scheme of our own names for animals, sires, lots and herds, where there is no official one.
pub mod own {
    /// Of animals.
    pub const ANIMAL: &str = "tankside.animal";
    /// Of sires.
    pub const SIRE: &str = "tankside.sire";
    /// Of lots.
    pub const LOT: &str = "tankside.lot";
    /// Of herds.
    pub const HERD: &str = "tankside.herd";
}

text_enum! {
    /// What kind of thing a herd system told.
    ItemKind {
        /// An insemination.
        Insemination = "insemination",
        /// A heat.
        Heat = "heat",
        /// A pregnancy check.
        PregnancyCheck = "pregnancy_check",
        /// A calving.
        Parturition = "parturition",
        /// An abortion.
        Abortion = "abortion",
        /// A decision whether she may be bred.
        DoNotBreed = "do_not_breed",
        /// Which sires are recommended for her.
        MatingRecommendation = "mating_recommendation",
        /// An animal.
        Animal = "animal",
    }
}

impl ItemKind {
    /// The last part of its path under `/ade`, as the standard's URL scheme has it.
    pub const fn path(self) -> &'static str {
        match self {
            Self::Insemination => "inseminations",
            Self::Heat => "heats",
            Self::PregnancyCheck => "pregnancy-checks",
            Self::Parturition => "parturitions",
            Self::Abortion => "abortions",
            Self::DoNotBreed => "do-not-breeds",
            Self::MatingRecommendation => "mating-recommendations",
            Self::Animal => "animals",
        }
    }

    /// Where a herd system reads it, with the herd's location by our own name for it: what only herd systems
    /// tell us they find there beside what is entered here.
    pub fn address(self, herd: HerdId, id: Uuid) -> String {
        format!("/ade/locations/{}/{herd}/{}/{id}", own::HERD, self.path())
    }

    /// What is told as such an item where it was entered here.
    pub const fn subject(self) -> ChangeKind {
        match self {
            Self::Insemination => ChangeKind::Service,
            Self::Heat => ChangeKind::Heat,
            Self::PregnancyCheck => ChangeKind::PregnancyCheck,
            Self::Parturition => ChangeKind::Calving,
            Self::Abortion => ChangeKind::Abortion,
            Self::DoNotBreed => ChangeKind::DoNotBreed,
            Self::Animal => ChangeKind::Animal,
            Self::MatingRecommendation => ChangeKind::MatingPlan,
        }
    }
}

text_enum! {
    /// Why a person must look at what a herd system told.
    Flag {
        /// No straw of this book is the one that it names; the insemination counts, the stock is untouched.
        StrawUnknown = "straw_unknown",
        /// Several straws could be meant; the insemination counts, the stock is untouched.
        StrawAmbiguous = "straw_ambiguous",
        /// An insemination of hers is on record within hours of it; this one does not count until someone says so.
        PossibleDuplicate = "possible_duplicate",
        /// No animal, or several, of the location go by the name told; the insemination does not count until someone
        /// says which she was.
        AnimalUnknown = "animal_unknown",
    }
}

text_enum! {
    /// What a person decided.
    Resolution {
        /// It was a straw of this lot.
        Straw = "straw",
        /// It was the straw of this withdrawal.
        Withdrawal = "withdrawal",
        /// It happened, with a straw that never was in this book.
        NoStraw = "no_straw",
        /// It needs nothing more: the book is right as it stands.
        Dismiss = "dismiss",
    }
}

/// What was sent, as it is told again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct RawResource(pub Value);
json_column!(RawResource, Plan);

/// Something that a herd system sent.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct AdeItem {
    /// Its id.
    pub id: AdeItemId,
    /// The herd at whose location it was sent.
    pub herd_id: HerdId,
    /// What kind of thing.
    pub kind: ItemKind,
    /// Who sent it (`meta.source`).
    pub source: Source,
    /// The sender's name for it (`meta.sourceId`).
    pub source_id: Source,
    /// When it last changed over there (`meta.modified`).
    pub modified: Option<Timestamp>,
    /// The sender took it back.
    pub deleted: bool,
    /// The animal.
    pub animal_id: Option<AnimalId>,
    /// When it happened.
    pub happened_at: Option<Timestamp>,
    /// Whether a person still has to look at it.
    pub flagged: bool,
    /// Why.
    pub flag: Option<Flag>,
    /// The same in words.
    #[schema(max_length = 1000)]
    pub flag_text: Option<String>,
    /// What a person decided.
    pub resolution: Option<Resolution>,
    /// When.
    pub resolved_at: Option<Timestamp>,
    /// What the person remarked.
    pub note: Option<Note>,
    /// What it is in the book: the id of a service, a heat, an animal and so on; null where it counts for nothing.
    pub subject_id: Option<Uuid>,
    /// As it was sent: what the standard defines of it.
    #[schema(value_type = Object)]
    pub resource: RawResource,
    /// Of a mating recommendation, the plan.
    #[serde(skip)]
    pub plan: Option<Plan>,
    /// When it first came.
    pub recorded_at: Timestamp,
}

impl AdeItem {
    /// Whether it does not count any more: taken back, or found to be on record already.
    pub fn is_gone(&self) -> bool {
        self.deleted || (self.resolution == Some(Resolution::Dismiss) && self.subject_id.is_none())
    }
}

text_enum! {
    /// What is recommended.
    Recommendation {
        /// This sire.
        Sire = "sire",
        /// A beef sire.
        BeefSire = "beef_sire",
        /// No sire: she is not to be bred.
        NoSire = "no_sire",
        /// Nothing could be recommended.
        Impossible = "impossible",
    }
}

/// One recommendation of a mating plan.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Recommended {
    /// What.
    pub recommendation: Recommendation,
    /// The names by which the sire is known.
    pub sires: Vec<ExternalId>,
    /// His name.
    pub sire_name: Option<Name>,
    /// The semen type, where it is said.
    pub semen_type: Option<SemenType>,
    /// First choice, second choice.
    pub rank: Option<i64>,
    /// For which parity of hers: calvings, 0 for heifers (Norman et al. 2009, J Dairy Sci 92:2259-2269, count them so).
    #[serde(rename = "parity")]
    pub lactation: Option<Lactation>,
}

/// A mating plan as it came.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Plan(pub Vec<Recommended>);

/// What is told of a straw.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MatchCriteria {
    /// Its lot, by our own name for it.
    pub lot: Option<LotId>,
    /// Whether a sire is named at all.
    pub names_sire: bool,
    /// The sires of this book that go by the names told.
    pub sires: Vec<SireId>,
    /// The batch printed on it.
    pub batch: Option<Code>,
    /// When it was collected.
    pub collected_on: Option<Day>,
    /// Where.
    pub collection_centre: Option<Name>,
    /// Whether it was sorted.
    pub is_sexed: Option<bool>,
    /// Sorted for which sex.
    pub semen_type: Option<SemenType>,
    /// From the herd's own stock, or the technician's.
    pub from_herd_stock: Option<bool>,
    /// From where, in the sender's words.
    pub container: Option<String>,
}

/// Straws of a lot at a place.
#[derive(Clone, Debug)]
pub struct Straw<'b> {
    /// The lot.
    pub lot: &'b Lot,
    /// The place.
    pub place: &'b Place,
    /// What the tank is called.
    pub tank_name: &'b Name,
    /// Whose tank it is; the technician's when none.
    pub tank_herd_id: Option<HerdId>,
}

/// Which straw is meant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MatchResult {
    /// This one of those shown.
    This(usize),
    /// None of them.
    None(String),
    /// It could be several.
    Several(String),
}

impl MatchCriteria {
    /// Whether a straw of this lot can be the one told of. A batch that is told must be the lot's; what
    /// is not on the lot's card does not speak against it.
    pub fn fit(&self, lot: &Lot) -> bool {
        let d = &lot.details;
        let same = |told: &str, ours: &str| told.trim().eq_ignore_ascii_case(ours.trim());
        self.lot.is_none_or(|id| id == lot.id)
            && (!self.names_sire || self.sires.contains(&d.sire_id))
            && self
                .batch
                .as_ref()
                .is_none_or(|told| d.batch.as_ref().is_some_and(|ours| same(told.as_str(), ours.as_str())))
            && self.collected_on.zip(d.collected_on).is_none_or(|(told, ours)| told == ours)
            && self
                .collection_centre
                .as_ref()
                .zip(d.collection_centre.as_ref())
                .is_none_or(|(told, ours)| same(told.as_str(), ours.as_str()))
            && self.is_sexed.is_none_or(|told| told == d.semen_type.is_sexed())
            && self.semen_type.is_none_or(|told| told == d.semen_type)
    }

    /// Whether anything is told by which a lot can be known.
    pub fn name_something(&self) -> bool {
        self.lot.is_some() || self.names_sire || self.batch.is_some()
    }

    /// Which of the straws within her herd's reach is meant. Nothing is guessed: it must be the only lot
    /// that fits, and hang at one place or at the one that is named.
    pub fn which(&self, straws: &[Straw<'_>]) -> MatchResult {
        if !self.name_something() {
            return MatchResult::None("It names no straw: neither sire nor batch.".to_owned());
        }
        if self.sires.len() > 1 {
            return MatchResult::Several(
                "The names of its sire belong to several sires of this book.".to_owned(),
            );
        }
        let fit: Vec<(usize, &Straw<'_>)> = straws
            .iter()
            .enumerate()
            .filter(|(_, straw)| self.fit(straw.lot))
            .filter(|(_, straw)| self.from_herd_stock.is_none_or(|own| own == straw.tank_herd_id.is_some()))
            .collect();
        let Some((first, one)) = fit.first().copied() else {
            return MatchResult::None("No straw that fits hangs within the herd's reach.".to_owned());
        };
        if fit.iter().any(|(_, other)| other.lot.id != one.lot.id) {
            return MatchResult::Several("Straws of several lots fit.".to_owned());
        }
        if fit.len() == 1 {
            return MatchResult::This(first);
        }
        let named: Vec<usize> = fit
            .iter()
            .filter(|(_, straw)| {
                self.container.as_deref().is_some_and(|told| {
                    told.trim() == container(straw.tank_name, straw.place)
                        || told.trim() == straw.tank_name.as_str()
                })
            })
            .map(|(n, _)| *n)
            .collect();
        match named.as_slice() {
            [only] => MatchResult::This(*only),
            _ => MatchResult::Several(format!(
                "Straws of {} hang at several places.",
                one.lot.details.describe()
            )),
        }
    }
}

/// A place as herd systems are told it: "Dairy room, canister 3, cane B, upper goblet".
pub fn container(tank: &Name, place: &Place) -> String {
    format!("{tank}, {}", place.describe())
}

/// Within so much of another insemination of hers, one that a herd system tells may be the same, entered
/// twice: people write down the hour, not the minute; and a planned second insemination of one heat
/// comes about 12 hours after the first (common practice, no source). The six hours are our own rule.
pub const MAY_BE_THE_SAME: TimeDelta = TimeDelta::hours(6);

/// The day that is meant by a date that had to be sent as an instant: midnight in UTC is how dates are
/// written there, any other time is a moment in the herd's own day.
pub fn day_meant(at: Timestamp, zone: TimeZone) -> Day {
    if at.utc().time() == chrono::NaiveTime::MIN { at.day_in(TimeZone::UTC) } else { at.day_in(zone) }
}

/// Whether what came is older than what is here, so that it changes nothing.
pub fn is_stale(here: Option<Timestamp>, came: Option<Timestamp>) -> bool {
    here.zip(came).is_some_and(|(here, came)| came <= here)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::domain::form::{InputPath, read};

    fn lot(sire: SireId, batch: Option<&str>, semen_type: &str) -> Lot {
        let details = json!({"sire_id": sire, "semen_type": semen_type, "batch": batch,
                             "collected_on": "2024-04-26"});
        let details = read(&details, &InputPath::body()).unwrap();
        let at = "2026-03-02T06:00:00Z";
        Lot { id: LotId::new(), details, created_at: read(&json!(at), &InputPath::body()).unwrap() }
    }

    fn place(canister: i64) -> Place {
        let tank = crate::domain::values::TankId::new();
        read(&json!({"tank_id": tank, "canister": canister}), &InputPath::body()).unwrap()
    }

    fn sexed(sire: SireId) -> MatchCriteria {
        MatchCriteria {
            names_sire: true,
            sires: vec![sire],
            is_sexed: Some(true),
            ..MatchCriteria::default()
        }
    }

    #[test]
    fn the_only_lot_that_fits_at_the_only_place_is_meant() {
        // Nothing guessed: our own rule.
        let (sire, other) = (SireId::new(), SireId::new());
        let lots = [
            lot(sire, Some("1"), "sexed_female"),
            lot(sire, Some("2"), "conventional"),
            lot(other, None, "sexed_female"),
        ];
        let (here, there) = (place(1), place(2));
        let room = Name::parse("Dairy room").unwrap();
        let straw = |lot, place| Straw { lot, place, tank_name: &room, tank_herd_id: None };
        let stock = [straw(&lots[0], &here), straw(&lots[1], &here), straw(&lots[2], &there)];
        assert_eq!(sexed(sire).which(&stock), MatchResult::This(0));
        let either = MatchCriteria { is_sexed: None, ..sexed(sire) };
        assert!(matches!(either.which(&stock), MatchResult::Several(_)));
        let batch = MatchCriteria { batch: Some(Code::parse("2").unwrap()), is_sexed: None, ..sexed(sire) };
        assert_eq!(batch.which(&stock), MatchResult::This(1));
        let wrong_batch = MatchCriteria { batch: Some(Code::parse("3").unwrap()), ..sexed(sire) };
        assert!(matches!(wrong_batch.which(&stock), MatchResult::None(_)));
        let unmarked = MatchCriteria { batch: Some(Code::parse("3").unwrap()), ..sexed(other) };
        assert!(matches!(unmarked.which(&stock), MatchResult::None(_)), "a batch must be the lot's own");
        let own = MatchCriteria { from_herd_stock: Some(true), ..sexed(sire) };
        assert!(matches!(own.which(&stock), MatchResult::None(_)), "it hangs in the technician's tank");
        let unknown_sire = MatchCriteria { names_sire: true, ..MatchCriteria::default() };
        assert!(matches!(unknown_sire.which(&stock), MatchResult::None(_)));
        assert!(matches!(MatchCriteria::default().which(&stock), MatchResult::None(_)));
        let by_id = MatchCriteria { lot: Some(lots[2].id), ..MatchCriteria::default() };
        assert_eq!(by_id.which(&stock), MatchResult::This(2));
        let day = MatchCriteria {
            collected_on: Some(Day(chrono::NaiveDate::from_ymd_opt(2024, 4, 27).unwrap())),
            ..sexed(sire)
        };
        assert!(matches!(day.which(&stock), MatchResult::None(_)));
        let two = MatchCriteria { sires: vec![sire, other], ..sexed(sire) };
        assert!(matches!(two.which(&stock), MatchResult::Several(_)));
    }

    #[test]
    fn of_several_places_the_one_that_is_named() {
        let sire = SireId::new();
        let one = lot(sire, None, "sexed_female");
        let (here, there) = (place(1), place(2));
        let room = Name::parse("Dairy room").unwrap();
        let straw = |place| Straw { lot: &one, place, tank_name: &room, tank_herd_id: None };
        let stock = [straw(&here), straw(&there)];
        assert!(matches!(sexed(sire).which(&stock), MatchResult::Several(_)));
        let at = |told: &str| MatchCriteria { container: Some(told.to_owned()), ..sexed(sire) };
        assert_eq!(at("Dairy room, canister 2").which(&stock), MatchResult::This(1));
        assert!(matches!(at("7").which(&stock), MatchResult::Several(_)));
        assert!(matches!(at("Dairy room").which(&stock), MatchResult::Several(_)));
        assert_eq!(
            at("7").which(&stock[..1]),
            MatchResult::This(0),
            "the sender's own numbers are no objection"
        );
    }

    #[test]
    fn a_date_sent_as_an_instant_is_the_day_that_was_meant() {
        let vienna = TimeZone::parse("Europe/Vienna").unwrap();
        let day = |at: &str| day_meant(read(&json!(at), &InputPath::body()).unwrap(), vienna).to_string();
        assert_eq!(day("2021-02-17T00:00:00Z"), "2021-02-17");
        // Midnight in Vienna, sent in UTC.
        assert_eq!(day("2021-02-16T23:00:00Z"), "2021-02-17");
        assert_eq!(day("2021-02-17T00:00:00+01:00"), "2021-02-17");
    }

    #[test]
    fn only_what_is_newer_changes_something() {
        let at = |at: &str| Some(read::<Timestamp>(&json!(at), &InputPath::body()).unwrap());
        let (early, late) = (at("2026-03-02T06:00:00Z"), at("2026-03-02T06:00:01Z"));
        assert!(!is_stale(early, late));
        assert!(is_stale(late, early) && is_stale(early, early));
        assert!(!is_stale(None, early) && !is_stale(early, None), "without a time it is taken as new");
    }
}
