//! Call-outs.

use std::collections::BTreeMap;

use crate::{
    domain::{
        animals::call_out::{CallOut, CallOutState, CalledFor, WaitingCallOut},
        exchange::change::ChangeKind,
        values::{AnimalId, BusinessId, CallOutId, HerdId, ServiceId, Timestamp},
    },
    store::{
        Page, Result, Tx,
        access::business,
        exchange::change::{self, NewChange},
        ids::{ids_in, json_ids},
    },
};

/// What a call-out `c` is read from, its herd `h` among it.
macro_rules! call_out_columns {
    () => {
        "c.id, c.herd_id, h.name as herd_name, c.text, c.wanted_by, c.caller, c.telephone, c.asked_at, c.state, c.closed_at,
                    c.close_reason, c.recorded_at, c.recorded_by"
    };
}
macro_rules! call_outs {
    ($rest:expr) => {
        concat!(
            "select ",
            call_out_columns!(),
            ", h.time_zone from call_out c join herd h on h.business_id = c.business_id and h.id = c.herd_id ",
            $rest
        )
    };
}
macro_rules! add_animals {
    ($rows:literal) => {
        concat!("insert into call_out_animal (business_id, call_out_id, animal_id) select $1, $2, ", $rows)
    };
}

/// Enters a call-out.
pub async fn add(tx: &mut Tx, business: BusinessId, c: &CallOut) -> Result<()> {
    tx.sql(
        "insert into call_out (business_id, id, herd_id, text, wanted_by, caller, telephone, asked_at, state, recorded_at,
                               recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(business)
    .bind(c.id)
    .bind(c.herd_id)
    .bind(c.text.clone())
    .bind(c.wanted_by)
    .bind(c.caller.clone())
    .bind(c.telephone.clone())
    .bind(c.asked_at)
    .bind(c.state)
    .bind(c.recorded_at)
    .bind(c.recorded_by)
    .run()
    .await?;
    if !c.animals.is_empty() {
        let animals: Vec<_> = c.animals.iter().map(|one| one.animal_id).collect();
        tx.sql_for(
            add_animals!("unhex(value, '-') from json_each($3)"),
            add_animals!("cast(value as uuid) from json_array_elements_text($3::json)"),
        )
        .bind(business)
        .bind(c.id)
        .bind(json_ids(&animals))
        .run()
        .await?;
    }
    business::forget_state(tx, business);
    note(tx, business, c);
    Ok(())
}

/// It was closed.
pub async fn change(tx: &mut Tx, business: BusinessId, c: &CallOut) -> Result<()> {
    tx.sql(
        "update call_out set state = $3, closed_at = $4, close_reason = $5 where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(c.id)
    .bind(c.state)
    .bind(c.closed_at)
    .bind(c.close_reason.clone())
    .run()
    .await?;
    business::forget_state(tx, business);
    note(tx, business, c);
    Ok(())
}

fn note(tx: &mut Tx, business: BusinessId, c: &CallOut) {
    let change = NewChange::of(ChangeKind::CallOut, c.id.0).herd(c.herd_id);
    change::note(
        tx,
        business,
        match c.animals[..] {
            [ref only] => change.animal(only.animal_id),
            _ => change,
        },
    );
}

/// An animal was served: what a farm asked for may be done. Where nobody waits it costs nothing.
pub(in crate::store) async fn served(
    tx: &mut Tx,
    business: BusinessId,
    animal: AnimalId,
    service: ServiceId,
    served_at: Timestamp,
) -> Result<()> {
    if !business::state(tx, business).await?.has_open_call_outs {
        return Ok(());
    }
    // Uses call_out_of_animal.
    let waiting = tx
        .sql(call_outs!(
            "where c.business_id = $1 and c.state = 'open' and c.id in (
                 select a.call_out_id from call_out_animal a
                 where a.business_id = $1 and a.animal_id = $2 and a.service_id is null)
             order by c.id"
        ))
        .bind(business)
        .bind(animal)
        .all()
        .await?;
    for before in with_animals(tx, business, waiting).await? {
        let after = before.clone().served(animal, service, served_at);
        if after == before {
            continue;
        }
        set_service(tx, business, &after, animal, Some(service)).await?;
        change(tx, business, &after).await?;
    }
    Ok(())
}

/// A service does not count any more: what a farm asked for may wait again. Where nobody ever asked it costs nothing.
pub(in crate::store) async fn unserved(tx: &mut Tx, business: BusinessId, service: ServiceId) -> Result<()> {
    #[derive(sqlx::FromRow)]
    struct Row {
        #[sqlx(flatten)]
        call_out: CallOut,
        animal_id: AnimalId,
        instead: Option<ServiceId>,
    }
    if !business::state(tx, business).await?.has_call_outs {
        return Ok(());
    }
    // Uses call_out_of_animal and service_by_animal.
    let rows: Vec<Row> = tx
        .sql(concat!(
            "select ",
            call_out_columns!(),
            ", s.animal_id,
                    (select v.id from service v
                     where v.business_id = $1 and v.animal_id = s.animal_id and v.served_at >= c.asked_at
                       and v.reversed_at is null and v.id <> s.id
                     order by v.served_at, v.id limit 1) as instead
             from service s
             join call_out_animal a
               on a.business_id = s.business_id and a.animal_id = s.animal_id and a.service_id = s.id
             join call_out c on c.business_id = a.business_id and c.id = a.call_out_id
             join herd h on h.business_id = c.business_id and h.id = c.herd_id
             where s.business_id = $1 and s.id = $2
             order by c.id"
        ))
        .bind(business)
        .bind(service)
        .all()
        .await?;
    let (found, rest): (Vec<_>, Vec<_>) =
        rows.into_iter().map(|row| (row.call_out, (row.animal_id, row.instead))).unzip();
    for (before, (animal, instead)) in with_animals(tx, business, found).await?.into_iter().zip(rest) {
        let after = before.unserved(service, instead);
        set_service(tx, business, &after, animal, instead).await?;
        change(tx, business, &after).await?;
    }
    Ok(())
}

/// Which service came of it for one of its animals.
async fn set_service(
    tx: &mut Tx,
    business: BusinessId,
    call_out: &CallOut,
    animal: AnimalId,
    service: Option<ServiceId>,
) -> Result<()> {
    tx.sql(
        "update call_out_animal set service_id = $4
         where business_id = $1 and call_out_id = $2 and animal_id = $3",
    )
    .bind(business)
    .bind(call_out.id)
    .bind(animal)
    .bind(service)
    .run()
    .await?;
    Ok(())
}

/// Those of these herds, or of all, that wait, asked up to then; the oldest first.
pub async fn waiting(
    tx: &mut Tx,
    business: BusinessId,
    herds: &[HerdId],
    asked_until: Timestamp,
) -> Result<Vec<WaitingCallOut>> {
    // Uses call_out_open: few wait, whatever the size of the book.
    macro_rules! waiting {
        ($herds:expr) => {
            call_outs!(concat!(
                "where c.business_id = $1 and c.state = 'open' and c.asked_at <= $2 and ($3 or c.herd_id ",
                $herds,
                ") order by c.asked_at, c.id"
            ))
        };
    }
    let found: Vec<WaitingCallOut> = tx
        .sql_for(waiting!(ids_in!(sqlite, "$4")), waiting!(ids_in!(postgres, "$4")))
        .bind(business)
        .bind(asked_until)
        .bind(herds.is_empty())
        .bind(json_ids(herds))
        .all()
        .await?;
    let (found, zones): (Vec<_>, Vec<_>) = found.into_iter().map(|one| (one.call_out, one.time_zone)).unzip();
    let found = with_animals(tx, business, found).await?.into_iter();
    Ok(found.zip(zones).map(|(call_out, time_zone)| WaitingCallOut { call_out, time_zone }).collect())
}

/// One call-out.
pub async fn find(tx: &mut Tx, business: BusinessId, id: CallOutId) -> Result<Option<CallOut>> {
    let found: Option<CallOut> = tx
        .sql(call_outs!("where c.business_id = $1 and c.id = $2"))
        .bind(business)
        .bind(id)
        .optional()
        .await?;
    Ok(with_animals(tx, business, found.into_iter().collect()).await?.pop())
}

/// Which call-outs a list shows; what is not said is not asked.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wanted {
    /// Of this herd.
    pub herd: Option<HerdId>,
    /// That wait, or do not any more.
    pub state: Option<CallOutState>,
}

