//! Services by what is known of them: one filter leads, the others are looked at along the way.

use uuid::Uuid;

use crate::{
    domain::{
        animals::service::Service,
        values::{AnimalId, BusinessId, HerdId, SireId, Technician, Timestamp},
    },
    store::{
        NARROW, Page, Result, SAMPLE, Tx,
        animals::{animal::her_columns, service::services},
        asked_of, leader, span,
        straws::{lot::lot_columns, place::place_columns, sire::sire_columns},
    },
};

/// Which services a list shows; what is not said is not asked.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of this animal.
    pub animal: Option<AnimalId>,
    /// Of this herd.
    pub herd: Option<HerdId>,
    /// By this sire.
    pub sire: Option<SireId>,
    /// By this technician.
    pub technician: Option<Technician>,
    /// Those that were entered by mistake, or those that count.
    pub reversed: Option<bool>,
    /// That were not before this.
    pub from: Option<Timestamp>,
    /// That were before this.
    pub to: Option<Timestamp>,
    /// Each with what may stand beside it.
    pub beside: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Lead {
    Animal,
    Reversed,
    Herd,
    Sire,
    Technician,
    Days,
    Book,
}

/// The filter of which the fewest services are to come. An animal has few, and few are mistakes; else, when there is a choice, each filter is asked
/// how far its next services reach: the further, the thinner they stand.
async fn lead(tx: &mut Tx, business: BusinessId, wanted: &Wanted, after: Uuid) -> Result<Lead> {
    #[derive(sqlx::FromRow)]
    struct Reach {
        herd: Option<Uuid>,
        sire: Option<Uuid>,
        technician: Option<Uuid>,
        wide: bool,
    }
    if wanted.animal.is_some() {
        return Ok(Lead::Animal);
    }
    if wanted.reversed == Some(true) {
        return Ok(Lead::Reversed);
    }
    let span = span(wanted.from, wanted.to);
    let asked = asked_of(&[
        (wanted.herd.is_some(), Lead::Herd),
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
                "(select x.id from service x where x.business_id = $1 and ",
                $condition,
                " and x.id > $2 order by x.id limit 1 offset $3)"
            )
        };
    }
    // Each by the index of its filter, some entries of it.
    let reach: Reach = tx
        .sql(concat!(
            "select ",
            reach!("x.herd_id = $4"),
            " as herd, ",
            reach!("x.sire_id = $5"),
            " as sire, ",
            reach!("x.technician = $6"),
            " as technician,
             exists (select 1 from service x
                     where x.business_id = $1 and x.served_at >= $7 and x.served_at < $8
                     order by x.served_at limit 1 offset $9) as wide"
        ))
        .bind(business)
        .bind(after)
        .bind(SAMPLE)
        .bind(wanted.herd)
        .bind(wanted.sire)
        .bind(wanted.technician.clone())
        .bind(span.map(|span| span.0))
        .bind(span.map(|span| span.1))
        .bind(NARROW)
        .one()
        .await?;
    let reach_of = |lead: &Lead| match lead {
        Lead::Herd => reach.herd,
        Lead::Sire => reach.sire,
        Lead::Technician => reach.technician,
        Lead::Animal | Lead::Reversed | Lead::Days | Lead::Book => None,
    };
    let few_days = (span.is_some() && !reach.wide).then_some(Lead::Days);
    Ok(leader(&asked, reach_of, few_days).unwrap_or(Lead::Book))
}

/// Services, oldest entry first.
pub async fn list(tx: &mut Tx, business: BusinessId, wanted: &Wanted, page: Page) -> Result<Vec<Service>> {
    macro_rules! filtered {
        ($leading:literal, $order:literal) => {
            if wanted.beside {
                services!(beside filtered!(@rest $leading, $order))
            } else {
                services!(filtered!(@rest $leading, $order))
            }
        };
        (@rest $leading:literal, $order:literal) => {
            concat!(
                "where v.business_id = $1 and v.id in (
                     select x.id from service x
                     where x.business_id = $1 and ",
                $leading,
                " and ($5 is null or x.herd_id = $5) and ($6 is null or x.sire_id = $6)
                  and ($7 is null or x.technician = $7) and ($8 is null or (x.reversed_at is not null) = $8)
                  and ($9 is null or x.served_at >= $9) and ($10 is null or x.served_at < $10)
                     order by ",
                $order,
                " limit $3)
                 order by v.id"
            )
        };
    }
    let text = match lead(tx, business, wanted, page.after).await? {
        // service_by_animal, and then sorted: she has few.
        Lead::Animal => {
            filtered!("x.animal_id = $4 and coalesce(x.id, x.id) > $2", "coalesce(x.id, x.id)")
        }
        // service_reversed.
        Lead::Reversed => filtered!("x.reversed_at is not null and x.id > $2 and $4 is null", "x.id"),
        // service_by_herd.
        Lead::Herd => filtered!("x.herd_id = $5 and x.id > $2 and $4 is null", "x.id"),
        // service_by_sire.
        Lead::Sire => filtered!("x.sire_id = $6 and x.id > $2 and $4 is null", "x.id"),
        // service_by_technician.
        Lead::Technician => filtered!("x.technician = $7 and x.id > $2 and $4 is null", "x.id"),
        // service_by_time, and then sorted.
        Lead::Days => filtered!(
            "x.served_at >= $9 and x.served_at < $10 and coalesce(x.id, x.id) > $2 and $4 is null",
            "coalesce(x.id, x.id)"
        ),
        // The primary key.
        Lead::Book => filtered!("x.id > $2 and $4 is null", "x.id"),
    };
    let span = span(wanted.from, wanted.to);
    tx.sql(text)
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .bind(wanted.animal)
        .bind(wanted.herd)
        .bind(wanted.sire)
        .bind(wanted.technician.clone())
        .bind(wanted.reversed)
        .bind(span.map(|span| span.0))
        .bind(span.map(|span| span.1))
        .all()
        .await
}
