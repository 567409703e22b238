//! The ledger: places, balances and the movements between them.
//!
//! A balance is kept in the transaction that writes its movement and can never go below zero:
//! the update tests and takes in one step, and the table refuses a negative number. Movements
//! are only added.

use uuid::Uuid;

use crate::{
    domain::{
        exchange::change::ChangeKind,
        straws::{
            movement::{Movement, MovementKind},
            place::{Place, PlaceKind},
            semen::SemenType,
            stock::Stock,
        },
        values::{
            AnimalId, BusinessId, Canister, ExposureSeconds, HerdId, KeyId, LotId, MovementId, Note, PlaceId,
            SireId, StocktakeId, Straws, TankId, Technician, Timestamp, WithdrawalId,
        },
    },
    store::{
        Result, Tx,
        access::business,
        db::Sql,
        exchange::change::{self, NewChange},
        straws::{lot::lot_columns, sire::sire_columns},
    },
};

/// The columns of a place `p` in a tank, as [`Place`] reads them.
macro_rules! place_columns {
    () => {
        "p.tank_id, p.canister, p.cane, p.goblet"
    };
}
pub(crate) use place_columns;

/// Both balances, the line and the business's counter, for SQLite, after statements of the caller's own.
macro_rules! line_sqlite {
    ($before:literal) => {
        concat!(
            $before,
            "update balance set straws = straws - $5 where business_id = $1 and lot_id = $2 and place_id = $3;
             insert into balance (business_id, lot_id, place_id, straws) select $1, $2, $4, $5 where $7
             on conflict (business_id, lot_id, place_id) do update set straws = balance.straws + excluded.straws;
             insert into movement (business_id, lot_id, from_place_id, to_place_id, straws, from_left, to_held, seq,
                                   recorded_at, id, kind, occurred_at, recorded_by, technician, withdrawal_id,
                                   stocktake_id, reverses_id, reason, exposure_s, note)
             values ($1, $2, $3, $4, $5, $6,
                     (select straws from balance where business_id = $1 and lot_id = $2 and place_id = $4 and $7),
                     $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20);
             update business set movement_seq = $8, last_recorded_at = $9 where id = $1"
        )
    };
}

/// The same for PostgreSQL, before a statement of the caller's own.
macro_rules! line_postgres {
    ($after:literal) => {
        concat!(
            "with took as (
                 update balance set straws = straws - $5 where business_id = $1 and lot_id = $2 and place_id = $3),
             put as (
                 insert into balance (business_id, lot_id, place_id, straws) select $1, $2, $4, $5 where $7
                 on conflict (business_id, lot_id, place_id) do update set straws = balance.straws + excluded.straws
                 returning straws),
             line as (
                 insert into movement (business_id, lot_id, from_place_id, to_place_id, straws, from_left, to_held, seq,
                                       recorded_at, id, kind, occurred_at, recorded_by, technician, withdrawal_id,
                                       stocktake_id, reverses_id, reason, exposure_s, note)
                 values ($1, $2, $3, $4, $5, $6, (select straws from put), $8, $9, $10, $11, $12, $13, $14, $15, $16,
                         $17, $18, $19, $20)),
             counted as (update business set movement_seq = $8, last_recorded_at = $9 where id = $1) ",
            $after
        )
    };
}
pub(in crate::store) use {line_postgres, line_sqlite};

/// The id of a place in a tank, if straws ever hung there.
pub async fn find_place(tx: &mut Tx, business: BusinessId, place: &Place) -> Result<Option<PlaceId>> {
    tx.sql(
        "select id from place
         where business_id = $1 and tank_id = $2 and canister = $3 and cane = $4 and goblet = $5",
    )
    .bind(business)
    .bind(place.tank_id)
    .bind(place.canister)
    .bind(place.cane.clone())
    .bind(place.goblet.clone())
    .value()
    .await
}

