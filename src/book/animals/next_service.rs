//! Before the plug comes off: which service it would be, what it calls for, and where that hangs.

use chrono::TimeDelta;
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    book::straws::withdraw::in_reach,
    domain::{
        animals::{
            candidate::Candidate,
            choice::{Allowed, Class},
            history::Numbered,
            mating::{KinshipVerdict, MatingKinship},
            objection::{Deviation, waiting_warning},
            offers::Blocked,
            pregnancy::Pregnancy,
            timed_protocol::{ProtocolStart, StartState},
            timing::{Timing, WindowState, timing},
        },
        cautions::withdrawal as lifting,
        duration::words,
        exchange::ade::{Recommendation, own},
        identifiers::ExternalId,
        straws::{semen::SemenType, stock::Stock, thaw::ThawProtocol},
        values::{AdeItemId, AnimalId, BusinessId, HerdId, Name, ServiceId, SireId, Timestamp},
    },
    store::{
        self, Tx,
        animals::{candidate, identifier::NamedSire},
    },
};

/// What an animal's next service calls for.
#[derive(Debug, Serialize, ToSchema)]
pub struct NextService {
    /// The animal.
    pub animal_id: AnimalId,
    /// Her herd.
    pub herd_id: HerdId,
    /// The moment it is about.
    pub at: Timestamp,
    /// Heifer or cow.
    pub class: Class,
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub numbered: Numbered,
    /// Whether nothing stands against serving her.
    pub permitted: bool,
    /// What stands against serving her at all.
    pub objections: Vec<Deviation>,
    /// The semen types that her service number calls for.
    pub semen_types: Vec<SemenType>,
    /// The rule that says so.
    pub rule: Allowed,
    /// The pregnancy that a check found and that has not ended since; null without one.
    pub pregnancy: Option<FoundPregnancy>,
    /// Straws that she may have and where they hang, the first to be used first.
    pub candidates: Vec<Stock>,
    /// Sires in reach that she may not have, and why.
    pub blocked: Vec<Blocked>,
    /// Her kinship with each of these sires, from the known pedigree.
    pub kinship: Vec<MatingKinship>,
    /// When to serve her, from her last heat and how it was found; null without one in the last three days.
    pub timing: Option<Timing>,
    /// The mating plan for her, as her herd system last told it; null without one.
    pub plan: Option<MatingPlan>,
    /// How to thaw the first of the straws.
    pub thaw: ThawProtocol,
    /// What else to heed.
    pub cautions: Vec<String>,
}

/// A pregnancy that a check found.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct FoundPregnancy {
    /// When it was found.
    pub checked_at: Timestamp,
    /// The service that fits; null when none on record does for certain.
    pub service_id: Option<ServiceId>,
    /// When that was.
    pub served_at: Option<Timestamp>,
    /// Whether more than one calf was seen.
    pub multiple: bool,
}

impl FoundPregnancy {
    fn of(candidate: &Candidate, found: Pregnancy) -> Self {
        let service = found.fit.service();
        Self {
            checked_at: found.checked_at,
            service_id: service.and_then(|n| candidate.numbered.get(n)).map(|(id, _)| *id),
            served_at: service.and_then(|n| candidate.history.services.get(n)).map(|service| service.at),
            multiple: found.multiple,
        }
    }
}

/// What is planned for an animal.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct MatingPlan {
    /// The recommendation as it came.
    pub item_id: AdeItemId,
    /// When it was made.
    pub planned_at: Option<Timestamp>,
    /// What is recommended, first choice first.
    pub choices: Vec<PlannedChoice>,
}

/// One recommendation of a plan.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct PlannedChoice {
    /// What.
    pub recommendation: Recommendation,
    /// The sire, where he is in this book.
    pub sire_id: Option<SireId>,
    /// His name, as here or else as it was told.
    pub sire_name: Option<Name>,
    /// His names as they were told.
    pub sire_identifiers: Vec<ExternalId>,
    /// The semen type, where it is said.
    pub semen_type: Option<SemenType>,
    /// First choice, second choice.
    #[schema(minimum = 0)]
    pub rank: Option<i64>,
}

