//! The register: where every straw came from and where it went, for whoever inspects.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    identifiers::{ExternalId, Identifiers},
    row::{Joined, LeftJoin},
    straws::{
        consignment::{Documents, Party},
        movement::Movement,
        semen::SemenType,
        sire::SireSummary,
        withdrawal::WithdrawalState,
    },
    values::{AnimalId, Code, ConsignmentId, Day, HerdId, Name, ServiceId},
};

/// A line of the register: straws that came into this keeper's hands or left them.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct RegisterEntry {
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub movement: Movement,
    /// What is printed on the straws.
    #[sqlx(flatten)]
    pub lot: StrawMarks,
    /// The sire.
    #[sqlx(flatten)]
    pub sire: SireSummary,
    /// The tank that they came from.
    pub from_tank_name: Option<Name>,
    /// The tank that they went to.
    pub to_tank_name: Option<Name>,
    /// By which consignment they came or left; of a reversal, the one that it undoes.
    #[sqlx(flatten, try_from = "LeftJoin<ConsignmentSummary>")]
    pub consignment: Option<ConsignmentSummary>,
    /// For which animal they left the tank.
    #[sqlx(flatten, try_from = "LeftJoin<AnimalSummary>")]
    pub animal: Option<AnimalSummary>,
    /// What became of the straw that was taken out for her.
    pub withdrawal_state: Option<WithdrawalState>,
    /// The service that it was used for.
    pub service_id: Option<ServiceId>,
}

/// What is printed on a lot's straws.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct StrawMarks {
    /// Conventional, or sexed for females or males.
    pub semen_type: SemenType,
    /// The batch.
    pub batch: Option<Code>,
    /// When it was collected.
    pub collected_on: Option<Day>,
    /// Where it was collected: the establishment's approval number or name.
    pub collection_centre: Option<Name>,
}

/// A consignment in short.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct ConsignmentSummary {
    /// Its id.
    #[sqlx(rename = "consignment_id")]
    pub id: ConsignmentId,
    /// Who sent the straws, or to whom they went.
    #[sqlx(flatten)]
    pub party: Party,
    /// Numbers of the documents that went with them.
    #[schema(value_type = Vec<Code>)]
    pub documents: Documents,
    /// The day on the documents.
    pub document_on: Option<Day>,
}

impl Joined for ConsignmentSummary {
    const KEY: &'static str = "consignment_id";
}

/// An animal in short, with her herd then.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct AnimalSummary {
    /// Her id.
    #[sqlx(rename = "animal_id")]
    pub id: AnimalId,
    /// Her number in her herd.
    #[sqlx(rename = "animal_number")]
    pub number: Code,
    /// Her official names.
    #[sqlx(rename = "animal_identifiers")]
    #[schema(value_type = Vec<ExternalId>)]
    pub identifiers: Identifiers,
    /// Her herd when the straw was taken out.
    pub herd_id: HerdId,
    /// Its name.
    pub herd_name: Name,
}

impl Joined for AnimalSummary {
    const KEY: &'static str = "animal_id";
}

/// How long the register must be kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Retention {
    /// In words, with the rules that say so.
    #[schema(max_length = 2000)]
    pub text: &'static str,
}

impl Retention {
    /// What is known of it: three years at establishments of the European Union (Regulation (EU) 2016/429 with Delegated
    /// Regulation (EU) 2020/686), two years in England (regulation 14 of its rules on bovine semen). Who falls under
    /// these is not for this service to say.
    pub const KNOWN: Self = Self {
        text: "Keep this register at least as long as the law of your country asks. Germinal product establishments in the \
               European Union keep their records for three years (Regulation (EU) 2016/429 with Delegated Regulation (EU) \
               2020/686); in England it is two years (regulation 14 of the regulations on bovine semen). Whether a \
               technician or a farm with a tank falls under these is national law: ask the competent veterinary \
               authority. This service deletes nothing of the book.",
    };
}
