//! Nitrogen: readings of the level and refills, and when a tank was opened.

use sqlx::types::Json;
use uuid::Uuid;

use crate::{
    domain::{
        nitrogen::{
            level::{Frost, LevelUnit, Measured, Reading, Refill, Repair},
            read_level::Facts,
            tank::Tank,
        },
        row::{Joined, LeftJoin},
        values::{BusinessId, KeyId, Litres, ReadDepthMm, ReadingId, RefillId, RepairId, TankId, Timestamp},
    },
    store::{Page, Result, Tx, nitrogen::tank::tank_columns},
};

/// A moment and the one after the last of a span.
#[derive(Clone, Copy, Debug)]
pub struct Span {
    /// Not before this.
    pub from: Timestamp,
    /// Not after this.
    pub until: Timestamp,
}

/// Tanks whose ids lie in this range, both ends included.
#[derive(Clone, Copy, Debug)]
pub struct Tanks {
    /// The first.
    pub first: TankId,
    /// The last.
    pub last: TankId,
}

impl Tanks {
    /// One tank.
    pub fn one(tank: TankId) -> Self {
        Self { first: tank, last: tank }
    }

    /// The statement for one tank, which an index follows down to the instant, or that for a range of them.
    fn pick(self, one: &'static str, range: &'static str) -> &'static str {
        if self.first == self.last { one } else { range }
    }
}

#[derive(sqlx::FromRow)]
struct FactsRow {
    #[sqlx(flatten, try_from = "LeftJoin<Tank>")]
    tank: Option<Tank>,
    superseded_of: Option<TankId>,
    superseded_by: Option<Uuid>,
    at_that_instant: Option<Uuid>,
    last_read_at: Option<Timestamp>,
    last_measured: Option<f64>,
    last_unit: Option<LevelUnit>,
    refilled: bool,
}

impl From<FactsRow> for Facts {
    fn from(row: FactsRow) -> Self {
        let measured = row.last_measured.zip(row.last_unit).map(|(value, unit)| Measured { value, unit });
        Self {
            tank: row.tank,
            superseded: row.superseded_of.map(|of| (of, row.superseded_by)),
            at_that_instant: row.at_that_instant,
            last: row.last_read_at.zip(measured),
            refilled: row.refilled,
        }
    }
}

/// What is to be known before a record of `$table` is entered that was taken at `$at`.
macro_rules! before {
    ($table:literal, $at:literal) => {
        concat!(
            "select t.id, ",
            tank_columns!(),
            ", t.created_at, s.tank_id as superseded_of, u.id as superseded_by, x.id as at_that_instant,
                    l.read_at as last_read_at, l.measured as last_measured, l.unit as last_unit,
                    exists (select 1 from nitrogen_refill f
                            where f.business_id = $1 and f.tank_id = $2 and f.filled_at between l.read_at and $3
                              and f.superseded_at is null) as refilled
             from business b
             left join tank t on t.business_id = b.id and t.id = $2
             left join ", $table, " s on s.business_id = b.id and s.id = $4
             left join ", $table, " u on u.business_id = b.id and u.supersedes_id = s.id
             left join ", $table, " x on x.business_id = b.id and x.tank_id = $2 and x.", $at, " = $3
                       and x.superseded_at is null
             left join nitrogen_reading l on l.business_id = b.id and l.tank_id = $2 and l.superseded_at is null
                       and l.read_at = (select max(r.read_at) from nitrogen_reading r
                                        where r.business_id = $1 and r.tank_id = $2 and r.read_at < $3
                                          and r.superseded_at is null and r.measured is not null)
             where b.id = $1"
        )
    };
}

