//! Places in tanks.

use serde_json::json;

use crate::{
    domain::{
        row::LeftJoin,
        straws::{lot::Lot, place::Place, posting::PlaceStock},
        values::{BusinessId, Canister, LotId, Name, PlaceId},
    },
    store::{Result, Tx, straws::lot::lot_columns},
};

/// The columns of a place `p` in a tank, as [`Place`] reads them.
macro_rules! place_columns {
    () => {
        "p.tank_id, p.canister, p.cane, p.goblet"
    };
}
pub(crate) use place_columns;

#[derive(sqlx::FromRow)]
struct Row {
    #[sqlx(flatten, try_from = "LeftJoin<Lot>")]
    lot: Option<Lot>,
    tank_name: Option<Name>,
    tank_canisters: Option<Canister>,
    place_id: Option<PlaceId>,
    held: i64,
}

macro_rules! stock_at_all {
    ($asked:literal, $lot:literal, $tank:literal, $canister:literal, $order:literal) => {
        concat!(
            "select ",
            lot_columns!(),
            ", t.name as tank_name, t.canisters as tank_canisters, p.id as place_id, coalesce(b.straws, 0) as held
             from ",
            $asked,
            " left join lot l on l.business_id = $1 and l.id = ", $lot,
            " left join tank t on t.business_id = $1 and t.id = ", $tank,
            " left join place p on p.business_id = $1 and p.tank_id = ", $tank, " and p.canister = ", $canister,
            "                  and p.cane = q.value ->> 3 and p.goblet = q.value ->> 4
              left join balance b on b.business_id = $1 and b.lot_id = l.id and b.place_id = p.id
              order by ",
            $order
        )
    };
}

/// Each lot, if it is known, and what hangs of it at a place; in the order in which they are asked for.
pub async fn stock_at_all(
    tx: &mut Tx,
    business: BusinessId,
    asked: &[(LotId, &Place)],
) -> Result<Vec<(Option<Lot>, PlaceStock)>> {
    let mark = |mark: Option<&str>| mark.unwrap_or_default().to_owned();
    let rows = asked.iter().map(|(lot, place)| {
        json!([lot, place.tank_id, place.canister, mark(place.cane.said()), mark(place.goblet.said())])
    });
    let rows = rows.collect::<serde_json::Value>().to_string();
    // Uses place_in_tank.
    let found: Vec<Row> = tx
        .sql_for(
            stock_at_all!(
                "json_each($2) as q",
                "unhex(q.value ->> 0, '-')",
                "unhex(q.value ->> 1, '-')",
                "q.value ->> 2",
                "q.key"
            ),
            stock_at_all!(
                "json_array_elements($2::json) with ordinality as q(value, key)",
                "(q.value ->> 0)::uuid",
                "(q.value ->> 1)::uuid",
                "(q.value ->> 2)::bigint",
                "q.key"
            ),
        )
        .bind(business)
        .bind(rows)
        .all()
        .await?;
    let stock = |row: Row, place: &Place| {
        let Row { lot, tank_name, tank_canisters, place_id: id, held } = row;
        (lot, PlaceStock { place: place.clone(), id, held, tank: tank_name.zip(tank_canisters) })
    };
    Ok(found.into_iter().zip(asked).map(|(row, (_, place))| stock(row, place)).collect())
}

/// The lot, if it is known, and what hangs of it at one place.
pub async fn stock_at(
    tx: &mut Tx,
    business: BusinessId,
    lot: LotId,
    place: &Place,
) -> Result<(Option<Lot>, PlaceStock)> {
    let mut found = stock_at_all(tx, business, &[(lot, place)]).await?;
    found.pop().ok_or(crate::store::Error::Database(sqlx::Error::RowNotFound))
}
