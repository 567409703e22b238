//! The mating plan of an animal: which sires are wanted for her, first choice first, and for which of her services.
//!
//! The plan is advice. It puts straws in order among those that the rules allow, and says so where something else is
//! taken; it neither refuses a straw nor allows one.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::{
            candidate::{Candidate, Turn},
            kinship::Inbreeding,
            mating::{KinshipVerdict, MatingKinship},
            objection::Objection,
        },
        exchange::ade::Recommendation,
        form::{Fault, InputPath},
        identifiers::{ExternalId, Identifiers},
        straws::{
            lot::LotStatus,
            semen::SemenType,
            sire::{Purpose, SireSummary},
            stock::Stock,
        },
        values::{
            AdeItemId, AnimalId, HerdId, KeyId, Lactation, MatingPlanId, Name, Note, ServiceNumber, SireId,
            Timestamp,
        },
    },
    form, json_column, text_enum,
};

/// Choices that a plan may have.
pub const MOST_CHOICES: usize = 20;

text_enum! {
    /// Where a mating plan comes from.
    PlanSource {
        /// Somebody entered it.
        ByHand = "by_hand",
        /// Herd software made it.
        HerdSoftware = "herd_software",
    }
}

form! {
    /// One choice of a mating plan. What it does not say does not matter.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewPlannedChoice, check NewPlannedChoice::check {
        /// The sire.
        pub sire_id: SireId,
        /// Only his straws of this type.
        pub semen_type: Option<SemenType>,
        /// Only for this service number; instead of `from_service` and `to_service`.
        pub service_number: Option<ServiceNumber>,
        /// The first service number for which he is meant.
        pub from_service: Option<ServiceNumber>,
        /// The last one.
        pub to_service: Option<ServiceNumber>,
        /// Only in this lactation: calvings on record, 0 for heifers.
        pub lactation: Option<Lactation>,
    }
}

impl NewPlannedChoice {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.service_number.is_some() && (self.from_service.is_some() || self.to_service.is_some()) {
            let detail = "must not stand beside from_service and to_service";
            faults.push(spot.member("service_number").fault(detail));
        }
        if self.to_service.zip(self.from_service).is_some_and(|(last, first)| last < first) {
            faults.push(spot.member("to_service").fault("must not be less than from_service"));
        }
    }

    /// The choice as it is kept.
    pub fn choice(&self) -> PlannedChoice {
        PlannedChoice {
            recommendation: Recommendation::Sire,
            sire_id: Some(self.sire_id),
            sire_name: None,
            sire_identifiers: Vec::new(),
            semen_type: self.semen_type,
            from_service: self.service_number.or(self.from_service),
            to_service: self.service_number.or(self.to_service),
            lactation: self.lactation,
        }
    }
}

form! {
    /// A mating plan, instead of the one that there was.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewMatingPlan, check NewMatingPlan::check {
        /// Which sires, first choice first.
        #[schema(min_items = 1, max_items = 20)]
        pub choices: Vec<NewPlannedChoice>,
        /// Where the plan comes from. Default `by_hand`.
        #[schema(required = false)]
        pub source: PlanSource = PlanSource::ByHand,
        /// A remark.
        #[schema(example = "Agreed with the owner in February.")]
        pub note: Option<Note>,
    }
}

impl NewMatingPlan {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.choices.is_empty() {
            faults
                .push(spot.member("choices").fault("must name at least one sire; DELETE takes a plan away"));
        }
        if self.choices.len() > MOST_CHOICES {
            let detail = format!("must have at most {MOST_CHOICES} choices, not {}", self.choices.len());
            faults.push(spot.member("choices").fault(detail));
            return;
        }
        let choices: Vec<_> = self.choices.iter().map(NewPlannedChoice::choice).collect();
        for (n, choice) in choices.iter().enumerate() {
            if choices[..n].contains(choice) {
                faults.push(spot.member("choices").element(n).fault("stands in the list twice"));
            }
        }
    }

    /// The sires that it names, each once, in order.
    pub fn sires(&self) -> Vec<SireId> {
        let mut sires: Vec<SireId> = self.choices.iter().map(|choice| choice.sire_id).collect();
        sires.sort_unstable();
        sires.dedup();
        sires
    }
}