/// What is to be known before a reading is entered.
pub async fn before_reading(
    tx: &mut Tx,
    business: BusinessId,
    tank: TankId,
    read_at: Timestamp,
    supersedes: Option<ReadingId>,
) -> Result<Facts> {
    // Uses nitrogen_reading_at and nitrogen_refill_at.
    let sql = tx.sql(before!("nitrogen_reading", "read_at"));
    sql.bind(business).bind(tank).bind(read_at).bind(supersedes).one::<FactsRow>().await.map(Facts::from)
}

/// What is to be known before a refill is entered.
pub async fn before_refill(
    tx: &mut Tx,
    business: BusinessId,
    tank: TankId,
    filled_at: Timestamp,
    supersedes: Option<RefillId>,
) -> Result<Facts> {
    let sql = tx.sql(before!("nitrogen_refill", "filled_at"));
    sql.bind(business).bind(tank).bind(filled_at).bind(supersedes).one::<FactsRow>().await.map(Facts::from)
}

/// What is to be known before a repair is entered.
pub async fn before_repair(
    tx: &mut Tx,
    business: BusinessId,
    tank: TankId,
    repaired_at: Timestamp,
    supersedes: Option<RepairId>,
) -> Result<Facts> {
    let sql = tx.sql(before!("tank_repair", "repaired_at"));
    sql.bind(business).bind(tank).bind(repaired_at).bind(supersedes).one::<FactsRow>().await.map(Facts::from)
}

/// Enters a reading; the one that it supersedes no longer stands.
pub async fn write_reading(tx: &mut Tx, business: BusinessId, by: KeyId, r: &Reading) -> Result<()> {
    // PostgreSQL must have put the old one aside before the new one may stand at the same instant.
    tx.sql_for(
        "update nitrogen_reading set superseded_at = $11 where business_id = $1 and id = $10;
         insert into nitrogen_reading (business_id, id, tank_id, read_at, measured, unit, source, technician, note,
                                       supersedes_id, recorded_at, recorded_by, frost)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
        "with old as (update nitrogen_reading set superseded_at = $11 where business_id = $1 and id = $10 returning id)
         insert into nitrogen_reading (business_id, id, tank_id, read_at, measured, unit, source, technician, note,
                                       supersedes_id, recorded_at, recorded_by, frost)
         select $1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13 from (select count(*) from old) as put_aside",
    )
    .bind(business)
    .bind(r.id)
    .bind(r.tank_id)
    .bind(r.read_at)
    .bind(r.measured.map(|measured| measured.value))
    .bind(r.measured.map(|measured| measured.unit))
    .bind(r.source)
    .bind(r.technician.clone())
    .bind(r.note.clone())
    .bind(r.supersedes)
    .bind(r.recorded_at)
    .bind(by)
    .bind(r.frost)
    .run()
    .await
    .map(drop)
}

macro_rules! readings {
    ($rest:literal) => {
        concat!(
            "select r.id, r.tank_id, r.read_at, r.measured, r.unit, r.frost, r.source, r.technician, r.note, r.supersedes_id,
                    s.id as superseded_by, r.recorded_at, ",
            tank_columns!(),
            "
             from nitrogen_reading r
             join tank t on t.business_id = r.business_id and t.id = r.tank_id
             left join nitrogen_reading s on s.business_id = r.business_id and s.supersedes_id = r.id ",
            $rest
        )
    };
}

/// One reading.
pub async fn reading(tx: &mut Tx, business: BusinessId, id: ReadingId) -> Result<Option<Reading>> {
    tx.sql(readings!("where r.business_id = $1 and r.id = $2")).bind(business).bind(id).optional().await
}

/// The readings of a tank in the order of entry; those taken from `from` on and before `to`, where said.
pub async fn readings(
    tx: &mut Tx,
    business: BusinessId,
    tank: TankId,
    (from, to): (Option<Timestamp>, Option<Timestamp>),
    page: Page,
) -> Result<Vec<Reading>> {
    tx.sql(readings!(
        "where r.business_id = $1 and r.tank_id = $4 and r.id > $2
           and ($5 is null or r.read_at >= $5) and ($6 is null or r.read_at < $6)
         order by r.id limit $3"
    ))
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(tank)
    .bind(from)
    .bind(to)
    .all()
    .await
}

