//! The level of a tank's nitrogen is read, or the tank is topped up.
//!
//! Both are records of what happened, in any order; a wrong one stays to be seen and is superseded by another. Rejected
//! is only what cannot be: a level above full, a weight without a tare, a second record at one instant.

use chrono::TimeDelta;
use uuid::Uuid;

use crate::domain::{
    form::Fault,
    nitrogen::{
        level::{
            FROST_TELLS, Frost, Gauge, Gauged, LevelUnit, Measured, NewReading, NewRefill, NewRepair,
            Reading, Refill, Repair, centimetres_as_mm, rise_without_refill,
        },
        tank::Tank,
    },
    now::Now,
    rejection::Rejection,
    values::{Litres, ReadDepthMm, ReadingId, RefillId, RepairId, TankId, Timestamp},
};

/// A reading not older than this stands for the level before a refill of which none was told.
const STILL_TELLS: TimeDelta = TimeDelta::hours(24);

/// What is to be known before a reading or a refill is recorded.
#[derive(Debug)]
pub struct Facts {
    /// The tank.
    pub tank: Option<Tank>,
    /// The record that is to be superseded: whose tank it is of, and what superseded it already.
    pub superseded: Option<(TankId, Option<Uuid>)>,
    /// The record that stands at that very instant.
    pub at_that_instant: Option<Uuid>,
    /// The reading before it that stands.
    pub last: Option<(Timestamp, Measured)>,
    /// Whether a refill stands between that reading and this moment, both included.
    pub refilled: bool,
}

/// The reading as it is entered.
///
/// # Errors
/// The tank is not known, or cannot have that level; another reading stands at that instant; or the time lies far ahead.
pub fn reading(new: &NewReading, tank_id: TankId, facts: &Facts, now: Now) -> Result<Reading, Rejection> {
    let (read_at, ahead) = now.client_time(new.read_at, "read_at")?;
    let gauge = Gauge::of(&known(facts.tank.as_ref(), tank_id)?.details);
    let measured = new.measured();
    if let Some((field, measured)) = measured {
        gauge.check(measured).map_err(|wrong| invalid(field, wrong))?;
    }
    may_stand("reading", tank_id, new.supersedes.map(|id| id.0), facts, read_at)?;
    let measured = measured.map(|(_, measured)| measured);
    let of_level = measured.map(|measured| level_warnings(measured, &gauge, facts)).unwrap_or_default();
    Ok(Reading {
        id: ReadingId::new(),
        tank_id,
        read_at,
        measured,
        frost: new.frost,
        gauged: measured.map_or(Gauged::NONE, |measured| gauge.gauged(measured)),
        source: new.source,
        technician: new.technician.clone(),
        note: new.note.clone(),
        supersedes: new.supersedes,
        superseded_by: None,
        warnings: ahead.into_iter().chain(of_level).chain(new.frost.and_then(frost_warning)).collect(),
        recorded_at: now.now,
    })
}

/// What is to be said of a level against what was known before it.
fn level_warnings(measured: Measured, gauge: &Gauge, facts: &Facts) -> Vec<String> {
    let rise = facts.last.filter(|_| !facts.refilled).and_then(|(before_at, before)| {
        let (was, is) = gauge.depth_mm(before).zip(gauge.depth_mm(measured))?;
        rise_without_refill(was, is, before_at)
    });
    let last_mm = facts.last.and_then(|(_, before)| gauge.depth_mm(before));
    let expected_mm = last_mm.or(facts.tank.as_ref().and_then(|tank| tank.details.min_mm()));
    let unit = expected_mm.and_then(|expected| centimetres_as_mm(measured, expected, gauge.full_mm()));
    says_nothing(gauge, measured).into_iter().chain(rise).chain(unit).collect()
}

/// What to do about frost or sweat: the tank may be losing its vacuum.
fn frost_warning(frost: Frost) -> Option<String> {
    frost.is_alarming().then(|| {
        format!(
            "{FROST_TELLS} While any liquid is left straws may be sound: move them to a sound tank at once, and put what hangs \
             here on hold with POST /v1/holds until it is known. Gas displaces air without warning: open doors, gloves, face \
             shield; local codes go before this."
        )
    })
}

