//! Who goes through what time alone brings about, where several processes share a server.

use chrono::TimeDelta;

use crate::{
    domain::values::{BusinessId, Timestamp},
    store::{Result, Tx},
};

/// By how much the clocks of two machines may differ. A business that was gone through later than that from now was so before
/// the clock was set back.
const APART: TimeDelta = TimeDelta::minutes(1);

/// A business that this process goes through now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct Sweep {
    /// Which.
    pub business_id: BusinessId,
    /// Whether its tanks as well.
    pub tanks: bool,
}

/// Lets businesses that are new be gone through.
pub async fn enter_new(tx: &mut Tx) -> Result<()> {
    tx.sql(
        "insert into sweep (business_id)
         select b.id from business b where not exists (select 1 from sweep s where s.business_id = b.id)
         on conflict (business_id) do nothing",
    )
    .run()
    .await
    .map(drop)
}

/// At most `most` businesses that no process has gone through for `every`, nor their tanks for `tanks_every`; only on a
/// PostgreSQL server. From now on, or from the commit, no other process gets them until it is time again: one that dies at it
/// leaves them out once.
pub async fn claim(
    tx: &mut Tx,
    now: Timestamp,
    every: TimeDelta,
    tanks_every: TimeDelta,
    most: i64,
) -> Result<Vec<Sweep>> {
    tx.sql(
        "update sweep as s
         set looked_at = $1, tanks_looked_at = case when due.tanks then $1 else s.tanks_looked_at end
         from (select business_id,
                      tanks_looked_at is null or tanks_looked_at <= $3 or tanks_looked_at > $4 as tanks
               from sweep
               where looked_at is null or looked_at <= $2 or looked_at > $4
               order by looked_at nulls first limit $5
               for no key update skip locked) as due
         where s.business_id = due.business_id
         returning s.business_id, due.tanks",
    )
    .bind(now)
    .bind(now.plus(-every))
    .bind(now.plus(-tanks_every))
    .bind(now.plus(APART))
    .bind(most)
    .all()
    .await
}
