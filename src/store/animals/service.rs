//! Services on record.

use serde_json::json;
use uuid::Uuid;

use crate::{
    domain::{
        animals::{
            history::Numbered,
            reverse_service::Decision,
            service::{Service, ServiceEntry},
        },
        exchange::change::ChangeKind,
        values::{AnimalId, BusinessId, HerdId, KeyId, ServiceId, Timestamp},
    },
    store::{
        Page, Result, Tx,
        animals::{
            animal::her_columns,
            call_out,
            numbering::{note_renumbered, numbers, renumber_services},
        },
        exchange::change::{self, NewChange},
        straws::{lot::lot_columns, place::place_columns, sire::sire_columns},
    },
};

/// Enters a service, closes its withdrawal, and renumbers those that it came before, in one call.
pub async fn write(
    tx: &mut Tx,
    business: BusinessId,
    by: KeyId,
    s: &Service,
    renumbered: &[(ServiceId, Numbered)],
) -> Result<()> {
    tx.sql_for(
        concat!("insert into service (business_id, id, herd_id, animal_id, served_at, service_number, rank, technician,
                              withdrawal_id, lot_id, sire_id, semen_type, place_id, straws, semen_from_herd_stock,
                              deviations, note, recorded_at, recorded_by, kind, donor_id, straw_read)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, (select place_id from withdrawal where business_id = $1 and id = $9), $13, $14, $15, $16, $17, $18, $20, $21, $22);
         update withdrawal set state = 'served', resolved_at = $5 where business_id = $1 and id = $9; ", renumber_services!(sqlite, "$19")),
        concat!("with entered as (
             insert into service (business_id, id, herd_id, animal_id, served_at, service_number, rank, technician,
                              withdrawal_id, lot_id, sire_id, semen_type, place_id, straws, semen_from_herd_stock,
                              deviations, note, recorded_at, recorded_by, kind, donor_id, straw_read)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, (select place_id from withdrawal where business_id = $1 and id = $9), $13, $14, $15, $16, $17, $18, $20, $21, $22)),
         served as (update withdrawal set state = 'served', resolved_at = $5 where business_id = $1 and id = $9) ", renumber_services!(postgres, "$19")),
    )
    .bind(business)
    .bind(s.id)
    .bind(s.herd_id)
    .bind(s.animal_id)
    .bind(s.served_at)
    .bind(s.service_number.unwrap_or(1))
    .bind(s.rank.unwrap_or(1))
    .bind(s.technician.clone())
    .bind(s.withdrawal_id)
    .bind(s.lot.as_ref().map(|lot| lot.id))
    .bind(s.sire.as_ref().map(|sire| sire.id))
    .bind(s.semen_type)
    .bind(s.straws.max(1))
    .bind(s.semen_from_herd_stock)
    .bind(s.deviations.clone())
    .bind(s.note.clone())
    .bind(s.recorded_at)
    .bind(by)
    .bind(numbers(renumbered))
    .bind(s.kind)
    .bind(s.donor_id)
    .bind(s.straw_read.clone())
    .run()
    .await?;
    let new = NewChange::of(ChangeKind::Service, s.id.0).herd(s.herd_id).animal(s.animal_id);
    change::note(tx, business, new);
    if let Some(withdrawal) = s.withdrawal_id {
        change::note(tx, business, NewChange::of(ChangeKind::Withdrawal, withdrawal.0));
    }
    note_renumbered(tx, business, renumbered);
    call_out::served(tx, business, s.animal_id, s.id, s.served_at).await
}