/// The refill as it is entered.
///
/// # Errors
/// The tank is not known, or cannot have those levels; it would have lowered the level; another refill stands at that
/// instant; or the time lies far ahead.
pub fn refill(new: &NewRefill, tank_id: TankId, facts: &Facts, now: Now) -> Result<Refill, Rejection> {
    let (filled_at, ahead) = now.client_time(new.filled_at, "filled_at")?;
    let gauge = Gauge::of(&known(facts.tank.as_ref(), tank_id)?.details);
    possible(new, &gauge).map_err(Rejection::Invalid)?;
    may_stand("refill", tank_id, new.supersedes.map(|id| id.0), facts, filled_at)?;
    raises(new, &gauge, facts.last, filled_at)?;
    let unread = new.depth_after_mm.is_none().then(|| {
        "The level after it is reckoned from the litres; read it with the rod when it has stopped boiling.".to_owned()
    });
    Ok(Refill {
        id: RefillId::new(),
        tank_id,
        filled_at,
        depth_before_mm: new.depth_before_mm,
        depth_after_mm: new.depth_after_mm,
        litres_added: new.litres_added,
        technician: new.technician.clone(),
        note: new.note.clone(),
        supersedes: new.supersedes,
        superseded_by: None,
        warnings: ahead.into_iter().chain(unread).collect(),
        recorded_at: now.now,
    })
}

/// The repair as it is entered.
///
/// # Errors
/// The tank is not known; what it supersedes is not its own or no longer stands; another repair stands at that instant;
/// or the time lies far ahead.
pub fn repair(new: &NewRepair, tank_id: TankId, facts: &Facts, now: Now) -> Result<Repair, Rejection> {
    let (repaired_at, ahead) = now.client_time(new.repaired_at, "repaired_at")?;
    known(facts.tank.as_ref(), tank_id)?;
    may_stand("repair", tank_id, new.supersedes.map(|id| id.0), facts, repaired_at)?;
    Ok(Repair {
        id: RepairId::new(),
        tank_id,
        repaired_at,
        kind: new.kind,
        technician: new.technician.clone(),
        note: new.note.clone(),
        supersedes: new.supersedes,
        superseded_by: None,
        recorded_at: now.now,
        warnings: ahead.into_iter().collect(),
    })
}

fn known(tank: Option<&Tank>, id: TankId) -> Result<&Tank, Rejection> {
    tank.ok_or(Rejection::Unknown { what: "tank", id: id.0, pointer: None })
}

/// Whether a record may stand at `at`, in the place of another where it names one.
fn may_stand(
    what: &'static str,
    tank: TankId,
    supersedes: Option<Uuid>,
    facts: &Facts,
    at: Timestamp,
) -> Result<(), Rejection> {
    if let Some(id) = supersedes {
        match facts.superseded {
            None => {
                return Err(Rejection::Unknown { what, id, pointer: Some("#/supersedes".to_owned()) });
            }
            Some((of, _)) if of != tank => return Err(invalid("supersedes", "is of another tank")),
            Some((_, Some(by))) => return Err(Rejection::AlreadySuperseded { by }),
            Some((_, None)) => {}
        }
    }
    match facts.at_that_instant.filter(|there| Some(*there) != supersedes) {
        Some(id) => Err(Rejection::AlreadyRecorded { what, id, at }),
        None => Ok(()),
    }
}

/// A reading that cannot be turned into a depth is kept and does not count yet.
fn says_nothing(gauge: &Gauge, measured: Measured) -> Option<String> {
    gauge.depth_mm(measured).is_none().then(|| {
        "The tank's chart, or its full_depth_mm and capacity_l, are not entered: the reading is kept and counts as soon \
         as they are."
            .to_owned()
    })
}

/// A refill does not leave the level below a reading that was taken shortly before it.
fn raises(
    new: &NewRefill,
    gauge: &Gauge,
    last: Option<(Timestamp, Measured)>,
    filled_at: Timestamp,
) -> Result<(), Rejection> {
    let (None, Some(after), Some((read_at, measured))) = (new.depth_before_mm, new.depth_after_mm, last)
    else {
        return Ok(());
    };
    match gauge.depth_mm(measured).filter(|_| filled_at.since(read_at) <= STILL_TELLS) {
        Some(before) if after.get() < before => Err(invalid(
            "depth_after_mm",
            format!(
                "is less than the {before:.0} mm that were read at {read_at}, and a refill does not lower the level; if \
                 the level had fallen since, say depth_before_mm too"
            ),
        )),
        _ => Ok(()),
    }
}

/// What a tank cannot take is rejected.
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

fn invalid(field: &str, detail: impl Into<String>) -> Rejection {
    Rejection::Invalid(vec![Fault::at(field, detail)])
}
