//! Alerts.

use serde_json::json;

use crate::{
    domain::{
        alerts::{About, Alert, AlertKind, Figures, LONGEST_SILENCE},
        values::{
            AlertId, AlertRuleId, AnimalId, BusinessId, HerdId, KeyId, Note, TankId, Timestamp, WithdrawalId,
        },
    },
    store::{Page, Result, Tx, access::business},
};

/// Opens an alert.
///
/// # Errors
/// One is open for the same kind and subject.
pub async fn open(tx: &mut Tx, business: BusinessId, alert: &Alert) -> Result<()> {
    business::forget_state(tx, business);
    let about = alert.about;
    tx.sql(
        "insert into alert (business_id, id, kind, subject, rule_id, herd_id, tank_id, sire_id, semen_type, lot_id,
                            withdrawal_id, stocktake_id, animal_id, webhook_id, text, figures, opened_at, notified_at,
                            next_notification_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $17, $18)",
    )
    .bind(business)
    .bind(alert.id)
    .bind(alert.kind)
    .bind(alert.subject.clone())
    .bind(alert.rule_id)
    .bind(about.herd_id)
    .bind(about.tank_id)
    .bind(about.sire_id)
    .bind(about.semen_type)
    .bind(about.lot_id)
    .bind(about.withdrawal_id)
    .bind(about.stocktake_id)
    .bind(about.animal_id)
    .bind(about.webhook_id)
    .bind(alert.text.clone())
    .bind(alert.figures)
    .bind(alert.opened_at)
    .bind(alert.next_notification_at)
    .run()
    .await
    .map(drop)
}