/// Enters a service that a list brought along.
pub async fn add(tx: &mut Tx, business: BusinessId, by: KeyId, s: &ServiceEntry) -> Result<()> {
    tx.sql(
        "insert into service (business_id, id, herd_id, animal_id, served_at, service_number, rank, technician,
                              withdrawal_id, lot_id, sire_id, semen_type, place_id, straws, semen_from_herd_stock,
                              deviations, note, recorded_at, recorded_by, kind, donor_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, null)",
    )
    .bind(business)
    .bind(s.id)
    .bind(s.herd_id)
    .bind(s.animal_id)
    .bind(s.served_at)
    .bind(s.service_number)
    .bind(s.rank)
    .bind(s.technician.clone())
    .bind(s.withdrawal_id)
    .bind(s.lot_id)
    .bind(s.sire_id)
    .bind(s.semen_type)
    .bind(s.place_id)
    .bind(s.straws)
    .bind(s.semen_from_herd_stock)
    .bind(s.deviations.clone())
    .bind(s.note.clone())
    .bind(s.recorded_at)
    .bind(by)
    .bind(s.kind)
    .run()
    .await?;
    change::note(
        tx,
        business,
        NewChange::of(ChangeKind::Service, s.id.0).herd(s.herd_id).animal(s.animal_id),
    );
    call_out::served(tx, business, s.animal_id, s.id, s.served_at).await
}

/// Services; with `beside` each with its animal and its withdrawal.
macro_rules! services {
    (beside $rest:expr) => {
        services!(
            concat!(
                ", t.herd_id as tank_herd_id, ",
                her_columns!(),
                ", w.id as out_id, w.state as out_state, w.herd_id as out_herd_id, w.service_number as out_service_number,
                   w.rank as out_rank, w.place_id as out_place_id, w.straws as out_straws, w.withdrawn_at as out_withdrawn_at,
                   w.technician as out_technician, w.straw_read as out_straw_read, w.rule as out_rule, w.thaw as out_thaw,
                   w.bath_temp_c as out_bath_temp_c, w.thaw_started_at as out_thaw_started_at, w.ready_at as out_ready_at,
                   w.use_by as out_use_by, w.resolved_at as out_resolved_at, w.override_reason as out_override_reason,
                   w.deviations as out_deviations, w.recorded_at as out_recorded_at"
            ),
            "left join withdrawal w on w.business_id = v.business_id and w.id = v.withdrawal_id ",
            $rest
        )
    };
    ($rest:expr) => {
        services!("", "", $rest)
    };
    ($columns:expr, $join:literal, $rest:expr) => {
        concat!(
            // Her last calving before it by animal_event_by_animal.
            "select v.id, v.animal_id, a.number as animal_number, v.herd_id, v.served_at, v.kind,
                    case when v.kind <> 'embryo_transfer' then v.service_number end as service_number,
                    case when v.kind <> 'embryo_transfer' then v.rank end as rank,
                    v.technician, v.straw_read, v.withdrawal_id, ",
            lot_columns!(),
            ", ",
            sire_columns!(),
            ", v.donor_id, d.identifiers as donor_identifiers, v.semen_type, ",
            place_columns!(),
            ", t.name as tank_name, case v.kind when 'ai' then v.straws else 0 end as straws, v.semen_from_herd_stock,
                    v.deviations, v.note, v.reversed_at,
                    v.recorded_at, h.time_zone,
                    (select max(e.happened_at) from animal_event e
                     where e.business_id = v.business_id and e.animal_id = v.animal_id and e.kind = 'calving'
                       and e.reversed_at is null and e.happened_at <= v.served_at) as calved_at",
            $columns,
            " from service v
             join animal a on a.business_id = v.business_id and a.id = v.animal_id
             join herd h on h.business_id = v.business_id and h.id = v.herd_id
             left join animal d on d.business_id = v.business_id and d.id = v.donor_id
             left join lot l on l.business_id = v.business_id and l.id = v.lot_id
             left join sire s on s.business_id = v.business_id and s.id = v.sire_id
             left join place p on p.business_id = v.business_id and p.id = v.place_id
             left join tank t on t.business_id = p.business_id and t.id = p.tank_id ",
            $join,
            $rest
        )
    };
}

pub(in crate::store) use services;

/// One service.
pub async fn find(tx: &mut Tx, business: BusinessId, id: ServiceId) -> Result<Option<Service>> {
    tx.sql(services!("where v.business_id = $1 and v.id = $2")).bind(business).bind(id).optional().await
}

/// The same with what may stand beside it.
pub async fn find_beside(tx: &mut Tx, business: BusinessId, id: ServiceId) -> Result<Option<Service>> {
    tx.sql(services!(beside "where v.business_id = $1 and v.id = $2"))
        .bind(business)
        .bind(id)
        .optional()
        .await
}

