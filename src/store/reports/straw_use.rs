//! How straws were used, and what was out of the ordinary.

use futures_util::TryStreamExt as _;

use crate::{
    domain::{
        animals::objection::Deviations,
        reports::{deviation_trend::Occasions, straw_use::UseLine},
        values::{BusinessId, HerdId, Timestamp},
    },
    store::{
        Result, Tx,
        ids::{ids_in, json_ids},
    },
};

macro_rules! uses {
    ($herds:expr) => {
        concat!(
            // By movement_by_time; what was undone did not happen, and neither did what undid it.
            "select m.kind, m.straws, m.occurred_at, m.technician, m.reason, m.exposure_s, m.lot_id, l.sire_id, l.semen_type,
                    l.straw_volume, l.cost, w.state as withdrawal_state, coalesce(w.herd_id, t.herd_id) as herd_id,
                    w.withdrawn_at, w.thaw_started_at
             from movement m
             join lot l on l.business_id = m.business_id and l.id = m.lot_id
             join place f on f.business_id = m.business_id and f.id = m.from_place_id
             left join tank t on t.business_id = f.business_id and t.id = f.tank_id
             left join withdrawal w on w.business_id = m.business_id and w.id = m.withdrawal_id
             where m.business_id = $1 and m.occurred_at >= $2 and m.occurred_at < $3
               and m.kind in ('withdrawal', 'discard', 'transfer')
               and not exists (select 1 from movement r where r.business_id = m.business_id and r.reverses_id = m.id)
               and ($4 = '[]' or coalesce(w.herd_id, t.herd_id) ",
            $herds,
            ")"
        )
    };
}

/// Gives each line of the ledger by which straws were used, thrown away or moved in that span; one statement, read once.
pub async fn each(
    tx: &mut Tx,
    business: BusinessId,
    (from, to): (Timestamp, Timestamp),
    herds: &[HerdId],
    mut give: impl FnMut(UseLine) + Send,
) -> Result<()> {
    let mut rows = tx
        .sql_for(uses!(ids_in!(sqlite, "$4")), uses!(ids_in!(postgres, "$4")))
        .bind(business)
        .bind(from)
        .bind(to)
        .bind(json_ids(herds))
        .stream::<UseLine>();
    while let Some(line) = rows.try_next().await? {
        give(line);
    }
    Ok(())
}

#[derive(sqlx::FromRow)]
struct Deviating {
    at: Timestamp,
    deviations: Deviations,
}

/// What a withdrawal or a service of which no withdrawal is on record can be: an occasion, once for each straw's way.
macro_rules! occasions {
    ($columns_w:literal, $columns_v:literal, $more_w:literal, $more_v:literal, $herds:expr) => {
        concat!(
            // A service has the deviations of its withdrawal and its own, so a withdrawal that was served is told by it.
            "select ",
            $columns_w,
            " from withdrawal w
             where w.business_id = $1 and w.withdrawn_at >= $2 and w.withdrawn_at < $3
               and w.state not in ('reversed', 'served') and ($4 = '[]' or w.herd_id ",
            $herds,
            ")",
            $more_w,
            " union all select ",
            $columns_v,
            " from service v
             where v.business_id = $1 and v.served_at >= $2 and v.served_at < $3
               and v.reversed_at is null and v.kind = 'ai' and ($4 = '[]' or v.herd_id ",
            $herds,
            ")",
            $more_v
        )
    };
}

macro_rules! deviating {
    ($herds:expr, $none:literal) => {
        occasions!("w.withdrawn_at as at, w.deviations", "v.served_at, v.deviations", $none, $none, $herds)
    };
}

macro_rules! counted {
    ($herds:expr) => {
        concat!(
            "select cast(coalesce(sum(case when o.at < $5 then 1 else 0 end), 0) as bigint) as earlier,
                    cast(coalesce(sum(case when o.at < $5 then 0 else 1 end), 0) as bigint) as later
             from (",
            occasions!("w.withdrawn_at as at", "v.served_at", "", "", $herds),
            ") as o"
        )
    };
}

/// Gives each occasion in that span on which something was out of the ordinary.
pub async fn each_deviation(
    tx: &mut Tx,
    business: BusinessId,
    (from, to): (Timestamp, Timestamp),
    herds: &[HerdId],
    mut give: impl FnMut(Timestamp, &Deviations) + Send,
) -> Result<()> {
    let mut rows = tx
        .sql_for(
            deviating!(ids_in!(sqlite, "$4"), " and deviations <> '[]'"),
            deviating!(ids_in!(postgres, "$4"), " and deviations <> '[]'::jsonb"),
        )
        .bind(business)
        .bind(from)
        .bind(to)
        .bind(json_ids(herds))
        .stream::<Deviating>();
    while let Some(row) = rows.try_next().await? {
        give(row.at, &row.deviations);
    }
    Ok(())
}

/// How many occasions there were in that span, before and after `middle`.
pub async fn occasions(
    tx: &mut Tx,
    business: BusinessId,
    (from, to): (Timestamp, Timestamp),
    middle: Timestamp,
    herds: &[HerdId],
) -> Result<Occasions> {
    tx.sql_for(counted!(ids_in!(sqlite, "$4")), counted!(ids_in!(postgres, "$4")))
        .bind(business)
        .bind(from)
        .bind(to)
        .bind(json_ids(herds))
        .bind(middle)
        .one()
        .await
}
