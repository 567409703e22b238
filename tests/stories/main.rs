//! Stories over HTTP against the real server, each told on both stores.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]
#![allow(
    clippy::assigning_clones,
    clippy::items_after_statements,
    clippy::similar_names,
    clippy::too_many_lines,
    reason = "a story reads from top to bottom and its tables are as long as the interface"
)]

mod ade;
mod alert_scopes;
mod alerts;
mod beside;
mod call_outs;
mod cautions;
mod change_feed;
mod changes;
mod choosing;
mod clock;
mod concurrency;
mod consignments;
mod crush;
mod declared;
mod disabled_webhooks;
mod documentation;
mod due_alerts;
mod exports;
mod filters;
mod her;
mod idempotency;
mod imports;
mod input;
mod key_ring;
mod keys;
mod kinds;
mod labels;
mod ledger;
mod limited_keys;
mod limits;
mod lists;
mod main_job;
mod mating_plans;
mod nitrogen;
mod open_alerts;
mod page;
mod protocol;
mod receiver;
mod reports;
mod round;
mod statements;
#[path = "../support/mod.rs"]
mod support;
mod taken_in;
mod tank_alerts;
mod tenancy;
mod thaw_advice;
mod thawing;
mod timed_protocols;
mod trials;
mod watch;
mod webhooks;
mod world;
mod wrong_turns;
