//! Alerts: something needs attention until it does not any more.
//!
//! One alert is open for each kind and subject. It is opened when its condition begins, told again at
//! most once a day while nobody has acknowledged it, and cleared when its condition is over; an alert
//! opens at one threshold and clears at another, so that it does not flicker.
//!
//! - [`animal`]: whether something is due for an animal
//! - [`rule`]: what a farm wants to be told of
//! - [`stock`]: whether straws run out
//! - [`tank`]: whether a tank's nitrogen needs attention
//! - [`words`]: what an alert says

pub mod animal;
pub mod rule;
pub mod stock;
pub mod tank;
pub mod words;

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        alerts::stock::StockSubject,
        nitrogen::tank::Tank,
        straws::{semen::SemenType, stocktake::Stocktake, withdrawal::Withdrawal},
        values::{
            AlertId, AlertRuleId, AnimalId, HerdId, KeyId, LotId, Note, SireId, StocktakeId, TankId,
            Timestamp, WebhookId, WithdrawalId,
        },
        webhooks::event::{Subject, Topic},
    },
    json_column, text_enum,
};

text_enum! {
    /// What is wrong.
    AlertKind {
        /// Few straws are left.
        StockLow = "stock.low",
        /// None is left.
        StockOut = "stock.out",
        /// The liquid nitrogen in a tank is low.
        NitrogenLow = "nitrogen.low",
        /// A tank must be refilled soon.
        NitrogenRefillDue = "nitrogen.refill_due",
        /// A tank loses nitrogen faster than it did.
        NitrogenLossHigh = "nitrogen.loss_high",
        /// A tank was not read for too long.
        NitrogenReadingOverdue = "nitrogen.reading_overdue",
        /// A straw left the tank and is not accounted for.
        WithdrawalUnresolved = "withdrawal.unresolved",
        /// A count differs from the book.
        StocktakeDifference = "stocktake.difference",
        /// A rule was set aside.
        RuleOverridden = "rule.overridden",
        /// An animal is to be checked for pregnancy, or once more.
        CheckDue = "check.due",
        /// An animal is due to calve.
        CalvingDue = "calving.due",
        /// An animal may come back into heat.
        ReturnWatch = "return.watch",
        /// What a device told that was done could not be kept.
        ActRefused = "act.refused",
        /// Conception seems to fall.
        ConceptionFalling = "conception.falling",
        /// A webhook failed for so long that nothing is sent to it any more.
        WebhookDisabled = "webhook.disabled",
    }
}

impl AlertKind {
    /// What its events are about.
    pub const fn topic(self) -> Topic {
        match self {
            Self::StockLow => Topic::StockLow,
            Self::StockOut => Topic::StockOut,
            Self::NitrogenLow => Topic::NitrogenLow,
            Self::NitrogenRefillDue => Topic::NitrogenRefillDue,
            Self::NitrogenLossHigh => Topic::NitrogenLossHigh,
            Self::NitrogenReadingOverdue => Topic::NitrogenReadingOverdue,
            Self::WithdrawalUnresolved => Topic::WithdrawalUnresolved,
            Self::StocktakeDifference => Topic::StocktakeDifference,
            Self::RuleOverridden => Topic::RuleOverridden,
            Self::CheckDue => Topic::CheckDue,
            Self::CalvingDue => Topic::CalvingDue,
            Self::ReturnWatch => Topic::ReturnWatch,
            Self::ActRefused => Topic::ActRefused,
            Self::ConceptionFalling => Topic::ConceptionFalling,
            Self::WebhookDisabled => Topic::WebhookDisabled,
        }
    }

    /// Whether it is told only where a rule says so. Of stock: no number of straws is right for everybody. Of what is due for
    /// animals: a large herd has some every day. Of conception: a hint that comes without a cause too is for who asks for it.
    pub const fn needs_rule(self) -> bool {
        self.is_of_stock() || self.is_of_animals() || matches!(self, Self::ConceptionFalling)
    }

    /// Those about what is due for an animal.
    pub const OF_ANIMALS: [Self; 3] = [Self::CheckDue, Self::CalvingDue, Self::ReturnWatch];

    /// Whether it is about what is due for an animal.
    pub const fn is_of_animals(self) -> bool {
        matches!(self, Self::CheckDue | Self::CalvingDue | Self::ReturnWatch)
    }

    /// Whether it is about straws that are left.
    pub const fn is_of_stock(self) -> bool {
        matches!(self, Self::StockLow | Self::StockOut)
    }