/// The id of a place in a tank, entered if it is new.
pub async fn ensure_place(tx: &mut Tx, business: BusinessId, place: &Place) -> Result<PlaceId> {
    if let Some(id) = find_place(tx, business, place).await? {
        return Ok(id);
    }
    let id = PlaceId::new();
    tx.sql(
        "insert into place (business_id, id, kind, tank_id, canister, cane, goblet)
         values ($1, $2, 'tank', $3, $4, $5, $6)",
    )
    .bind(business)
    .bind(id)
    .bind(place.tank_id)
    .bind(place.canister)
    .bind(place.cane.clone())
    .bind(place.goblet.clone())
    .run()
    .await?;
    Ok(id)
}

/// The id of an outside place, entered if it is new.
async fn outside(tx: &mut Tx, business: BusinessId, kind: PlaceKind) -> Result<PlaceId> {
    let known = business::state(tx, business).await?.outside;
    if let Some((_, id)) = known.into_iter().find(|(known, _)| *known == kind) {
        return Ok(id);
    }
    let id = PlaceId::new();
    tx.sql(
        "insert into place (business_id, id, kind, tank_id, canister, cane, goblet)
         values ($1, $2, $3, null, 0, '', '')",
    )
    .bind(business)
    .bind(id)
    .bind(kind)
    .run()
    .await?;
    business::forget_state(tx, business);
    Ok(id)
}

/// The place of that id, when it is in a tank.
pub async fn place(tx: &mut Tx, business: BusinessId, id: PlaceId) -> Result<Option<Place>> {
    tx.sql(
        "select tank_id, canister, cane, goblet from place
         where business_id = $1 and id = $2 and tank_id is not null",
    )
    .bind(business)
    .bind(id)
    .optional()
    .await
}

/// Straws of a lot at a place.
pub async fn held(tx: &mut Tx, business: BusinessId, lot: LotId, place: PlaceId) -> Result<i64> {
    let held = tx
        .sql("select straws from balance where business_id = $1 and lot_id = $2 and place_id = $3")
        .bind(business)
        .bind(lot)
        .bind(place)
        .value()
        .await?;
    Ok(held.unwrap_or(0))
}

/// One end of a movement to be written.
#[derive(Clone, Copy, Debug)]
pub enum Whereabouts {
    /// At a place in a tank, whose balance is kept.
    In(PlaceId),
    /// Outside.
    Outside(PlaceKind),
}

/// A movement to be written.
#[derive(Clone, Debug)]
pub struct Entry {
    /// Why.
    pub kind: MovementKind,
    /// Whose straws.
    pub lot: LotId,
    /// From where.
    pub from: Whereabouts,
    /// To where.
    pub to: Whereabouts,
    /// How many.
    pub straws: Straws,
    /// When it happened, as the client tells it.
    pub occurred_at: Timestamp,
    /// Who did it.
    pub technician: Option<Technician>,
    /// What it belongs to.
    pub cause: Cause,
    /// A reason from the list of its kind.
    pub reason: Option<&'static str>,
    /// Seconds above the frost line.
    pub exposure: Option<ExposureSeconds>,
    /// A remark.
    pub note: Option<Note>,
}

/// What a movement belongs to.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cause {
    /// A straw's way out.
    pub withdrawal: Option<WithdrawalId>,
    /// A stocktake.
    pub stocktake: Option<StocktakeId>,
    /// The movement that is undone.
    pub reverses: Option<MovementId>,
}

impl Cause {
    /// Of a withdrawal.
    pub fn withdrawal(id: WithdrawalId) -> Self {
        Self { withdrawal: Some(id), ..Self::default() }
    }
}

/// Moves straws: both balances and the line of the ledger. `None` when so many do not hang where they
/// are to be taken from; then nothing was changed.
pub async fn write(
    tx: &mut Tx,
    business: BusinessId,
    by: KeyId,
    now: Timestamp,
    entry: Entry,
) -> Result<Option<MovementId>> {
    let left = match entry.from {
        Whereabouts::Outside(_) => None,
        Whereabouts::In(place) => {
            let left = held(tx, business, entry.lot, place).await? - entry.straws.get();
            if left < 0 {
                return Ok(None);
            }
            Some(left)
        }
    };
    let line = Line::next(tx, business, by, now, entry, left).await?;
    let id = line.id;
    line.bind(tx.sql_for(line_sqlite!(""), line_postgres!("select 1"))).run().await?;
    change::note(tx, business, NewChange::of(ChangeKind::Movement, id.0));
    Ok(Some(id))
}

