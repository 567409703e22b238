//! What a rule opened is looked at anew once it is changed or taken away: a part with the command that does so, the rest part by
//! part, because the writer's transaction is everybody's.

use uuid::Uuid;

use crate::{
    book::{alerts::alert::settle_all, command::BackgroundCommand},
    domain::values::{AlertId, AlertRuleId, BusinessId, Timestamp},
    store::{self, Page, Tx, alerts::recheck},
};

/// Alerts of a rule that are looked at in one transaction. Each about stock or a tank takes several statements.
const TOGETHER: i64 = 50;

/// Looks at the first of what the rule opened, and notes that the rest is to be looked at.
pub(super) async fn begin(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    rule: AlertRuleId,
) -> store::Result<()> {
    // What an earlier change left to be looked at may stay noted: it is done once more.
    match part(tx, business, now, rule, Uuid::nil()).await? {
        Some(last) => recheck::enter(tx, business, rule, last).await,
        None => Ok(()),
    }
}

/// Looks at some of what the rule opened after that one; gives the last, where others may follow.
async fn part(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    rule: AlertRuleId,
    after: Uuid,
) -> store::Result<Option<AlertId>> {
    let opened = store::alerts::alert::open_by(tx, business, rule, Page { after, limit: TOGETHER }).await?;
    let last = opened.last().map(|alert| alert.id);
    let is_all = i64::try_from(opened.len()).is_ok_and(|opened| opened < TOGETHER);
    let what = opened.iter().map(|open| (open.kind, open.about)).collect();
    settle_all(tx, business, now, what).await?;
    Ok(last.filter(|_| !is_all))
}

/// Looks at some more. How far it came stands in the store, so nothing is left out after a restart, and of several processes
/// none does what another did.
#[derive(Clone, Copy, Debug)]
pub struct Recheck {
    /// In whose book.
    pub business: BusinessId,
}

impl BackgroundCommand for Recheck {
    /// Whether there was something to look at, and may be more.
    type Done = bool;

    fn business(&self) -> Option<BusinessId> {
        Some(self.business)
    }

    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<bool> {
        let business = self.business;
        let Some(recheck::Recheck { rule_id, last_alert_id }) = recheck::first(tx, business).await? else {
            return Ok(false);
        };
        match part(tx, business, now, rule_id, last_alert_id.0).await? {
            Some(last) => recheck::enter(tx, business, rule_id, last).await?,
            None => recheck::remove(tx, business, rule_id).await?,
        }
        Ok(true)
    }
}