    /// Those about nitrogen.
    pub const OF_NITROGEN: [Self; 4] =
        [Self::NitrogenLow, Self::NitrogenRefillDue, Self::NitrogenLossHigh, Self::NitrogenReadingOverdue];

    /// Whether it is about nitrogen.
    pub const fn is_of_nitrogen(self) -> bool {
        matches!(
            self,
            Self::NitrogenLow
                | Self::NitrogenRefillDue
                | Self::NitrogenLossHigh
                | Self::NitrogenReadingOverdue
        )
    }

    /// Whether it is of the whole book, and of no herd or tank.
    pub const fn is_of_book(self) -> bool {
        matches!(self, Self::ActRefused | Self::WebhookDisabled)
    }

    /// Whether it is over once somebody has looked at it: it tells of something that happened, not of
    /// something that lasts.
    pub const fn ends_when_acknowledged(self) -> bool {
        matches!(self, Self::RuleOverridden | Self::StocktakeDifference | Self::ActRefused)
    }

    /// When an alert that is told now is told again, as long as nobody acknowledges it. An override was
    /// decided by somebody who may, so once is enough; an act that was refused stands open on the page.
    pub fn next_notification_after(self, now: Timestamp) -> Option<Timestamp> {
        (!matches!(self, Self::RuleOverridden | Self::ActRefused)).then(|| now.plus(REPEATED_AFTER))
    }
}

/// How long an open alert is silent before it is told again.
const REPEATED_AFTER: TimeDelta = TimeDelta::hours(24);

/// One that would be silent for longer than this was told while the clock was ahead, by an hour or by a century: it is due.
pub const LONGEST_SILENCE: TimeDelta = TimeDelta::hours(48);

/// What an alert is about; the members that do not apply are null.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
pub struct About {
    /// The herd.
    pub herd_id: Option<HerdId>,
    /// The tank.
    pub tank_id: Option<TankId>,
    /// The sire whose straws they are.
    pub sire_id: Option<SireId>,
    /// The type of his straws.
    pub semen_type: Option<SemenType>,
    /// The lot.
    pub lot_id: Option<LotId>,
    /// The straw's way out.
    pub withdrawal_id: Option<WithdrawalId>,
    /// The count.
    pub stocktake_id: Option<StocktakeId>,
    /// The animal for which something is due.
    pub animal_id: Option<AnimalId>,
    /// The webhook to which nothing is sent any more.
    pub webhook_id: Option<WebhookId>,
}

impl About {
    /// A webhook.
    pub fn webhook(id: WebhookId) -> Self {
        Self { webhook_id: Some(id), ..Self::default() }
    }

    /// What is due for an animal of that herd.
    pub fn animal(animal: AnimalId, herd: HerdId) -> Self {
        Self { animal_id: Some(animal), herd_id: Some(herd), ..Self::default() }
    }

    /// A tank.
    pub fn tank(tank: &Tank) -> Self {
        Self { tank_id: Some(tank.id), herd_id: tank.details.herd_id, ..Self::default() }
    }

    /// A straw's way out.
    pub fn withdrawal(withdrawal: &Withdrawal) -> Self {
        Self { withdrawal_id: Some(withdrawal.id), herd_id: Some(withdrawal.herd_id), ..Self::default() }
    }

    /// A count.
    pub fn stocktake(stocktake: &Stocktake) -> Self {
        Self {
            stocktake_id: Some(stocktake.id),
            tank_id: Some(stocktake.tank_id),
            herd_id: stocktake.tank_herd_id,
            ..Self::default()
        }
    }

    /// The address of what it is about: one alert is open for each kind and address.
    pub fn wire(&self) -> String {
        self.subject().map(|subject| subject.wire()).unwrap_or_default()
    }

    /// What its events concern.
    pub fn subject(&self) -> Option<Subject> {
        self.withdrawal_id
            .map(Subject::Withdrawal)
            .or(self.stocktake_id.map(Subject::Stocktake))
            .or(self.animal_id.map(Subject::Animal))
            .or(self.webhook_id.map(Subject::Webhook))
            .or(StockSubject::of(self).map(Subject::Straws))
            .or(self.sire_id.map(Subject::Sire))
            .or(self.tank_id.map(Subject::Tank))
            .or(self.herd_id.map(Subject::Herd))
    }
}

/// The figures behind an alert, as they were when it was last told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Figures {
    /// Straws: left, unaccounted for, or by which a count differs.
    #[schema(minimum = 0)]
    pub straws: Option<i64>,
    /// What was measured against the threshold: straws, days, a probability, millimetres, or the sum of the watch over
    /// conception, by the rule.
    pub measured: Option<f64>,
    /// The threshold, in the same unit.
    pub threshold: Option<f64>,
}
json_column!(Figures);