/// The readings of all tanks in the order of entry.
pub async fn all_readings(tx: &mut Tx, business: BusinessId, page: Page) -> Result<Vec<Reading>> {
    tx.sql(readings!("where r.business_id = $1 and r.id > $2 order by r.id limit $3"))
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .all()
        .await
}

/// Enters a refill; the one that it supersedes no longer stands.
pub async fn write_refill(tx: &mut Tx, business: BusinessId, by: KeyId, r: &Refill) -> Result<()> {
    tx.sql_for(
        "update nitrogen_refill set superseded_at = $11 where business_id = $1 and id = $10;
         insert into nitrogen_refill (business_id, id, tank_id, filled_at, depth_before_mm, depth_after_mm, added_l,
                                      technician, note, supersedes_id, recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)",
        "with old as (update nitrogen_refill set superseded_at = $11 where business_id = $1 and id = $10 returning id)
         insert into nitrogen_refill (business_id, id, tank_id, filled_at, depth_before_mm, depth_after_mm, added_l,
                                      technician, note, supersedes_id, recorded_at, recorded_by)
         select $1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12 from (select count(*) from old) as put_aside",
    )
    .bind(business)
    .bind(r.id)
    .bind(r.tank_id)
    .bind(r.filled_at)
    .bind(r.depth_before_mm)
    .bind(r.depth_after_mm)
    .bind(r.litres_added)
    .bind(r.technician.clone())
    .bind(r.note.clone())
    .bind(r.supersedes)
    .bind(r.recorded_at)
    .bind(by)
    .run()
    .await
    .map(drop)
}

macro_rules! refills {
    ($rest:literal) => {
        concat!(
            "select r.id, r.tank_id, r.filled_at, r.depth_before_mm, r.depth_after_mm, r.added_l, r.technician, r.note,
                    r.supersedes_id, s.id as superseded_by, r.recorded_at
             from nitrogen_refill r
             left join nitrogen_refill s on s.business_id = r.business_id and s.supersedes_id = r.id ",
            $rest
        )
    };
}

/// One refill.
pub async fn refill(tx: &mut Tx, business: BusinessId, id: RefillId) -> Result<Option<Refill>> {
    tx.sql(refills!("where r.business_id = $1 and r.id = $2")).bind(business).bind(id).optional().await
}

/// The refills of a tank in the order of entry; those from `from` on and before `to`, where said.
pub async fn refills(
    tx: &mut Tx,
    business: BusinessId,
    tank: TankId,
    (from, to): (Option<Timestamp>, Option<Timestamp>),
    page: Page,
) -> Result<Vec<Refill>> {
    tx.sql(refills!(
        "where r.business_id = $1 and r.tank_id = $4 and r.id > $2
           and ($5 is null or r.filled_at >= $5) and ($6 is null or r.filled_at < $6)
         order by r.id limit $3"
    ))
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(tank)
    .bind(from)
    .bind(to)
    .all()
    .await
}

/// The refills of all tanks in the order of entry.
pub async fn all_refills(tx: &mut Tx, business: BusinessId, page: Page) -> Result<Vec<Refill>> {
    tx.sql(refills!("where r.business_id = $1 and r.id > $2 order by r.id limit $3"))
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .all()
        .await
}