/// One choice of a mating plan.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PlannedChoice {
    /// What is recommended; by hand always a sire.
    pub recommendation: Recommendation,
    /// The sire, where he is in this book.
    pub sire_id: Option<SireId>,
    /// His name, as here or else as herd software told it.
    pub sire_name: Option<Name>,
    /// His official names, as herd software told them or else as here.
    #[serde(default)]
    pub sire_identifiers: Vec<ExternalId>,
    /// Only his straws of this type; of any when null.
    pub semen_type: Option<SemenType>,
    /// The first service number for which he is meant; any when null.
    #[serde(default)]
    pub from_service: Option<ServiceNumber>,
    /// The last one.
    #[serde(default)]
    pub to_service: Option<ServiceNumber>,
    /// The lactation in which he is meant: calvings on record, 0 for heifers; any when null.
    #[serde(default)]
    pub lactation: Option<Lactation>,
}

impl PlannedChoice {
    /// Whether it is meant for a service of that number in that lactation.
    pub fn is_for(&self, service: i64, lactation: i64) -> bool {
        self.from_service.is_none_or(|first| service >= first.get())
            && self.to_service.is_none_or(|last| service <= last.get())
            && self.lactation.is_none_or(|only| lactation == only.get())
    }

    /// Whether it means any beef sire: one was recommended, and none was named.
    fn is_any_beef(&self) -> bool {
        self.recommendation == Recommendation::BeefSire
            && self.sire_id.is_none()
            && self.sire_name.is_none()
            && self.sire_identifiers.is_empty()
    }

    /// Whether it wants a straw at all.
    fn wants_straw(&self) -> bool {
        matches!(self.recommendation, Recommendation::Sire | Recommendation::BeefSire)
    }

    /// Whether a straw of that sire and type is one that it means.
    pub fn means(&self, sire: &SireSummary, semen_type: SemenType) -> bool {
        let is_his = self.sire_id == Some(sire.id)
            || (self.is_any_beef() && matches!(sire.purpose, Some(Purpose::Beef | Purpose::Dual)));
        self.wants_straw() && is_his && self.semen_type.is_none_or(|only| only == semen_type)
    }

    /// The choice without what only tells of the sire in other words.
    fn meaning(&self) -> Self {
        if self.sire_id.is_none() {
            return self.clone();
        }
        Self { sire_name: None, sire_identifiers: Vec::new(), ..self.clone() }
    }

    /// The services for which he is meant, in words; nothing where it is any.
    pub fn services(&self) -> Option<String> {
        match (self.from_service, self.to_service) {
            (Some(first), Some(last)) if first == last => Some(format!("service {first}")),
            (Some(first), Some(last)) => Some(format!("services {first} to {last}")),
            (Some(first), None) => Some(format!("service {first} and later")),
            (None, Some(last)) => Some(format!("services up to {last}")),
            (None, None) => None,
        }
    }

    /// The choice in words: "Invented One, sexed (female)".
    pub fn describe(&self) -> String {
        let who = match self.recommendation {
            Recommendation::NoSire => "no sire".to_owned(),
            Recommendation::Impossible => "nothing could be recommended".to_owned(),
            Recommendation::Sire | Recommendation::BeefSire => self.called(),
        };
        match self.semen_type {
            Some(semen_type) => format!("{who}, {}", semen_type.describe()),
            None => who,
        }
    }

    /// What the sire is called.
    fn called(&self) -> String {
        if self.is_any_beef() {
            return "a beef sire".to_owned();
        }
        let name = self.sire_name.as_ref().map(ToString::to_string);
        let name = name.or_else(|| self.sire_identifiers.first().map(|name| name.id.to_string()));
        name.unwrap_or_else(|| "a sire without a name".to_owned())
    }
}

/// The choices as the store keeps them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Choices(pub Vec<PlannedChoice>);
json_column!(Choices);

/// The mating plan of an animal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct MatingPlan {
    /// Its id in the store; another when another source set it.
    #[serde(skip)]
    pub id: MatingPlanId,
    /// The animal.
    pub animal_id: AnimalId,
    /// What is planned, first choice first.
    pub choices: Vec<PlannedChoice>,
    /// Where the plan comes from.
    pub source: PlanSource,
    /// What herd software sent by the Animal Data Exchange, if it came so.
    pub item_id: Option<AdeItemId>,
    /// When it was made.
    pub planned_at: Timestamp,
    /// A remark.
    pub note: Option<Note>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// The key that recorded it.
    pub recorded_by: KeyId,
}

