//! Inseminations as charges read them, and the price list.

use futures_util::TryStreamExt as _;
use uuid::Uuid;

use crate::{
    domain::{
        reports::charges::{ChargedService, PriceList, PriceListDetails, Prices},
        values::{BusinessId, HerdId, KeyId, Timestamp},
    },
    store::{Result, Tx},
};

/// Where reading begins: at this insemination.
pub type At = Option<(Timestamp, Uuid)>;

macro_rules! charged {
    ($rest:literal) => {
        concat!(
            // By service_at or service_by_time.
            "select v.id, v.served_at, v.herd_id, h.name as herd_name, h.time_zone, v.animal_id, a.number as animal_number,
                    v.service_number, v.rank, v.technician, v.lot_id, l.owner_herd_id, l.batch, l.cost, s.name as sire_name,
                    v.semen_type, v.straws, v.semen_from_herd_stock
             from service v
             join herd h on h.business_id = v.business_id and h.id = v.herd_id
             join animal a on a.business_id = v.business_id and a.id = v.animal_id
             left join lot l on l.business_id = v.business_id and l.id = v.lot_id
             left join sire s on s.business_id = v.business_id and s.id = v.sire_id
             where v.business_id = $1 and v.reversed_at is null and v.kind = 'ai'
               and v.served_at >= $2 and v.served_at < $3 and ($4 is null or v.herd_id = $4) ",
            $rest
        )
    };
}

/// Inseminations between `from` and `to` in the order of time: `limit` of them from `at` on, and before them those that were on
/// the two days before, which tell whether a visit was made already.
pub async fn page(
    tx: &mut Tx,
    business: BusinessId,
    (from, to): (Timestamp, Timestamp),
    herd: Option<HerdId>,
    at: At,
    limit: i64,
) -> Result<Vec<ChargedService>> {
    let (when, id) = at.unwrap_or((from, Uuid::nil()));
    let before = when.plus(-chrono::TimeDelta::hours(48)).max(from);
    tx.sql(charged!(
        "order by v.served_at, v.id
         limit $7 + (select count(*) from service x
                     where x.business_id = $1 and x.served_at >= $2 and x.served_at <= $5
                       and (x.served_at < $5 or x.id < $6) and ($4 is null or x.herd_id = $4)
                       and x.reversed_at is null and x.kind = 'ai')"
    ))
    .bind(business)
    .bind(before)
    .bind(to)
    .bind(herd)
    .bind(when)
    .bind(id)
    .bind(limit)
    .all()
    .await
}

/// Gives every insemination between `from` and `to` in the order of time; one statement, read once.
pub async fn each(
    tx: &mut Tx,
    business: BusinessId,
    (from, to): (Timestamp, Timestamp),
    herd: Option<HerdId>,
    mut give: impl FnMut(ChargedService) + Send,
) -> Result<()> {
    let mut rows = tx
        .sql(charged!("order by v.served_at, v.id"))
        .bind(business)
        .bind(from)
        .bind(to)
        .bind(herd)
        .stream::<ChargedService>();
    while let Some(row) = rows.try_next().await? {
        give(row);
    }
    Ok(())
}

/// The price list; empty before one was set.
pub async fn price_list(tx: &mut Tx, business: BusinessId) -> Result<PriceList> {
    let list = tx.sql("select currency, items, changed_at from price_list where business_id = $1");
    Ok(list.bind(business).optional().await?.unwrap_or_default())
}

/// Sets it.
pub async fn set_price_list(
    tx: &mut Tx,
    business: BusinessId,
    by: KeyId,
    now: Timestamp,
    details: &PriceListDetails,
) -> Result<()> {
    tx.sql(
        "insert into price_list (business_id, currency, items, changed_at, changed_by) values ($1, $2, $3, $4, $5)
         on conflict (business_id) do update
         set currency = excluded.currency, items = excluded.items, changed_at = excluded.changed_at, changed_by = excluded.changed_by",
    )
    .bind(business)
    .bind(details.currency.clone())
    .bind(Prices(details.items.clone()))
    .bind(now)
    .bind(by)
    .run()
    .await
    .map(drop)
}
