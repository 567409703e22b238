//! What hangs where.

use uuid::Uuid;

use crate::{
    domain::{
        straws::{place::Place, semen::SemenType, stock::Stock},
        values::{BusinessId, Canister, HerdId, LotId, SireId, TankId},
    },
    store::{
        Result, Tx,
        db::Sql,
        ids::{ids_in, json_ids},
        straws::{lot::lot_columns, place::place_columns, sire::sire_columns},
    },
};

/// What hung of a balance `b` at a line of the ledger: what the last line up to it that touched the place left there.
macro_rules! held_at {
    ($seq:literal) => {
        concat!(
            "coalesce((select case when m.to_place_id = b.place_id then m.to_held else m.from_left end
                       from movement m
                       where m.business_id = b.business_id and m.lot_id = b.lot_id and m.seq <= ",
            $seq,
            "            and (m.from_place_id = b.place_id or m.to_place_id = b.place_id)
                       order by m.seq desc limit 1), 0)"
        )
    };
}

/// Why straws in a canister of a tank are not to be used, if so.
macro_rules! on_hold {
    ($tank:literal, $canister:literal) => {
        concat!(
            "(select d.reason from hold d
              where d.business_id = $1 and d.tank_id = ",
            $tank,
            " and (d.canister is null or d.canister = ",
            $canister,
            ") and d.lifted_at is null order by d.id limit 1)"
        )
    };
}
pub(in crate::store) use on_hold;

macro_rules! stock {
    ($rest:expr) => {
        stock!("b.straws", $rest)
    };
    ($straws:expr, $rest:expr) => {
        concat!(
            "select ",
            lot_columns!(),
            ", ",
            sire_columns!(),
            ", ",
            place_columns!(),
            ", p.id as place_id, ",
            $straws,
            " as straws, t.name as tank_name, t.herd_id as tank_herd_id, ",
            on_hold!("p.tank_id", "p.canister"),
            " as on_hold,
              (select o.name from herd o where o.business_id = $1 and o.id = l.owner_herd_id) as owner_herd_name
             from balance b
             join lot l on l.business_id = b.business_id and l.id = b.lot_id
             join place p on p.business_id = b.business_id and p.id = b.place_id
             join tank t on t.business_id = p.business_id and t.id = p.tank_id
             join sire s on s.business_id = l.business_id and s.id = l.sire_id ",
            $rest
        )
    };
}

/// The oldest collection first; of a lot, a herd's own tank before the technician's. Ordered here and not by
/// the database, because PostgreSQL sorts marks by the language of its locale and SQLite does not.
pub(in crate::store) fn in_order_of_use(mut stock: Vec<Stock>) -> Vec<Stock> {
    stock.sort_by_cached_key(|Stock { lot, place, tank_herd_id: herd, .. }| {
        let collected_on = lot.details.collected_on;
        ((collected_on.is_none(), collected_on), lot.id, (herd.is_none(), *herd), place.clone())
    });
    stock
}

/// All stock of one lot, in the order in which it should be used.
pub async fn of_lot(tx: &mut Tx, business: BusinessId, lot: LotId) -> Result<Vec<Stock>> {
    let stock = tx.sql(stock!("where b.business_id = $1 and b.lot_id = $2 and b.straws > 0"));
    stock.bind(business).bind(lot).all().await.map(in_order_of_use)
}

/// Which places count where stock is asked.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Held {
    /// Where straws hang.
    #[default]
    Now,
    /// Also where they hung once.
    Ever,
}

impl Held {
    /// The fewest straws that a place must hold.
    pub(in crate::store) fn least(self) -> i64 {
        match self {
            Self::Now => 1,
            Self::Ever => 0,
        }
    }
}

/// All stock of one sire, in the order in which it should be used: the oldest collection first.
pub async fn of_sire(tx: &mut Tx, business: BusinessId, sire: SireId, held: Held) -> Result<Vec<Stock>> {
    let stock = tx.sql(stock!("where l.business_id = $1 and l.sire_id = $2 and b.straws >= $3"));
    stock.bind(business).bind(sire).bind(held.least()).all().await.map(in_order_of_use)
}

/// All stock, in the order in which it should be used.
pub async fn all(tx: &mut Tx, business: BusinessId) -> Result<Vec<Stock>> {
    tx.sql(stock!("where b.business_id = $1 and b.straws > 0"))
        .bind(business)
        .all()
        .await
        .map(in_order_of_use)
}

/// All stock within reach of a herd: in its own tanks and the technician's, in the order in which
/// it should be used.
pub async fn for_herd(tx: &mut Tx, business: BusinessId, herd: HerdId) -> Result<Vec<Stock>> {
    let stock =
        tx.sql(stock!("where b.business_id = $1 and b.straws > 0 and (t.herd_id is null or t.herd_id = $2)"));
    stock.bind(business).bind(herd).all().await.map(in_order_of_use)
}

