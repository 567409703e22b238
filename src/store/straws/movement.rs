//! The lines of the ledger as they are read.

use crate::{
    domain::{
        straws::movement::{Movement, MovementKind},
        values::{
            AnimalId, BusinessId, LotId, MovementId, SireId, TankId, Technician, Timestamp, WithdrawalId,
        },
    },
    store::{Result, Tx},
};

/// Movements `m` between the places `f` and `t`, with further columns and joins.
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
             join place f on f.business_id = m.business_id and f.id = m.from_place_id
             join place t on t.business_id = m.business_id and t.id = m.to_place_id
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

/// Movements after the line `after`, in the order of the book.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    wanted: &Wanted,
    after: i64,
    limit: i64,
) -> Result<Vec<Movement>> {
    // One leading condition, said so that each text follows an index: movement_by_withdrawal for an
    // animal, movement_by_lot, or the primary key. The other filters are looked at along the way.
    macro_rules! filtered {
        ($leading:literal) => {
            movements!(concat!(
                "where m.business_id = $1 and ",
                $leading,
                " and ($5 is null or m.lot_id in (select l.id from lot l where l.business_id = $1 and l.sire_id = $5))
               and ($6 is null or f.tank_id = $6 or t.tank_id = $6) and ($7 is null or m.kind = $7)
               and ($9 is null or m.technician = $9)
               and ($10 is null or m.occurred_at >= $10) and ($11 is null or m.occurred_at < $11)
             order by m.seq limit $3"
            ))
        };
    }
    let sql = if wanted.animal.is_some() {
        filtered!(
            // So joined that SQLite too begins with the animal's withdrawals.
            "m.seq in (select x.seq from withdrawal w cross join movement x
                       where w.business_id = $1 and w.animal_id = $8 and x.business_id = w.business_id
                         and x.withdrawal_id = w.id and x.withdrawal_id is not null and x.seq > $2)
             and ($4 is null or m.lot_id = $4)"
        )
    } else if wanted.lot.is_some() {
        filtered!("m.lot_id = $4 and m.seq > $2 and $8 is null")
    } else {
        filtered!("m.seq > $2 and $4 is null and $8 is null")
    };
    tx.sql(sql)
        .bind(business)
        .bind(after)
        .bind(limit)
        .bind(wanted.lot)
        .bind(wanted.sire)
        .bind(wanted.tank)
        .bind(wanted.kind)
        .bind(wanted.animal)
        .bind(wanted.technician.clone())
        .bind(wanted.from)
        .bind(wanted.to)
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
