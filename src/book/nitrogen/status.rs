//! How a tank stands with its nitrogen: what is on record is gathered here, and the domain asked.

use std::collections::BTreeMap;

use chrono::TimeDelta;

use crate::{
    domain::{
        nitrogen::{
            self, LevelForecast, LevelHistory, Vessel,
            level::{Filling, Gauge, Measured, Record, SeenFrost},
            tank::Tank,
        },
        values::{BusinessId, Litres, ReadDepthMm, TankId, Timestamp},
    },
    store::{
        self, Tx,
        nitrogen::level::{Span, Tanks},
    },
};

/// How far back the record is read: five years. A watch that began later than the alarm would not know of it, so an alarm
/// stands for as long as this at most; a sensor's hourly readings of this span can still be read at once.
pub const LOOK_BACK: TimeDelta = TimeDelta::days(1826);

/// A tank with what is on record of its level.
#[derive(Clone, Debug)]
pub struct TankRecord {
    /// The tank.
    pub tank: Tank,
    /// What is on record in the time looked back on.
    pub record: Record,
}

/// What can be said of a tank at a moment, with all that it was said from.
#[derive(Clone, Debug)]
pub struct TankStatus {
    /// The moment.
    pub at: Timestamp,
    /// The tank as the mathematics sees it.
    pub vessel: Vessel,
    /// Its record as depths.
    pub history: LevelHistory,
    /// Readings that say nothing of depth yet, because the tank is not known well enough.
    pub unusable: usize,
    /// The last reading as it was taken, whether it could be used or not.
    pub last_read: Option<(Timestamp, Measured)>,
    /// Whether the level after the last refill is reckoned from litres, and no reading has told it yet.
    pub reckoned: bool,
    /// What can be said.
    pub outlook: LevelForecast,
}

impl TankRecord {
    /// What can be said of the tank at `at`.
    pub fn standing(&self, at: Timestamp) -> TankStatus {
        let vessel = self.tank.details.vessel();
        let (history, unusable) = self.record.history(&Gauge::of(&self.tank.details), &vessel);
        let outlook = nitrogen::outlook(&vessel, &history, at).with_frost(self.record.standing_frost());
        let last_read = self.record.readings.last().copied();
        let reckoned = self.record.refills.last().is_some_and(|refill| {
            refill.after_mm.is_none() && last_read.is_none_or(|(read_at, _)| read_at < refill.at)
        });
        TankStatus { at, vessel, history, unusable, last_read, reckoned, outlook }
    }
}

/// What can be said of a tank's nitrogen at `at`, from what is on record up to then.
pub async fn outlook(
    tx: &mut Tx,
    business: BusinessId,
    tank: &Tank,
    at: Timestamp,
) -> store::Result<LevelForecast> {
    Ok(record(tx, business, tank, at).await?.standing(at).outlook)
}

/// What is on record of a tank's level up to `at`.
pub async fn record(
    tx: &mut Tx,
    business: BusinessId,
    tank: &Tank,
    at: Timestamp,
) -> store::Result<TankRecord> {
    let mut records = records(tx, business, Tanks::one(tank.id), at).await?;
    Ok(TankRecord { tank: tank.clone(), record: records.remove(&tank.id).unwrap_or_default() })
}

/// The same of many tanks, which come in the order of their ids, in as many statements as for one.
pub async fn records_of(
    tx: &mut Tx,
    business: BusinessId,
    tanks: &[Tank],
    at: Timestamp,
) -> store::Result<Vec<TankRecord>> {
    let (Some(first), Some(last)) = (tanks.first(), tanks.last()) else { return Ok(Vec::new()) };
    let mut records = records(tx, business, Tanks { first: first.id, last: last.id }, at).await?;
    let of =
        |tank: &Tank| TankRecord { tank: tank.clone(), record: records.remove(&tank.id).unwrap_or_default() };
    Ok(tanks.iter().map(of).collect())
}

async fn records(
    tx: &mut Tx,
    business: BusinessId,
    tanks: Tanks,
    at: Timestamp,
) -> store::Result<BTreeMap<TankId, Record>> {
    let span = Span { from: at.plus(-LOOK_BACK), until: at };
    let mut records = BTreeMap::<TankId, Record>::new();
    for row in store::nitrogen::level::levels(tx, business, tanks, span).await? {
        let record = records.entry(row.tank_id).or_default();
        record.readings.extend(row.measured.map(|measured| (row.read_at, measured)));
        record.frost = row.frost.map(|frost| SeenFrost { seen_at: row.read_at, frost }).or(record.frost);
    }
    for row in store::nitrogen::level::moments(tx, business, tanks, span).await? {
        let record = records.entry(row.tank_id).or_default();
        match row.refill {
            None if row.repair_id.is_some() => record.repairs.push(row.at),
            None => record.moments.extend(row.openings()),
            Some(refill) => record.refills.push(Filling {
                at: refill.filled_at,
                before_mm: refill.depth_before_mm.map(ReadDepthMm::get),
                after_mm: refill.depth_after_mm.map(ReadDepthMm::get),
                added_l: refill.litres_added.map(Litres::get),
            }),
        }
    }
    Ok(records)
}
