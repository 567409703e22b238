//! How often is a sound tank called failing, and how long does a failing one go unnoticed?

use tankside::domain::nitrogen::{history::Event, watch::Watch};

use super::tank::{Chance, Kind, STRAIGHT, Tank};

/// How a tank is read.
#[derive(Clone, Copy, Debug)]
pub struct Habit {
    /// Days between two readings.
    pub every_days: f64,
    /// Whether a sensor reads it.
    pub sensor: bool,
    /// Share of readings that are wrong by 30 to 150 mm.
    pub wrong: f64,
    /// Whether a second reading is taken the next day when the service asks for one.
    pub reads_again: bool,
}

/// What came of it.
#[derive(Clone, Debug, Default)]
pub struct Told {
    /// Alarms in that time.
    pub false_alarms: usize,
    /// Times in which a second reading was asked for in that time.
    pub asked: usize,
    /// Days from the failure to the alarm.
    pub noticed_after: Option<f64>,
    /// Days from the failure to the alarm or the first time a second reading was asked for.
    pub asked_after: Option<f64>,
    /// Whether the level was below the minimum before the alarm.
    pub too_late: bool,
}

/// Watches a sound tank for `sound_days`, then its shut loss rises to `times` what it was for 250 days more (1: it does
/// not). None when the tank is of a kind that nobody would read so rarely.
pub fn watched(seed: u64, number: u64, habit: Habit, sound_days: f64, times: f64) -> Option<Told> {
    let mut chance = Chance::new(seed, number);
    let kind = Kind::any(&mut chance);
    if kind.lasts_days() < 2.0 * habit.every_days {
        return None;
    }
    let min_mm = kind.min_mm;
    let spare_mm = (kind.full_mm - min_mm) / kind.lasts_days() * habit.every_days;
    let mut watch = Watch::new(kind.prior(true), true);
    let mut tank = Tank::new(kind, chance);
    tank.pass(30.0, f64::NEG_INFINITY);
    let began = tank.now_days;
    let fails_at = began + sound_days + tank.chance().between(0.0, habit.every_days);
    let mut told = Told::default();
    let mut take = |event: Event, told: &mut Told| {
        let (alarms, asked) = (watch.alarms.len(), watch.asked.len());
        watch.take(&event, STRAIGHT);
        let after = event.at_days - fails_at;
        if watch.asked.len() > asked {
            if after < 0.0 {
                told.asked += 1;
            } else {
                told.asked_after.get_or_insert(after);
            }
        }
        if watch.alarms.len() > alarms {
            if after < 0.0 {
                told.false_alarms += 1;
            } else {
                told.asked_after.get_or_insert(after);
                told.noticed_after.get_or_insert(after);
            }
        }
        // A false alarm that stands would hide the true one.
        (watch.doubts_low(), watch.standing().is_some())
    };
    let mut again = false;
    let refilled = tank.refill();
    take(refilled, &mut told);
    let mut standing = false;
    loop {
        let wait = if again { 1.0 } else { habit.every_days * tank.chance().between(0.8, 1.2) };
        if times > 1.0 && tank.failing < times && tank.now_days + wait >= fails_at {
            if standing {
                return None;
            }
            let sound = (fails_at - tank.now_days).max(0.0);
            tank.pass(sound, f64::NEG_INFINITY);
            tank.fail(times);
            tank.pass(wait - sound, f64::NEG_INFINITY);
        } else {
            tank.pass(wait, f64::NEG_INFINITY);
        }
        let failed = tank.failing > 1.0;
        if failed && told.noticed_after.is_none() && tank.level_mm < min_mm {
            told.too_late = true;
        }
        let over = if times > 1.0 { fails_at + 250.0 } else { fails_at };
        if tank.now_days >= over || told.noticed_after.is_some() {
            return Some(told);
        }
        let event = if habit.sensor {
            tank.sense()
        } else {
            let off = if tank.chance().happens(habit.wrong) {
                let off = tank.chance().between(30.0, 150.0);
                if tank.chance().happens(0.5) { off } else { -off }
            } else {
                0.0
            };
            tank.dip(off)
        };
        let (doubts, stands) = take(event, &mut told);
        standing = stands;
        again = doubts && habit.reads_again && !again;
        // Filled up when it might not last until the next reading.
        if tank.level_mm < min_mm + 1.5 * spare_mm {
            let refilled = tank.refill();
            take(refilled, &mut told);
            let after = if habit.sensor { tank.sense() } else { tank.dip(0.0) };
            take(after, &mut told);
        }
    }
}
