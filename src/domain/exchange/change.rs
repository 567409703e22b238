//! What changed in the book, in the order of commits.

use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    domain::values::{AnimalId, HerdId, Timestamp},
    text_enum,
};

text_enum! {
    /// What kind of thing changed.
    ChangeKind {
        /// A herd.
        Herd = "herd",
        /// A tank.
        Tank = "tank",
        /// A sire.
        Sire = "sire",
        /// A lot.
        Lot = "lot",
        /// An animal.
        Animal = "animal",
        /// A line of the ledger.
        Movement = "movement",
        /// A straw's way out of the tank.
        Withdrawal = "withdrawal",
        /// A service.
        Service = "service",
        /// A heat.
        Heat = "heat",
        /// A pregnancy check.
        PregnancyCheck = "pregnancy_check",
        /// A calving.
        Calving = "calving",
        /// An abortion.
        Abortion = "abortion",
        /// A decision whether she may be bred.
        DoNotBreed = "do_not_breed",
        /// What is planned for an animal.
        MatingPlan = "mating_plan",
        /// A stocktake.
        Stocktake = "stocktake",
        /// Straws that came or left by one delivery note.
        Consignment = "consignment",
        /// A farm that asks for the technician.
        CallOut = "request",
        /// A veterinarian's list of steps to a timed insemination.
        TimedProtocol = "timed_protocol",
        /// A timed protocol that began for an animal.
        ProtocolStart = "protocol_start",
        /// Something that a herd system sent by the Animal Data Exchange.
        AdeItem = "ade_item",
    }
}

impl ChangeKind {
    /// Where things of this kind are to be found, before their ids.
    pub const fn path(self) -> &'static str {
        match self {
            Self::Herd => "/v1/herds",
            Self::Tank => "/v1/tanks",
            Self::Sire => "/v1/sires",
            Self::Lot => "/v1/lots",
            // A plan is found by its animal.
            Self::Animal | Self::MatingPlan => "/v1/animals",
            Self::Movement => "/v1/movements",
            Self::Withdrawal => "/v1/withdrawals",
            Self::Service => "/v1/services",
            Self::Heat => "/v1/heats",
            Self::PregnancyCheck => "/v1/pregnancy-checks",
            Self::Calving => "/v1/calvings",
            Self::Abortion => "/v1/abortions",
            Self::DoNotBreed => "/v1/do-not-breed",
            Self::Stocktake => "/v1/stocktakes",
            Self::Consignment => "/v1/consignments",
            Self::CallOut => "/v1/requests",
            Self::TimedProtocol => "/v1/timed-protocols",
            Self::ProtocolStart => "/v1/protocol-starts",
            Self::AdeItem => "/v1/ade-items",
        }
    }
}

/// A thing in the book with its last change.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Change {
    /// The number of its last change: higher than that of every change committed before.
    #[schema(minimum = 1)]
    pub seq: i64,
    /// What kind of thing.
    pub kind: ChangeKind,
    /// Its id.
    #[sqlx(rename = "subject_id")]
    pub id: Uuid,
    /// Its herd, where it has one.
    pub herd_id: Option<HerdId>,
    /// The animal that it is about, if it is about one.
    pub animal_id: Option<AnimalId>,
    /// It was entered by mistake: it stays to be seen and no longer counts.
    pub reversed: bool,
    /// When it first came.
    pub created_at: Timestamp,
    /// When it last changed; never goes back along `seq`.
    pub changed_at: Timestamp,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten, try_from = "Subject")]
    pub link: Link,
}

/// Where a thing is to be found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Link {
    /// Where it is to be read.
    #[schema(max_length = 200)]
    pub href: String,
}

/// What a change is about.
#[derive(sqlx::FromRow)]
struct Subject {
    kind: ChangeKind,
    #[sqlx(rename = "subject_id")]
    id: Uuid,
    animal_id: Option<AnimalId>,
}

impl From<Subject> for Link {
    fn from(subject: Subject) -> Self {
        let path = subject.kind.path();
        let href = match (subject.kind, subject.animal_id) {
            (ChangeKind::MatingPlan, Some(animal)) => format!("{path}/{animal}/mating-plan"),
            _ => format!("{path}/{}", subject.id),
        };
        Self { href }
    }
}