/// Call-outs, oldest entry first.
pub async fn list(tx: &mut Tx, business: BusinessId, wanted: Wanted, page: Page) -> Result<Vec<CallOut>> {
    macro_rules! filtered {
        ($leading:literal) => {
            call_outs!(concat!(
                "where c.business_id = $1 and c.id in (
                     select x.id from call_out x where x.business_id = $1 and x.id > $2 and ",
                $leading,
                " and ($5 is null or x.state = $5) order by x.id limit $3)
                 order by c.id"
            ))
        };
    }
    let found = tx
        .sql(if wanted.state == Some(CallOutState::Open) {
            // call_out_open: few wait, whatever the size of the book.
            filtered!("x.state = 'open' and ($4 is null or x.herd_id = $4)")
        } else if wanted.herd.is_some() {
            // call_out_by_herd.
            filtered!("x.herd_id = $4")
        } else {
            // The primary key.
            filtered!("$4 is null")
        })
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .bind(wanted.herd)
        .bind(wanted.state)
        .all()
        .await?;
    with_animals(tx, business, found).await
}

macro_rules! animals {
    ($ids:expr) => {
        concat!(
            "select o.call_out_id, o.animal_id, a.number as animal_number, o.service_id
             from call_out_animal o join animal a on a.business_id = o.business_id and a.id = o.animal_id
             where o.business_id = $1 and o.call_out_id ",
            $ids,
            " order by o.call_out_id, o.animal_id"
        )
    };
}

/// The same with the animals that they name.
async fn with_animals(
    tx: &mut Tx,
    business: BusinessId,
    mut call_outs: Vec<CallOut>,
) -> Result<Vec<CallOut>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        call_out_id: CallOutId,
        #[sqlx(flatten)]
        animal: CalledFor,
    }
    if call_outs.is_empty() {
        return Ok(call_outs);
    }
    let ids: Vec<_> = call_outs.iter().map(|call_out| call_out.id).collect();
    let rows: Vec<Row> = tx
        .sql_for(animals!(ids_in!(sqlite, "$2")), animals!(ids_in!(postgres, "$2")))
        .bind(business)
        .bind(json_ids(&ids))
        .all()
        .await?;
    let mut animals = BTreeMap::<CallOutId, Vec<CalledFor>>::new();
    for Row { call_out_id, animal } in rows {
        animals.entry(call_out_id).or_default().push(animal);
    }
    for call_out in &mut call_outs {
        call_out.animals = animals.remove(&call_out.id).unwrap_or_default();
    }
    Ok(call_outs)
}
