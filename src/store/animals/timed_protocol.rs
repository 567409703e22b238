//! Timed protocols, and the animals for whom one began.

use chrono::TimeDelta;
use serde_json::json;

use crate::{
    domain::{
        animals::{
            timed_protocol::{ProtocolStart, TimedProtocol, TimedProtocolDetails},
            watch::as_they_stand,
        },
        exchange::change::ChangeKind,
        values::{AnimalId, BusinessId, HerdId, ProtocolStartId, TimedProtocolId, Timestamp},
    },
    store::{
        Page, Result, Tx,
        animals::watch,
        exchange::change::{self, NewChange},
        ids::{ids_in, json_ids},
    },
};

/// How long after its hour a start may still matter to somebody; a day more than an insemination is asked for.
const MATTERS_FOR: TimeDelta = TimeDelta::days(4);

/// Enters a protocol.
pub async fn add(tx: &mut Tx, business: BusinessId, protocol: &TimedProtocol) -> Result<()> {
    let d = &protocol.details;
    tx.sql(
        "insert into timed_protocol (business_id, id, herd_id, name, prescribed_by, steps, created_at)
         values ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(business)
    .bind(protocol.id)
    .bind(d.herd_id)
    .bind(d.name.clone())
    .bind(d.prescribed_by.clone())
    .bind(d.steps.clone())
    .bind(protocol.created_at)
    .run()
    .await?;
    let new = NewChange::of(ChangeKind::TimedProtocol, protocol.id.0).herd(d.herd_id);
    change::note(tx, business, new);
    Ok(())
}

/// Changes what is said of a protocol. What began by it goes on as it was.
pub async fn change(
    tx: &mut Tx,
    business: BusinessId,
    id: TimedProtocolId,
    d: &TimedProtocolDetails,
) -> Result<()> {
    tx.sql(
        "update timed_protocol set herd_id = $3, name = $4, prescribed_by = $5, steps = $6
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(d.herd_id)
    .bind(d.name.clone())
    .bind(d.prescribed_by.clone())
    .bind(d.steps.clone())
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::TimedProtocol, id.0).herd(d.herd_id));
    Ok(())
}

/// Takes a protocol away. What began by it goes on.
pub async fn remove(tx: &mut Tx, business: BusinessId, id: TimedProtocolId, now: Timestamp) -> Result<()> {
    tx.sql("update timed_protocol set removed_at = $3 where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .bind(now)
        .run()
        .await?;
    change::note(tx, business, NewChange::of(ChangeKind::TimedProtocol, id.0).reversed(true));
    Ok(())
}

/// One protocol.
pub async fn find(tx: &mut Tx, business: BusinessId, id: TimedProtocolId) -> Result<Option<TimedProtocol>> {
    tx.sql(
        "select id, herd_id, name, prescribed_by, steps, created_at from timed_protocol
         where business_id = $1 and id = $2 and removed_at is null",
    )
    .bind(business)
    .bind(id)
    .optional()
    .await
}

/// Protocols, oldest entry first; of one herd when it is named.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    herd: Option<HerdId>,
    page: Page,
) -> Result<Vec<TimedProtocol>> {
    macro_rules! filtered {
        ($leading:literal) => {
            concat!(
                "select id, herd_id, name, prescribed_by, steps, created_at from timed_protocol
                 where business_id = $1 and id > $2 and removed_at is null and ",
                $leading,
                " order by id limit $3"
            )
        };
    }
    tx.sql(if herd.is_some() {
        // timed_protocol_by_herd.
        filtered!("herd_id = $4")
    } else {
        // The primary key.
        filtered!("$4 is null")
    })
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(herd)
    .all()
    .await
}

macro_rules! add_starts {
    ($rows:literal) => {
        concat!(
            "insert into protocol_start (business_id, id, animal_id, protocol_id, herd_id, name, prescribed_by, starts_on,
                                         inseminate_at, calendar, recorded_at, recorded_by)
             select $1, ",
            $rows
        )
    };
}

/// Enters the starts of one protocol on one day, in one call.
pub async fn add_starts(tx: &mut Tx, business: BusinessId, starts: &[ProtocolStart]) -> Result<()> {
    let Some(first) = starts.first() else { return Ok(()) };
    let rows: Vec<_> = starts.iter().map(|start| json!([start.id, start.animal_id])).collect();
    tx.sql_for(
        add_starts!(
            "unhex(value ->> 0, '-'), unhex(value ->> 1, '-'), $3, $4, $5, $6, $7, $8, $9, $10, $11 from json_each($2)"
        ),
        add_starts!(
            "cast(value ->> 0 as uuid), cast(value ->> 1 as uuid), $3, $4, $5, $6, $7, $8, $9, $10, $11
             from json_array_elements($2::json)"
        ),
    )
    .bind(business)
    .bind(json!(rows).to_string())
    .bind(first.protocol_id)
    .bind(first.herd_id)
    .bind(first.name.clone())
    .bind(first.prescribed_by.clone())
    .bind(first.starts_on)
    .bind(first.inseminate_at)
    .bind(first.calendar.clone())
    .bind(first.recorded_at)
    .bind(first.recorded_by)
    .run()
    .await?;
    for start in starts {
        note(tx, business, start);
    }
    Ok(())
}

