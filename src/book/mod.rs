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

use std::sync::Arc;

use crate::{
    clock::Clock,
    domain::{
        access::{
            Role,
            limits::{Bounded, Limits, within},
        },
        rejection::Rejection,
        values::{BusinessId, HerdId, KeyId, TankId},
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
    /// What the key is limited to; to nothing when `None`.
    pub limits: Option<Arc<Limits>>,
}

impl Caller {
    /// What the key is limited to.
    pub fn limits(&self) -> Option<&Limits> {
        self.limits.as_deref()
    }

    /// Whether a thing is within the limits of the key.
    pub fn may_see(&self, thing: &impl Bounded) -> bool {
        within(self.limits(), thing)
    }

    /// Whether what is of this herd is.
    pub fn may_see_herd(&self, id: HerdId) -> bool {
        self.limits().is_none_or(|limits| limits.herd(id))
    }

    /// The herd by which a list is to be led: the one that is `asked` for, else the only one that the key is good for.
    pub fn leading_herd(&self, asked: Option<HerdId>) -> Option<HerdId> {
        asked.or_else(|| match self.limits().and_then(Limits::herds) {
            Some([only]) => Some(*only),
            _ => None,
        })
    }

    /// The same of tanks.
    pub fn leading_tank(&self, asked: Option<TankId>) -> Option<TankId> {
        asked.or_else(|| match self.limits().and_then(Limits::tanks) {
            Some([only]) => Some(*only),
            _ => None,
        })
    }

    /// The herds of an answer that is about several: those that are `asked` for, else those that the key is good for; all where
    /// there are none.
    pub fn herds(&self, asked: Vec<HerdId>) -> Vec<HerdId> {
        match self.limits().and_then(Limits::herds) {
            Some(own) if asked.is_empty() => own.to_vec(),
            _ => asked,
        }
    }
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
