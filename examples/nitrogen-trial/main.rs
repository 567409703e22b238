//! The trial of the nitrogen forecast and of the watch for a failing tank, on simulated tanks: prints the tables of
//! `docs/nitrogen.md`.
//!
//! ```sh
//! cargo run --release --example nitrogen-trial
//! ```
//!
//! Takes a fixed seed, so that everybody gets the same tables. `-- 500` tries 500 tanks a row instead of 1,000 (a third of
//! that where a loss rises); `-- 500 alarms` prints one part: `alarms`, `intervals`, or of rougher tanks
//! `coverage` and `delays`.

#![allow(clippy::expect_used, missing_docs)]

mod coverage;
mod detection;
mod lifelike;
mod tables;
mod tank;

fn main() {
    let mut asked = std::env::args().skip(1);
    let tanks = asked.next().and_then(|number| number.parse().ok()).unwrap_or(1000);
    let part = asked.next();
    let wanted = |name: &str| part.as_deref().is_none_or(|part| part == name);
    if wanted("alarms") {
        tables::alarms(tanks);
    }
    if wanted("intervals") {
        tables::intervals(tanks);
    }
    if wanted("coverage") {
        tables::coverage(tanks);
    }
    if wanted("delays") {
        tables::delays(tanks / 3);
    }
}
