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
            choice::{Allowed, Class, one_of},
            herd::HerdDetails,
            history::AnimalStatus,
            kinship::Inbreeding,
        },
        straws::{lot::LotStatus, semen::SemenType},
        values::{Day, Reason, Timestamp},
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
        /// The bath was too warm or too cold.
        BathOutOfRange = "bath_out_of_range",
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
            Self::ChoiceRule { semen_type, allowed } => {
                format!(
                    "{} Not {}: take {}.",
                    allowed.text,
                    semen_type.describe(),
                    one_of(&allowed.semen_types)
                )
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
            Self::LotNotUsable { .. } | Self::Kinship { .. } | Self::ChoiceRule { .. } => false,
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

/// What stands against a straw of this lot for her.
pub fn objections_to_straw(
    status: LotStatus,
    semen_type: SemenType,
    allowed: &Allowed,
    inbreeding: Inbreeding,
    herd: &HerdDetails,
) -> Vec<Objection> {
    let limit = herd.kinship_limit.get();
    [
        (status != LotStatus::Usable).then_some(Objection::LotNotUsable { status }),
        (inbreeding.coefficient > 0.0 && inbreeding.coefficient >= limit)
            .then_some(Objection::Kinship { inbreeding, limit }),
        (!allowed.has(semen_type)).then(|| Objection::ChoiceRule { semen_type, allowed: allowed.clone() }),
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
    let seconds = |delta: TimeDelta| delta.num_seconds().max(1);
    let plain = |kind, text| Deviation { kind, text, reason: None };
    let withdrawal = (served_at < withdrawn_at).then(|| {
        plain(
            DeviationKind::BeforeWithdrawal,
            format!(
                "Served {} s before the straw is said to have left the tank.",
                seconds(withdrawn_at.since(served_at))
            ),
        )
    });
    let thaw = thawing.and_then(|(ready_at, use_by)| {
        if served_at < ready_at {
            Some(plain(
                DeviationKind::BeforeReady,
                format!("Served {} s before the straw was ready.", seconds(ready_at.since(served_at))),
            ))
        } else if served_at > use_by {
            Some(plain(
                DeviationKind::AfterUseBy,
                format!(
                    "Served {} s after the straw should have been used.",
                    seconds(served_at.since(use_by))
                ),
            ))
        } else {
            None
        }
    });
    withdrawal.into_iter().chain(thaw).collect()
}
