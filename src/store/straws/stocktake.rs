//! Stocktakes.

use crate::{
    domain::{
        exchange::change::ChangeKind,
        straws::{
            place::Place,
            stocktake::{Lines, Stocktake},
        },
        values::{BusinessId, KeyId, LotId, StocktakeId, TankId, Timestamp},
    },
    store::{
        Page, Result, Tx,
        exchange::change::{self, NewChange},
        straws::place::place_columns,
    },
};

/// Enters a stocktake.
pub async fn add(tx: &mut Tx, business: BusinessId, by: KeyId, s: &Stocktake) -> Result<()> {
    tx.sql(
        "insert into stocktake (business_id, id, tank_id, canister, complete, as_of_seq, counted_at, technician, note,
                                lines, state, recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
    )
    .bind(business)
    .bind(s.id)
    .bind(s.tank_id)
    .bind(s.canister)
    .bind(s.complete)
    .bind(s.as_of_seq)
    .bind(s.counted_at)
    .bind(s.technician.clone())
    .bind(s.note.clone())
    .bind(s.lines.clone())
    .bind(s.state)
    .bind(s.recorded_at)
    .bind(by)
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Stocktake, s.id.0));
    Ok(())
}

macro_rules! stocktakes {
    ($rest:literal) => {
        concat!(
            "select k.id, k.tank_id, t.herd_id as tank_herd_id, k.canister, k.complete, k.as_of_seq, k.counted_at,
                    k.technician, k.note, k.lines, k.state, k.accepted_at, k.recorded_at
             from stocktake k join tank t on t.business_id = k.business_id and t.id = k.tank_id ",
            $rest
        )
    };
}

/// One stocktake.
pub async fn find(tx: &mut Tx, business: BusinessId, id: StocktakeId) -> Result<Option<Stocktake>> {
    tx.sql(stocktakes!("where k.business_id = $1 and k.id = $2")).bind(business).bind(id).optional().await
}

/// Stocktakes, oldest entry first; of one tank when it is named.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    tank: Option<TankId>,
    page: Page,
) -> Result<Vec<Stocktake>> {
    tx.sql(stocktakes!(
        "where k.business_id = $1 and k.id > $2 and ($4 is null or k.tank_id = $4) order by k.id limit $3"
    ))
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(tank)
    .all()
    .await
}

/// Its differences were posted.
pub async fn accept(
    tx: &mut Tx,
    business: BusinessId,
    id: StocktakeId,
    lines: &Lines,
    now: Timestamp,
) -> Result<()> {
    tx.sql(
        "update stocktake set state = 'accepted', accepted_at = $3, lines = $4
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(now)
    .bind(lines.clone())
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Stocktake, id.0));
    Ok(())
}

/// Lots and places in a tank of which the book was corrected after the line `seq`: by a count, or by the reversal of a line
/// at or before it.
pub async fn corrected_since(
    tx: &mut Tx,
    business: BusinessId,
    tank: TankId,
    seq: i64,
) -> Result<Vec<(LotId, Place)>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        lot_id: LotId,
        #[sqlx(flatten)]
        place: Place,
    }
    // Uses movement_by_kind.
    let rows: Vec<Row> = tx
        .sql(concat!(
            "select m.lot_id, ",
            place_columns!(),
            " from movement m
             join place p on p.business_id = m.business_id and p.id in (m.from_place_id, m.to_place_id)
             left join movement o on o.business_id = m.business_id and o.id = m.reverses_id
             where m.business_id = $1 and m.kind in ('count', 'reversal') and m.seq > $2 and p.tank_id = $3
               and (m.kind = 'count' or o.seq <= $2)"
        ))
        .bind(business)
        .bind(seq)
        .bind(tank)
        .all()
        .await?;
    Ok(rows.into_iter().map(|row| (row.lot_id, row.place)).collect())
}
