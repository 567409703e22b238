//! How straws were used: what a forecast of the stock is made from.

use std::collections::BTreeMap;

use crate::{
    domain::{
        alerts::stock::{Area, StockSubject, Straw},
        straws::{
            demand::{LOOK_BACK_DAYS, UseHistory},
            outlook::Held,
            semen::SemenType,
        },
        values::{BusinessId, HerdId, SireId, Timestamp},
    },
    store::{
        Result, Tx,
        straws::{sire::sire_columns, stock::on_hold},
    },
};

/// Whether straws of a lot `l` in a tank `t` count: those of the owner that was named; else those that are for anybody, and
/// a herd's own in its own tank.
macro_rules! counts {
    ($owner:literal) => {
        concat!(
            "case when ",
            $owner,
            " is null then l.owner_herd_id is null or l.owner_herd_id = t.herd_id else l.owner_herd_id = ",
            $owner,
            " end"
        )
    };
}

/// Of which straws an outlook is asked; what is not said is not asked.
#[derive(Clone, Debug)]
pub struct WantedOutlook {
    /// Of this sire.
    pub sire: Option<SireId>,
    /// Of this type.
    pub semen_type: Option<SemenType>,
    /// In these tanks.
    pub area: Area,
    /// Only those that belong to this herd's owner.
    pub owner: Option<HerdId>,
}

