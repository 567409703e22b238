//! The level of a tank's nitrogen is read, or the tank is topped up.
//!
//! Both are records of what happened, in any order; a wrong one stays to be seen and is superseded
//! by another. Refused is only what cannot be: a level above full, a weight without a tare, a
//! second reading at one instant.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext},
        lookup,
    },
    domain::{
        form::Fault,
        nitrogen::level::{
            Gauge, LevelUnit, Measured, NewReading, NewRefill, NewRepair, Reading, Refill, Repair,
            centimetres_as_mm, rise_without_refill,
        },
        rejection::Rejection,
        values::{Litres, ReadDepthMm, ReadingId, RefillId, RepairId, TankId, Timestamp},
    },
    store::nitrogen::level,
};
use chrono::TimeDelta;

/// A reading not older than this is looked at at once for what it means now; a history that is brought along
/// is looked at with the next round.
const TELLS_OF_NOW: TimeDelta = TimeDelta::hours(24);

/// Records a reading.
pub struct ReadLevel {
    /// Of which tank.
    pub tank_id: TankId,
    /// What was read.
    pub new: NewReading,
}

impl Command for ReadLevel {
    type Done = Reading;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Reading, CommandError> {
        let new = &self.new;
        let (read_at, ahead) = lookup::client_time(new.read_at, cx, "read_at")?;
        let tank = lookup::tank(cx, self.tank_id, None).await?;
        let gauge = Gauge::of(&tank.details);
        let (field, measured) = new.measured().ok_or_else(|| invalid("depth_mm", "is required"))?;
        gauge.check(measured).map_err(|wrong| invalid(field, wrong))?;
        let business = cx.business();
        if let Some(wrong) = new.supersedes {
            let unknown =
                Rejection::Unknown { what: "reading", id: wrong.0, pointer: Some("#/supersedes".into()) };
            let before = level::reading(cx.tx, business, wrong).await?.ok_or(unknown)?;
            may_supersede(self.tank_id, before.tank_id, before.superseded_by.map(|by| by.0))?;
        }
        let there = level::reading_at(cx.tx, business, self.tank_id, read_at).await?;
        if let Some(there) = there.filter(|there| Some(*there) != new.supersedes) {
            return Err(Rejection::AlreadyRecorded { what: "reading", id: there.0, at: read_at }.into());
        }
        let reading = Reading {
            id: ReadingId::new(),
            tank_id: self.tank_id,
            read_at,
            measured,
            gauged: gauge.gauged(measured),
            source: new.source,
            technician: new.technician.clone(),
            note: new.note.clone(),
            supersedes: new.supersedes,
            superseded_by: None,
            warnings: Vec::new(),
            recorded_at: cx.now,
        };
        if let Some(wrong) = new.supersedes {
            level::supersede_reading(cx.tx, business, wrong, cx.now).await?;
        }
        let before = level::last_reading(cx.tx, business, reading.tank_id, reading.read_at).await?;
        let rise = rise(cx, &gauge, &reading, before.as_ref()).await?;
        let expected_mm = before.and_then(|before| gauge.depth_mm(before.measured)).or(tank.details.min_mm());
        let unit = expected_mm.and_then(|expected| centimetres_as_mm(measured, expected, gauge.full_mm()));
        level::add_reading(cx.tx, business, cx.caller.key_id, &reading).await?;
        if cx.now.since(read_at) <= TELLS_OF_NOW {
            cx.touched.tank(tank.id);
        }
        let warnings = ahead.into_iter().chain(says_nothing(&gauge, measured)).chain(rise).chain(unit).collect();
        Ok(Reading { warnings, ..reading })
    }
}

/// A level that rose without a refill is said.
async fn rise(
    cx: &mut CommandContext<'_>,
    gauge: &Gauge,
    reading: &Reading,
    before: Option<&Reading>,
) -> Result<Option<String>, CommandError> {
    let business = cx.business();
    let Some(before) = before else { return Ok(None) };
    let span = level::Span { from: before.read_at, until: reading.read_at };
    let tank = level::Tanks::one(reading.tank_id);
    if !level::fillings(cx.tx, business, tank, span).await?.is_empty() {
        return Ok(None);
    }
    let depths = gauge.depth_mm(before.measured).zip(gauge.depth_mm(reading.measured));
    Ok(depths.and_then(|(was, is)| rise_without_refill(was, is, before.read_at)))
}

/// A reading that cannot be turned into a depth is kept and does not count yet.
fn says_nothing(gauge: &Gauge, measured: Measured) -> Option<String> {
    gauge.depth_mm(measured).is_none().then(|| {
        "The tank's chart, or its full_depth_mm and capacity_l, are not entered: the reading is kept and counts as soon \
         as they are."
            .to_owned()
    })
}

/// Records a refill.
pub struct FillUp {
    /// Of which tank.
    pub tank_id: TankId,
    /// What was done.
    pub new: NewRefill,
}

