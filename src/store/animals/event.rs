//! What happens to an animal besides services.

use serde_json::json;
use uuid::Uuid;

use crate::{
    domain::{
        animals::{
            event::Event,
            history::{HappeningKind, Numbered},
        },
        exchange::change::ChangeKind,
        values::{AnimalId, BusinessId, EventId, HerdId, KeyId, ServiceId, Timestamp},
    },
    store::{
        NARROW, Page, Result, Tx,
        animals::{
            history,
            numbering::{note_renumbered, numbers, renumber_services},
        },
        exchange::change::{self, NewChange},
        span,
    },
};

/// Enters an event, and renumbers the services that it came before, in one call.
pub async fn write(
    tx: &mut Tx,
    business: BusinessId,
    by: KeyId,
    event: &Event,
    renumbered: &[(ServiceId, Numbered)],
) -> Result<()> {
    tx.sql_for(
        concat!("insert into animal_event (business_id, id, herd_id, animal_id, happened_at, kind, details, technician, note,
                                   recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11); ", renumber_services!(sqlite, "$12")),
        concat!("with entered as (
             insert into animal_event (business_id, id, herd_id, animal_id, happened_at, kind, details, technician, note,
                                   recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)) ", renumber_services!(postgres, "$12")),
    )
    .bind(business)
    .bind(event.id)
    .bind(event.herd_id)
    .bind(event.animal_id)
    .bind(event.happened_at)
    .bind(event.what.kind())
    .bind(event.what.clone())
    .bind(event.technician.clone())
    .bind(event.note.clone())
    .bind(event.recorded_at)
    .bind(by)
    .bind(numbers(renumbered))
    .run()
    .await?;
    change::note(tx, business, noted(event));
    note_renumbered(tx, business, renumbered);
    Ok(())
}

fn noted(event: &Event) -> NewChange {
    let kind = match event.what.kind() {
        HappeningKind::Heat => ChangeKind::Heat,
        HappeningKind::PregnancyCheck => ChangeKind::PregnancyCheck,
        HappeningKind::Calving => ChangeKind::Calving,
        HappeningKind::Abortion => ChangeKind::Abortion,
        HappeningKind::DoNotBreed => ChangeKind::DoNotBreed,
    };
    NewChange::of(kind, event.id.0).herd(event.herd_id).animal(event.animal_id)
}

/// The event was entered by mistake: it stays and does not count.
pub async fn reverse(tx: &mut Tx, business: BusinessId, event: &Event, now: Timestamp) -> Result<()> {
    tx.sql("update animal_event set reversed_at = $3 where business_id = $1 and id = $2")
        .bind(business)
        .bind(event.id)
        .bind(now)
        .run()
        .await?;
    change::note(tx, business, noted(event).reversed(true));
    Ok(())
}

/// One event.
pub async fn find(tx: &mut Tx, business: BusinessId, id: EventId) -> Result<Option<Event>> {
    tx.sql(
        "select id, herd_id, animal_id, happened_at, details, technician, note, reversed_at, recorded_at
         from animal_event where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .optional()
    .await
}

/// These events, in no order.
pub async fn of_ids(tx: &mut Tx, business: BusinessId, ids: &[Uuid]) -> Result<Vec<Event>> {
    tx.sql_for(
        "select id, herd_id, animal_id, happened_at, details, technician, note, reversed_at, recorded_at
         from animal_event
         where business_id = $1 and id in (select unhex(q.value, '-') from json_each($2) as q)",
        "select id, herd_id, animal_id, happened_at, details, technician, note, reversed_at, recorded_at
         from animal_event
         where business_id = $1
           and id in (select q.value::uuid from json_array_elements_text($2::json) as q(value))",
    )
    .bind(business)
    .bind(json!(ids).to_string())
    .all()
    .await
}

/// Which events a list shows; what is not said is not asked.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wanted {
    /// Of this animal.
    pub animal: Option<AnimalId>,
    /// Of this herd.
    pub herd: Option<HerdId>,
    /// That were not before this.
    pub from: Option<Timestamp>,
    /// That were before this.
    pub to: Option<Timestamp>,
}

/// Events of one kind, oldest entry first.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    kind: HappeningKind,
    wanted: &Wanted,
    page: Page,
) -> Result<Vec<Event>> {
    macro_rules! filtered {
        ($leading:literal, $order:literal) => {
            concat!(
                "select id, herd_id, animal_id, happened_at, details, technician, note, reversed_at, recorded_at
                 from animal_event
                 where business_id = $1 and kind = $4 and ", $leading, " and ($6 is null or herd_id = $6)
                   and ($7 is null or happened_at >= $7) and ($8 is null or happened_at < $8)
                 order by ", $order, " limit $3"
            )
        };
    }
    let span = span(wanted.from, wanted.to);
    let few_days = wanted.animal.is_none() && span.is_some() && are_few(tx, business, kind, span).await?;
    tx.sql(if wanted.animal.is_some() {
        // animal_event_by_animal, and then sorted: she has few.
        filtered!("animal_id = $5 and coalesce(id, id) > $2", "coalesce(id, id)")
    } else if few_days {
        // animal_event_by_time, and then sorted.
        filtered!(
            "happened_at >= $7 and happened_at < $8 and coalesce(id, id) > $2 and $5 is null",
            "coalesce(id, id)"
        )
    } else if wanted.herd.is_some() {
        // animal_event_by_herd.
        filtered!("herd_id = $6 and id > $2 and $5 is null", "id")
    } else {
        // animal_event_by_kind.
        filtered!("id > $2 and $5 is null", "id")
    })
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(kind)
    .bind(wanted.animal)
    .bind(wanted.herd)
    .bind(span.map(|span| span.0))
    .bind(span.map(|span| span.1))
    .all()
    .await
}

/// Whether few events of that kind happened in those days.
async fn are_few(
    tx: &mut Tx,
    business: BusinessId,
    kind: HappeningKind,
    span: Option<(Timestamp, Timestamp)>,
) -> Result<bool> {
    // Uses animal_event_by_time.
    let one_more = tx
        .sql(
            "select cast(1 as bigint) from animal_event where business_id = $1 and kind = $2 and happened_at >= $3 and happened_at < $4
             order by happened_at limit 1 offset $5",
        )
        .bind(business)
        .bind(kind)
        .bind(span.map(|span| span.0))
        .bind(span.map(|span| span.1))
        .bind(NARROW)
        .value::<i64>()
        .await?;
    Ok(one_more.is_none())
}

/// All events of an animal that count, in order of time.
pub async fn of_animal(tx: &mut Tx, business: BusinessId, animal: AnimalId) -> Result<Vec<Event>> {
    // Uses animal_event_by_animal.
    tx.sql(
        "select id, herd_id, animal_id, happened_at, details, technician, note, reversed_at, recorded_at
         from animal_event where business_id = $1 and animal_id = $2 and reversed_at is null
         order by happened_at, id",
    )
    .bind(business)
    .bind(animal)
    .all()
    .await
}

/// Events of one kind with what only her whole history tells of them.
pub async fn in_full(
    tx: &mut Tx,
    business: BusinessId,
    kind: HappeningKind,
    events: Vec<Event>,
) -> Result<Vec<Event>> {
    if kind == HappeningKind::PregnancyCheck {
        history::with_fits(tx, business, events).await
    } else {
        Ok(events)
    }
}
