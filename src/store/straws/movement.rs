//! The lines of the ledger as they are read.

use crate::{
    domain::{
        straws::movement::{Movement, MovementKind},
        values::{
            AnimalId, BusinessId, LotId, MovementId, SireId, TankId, Technician, Timestamp, WithdrawalId,
        },
    },
    store::{NARROW, Result, SAMPLE, Tx, asked_of, leader, span},
};

/// Movements `m` between the places `f` and `t`, with further columns and joins.
/// Both places are there always; the outer joins keep PostgreSQL, where it has no statistics yet, from pairing all places with all
/// places before it comes to the movements.
macro_rules! movements {
    ($rest:expr) => {
        movements!("", "", $rest)
    };
    ($columns:expr, $joins:expr, $rest:expr) => {
        concat!(
            "select m.id, m.seq, m.kind, m.lot_id, m.straws, m.occurred_at, m.recorded_at, m.recorded_by,
                    m.technician, m.withdrawal_id, m.stocktake_id, m.reverses_id as reverses, r.id as reversed_by,
                    m.reason, m.exposure_s, m.note, m.from_left, m.to_held,
                    f.kind as from_kind, f.tank_id as from_tank, f.canister as from_canister,
                    f.cane as from_cane, f.goblet as from_goblet,
                    t.kind as to_kind, t.tank_id as to_tank, t.canister as to_canister,
                    t.cane as to_cane, t.goblet as to_goblet",
            $columns,
            " from movement m
             left join place f on f.business_id = m.business_id and f.id = m.from_place_id
             left join place t on t.business_id = m.business_id and t.id = m.to_place_id
             left join movement r on r.business_id = m.business_id and r.reverses_id = m.id ",
            $joins,
            $rest
        )
    };
}

pub(super) use movements;

/// One movement.
pub async fn find(tx: &mut Tx, business: BusinessId, id: MovementId) -> Result<Option<Movement>> {
    tx.sql(movements!("where m.business_id = $1 and m.id = $2")).bind(business).bind(id).optional().await
}

/// Which movements a list shows; what is not said is not asked.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of this lot.
    pub lot: Option<LotId>,
    /// Of this sire.
    pub sire: Option<SireId>,
    /// Out of or into this tank.
    pub tank: Option<TankId>,
    /// Of this kind.
    pub kind: Option<MovementKind>,
    /// For this animal.
    pub animal: Option<AnimalId>,
    /// By this technician.
    pub technician: Option<Technician>,
    /// That happened not before this.
    pub from: Option<Timestamp>,
    /// That happened before this.
    pub to: Option<Timestamp>,
}

/// The filter whose lines are gone through; the others are looked at along the way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Lead {
    Animal,
    Lot,
    Sire,
    Tank,
    Technician,
    Kind,
    Days,
    Book,
}

/// The filter of which the fewest lines are to come. An animal has few; else, when there is a choice, each filter is
/// asked how far its next lines reach: the further, the thinner they stand.
async fn lead(
    tx: &mut Tx,
    business: BusinessId,
    wanted: &Wanted,
    span: Option<(Timestamp, Timestamp)>,
    after: i64,
) -> Result<Lead> {
    #[derive(sqlx::FromRow)]
    struct Reach {
        lot: Option<i64>,
        sire: Option<i64>,
        tank: Option<i64>,
        technician: Option<i64>,
        kind: Option<i64>,
        wide: bool,
    }
    if wanted.animal.is_some() {
        return Ok(Lead::Animal);
    }
    let asked = asked_of(&[
        (wanted.lot.is_some(), Lead::Lot),
        (wanted.sire.is_some(), Lead::Sire),
        (wanted.tank.is_some(), Lead::Tank),
        (wanted.technician.is_some(), Lead::Technician),
        (wanted.kind.is_some(), Lead::Kind),
    ]);
    match asked[..] {
        [] if span.is_none() => return Ok(Lead::Book),
        [only] if span.is_none() => return Ok(only),
        _ => {}
    }
    macro_rules! reach {
        ($condition:literal) => {
            concat!(
                "(select x.seq from movement x where x.business_id = $1 and ",
                $condition,
                " and x.seq > $2 order by x.seq limit 1 offset $3)"
            )
        };
    }
    // Each by the index of its filter, some entries of it; of a sire, of each of his lots.
    let reach: Reach = tx
        .sql(concat!(
            "select ",
            reach!("x.lot_id = $4"),
            " as lot, (select min(",
            reach!("x.lot_id = l.id"),
            ") from lot l where l.business_id = $1 and l.sire_id = $5) as sire,
             (select k.seq from movement_tank k where k.business_id = $1 and k.tank_id = $6 and k.seq > $2
              order by k.seq limit 1 offset $3) as tank, ",
            reach!("x.technician = $7"),
            " as technician, ",
            reach!("x.kind = $8"),
            " as kind,
             exists (select 1 from movement x
                     where x.business_id = $1 and x.occurred_at >= $9 and x.occurred_at < $10
                     order by x.occurred_at limit 1 offset $11) as wide"
        ))
        .bind(business)
        .bind(after)
        .bind(SAMPLE)
        .bind(wanted.lot)
        .bind(wanted.sire)
        .bind(wanted.tank)
        .bind(wanted.technician.clone())
        .bind(wanted.kind)
        .bind(span.map(|span| span.0))
        .bind(span.map(|span| span.1))
        .bind(NARROW)
        .one()
        .await?;
    let reach_of = |lead: &Lead| match lead {
        Lead::Lot => reach.lot,
        Lead::Sire => reach.sire,
        Lead::Tank => reach.tank,
        Lead::Technician => reach.technician,
        Lead::Kind => reach.kind,
        Lead::Animal | Lead::Days | Lead::Book => None,
    };
    let few_days = (span.is_some() && !reach.wide).then_some(Lead::Days);
    Ok(leader(&asked, reach_of, few_days).unwrap_or(Lead::Book))
}

