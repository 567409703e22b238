//! Random sequences of everything that may be asked of the book, played against the service on both
//! stores and against a small model of the rules in memory. All three must agree on every answer, every
//! refusal with its kind, every balance, every state and every number; the two stores word for word.
//!
//! `TANKSIDE_MODEL_SEQUENCES` says how many (1,000 when it does not), `TANKSIDE_MODEL_SEED` which. A failure
//! prints its seed and the shortest sequence that still fails.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::struct_excessive_bools,
    clippy::too_many_lines
)]

#[path = "model/commands.rs"]
mod commands;
#[path = "stories/declared.rs"]
mod declared;
#[path = "model/farm.rs"]
mod farm;
#[path = "model/rules.rs"]
mod rules;
#[path = "model/service.rs"]
mod service;
mod support;
#[allow(
    dead_code,
    unused_macros,
    clippy::items_after_statements,
    reason = "the stories' world; not all of it is needed here"
)]
#[path = "stories/world.rs"]
mod world;

use std::{str::FromStr, sync::OnceLock};

use proptest::test_runner::{Config, RngAlgorithm, TestCaseError, TestError, TestRng, TestRunner};

use serde_json::Value;

use commands::{Command, Intent, Place, Reported, Step, steps};
use rules::Book;
use service::{Disagreement, Play, Service};
use world::World;

/// Sequences that are played at the same time; they share commits.
const SIDE_BY_SIDE: u32 = 12;

/// What hangs when a sequence begins, received in the same way as everything else: lot, tank, straws.
const FIRST_STOCK: &[(usize, usize, i64)] =
    &[(0, 2, 3), (1, 2, 3), (2, 0, 2), (3, 1, 2), (3, 2, 2), (4, 2, 3)];

fn setting<T: FromStr>(name: &str) -> Option<T> {
    std::env::var(name).ok().map(|value| value.parse().unwrap_or_else(|_| panic!("{name} is not a number")))
}

#[test]
fn the_service_does_what_the_rules_say_on_both_stores() {
    let sequences = setting("TANKSIDE_MODEL_SEQUENCES").unwrap_or(1_000_u32);
    let seed = setting("TANKSIDE_MODEL_SEED").unwrap_or(1_u64);
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let (sqlite, postgres) = runtime.block_on(async {
        (Service::new(World::sqlite().await).await, Service::new(World::postgres().await).await)
    });
    // Who found the first failure goes on to shorten it; the others end.
    let found = OnceLock::new();
    let failures: Vec<String> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..SIDE_BY_SIDE)
            .map(|worker| {
                let (runtime, sqlite, postgres, found) = (&runtime, &sqlite, &postgres, &found);
                let mine = sequences / SIDE_BY_SIDE + u32::from(worker < sequences % SIDE_BY_SIDE);
                scope.spawn(move || {
                    let outcome = runner(seed, worker, mine).run(&steps(), |steps| {
                        if found.get().is_some_and(|who| *who != worker) {
                            return Ok(());
                        }
                        let played = runtime.block_on(play(sqlite, postgres, &steps));
                        played.map_err(|wrong| {
                            found.get_or_init(|| worker);
                            TestCaseError::fail(wrong)
                        })
                    });
                    told(outcome)
                })
            })
            .collect();
        workers.into_iter().filter_map(|worker| worker.join().unwrap()).collect()
    });
    assert!(
        failures.is_empty(),
        "TANKSIDE_MODEL_SEED={seed} TANKSIDE_MODEL_SEQUENCES={sequences}\n{}",
        failures.join("\n\n")
    );
    runtime.block_on(async {
        sqlite.close().await;
        postgres.close().await;
    });
}

/// A source of sequences of which each worker has its own.
fn runner(seed: u64, worker: u32, cases: u32) -> TestRunner {
    let mut bytes = [0; 32];
    bytes[..8].copy_from_slice(&seed.to_le_bytes());
    bytes[8..12].copy_from_slice(&worker.to_le_bytes());
    let config = Config { cases, max_shrink_iters: 1_000, failure_persistence: None, ..Config::default() };
    TestRunner::new_with_rng(config, TestRng::from_seed(RngAlgorithm::ChaCha, &bytes))
}

fn told(outcome: Result<(), TestError<Vec<Step>>>) -> Option<String> {
    match outcome.err()? {
        TestError::Fail(reason, steps) => {
            let steps: Vec<_> = steps.iter().map(|step| format!("{step:?}")).collect();
            Some(format!("{reason}\nby these steps:\n{}", steps.join("\n")))
        }
        TestError::Abort(reason) => Some(reason.to_string()),
    }
}

/// Plays a sequence on a farm of its own in each store.
async fn play(sqlite: &Service, postgres: &Service, steps: &[Step]) -> Result<(), Disagreement> {
    let first = FIRST_STOCK.iter().map(|(lot, tank, straws)| {
        let place = Place { tank: *tank, canister: 1, cane: "" };
        Step::Do {
            intent: Intent::Receive { lot: *lot, place, straws: *straws },
            days: 0,
            reported: Reported::InTime,
        }
    });
    let mut book = Book::new();
    // Every other sequence is a client's that makes the ids of its withdrawals. A list of some of both would stand in an
    // order that the model does not know.
    let own_ids = steps.len().is_multiple_of(2);
    let (mut on_sqlite, mut on_postgres) = tokio::join!(sqlite.play(own_ids), postgres.play(own_ids));
    for step in first.chain(steps.iter().cloned()) {
        let (key, act) = book.resolve(&step);
        if matches!(act, Command::Reverse { line } if line != usize::MAX && !on_sqlite.knows_line(line)) {
            // A line that no answer named so far is looked up in the ledger.
            compare(&[book.all_lines()], &mut on_sqlite, &mut on_postgres).await?;
        }
        let expected = book.ask(&key, &act);
        let (one, other) =
            tokio::join!(on_sqlite.ask(&key, &act, &expected), on_postgres.ask(&key, &act, &expected));
        same(one, other).map_err(|wrong| format!("{key}, {act:?}: {wrong}"))?;
    }
    compare(&book.everything(), &mut on_sqlite, &mut on_postgres).await
}

/// Reads what stands at these paths and compares it.
async fn compare(
    expected: &[(String, Value)],
    on_sqlite: &mut Play,
    on_postgres: &mut Play,
) -> Result<(), Disagreement> {
    let (one, other) = tokio::join!(on_sqlite.read_all(expected), on_postgres.read_all(expected));
    same(one, other)
}

/// Both as the model expects, and word for word the same.
fn same(
    sqlite: Result<String, Disagreement>,
    postgres: Result<String, Disagreement>,
) -> Result<(), Disagreement> {
    let sqlite = sqlite.map_err(|wrong| format!("on SQLite: {wrong}"))?;
    let postgres = postgres.map_err(|wrong| format!("on PostgreSQL: {wrong}"))?;
    if sqlite == postgres {
        Ok(())
    } else {
        Err(format!("SQLite says\n{sqlite}\nand PostgreSQL\n{postgres}"))
    }
}