/// All stock within reach of a herd, and that of these sires wherever it hangs, in the order in which it should be used.
pub async fn for_herd_and_of(
    tx: &mut Tx,
    business: BusinessId,
    herd: HerdId,
    sires: &[SireId],
) -> Result<Vec<Stock>> {
    macro_rules! found {
        ($database:ident) => {
            stock!(concat!(
                "where b.business_id = $1 and b.straws > 0
                   and (t.herd_id is null or t.herd_id = $2 or l.sire_id ",
                ids_in!($database, "$3"),
                ")"
            ))
        };
    }
    let stock = tx.sql_for(found!(sqlite), found!(postgres));
    stock.bind(business).bind(herd).bind(json_ids(sires)).all().await.map(in_order_of_use)
}

/// Which stock a list shows; what is not said is not asked.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// In this tank.
    pub tank: Option<TankId>,
    /// Of this sire.
    pub sire: Option<SireId>,
    /// Of this lot.
    pub lot: Option<LotId>,
    /// Of this semen type.
    pub semen_type: Option<SemenType>,
    /// Of this herd's own lots.
    pub owner_herd: Option<HerdId>,
    /// Of these herds' own lots and of nobody's; of all when `None`.
    pub herds: Option<Vec<HerdId>>,
    /// In these tanks; in all when `None`.
    pub tanks: Option<Vec<TankId>>,
}

impl Wanted {
    /// Binds what `where_wanted!` asks for, after the business.
    fn bind<'c>(&self, sql: Sql<'c>) -> Sql<'c> {
        sql.bind(self.tank)
            .bind(self.sire)
            .bind(self.lot)
            .bind(self.semen_type)
            .bind(self.owner_herd)
            .bind(self.herds.as_deref().map(json_ids))
            .bind(self.tanks.as_deref().map(json_ids))
    }
}

/// What is asked for of a balance `b` at a place `p` of a lot `l`; `$1` is the business, `$2` to `$8` are the fields of [`Wanted`].
macro_rules! where_wanted {
    ($database:ident) => {
        concat!(
            "where b.business_id = $1 and b.straws > 0
               and ($2 is null or p.tank_id = $2) and ($3 is null or l.sire_id = $3)
               and ($4 is null or b.lot_id = $4) and ($5 is null or l.semen_type = $5)
               and ($6 is null or l.owner_herd_id = $6)
               and ($7 is null or l.owner_herd_id is null or l.owner_herd_id ",
            ids_in!($database, "$7"),
            ") and ($8 is null or p.tank_id ",
            ids_in!($database, "$8"),
            ")"
        )
    };
}

/// Stock by lot and place; the cursor is a lot and a place.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    wanted: &Wanted,
    after: (Uuid, Uuid),
    limit: i64,
) -> Result<Vec<Stock>> {
    macro_rules! listed {
        ($database:ident) => {
            stock!(concat!(
                where_wanted!($database),
                " and (b.lot_id, b.place_id) > ($9, $10) order by b.lot_id, b.place_id limit $11"
            ))
        };
    }
    let sql = tx.sql_for(listed!(sqlite), listed!(postgres)).bind(business);
    wanted.bind(sql).bind(after.0).bind(after.1).bind(limit).all().await
}

/// What hung where at the line `seq` of the ledger, by lot and place. Places that were empty then are told too, so a short page is the last.
pub async fn at(
    tx: &mut Tx,
    business: BusinessId,
    seq: i64,
    after: (Uuid, Uuid),
    limit: i64,
) -> Result<Vec<Stock>> {
    tx.sql(stock!(
        held_at!("$2"),
        "where b.business_id = $1 and (b.lot_id, b.place_id) > ($3, $4)
         order by b.lot_id, b.place_id limit $5"
    ))
    .bind(business)
    .bind(seq)
    .bind(after.0)
    .bind(after.1)
    .bind(limit)
    .all()
    .await
}

/// How many straws the whole of such a list holds.
pub async fn total(tx: &mut Tx, business: BusinessId, wanted: &Wanted) -> Result<i64> {
    macro_rules! total {
        ($database:ident) => {
            concat!(
                "select cast(coalesce(sum(b.straws), 0) as bigint)
                 from balance b
                 join lot l on l.business_id = b.business_id and l.id = b.lot_id
                 join place p on p.business_id = b.business_id and p.id = b.place_id ",
                where_wanted!($database)
            )
        };
    }
    let sql = tx.sql_for(total!(sqlite), total!(postgres)).bind(business);
    let total = wanted.bind(sql).value().await?;
    Ok(total.unwrap_or(0))
}

/// What hung of a lot at a place in a tank, or in one canister of it, at the line `seq` of the ledger.
pub async fn balances_at(
    tx: &mut Tx,
    business: BusinessId,
    tank: TankId,
    canister: Option<Canister>,
    seq: i64,
) -> Result<Vec<(LotId, Place, i64)>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        lot_id: LotId,
        #[sqlx(flatten)]
        place: Place,
        straws: i64,
    }
    // Uses place_in_tank, balance_by_place and movement_by_lot.
    let rows: Vec<Row> = tx
        .sql(concat!(
            "select b.lot_id, ",
            place_columns!(),
            ", ",
            held_at!("$4"),
            " as straws
             from place p
             join balance b on b.business_id = p.business_id and b.place_id = p.id
             where p.business_id = $1 and p.tank_id = $2 and ($3 is null or p.canister = $3)"
        ))
        .bind(business)
        .bind(tank)
        .bind(canister)
        .bind(seq)
        .all()
        .await?;
    Ok(rows.into_iter().map(|row| (row.lot_id, row.place, row.straws)).collect())
}
