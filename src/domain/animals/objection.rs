//! Whether a straw may be taken for an animal, and what stands in the way.
//!
//! Permission before the act, truth after it: an objection refuses a withdrawal unless someone
//! who may do so sets it aside with a reason; then it stays on record as a deviation.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::{
            choice::{Allowed, Class},
            herd::HerdDetails,
            history::AnimalStatus,
            kinship::Inbreeding,
        },
        duration::words,
        straws::{
            lot::{LotDetails, LotStatus},
            semen::SemenType,
            sire::Purpose,
        },
        values::{Day, HerdId, Name, Reason, Timestamp},
    },
    json_column, text_enum,
};

text_enum! {
    /// What was out of the ordinary.
    DeviationKind {
        /// The semen type is not the one that the service number calls for.
        ChoiceRule = "choice_rule",
        /// She was confirmed pregnant.
        AnimalPregnant = "animal_pregnant",
        /// She is not to be bred.
        DoNotBreed = "do_not_breed",
        /// She left the herd.
        AnimalLeft = "animal_left",
        /// The heifer is too young.
        TooYoung = "too_young",
        /// She and the sire are too closely related.
        Kinship = "kinship",
        /// The lot is quarantined or recalled.
        LotNotUsable = "lot_not_usable",
        /// The straw hung in a tank or canister whose straws are not to be used.
        OnHold = "on_hold",
        /// The straw belongs to another herd's owner.
        NotYours = "not_yours",
        /// The straw says something else than the book does.
        StrawMismatch = "straw_mismatch",
        /// The bath was too warm or too cold.
        BathOutOfRange = "bath_out_of_range",
        /// The straw took more than a minute from the tank to the bath.
        LateToBath = "late_to_bath",
        /// Served before the straw had been in the bath long enough.
        BeforeReady = "before_ready",
        /// Served after the straw should have been used.
        AfterUseBy = "after_use_by",
        /// Served earlier than the straw is said to have left the tank.
        BeforeWithdrawal = "before_withdrawal",
    }
}

/// Something out of the ordinary that is on record.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Deviation {
    /// What it is.
    pub kind: DeviationKind,
    /// What it is, in words.
    pub text: String,
    /// Why it was accepted, when someone had to say so.
    pub reason: Option<String>,
}

/// Deviations, in the order in which they were found.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct Deviations(pub Vec<Deviation>);
json_column!(Deviations);

/// What stands in the way of a withdrawal.
#[derive(Clone, Debug, PartialEq)]
pub enum Objection {
    /// She is not to be bred.
    DoNotBreed {
        /// Since when.
        since: Timestamp,
    },
    /// She left the herd.
    AnimalLeft {
        /// When.
        on: Day,
    },
    /// She was confirmed pregnant.
    Pregnant {
        /// By the check of that time.
        since_check: Timestamp,
    },
    /// The heifer is younger than the herd serves.
    TooYoung {
        /// Her age in days.
        age_days: i64,
        /// The herd's limit in days.
        limit_days: i64,
    },
    /// The lot is not usable.
    LotNotUsable {
        /// What it is.
        status: LotStatus,
    },
    /// It hangs in a tank or canister whose straws are not to be used.
    OnHold {
        /// Why.
        reason: Reason,
    },
    /// It belongs to another herd's owner.
    NotYours,
    /// The straw says something else than the book does.
    StrawMismatch {
        /// What was read off it.
        read: Name,
        /// What it should say.
        expected: String,
    },
    /// The calf would be too inbred.
    Kinship {
        /// Its expected inbreeding.
        inbreeding: Inbreeding,
        /// The herd's limit.
        limit: f64,
    },
    /// The semen type is not the one that her service number calls for.
    ChoiceRule {
        /// What was asked for.
        semen_type: SemenType,
        /// The sire's purpose, where it is on record.
        purpose: Option<Purpose>,
        /// What is allowed.
        allowed: Allowed,
    },
}