/// A start was stopped, or something was said of a step.
pub async fn change_start(tx: &mut Tx, business: BusinessId, start: &ProtocolStart) -> Result<()> {
    tx.sql(
        "update protocol_start set calendar = $3, stopped_at = $4, stop_reason = $5
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(start.id)
    .bind(start.calendar.clone())
    .bind(start.stopped_at)
    .bind(start.stop_reason.clone())
    .run()
    .await?;
    note(tx, business, start);
    Ok(())
}

fn note(tx: &mut Tx, business: BusinessId, start: &ProtocolStart) {
    let new = NewChange::of(ChangeKind::ProtocolStart, start.id.0);
    change::note(tx, business, new.herd(start.herd_id).animal(start.animal_id));
}

macro_rules! starts {
    ($rest:expr) => {
        concat!(
            "select s.id, s.protocol_id, s.name, s.prescribed_by, s.herd_id, h.name as herd_name, h.time_zone,
                    h.same_heat_hours, s.animal_id, a.number as animal_number, a.left_on as animal_left_on, s.starts_on,
                    s.calendar, s.inseminate_at, s.stopped_at, s.stop_reason, s.recorded_at, s.recorded_by
             from protocol_start s
             join herd h on h.business_id = s.business_id and h.id = s.herd_id
             join animal a on a.business_id = s.business_id and a.id = s.animal_id ",
            $rest
        )
    };
}

/// One start, as it stands.
pub async fn find_start(
    tx: &mut Tx,
    business: BusinessId,
    id: ProtocolStartId,
    now: Timestamp,
) -> Result<Option<ProtocolStart>> {
    let found: Option<ProtocolStart> =
        tx.sql(starts!("where s.business_id = $1 and s.id = $2")).bind(business).bind(id).optional().await?;
    Ok(standing(tx, business, found.into_iter().collect(), now).await?.pop())
}

/// Which starts a list shows; what is not said is not asked.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wanted {
    /// Of this protocol.
    pub protocol: Option<TimedProtocolId>,
    /// Of this animal.
    pub animal: Option<AnimalId>,
    /// Of this herd.
    pub herd: Option<HerdId>,
}

/// Starts as they stand, oldest entry first.
pub async fn list_starts(
    tx: &mut Tx,
    business: BusinessId,
    wanted: Wanted,
    page: Page,
    now: Timestamp,
) -> Result<Vec<ProtocolStart>> {
    macro_rules! filtered {
        ($leading:literal) => {
            starts!(concat!(
                "where s.business_id = $1 and s.id in (
                     select x.id from protocol_start x where x.business_id = $1 and x.id > $2 and ",
                $leading,
                " and ($5 is null or x.animal_id = $5) and ($6 is null or x.herd_id = $6) order by x.id limit $3)
                 order by s.id"
            ))
        };
    }
    let found = tx
        .sql(if wanted.animal.is_some() {
            // protocol_start_of_animal.
            filtered!("x.animal_id = $5 and ($4 is null or x.protocol_id = $4)")
        } else if wanted.protocol.is_some() {
            // protocol_start_of_protocol.
            filtered!("x.protocol_id = $4")
        } else if wanted.herd.is_some() {
            // protocol_start_by_herd.
            filtered!("x.herd_id = $6 and $4 is null")
        } else {
            // The primary key.
            filtered!("$4 is null")
        })
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .bind(wanted.protocol)
        .bind(wanted.animal)
        .bind(wanted.herd)
        .all()
        .await?;
    standing(tx, business, found, now).await
}

/// The same with what is on record of their animals.
async fn standing(
    tx: &mut Tx,
    business: BusinessId,
    starts: Vec<ProtocolStart>,
    now: Timestamp,
) -> Result<Vec<ProtocolStart>> {
    let ids: Vec<_> = starts.iter().map(|start| start.animal_id).collect();
    let animals = watch::of_ids(tx, business, &ids, now).await?;
    Ok(as_they_stand(starts, &animals, now))
}

/// Starts that nobody stopped and that may still run, of a herd or of all herds; whether they do is for the caller to see.
pub async fn ahead(
    tx: &mut Tx,
    business: BusinessId,
    herd: Option<HerdId>,
    now: Timestamp,
) -> Result<Vec<ProtocolStart>> {
    // Uses protocol_start_ahead.
    tx.sql(starts!(
        "where s.business_id = $1 and s.stopped_at is null and s.inseminate_at >= $2 and ($3 is null or s.herd_id = $3)
         order by s.id"
    ))
    .bind(business)
    .bind(matters_from(now))
    .bind(herd)
    .all()
    .await
}

/// From when on the hours lie of starts that may still matter at `now`.
pub fn matters_from(now: Timestamp) -> Timestamp {
    now.plus(-MATTERS_FOR)
}

/// The same of these animals, whose hour lies from `from` on, and up to `until` where that is said.
pub async fn ahead_of(
    tx: &mut Tx,
    business: BusinessId,
    animals: &[AnimalId],
    from: Timestamp,
    until: Option<Timestamp>,
) -> Result<Vec<ProtocolStart>> {
    // Uses protocol_start_of_animal or protocol_start_ahead.
    macro_rules! ahead {
        ($animals:expr) => {
            starts!(concat!(
                "where s.business_id = $1 and s.stopped_at is null and s.inseminate_at >= $2
                   and ($3 is null or s.inseminate_at <= $3) and s.animal_id ",
                $animals,
                " order by s.id"
            ))
        };
    }
    tx.sql_for(ahead!(ids_in!(sqlite, "$4")), ahead!(ids_in!(postgres, "$4")))
        .bind(business)
        .bind(from)
        .bind(until)
        .bind(json_ids(animals))
        .all()
        .await
}
