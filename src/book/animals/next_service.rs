//! Before the plug comes off: which service it would be, what it calls for, and where that hangs.

use chrono::TimeDelta;
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    book::{Caller, straws::withdraw::in_reach},
    domain::{
        animals::{
            candidate::{Candidate, Turn},
            choice::{Allowed, Class},
            history::Numbered,
            mating::{KinshipVerdict, MatingKinship},
            mating_plan::{MatingPlan, PlanSource, StandingChoice, not_followed},
            objection::{Deviation, waiting_warning},
            offers::{Blocked, Offers},
            pregnancy::Pregnancy,
            timed_protocol::{ProtocolStart, StartState},
            timing::{Timing, WindowState, timing},
        },
        cautions::withdrawal as lifting,
        duration::words,
        straws::{semen::SemenType, stock::Stock, thaw::ThawProtocol, withdrawal::Withdrawal},
        values::{AdeItemId, AnimalId, HerdId, Name, Note, ServiceId, SireId, Timestamp},
    },
    store::{
        self, Tx,
        animals::{candidate, timed_protocol},
    },
};

/// What an animal's next service calls for, with the straws that she may have.
#[derive(Debug, Serialize, ToSchema)]
pub struct NextService {
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub call: ServiceCall,
    /// Straws that she may have and where they hang, the first to be used first.
    pub candidates: Vec<Stock>,
}

/// What an animal's next service calls for.
#[derive(Debug, Serialize, ToSchema)]
pub struct ServiceCall {
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
    /// Sires in reach that she may not have, and why.
    pub blocked: Vec<Blocked>,
    /// Her kinship with each of these sires, from the known pedigree.
    pub kinship: Vec<MatingKinship>,
    /// When to serve her, from her last heat and how it was found; null without one in the last three days.
    pub timing: Option<Timing>,
    /// The mating plan for her, and what comes of it; null without one. Straws that it wants stand first among `candidates`.
    pub plan: Option<StandingPlan>,
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

/// What is planned for an animal, and what comes of it.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct StandingPlan {
    /// What herd software sent by the Animal Data Exchange, if the plan came so.
    pub item_id: Option<AdeItemId>,
    /// Where the plan comes from.
    pub source: PlanSource,
    /// When it was made.
    pub planned_at: Timestamp,
    /// A remark.
    pub note: Option<Note>,
    /// What is planned, first choice first; also for other services of hers.
    pub choices: Vec<StandingChoice>,
}

impl StandingPlan {
    fn of(plan: &MatingPlan, choices: Vec<StandingChoice>) -> Self {
        Self {
            item_id: plan.item_id,
            source: plan.source,
            planned_at: plan.planned_at,
            note: plan.note.clone(),
            choices,
        }
    }
}

/// What `animal`'s next service calls for at `at`, with straws of the `wanted` type only when one is;
/// `None` when there is no such animal.
pub async fn next_service(
    tx: &mut Tx,
    caller: &Caller,
    animal: AnimalId,
    at: Timestamp,
    wanted: Option<SemenType>,
) -> store::Result<Option<NextService>> {
    let business = caller.business_id;
    let asked = candidate::Asked { animal: Some(animal), ..candidate::Asked::default() };
    let Some(candidate) = candidate::gather(tx, business, asked).await?.candidate else { return Ok(None) };
    let turn = candidate.at(at);
    let (candidate, offers) = in_reach(tx, business, caller.limits(), candidate, &turn, wanted).await?;
    let page = store::Page { after: uuid::Uuid::nil(), limit: i64::from(MOST_OUT) };
    let open = store::straws::withdrawal::list(tx, business, Some(candidate.id), true, page).await?;
    let (from, until) = (timed_protocol::matters_from(at), at.plus(TimeDelta::days(1)));
    let starts = timed_protocol::ahead_of(tx, business, &[candidate.id], from, Some(until)).await?;
    Ok(Some(told(&candidate, turn, offers, &open, &starts)))
}

/// Straws that are out for an animal of which is told at most.
pub(crate) const MOST_OUT: u8 = 10;

/// What is told of an animal whose turn it is, with what there is for her, the straws that are out for her, and the timed
/// protocols that may have her to be served.
pub(crate) fn told(
    candidate: &Candidate,
    turn: Turn,
    offers: Offers,
    open: &[Withdrawal],
    starts: &[ProtocolStart],
) -> NextService {
    let at = turn.at;
    let Offers { free: candidates, blocked, planned } = offers;
    let semen_type = candidates
        .first()
        .map(|first| first.lot.details.semen_type)
        .or_else(|| turn.allowed.semen_types.first().copied())
        .unwrap_or(SemenType::Conventional);
    let thaw = candidates.first().map_or_else(
        || candidate.herd.thaw.clone().unwrap_or_else(|| ThawProtocol::default_for(semen_type, None)),
        |first| candidate.protocol(&first.lot),
    );
    let kinship = kinships(candidate, &candidates, &blocked);
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
    let protocol = running(candidate, starts, at);
    let timing = protocol.as_ref().map(|start| start.timing(semen_type, at)).or(timing);
    cautions.extend(protocol.as_ref().map(ProtocolStart::caution_in_words));
    let to_heed = |timing: &&Timing| timing.state == WindowState::Passed || timing.served_at.is_some();
    cautions.extend(timing.as_ref().filter(to_heed).map(|timing| timing.text.clone()));
    cautions.extend(not_followed(&planned));
    let plan = candidate.plan.as_ref().map(|plan| StandingPlan::of(plan, planned));
    cautions.extend(out_of_stock(&candidates, &turn.allowed));
    cautions.extend(candidate.doubts(&turn));
    cautions.extend(kinship.iter().filter_map(MatingKinship::warning));
    cautions.extend(unknown_kinship(&kinship));
    let straw_ml = candidates.first().and_then(|first| first.lot.details.straw_ml);
    cautions.extend(lifting(straw_ml).iter().map(ToString::to_string));
    let call = ServiceCall {
        animal_id: candidate.id,
        herd_id: candidate.herd_id,
        at,
        class: turn.status.class,
        numbered: turn.status.next,
        permitted: objections.is_empty(),
        objections: objections.iter().map(|objection| objection.set_aside(&candidate.herd, None)).collect(),
        timing,
        semen_types: turn.allowed.semen_types.clone(),
        pregnancy: turn.status.pregnancy.map(|found| FoundPregnancy::of(candidate, found)),
        rule: turn.allowed,
        blocked,
        kinship,
        plan,
        thaw,
        cautions,
    };
    NextService { call, candidates }
}

/// The timed protocol that has her to be served on the day of `at`, or had her within the last three days.
fn running(candidate: &Candidate, starts: &[ProtocolStart], at: Timestamp) -> Option<ProtocolStart> {
    let (from, until) = (timed_protocol::matters_from(at), at.plus(TimeDelta::days(1)));
    let hers = starts.iter().filter(|start| start.animal_id == candidate.id);
    let near = hers.filter(|start| (from..=until).contains(&start.inseminate_at));
    let mut stands = near.map(|start| start.clone().at(&candidate.history, at));
    stands.rfind(|start| start.state == StartState::Running)
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