/// Every sire and type of which straws hang or hung in an area; the cursor is a sire and a type.
pub async fn held(
    tx: &mut Tx,
    business: BusinessId,
    wanted: &WantedOutlook,
    after: (uuid::Uuid, &'static str),
    limit: i64,
) -> Result<Vec<Held>> {
    macro_rules! held {
        ($leading:literal) => {
            concat!(
                "select ",
                sire_columns!(),
                ", h.semen_type, h.straws
                 from (select l.sire_id, l.semen_type,
                              cast(sum(case when l.status = 'usable' and ",
                on_hold!("p.tank_id", "p.canister"),
                " is null then b.straws else 0 end) as bigint) as straws
                       from balance b
                       join lot l on l.business_id = b.business_id and l.id = b.lot_id
                       join place p on p.business_id = b.business_id and p.id = b.place_id
                       join tank t on t.business_id = p.business_id and t.id = p.tank_id
                       where b.business_id = $1 and ",
                $leading,
                " and (l.sire_id, l.semen_type) > ($2, $3)
                         and ($6 is null or l.semen_type = $6)
                         and ($7 is null or t.id = $7) and ($8 is null or t.herd_id = $8)
                         and ",
                counts!("$9"),
                "
                       group by l.sire_id, l.semen_type
                       order by l.sire_id, l.semen_type limit $4) as h
                 join sire s on s.business_id = $1 and s.id = h.sire_id
                 order by h.sire_id, h.semen_type"
            )
        };
    }
    // By lot_by_sire; of all sires, all balances.
    tx.sql(if wanted.sire.is_some() { held!("l.sire_id = $5") } else { held!("$5 is null") })
        .bind(business)
        .bind(after.0)
        .bind(after.1)
        .bind(limit)
        .bind(wanted.sire)
        .bind(wanted.semen_type)
        .bind(wanted.area.tank())
        .bind(wanted.area.herd())
        .bind(wanted.owner)
        .all()
        .await
}

/// Straws of a subject that may be used.
pub async fn usable(tx: &mut Tx, business: BusinessId, subject: StockSubject) -> Result<i64> {
    let (tank, herd) = (subject.area.tank(), subject.area.herd());
    let straws = match subject.straw {
        Straw::Lot(lot) => {
            tx.sql(concat!(
                "select cast(coalesce(sum(b.straws), 0) as bigint) from balance b
                 join lot l on l.business_id = b.business_id and l.id = b.lot_id
                 join place p on p.business_id = b.business_id and p.id = b.place_id
                 where b.business_id = $1 and b.lot_id = $2 and l.status = 'usable' and ",
                on_hold!("p.tank_id", "p.canister"),
                " is null"
            ))
            .bind(business)
            .bind(lot)
            .value()
            .await?
        }
        // By lot_by_sire, the balances of each lot and their places.
        Straw::Of(sire, semen_type) => {
            tx.sql(concat!(
                "select cast(coalesce(sum(b.straws), 0) as bigint) from lot l
                 join balance b on b.business_id = l.business_id and b.lot_id = l.id and b.straws > 0
                 join place p on p.business_id = b.business_id and p.id = b.place_id
                 join tank t on t.business_id = p.business_id and t.id = p.tank_id
                 where l.business_id = $1 and l.sire_id = $2 and l.semen_type = $3 and l.status = 'usable'
                   and ($4 is null or t.id = $4) and ($5 is null or t.herd_id = $5)
                   and (l.owner_herd_id is null or l.owner_herd_id = t.herd_id) and ",
                on_hold!("p.tank_id", "p.canister"),
                " is null"
            ))
            .bind(business)
            .bind(sire)
            .bind(semen_type)
            .bind(tank)
            .bind(herd)
            .value()
            .await?
        }
    };
    Ok(straws.unwrap_or(0))
}

/// How a sire's straws of one type were used out of an area: withdrawn for animals, reversals left out.
pub async fn history(
    tx: &mut Tx,
    business: BusinessId,
    of: (SireId, SemenType),
    area: Area,
    now: Timestamp,
) -> Result<UseHistory> {
    Ok(histories(tx, business, (of, of), area, None, now).await?.remove(&of).unwrap_or_default())
}

/// The same of every sire and type from the first to the last, in the order of [`held`].
pub async fn histories(
    tx: &mut Tx,
    business: BusinessId,
    (first, last): ((SireId, SemenType), (SireId, SemenType)),
    area: Area,
    owner: Option<HerdId>,
    now: Timestamp,
) -> Result<BTreeMap<(SireId, SemenType), UseHistory>> {
    #[derive(sqlx::FromRow)]
    struct Day {
        sire_id: SireId,
        semen_type: SemenType,
        age: i64,
        straws: i64,
    }
    #[derive(sqlx::FromRow)]
    struct First {
        sire_id: SireId,
        semen_type: SemenType,
        occurred_at: Option<Timestamp>,
    }
    macro_rules! of_lots {
        () => {
            "l.business_id = $1 and l.sire_id between $2 and $4
             and (l.sire_id, l.semen_type) >= ($2, $3) and (l.sire_id, l.semen_type) <= ($4, $5)"
        };
    }
    // By lot_by_sire and movement_by_use: a year of their withdrawals, however long the book.
    macro_rules! used {
        ($age:literal) => {
            concat!(
                "select l.sire_id, l.semen_type, ", $age, " as age, cast(sum(m.straws) as bigint) as straws
                 from lot l
                 join movement m on m.business_id = l.business_id and m.lot_id = l.id
                 join place p on p.business_id = m.business_id and p.id = m.from_place_id
                 join tank t on t.business_id = p.business_id and t.id = p.tank_id
                 where ", of_lots!(), " and m.kind = 'withdrawal' and m.occurred_at > $8
                   and ($6 is null or t.id = $6) and ($7 is null or t.herd_id = $7) and ", counts!("$10"), "
                   and not exists (select 1 from movement r where r.business_id = m.business_id and r.reverses_id = m.id)
                 group by l.sire_id, l.semen_type, ", $age
            )
        };
    }
    let days: Vec<Day> = tx
        .sql_for(
            used!("($9 - m.occurred_at) / 86400000000"),
            used!("cast(floor(extract(epoch from ($9 - m.occurred_at)) / 86400) as bigint)"),
        )
        .bind(business)
        .bind(first.0)
        .bind(first.1)
        .bind(last.0)
        .bind(last.1)
        .bind(area.tank())
        .bind(area.herd())
        .bind(now.plus(-chrono::TimeDelta::days(LOOK_BACK_DAYS)))
        .bind(now)
        .bind(owner)
        .all()
        .await?;
    let firsts: Vec<First> = tx
        .sql(concat!(
            "select l.sire_id, l.semen_type,
                    min((select m.occurred_at from movement m
                         join place p on p.business_id = m.business_id and p.id = m.to_place_id
                         join tank t on t.business_id = p.business_id and t.id = p.tank_id
                         where m.business_id = l.business_id and m.lot_id = l.id
                           and ($6 is null or t.id = $6) and ($7 is null or t.herd_id = $7)
                           and ",
            counts!("$8"),
            "
                         order by m.seq limit 1)) as occurred_at
             from lot l where ",
            of_lots!(),
            " group by l.sire_id, l.semen_type",
        ))
        .bind(business)
        .bind(first.0)
        .bind(first.1)
        .bind(last.0)
        .bind(last.1)
        .bind(area.tank())
        .bind(area.herd())
        .bind(owner)
        .all()
        .await?;
    let mut histories = BTreeMap::<_, UseHistory>::new();
    for day in days {
        // What a client's clock puts ahead of ours happened today.
        let history = histories.entry((day.sire_id, day.semen_type)).or_default();
        history.by_day.push((day.age.max(0), day.straws));
    }
    for first in firsts {
        let history = histories.entry((first.sire_id, first.semen_type)).or_default();
        let oldest = history.by_day.iter().map(|(age, _)| *age).max().unwrap_or(0);
        #[expect(clippy::cast_precision_loss, reason = "seconds of a few years")]
        let watched = first.occurred_at.map_or(0.0, |first| now.since(first).num_seconds() as f64 / 86_400.0);
        #[expect(clippy::cast_precision_loss, reason = "at most a year of days")]
        let days = watched.clamp(0.0, LOOK_BACK_DAYS as f64).max(oldest as f64);
        history.days = days;
    }
    Ok(histories)
}