/// The last plan for an animal up to a moment. A sire that came into the book since is found in it.
async fn plan_for(
    tx: &mut Tx,
    business: BusinessId,
    animal: AnimalId,
    at: Timestamp,
) -> store::Result<Option<MatingPlan>> {
    let Some(item) = store::exchange::ade_item::plan_for(tx, business, animal, at).await? else {
        return Ok(None);
    };
    let told = item.plan.unwrap_or_default().0;
    let names: Vec<_> = told.iter().flat_map(|told| told.sires.iter().cloned()).collect();
    let known = store::animals::identifier::sires(tx, business, &names, own::SIRE).await?;
    let (mut choices, mut first) = (Vec::new(), 0);
    for told in told {
        let lines = first..first + told.sires.len();
        first = lines.end;
        let is_his = |sire: &&NamedSire| usize::try_from(sire.line).is_ok_and(|line| lines.contains(&line));
        let mut sires: Vec<&NamedSire> = known.iter().filter(is_his).collect();
        sires.sort_by_key(|sire| sire.id);
        sires.dedup_by_key(|sire| sire.id);
        let sire = sires.first().copied().filter(|_| sires.len() == 1);
        choices.push(PlannedChoice {
            recommendation: told.recommendation,
            sire_id: sire.map(|sire| sire.id),
            sire_name: sire.map(|sire| sire.name.clone()).or(told.sire_name),
            sire_identifiers: told.sires,
            semen_type: told.semen_type,
            rank: told.rank,
        });
    }
    choices.sort_by_key(|choice| choice.rank.unwrap_or(i64::MAX));
    Ok(Some(MatingPlan { item_id: item.id, planned_at: item.happened_at, choices }))
}

/// A plan that says no is heeded by whoever looks only at what to heed.
fn planned_against(plan: &MatingPlan) -> Option<String> {
    let no = |choice: &PlannedChoice| choice.recommendation == Recommendation::NoSire;
    plan.choices
        .iter()
        .any(no)
        .then(|| "The mating plan names no sire for her: she is not to be bred.".to_owned())
}

/// What `animal`'s next service calls for at `at`, with straws of the `wanted` type only when one is;
/// `None` when there is no such animal.
pub async fn next_service(
    tx: &mut Tx,
    business: BusinessId,
    animal: AnimalId,
    at: Timestamp,
    wanted: Option<SemenType>,
) -> store::Result<Option<NextService>> {
    let asked = candidate::Asked { animal: Some(animal), ..candidate::Asked::default() };
    let Some(candidate) = candidate::gather(tx, business, asked).await?.candidate else { return Ok(None) };
    let turn = candidate.at(at);
    let (candidate, mut candidates, blocked) = in_reach(tx, business, candidate, &turn).await?;
    candidates.retain(|straw| wanted.is_none_or(|wanted| straw.semen_type == wanted));
    let semen_type = candidates
        .first()
        .map(|first| first.lot.details.semen_type)
        .or_else(|| turn.allowed.semen_types.first().copied())
        .unwrap_or(SemenType::Conventional);
    let thaw = candidates.first().map_or_else(
        || candidate.herd.thaw.clone().unwrap_or_else(|| ThawProtocol::default_for(semen_type, None)),
        |first| candidate.protocol(&first.lot),
    );
    let kinship = kinships(&candidate, &candidates, &blocked);
    let open = store::straws::withdrawal::list(
        tx,
        business,
        Some(candidate.id),
        true,
        store::Page { after: uuid::Uuid::nil(), limit: 10 },
    )
    .await?;
    let objections = candidate.objections(&turn);
    let mut cautions: Vec<String> =
        objections.iter().map(|objection| objection.describe(&candidate.herd)).collect();
    cautions.extend(waiting_warning(&turn.status, &candidate.herd, at));
    cautions.extend(candidate.unruled_warning(&turn));
    let is_otherwise = candidates.first().is_some_and(|first| !turn.allowed.has(first.semen_type));
    cautions.extend(turn.allowed.otherwise_note().filter(|_| is_otherwise));
    let mut unknown: Vec<String> =
        candidates.iter().filter_map(|straw| turn.allowed.purpose_warning(&straw.sire)).collect();
    unknown.dedup();
    cautions.extend(unknown);
    cautions.extend(open.iter().map(|straw| {
        format!(
            "A straw has been out for her since {} ({}) and is not accounted for.",
            straw.withdrawn_at.display_in(candidate.herd.time_zone),
            words(at.since(straw.withdrawn_at))
        )
    }));
    let timing = turn.status.heat.map(|heat| {
        let served = turn.status.served_at.filter(|served| *served >= heat.at);
        timing(heat, semen_type, at, served, candidate.herd.time_zone)
    });
    let protocol = protocol_of(tx, business, &candidate, at).await?;
    let timing = protocol.as_ref().map(|start| start.timing(semen_type, at)).or(timing);
    cautions.extend(protocol.as_ref().map(ProtocolStart::caution_in_words));
    let to_heed = |timing: &&Timing| timing.state == WindowState::Passed || timing.served_at.is_some();
    cautions.extend(timing.as_ref().filter(to_heed).map(|timing| timing.text.clone()));
    let plan = plan_for(tx, business, candidate.id, at).await?;
    cautions.extend(plan.as_ref().and_then(planned_against));
    cautions.extend(out_of_stock(&candidates, &turn.allowed));
    cautions.extend(candidate.doubts(&turn));
    cautions.extend(kinship.iter().filter_map(MatingKinship::warning));
    cautions.extend(unknown_kinship(&kinship));
    let straw_ml = candidates.first().and_then(|first| first.lot.details.straw_ml);
    cautions.extend(lifting(straw_ml).iter().map(ToString::to_string));
    Ok(Some(NextService {
        animal_id: candidate.id,
        herd_id: candidate.herd_id,
        at,
        class: turn.status.class,
        numbered: turn.status.next,
        permitted: objections.is_empty(),
        objections: objections.iter().map(|objection| objection.set_aside(&candidate.herd, None)).collect(),
        timing,
        semen_types: turn.allowed.semen_types.clone(),
        pregnancy: turn.status.pregnancy.map(|found| FoundPregnancy::of(&candidate, found)),
        rule: turn.allowed,
        candidates,
        blocked,
        kinship,
        plan,
        thaw,
        cautions,
    }))
}

