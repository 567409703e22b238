//! Tanks.

use crate::{
    domain::{
        exchange::change::ChangeKind,
        nitrogen::tank::{Tank, TankDetails},
        values::{BusinessId, HerdId, TankId, TimeZone},
    },
    store::{
        Page, Result, Tx,
        exchange::change::{self, NewChange},
    },
};

/// The columns of what is said of a tank `t`, as [`TankDetails`] reads them.
macro_rules! tank_columns {
    () => {
        "t.name, t.herd_id, t.canisters, t.capacity_l, t.full_depth_mm, t.min_depth_mm, t.static_loss_l_per_day,
         t.chart, t.tare_kg"
    };
}
pub(crate) use tank_columns;

/// Enters a tank.
pub async fn add(tx: &mut Tx, business: BusinessId, tank: &Tank) -> Result<()> {
    let d = &tank.details;
    // Keys that are limited to herds reach their tanks.
    tx.forget_known_keys();
    tx.sql(
        "insert into tank (business_id, id, name, herd_id, canisters, capacity_l, full_depth_mm,
                           min_depth_mm, static_loss_l_per_day, chart, tare_kg, created_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)",
    )
    .bind(business)
    .bind(tank.id)
    .bind(d.name.clone())
    .bind(d.herd_id)
    .bind(d.canisters)
    .bind(d.capacity_l)
    .bind(d.full_depth_mm)
    .bind(d.min_depth_mm)
    .bind(d.static_loss_l_per_day)
    .bind(d.chart.clone())
    .bind(d.tare_kg)
    .bind(tank.created_at)
    .run()
    .await?;
    let noted = NewChange::of(ChangeKind::Tank, tank.id.0);
    let noted = d.herd_id.map_or(noted, |herd| noted.herd(herd));
    change::note(tx, business, noted);
    Ok(())
}

/// Changes what is said of a tank.
pub async fn change(tx: &mut Tx, business: BusinessId, id: TankId, d: &TankDetails) -> Result<()> {
    tx.forget_known_keys();
    tx.sql(
        "update tank set name = $3, herd_id = $4, canisters = $5, capacity_l = $6, full_depth_mm = $7,
                         min_depth_mm = $8, static_loss_l_per_day = $9, chart = $10, tare_kg = $11
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(d.name.clone())
    .bind(d.herd_id)
    .bind(d.canisters)
    .bind(d.capacity_l)
    .bind(d.full_depth_mm)
    .bind(d.min_depth_mm)
    .bind(d.static_loss_l_per_day)
    .bind(d.chart.clone())
    .bind(d.tare_kg)
    .run()
    .await?;
    let noted = NewChange::of(ChangeKind::Tank, id.0);
    let noted = d.herd_id.map_or(noted, |herd| noted.herd(herd));
    change::note(tx, business, noted);
    Ok(())
}

/// One tank.
pub async fn find(tx: &mut Tx, business: BusinessId, id: TankId) -> Result<Option<Tank>> {
    tx.sql(concat!(
        "select t.id, ",
        tank_columns!(),
        ", t.created_at from tank t where t.business_id = $1 and t.id = $2"
    ))
    .bind(business)
    .bind(id)
    .optional()
    .await
}

/// One tank, and the zone of the herd whose it is.
pub async fn find_with_zone(
    tx: &mut Tx,
    business: BusinessId,
    id: TankId,
) -> Result<Option<(Tank, Option<TimeZone>)>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        #[sqlx(flatten)]
        tank: Tank,
        time_zone: Option<TimeZone>,
    }
    let row: Option<Row> = tx
        .sql(concat!(
            "select t.id, ",
            tank_columns!(),
            ", t.created_at, h.time_zone
             from tank t left join herd h on h.business_id = t.business_id and h.id = t.herd_id
             where t.business_id = $1 and t.id = $2"
        ))
        .bind(business)
        .bind(id)
        .optional()
        .await?;
    Ok(row.map(|Row { tank, time_zone }| (tank, time_zone)))
}

/// Tanks, oldest first; of one herd when it is named.
pub async fn list(tx: &mut Tx, business: BusinessId, herd: Option<HerdId>, page: Page) -> Result<Vec<Tank>> {
    tx.sql(concat!(
        "select t.id, ",
        tank_columns!(),
        ", t.created_at from tank t
         where t.business_id = $1 and t.id > $2 and ($4 is null or t.herd_id = $4)
         order by t.id limit $3",
    ))
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(herd)
    .all()
    .await
}

/// The highest canister of a tank in which straws hang.
pub async fn highest_canister_in_use(tx: &mut Tx, business: BusinessId, id: TankId) -> Result<Option<i64>> {
    let highest = tx
        .sql(
            "select max(p.canister) from place p
             join balance b on b.business_id = p.business_id and b.place_id = p.id
             where p.business_id = $1 and p.tank_id = $2 and b.straws > 0",
        )
        .bind(business)
        .bind(id)
        .value::<Option<i64>>()
        .await?;
    Ok(highest.flatten())
}