/// Movements after the line `after`, in the order of the book.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    wanted: &Wanted,
    after: i64,
    limit: i64,
) -> Result<Vec<Movement>> {
    macro_rules! filters {
        ($x:literal) => {
            concat!(
                " and ($4 is null or ", $x, ".lot_id = $4)
                  and ($5 is null or ", $x, ".lot_id in (
                      select o.id from lot o where o.business_id = $1 and o.sire_id = $5))
                  and ($6 is null or exists (
                      select 1 from movement_tank i where i.business_id = $1 and i.tank_id = $6 and i.seq = ", $x, ".seq))
                  and ($7 is null or ", $x, ".kind = $7) and ($9 is null or ", $x, ".technician = $9)
                  and ($10 is null or ", $x, ".occurred_at >= $10) and ($11 is null or ", $x, ".occurred_at < $11) "
            )
        };
    }
    // The numbers of the page's lines, then the lines.
    macro_rules! page {
        ($where:literal) => {
            page!("movement x", $where, "x.seq")
        };
        ($from:literal, $where:literal, $order:literal) => {
            page!(concat!("x.seq from ", $from, " where ", $where, filters!("x"), "order by ", $order))
        };
        ($select:expr) => {
            movements!(concat!(
                "where m.business_id = $1 and m.seq in (select ",
                $select,
                " limit $3) order by m.seq"
            ))
        };
    }
    let span = span(wanted.from, wanted.to);
    let sql = match lead(tx, business, wanted, span, after).await? {
        // withdrawal_by_animal and movement_by_withdrawal; crossed, so that SQLite too begins with the withdrawals.
        Lead::Animal => tx.sql(page!(
            "withdrawal w cross join movement x",
            "w.business_id = $1 and w.animal_id = $8 and x.business_id = w.business_id and x.withdrawal_id = w.id
             and x.withdrawal_id is not null and x.seq > $2",
            "x.seq"
        )),
        // movement_by_lot.
        Lead::Lot => tx.sql(page!("x.business_id = $1 and x.lot_id = $4 and x.seq > $2 and $8 is null")),
        // lot_by_sire and movement_by_lot, of each lot no more lines than the page may hold.
        Lead::Sire => tx.sql_for(
            page!(concat!(
                "x.seq from lot l cross join movement x
                 where l.business_id = $1 and l.sire_id = $5 and $8 is null
                   and x.business_id = l.business_id and x.lot_id = l.id and x.seq > $2
                   and x.seq <= coalesce((select y.seq from movement y
                                          where y.business_id = l.business_id and y.lot_id = l.id and y.seq > $2",
                filters!("y"),
                "order by y.seq limit 1 offset $3 - 1), 9223372036854775807)",
                filters!("x"),
                "order by x.seq"
            )),
            page!(concat!(
                "x.seq from lot l cross join lateral (
                     select y.seq from movement y
                     where y.business_id = l.business_id and y.lot_id = l.id and y.seq > $2",
                filters!("y"),
                "order by y.seq limit $3) x
                 where l.business_id = $1 and l.sire_id = $5 and $8 is null
                 order by x.seq"
            )),
        ),
        // The key of movement_tank.
        Lead::Tank => tx.sql(page!(
            "movement_tank k cross join movement x",
            "k.business_id = $1 and k.tank_id = $6 and k.seq > $2 and $8 is null
             and x.business_id = k.business_id and x.seq = k.seq",
            "k.seq"
        )),
        // movement_by_technician.
        Lead::Technician => tx.sql(page!("x.business_id = $1 and x.technician = $9 and x.seq > $2 and $8 is null")),
        // movement_by_kind.
        Lead::Kind => tx.sql(page!("x.business_id = $1 and x.kind = $7 and x.seq > $2 and $8 is null")),
        // movement_by_time, and then sorted: `+ 0` keeps both databases from walking the primary key in its order.
        Lead::Days => tx.sql(page!(
            "movement x",
            "x.business_id = $1 and x.occurred_at >= $10 and x.occurred_at < $11
             and x.seq + 0 > $2 and $8 is null",
            "x.seq + 0"
        )),
        // The primary key.
        Lead::Book => tx.sql(page!("x.business_id = $1 and x.seq > $2 and $8 is null")),
    };
    sql.bind(business)
        .bind(after)
        .bind(limit)
        .bind(wanted.lot)
        .bind(wanted.sire)
        .bind(wanted.tank)
        .bind(wanted.kind)
        .bind(wanted.animal)
        .bind(wanted.technician.clone())
        .bind(span.map(|span| span.0))
        .bind(span.map(|span| span.1))
        .all()
        .await
}

/// The movement that took a withdrawal's straws out of the tank.
pub async fn of_withdrawal(tx: &mut Tx, business: BusinessId, id: WithdrawalId) -> Result<Option<Movement>> {
    // Uses movement_by_withdrawal.
    tx.sql(movements!("where m.business_id = $1 and m.withdrawal_id = $2 and m.kind = 'withdrawal'"))
        .bind(business)
        .bind(id)
        .optional()
        .await
}
