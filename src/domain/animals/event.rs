//! What happens to an animal besides services, on record.

use crate::domain::{
    animals::history::AnimalEvent,
    values::{AnimalId, EventId, HerdId, Note, Technician, Timestamp},
};

/// Something that happened to an animal. Each kind of it is answered in its own words.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct Event {
    /// Its id.
    pub id: EventId,
    /// Her herd then.
    pub herd_id: HerdId,
    /// The animal.
    pub animal_id: AnimalId,
    /// When.
    pub happened_at: Timestamp,
    /// What.
    #[sqlx(rename = "details")]
    pub what: AnimalEvent,
    /// Who reported it.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
    /// When it was found to have been entered by mistake; then it does not count.
    pub reversed_at: Option<Timestamp>,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
}
