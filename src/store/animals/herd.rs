//! Herds.

use crate::{
    domain::{
        animals::herd::{Herd, HerdDetails},
        exchange::change::ChangeKind,
        values::{BusinessId, HerdId, TimeZone},
    },
    store::{
        Page, Result, Tx,
        exchange::change::{self, NewChange},
    },
};

/// Enters a herd.
pub async fn add(tx: &mut Tx, business: BusinessId, herd: &Herd) -> Result<()> {
    let d = &herd.details;
    tx.sql(
        "insert into herd (business_id, id, name, time_zone, location, choice_rule, same_heat_hours,
                           waiting_days, kinship_limit, first_service_days, thaw, created_at,
                           technician_may_override)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
    )
    .bind(business)
    .bind(herd.id)
    .bind(d.name.clone())
    .bind(d.time_zone)
    .bind(d.location.clone())
    .bind(d.choice_rule.clone())
    .bind(d.same_heat_hours)
    .bind(d.waiting_days)
    .bind(d.kinship_limit)
    .bind(d.first_service_days)
    .bind(d.thaw.clone())
    .bind(herd.created_at)
    .bind(d.technician_may_override)
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Herd, herd.id.0).herd(herd.id));
    Ok(())
}

/// Changes what is said of a herd.
pub async fn change(tx: &mut Tx, business: BusinessId, id: HerdId, d: &HerdDetails) -> Result<()> {
    tx.sql(
        "update herd set name = $3, time_zone = $4, location = $5, choice_rule = $6, same_heat_hours = $7,
                         waiting_days = $8, kinship_limit = $9, first_service_days = $10, thaw = $11,
                         technician_may_override = $12
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(d.name.clone())
    .bind(d.time_zone)
    .bind(d.location.clone())
    .bind(d.choice_rule.clone())
    .bind(d.same_heat_hours)
    .bind(d.waiting_days)
    .bind(d.kinship_limit)
    .bind(d.first_service_days)
    .bind(d.thaw.clone())
    .bind(d.technician_may_override)
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Herd, id.0).herd(id));
    Ok(())
}

/// One herd.
pub async fn find(tx: &mut Tx, business: BusinessId, id: HerdId) -> Result<Option<Herd>> {
    tx.sql(
        "select id, name, time_zone, location, choice_rule, same_heat_hours, waiting_days, kinship_limit,
                first_service_days, thaw, technician_may_override, created_at
         from herd where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .optional()
    .await
}

/// Herds, oldest first.
pub async fn list(tx: &mut Tx, business: BusinessId, page: Page) -> Result<Vec<Herd>> {
    tx.sql(
        "select id, name, time_zone, location, choice_rule, same_heat_hours, waiting_days, kinship_limit,
                first_service_days, thaw, technician_may_override, created_at
         from herd where business_id = $1 and id > $2
         order by id limit $3",
    )
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .all()
    .await
}

/// The herds with that official location.
pub async fn at_location(tx: &mut Tx, business: BusinessId, scheme: &str, id: &str) -> Result<Vec<Herd>> {
    tx.sql(
        "select id, name, time_zone, location, choice_rule, same_heat_hours, waiting_days, kinship_limit,
                first_service_days, thaw, technician_may_override, created_at
         from herd where business_id = $1 and location ->> 'scheme' = $2 and location ->> 'id' = $3 order by id",
    )
    .bind(business)
    .bind(scheme.to_owned())
    .bind(id.to_owned())
    .all()
    .await
}

/// All herds with their time zones, oldest first.
pub async fn zones(tx: &mut Tx, business: BusinessId) -> Result<Vec<(HerdId, TimeZone)>> {
    tx.sql("select id, time_zone from herd where business_id = $1 order by id").bind(business).all().await
}

/// All herds, oldest first.
pub async fn ids(tx: &mut Tx, business: BusinessId) -> Result<Vec<HerdId>> {
    let rows: Vec<(HerdId,)> =
        tx.sql("select id from herd where business_id = $1 order by id").bind(business).all().await?;
    Ok(rows.into_iter().map(|(id,)| id).collect())
}
