//! Holds on the straws of tanks and canisters.

use crate::{
    domain::{
        straws::hold::Hold,
        values::{BusinessId, HoldId, KeyId, TankId, Timestamp},
    },
    store::{Page, Result, Tx},
};

macro_rules! holds {
    ($rest:expr) => {
        concat!(
            "select d.id, d.tank_id, t.herd_id as tank_herd_id, d.canister, d.reason, d.technician, d.held_at, d.lifted_at,
                    d.recorded_at
             from hold d
             join tank t on t.business_id = d.business_id and t.id = d.tank_id ",
            $rest
        )
    };
}

/// Enters a hold.
pub async fn add(tx: &mut Tx, business: BusinessId, by: KeyId, hold: &Hold) -> Result<()> {
    tx.sql(
        "insert into hold (business_id, id, tank_id, canister, reason, technician, held_at, recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
    )
    .bind(business)
    .bind(hold.id)
    .bind(hold.tank_id)
    .bind(hold.canister)
    .bind(hold.reason.clone())
    .bind(hold.technician.clone())
    .bind(hold.held_at)
    .bind(hold.recorded_at)
    .bind(by)
    .run()
    .await
    .map(drop)
}

/// Straws there may be used again.
pub async fn lift(tx: &mut Tx, business: BusinessId, by: KeyId, id: HoldId, now: Timestamp) -> Result<()> {
    tx.sql("update hold set lifted_at = $3, lifted_by = $4 where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .bind(now)
        .bind(by)
        .run()
        .await
        .map(drop)
}

/// One hold.
pub async fn find(tx: &mut Tx, business: BusinessId, id: HoldId) -> Result<Option<Hold>> {
    tx.sql(holds!("where d.business_id = $1 and d.id = $2")).bind(business).bind(id).optional().await
}

/// The holds of a tank that are not lifted.
pub async fn open_in(tx: &mut Tx, business: BusinessId, tank: TankId) -> Result<Vec<Hold>> {
    // Uses hold_open.
    tx.sql(holds!("where d.business_id = $1 and d.tank_id = $2 and d.lifted_at is null order by d.id"))
        .bind(business)
        .bind(tank)
        .all()
        .await
}

/// Holds, oldest entry first; of one tank, or only those that are not lifted, when that is asked.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    tank: Option<TankId>,
    open: bool,
    page: Page,
) -> Result<Vec<Hold>> {
    macro_rules! filtered {
        ($leading:literal) => {
            holds!(concat!(
                "where d.business_id = $1 and d.id > $2 and ($4 is null or d.tank_id = $4)
                   and (not $5 or d.lifted_at is null) and ",
                $leading,
                " order by d.id limit $3"
            ))
        };
    }
    tx.sql(if tank.is_some() {
        // hold_by_tank.
        filtered!("d.tank_id = $4")
    } else {
        // The primary key: a business has few.
        filtered!("$4 is null")
    })
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(tank)
    .bind(open)
    .all()
    .await
}
