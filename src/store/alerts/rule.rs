//! Alert rules.

use crate::{
    domain::{
        alerts::{
            AlertKind,
            rule::{AlertRule, AlertRuleDetails},
        },
        straws::semen::SemenType,
        values::{AlertRuleId, BusinessId, LotId, PlaceId, SireId, Timestamp},
    },
    store::{Page, Result, Tx, access::business},
};

/// Enters a rule.
pub async fn add(tx: &mut Tx, business: BusinessId, rule: &AlertRule) -> Result<()> {
    business::forget_state(tx, business);
    tx.sql("insert into alert_rule (business_id, id, kind, enabled, created_at) values ($1, $2, $3, $4, $5)")
        .bind(business)
        .bind(rule.id)
        .bind(rule.details.kind)
        .bind(rule.details.enabled)
        .bind(rule.created_at)
        .run()
        .await?;
    change(tx, business, rule.id, &rule.details).await
}

/// Changes what is said of a rule; all that it watches is to be gone through anew.
pub async fn change(tx: &mut Tx, business: BusinessId, id: AlertRuleId, d: &AlertRuleDetails) -> Result<()> {
    tx.sql(
        "update alert_rule
         set kind = $3, tank_id = $4, herd_id = $5, sire_id = $6, semen_type = $7, lot_id = $8, enabled = $9,
             below_straws = $10, below_days = $11, above_probability = $12, lead_days = $13, delivery_at = $14,
             clear_at = $15, below_depth_mm = $16, within_days = $17, every_days = $18, grace_minutes = $19,
             min_difference = $20, looked_at = null
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(d.kind)
    .bind(d.tank_id)
    .bind(d.herd_id)
    .bind(d.sire_id)
    .bind(d.semen_type)
    .bind(d.lot_id)
    .bind(d.enabled)
    .bind(d.below_straws)
    .bind(d.below_days)
    .bind(d.above_probability)
    .bind(d.lead_days)
    .bind(d.delivery_at)
    .bind(d.clear_at)
    .bind(d.below_depth_mm)
    .bind(d.within_days)
    .bind(d.every_days)
    .bind(d.grace_minutes)
    .bind(d.min_difference)
    .run()
    .await
    .map(drop)
}

/// Takes a rule away.
pub async fn remove(tx: &mut Tx, business: BusinessId, id: AlertRuleId) -> Result<()> {
    tx.sql("delete from alert_rule where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .run()
        .await
        .map(drop)
}

/// What a rule `r` is read from.
macro_rules! rule_columns {
    () => {
        "r.id, r.kind, r.tank_id, r.herd_id, r.sire_id, r.semen_type, r.lot_id, r.enabled, r.below_straws, r.below_days,
                    r.above_probability, r.lead_days, r.delivery_at, r.clear_at, r.below_depth_mm, r.within_days,
                    r.every_days, r.grace_minutes, r.min_difference, r.created_at"
    };
}
macro_rules! rules {
    ($rest:literal) => {
        concat!("select ", rule_columns!(), " from alert_rule r ", $rest)
    };
}

/// One rule.
pub async fn find(tx: &mut Tx, business: BusinessId, id: AlertRuleId) -> Result<Option<AlertRule>> {
    tx.sql(rules!("where r.business_id = $1 and r.id = $2")).bind(business).bind(id).optional().await
}

/// Rules, oldest first; of one kind when it is named.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    kind: Option<AlertKind>,
    page: Page,
) -> Result<Vec<AlertRule>> {
    tx.sql(rules!(
        "where r.business_id = $1 and r.id > $2 and ($4 is null or r.kind = $4) order by r.id limit $3"
    ))
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(kind)
    .all()
    .await
}

/// Every rule of a kind.
pub async fn of_kind(tx: &mut Tx, business: BusinessId, kind: AlertKind) -> Result<Vec<AlertRule>> {
    // Uses alert_rule_by_kind.
    tx.sql(rules!("where r.business_id = $1 and r.kind = $2 order by r.id"))
        .bind(business)
        .bind(kind)
        .all()
        .await
}

/// How many rules there are.
pub async fn count(tx: &mut Tx, business: BusinessId) -> Result<i64> {
    let count =
        tx.sql("select count(*) from alert_rule where business_id = $1").bind(business).value().await?;
    Ok(count.unwrap_or(0))
}

/// A rule about stock, with the sire and type of a lot that it watches.
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct Concerned {
    /// The rule.
    #[sqlx(flatten)]
    pub rule: AlertRule,
    /// The lot's sire.
    pub lot_sire_id: SireId,
    /// The lot's type.
    pub lot_semen_type: SemenType,
}

/// The rules about stock that straws of `lot` concern, which moved from or to one of `places`; wherever
/// they hang, when no place is given. Without any rule this is one look at an index.
pub async fn concerned(
    tx: &mut Tx,
    business: BusinessId,
    lot: LotId,
    places: [Option<PlaceId>; 2],
) -> Result<Vec<Concerned>> {
    tx.sql(concat!(
        "select ",
        rule_columns!(),
        ", l.sire_id as lot_sire_id, l.semen_type as lot_semen_type
         from alert_rule r
         join lot l on l.business_id = r.business_id and l.id = $2
         where r.business_id = $1 and r.kind in ('stock.low', 'stock.out')
           and (r.lot_id is null or r.lot_id = l.id)
           and (r.sire_id is null or (r.sire_id = l.sire_id and r.semen_type = l.semen_type))
           and ((r.tank_id is null and r.herd_id is null) or ($3 is null and $4 is null) or exists (
               select 1 from place p join tank t on t.business_id = p.business_id and t.id = p.tank_id
               where p.business_id = r.business_id and p.id in ($3, $4)
                 and (t.id = r.tank_id or t.herd_id = r.herd_id)))
         order by r.id"
    ))
    .bind(business)
    .bind(lot)
    .bind(places[0])
    .bind(places[1])
    .all()
    .await
}

/// A rule about what is due for animals, and when all that it watches was last gone through.
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct OfAnimals {
    /// The rule.
    #[sqlx(flatten)]
    pub rule: AlertRule,
    /// When; not yet where null.
    pub looked_at: Option<Timestamp>,
}

/// Every rule about what is due for animals.
pub async fn of_animals(tx: &mut Tx, business: BusinessId) -> Result<Vec<OfAnimals>> {
    // Uses alert_rule_by_kind.
    tx.sql(concat!(
        "select ",
        rule_columns!(),
        ", r.looked_at
         from alert_rule r
         where r.business_id = $1 and r.kind in ('check.due', 'calving.due', 'return.watch') order by r.id"
    ))
    .bind(business)
    .all()
    .await
}

/// Rules about stock or conception of which what they watch was not gone through since that time.
pub async fn to_look_at(
    tx: &mut Tx,
    business: BusinessId,
    (before, now): (Timestamp, Timestamp),
    limit: i64,
) -> Result<Vec<AlertRule>> {
    tx.sql(rules!(
        "where r.business_id = $1 and r.kind in ('stock.low', 'stock.out', 'conception.falling')
           and (r.looked_at is null or r.looked_at <= $2 or r.looked_at > $4)
         order by r.id limit $3"
    ))
    .bind(business)
    .bind(before)
    .bind(limit)
    .bind(now)
    .all()
    .await
}

/// What a rule watches was gone through.
pub async fn looked_at(tx: &mut Tx, business: BusinessId, id: AlertRuleId, now: Timestamp) -> Result<()> {
    tx.sql("update alert_rule set looked_at = $3 where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .bind(now)
        .run()
        .await
        .map(drop)
}