/// A line of the ledger about to be written. Whoever writes it has seen under the lock that so many straws hang
/// where they are taken from.
pub(in crate::store) struct Line {
    business: BusinessId,
    by: KeyId,
    pub(in crate::store) id: MovementId,
    seq: i64,
    recorded_at: Timestamp,
    from: PlaceId,
    to: PlaceId,
    left: Option<i64>,
    to_tank: bool,
    entry: Entry,
}

impl Line {
    /// The next line; `left` is what hangs there when it was taken, where it is taken from a tank.
    pub(in crate::store) async fn next(
        tx: &mut Tx,
        business: BusinessId,
        by: KeyId,
        now: Timestamp,
        entry: Entry,
        left: Option<i64>,
    ) -> Result<Self> {
        let from = place_id(tx, business, entry.from).await?;
        let to = place_id(tx, business, entry.to).await?;
        let to_tank = matches!(entry.to, Whereabouts::In(_));
        let (seq, recorded_at) = business::next_line(tx, business, now).await?;
        Ok(Self { business, by, id: MovementId::new(), seq, recorded_at, from, to, left, to_tank, entry })
    }

    /// Gives `$1` to `$20` of [`line_sqlite`] and [`line_postgres`] their values.
    pub(in crate::store) fn bind<'c>(&self, sql: Sql<'c>) -> Sql<'c> {
        let entry = &self.entry;
        sql.bind(self.business)
            .bind(entry.lot)
            .bind(self.from)
            .bind(self.to)
            .bind(entry.straws)
            .bind(self.left)
            .bind(self.to_tank)
            .bind(self.seq)
            .bind(self.recorded_at)
            .bind(self.id)
            .bind(entry.kind)
            .bind(entry.occurred_at)
            .bind(self.by)
            .bind(entry.technician.clone())
            .bind(entry.cause.withdrawal)
            .bind(entry.cause.stocktake)
            .bind(entry.cause.reverses)
            .bind(entry.reason)
            .bind(entry.exposure)
            .bind(entry.note.clone())
    }
}

async fn place_id(tx: &mut Tx, business: BusinessId, end: Whereabouts) -> Result<PlaceId> {
    match end {
        Whereabouts::In(place) => Ok(place),
        Whereabouts::Outside(kind) => outside(tx, business, kind).await,
    }
}

macro_rules! movements {
    ($rest:expr) => {
        concat!(
            "select m.id, m.seq, m.kind, m.lot_id, m.straws, m.occurred_at, m.recorded_at, m.recorded_by,
                    m.technician, m.withdrawal_id, m.stocktake_id, m.reverses_id as reverses, r.id as reversed_by,
                    m.reason, m.exposure_s, m.note, m.from_left, m.to_held,
                    f.kind as from_kind, f.tank_id as from_tank, f.canister as from_canister,
                    f.cane as from_cane, f.goblet as from_goblet,
                    t.kind as to_kind, t.tank_id as to_tank, t.canister as to_canister,
                    t.cane as to_cane, t.goblet as to_goblet
             from movement m
             join place f on f.business_id = m.business_id and f.id = m.from_place_id
             join place t on t.business_id = m.business_id and t.id = m.to_place_id
             left join movement r on r.business_id = m.business_id and r.reverses_id = m.id ",
            $rest
        )
    };
}

/// One movement.
pub async fn movement(tx: &mut Tx, business: BusinessId, id: MovementId) -> Result<Option<Movement>> {
    tx.sql(movements!("where m.business_id = $1 and m.id = $2")).bind(business).bind(id).optional().await
}

/// Which movements a list shows; what is not said is not asked.
#[derive(Clone, Debug, Default)]
pub struct WantedMovements {
    /// Of this lot.
    pub lot: Option<LotId>,
    /// Of this sire.
    pub sire: Option<SireId>,
    /// Out of or into this tank.
    pub tank: Option<TankId>,
    /// Of this kind.
    pub kind: Option<MovementKind>,
    /// For this animal.
    pub animal: Option<AnimalId>,
    /// By this technician.
    pub technician: Option<Technician>,
    /// That happened not before this.
    pub from: Option<Timestamp>,
    /// That happened before this.
    pub to: Option<Timestamp>,
}