/// `data` of the events of an alert.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct AlertData {
    /// The alert.
    pub alert_id: AlertId,
    /// Its address.
    #[schema(max_length = 300)]
    pub alert: String,
    /// The rule that it was opened by, where one.
    pub rule_id: Option<AlertRuleId>,
    /// What it is about.
    pub about: About,
    /// The figures behind it.
    pub figures: Figures,
    /// What is wrong, in words.
    #[schema(max_length = 1000)]
    pub text: String,
    /// When it was opened.
    pub opened_at: Timestamp,
}

/// An alert.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Alert {
    /// Its id.
    pub id: AlertId,
    /// What is wrong.
    pub kind: AlertKind,
    /// The address of what it is about; one alert is open for each kind and subject.
    #[schema(max_length = 300)]
    pub subject: String,
    /// The rule by which it was opened; null where it holds without one. The rule may be gone by now.
    pub rule_id: Option<AlertRuleId>,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub about: About,
    /// What is wrong, in words.
    pub text: String,
    /// The figures behind it.
    pub figures: Figures,
    /// When it was opened.
    pub opened_at: Timestamp,
    /// When it was last told.
    pub notified_at: Timestamp,
    /// When it is told again; null when it is not, above all once somebody acknowledged it.
    pub next_notification_at: Option<Timestamp>,
    /// When somebody took it on.
    pub acknowledged_at: Option<Timestamp>,
    /// With which key.
    pub acknowledged_by: Option<KeyId>,
    /// What he had to say.
    pub note: Option<Note>,
    /// When it was over.
    pub cleared_at: Option<Timestamp>,
    /// Why, in words.
    pub clear_reason: Option<String>,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(rename = "kind", try_from = "AlertKind")]
    pub advice: AlertAdvice,
}

/// What to do about an alert; its kind says it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct AlertAdvice {
    /// What to do.
    #[schema(value_type = String)]
    pub advice: &'static str,
    /// What to heed while doing it; where nitrogen or a calving is concerned.
    #[schema(value_type = Option<String>)]
    pub caution: Option<&'static str>,
}

impl From<AlertKind> for AlertAdvice {
    fn from(kind: AlertKind) -> Self {
        Self { advice: kind.advice(), caution: kind.caution() }
    }
}

impl Alert {
    /// One that is opened at `now`.
    pub fn opened(
        kind: AlertKind,
        subject: String,
        rule_id: Option<AlertRuleId>,
        about: About,
        text: String,
        figures: Figures,
        now: Timestamp,
    ) -> Self {
        Self {
            id: AlertId::new(),
            kind,
            subject,
            rule_id,
            about,
            text,
            figures,
            opened_at: now,
            notified_at: now,
            next_notification_at: kind.next_notification_after(now),
            acknowledged_at: None,
            acknowledged_by: None,
            note: None,
            cleared_at: None,
            clear_reason: None,
            advice: kind.into(),
        }
    }

    /// Whether it is to be told again.
    pub fn is_due_again(&self, now: Timestamp) -> bool {
        self.next_notification_at.is_some_and(|at| at <= now || at > now.plus(LONGEST_SILENCE))
    }
}

/// What is found when something is looked at.
#[derive(Clone, Debug, PartialEq)]
pub enum Finding {
    /// It needs attention.
    Wrong {
        /// The figures behind it.
        figures: Figures,
        /// What is wrong, in words without the subject's name.
        text: String,
    },
    /// An open alert stays, and none is opened.
    Between,
    /// It is as it should be.
    Right {
        /// Why an open alert is over, in words.
        text: String,
    },
}

/// From when on a withdrawn straw is overdue: when it should have been used, went into the bath or was entered, whichever
/// is last, plus the grace. A phone that was without a network all morning sends the withdrawal and, a moment later, what became
/// of the straw.
pub fn unresolved_from(withdrawal: &Withdrawal, grace: TimeDelta) -> Timestamp {
    let use_within = TimeDelta::seconds(withdrawal.thaw.use_within_s.get());
    let used_by = withdrawal.use_by.unwrap_or_else(|| withdrawal.withdrawn_at.plus(use_within));
    let seen = withdrawal.thaw_started_at.unwrap_or(withdrawal.recorded_at);
    used_by.max(withdrawal.recorded_at).max(seen).plus(grace)
}
