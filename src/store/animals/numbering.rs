//! The numbers of services, with all that decides about them.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::{
    domain::{
        animals::{
            history::{AnimalEvent, AnimalHistory, Numbered, PastService},
            numbering::Numbering,
            service_kind::ServiceKind,
        },
        exchange::change::ChangeKind,
        values::{AnimalId, BusinessId, HeatHours, HerdId, ServiceId, Timestamp},
    },
    store::{
        Result, Tx,
        exchange::change::{self, NewChange},
    },
};

/// A service, or an event that may open a cycle.
#[derive(sqlx::FromRow)]
struct Row {
    animal_id: AnimalId,
    same_heat_hours: HeatHours,
    happened_at: Timestamp,
    id: Uuid,
    details: Option<AnimalEvent>,
    service_number: Option<i64>,
    rank: Option<i64>,
    kind: Option<ServiceKind>,
}

macro_rules! numberings {
    ($whose:literal) => {
        concat!(
            "select a.id as animal_id, h.same_heat_hours, x.happened_at, x.id, x.details, x.service_number, x.rank, x.kind
             from animal a
             join herd h on h.business_id = a.business_id and h.id = a.herd_id
             join (select animal_id, served_at as happened_at, id, null as details, service_number, rank, kind
                   from service where business_id = $1 and reversed_at is null
                   union all
                   select animal_id, happened_at, id, details, null, null, null
                   from animal_event where business_id = $1 and reversed_at is null and kind in ('calving', 'abortion'))
                  as x on x.animal_id = a.id
             where a.business_id = $1 and ",
            $whose,
            " order by a.id, x.happened_at, x.id"
        )
    };
}

/// Of one animal; nothing when nothing is on record.
pub async fn of_animal(tx: &mut Tx, business: BusinessId, animal: AnimalId) -> Result<Option<Numbering>> {
    // Uses service_by_animal and animal_event_by_animal.
    let rows = tx.sql(numberings!("a.id = $2")).bind(business).bind(animal).all().await?;
    Ok(by_animal(rows).pop())
}

/// Of all animals of a herd of which something is on record.
pub async fn of_herd(tx: &mut Tx, business: BusinessId, herd: HerdId) -> Result<Vec<Numbering>> {
    let rows = tx.sql(numberings!("a.herd_id = $2")).bind(business).bind(herd).all().await?;
    Ok(by_animal(rows))
}

/// Puts together what is of one animal; the rows are in the order of animals and of time.
fn by_animal(rows: Vec<Row>) -> Vec<Numbering> {
    let mut all: Vec<Numbering> = Vec::new();
    for row in rows {
        if all.last().is_none_or(|last| last.animal_id != row.animal_id) {
            all.push(Numbering {
                animal_id: row.animal_id,
                same_heat: row.same_heat_hours,
                history: AnimalHistory::default(),
                numbered: Vec::new(),
            });
        }
        let Some(of) = all.last_mut() else { continue };
        match (row.details, row.service_number.zip(row.rank).zip(row.kind)) {
            (Some(what), _) => of.history.happenings.push((row.happened_at, what)),
            (None, Some(((service_number, rank), kind))) => {
                of.history.services.push(PastService { at: row.happened_at, kind });
                of.numbered.push((ServiceId(row.id), Numbered { service_number, rank }));
            }
            (None, None) => {}
        }
    }
    all
}

/// The statement that gives services the numbers and ranks of `$rows` ([`numbers`]), in each database's own words.
macro_rules! renumber_services {
    (sqlite, $rows:literal) => {
        concat!(
            "update service set service_number = n.value ->> 1, rank = n.value ->> 2
             from json_each(",
            $rows,
            ") as n where service.business_id = $1 and service.id = unhex(n.value ->> 0, '-')"
        )
    };
    (postgres, $rows:literal) => {
        concat!(
            "update service set service_number = (n.value ->> 1)::bigint, rank = (n.value ->> 2)::bigint
             from json_array_elements(",
            $rows,
            "::json) as n(value)
             where service.business_id = $1 and service.id = (n.value ->> 0)::uuid"
        )
    };
}
pub(in crate::store) use renumber_services;

/// Numbers and ranks as rows for [`renumber_services`].
pub(in crate::store) fn numbers(renumbered: &[(ServiceId, Numbered)]) -> String {
    let rows = renumbered.iter().map(|(id, n)| json!([id, n.service_number, n.rank]));
    rows.collect::<Value>().to_string()
}

/// Notes the services that got another number.
pub(in crate::store) fn note_renumbered(
    tx: &mut Tx,
    business: BusinessId,
    renumbered: &[(ServiceId, Numbered)],
) {
    for (id, _) in renumbered {
        change::note(tx, business, NewChange::of(ChangeKind::Service, id.0));
    }
}

/// Gives services another number and rank, in one call.
pub async fn put(tx: &mut Tx, business: BusinessId, renumbered: &[(ServiceId, Numbered)]) -> Result<()> {
    if renumbered.is_empty() {
        return Ok(());
    }
    let statement = tx.sql_for(renumber_services!(sqlite, "$2"), renumber_services!(postgres, "$2"));
    statement.bind(business).bind(numbers(renumbered)).run().await?;
    note_renumbered(tx, business, renumbered);
    Ok(())
}