/// Movements after the line `after`, in the order of the book.
pub async fn movements(
    tx: &mut Tx,
    business: BusinessId,
    wanted: &WantedMovements,
    after: i64,
    limit: i64,
) -> Result<Vec<Movement>> {
    // One leading condition, said so that each text follows an index: movement_by_withdrawal for an
    // animal, movement_by_lot, or the primary key. The other filters are looked at along the way.
    macro_rules! filtered {
        ($leading:literal) => {
            movements!(concat!(
                "where m.business_id = $1 and ",
                $leading,
                " and ($5 is null or m.lot_id in (select l.id from lot l where l.business_id = $1 and l.sire_id = $5))
               and ($6 is null or f.tank_id = $6 or t.tank_id = $6) and ($7 is null or m.kind = $7)
               and ($9 is null or m.technician = $9)
               and ($10 is null or m.occurred_at >= $10) and ($11 is null or m.occurred_at < $11)
             order by m.seq limit $3"
            ))
        };
    }
    let sql = if wanted.animal.is_some() {
        filtered!(
            // So joined that SQLite too begins with the animal's withdrawals.
            "m.seq in (select x.seq from withdrawal w cross join movement x
                       where w.business_id = $1 and w.animal_id = $8 and x.business_id = w.business_id
                         and x.withdrawal_id = w.id and x.withdrawal_id is not null and x.seq > $2)
             and ($4 is null or m.lot_id = $4)"
        )
    } else if wanted.lot.is_some() {
        filtered!("m.lot_id = $4 and m.seq > $2 and $8 is null")
    } else {
        filtered!("m.seq > $2 and $4 is null and $8 is null")
    };
    tx.sql(sql)
        .bind(business)
        .bind(after)
        .bind(limit)
        .bind(wanted.lot)
        .bind(wanted.sire)
        .bind(wanted.tank)
        .bind(wanted.kind)
        .bind(wanted.animal)
        .bind(wanted.technician.clone())
        .bind(wanted.from)
        .bind(wanted.to)
        .all()
        .await
}

/// The movement that took a withdrawal's straws out of the tank.
pub async fn of_withdrawal(tx: &mut Tx, business: BusinessId, id: WithdrawalId) -> Result<Option<Movement>> {
    // Uses movement_by_withdrawal.
    tx.sql(movements!("where m.business_id = $1 and m.withdrawal_id = $2 and m.kind = 'withdrawal'"))
        .bind(business)
        .bind(id)
        .optional()
        .await
}

/// What hangs in a tank, or in one canister of it, at the line `seq` of the ledger: what hangs there
/// now, less what came since, plus what went.
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
    let rows: Vec<Row> = tx
        .sql(
            "select x.lot_id, p.tank_id, p.canister, p.cane, p.goblet, cast(sum(x.straws) as bigint) as straws
             from (select lot_id, place_id, straws from balance where business_id = $1
                   union all
                   select lot_id, to_place_id, -straws from movement where business_id = $1 and seq > $4
                   union all
                   select lot_id, from_place_id, straws from movement where business_id = $1 and seq > $4) as x
             join place p on p.business_id = $1 and p.id = x.place_id
             where p.tank_id = $2 and ($3 is null or p.canister = $3)
             group by x.lot_id, p.tank_id, p.canister, p.cane, p.goblet",
        )
        .bind(business)
        .bind(tank)
        .bind(canister)
        .bind(seq)
        .all()
        .await?;
    Ok(rows.into_iter().map(|row| (row.lot_id, row.place, row.straws)).collect())
}

