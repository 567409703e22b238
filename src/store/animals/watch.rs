//! What is on record of all animals of a herd or a business, to see what is to be watched.

use serde_json::json;

use crate::{
    domain::{
        animals::{
            history::{AnimalEvent, AnimalHistory, PastService},
            service_kind::ServiceKind,
            watch::Watched,
        },
        values::{
            AnimalId, BusinessId, Code, Day, Days, HeatHours, HerdId, Name, ServiceId, TimeZone, Timestamp,
        },
    },
    store::{Result, Tx},
};

#[derive(sqlx::FromRow)]
struct Row {
    animal_id: AnimalId,
    number: Code,
    left_on: Option<Day>,
    herd_id: HerdId,
    herd_name: Name,
    time_zone: TimeZone,
    waiting_days: Days,
    same_heat_hours: HeatHours,
    at: Timestamp,
    id: uuid::Uuid,
    details: Option<AnimalEvent>,
    breed: Option<Code>,
    kind: Option<ServiceKind>,
}

macro_rules! on_record {
    ($of:literal) => {
        concat!(
            on_record!("e.happened_at as at, e.id as id, e.details, null as breed, null as kind", "animal_event e", "e", "", $of),
            " union all ",
            on_record!(
                "v.served_at, v.id, null, s.breed, v.kind",
                "service v",
                "v",
                "left join sire s on s.business_id = v.business_id and s.id = v.sire_id",
                $of
            ),
            " order by animal_id, at, id"
        )
    };
    ($columns:literal, $table:literal, $row:literal, $joins:literal, $of:literal) => {
        concat!(
            "select a.id as animal_id, a.number, a.left_on, a.herd_id, h.name as herd_name, h.time_zone, h.waiting_days,
                    h.same_heat_hours, ",
            $columns,
            " from animal a
             join herd h on h.business_id = a.business_id and h.id = a.herd_id
             join ", $table, " on ", $row, ".business_id = a.business_id and ", $row, ".animal_id = a.id ",
            $joins,
            " where a.business_id = $1 and ", $of, " and ", $row, ".reversed_at is null"
        )
    };
}

/// The animals of a herd, or of all herds, of which something is on record, without those that left by `now`.
pub async fn animals(
    tx: &mut Tx,
    business: BusinessId,
    herd: Option<HerdId>,
    now: Timestamp,
) -> Result<Vec<Watched>> {
    let rows = tx
        .sql(match herd {
            // animal_by_herd, then animal_event_by_animal and service_by_animal.
            Some(_) => on_record!("a.herd_id = $2"),
            None => on_record!("$2 is null"),
        })
        .bind(business)
        .bind(herd)
        .all()
        .await?;
    Ok(watched(rows, now))
}

/// The same of these animals.
pub async fn of_ids(
    tx: &mut Tx,
    business: BusinessId,
    ids: &[AnimalId],
    now: Timestamp,
) -> Result<Vec<Watched>> {
    let rows = tx
        .sql_for(
            on_record!("a.id in (select unhex(q.value, '-') from json_each($2) as q)"),
            on_record!("a.id in (select q.value::uuid from json_array_elements_text($2::json) as q(value))"),
        )
        .bind(business)
        .bind(json!(ids).to_string())
        .all()
        .await?;
    Ok(watched(rows, now))
}

/// Puts together what is on record of each, without those that left by `now`.
fn watched(rows: Vec<Row>, now: Timestamp) -> Vec<Watched> {
    let mut animals: Vec<Watched> = Vec::new();
    for row in rows {
        if row.left_on.is_some_and(|left| left <= now.day_in(row.time_zone)) {
            continue;
        }
        if animals.last().is_none_or(|last| last.id != row.animal_id) {
            animals.push(Watched {
                id: row.animal_id,
                number: row.number,
                herd_id: row.herd_id,
                herd_name: row.herd_name,
                time_zone: row.time_zone,
                waiting_days: row.waiting_days,
                same_heat_hours: row.same_heat_hours,
                history: AnimalHistory::default(),
                services: Vec::new(),
            });
        }
        let Some(animal) = animals.last_mut() else { continue };
        match (row.details, row.kind) {
            (Some(what), _) => animal.history.happenings.push((row.at, what)),
            (None, Some(kind)) => {
                animal.served(PastService { at: row.at, kind }, ServiceId(row.id), row.breed);
            }
            (None, None) => {}
        }
    }
    animals
}

/// How many animals there are in a business, or a number beyond `most`.
pub async fn count_up_to(tx: &mut Tx, business: BusinessId, most: i64) -> Result<i64> {
    let count = tx.sql("select count(*) from (select 1 from animal where business_id = $1 limit $2) a");
    Ok(count.bind(business).bind(most + 1).value().await?.unwrap_or(0))
}
