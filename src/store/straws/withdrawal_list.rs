//! Withdrawals by what is known of them: one filter leads, the others are looked at along the way.

use uuid::Uuid;

use crate::{
    domain::{
        straws::withdrawal::{Withdrawal, WithdrawalState},
        values::{AnimalId, BusinessId, HerdId, LotId, SireId, Technician, Timestamp},
    },
    store::{
        NARROW, Page, Result, SAMPLE, Tx,
        animals::animal::her_columns,
        asked_of, leader, span,
        straws::{lot::lot_columns, place::place_columns, sire::sire_columns, withdrawal::withdrawals},
    },
};

/// Which withdrawals a list shows; what is not said is not asked.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// For this animal.
    pub animal: Option<AnimalId>,
    /// In this state.
    pub state: Option<WithdrawalState>,
    /// Only those that are neither served nor discarded.
    pub unresolved: bool,
    /// For an animal of this herd.
    pub herd: Option<HerdId>,
    /// Of this lot.
    pub lot: Option<LotId>,
    /// Of this sire.
    pub sire: Option<SireId>,
    /// By this technician.
    pub technician: Option<Technician>,
    /// That were not before this.
    pub from: Option<Timestamp>,
    /// That were before this.
    pub to: Option<Timestamp>,
    /// Each with what may stand beside it.
    pub beside: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Lead {
    Unresolved,
    Animal,
    NotUsed,
    Herd,
    Lot,
    Sire,
    Technician,
    Days,
    Book,
}

/// The filter of which the fewest withdrawals are to come, as of services.
async fn lead(tx: &mut Tx, business: BusinessId, wanted: &Wanted, after: Uuid) -> Result<Lead> {
    #[derive(sqlx::FromRow)]
    struct Reach {
        not_used: Option<Uuid>,
        herd: Option<Uuid>,
        lot: Option<Uuid>,
        sire: Option<Uuid>,
        technician: Option<Uuid>,
        wide: bool,
    }
    let on_its_way = matches!(wanted.state, Some(WithdrawalState::Out | WithdrawalState::Thawing));
    if wanted.unresolved || on_its_way {
        return Ok(Lead::Unresolved);
    }
    if wanted.animal.is_some() {
        return Ok(Lead::Animal);
    }
    let not_used = matches!(wanted.state, Some(WithdrawalState::Discarded | WithdrawalState::Reversed));
    let span = span(wanted.from, wanted.to);
    let asked = asked_of(&[
        (not_used, Lead::NotUsed),
        (wanted.herd.is_some(), Lead::Herd),
        (wanted.lot.is_some(), Lead::Lot),
        (wanted.sire.is_some(), Lead::Sire),
        (wanted.technician.is_some(), Lead::Technician),
    ]);
    match asked[..] {
        [] if span.is_none() => return Ok(Lead::Book),
        [only] if span.is_none() => return Ok(only),
        _ => {}
    }
    macro_rules! reach {
        ($condition:literal) => {
            concat!(
                "(select x.id from withdrawal x where x.business_id = $1 and ",
                $condition,
                " and x.id > $2 order by x.id limit 1 offset $3)"
            )
        };
    }
    // Each by the index of its filter, some entries of it; of a sire, the lot whose next withdrawals end soonest.
    let reach: Reach = tx
        .sql(concat!(
            "select ",
            reach!("x.state in ('discarded', 'reversed') and x.state = $4"),
            " as not_used, ",
            reach!("x.herd_id = $5"),
            " as herd, ",
            reach!("x.lot_id = $6"),
            " as lot, (select s.reached from (select ",
            reach!("x.lot_id = l.id"),
            " as reached from lot l where l.business_id = $1 and l.sire_id = $7) s
              where s.reached is not null order by s.reached limit 1) as sire, ",
            reach!("x.technician = $8"),
            " as technician,
             exists (select 1 from withdrawal x
                     where x.business_id = $1 and x.withdrawn_at >= $9 and x.withdrawn_at < $10
                     order by x.withdrawn_at limit 1 offset $11) as wide"
        ))
        .bind(business)
        .bind(after)
        .bind(SAMPLE)
        .bind(wanted.state)
        .bind(wanted.herd)
        .bind(wanted.lot)
        .bind(wanted.sire)
        .bind(wanted.technician.clone())
        .bind(span.map(|span| span.0))
        .bind(span.map(|span| span.1))
        .bind(NARROW)
        .one()
        .await?;
    let reach_of = |lead: &Lead| match lead {
        Lead::NotUsed => reach.not_used,
        Lead::Herd => reach.herd,
        Lead::Lot => reach.lot,
        Lead::Sire => reach.sire,
        Lead::Technician => reach.technician,
        Lead::Unresolved | Lead::Animal | Lead::Days | Lead::Book => None,
    };
    let few_days = (span.is_some() && !reach.wide).then_some(Lead::Days);
    Ok(leader(&asked, reach_of, few_days).unwrap_or(Lead::Book))
}

