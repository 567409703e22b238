//! The trial of the nitrogen forecast and of the watch for a failing tank, on simulated tanks: prints the tables of
//! `docs/nitrogen.md`.
//!
//! ```sh
//! cargo run --release --example nitrogen-trial
//! ```
//!
//! Takes a fixed seed, so that everybody gets the same tables. `-- 500` tries 500 tanks a row instead of 4,000 (and a
//! quarter of that where a row is two years of watching); `-- 500 alarms` prints one part: `coverage`, `alarms` or
//! `delays`.

#![allow(clippy::expect_used, missing_docs)]

mod coverage;
mod detection;
mod lifelike;
mod tables;
mod tank;

fn main() {
    let mut asked = std::env::args().skip(1);
    let tanks = asked.next().and_then(|number| number.parse().ok()).unwrap_or(4000);
    let part = asked.next();
    let wanted = |name: &str| part.as_deref().is_none_or(|part| part == name);
    if wanted("coverage") {
        tables::coverage(tanks);
    }
    if wanted("alarms") {
        tables::lifelike(tanks / 4);
    }
    if wanted("delays") {
        tables::delays(tanks / 4);
    }
}