macro_rules! stock {
    ($rest:literal) => {
        stock!("b.straws", $rest)
    };
    ($straws:literal, $rest:literal) => {
        concat!(
            "select ",
            lot_columns!(),
            ", ",
            sire_columns!(),
            ", ",
            place_columns!(),
            ", p.id as place_id, ",
            $straws,
            " as straws, t.name as tank_name, t.herd_id as tank_herd_id
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
pub(super) fn in_order_of_use(mut stock: Vec<Stock>) -> Vec<Stock> {
    stock.sort_by_cached_key(|Stock { lot, place, tank_herd_id: herd, .. }| {
        let collected_on = lot.details.collected_on;
        ((collected_on.is_none(), collected_on), lot.id, (herd.is_none(), *herd), place.clone())
    });
    stock
}

/// All stock of one lot, in the order in which it should be used.
pub async fn stock_of_lot(tx: &mut Tx, business: BusinessId, lot: LotId) -> Result<Vec<Stock>> {
    let stock = tx.sql(stock!("where b.business_id = $1 and b.lot_id = $2 and b.straws > 0"));
    stock.bind(business).bind(lot).all().await.map(in_order_of_use)
}

/// All stock of one sire, in the order in which it should be used: the oldest collection first.
pub async fn stock_of_sire(tx: &mut Tx, business: BusinessId, sire: SireId) -> Result<Vec<Stock>> {
    let stock = tx.sql(stock!("where l.business_id = $1 and l.sire_id = $2 and b.straws > 0"));
    stock.bind(business).bind(sire).all().await.map(in_order_of_use)
}

/// All stock within reach of a herd: in its own tanks and the technician's, in the order in which
/// it should be used.
pub async fn stock_for_herd(tx: &mut Tx, business: BusinessId, herd: HerdId) -> Result<Vec<Stock>> {
    let stock =
        tx.sql(stock!("where b.business_id = $1 and b.straws > 0 and (t.herd_id is null or t.herd_id = $2)"));
    stock.bind(business).bind(herd).all().await.map(in_order_of_use)
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
}

/// Stock by lot and place; the cursor is a lot and a place.
pub async fn stock(
    tx: &mut Tx,
    business: BusinessId,
    wanted: &Wanted,
    after: (Uuid, Uuid),
    limit: i64,
) -> Result<Vec<Stock>> {
    tx.sql(stock!(
        "where b.business_id = $1 and (b.lot_id, b.place_id) > ($2, $3) and b.straws > 0
           and ($5 is null or p.tank_id = $5) and ($6 is null or l.sire_id = $6)
           and ($7 is null or b.lot_id = $7) and ($8 is null or l.semen_type = $8)
         order by b.lot_id, b.place_id limit $4"
    ))
    .bind(business)
    .bind(after.0)
    .bind(after.1)
    .bind(limit)
    .bind(wanted.tank)
    .bind(wanted.sire)
    .bind(wanted.lot)
    .bind(wanted.semen_type)
    .all()
    .await
}

/// What hung where at the line `seq` of the ledger, by lot and place: what hangs there now, plus what went
/// since, less what came. Places that were empty then are told too, so a short page is the last.
pub async fn stock_at(
    tx: &mut Tx,
    business: BusinessId,
    seq: i64,
    after: (Uuid, Uuid),
    limit: i64,
) -> Result<Vec<Stock>> {
    // The sum uses movement_by_lot and is mostly empty.
    tx.sql(stock!(
        "b.straws + cast(coalesce((
             select sum(case when m.from_place_id = b.place_id then m.straws else -m.straws end)
             from movement m
             where m.business_id = b.business_id and m.lot_id = b.lot_id and m.seq > $2
               and (m.from_place_id = b.place_id or m.to_place_id = b.place_id)), 0) as bigint)",
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
    let total = tx
        .sql(
            "select cast(coalesce(sum(b.straws), 0) as bigint)
             from balance b
             join lot l on l.business_id = b.business_id and l.id = b.lot_id
             join place p on p.business_id = b.business_id and p.id = b.place_id
             where b.business_id = $1
               and ($2 is null or p.tank_id = $2) and ($3 is null or l.sire_id = $3)
               and ($4 is null or b.lot_id = $4) and ($5 is null or l.semen_type = $5)",
        )
        .bind(business)
        .bind(wanted.tank)
        .bind(wanted.sire)
        .bind(wanted.lot)
        .bind(wanted.semen_type)
        .value()
        .await?;
    Ok(total.unwrap_or(0))
}