impl Objection {
    /// The kind under which it goes on record when it is set aside.
    pub fn kind(&self) -> DeviationKind {
        match self {
            Self::DoNotBreed { .. } => DeviationKind::DoNotBreed,
            Self::AnimalLeft { .. } => DeviationKind::AnimalLeft,
            Self::Pregnant { .. } => DeviationKind::AnimalPregnant,
            Self::TooYoung { .. } => DeviationKind::TooYoung,
            Self::LotNotUsable { .. } => DeviationKind::LotNotUsable,
            Self::OnHold { .. } => DeviationKind::OnHold,
            Self::NotYours => DeviationKind::NotYours,
            Self::StrawMismatch { .. } => DeviationKind::StrawMismatch,
            Self::Kinship { .. } => DeviationKind::Kinship,
            Self::ChoiceRule { .. } => DeviationKind::ChoiceRule,
        }
    }

    /// What a technician is told.
    pub fn describe(&self, herd: &HerdDetails) -> String {
        match self {
            Self::DoNotBreed { since } => {
                format!("She is not to be bred (decided {}).", since.display_in(herd.time_zone))
            }
            Self::AnimalLeft { on } => format!("She left the herd on {on}."),
            Self::Pregnant { since_check } => {
                format!("She was found pregnant on {}.", since_check.display_in(herd.time_zone))
            }
            Self::TooYoung { age_days, limit_days } => {
                format!("She is {age_days} days old; this herd serves heifers from {limit_days} days.")
            }
            Self::LotNotUsable { status } => format!("The lot is {status}."),
            Self::OnHold { reason } => {
                format!("Straws that hang there are on hold: {}.", reason.as_str().trim_end_matches('.'))
            }
            Self::NotYours => {
                "These straws belong to another herd's owner and are for that herd only.".to_owned()
            }
            Self::StrawMismatch { read, expected } => {
                format!("The straw says {read}; by the book it should say one of: {expected}.")
            }
            Self::Kinship { inbreeding, limit } => {
                let mut text = format!(
                    "She and the sire are related: a calf's expected inbreeding is {:.1} %, this herd's limit {:.1} %.",
                    inbreeding.coefficient * 100.0,
                    limit * 100.0
                );
                if let Some(caveat) = inbreeding.caveat() {
                    text.push(' ');
                    text.push_str(&caveat);
                }
                text
            }
            Self::ChoiceRule { semen_type, purpose, allowed } => {
                let (asked, wanted) = (semen_type.describe(), allowed.wanted());
                let not = match purpose {
                    Some(purpose) if allowed.has(*semen_type) => format!("{asked} by a {purpose} sire"),
                    _ => asked.to_owned(),
                };
                let within_reach =
                    if allowed.has_otherwise(*semen_type) { ", which is within her reach" } else { "" };
                format!("{} Not {not}: take {wanted}{within_reach}.", allowed.text)
            }
        }
    }

    /// Whether it stands against serving her at all, so that no other straw would help.
    pub fn is_against_her(&self) -> bool {
        match self {
            Self::DoNotBreed { .. }
            | Self::AnimalLeft { .. }
            | Self::Pregnant { .. }
            | Self::TooYoung { .. } => true,
            Self::LotNotUsable { .. }
            | Self::OnHold { .. }
            | Self::NotYours
            | Self::StrawMismatch { .. }
            | Self::Kinship { .. }
            | Self::ChoiceRule { .. } => false,
        }
    }

    /// The deviation that remains when it is set aside for `reason`.
    pub fn set_aside(&self, herd: &HerdDetails, reason: Option<&Reason>) -> Deviation {
        Deviation { kind: self.kind(), text: self.describe(herd), reason: reason.map(ToString::to_string) }
    }
}

