//! What happens to an animal besides services, on record.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    animals::history::{AnimalEvent, AnimalHistory},
    values::{AnimalId, EventId, HerdId, Note, ServiceId, Technician, Timestamp},
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
    /// Of a pregnancy check, the service that it fits by all that is on record.
    #[sqlx(skip)]
    pub fits: Option<FittingService>,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
}

/// The service to which a pregnancy check belongs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct FittingService {
    /// The service.
    pub service_id: ServiceId,
    /// When she was served.
    pub served_at: Timestamp,
    /// Days from the conception to the check; of an embryo transfer, seven more than from the transfer.
    pub days: i64,
}

impl FittingService {
    /// The service of `history`, whose ids are `services`, to which what happened at `at` belongs.
    pub fn of(
        history: &AnimalHistory,
        services: &[ServiceId],
        at: Timestamp,
        what: &AnimalEvent,
    ) -> Option<Self> {
        let fits = history.fit(at, what).service()?;
        let (service_id, service) = services.get(fits).copied().zip(history.services.get(fits))?;
        let days = at.since(service.conceived_at()).num_days();
        Some(Self { service_id, served_at: service.at, days })
    }
}
