//! What others are told of: events, written in the transaction of their cause.
//!
//! An event is thin: ids, numbers and places, nothing of a person. Who wants more asks with the ids.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        alerts::{AlertData, stock::StockSubject},
        animals::{
            objection::{DeviationKind, Deviations},
            service_kind::ServiceKind,
        },
        straws::{place::Place, semen::SemenType},
        values::{
            AlertId, AnimalId, HerdId, LotId, MessageId, ServiceId, SireId, StocktakeId, Straws, TankId,
            Timestamp, WebhookId, WithdrawalId,
        },
    },
    text_enum,
};

text_enum! {
    /// What an event is about; what a webhook asks for.
    Topic {
        /// Straws of a sire, lot or type run low.
        StockLow = "stock.low",
        /// None are left.
        StockOut = "stock.out",
        /// The nitrogen in a tank is low.
        NitrogenLow = "nitrogen.low",
        /// A tank must be filled soon.
        NitrogenRefillDue = "nitrogen.refill_due",
        /// A tank loses more nitrogen than it should.
        NitrogenLossHigh = "nitrogen.loss_high",
        /// Nobody measured for too long.
        NitrogenReadingOverdue = "nitrogen.reading_overdue",
        /// A straw left the tank and nobody says what became of it.
        WithdrawalUnresolved = "withdrawal.unresolved",
        /// A stocktake found more or fewer straws than the book.
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
        /// A straw left the tank for an animal.
        StrawWithdrawn = "straw.withdrawn",
        /// A service was recorded.
        ServiceRecorded = "service.recorded",
        /// A webhook failed for so long that nothing is sent to it any more; told to the others.
        WebhookDisabled = "webhook.disabled",
        /// Asked for to see whether a webhook works; told to that one only.
        WebhookTest = "webhook.test",
    }
}

text_enum! {
    /// Which moment of it. What happens once only happens; an alert is opened, may be repeated
    /// while it stays open, and is cleared.
    Phase {
        /// It happened, or an alert was opened.
        Happened = "happened",
        /// An open alert is told once more.
        Repeated = "repeated",
        /// Somebody took the alert on: it is not told again while it stays open.
        Acknowledged = "acknowledged",
        /// The alert's cause is gone.
        Cleared = "cleared",
    }
}

/// The kind of an event: its `type` on the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, sqlx::FromRow)]
pub struct EventKind {
    /// What it is about.
    pub topic: Topic,
    /// Which moment of it.
    pub phase: Phase,
}

impl EventKind {
    /// The `type` on the wire: the topic, with the phase behind it when it is not the first:
    /// `stock.low`, `stock.low.repeated`, `stock.low.acknowledged`, `stock.low.cleared`. Who acts on `stock.low` alone is
    /// never alarmed by an all-clear.
    pub fn wire(self) -> String {
        match self.phase {
            Phase::Happened => self.topic.as_str().to_owned(),
            phase => format!("{}.{phase}", self.topic),
        }
    }
}

impl Serialize for EventKind {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&self.wire())
    }
}

impl Topic {
    /// It happened, or its alert was opened.
    pub const fn happened(self) -> EventKind {
        EventKind { topic: self, phase: Phase::Happened }
    }

    /// Its open alert is told once more.
    pub const fn repeated(self) -> EventKind {
        EventKind { topic: self, phase: Phase::Repeated }
    }

    /// Somebody took its alert on.
    pub const fn acknowledged(self) -> EventKind {
        EventKind { topic: self, phase: Phase::Acknowledged }
    }

    /// Its alert is over.
    pub const fn cleared(self) -> EventKind {
        EventKind { topic: self, phase: Phase::Cleared }
    }

    /// Whether a webhook may ask for it. A test is told where it was asked for, and nowhere else.
    pub fn is_offered(self) -> bool {
        self != Self::WebhookTest
    }
}

/// What an event concerns. Events of one subject are delivered in their order where possible.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Subject {
    /// An animal.
    Animal(AnimalId),
    /// A herd.
    Herd(HerdId),
    /// A tank.
    Tank(TankId),
    /// A sire.
    Sire(SireId),
    /// Straws that an alert of stock is about.
    Straws(StockSubject),
    /// A withdrawal.
    Withdrawal(WithdrawalId),
    /// A stocktake.
    Stocktake(StocktakeId),
    /// A webhook.
    Webhook(WebhookId),
    /// An alert that is about nothing else in the book.
    Alert(AlertId),
}

impl Subject {
    /// Its address at this service: the `subject` on the wire.
    pub fn wire(&self) -> String {
        match self {
            Self::Animal(id) => format!("/v1/animals/{id}"),
            Self::Herd(id) => format!("/v1/herds/{id}"),
            Self::Tank(id) => format!("/v1/tanks/{id}"),
            Self::Sire(id) => format!("/v1/sires/{id}"),
            Self::Straws(straws) => straws.wire(),
            Self::Withdrawal(id) => format!("/v1/withdrawals/{id}"),
            Self::Stocktake(id) => format!("/v1/stocktakes/{id}"),
            Self::Webhook(id) => format!("/v1/webhooks/{id}"),
            Self::Alert(id) => format!("/v1/alerts/{id}"),
        }
    }
}

