//! Tries many tanks and prints what came of it.

use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use super::{
    coverage::{case, cells},
    detection::{Habit, Told, watched},
    lifelike::{self, Population, Reader},
};
use tankside::domain::nitrogen::forecast::days_until;

const SEED: u64 = 1898;

/// Does `of` for numbers from 0 until `wanted` of them gave something, on all processors; in the order of the numbers.
fn many<T: Send>(wanted: usize, of: impl Fn(u64) -> Option<T> + Sync) -> Vec<T> {
    let next = AtomicU64::new(0);
    let found = Mutex::new(Vec::new());
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while found.lock().expect("nobody panics").len() < wanted {
                    let number = next.fetch_add(1, Ordering::Relaxed);
                    if let Some(one) = of(number) {
                        found.lock().expect("nobody panics").push((number, one));
                    }
                }
            });
        }
    });
    let mut found = found.into_inner().expect("nobody panics");
    found.sort_by_key(|(number, _)| *number);
    found.truncate(wanted);
    found.into_iter().map(|(_, one)| one).collect()
}

#[expect(clippy::cast_precision_loss, reason = "thousands of tanks")]
fn share(part: usize, of: usize) -> f64 {
    part as f64 / of.max(1) as f64
}

fn median(mut numbers: Vec<f64>) -> f64 {
    numbers.sort_by(f64::total_cmp);
    numbers.get(numbers.len() / 2).copied().unwrap_or(f64::NAN)
}

pub fn coverage(tanks: usize) {
    println!("90 % interval of the day on which the minimum is reached, {tanks} tanks a row\n");
    println!(
        "| refills, readings | coverage | too early | too late | half are narrower than |\n|---|---|---|---|---|"
    );
    for cell in cells() {
        let cases = many(tanks, |number| {
            let case = case(SEED, number, cell)?;
            let width = (number % 10 == 0).then(|| {
                let bank = case.track.bank();
                let at = |chance| days_until(&bank, case.min_mm, chance).unwrap_or(3650.0);
                (at(0.95) - at(0.05)) / case.days
            });
            Some((case.predicted(), width))
        });
        let early = cases.iter().filter(|(chance, _)| *chance < 0.05).count();
        let late = cases.iter().filter(|(chance, _)| *chance > 0.95).count();
        let width = median(cases.iter().filter_map(|(_, width)| *width).collect());
        println!(
            "| {}, {} | {:.3} | {:.3} | {:.3} | {width:.2} x the time left |",
            cell.refills,
            cell.readings,
            share(tanks - early - late, tanks),
            share(early, tanks),
            share(late, tanks)
        );
    }
}

fn habit(every_days: f64) -> Habit {
    Habit { every_days, sensor: false, wrong: 0.0, reads_again: false }
}

pub const EVERY: [f64; 6] = [0.5, 1.0, 3.0, 7.0, 14.0, 28.0];

/// False alarms and delays in tanks as they may be in use; a debug build does 100 tanks a row in some minutes.
pub fn lifelike(tanks: usize) {
    println!(
        "\nFalse alarms a tank-year, {tanks} tanks a row, a year each; days to the alarm when the loss doubles\n"
    );
    println!(
        "| tanks | openings | read every | false alarms | x2: median | x2 found in 30 d | alarm ended, loss still x2 |"
    );
    println!("|---|---|---|---|---|---|---|");
    for population in [Population::LifeLike, Population::Steady] {
        for ledger in [true, false] {
            for (every_days, sensor) in [(1.0, false), (7.0, false), (14.0, false), (1.0, true)] {
                let reader = Reader { every_days, sensor, ledger };
                let sound = many(tanks, |number| lifelike::watched(SEED, number, population, reader, 1.0));
                let false_alarms: usize = sound.iter().map(|one| one.false_alarms).sum();
                let years = sound.iter().map(|one| one.sound_days).sum::<f64>() / 365.0;
                let failed =
                    many(tanks, |number| lifelike::watched(SEED + 1, number, population, reader, 2.0));
                let after = failed.iter().map(|one| one.noticed_after.unwrap_or(f64::INFINITY)).collect();
                let soon =
                    failed.iter().filter(|one| one.noticed_after.is_some_and(|days| days <= 30.0)).count();
                let ended = failed.iter().filter(|one| one.ended).count();
                println!(
                    "| {population:?} | {} | {} | {:.3} ({false_alarms} in {years:.0}) | {:.0} | {:.0} % | {:.1} % |",
                    if ledger { "recorded" } else { "none" },
                    if sensor { "sensor".to_owned() } else { format!("{every_days} d") },
                    share(false_alarms, 1) / years,
                    median(after),
                    100.0 * share(soon, tanks),
                    100.0 * share(ended, tanks)
                );
            }
        }
    }
}

pub fn delays(tanks: usize) {
    println!("\nDays from the failure to the alarm, {tanks} tanks a row, each sound for a year before\n");
    println!(
        "| read every | second reading | loss | median | within 30 d | asked or alarm, median | below the minimum before |"
    );
    println!("|---|---|---|---|---|---|---|");
    let rod = EVERY.map(|every| (format!("{every} d"), habit(every)));
    let sensor = Habit { sensor: true, ..habit(1.0) };
    for (name, habit) in rod.into_iter().chain([("sensor".to_owned(), sensor)]) {
        for (reads_again, second) in [(false, "at its usual time"), (true, "the next day")] {
            // Whoever reads daily reads the next day anyway.
            if reads_again && habit.every_days <= 1.0 {
                continue;
            }
            let habit = Habit { reads_again, ..habit };
            for times in [1.5, 2.0, 5.0] {
                let told = many(tanks, |number| watched(SEED, number, habit, 365.0, times));
                println!("| {name} | {second} | x{times} | {} |", delay(&told));
            }
        }
    }
}

fn delay(told: &[Told]) -> String {
    let after = |days: fn(&Told) -> Option<f64>| {
        let found = told.iter().map(|one| days(one).unwrap_or(f64::INFINITY)).collect();
        match median(found) {
            days if days.is_finite() => format!("{days:.0}"),
            _ => "over 250".to_owned(),
        }
    };
    let percent =
        |such: fn(&Told) -> bool| 100.0 * share(told.iter().filter(|one| such(one)).count(), told.len());
    format!(
        "{} | {:.0} % | {} | {:.0} %",
        after(|one| one.noticed_after),
        percent(|one| one.noticed_after.is_some_and(|days| days <= 30.0)),
        after(|one| one.asked_after),
        percent(|one| one.too_late)
    )
}
