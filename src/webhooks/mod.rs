//! Telling others: signing, sending, and the worker that carries events from the outbox to their receivers.
//!
//! - [`seal`]: secrets as they lie in the store
//! - [`sign`]: secrets and signatures (Standard Webhooks 1.0.0)
//! - [`message`]: an event as it is sent (CloudEvents 1.0, structured JSON)
//! - [`send`]: one attempt, to an address that was judged
//! - `transport`: the exchange itself, with a bound on everything
//! - [`worker`]: which attempt is next, and what follows from it
//! - [`agenda`]: which webhook is to be looked at when
//! - [`listen`]: a receiver to try it with
//!
//! Beside [`book`](crate::book): it reads the store and has its chores written by the writer.

pub(crate) mod agenda;
pub mod listen;
pub(crate) mod message;
pub mod seal;
pub mod send;
pub mod sign;
mod transport;
pub(crate) mod worker;
