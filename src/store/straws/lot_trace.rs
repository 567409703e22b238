//! Where every straw of a lot went.

use std::collections::BTreeMap;

use crate::{
    domain::{
        animals::{
            history::{AnimalEvent, AnimalHistory, PastService},
            service_kind::ServiceKind,
        },
        row::LeftJoin,
        straws::{
            lot::Lot,
            lot_trace::{LotTrace, Totals, TracedService, UnresolvedStraw},
            sire::SireSummary,
            stock::Stock,
        },
        values::{AnimalId, BusinessId, LotId, Timestamp},
    },
    store::{
        Result, Tx,
        straws::{
            lot::lot_columns,
            place::place_columns,
            sire::sire_columns,
            stock::{in_order_of_use, on_hold},
        },
    },
};

/// The lot, and one place where straws of it hang.
#[derive(sqlx::FromRow)]
struct Hanging {
    #[sqlx(flatten)]
    lot: Lot,
    #[sqlx(flatten)]
    sire: SireSummary,
    #[sqlx(flatten)]
    totals: Totals,
    #[sqlx(flatten, try_from = "LeftJoin<Stock>")]
    stock: Option<Stock>,
}

/// A straw that left the tank: it served somebody, or is on its way.
#[derive(sqlx::FromRow)]
struct Out {
    #[sqlx(flatten, try_from = "LeftJoin<TracedService>")]
    service: Option<TracedService>,
    #[sqlx(flatten, try_from = "LeftJoin<UnresolvedStraw>")]
    unresolved: Option<UnresolvedStraw>,
}

/// What is on record of an animal; a service has no details.
#[derive(sqlx::FromRow)]
struct OnRecord {
    animal_id: AnimalId,
    at: Timestamp,
    details: Option<AnimalEvent>,
    kind: Option<ServiceKind>,
}

/// Traces every straw of a lot; `None` when there is no such lot.
pub async fn find(tx: &mut Tx, business: BusinessId, lot: LotId) -> Result<Option<LotTrace>> {
    let rows = hanging(tx, business, lot).await?;
    let Some(Hanging { lot, sire, totals, .. }) = rows.first() else { return Ok(None) };
    let (lot, sire, mut totals) = (lot.clone(), sire.clone(), *totals);
    let stock = in_order_of_use(rows.into_iter().filter_map(|row| row.stock).collect());
    totals.in_stock = stock.iter().map(|hanging| hanging.straws).sum();
    let histories = histories(tx, business, lot.id).await?;
    let (mut services, mut unresolved) = (Vec::new(), Vec::new());
    for out in out(tx, business, lot.id).await? {
        unresolved.extend(out.unresolved);
        services.extend(out.service.map(|service| {
            let history = histories.get(&service.animal_id);
            service.judged(history)
        }));
    }
    Ok(Some(LotTrace { lot, sire, totals, stock, unresolved, services }))
}

