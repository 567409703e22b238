//! Stories over HTTP against the real server, each told on both stores.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

mod changes;
mod choosing;
mod concurrency;
mod idempotency;
mod input;
mod keys;
mod ledger;
mod lists;
mod main_job;
mod protocol;
mod tenancy;
mod thawing;
mod world;
