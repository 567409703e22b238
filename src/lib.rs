//! Tankside: the book of record for a cattle inseminator's liquid-nitrogen tank, as an HTTP service.
//!
//! Four layers; an import only ever points down:
//!
//! - [`ade`]: the open Animal Data Exchange face, beside `http`; neither knows the other's insides
//! - [`http`]: the routes, one file per resource; translates and nothing else
//! - [`book`]: what is done with the book, one file per command
//! - [`store`]: the only place with SQL, for SQLite and PostgreSQL alike
//! - [`domain`]: pure values, rules and mathematics
//!
//! Beside [`book`] stand [`scheduler`], which finds what time alone brings about, and [`webhooks`], which tells others
//! what the book's outbox holds. `demo`, a feature that is on by default, stands beside [`http`]: a client that starts the service and calls it from
//! outside.

#![forbid(unsafe_code)]

pub(crate) mod ade;
pub mod book;
pub mod certificate;
pub mod clock;
pub mod config;
pub mod cryptography;
#[cfg(feature = "demo")]
pub mod demo;
pub mod doctor;
pub mod domain;
#[cfg(test)]
mod fuzz;
pub mod http;
pub mod maintenance;
pub mod scheduler;
pub mod server;
pub mod store;
pub mod telemetry;
pub mod traces;
pub mod webhooks;
