//! Tries many tanks and prints what came of it.

use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use super::{
    coverage::{case, cells},
    detection::{Habit, Told, watched},
    lifelike::{self, Fate, Population, Reader},
};
use tankside::domain::nitrogen::forecast::days_until;

/// Not one by which a parameter was chosen.
const SEED: u64 = 40_917;

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

/// The readers of the tables: their names, and how they read.
fn readers(ledger: bool) -> Vec<(&'static str, Reader)> {
    vec![
        ("1 d", Reader::rod(1.0, ledger)),
        ("3 d", Reader::rod(3.0, ledger)),
        ("7 d", Reader::rod(7.0, ledger)),
        ("14 d", Reader::rod(14.0, ledger)),
        ("28 d", Reader::rod(28.0, ledger)),
        ("sensor", Reader::sensor(ledger)),
        ("7, then 1", Reader { daily_under_alarm: true, ..Reader::rod(7.0, ledger) }),
    ]
}

/// With 95 % certainty no more than this were to be expected of `events` (Poisson, by the approximation of Wilson and
/// Hilferty to the distribution of chi squared).
fn at_most(events: usize) -> f64 {
    let shape = share(events + 1, 1);
    shape * (1.0 - 1.0 / (9.0 * shape) + 1.645 / (3.0 * shape.sqrt())).powi(3)
}

fn days_or_more(days: f64) -> String {
    if days.is_finite() { format!("{days:.0}") } else { "over 250".to_owned() }
}

/// False alarms, delays and what is missed, in tanks as they may be in use and in steady ones.
pub fn alarms(tanks: usize) {
    let fail = tanks / 3;
    println!(
        "\nFalse alarms a tank-year (95 % upper bound), {tanks} tank-years a row; of {fail} tanks whose loss rises, the median"
    );
    println!(
        "of days to the alarm, how many get one in 30 days, and how many of the alarms end though the loss stays risen\n"
    );
    println!("| tanks | openings | read every | false alarms | x1.5 | x2 | x5 | in 30 d | alarms that end |");
    println!("|---|---|---|---|---|---|---|---|---|");
    for population in [Population::LifeLike, Population::Steady] {
        for ledger in [true, false] {
            for (name, reader) in readers(ledger) {
                alarms_of(population, name, reader, (tanks, fail));
            }
        }
    }
    println!("\nRead daily, one reading in fifty wrong by 30-150 mm: false alarms a tank-year\n");
    for ledger in [true, false] {
        let reader = Reader { wrong: 0.02, ..Reader::rod(1.0, ledger) };
        println!("{}: {}", openings(ledger), false_alarms(Population::LifeLike, reader, tanks));
    }
    println!(
        "\nMended after the alarm of a doubled loss, and not entered: days until it ends, of {fail} tanks\n"
    );
    for ledger in [true, false] {
        for (name, reader) in readers(ledger) {
            let fate = Fate::Mended(2.0);
            let told = many(fail, |number| {
                lifelike::watched(SEED + 2, number, Population::LifeLike, reader, fate)
                    .filter(|one| one.noticed_after.is_some_and(|days| days <= 60.0))
            });
            let ended = told.iter().map(|one| one.ended_after.unwrap_or(f64::INFINITY)).collect();
            let soon = told.iter().filter(|one| one.ended_after.is_some_and(|days| days <= 190.0)).count();
            println!(
                "{}, {name}: median {}, in 190 d {:.0} %",
                openings(ledger),
                days_or_more(median(ended)),
                100.0 * share(soon, fail)
            );
        }
    }
}

fn openings(ledger: bool) -> &'static str {
    if ledger { "recorded" } else { "none" }
}

fn false_alarms(population: Population, reader: Reader, tanks: usize) -> String {
    let sound = many(tanks, |number| lifelike::watched(SEED, number, population, reader, Fate::Sound));
    let false_alarms: usize = sound.iter().map(|one| one.false_alarms).sum();
    let years = sound.iter().map(|one| one.sound_days).sum::<f64>() / 365.0;
    format!("{:.3} ({:.3})", share(false_alarms, 1) / years, at_most(false_alarms) / years)
}

fn alarms_of(population: Population, name: &str, reader: Reader, (tanks, fail): (usize, usize)) {
    let (mut medians, mut soon, mut ended) = (Vec::new(), Vec::new(), Vec::new());
    for times in [1.5, 2.0, 5.0] {
        let fate = Fate::Fails(times);
        let told = many(fail, |number| lifelike::watched(SEED + 1, number, population, reader, fate));
        let noticed: Vec<f64> = told.iter().map(|one| one.noticed_after.unwrap_or(f64::INFINITY)).collect();
        let alarms = noticed.iter().filter(|days| days.is_finite()).count();
        let within = noticed.iter().filter(|days| **days <= 30.0).count();
        soon.push(format!("{:.0}", 100.0 * share(within, fail)));
        medians.push(days_or_more(median(noticed)));
        let such = told.iter().filter(|one| one.ended_after.is_some()).count();
        ended.push(format!("{:.0}", 100.0 * share(such, alarms)));
    }
    println!(
        "| {population:?} | {} | {name} | {} | {} | {} % | {} % |",
        openings(reader.ledger),
        false_alarms(population, reader, tanks),
        medians.join(" | "),
        soon.join(", "),
        ended.join(", ")
    );
}

/// Whether the 90 % intervals of the loss and of the date hold.
pub fn intervals(tanks: usize) {
    println!("\n90 % intervals: the share that held, {tanks} tanks a row, each asked three times\n");
    println!("| tanks | read every | loss | date |\n|---|---|---|---|");
    for population in [Population::LifeLike, Population::Steady, Population::Constant] {
        for (name, reader) in readers(false) {
            if reader.daily_under_alarm || reader.every_days > 14.0 {
                continue;
            }
            let held: Vec<_> =
                many(tanks, |number| lifelike::asked(SEED + 3, number, population, reader)).concat();
            let loss = held.iter().filter(|one| one.loss).count();
            let date = held.iter().filter(|one| one.date).count();
            println!(
                "| {population:?} | {name} | {:.3} | {:.3} |",
                share(loss, held.len()),
                share(date, held.len())
            );
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
