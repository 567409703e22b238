//! Does the 90 % interval hold the day on which the minimum is reached in nine cases of ten?

use tankside::domain::nitrogen::{
    filter::{Bank, Grid},
    forecast::reached_by,
    history::{Event, What},
    track::Track,
};

use super::tank::{Chance, Kind, STRAIGHT, Tank};

/// Refills seen before, and readings since the last of them.
#[derive(Clone, Copy, Debug)]
pub struct Cell {
    pub refills: u32,
    pub readings: u32,
}

/// Every cell of the table.
pub fn cells() -> impl Iterator<Item = Cell> {
    [0, 1, 3, 8]
        .into_iter()
        .flat_map(|refills| [1, 3, 5, 10].into_iter().map(move |readings| Cell { refills, readings }))
}

/// A tank at the reading at which it is asked, and in how many days it truly reaches its minimum.
pub struct Case {
    pub track: Track,
    pub min_mm: f64,
    pub days: f64,
}

impl Case {
    /// The chance, as predicted, that the minimum is reached by the day on which it is.
    pub fn predicted(&self) -> f64 {
        reached_by(&self.track.bank(), self.min_mm, self.days)
    }
}

/// One tank of a cell; none when it was empty before it could be asked.
pub fn case(seed: u64, number: u64, cell: Cell) -> Option<Case> {
    let mut chance = Chance::new(seed, number);
    let kind = Kind::any(&mut chance);
    let lasts = kind.lasts_days();
    let usual = chance.log_between(3.0, 28.0).min(lasts / 3.0);
    let mut tank = Tank::new(kind, chance);
    // A prior season, so that the day of the year is any.
    let before = tank.chance().between(0.0, 120.0);
    tank.pass(before, f64::NEG_INFINITY);
    let mut track = Track::new(Bank::new(tank.kind.prior(false), &Grid::forecast()));
    for segment in 0..=cell.refills {
        let last = segment == cell.refills;
        let gap = if last { usual.min(0.8 * lasts / f64::from(cell.readings)) } else { usual };
        let until_mm =
            tank.kind.min_mm + tank.chance().between(0.05, 0.5) * (tank.kind.full_mm - tank.kind.min_mm);
        take(&mut track, &tank.refill());
        if tank.chance().happens(0.3) {
            let wait = tank.chance().between(0.0, gap / 2.0);
            tank.pass(wait, f64::NEG_INFINITY);
        }
        take(&mut track, &tank.dip(0.0));
        let mut readings = 1;
        while if last { readings < cell.readings } else { tank.level_mm > until_mm } {
            let wait = gap * tank.chance().between(0.6, 1.4);
            if tank.pass(wait, if last { tank.kind.min_mm } else { f64::NEG_INFINITY }) {
                return None;
            }
            take(&mut track, &tank.dip(0.0));
            readings += 1;
        }
    }
    let asked = tank.now_days;
    let min_mm = tank.kind.min_mm;
    tank.pass(3650.0, min_mm);
    Some(Case { track, min_mm, days: tank.now_days - asked })
}

fn take(track: &mut Track, event: &Event) {
    track.pass(event.days, event.openings);
    match event.what {
        What::Refill => track.refill(),
        What::Repair => {}
        What::Read { level_mm, .. } => {
            track.read(STRAIGHT.sighting(level_mm));
        }
    }
}
