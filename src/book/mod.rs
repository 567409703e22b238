//! What is done with the book: one file per act, one transaction each.
//!
//! An act gathers what it needs from [`store`](crate::store), asks [`domain`](crate::domain) for
//! the verdict, and writes. All writing goes through [`writer`]; reading happens beside it. A
//! refusal is a [`Refusal`] that knows nothing of HTTP.

pub mod alert;
pub mod alert_rule;
pub mod catalogue;
pub mod discard;
pub mod import;
pub mod keys;
mod known;
pub mod level;
pub mod lot_trace;
pub mod next_service;
pub mod nitrogen;
pub mod outlook;
pub mod receive;
mod refusal;
pub mod report;
pub mod reverse;
pub mod serve;
pub mod settle;
pub mod stocktake;
pub mod take_in;
pub mod thaw;
pub mod told;
pub mod transfer;
pub mod webhook;
pub mod withdraw;
pub mod writer;

pub use refusal::{NotInStock, Objected, Refusal, Stop};

use crate::{
    clock::Clock,
    domain::values::{BusinessId, KeyId},
    store::{Db, key::Role},
};

/// Who asks.
#[derive(Clone, Debug)]
pub struct Caller {
    /// Whose book the key opens.
    pub business_id: BusinessId,
    /// The key.
    pub key_id: KeyId,
    /// What its holder may do.
    pub role: Role,
}

/// The open book.
#[derive(Clone)]
pub struct Book {
    /// Where it is kept.
    pub db: Db,
    /// The hand that writes in it.
    pub writer: writer::Writer,
    /// What time it is.
    pub clock: Clock,
}