impl MatingPlan {
    /// A plan as it is entered; `before` is the one in whose place it stands.
    pub fn entered(
        animal_id: AnimalId,
        new: &NewMatingPlan,
        sires: &[PlannedSire],
        before: Option<&Self>,
        by: KeyId,
        now: Timestamp,
    ) -> Self {
        let named = |choice: PlannedChoice| {
            let sire = sires.iter().find(|sire| Some(sire.id) == choice.sire_id);
            let sire_identifiers = sire.map(|sire| sire.identifiers.iter().cloned().collect());
            PlannedChoice {
                sire_name: sire.map(|sire| sire.name.clone()),
                sire_identifiers: sire_identifiers.unwrap_or_default(),
                ..choice
            }
        };
        let choices = new.choices.iter().map(|choice| named(choice.choice())).collect();
        Self::of(animal_id, choices, (new.source, new.note.clone()), before, (by, now))
    }

    /// A plan of these choices from that source, with that note, in the place of `before`; by whom and when.
    pub fn of(
        animal_id: AnimalId,
        choices: Vec<PlannedChoice>,
        (source, note): (PlanSource, Option<Note>),
        before: Option<&Self>,
        (by, now): (KeyId, Timestamp),
    ) -> Self {
        let own = before.filter(|before| before.item_id.is_none());
        Self {
            id: own.map_or_else(MatingPlanId::new, |own| own.id),
            animal_id,
            choices,
            source,
            item_id: None,
            planned_at: now,
            note,
            recorded_at: now,
            recorded_by: by,
        }
    }

    /// Whether the other says the same, from the same source.
    pub fn says_the_same(&self, other: &Self) -> bool {
        let meant = |plan: &Self| plan.choices.iter().map(PlannedChoice::meaning).collect::<Vec<_>>();
        (self.source, &self.note) == (other.source, &other.note) && meant(self) == meant(other)
    }

    /// The sires of this book that it names, each once, in order.
    pub fn sires(&self) -> Vec<SireId> {
        let mut sires: Vec<SireId> = self.choices.iter().filter_map(|choice| choice.sire_id).collect();
        sires.sort_unstable();
        sires.dedup();
        sires
    }

    /// How soon it wants a straw of that sire and type for a service, from 0; `None` where it does not.
    pub fn rank(
        &self,
        service: i64,
        lactation: i64,
        sire: &SireSummary,
        semen_type: SemenType,
    ) -> Option<usize> {
        self.choices
            .iter()
            .position(|choice| choice.is_for(service, lactation) && choice.means(sire, semen_type))
    }

    /// Says so where a straw of that sire and type is not what is planned for a service.
    pub fn departure(
        &self,
        service: i64,
        lactation: i64,
        sire: &SireSummary,
        semen_type: SemenType,
    ) -> Option<String> {
        let now: Vec<_> = self.choices.iter().filter(|choice| choice.is_for(service, lactation)).collect();
        let wanted: Vec<String> =
            now.iter().filter(|choice| choice.wants_straw()).map(|choice| choice.describe()).collect();
        if wanted.is_empty() {
            let is_against = now.iter().any(|choice| choice.recommendation == Recommendation::NoSire);
            return is_against.then(|| NO_SIRE.to_owned());
        }
        let is_planned = self.rank(service, lactation, sire, semen_type).is_some();
        (!is_planned).then(|| {
            format!(
                "Planned for service {service}: {}. This straw is of {}, {}.",
                wanted.join("; "),
                sire.name,
                semen_type.describe()
            )
        })
    }
}

/// What is said where the plan is against serving her.
const NO_SIRE: &str = "The mating plan names no sire for her: she is not to be bred.";

text_enum! {
    /// What comes of a choice for the service that is asked about.
    ChoiceState {
        /// His straws hang within her reach, and she may have them.
        InReach = "in_reach",
        /// The rule, kinship, a lot's status or a hold stands against it.
        Barred = "barred",
        /// His straws hang only in the tanks of other herds.
        Elsewhere = "elsewhere",
        /// His straws belong to another owner.
        OtherOwner = "other_owner",
        /// No straw of his hangs anywhere.
        NotInStock = "not_in_stock",
        /// The sire is not in this book.
        UnknownSire = "unknown_sire",
        /// No sire: she is not to be bred.
        NoSire = "no_sire",
        /// Nothing could be recommended.
        NothingRecommended = "nothing_recommended",
    }
}

