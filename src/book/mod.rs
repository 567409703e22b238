//! What is done with the book: one file per act, one transaction each.
//!
//! An act gathers what it needs from [`store`](crate::store), asks [`domain`](crate::domain) for
//! the verdict, and writes. All writing goes through [`writer`]; reading happens beside it. A
//! refusal is a [`Rejection`] that knows nothing of HTTP.

pub mod access;
pub mod alerts;
pub mod animals;
pub mod catalogue;
pub mod command;
pub mod exchange;
mod lookup;
pub mod nitrogen;
mod rejection;
pub mod straws;
pub mod webhooks;
pub mod writer;

pub use rejection::{CommandError, NotInStock, Objected, Rejection};

use crate::{
    clock::Clock,
    domain::values::{BusinessId, KeyId},
    store::{Db, access::key::Role},
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
