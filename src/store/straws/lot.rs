//! Lots.

use crate::{
    domain::{
        exchange::change::ChangeKind,
        straws::{
            lot::{Lot, LotDetails, LotStatus},
            semen::SemenType,
        },
        values::{BusinessId, HerdId, LotId, SireId},
    },
    store::{
        Page, Result, Tx,
        exchange::change::{self, NewChange},
    },
};

/// The columns of a lot `l`, as [`Lot`] reads them.
macro_rules! lot_columns {
    () => {
        "l.id as lot_id, l.sire_id as lot_sire_id, l.semen_type as lot_semen_type, l.batch as lot_batch,
         l.collected_on as lot_collected_on, l.collection_centre as lot_collection_centre,
         l.straw_volume as lot_straw_volume, l.sexed_percentage as lot_sexed_percentage, l.cost as lot_cost,
         l.thaw as lot_thaw, l.status as lot_status, l.owner_herd_id as lot_owner_herd_id, l.created_at as lot_created_at"
    };
}
pub(crate) use lot_columns;

/// Enters a lot.
pub async fn add(tx: &mut Tx, business: BusinessId, lot: &Lot) -> Result<()> {
    let d = &lot.details;
    tx.sql(
        "insert into lot (business_id, id, sire_id, semen_type, batch, collected_on, collection_centre,
                          straw_volume, sexed_percentage, cost, thaw, status, created_at, owner_herd_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)",
    )
    .bind(business)
    .bind(lot.id)
    .bind(d.sire_id)
    .bind(d.semen_type)
    .bind(d.batch.clone())
    .bind(d.collected_on)
    .bind(d.collection_centre.clone())
    .bind(d.straw_ml)
    .bind(d.sexed_percentage)
    .bind(d.cost.clone())
    .bind(d.thaw.clone())
    .bind(d.status)
    .bind(lot.created_at)
    .bind(d.owner_herd_id)
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Lot, lot.id.0));
    Ok(())
}

/// Changes what is said of a lot.
pub async fn change(tx: &mut Tx, business: BusinessId, id: LotId, d: &LotDetails) -> Result<()> {
    tx.sql(
        "update lot set sire_id = $3, semen_type = $4, batch = $5, collected_on = $6, collection_centre = $7,
                        straw_volume = $8, sexed_percentage = $9, cost = $10, thaw = $11, status = $12, owner_herd_id = $13
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(d.sire_id)
    .bind(d.semen_type)
    .bind(d.batch.clone())
    .bind(d.collected_on)
    .bind(d.collection_centre.clone())
    .bind(d.straw_ml)
    .bind(d.sexed_percentage)
    .bind(d.cost.clone())
    .bind(d.thaw.clone())
    .bind(d.status)
    .bind(d.owner_herd_id)
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Lot, id.0));
    Ok(())
}

/// One lot.
pub async fn find(tx: &mut Tx, business: BusinessId, id: LotId) -> Result<Option<Lot>> {
    tx.sql(concat!("select ", lot_columns!(), " from lot l where l.business_id = $1 and l.id = $2"))
        .bind(business)
        .bind(id)
        .optional()
        .await
}

/// Whether straws of the lot ever moved; then its sire and semen type are settled.
pub async fn has_moved(tx: &mut Tx, business: BusinessId, id: LotId) -> Result<bool> {
    let first = tx
        .sql("select seq from movement where business_id = $1 and lot_id = $2 order by seq limit 1")
        .bind(business)
        .bind(id)
        .value::<i64>()
        .await?;
    Ok(first.is_some())
}

/// Which lots a list shows; what is not said is not asked.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of this sire.
    pub sire: Option<SireId>,
    /// Of this semen type.
    pub semen_type: Option<SemenType>,
    /// In this state.
    pub status: Option<LotStatus>,
    /// Of this owner.
    pub owner_herd: Option<HerdId>,
}

/// Lots, oldest entry first.
pub async fn list(tx: &mut Tx, business: BusinessId, wanted: Wanted, page: Page) -> Result<Vec<Lot>> {
    macro_rules! filtered {
        ($leading:literal) => {
            concat!(
                "select ",
                lot_columns!(),
                " from lot l
                 where l.business_id = $1 and l.id > $2 and ",
                $leading,
                " and ($4 is null or l.sire_id = $4) and ($5 is null or l.semen_type = $5)
                   and ($6 is null or l.status = $6) and ($7 is null or l.owner_herd_id = $7)
                 order by l.id limit $3",
            )
        };
    }
    tx.sql(if wanted.sire.is_some() {
        // lot_by_sire.
        filtered!("l.sire_id = $4")
    } else if wanted.owner_herd.is_some() {
        // lot_by_owner.
        filtered!("l.owner_herd_id = $7")
    } else if wanted.status.is_some()
        && (wanted.status != Some(LotStatus::Usable) || wanted.semen_type.is_none())
    {
        // lot_by_status: most are usable.
        filtered!("l.status = $6")
    } else if wanted.semen_type.is_some() {
        // lot_by_semen_type.
        filtered!("l.semen_type = $5")
    } else {
        // The primary key.
        filtered!("$4 is null")
    })
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(wanted.sire)
    .bind(wanted.semen_type)
    .bind(wanted.status)
    .bind(wanted.owner_herd)
    .all()
    .await
}
