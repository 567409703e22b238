//! A consignment: straws that came or left by one delivery note.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, Field, InputPath},
        straws::{movement::Movement, place::Place},
        values::{
            Address, Code, ConsignmentId, Day, KeyId, LotId, MovementId, Name, Note, Straws, Technician,
            Timestamp,
        },
    },
    form, json_column, text_enum,
};

text_enum! {
    /// Whether the straws came or left.
    Direction {
        /// They came from a supplier or another keeper.
        In = "in",
        /// They left for another keeper.
        Out = "out",
    }
}

form! {
    /// Who sent the straws, or to whom they went.
    #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct Party {
        /// The name.
        #[sqlx(rename = "party_name")]
        #[schema(example = "Invented Station")]
        pub name: Name,
        /// The approval or registration number of the establishment.
        #[schema(example = "ZZ 00 123")]
        pub approval_number: Option<Code>,
        /// The address.
        #[sqlx(rename = "party_address")]
        pub address: Option<Address>,
    }
}

/// Numbers of the documents that went with the straws: delivery note, invoice, certificate.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct Documents(pub Vec<Code>);
json_column!(Documents);

impl Field for Documents {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        Vec::read(value, spot, faults).map(Self)
    }
}

/// One lot at one place, as a consignment moved it.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ConsignedLine {
    /// The line of the ledger.
    pub movement_id: MovementId,
    /// Its number in the book.
    #[schema(minimum = 1)]
    pub seq: i64,
    /// The lot.
    pub lot_id: LotId,
    /// Where the straws were hung, or where they hung.
    pub place: Option<Place>,
    /// How many.
    pub straws: Straws,
    /// The movement that undid it.
    pub reversed_by: Option<MovementId>,
}

impl From<Movement> for ConsignedLine {
    fn from(movement: Movement) -> Self {
        Self {
            movement_id: movement.id,
            seq: movement.seq,
            lot_id: movement.lot_id,
            place: movement.to.place.or(movement.from.place),
            straws: movement.straws,
            reversed_by: movement.reversed_by,
        }
    }
}

/// A consignment.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Consignment {
    /// Its id.
    pub id: ConsignmentId,
    /// Whether the straws came or left.
    pub direction: Direction,
    /// Who sent them, or to whom they went.
    #[sqlx(flatten)]
    pub party: Party,
    /// Numbers of the documents that went with them.
    #[schema(value_type = Vec<Code>)]
    pub documents: Documents,
    /// The day on the documents.
    pub document_on: Option<Day>,
    /// When they came or left.
    pub moved_at: Timestamp,
    /// Who took them in or gave them away.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
    /// The lots and places, in the order of the request.
    #[sqlx(skip)]
    pub lines: Vec<ConsignedLine>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// The key that recorded it.
    pub recorded_by: KeyId,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
}
