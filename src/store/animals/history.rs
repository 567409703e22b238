//! What is on record of several animals at once, to say of a row what only her whole history tells.

use std::collections::HashMap;

use crate::{
    domain::{
        animals::{
            event::{Event, FittingService},
            history::{AnimalEvent, AnimalHistory, PastService},
            service::Service,
            service_kind::ServiceKind,
        },
        values::{AnimalId, BusinessId, ServiceId, Timestamp},
    },
    store::{
        Result, Tx,
        ids::{ids_in, json_ids},
    },
};

/// What is on record of an animal, with the ids of her services in the order of [`AnimalHistory::services`].
#[derive(Debug, Default)]
struct Record {
    history: AnimalHistory,
    services: Vec<ServiceId>,
}

/// A service or an event; a service has no details.
#[derive(sqlx::FromRow)]
struct Row {
    animal_id: AnimalId,
    at: Timestamp,
    id: uuid::Uuid,
    details: Option<AnimalEvent>,
    kind: Option<ServiceKind>,
}

macro_rules! records {
    ($animals:expr) => {
        concat!(
            "select animal_id, happened_at as at, id, details, null as kind from animal_event
             where business_id = $1 and reversed_at is null and animal_id ",
            $animals,
            " union all
             select animal_id, served_at, id, null, kind from service
             where business_id = $1 and reversed_at is null and animal_id ",
            $animals,
            " order by at, id"
        )
    };
}

async fn of(
    tx: &mut Tx,
    business: BusinessId,
    mut animals: Vec<AnimalId>,
) -> Result<HashMap<AnimalId, Record>> {
    animals.sort_unstable();
    animals.dedup();
    // Uses animal_event_by_animal and service_by_animal.
    let rows: Vec<Row> = tx
        .sql_for(records!(ids_in!(sqlite, "$2")), records!(ids_in!(postgres, "$2")))
        .bind(business)
        .bind(json_ids(&animals))
        .all()
        .await?;
    let mut records = HashMap::<AnimalId, Record>::new();
    for row in rows {
        let record = records.entry(row.animal_id).or_default();
        match (row.details, row.kind) {
            (Some(what), _) => record.history.happenings.push((row.at, what)),
            (None, Some(kind)) => {
                record.history.services.push(PastService { at: row.at, kind });
                record.services.push(ServiceId(row.id));
            }
            (None, None) => {}
        }
    }
    Ok(records)
}

/// The services with the due dates that follow from all that is on record: twins come earlier.
pub async fn with_due_dates(
    tx: &mut Tx,
    business: BusinessId,
    services: Vec<Service>,
) -> Result<Vec<Service>> {
    let records = of(tx, business, services.iter().map(|service| service.animal_id).collect()).await?;
    let is_multiple = |service: &Service| {
        records.get(&service.animal_id).is_some_and(|record| {
            let place = record.services.iter().position(|id| *id == service.id);
            place.is_some_and(|place| record.history.is_multiple(place))
        })
    };
    Ok(services
        .into_iter()
        .map(|service| if is_multiple(&service) { service.of_several_calves() } else { service })
        .collect())
}

/// Pregnancy checks with the services that they fit.
pub async fn with_fits(tx: &mut Tx, business: BusinessId, events: Vec<Event>) -> Result<Vec<Event>> {
    let records = of(tx, business, events.iter().map(|event| event.animal_id).collect()).await?;
    Ok(events
        .into_iter()
        .map(|event| {
            let record = records.get(&event.animal_id).filter(|_| event.reversed_at.is_none());
            let fits = record.and_then(|record| {
                FittingService::of(&record.history, &record.services, event.happened_at, &event.what)
            });
            Event { fits, ..event }
        })
        .collect())
}
