//! What must hold whatever happens to the machine: no answered write is missing, none is there twice, the book adds
//! up, and the service comes back by itself where it can.

#![allow(missing_docs, dead_code, clippy::unwrap_used, clippy::expect_used)]

mod copies;
mod disk;
mod kills;
mod load;
mod server;
#[path = "../support/service.rs"]
mod service;
#[path = "../support/mod.rs"]
mod support;
mod tampering;
