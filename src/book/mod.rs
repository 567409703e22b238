//! What is done with the book: one file per act, one transaction each.
//!
//! An act gathers what it needs from [`store`](crate::store), asks [`domain`](crate::domain) for
//! the verdict, and writes. All writing goes through [`writer`]; reading happens beside it. A
//! refusal is a [`Rejection`] that knows nothing of HTTP.

pub mod access;
pub(crate) mod alerts;
pub(crate) mod animals;
pub(crate) mod at_the_tank;
pub(crate) mod catalogue;
pub mod command;
pub mod exchange;
mod lookup;
pub(crate) mod nitrogen;
pub(crate) mod reports;
pub(crate) mod straws;
pub(crate) mod webhooks;
pub mod writer;

use crate::{
    clock::Clock,
    domain::{
        access::Role,
        rejection::Rejection,
        values::{BusinessId, KeyId},
    },
    store::{self, Db},
};

/// Why a command did not run to its end.
#[derive(Debug)]
pub enum CommandError {
    /// It was rejected.
    Rejected(Box<Rejection>),
    /// The store failed.
    Failed(store::Error),
}

impl From<store::Error> for CommandError {
    fn from(error: store::Error) -> Self {
        Self::Failed(error)
    }
}

impl From<Rejection> for CommandError {
    fn from(rejection: Rejection) -> Self {
        Self::Rejected(Box::new(rejection))
    }
}

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
    /// Which devices were seen.
    pub devices: access::device::Devices,
    /// Which keys were used.
    pub key_uses: access::key_use::KeyUses,
}
