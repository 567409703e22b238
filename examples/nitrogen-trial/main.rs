//! The trial of the nitrogen forecast and of the watch for a failing tank, on simulated tanks: prints the tables of
//! `NITROGEN.md`.
//!
//! ```sh
//! cargo run --release --example nitrogen-trial
//! ```
//!
//! Takes a fixed seed, so that everybody gets the same tables. `-- 500` tries 500 tanks a row instead of 4,000.

#![allow(clippy::expect_used, missing_docs)]

mod coverage;
mod detection;
mod tables;
mod tank;

fn main() {
    let tanks = std::env::args().nth(1).and_then(|number| number.parse().ok()).unwrap_or(4000);
    tables::coverage(tanks);
    tables::false_alarms(tanks);
    tables::delays(tanks);
}