/// One choice of her plan, and what comes of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct StandingChoice {
    /// Its place in the plan: 1 is the first choice.
    #[schema(minimum = 1)]
    pub rank: usize,
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub choice: PlannedChoice,
    /// Whether it is meant for the service that is asked about.
    pub for_this_service: bool,
    /// What comes of it; null where it is meant for another service.
    pub state: Option<ChoiceState>,
    /// The same in words: where his straws hang, or what stands in the way.
    #[schema(max_length = 1000)]
    pub text: Option<String>,
}

/// The straws that a plan is held against.
pub struct Offered<'o> {
    /// All that hang within her reach, and those of planned sires elsewhere.
    pub stock: &'o [Stock],
    /// Whether the straw of that number is offered for her.
    pub is_offered: &'o dyn Fn(usize) -> bool,
    /// The expected inbreeding of her calf by a sire.
    pub inbreeding: &'o dyn Fn(SireId) -> Inbreeding,
    /// Only straws of this type are asked for.
    pub wanted: Option<SemenType>,
}

/// What comes of each choice of her plan.
pub fn standings(candidate: &Candidate, turn: &Turn, offered: &Offered<'_>) -> Vec<StandingChoice> {
    let Some(plan) = &candidate.plan else { return Vec::new() };
    let (service, lactation) = candidate.plan_case(turn);
    let standing = |(n, choice): (usize, &PlannedChoice)| {
        let is_wanted = offered
            .wanted
            .is_none_or(|wanted| choice.semen_type.is_none_or(|semen_type| semen_type == wanted));
        let for_this_service = is_wanted && choice.is_for(service, lactation);
        let (state, text) = for_this_service.then(|| comes_of(candidate, turn, choice, offered)).unzip();
        StandingChoice { rank: n + 1, choice: choice.clone(), for_this_service, state, text }
    };
    plan.choices.iter().enumerate().map(standing).collect()
}

/// What comes of one choice, and why.
fn comes_of(
    candidate: &Candidate,
    turn: &Turn,
    choice: &PlannedChoice,
    offered: &Offered<'_>,
) -> (ChoiceState, String) {
    match choice.recommendation {
        Recommendation::NoSire => return (ChoiceState::NoSire, NO_SIRE.to_owned()),
        Recommendation::Impossible => {
            return (ChoiceState::NothingRecommended, "Nothing could be recommended for her.".to_owned());
        }
        Recommendation::Sire | Recommendation::BeefSire => {}
    }
    let who = choice.called();
    if choice.sire_id.is_none() && !choice.is_any_beef() {
        let text =
            format!("{who} is not in this book, or more than one sire goes by that name; enter the sire.");
        return (ChoiceState::UnknownSire, text);
    }
    let Offered { stock, is_offered, inbreeding, wanted } = offered;
    let is_his = |stock: &Stock| {
        choice.means(&stock.sire, stock.semen_type) && wanted.is_none_or(|only| stock.semen_type == only)
    };
    let his = || stock.iter().enumerate().filter(|(_, stock)| is_his(stock));
    let kinship = |sire: SireId| candidate.kinship_objection((*inbreeding)(sire));
    if let Some(related) = choice.sire_id.and_then(kinship) {
        return (ChoiceState::Barred, related.describe(&candidate.herd));
    }
    if let Some((_, first)) = his().find(|(n, _)| is_offered(*n)) {
        return (ChoiceState::InReach, format!("In reach: {}, {}.", first.tank_name, first.place.describe()));
    }
    let mut reasons: Vec<String> = Vec::new();
    for (_, straw) in
        his().filter(|(_, straw)| candidate.reaches(straw) && straw.lot.details.is_for(candidate.herd_id))
    {
        let of = (*inbreeding)(straw.sire.id);
        let mut objections = candidate.objections_to(turn, &straw.lot, straw.sire.purpose, of);
        objections.extend(straw.on_hold.clone().map(|reason| Objection::OnHold { reason }));
        for reason in objections.iter().map(|objection| objection.describe(&candidate.herd)) {
            if !reasons.contains(&reason) {
                reasons.push(reason);
            }
        }
    }
    reasons.truncate(MOST_REASONS);
    if !reasons.is_empty() {
        return (ChoiceState::Barred, reasons.join(" "));
    }
    let allowed = &turn.allowed;
    if let Some(semen_type) =
        choice.semen_type.filter(|one| !allowed.has(*one) && !allowed.has_otherwise(*one))
    {
        let against = Objection::ChoiceRule { semen_type, purpose: None, allowed: allowed.clone() };
        return (ChoiceState::Barred, against.describe(&candidate.herd));
    }
    elsewhere(candidate.herd_id, &who, his().map(|(_, straw)| straw))
}