/// An open alert is told again, with the figures of now.
pub async fn notify_again(
    tx: &mut Tx,
    business: BusinessId,
    id: AlertId,
    text: &str,
    figures: Figures,
    now: Timestamp,
    next_notification_at: Option<Timestamp>,
) -> Result<()> {
    tx.sql(
        "update alert set text = $3, figures = $4, notified_at = $5, next_notification_at = $6
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(text.to_owned())
    .bind(figures)
    .bind(now)
    .bind(next_notification_at)
    .run()
    .await
    .map(drop)
}

/// Somebody took it on.
pub async fn acknowledge(
    tx: &mut Tx,
    business: BusinessId,
    id: AlertId,
    by: KeyId,
    note: Option<&Note>,
    now: Timestamp,
) -> Result<()> {
    tx.sql(
        "update alert set acknowledged_at = $3, acknowledged_by = $4, note = $5, next_notification_at = null
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(now)
    .bind(by)
    .bind(note.cloned())
    .run()
    .await
    .map(drop)
}

/// Its condition is over.
pub async fn clear(
    tx: &mut Tx,
    business: BusinessId,
    id: AlertId,
    because: &str,
    now: Timestamp,
) -> Result<()> {
    tx.sql(
        "update alert set cleared_at = $3, clear_reason = $4, next_notification_at = null
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(now)
    .bind(because.to_owned())
    .run()
    .await
    .map(drop)
}

macro_rules! alerts {
    ($rest:expr) => {
        concat!(
            "select id, kind, subject, rule_id, herd_id, tank_id, sire_id, semen_type, lot_id, withdrawal_id,
                    stocktake_id, animal_id, webhook_id, text, figures, opened_at, notified_at, next_notification_at,
                    acknowledged_at, acknowledged_by, note, cleared_at, clear_reason
             from alert ",
            $rest
        )
    };
}

/// One alert.
pub async fn find(tx: &mut Tx, business: BusinessId, id: AlertId) -> Result<Option<Alert>> {
    tx.sql(alerts!("where business_id = $1 and id = $2")).bind(business).bind(id).optional().await
}

/// The open alert of that kind and subject.
pub async fn open_on(
    tx: &mut Tx,
    business: BusinessId,
    kind: AlertKind,
    subject: &str,
) -> Result<Option<Alert>> {
    // Uses alert_open_once.
    tx.sql(alerts!("where business_id = $1 and kind = $2 and subject = $3 and cleared_at is null"))
        .bind(business)
        .bind(kind)
        .bind(subject.to_owned())
        .optional()
        .await
}

/// Whether one of that kind and subject was ever opened.
pub async fn was_opened(tx: &mut Tx, business: BusinessId, kind: AlertKind, subject: &str) -> Result<bool> {
    // Uses alert_by_subject.
    let found = tx
        .sql("select id from alert where business_id = $1 and subject = $2 and kind = $3 limit 1")
        .bind(business)
        .bind(subject.to_owned())
        .bind(kind)
        .value::<AlertId>()
        .await?;
    Ok(found.is_some())
}

/// The open alerts about a straw's way out.
pub async fn open_about(tx: &mut Tx, business: BusinessId, id: WithdrawalId) -> Result<Vec<Alert>> {
    // Uses alert_of_withdrawal.
    tx.sql(alerts!("where business_id = $1 and withdrawal_id = $2 and cleared_at is null order by id"))
        .bind(business)
        .bind(id)
        .all()
        .await
}

macro_rules! of_animals {
    ($values:literal) => {
        alerts!(concat!(
            "where business_id = $1 and kind in ('check.due', 'calving.due', 'return.watch') and cleared_at is null
               and subject in (select ",
            $values,
            ") order by id"
        ))
    };
}

/// The open alerts of what is due for these animals.
pub async fn open_of_animals(tx: &mut Tx, business: BusinessId, animals: &[AnimalId]) -> Result<Vec<Alert>> {
    let subjects: Vec<_> =
        animals.iter().map(|id| About { animal_id: Some(*id), ..About::default() }.wire()).collect();
    // Uses alert_open_once.
    tx.sql_for(
        of_animals!("value from json_each($2)"),
        of_animals!("value from json_array_elements_text($2::json)"),
    )
    .bind(business)
    .bind(json!(subjects).to_string())
    .all()
    .await
}

/// Which animals have an open alert of something due, of which kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, sqlx::FromRow)]
pub struct OpenOfAnimal {
    /// The kind.
    pub kind: AlertKind,
    /// The animal.
    pub animal_id: AnimalId,
    /// Her herd when it was opened.
    pub herd_id: HerdId,
}

/// All open alerts of what is due for animals.
pub async fn all_open_of_animals(tx: &mut Tx, business: BusinessId) -> Result<Vec<OpenOfAnimal>> {
    // Uses alert_open_by_herd or alert_open_by_kind.
    tx.sql(
        "select kind, animal_id, herd_id from alert
         where business_id = $1 and kind in ('check.due', 'calving.due', 'return.watch') and cleared_at is null
           and animal_id is not null and herd_id is not null",
    )
    .bind(business)
    .all()
    .await
}

/// The open alerts that a rule opened, oldest first.
pub async fn open_by(tx: &mut Tx, business: BusinessId, rule: AlertRuleId, page: Page) -> Result<Vec<Alert>> {
    // Uses alert_open_by_rule.
    tx.sql(alerts!(
        "where business_id = $1 and rule_id = $2 and cleared_at is null and id > $3 order by id limit $4"
    ))
    .bind(business)
    .bind(rule)
    .bind(page.after)
    .bind(page.limit)
    .all()
    .await
}

/// Alerts that are to be told again by now ([`Alert::is_due_again`]).
pub async fn due_again(tx: &mut Tx, business: BusinessId, now: Timestamp, limit: i64) -> Result<Vec<Alert>> {
    // Uses alert_to_notify from either end: neither those that wait nor those that are due are gone through.
    tx.sql(alerts!(
        "where business_id = $1 and id in (
             select late.id from (select id from alert where business_id = $1 and next_notification_at <= $2
                                  order by next_notification_at limit $3) as late
             union all
             select ahead.id from (select id from alert where business_id = $1 and next_notification_at > $4
                                   order by next_notification_at limit $3) as ahead)
         order by next_notification_at limit $3"
    ))
    .bind(business)
    .bind(now)
    .bind(limit)
    .bind(now.plus(LONGEST_SILENCE))
    .all()
    .await
}

/// Which alerts a list shows; what is not said is not asked.
#[derive(Clone, Debug, Default)]
pub struct WantedAlerts {
    /// Those that are open, or those that are over.
    pub open: Option<bool>,
    /// Of this kind.
    pub kind: Option<AlertKind>,
    /// About this.
    pub subject: Option<String>,
    /// About this herd.
    pub herd: Option<HerdId>,
    /// About this tank.
    pub tank: Option<TankId>,
}

/// Alerts in the order in which they were opened.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    wanted: &WantedAlerts,
    page: Page,
) -> Result<Vec<Alert>> {
    macro_rules! filtered {
        ($leading:literal, $order:literal) => {
            alerts!(concat!(
                "where business_id = $1 and ",
                $leading,
                " and ($4 is null or (cleared_at is null) = $4)
                   and ($5 is null or kind = $5) and ($6 is null or subject = $6)
                   and ($7 is null or herd_id = $7) and ($8 is null or tank_id = $8)
                 order by ",
                $order,
                " limit $3"
            ))
        };
    }
    tx.sql(if wanted.subject.is_some() {
        // alert_by_subject.
        filtered!("subject = $6 and id > $2", "id")
    } else if wanted.open == Some(true) && wanted.tank.is_some() {
        // alert_open_by_tank.
        filtered!("cleared_at is null and tank_id = $8 and id > $2", "id")
    } else if wanted.open == Some(true) && wanted.herd.is_some() {
        // alert_open_by_herd.
        filtered!("cleared_at is null and herd_id = $7 and id > $2", "id")
    } else if wanted.open == Some(true) && wanted.kind.is_some() {
        // alert_open_by_kind.
        filtered!("cleared_at is null and kind = $5 and id > $2", "id")
    } else if wanted.open == Some(true) {
        // alert_open.
        filtered!("cleared_at is null and id > $2", "id")
    } else if wanted.tank.is_some() {
        // alert_by_tank.
        filtered!("tank_id = $8 and id > $2", "id")
    } else if wanted.kind.is_some_and(|kind| kind != AlertKind::RuleOverridden || wanted.herd.is_none()) {
        // alert_by_kind: only rules set aside are many.
        filtered!("kind = $5 and id > $2", "id")
    } else if wanted.herd.is_some() {
        // alert_by_herd.
        filtered!("herd_id = $7 and id > $2", "id")
    } else {
        // The primary key.
        filtered!("id > $2", "id")
    })
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(wanted.open)
    .bind(wanted.kind)
    .bind(wanted.subject.clone())
    .bind(wanted.herd)
    .bind(wanted.tank)
    .all()
    .await
}