/// What stands against serving her at all, whatever the straw.
pub fn objections_to_animal(
    standing: &AnimalStatus,
    born_on: Option<Day>,
    left_on: Option<Day>,
    herd: &HerdDetails,
    at: Timestamp,
) -> Vec<Objection> {
    let today = at.day_in(herd.time_zone);
    let age_days = born_on.map(|born| (today.0 - born.0).num_days());
    let limit_days = herd.first_service_days.get();
    [
        standing.do_not_breed_since.map(|since| Objection::DoNotBreed { since }),
        left_on.filter(|on| *on <= today).map(|on| Objection::AnimalLeft { on }),
        standing.pregnancy.map(|found| Objection::Pregnant { since_check: found.checked_at }),
        age_days
            .filter(|age| standing.class == Class::Heifer && *age < limit_days)
            .map(|age_days| Objection::TooYoung { age_days, limit_days }),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// What stands against a sire of whom her calf would be so inbred.
pub fn kinship_objection(inbreeding: Inbreeding, herd: &HerdDetails) -> Option<Objection> {
    let limit = herd.kinship_limit.get();
    let is_over = inbreeding.coefficient > 0.0 && inbreeding.coefficient >= limit;
    is_over.then_some(Objection::Kinship { inbreeding, limit })
}

/// What stands against a straw of `lot`, of a sire of this purpose, for an animal of `herd_id`.
pub fn objections_to_straw(
    (lot, purpose): (&LotDetails, Option<Purpose>),
    allowed: &Allowed,
    inbreeding: Inbreeding,
    herd_id: HerdId,
    herd: &HerdDetails,
) -> Vec<Objection> {
    let (status, semen_type) = (lot.status, lot.semen_type);
    [
        (status != LotStatus::Usable).then_some(Objection::LotNotUsable { status }),
        (!lot.is_for(herd_id)).then_some(Objection::NotYours),
        kinship_objection(inbreeding, herd),
        (!allowed.has(semen_type) || !allowed.takes(purpose)).then(|| Objection::ChoiceRule {
            semen_type,
            purpose,
            allowed: allowed.clone(),
        }),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// A warning when she calved less than the herd's waiting period ago, in days of the herd's calendar (voluntary waiting period
/// 45-60 d: Overton 2009).
pub fn waiting_warning(standing: &AnimalStatus, herd: &HerdDetails, at: Timestamp) -> Option<String> {
    let calved_at = standing.calved_at?;
    let waiting = herd.waiting_days.get();
    let days = (at.day_in(herd.time_zone).0 - calved_at.day_in(herd.time_zone).0).num_days();
    (days < waiting).then(|| format!("She calved {days} days ago; this herd waits {waiting} days."))
}

/// Deviations of a service in time: before the straw was ready, after it should have been used.
pub fn deviations_in_time(
    served_at: Timestamp,
    withdrawn_at: Timestamp,
    thawing: Option<(Timestamp, Timestamp)>,
) -> Vec<Deviation> {
    // Less than a second is told as one.
    let told = |length: TimeDelta| words(length.max(TimeDelta::seconds(1)));
    let plain = |kind, text| Deviation { kind, text, reason: None };
    let withdrawal = (served_at < withdrawn_at).then(|| {
        plain(
            DeviationKind::BeforeWithdrawal,
            format!(
                "Served {} before the straw is said to have left the tank.",
                told(withdrawn_at.since(served_at))
            ),
        )
    });
    let early = thawing.filter(|(ready_at, _)| served_at < *ready_at).map(|(ready_at, _)| {
        plain(
            DeviationKind::BeforeReady,
            format!("Served {} before the straw was ready.", told(ready_at.since(served_at))),
        )
    });
    // A straw that came late to the bath may be both: not ready yet, and past its time.
    let late = thawing.filter(|(_, use_by)| served_at > *use_by).map(|(_, use_by)| {
        plain(
            DeviationKind::AfterUseBy,
            format!("Served {} after the straw should have been used.", told(served_at.since(use_by))),
        )
    });
    withdrawal.into_iter().chain(early).chain(late).collect()
}