/// The most reasons that stand beside a choice.
const MOST_REASONS: usize = 3;

/// Where straws hang that are out of her reach. Of what belongs to another owner nothing is told but that.
fn elsewhere<'s>(herd: HerdId, who: &str, his: impl Iterator<Item = &'s Stock>) -> (ChoiceState, String) {
    let (mut places, mut is_anothers) = (Vec::<(&Name, i64)>::new(), false);
    for straw in his {
        let lot = &straw.lot.details;
        if !lot.is_for(herd) {
            is_anothers = true;
        } else if lot.status == LotStatus::Usable && straw.on_hold.is_none() {
            match places.iter_mut().find(|(tank, _)| **tank == straw.tank_name) {
                Some((_, straws)) => *straws += straw.straws,
                None => places.push((&straw.tank_name, straw.straws)),
            }
        }
    }
    places.truncate(MOST_REASONS);
    if !places.is_empty() {
        let told: Vec<String> = places.iter().map(|(tank, straws)| format!("{straws} in {tank}")).collect();
        let text =
            format!("No straw of {who} hangs within her reach; in other herds' tanks: {}.", told.join(", "));
        return (ChoiceState::Elsewhere, text);
    }
    if is_anothers {
        return (ChoiceState::OtherOwner, format!("The straws of {who} belong to another owner."));
    }
    (
        ChoiceState::NotInStock,
        format!("No straw of {who} that she could have hangs in any tank of this book."),
    )
}

/// Says what came of the plan where nothing that it wants is at hand; nothing where her straw is planned, or nothing is.
pub fn not_followed(planned: &[StandingChoice]) -> Option<String> {
    let now: Vec<_> = planned.iter().filter(|choice| choice.for_this_service).collect();
    if now.is_empty() || now.iter().any(|choice| choice.state == Some(ChoiceState::InReach)) {
        return None;
    }
    if now.iter().any(|choice| choice.state == Some(ChoiceState::NoSire)) {
        return Some(NO_SIRE.to_owned());
    }
    let told = |choice: &&StandingChoice| {
        format!("{}: {}", choice.choice.describe(), choice.text.as_deref().unwrap_or_default())
    };
    let told: Vec<String> = now.iter().take(MOST_REASONS).map(told).collect();
    Some(format!("Nothing that is planned for this service is at hand. {}", told.join(" ")))
}

/// A sire as a plan asks about him.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct PlannedSire {
    /// His id.
    pub id: SireId,
    /// His name.
    pub name: Name,
    /// His official names.
    pub identifiers: Identifiers,
    /// His lots.
    pub lots: i64,
    /// Those of them that are usable.
    pub usable_lots: i64,
}

/// What is to be heeded of a plan at its entry: none of it refuses the plan.
pub fn warnings(candidate: &Candidate, sires: &[PlannedSire]) -> Vec<String> {
    let ids: Vec<SireId> = sires.iter().map(|sire| sire.id).collect();
    let mut warnings = Vec::new();
    for (sire, inbreeding) in sires.iter().zip(candidate.inbreeding(&ids)) {
        let kinship: MatingKinship = candidate.kinship(sire.id, &sire.name, inbreeding);
        if matches!(kinship.verdict, KinshipVerdict::OverLimit | KinshipVerdict::Warning) {
            warnings.push(kinship.text);
        }
        let name = &sire.name;
        if sire.lots == 0 {
            warnings.push(format!("The book has no straws of {name}."));
        } else if sire.usable_lots == 0 {
            warnings.push(format!("All straws of {name} are quarantined or recalled."));
        }
    }
    warnings
}

/// What becomes of the plan of an animal when herd software told or took back a recommendation for her.
#[derive(Debug, PartialEq, Eq)]
pub enum Landing {
    /// It stays as it is.
    Keep,
    /// It stays, because somebody made it later than the recommendation.
    KeepLater,
    /// This recommendation is the plan.
    Set(AdeItemId),
    /// Nothing is planned any more.
    Remove,
}