/// An event to be told.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// Of which kind.
    pub kind: EventKind,
    /// What it concerns.
    pub subject: Subject,
    /// When it happened, as it is on record.
    pub occurred_at: Timestamp,
    /// The herd that it concerns, where one.
    pub herd: Option<HerdId>,
    /// The tank that it concerns, where one.
    pub tank: Option<TankId>,
    /// Ids, numbers and places; nothing of a person.
    pub data: serde_json::Value,
}

/// The `data` of an event from one of the types below.
pub fn data(of: &impl Serialize) -> serde_json::Value {
    serde_json::to_value(of).unwrap_or_default()
}

/// `data` of `straw.withdrawn`.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct StrawWithdrawn {
    /// The withdrawal.
    pub withdrawal_id: WithdrawalId,
    /// For which animal.
    pub animal_id: AnimalId,
    /// Of which herd.
    pub herd_id: HerdId,
    /// Of which lot.
    pub lot_id: LotId,
    /// Its sire.
    pub sire_id: SireId,
    /// Its semen type.
    pub semen_type: SemenType,
    /// Where it hung.
    pub place: Place,
    /// How many straws.
    pub straws: Straws,
    /// Which service it is for.
    #[schema(minimum = 1)]
    pub service_number: i64,
    /// Which insemination within the heat.
    #[schema(minimum = 1)]
    pub rank: i64,
    /// What was out of the ordinary.
    pub deviations: Vec<DeviationKind>,
    /// The animal as a herd system reads her by the open Animal Data Exchange.
    #[schema(max_length = 300)]
    pub ade: String,
}

/// `data` of `service.recorded`.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ServiceRecorded {
    /// The service.
    pub service_id: ServiceId,
    /// Which animal was served.
    pub animal_id: AnimalId,
    /// Of which herd.
    pub herd_id: HerdId,
    /// The withdrawal, when the straw was from this book.
    pub withdrawal_id: Option<WithdrawalId>,
    /// The lot, when the straw was from this book.
    pub lot_id: Option<LotId>,
    /// The sire, where known.
    pub sire_id: Option<SireId>,
    /// The semen type, where known.
    pub semen_type: Option<SemenType>,
    /// What kind of service.
    pub kind: ServiceKind,
    /// How many straws of semen: 0 unless it was an insemination.
    #[schema(minimum = 0)]
    pub straws: i64,
    /// Counts her services since her last calving; may change when something earlier is reported later. Null of an embryo
    /// transfer.
    #[schema(minimum = 1)]
    pub service_number: Option<i64>,
    /// Counts the inseminations and matings within the heat; null of an embryo transfer.
    #[schema(minimum = 1)]
    pub rank: Option<i64>,
    /// What was out of the ordinary.
    pub deviations: Vec<DeviationKind>,
    /// The insemination as a herd system reads it by the open Animal Data Exchange.
    #[schema(max_length = 300)]
    pub ade: String,
}

/// `data` of `webhook.disabled`, when its alert is opened.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct WebhookDisabled {
    /// Which; `GET /v1/webhooks/{id}` tells why.
    pub webhook_id: WebhookId,
    /// Since when every attempt failed.
    pub failing_since: Option<Timestamp>,
    #[allow(missing_docs)]
    #[serde(flatten)]
    pub alert: AlertData,
}

/// `data` of `webhook.test`.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct WebhookTest {
    /// Which.
    pub webhook_id: WebhookId,
}

/// The kinds of what was out of the ordinary, without the words, which may name someone.
pub fn kinds_of(deviations: &Deviations) -> Vec<DeviationKind> {
    deviations.0.iter().map(|deviation| deviation.kind).collect()
}

/// An event as it stands in the outbox.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct Written {
    /// Its number in the business's outbox: dense, in the order of writing.
    pub seq: i64,
    /// Its id.
    pub id: MessageId,
    /// What it is about.
    pub topic: Topic,
    /// Which moment of it.
    pub phase: Phase,
    /// The address of what it concerns.
    pub subject: String,
    /// Ids, numbers and places.
    pub data: serde_json::Value,
    /// When it happened.
    pub occurred_at: Timestamp,
}

impl Written {
    /// Its kind.
    pub fn kind(&self) -> EventKind {
        EventKind { topic: self.topic, phase: self.phase }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_type_on_the_wire_is_the_topic_and_a_later_phase() {
        assert_eq!(Topic::StockLow.happened().wire(), "stock.low");
        assert_eq!(Topic::StockLow.repeated().wire(), "stock.low.repeated");
        assert_eq!(Topic::NitrogenLow.cleared().wire(), "nitrogen.low.cleared");
        for topic in Topic::ALL {
            // Standard Webhooks 1.0.0: "a full-stop delimited type", of letters, digits and underscores.
            let good = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '.';
            assert!(topic.as_str().chars().all(good) && topic.as_str().contains('.'), "{topic}");
        }
    }
}
