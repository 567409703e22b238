//! Rules that were changed or taken away and whose open alerts are still to be looked at.

use crate::{
    domain::values::{AlertId, AlertRuleId, BusinessId},
    store::{Result, Tx},
};

/// A rule, which may be gone, and how far its open alerts were looked at since it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct Recheck {
    /// The rule.
    pub rule_id: AlertRuleId,
    /// The last of its alerts that was looked at.
    pub last_alert_id: AlertId,
}

/// Those after `last` are still to be looked at. Once it is committed, whoever [waits](crate::store::Db::rechecks) is woken.
pub async fn enter(tx: &mut Tx, business: BusinessId, rule: AlertRuleId, last: AlertId) -> Result<()> {
    tx.has_rechecks = true;
    tx.sql(
        "insert into alert_recheck (business_id, rule_id, last_alert_id) values ($1, $2, $3)
         on conflict (business_id, rule_id) do update set last_alert_id = excluded.last_alert_id",
    )
    .bind(business)
    .bind(rule)
    .bind(last)
    .run()
    .await
    .map(drop)
}

/// All of a rule's were looked at.
pub async fn remove(tx: &mut Tx, business: BusinessId, rule: AlertRuleId) -> Result<()> {
    tx.sql("delete from alert_recheck where business_id = $1 and rule_id = $2")
        .bind(business)
        .bind(rule)
        .run()
        .await
        .map(drop)
}

/// One of a business, where there is one.
pub async fn first(tx: &mut Tx, business: BusinessId) -> Result<Option<Recheck>> {
    tx.sql("select rule_id, last_alert_id from alert_recheck where business_id = $1 order by rule_id limit 1")
        .bind(business)
        .optional()
        .await
}

/// In whose books there are some.
pub async fn businesses(tx: &mut Tx) -> Result<Vec<BusinessId>> {
    tx.sql("select distinct business_id from alert_recheck order by business_id").values().await
}