/// Enters a repair or replacement; the one that it supersedes no longer stands.
pub async fn write_repair(tx: &mut Tx, business: BusinessId, by: KeyId, r: &Repair) -> Result<()> {
    tx.sql_for(
        "update tank_repair set superseded_at = $8 where business_id = $1 and id = $10;
         insert into tank_repair (business_id, id, tank_id, repaired_at, kind, technician, note, recorded_at, recorded_by,
                                  supersedes_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
        "with old as (update tank_repair set superseded_at = $8 where business_id = $1 and id = $10 returning id)
         insert into tank_repair (business_id, id, tank_id, repaired_at, kind, technician, note, recorded_at, recorded_by,
                                  supersedes_id)
         select $1, $2, $3, $4, $5, $6, $7, $8, $9, $10 from (select count(*) from old) as put_aside",
    )
    .bind(business)
    .bind(r.id)
    .bind(r.tank_id)
    .bind(r.repaired_at)
    .bind(r.kind)
    .bind(r.technician.clone())
    .bind(r.note.clone())
    .bind(r.recorded_at)
    .bind(by)
    .bind(r.supersedes)
    .run()
    .await
    .map(drop)
}

macro_rules! repairs {
    ($rest:literal) => {
        concat!(
            "select r.id, r.tank_id, r.repaired_at, r.kind, r.technician, r.note, r.supersedes_id, s.id as superseded_by,
                    r.recorded_at
             from tank_repair r
             left join tank_repair s on s.business_id = r.business_id and s.supersedes_id = r.id ",
            $rest
        )
    };
}

/// The repairs of a tank in the order of entry; those from `from` on and before `to`, where said.
pub async fn repairs(
    tx: &mut Tx,
    business: BusinessId,
    tank: TankId,
    (from, to): (Option<Timestamp>, Option<Timestamp>),
    page: Page,
) -> Result<Vec<Repair>> {
    tx.sql(repairs!(
        "where r.business_id = $1 and r.tank_id = $4 and r.id > $2
           and ($5 is null or r.repaired_at >= $5) and ($6 is null or r.repaired_at < $6)
         order by r.id limit $3"
    ))
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(tank)
    .bind(from)
    .bind(to)
    .all()
    .await
}

/// The repairs of all tanks in the order of entry.
pub async fn all_repairs(tx: &mut Tx, business: BusinessId, page: Page) -> Result<Vec<Repair>> {
    tx.sql(repairs!("where r.business_id = $1 and r.id > $2 order by r.id limit $3"))
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .all()
        .await
}

/// A level that was read and still stands.
#[derive(Clone, Copy, Debug, sqlx::FromRow)]
pub struct LevelRow {
    /// Of which tank.
    pub tank_id: TankId,
    /// When.
    pub read_at: Timestamp,
    /// What was read, if the level was.
    #[sqlx(flatten, try_from = "LeftJoin<Measured>")]
    pub measured: Option<Measured>,
    /// What was seen on the tank.
    pub frost: Option<Frost>,
}

/// The readings of tanks that still stand, tank by tank in order of time.
pub async fn levels(tx: &mut Tx, business: BusinessId, tanks: Tanks, span: Span) -> Result<Vec<LevelRow>> {
    // Uses nitrogen_reading_at.
    macro_rules! levels {
        ($tanks:literal) => {
            concat!(
                "select tank_id, read_at, measured, unit, frost from nitrogen_reading
                 where business_id = $1 and ",
                $tanks,
                " and read_at between $4 and $5 and superseded_at is null
                 order by tank_id, read_at"
            )
        };
    }
    tx.sql(tanks.pick(levels!("tank_id = $2 and tank_id = $3"), levels!("tank_id between $2 and $3")))
        .bind(business)
        .bind(tanks.first)
        .bind(tanks.last)
        .bind(span.from)
        .bind(span.until)
        .all()
        .await
}

/// A refill that still stands.
#[derive(Clone, Copy, Debug, sqlx::FromRow)]
pub struct RefillRow {
    /// Of which tank.
    pub tank_id: TankId,
    /// When.
    pub filled_at: Timestamp,
    /// Depth before.
    pub depth_before_mm: Option<ReadDepthMm>,
    /// Depth after.
    pub depth_after_mm: Option<ReadDepthMm>,
    /// Litres that went in.
    #[sqlx(rename = "added_l")]
    pub litres_added: Option<Litres>,
}

/// A refill, a repair, or all times that the plug came off.
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct MomentRow {
    /// Of which tank.
    pub tank_id: TankId,
    /// When; of the openings the first.
    #[sqlx(rename = "filled_at")]
    pub at: Timestamp,
    /// The repair.
    pub repair_id: Option<RepairId>,
    /// The refill.
    #[sqlx(flatten, try_from = "LeftJoin<RefillRow>")]
    pub refill: Option<RefillRow>,
    opened: Option<Json<Vec<i64>>>,
}

impl MomentRow {
    /// When it was opened, in order of time, an instant as often as it stands in the ledger; nothing for a refill or a repair.
    pub fn openings(self) -> impl Iterator<Item = Timestamp> {
        let mut micros = self.opened.map_or_else(Vec::new, |opened| opened.0);
        micros.sort_unstable();
        micros.into_iter().filter_map(Timestamp::from_micros)
    }
}

impl Joined for RefillRow {
    const KEY: &'static str = "refill_id";
}

/// The refills of tanks that still stand and their repairs, in order of time, and when they were opened, as the ledger knows it: straws
/// went out or in, or were counted. A movement that was undone did not happen and its reversal is only written. The openings of a tank
/// come in one row: a technician opens it tens of thousands of times in five years, and a row costs more than what stands in it.
pub async fn moments(tx: &mut Tx, business: BusinessId, tanks: Tanks, span: Span) -> Result<Vec<MomentRow>> {
    // Uses nitrogen_refill_at, tank_repair_at, movement_out_of, movement_into, stocktake_of_tank.
    macro_rules! moments {
        ($none:literal, $opened:literal) => {
            concat!(
                "select tank_id, filled_at, id as refill_id, null as repair_id, depth_before_mm, depth_after_mm, added_l, ",
                $none,
                " as opened
                 from nitrogen_refill
                 where business_id = $1 and tank_id between $2 and $3 and filled_at between $4 and $5
                   and superseded_at is null
                 union all
                 select tank_id, repaired_at, null, id, null, null, null, null from tank_repair
                 where business_id = $1 and tank_id between $2 and $3 and repaired_at between $4 and $5
                   and superseded_at is null and kind <> 'not_done'
                 union all
                 select tank_id, min(opened_at), null, null, null, null, null, ",
                $opened,
                " from (
                     select p.tank_id, m.occurred_at as opened_at
                     from place p join movement m on m.business_id = p.business_id and m.from_place_id = p.id
                     where p.business_id = $1 and p.tank_id between $2 and $3 and m.from_left is not null
                       and m.occurred_at between $4 and $5 and m.kind not in ('reversal', 'count')
                       and not exists (select 1 from movement u
                                       where u.business_id = m.business_id and u.reverses_id = m.id)
                     union all
                     select p.tank_id, m.occurred_at
                     from place p join movement m on m.business_id = p.business_id and m.to_place_id = p.id
                     where p.business_id = $1 and p.tank_id between $2 and $3 and m.to_held is not null
                       and m.occurred_at between $4 and $5 and m.kind not in ('reversal', 'count')
                       and not exists (select 1 from movement u
                                       where u.business_id = m.business_id and u.reverses_id = m.id)
                     union all
                     select s.tank_id, s.counted_at from stocktake s
                     where s.business_id = $1 and s.tank_id between $2 and $3 and s.counted_at between $4 and $5
                 ) as opened
                 group by tank_id
                 order by 1, 2"
            )
        };
    }
    tx.sql_for(
        moments!("null", "json_group_array(opened_at)"),
        moments!("null::json", "json_agg((extract(epoch from opened_at) * 1000000)::bigint)"),
    )
    .bind(business)
    .bind(tanks.first)
    .bind(tanks.last)
    .bind(span.from)
    .bind(span.until)
    .all()
    .await
}