/// These services, in no order.
pub async fn of_ids(tx: &mut Tx, business: BusinessId, ids: &[Uuid]) -> Result<Vec<Service>> {
    tx.sql_for(
        services!(
            "where v.business_id = $1 and v.id in (select unhex(q.value, '-') from json_each($2) as q)"
        ),
        services!(
            "where v.business_id = $1
               and v.id in (select q.value::uuid from json_array_elements_text($2::json) as q(value))"
        ),
    )
    .bind(business)
    .bind(json!(ids).to_string())
    .all()
    .await
}

/// Services, oldest entry first; of one animal or herd when it is named.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    animal: Option<AnimalId>,
    herd: Option<HerdId>,
    page: Page,
) -> Result<Vec<Service>> {
    macro_rules! filtered {
        ($leading:literal) => {
            services!(concat!(
                "where v.business_id = $1 and v.id in (
                     select x.id from service x
                     where x.business_id = $1 and ",
                $leading,
                " and ($5 is null or x.herd_id = $5)
                     order by x.id limit $3)
                 order by v.id"
            ))
        };
    }
    tx.sql(if animal.is_some() {
        // service_by_animal, and then sorted: she has few.
        filtered!("x.animal_id = $4 and coalesce(x.id, x.id) > $2")
    } else if herd.is_some() {
        // service_by_herd.
        filtered!("x.herd_id = $5 and x.id > $2 and $4 is null")
    } else {
        // The primary key.
        filtered!("x.id > $2 and $4 is null")
    })
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(animal)
    .bind(herd)
    .all()
    .await
}

/// The service of an animal at a moment that counts.
pub async fn at(
    tx: &mut Tx,
    business: BusinessId,
    animal: AnimalId,
    served_at: Timestamp,
) -> Result<Option<Service>> {
    // Uses service_by_animal.
    tx.sql(services!(
        "where v.business_id = $1 and v.animal_id = $2 and v.served_at = $3 and v.reversed_at is null
         order by v.id limit 1"
    ))
    .bind(business)
    .bind(animal)
    .bind(served_at)
    .optional()
    .await
}

/// The service no longer counts, its straw is unresolved again and those after it move up, in one call.
pub async fn reverse(tx: &mut Tx, business: BusinessId, decision: &Decision) -> Result<()> {
    let Decision { service, withdrawal_state, renumbered } = decision;
    tx.sql_for(
        concat!(
            "update service set reversed_at = $3 where business_id = $1 and id = $2;
         update withdrawal set state = $5, resolved_at = null where business_id = $1 and id = $4; ",
            renumber_services!(sqlite, "$6")
        ),
        concat!(
            "with taken_back as (update service set reversed_at = $3 where business_id = $1 and id = $2),
         straw as (update withdrawal set state = $5, resolved_at = null where business_id = $1 and id = $4) ",
            renumber_services!(postgres, "$6")
        ),
    )
    .bind(business)
    .bind(service.id)
    .bind(service.reversed_at)
    .bind(service.withdrawal_id)
    .bind(*withdrawal_state)
    .bind(numbers(renumbered))
    .run()
    .await?;
    if let Some(id) = service.withdrawal_id {
        change::note(tx, business, NewChange::of(ChangeKind::Withdrawal, id.0));
    }
    note_reversed(tx, business, Some((service.id, Some(service.animal_id))), renumbered);
    call_out::unserved(tx, business, service.id).await
}

/// Notes a service that no longer counts, with whom it served, and those that got another number by that.
pub(in crate::store) fn note_reversed(
    tx: &mut Tx,
    business: BusinessId,
    service: Option<(ServiceId, Option<AnimalId>)>,
    renumbered: &[(ServiceId, Numbered)],
) {
    if let Some((id, animal)) = service {
        let change = NewChange::of(ChangeKind::Service, id.0).reversed(true);
        change::note(tx, business, animal.map_or(change, |animal| change.animal(animal)));
    }
    note_renumbered(tx, business, renumbered);
}