/// Decides it: the last recommendation that stands is the plan, unless somebody set another after it. `told` is the item
/// that came, `last` the last of hers that stands and when it was made.
pub fn landing(plan: Option<&MatingPlan>, told: AdeItemId, last: Option<(AdeItemId, Timestamp)>) -> Landing {
    let is_told = |last: AdeItemId| last == told;
    match (plan, last) {
        // Somebody took the plan away: only what comes after that is one.
        (None, Some((last, _))) if is_told(last) => Landing::Set(last),
        (Some(plan), Some((last, at))) if plan.item_id.is_none() && is_told(last) => {
            if at > plan.planned_at {
                Landing::Set(last)
            } else {
                Landing::KeepLater
            }
        }
        (Some(plan), Some((last, _))) if plan.item_id.is_some_and(|item| item != last || is_told(last)) => {
            Landing::Set(last)
        }
        (Some(plan), None) if plan.item_id.is_some() => Landing::Remove,
        _ => Landing::Keep,
    }
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;
    use proptest::prelude::*;
    use serde_json::json;
    use uuid::Uuid;

    use super::*;
    use crate::domain::form::read;

    fn sire(n: u128) -> SireSummary {
        SireSummary {
            id: SireId(Uuid::from_u128(n)),
            name: Name::parse(&format!("Invented {n}")).unwrap(),
            breed: None,
            purpose: None,
            identifiers: Identifiers::default(),
        }
    }

    fn choice(n: u128) -> PlannedChoice {
        PlannedChoice {
            recommendation: Recommendation::Sire,
            sire_id: Some(sire(n).id),
            sire_name: Some(sire(n).name),
            sire_identifiers: Vec::new(),
            semen_type: None,
            from_service: None,
            to_service: None,
            lactation: None,
        }
    }

    fn plan(choices: Vec<PlannedChoice>) -> MatingPlan {
        let at = Timestamp::from(DateTime::UNIX_EPOCH);
        MatingPlan {
            id: MatingPlanId::new(),
            animal_id: AnimalId::new(),
            choices,
            source: PlanSource::ByHand,
            item_id: None,
            planned_at: at,
            note: None,
            recorded_at: at,
            recorded_by: KeyId::new(),
        }
    }

    fn service(n: i64) -> Option<ServiceNumber> {
        ServiceNumber::new(n)
    }

    #[test]
    fn a_choice_is_for_the_services_that_it_names() {
        let any = choice(1);
        let only = PlannedChoice { from_service: service(2), to_service: service(2), ..choice(1) };
        let later = PlannedChoice { from_service: service(3), ..choice(1) };
        let first = PlannedChoice { to_service: service(1), ..choice(1) };
        let heifer = PlannedChoice { lactation: Lactation::new(0), ..choice(1) };
        for n in 1..6 {
            assert!(any.is_for(n, 0) && any.is_for(n, 4));
            assert_eq!(only.is_for(n, 1), n == 2);
            assert_eq!(later.is_for(n, 1), n >= 3);
            assert_eq!(first.is_for(n, 1), n == 1);
            assert!(heifer.is_for(n, 0) && !heifer.is_for(n, 1));
        }
    }

    #[test]
    fn a_service_number_is_both_ends() {
        let new = json!({"sire_id": Uuid::now_v7(), "service_number": 2});
        let new: NewPlannedChoice = read(&new, &InputPath::body()).unwrap();
        let choice = new.choice();
        assert_eq!((choice.from_service, choice.to_service), (service(2), service(2)));
        let wrong = |more: serde_json::Value| {
            let mut new = json!({"sire_id": Uuid::now_v7()});
            new.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
            read::<NewPlannedChoice>(&new, &InputPath::body()).unwrap_err()[0].pointer.clone()
        };
        assert_eq!(wrong(json!({"service_number": 2, "from_service": 2})), "#/service_number");
        assert_eq!(wrong(json!({"from_service": 3, "to_service": 2})), "#/to_service");
    }

    #[test]
    fn a_type_and_a_beef_sire_are_heeded() {
        let sexed = PlannedChoice { semen_type: Some(SemenType::SexedFemale), ..choice(1) };
        assert!(sexed.means(&sire(1), SemenType::SexedFemale));
        assert!(
            !sexed.means(&sire(1), SemenType::Conventional) && !sexed.means(&sire(2), SemenType::SexedFemale)
        );
        let beef = PlannedChoice {
            recommendation: Recommendation::BeefSire,
            sire_id: None,
            sire_name: None,
            ..choice(1)
        };
        let of = |purpose| SireSummary { purpose, ..sire(2) };
        assert!(beef.means(&of(Some(Purpose::Beef)), SemenType::Conventional));
        assert!(!beef.means(&of(Some(Purpose::Dairy)), SemenType::Conventional));
        assert!(!beef.means(&of(None), SemenType::Conventional));
        let no = PlannedChoice { recommendation: Recommendation::NoSire, ..choice(1) };
        assert!(!no.means(&sire(1), SemenType::Conventional));
    }

    #[test]
    fn what_departs_from_the_plan_hears_what_was_planned() {
        let plan = plan(vec![
            PlannedChoice { to_service: service(1), semen_type: Some(SemenType::SexedFemale), ..choice(1) },
            choice(2),
        ]);
        let said = |service, n, semen_type| plan.departure(service, 0, &sire(n), semen_type);
        assert_eq!(said(1, 1, SemenType::SexedFemale), None);
        assert_eq!(said(1, 2, SemenType::Conventional), None, "the second choice is planned too");
        let told = said(1, 1, SemenType::Conventional).unwrap();
        assert!(told.contains("Invented 1, sexed (female); Invented 2"), "{told}");
        let told = said(2, 1, SemenType::SexedFemale).unwrap();
        assert!(told.starts_with("Planned for service 2: Invented 2."), "{told}");
        let no =
            super::tests::plan(vec![PlannedChoice { recommendation: Recommendation::NoSire, ..choice(1) }]);
        assert!(no.departure(1, 0, &sire(1), SemenType::Conventional).unwrap().contains("not to be bred"));
        let later = super::tests::plan(vec![PlannedChoice { from_service: service(5), ..choice(1) }]);
        assert_eq!(
            later.departure(1, 0, &sire(2), SemenType::Conventional),
            None,
            "nothing is planned for it"
        );
    }

    #[test]
    fn the_last_that_stands_is_the_plan_unless_somebody_set_another_after_it() {
        let at = |hours| Timestamp::from(DateTime::UNIX_EPOCH).plus(chrono::TimeDelta::hours(hours));
        let (told, other) = (AdeItemId::new(), AdeItemId::new());
        let by_hand = plan(vec![choice(1)]);
        let of = |item| MatingPlan { item_id: Some(item), ..plan(vec![choice(1)]) };
        assert_eq!(landing(None, told, Some((told, at(1)))), Landing::Set(told));
        assert_eq!(landing(None, told, Some((other, at(1)))), Landing::Keep, "somebody took the plan away");
        assert_eq!(landing(Some(&by_hand), told, Some((told, at(1)))), Landing::Set(told));
        assert_eq!(landing(Some(&by_hand), told, Some((told, at(0)))), Landing::KeepLater);
        assert_eq!(landing(Some(&by_hand), told, Some((other, at(1)))), Landing::Keep);
        assert_eq!(landing(Some(&by_hand), told, None), Landing::Keep);
        assert_eq!(landing(Some(&of(told)), told, Some((told, at(1)))), Landing::Set(told), "corrected");
        assert_eq!(landing(Some(&of(told)), told, Some((other, at(1)))), Landing::Set(other), "taken back");
        assert_eq!(landing(Some(&of(told)), told, None), Landing::Remove);
        assert_eq!(landing(Some(&of(other)), told, Some((other, at(1)))), Landing::Keep, "older");
    }

    proptest! {
        /// A straw has the rank of the first choice that means it; what no choice means has none.
        #[test]
        fn the_first_choice_that_means_a_straw_ranks_it(
            named in prop::collection::vec((0..4_u128, 0..4_i64, prop::bool::ANY), 0..6),
            number in 1..4_i64,
            of in 0..4_u128,
        ) {
            let choices = named.iter().map(|(n, from, sexed)| PlannedChoice {
                from_service: service(*from),
                semen_type: sexed.then_some(SemenType::SexedFemale),
                ..choice(*n)
            });
            let plan = plan(choices.collect());
            for semen_type in [SemenType::SexedFemale, SemenType::Conventional] {
                let first = named.iter().position(|(n, from, sexed)| {
                    *n == of && *from <= number && (!sexed || semen_type == SemenType::SexedFemale)
                });
                prop_assert_eq!(plan.rank(number, 1, &sire(of), semen_type), first);
            }
        }
    }
}
