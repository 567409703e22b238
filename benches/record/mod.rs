//! What a bench measured, kept by commit.
//!
//! `TANKSIDE_BENCH_RECORD=FILE cargo bench` appends a line of JSON for each store that was measured: the commit,
//! the day, the bench, the store, and every figure under its name. Ratios of one run may be set beside those of another
//! commit on the same machine; times and rates may not, and are there to tell what the ratios are of.

use std::{collections::BTreeMap, fs::OpenOptions, io::Write as _, process::Command};

use serde_json::json;
use tankside::clock::Clock;

/// Figures of one run on one store.
pub struct Record {
    bench: &'static str,
    store: String,
    figures: BTreeMap<String, f64>,
}

impl Record {
    pub fn new(bench: &'static str, store: impl Into<String>) -> Self {
        Self { bench, store: store.into(), figures: BTreeMap::new() }
    }

    /// Notes a figure, to four digits.
    pub fn note(&mut self, name: impl Into<String>, figure: f64) {
        let rounded = format!("{figure:.3e}").parse().unwrap();
        self.figures.insert(name.into(), rounded);
    }

    /// Appends the line to the file that is asked for, if one is.
    pub fn write(self) {
        let Ok(file) = std::env::var("TANKSIDE_BENCH_RECORD") else { return };
        let git = |arguments: &[&str]| {
            let told = Command::new("git").args(arguments).output().ok().filter(|told| told.status.success());
            told.map(|told| String::from_utf8_lossy(&told.stdout).trim().to_owned())
        };
        let commit = git(&["rev-parse", "--short=10", "HEAD"]);
        let is_changed = git(&["status", "--porcelain", "src", "migrations", "Cargo.lock"])
            .is_some_and(|it| !it.is_empty());
        let line = json!({
            "commit": commit,
            "changed": is_changed,
            "day": Clock::system().now().utc().format("%Y-%m-%d").to_string(),
            "bench": self.bench,
            "store": self.store,
            "figures": self.figures,
        });
        let mut file = OpenOptions::new().create(true).append(true).open(file).unwrap();
        writeln!(file, "{line}").unwrap();
    }
}