/// Withdrawals, oldest entry first.
#[expect(clippy::too_many_lines, reason = "a statement for each filter that may lead")]
pub async fn list(tx: &mut Tx, business: BusinessId, wanted: &Wanted, page: Page) -> Result<Vec<Withdrawal>> {
    macro_rules! filters {
        ($x:literal) => {
            concat!(
                " and ($4 is null or ",
                $x,
                ".animal_id = $4) and ($5 is null or ",
                $x,
                ".state = $5)
                  and ($6 is null or ",
                $x,
                ".herd_id = $6) and ($7 is null or ",
                $x,
                ".lot_id = $7)
                  and ($8 is null or ",
                $x,
                ".lot_id in (
                      select o.id from lot o where o.business_id = $1 and o.sire_id = $8))
                  and ($9 is null or ",
                $x,
                ".technician = $9)
                  and ($10 is null or ",
                $x,
                ".withdrawn_at >= $10) and ($11 is null or ",
                $x,
                ".withdrawn_at < $11) "
            )
        };
    }
    macro_rules! filtered {
        ($leading:literal, $order:literal) => {{
            let text = filtered!(concat!(
                "x.id from withdrawal x where x.business_id = $1 and ",
                $leading,
                filters!("x"),
                "order by ",
                $order
            ));
            (text, text)
        }};
        ($select:expr) => {
            if wanted.beside {
                withdrawals!(beside concat!("where w.business_id = $1 and w.id in (select ", $select, " limit $3) order by w.id"))
            } else {
                withdrawals!(concat!("where w.business_id = $1 and w.id in (select ", $select, " limit $3) order by w.id"))
            }
        };
    }
    let (sqlite, postgres) = match lead(tx, business, wanted, page.after).await? {
        // withdrawal_unresolved, which is short, and then sorted; said so that nothing else serves.
        Lead::Unresolved => filtered!(
            "x.id in (select u.id from withdrawal u where u.business_id = $1 and u.state in ('out', 'thawing')
                        and u.withdrawn_at is not null) and x.id > $2",
            "x.id"
        ),
        // withdrawal_by_animal.
        Lead::Animal => filtered!("x.animal_id = $4 and x.id > $2", "x.id"),
        // withdrawal_not_used.
        Lead::NotUsed => filtered!(
            "x.state in ('discarded', 'reversed') and x.state = $5 and x.id > $2",
            "x.id"
        ),
        // withdrawal_by_herd.
        Lead::Herd => filtered!("x.herd_id = $6 and x.id > $2", "x.id"),
        // withdrawal_by_lot.
        Lead::Lot => filtered!("x.lot_id = $7 and x.id > $2", "x.id"),
        // lot_by_sire and withdrawal_by_lot, of each lot no more than the page may hold.
        Lead::Sire => (
            filtered!(concat!(
                "x.id from lot l cross join withdrawal x
                 where l.business_id = $1 and l.sire_id = $8
                   and x.business_id = l.business_id and x.lot_id = l.id and x.id > $2
                   and x.id <= coalesce((select y.id from withdrawal y
                                         where y.business_id = l.business_id and y.lot_id = l.id and y.id > $2",
                filters!("y"),
                "order by y.id limit 1 offset $3 - 1), x'ffffffffffffffffffffffffffffffff')",
                filters!("x"),
                "order by x.id"
            )),
            filtered!(concat!(
                "x.id from lot l cross join lateral (
                     select y.id from withdrawal y
                     where y.business_id = l.business_id and y.lot_id = l.id and y.id > $2",
                filters!("y"),
                "order by y.id limit $3) x
                 where l.business_id = $1 and l.sire_id = $8
                 order by x.id"
            )),
        ),
        // withdrawal_by_technician.
        Lead::Technician => filtered!("x.technician = $9 and x.id > $2", "x.id"),
        // withdrawal_by_time, and then sorted.
        Lead::Days => filtered!(
            "x.withdrawn_at >= $10 and x.withdrawn_at < $11 and coalesce(x.id, x.id) > $2",
            "coalesce(x.id, x.id)"
        ),
        // The primary key.
        Lead::Book => filtered!("x.id > $2", "x.id"),
    };
    let span = span(wanted.from, wanted.to);
    tx.sql_for(sqlite, postgres)
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .bind(wanted.animal)
        .bind(wanted.state)
        .bind(wanted.herd)
        .bind(wanted.lot)
        .bind(wanted.sire)
        .bind(wanted.technician.clone())
        .bind(span.map(|span| span.0))
        .bind(span.map(|span| span.1))
        .all()
        .await
}