async fn hanging(tx: &mut Tx, business: BusinessId, lot: LotId) -> Result<Vec<Hanging>> {
    // The sums use movement_by_lot. What came from outside less what went back there, and the other way round.
    tx.sql(concat!(
        "select ",
        lot_columns!(),
        ", ",
        sire_columns!(),
        ", ",
        place_columns!(),
        ", p.id as place_id, t.name as tank_name, t.herd_id as tank_herd_id, b.straws, ",
        on_hold!("p.tank_id", "p.canister"),
        " as on_hold, w.name as owner_herd_name, o.received, o.used, o.discarded, o.consigned, o.counted
         from lot l
         left join herd w on w.business_id = l.business_id and w.id = l.owner_herd_id
         join sire s on s.business_id = l.business_id and s.id = l.sire_id
         cross join (
             select cast(coalesce(sum(case when f.kind = 'supplier' then m.straws else 0 end
                                      - case when d.kind = 'supplier' then m.straws else 0 end), 0) as bigint) as received,
                    cast(coalesce(sum(case when d.kind = 'used' then m.straws else 0 end
                                      - case when f.kind = 'used' then m.straws else 0 end), 0) as bigint) as used,
                    cast(coalesce(sum(case when d.kind = 'discarded' then m.straws else 0 end
                                      - case when f.kind = 'discarded' then m.straws else 0 end), 0) as bigint) as discarded,
                    cast(coalesce(sum(case when d.kind = 'keeper' then m.straws else 0 end
                                      - case when f.kind = 'keeper' then m.straws else 0 end), 0) as bigint) as consigned,
                    cast(coalesce(sum(case when f.kind = 'counted' then m.straws else 0 end
                                      - case when d.kind = 'counted' then m.straws else 0 end), 0) as bigint) as counted
             from movement m
             join place f on f.business_id = m.business_id and f.id = m.from_place_id
             join place d on d.business_id = m.business_id and d.id = m.to_place_id
             where m.business_id = $1 and m.lot_id = $2) as o
         left join balance b on b.business_id = l.business_id and b.lot_id = l.id and b.straws > 0
         left join place p on p.business_id = b.business_id and p.id = b.place_id
         left join tank t on t.business_id = p.business_id and t.id = p.tank_id
         where l.business_id = $1 and l.id = $2",
    ))
    .bind(business)
    .bind(lot)
    .all()
    .await
}

/// The services with its straws and the straws on their way, each in order of time.
async fn out(tx: &mut Tx, business: BusinessId, lot: LotId) -> Result<Vec<Out>> {
    tx.sql(concat!(
        "select v.id as service_id, v.withdrawal_id, v.animal_id, a.number as animal_number, v.herd_id,
                v.served_at as at, v.service_number, v.technician, ",
        place_columns!(),
        ", v.straws, v.reversed_at, null as state, h.same_heat_hours
         from service v
         join animal a on a.business_id = v.business_id and a.id = v.animal_id
         join herd h on h.business_id = a.business_id and h.id = a.herd_id
         join place p on p.business_id = v.business_id and p.id = v.place_id
         where v.business_id = $1 and v.lot_id = $2
         union all
         select null, w.id, w.animal_id, a.number, w.herd_id, w.withdrawn_at, w.service_number, w.technician, ",
        place_columns!(),
        ", w.straws, null, w.state, null
         from withdrawal w
         join animal a on a.business_id = w.business_id and a.id = w.animal_id
         join place p on p.business_id = w.business_id and p.id = w.place_id
         where w.business_id = $1 and w.lot_id = $2 and w.state in ('out', 'thawing')
         order by at, service_id, withdrawal_id",
    ))
    .bind(business)
    .bind(lot)
    .all()
    .await
}

/// What is on record of everyone whom its straws served, in order of time.
async fn histories(
    tx: &mut Tx,
    business: BusinessId,
    lot: LotId,
) -> Result<BTreeMap<AnimalId, AnimalHistory>> {
    // By animal_event_by_animal and service_by_animal.
    let rows: Vec<OnRecord> = tx
        .sql(
            "select e.animal_id, e.happened_at as at, e.id, e.details, null as kind from animal_event e
             where e.business_id = $1 and e.reversed_at is null
               and e.animal_id in (select v.animal_id from service v where v.business_id = $1 and v.lot_id = $2)
             union all
             select o.animal_id, o.served_at, o.id, null, o.kind from service o
             where o.business_id = $1 and o.reversed_at is null
               and o.animal_id in (select v.animal_id from service v where v.business_id = $1 and v.lot_id = $2)
             order by at, id",
        )
        .bind(business)
        .bind(lot)
        .all()
        .await?;
    let mut histories = BTreeMap::<AnimalId, AnimalHistory>::new();
    for row in rows {
        let history = histories.entry(row.animal_id).or_default();
        match (row.details, row.kind) {
            (Some(what), _) => history.happenings.push((row.at, what)),
            (None, Some(kind)) => history.services.push(PastService { at: row.at, kind }),
            (None, None) => {}
        }
    }
    Ok(histories)
}