/// The timed protocol that has her to be served on the day of `at`, or had her within the last three days.
async fn protocol_of(
    tx: &mut Tx,
    business: BusinessId,
    candidate: &Candidate,
    at: Timestamp,
) -> store::Result<Option<ProtocolStart>> {
    let (from, until) = (store::animals::timed_protocol::matters_from(at), at.plus(TimeDelta::days(1)));
    let starts =
        store::animals::timed_protocol::ahead_of(tx, business, &[candidate.id], from, Some(until)).await?;
    let stands = starts.into_iter().map(|start| start.at(&candidate.history, at));
    Ok(stands.filter(|start| start.state == StartState::Running).last())
}

/// Her kinship with each sire whose straws she may have, or not.
fn kinships(candidate: &Candidate, candidates: &[Stock], blocked: &[Blocked]) -> Vec<MatingKinship> {
    let offered = candidates.iter().map(|straw| (straw.sire.id, straw.sire.name.clone()));
    let barred = blocked.iter().map(|blocked| (blocked.sire_id, blocked.sire_name.clone()));
    let mut sires: Vec<(SireId, Name)> = Vec::new();
    for sire in offered.chain(barred) {
        if !sires.iter().any(|(known, _)| *known == sire.0) {
            sires.push(sire);
        }
    }
    let ids: Vec<SireId> = sires.iter().map(|(id, _)| *id).collect();
    let inbreeding = candidate.inbreeding(&ids);
    sires.iter().zip(inbreeding).map(|((id, name), of)| candidate.kinship(*id, name, of)).collect()
}

/// Said once, however many sires there are.
fn unknown_kinship(kinship: &[MatingKinship]) -> Option<String> {
    let unknown: Vec<&str> = kinship
        .iter()
        .filter(|of| of.verdict == KinshipVerdict::Unknown)
        .map(|of| of.sire_name.as_str())
        .collect();
    (!unknown.is_empty()).then(|| {
        format!(
            "A parent of hers or of the sire is not on record, so kinship is not fully known: {}.",
            unknown.join(", ")
        )
    })
}

/// Straws out of reach are said plainly.
fn out_of_stock(candidates: &[Stock], allowed: &Allowed) -> Option<String> {
    candidates
        .is_empty()
        .then(|| format!("No straw that she may have hangs within reach ({}).", allowed.wanted()))
}