impl Command for FillUp {
    type Done = Refill;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Refill, CommandError> {
        let new = &self.new;
        let (filled_at, ahead) = lookup::client_time(new.filled_at, cx, "filled_at")?;
        let tank = lookup::tank(cx, self.tank_id, None).await?;
        let gauge = Gauge::of(&tank.details);
        let business = cx.business();
        possible(new, &gauge).map_err(Rejection::Invalid)?;
        if let Some(wrong) = new.supersedes {
            let unknown =
                Rejection::Unknown { what: "refill", id: wrong.0, pointer: Some("#/supersedes".into()) };
            let before = level::refill(cx.tx, business, wrong).await?.ok_or(unknown)?;
            may_supersede(self.tank_id, before.tank_id, before.superseded_by.map(|by| by.0))?;
        }
        let there = level::refill_at(cx.tx, business, self.tank_id, filled_at).await?;
        if let Some(there) = there.filter(|there| Some(*there) != new.supersedes) {
            return Err(Rejection::AlreadyRecorded { what: "refill", id: there.0, at: filled_at }.into());
        }
        self.raises(cx, &gauge, filled_at).await?;
        let refill = Refill {
            id: RefillId::new(),
            tank_id: self.tank_id,
            filled_at,
            depth_before_mm: new.depth_before_mm,
            depth_after_mm: new.depth_after_mm,
            litres_added: new.litres_added,
            technician: new.technician.clone(),
            note: new.note.clone(),
            supersedes: new.supersedes,
            superseded_by: None,
            warnings: Vec::new(),
            recorded_at: cx.now,
        };
        if let Some(wrong) = new.supersedes {
            level::supersede_refill(cx.tx, business, wrong, cx.now).await?;
        }
        level::add_refill(cx.tx, business, cx.caller.key_id, &refill).await?;
        if cx.now.since(filled_at) <= TELLS_OF_NOW {
            cx.touched.tank(tank.id);
        }
        let unread = new.depth_after_mm.is_none().then(|| {
            "The level after it is reckoned from the litres; read it with the rod when it has stopped boiling.".to_owned()
        });
        Ok(Refill { warnings: ahead.into_iter().chain(unread).collect(), ..refill })
    }
}

/// A reading not older than this stands for the level before a refill of which none was told.
const STILL_TELLS: TimeDelta = TimeDelta::hours(24);

impl FillUp {
    /// A refill does not leave the level below a reading that was taken shortly before it.
    async fn raises(
        &self,
        cx: &mut CommandContext<'_>,
        gauge: &Gauge,
        filled_at: Timestamp,
    ) -> Result<(), CommandError> {
        let (None, Some(after)) = (self.new.depth_before_mm, self.new.depth_after_mm) else { return Ok(()) };
        let business = cx.business();
        let Some(last) = level::last_reading(cx.tx, business, self.tank_id, filled_at).await? else {
            return Ok(());
        };
        let told = gauge.depth_mm(last.measured).filter(|_| filled_at.since(last.read_at) <= STILL_TELLS);
        match told {
            Some(before) if after.get() < before => Err(invalid(
                "depth_after_mm",
                format!(
                    "is less than the {before:.0} mm that were read at {}, and a refill does not lower the level; if the \
                     level had fallen since, say depth_before_mm too",
                    last.read_at
                ),
            )
            .into()),
            _ => Ok(()),
        }
    }
}

/// Records that a tank was repaired or replaced.
pub struct RepairTank {
    /// Which tank.
    pub tank_id: TankId,
    /// What was done.
    pub new: NewRepair,
}

impl Command for RepairTank {
    type Done = Repair;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Repair, CommandError> {
        let new = &self.new;
        let (repaired_at, ahead) = lookup::client_time(new.repaired_at, cx, "repaired_at")?;
        let tank = lookup::tank(cx, self.tank_id, None).await?;
        let repair = Repair {
            id: RepairId::new(),
            tank_id: self.tank_id,
            repaired_at,
            kind: new.kind,
            technician: new.technician.clone(),
            note: new.note.clone(),
            recorded_at: cx.now,
            warnings: ahead.into_iter().collect(),
        };
        level::add_repair(cx.tx, cx.business(), cx.caller.key_id, &repair).await?;
        cx.touched.tank(tank.id);
        Ok(repair)
    }
}

/// What a tank cannot take is refused.
fn possible(new: &NewRefill, gauge: &Gauge) -> Result<(), Vec<Fault>> {
    let depth = |name, depth: Option<ReadDepthMm>| Some((name, depth?.get(), LevelUnit::Mm));
    let litres = |litres: Litres| ("litres_added", litres.get(), LevelUnit::Litre);
    let told = [
        depth("depth_before_mm", new.depth_before_mm),
        depth("depth_after_mm", new.depth_after_mm),
        new.litres_added.map(litres),
    ];
    let faults: Vec<_> = told
        .into_iter()
        .flatten()
        .filter_map(|(name, value, unit)| {
            gauge.check(Measured { value, unit }).err().map(|wrong| Fault::at(name, wrong))
        })
        .collect();
    if faults.is_empty() { Ok(()) } else { Err(faults) }
}

/// Whether a record may stand in the place of another.
fn may_supersede(tank: TankId, of: TankId, by: Option<uuid::Uuid>) -> Result<(), Rejection> {
    if of != tank {
        return Err(invalid("supersedes", "is of another tank"));
    }
    match by {
        Some(by) => Err(Rejection::AlreadySuperseded { by }),
        None => Ok(()),
    }
}

fn invalid(field: &str, detail: impl Into<String>) -> Rejection {
    Rejection::Invalid(vec![Fault::at(field, detail)])
}
