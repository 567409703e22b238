//! Who else is told: events, webhooks and the addresses that may be called.

pub mod address;
pub mod event;
pub mod webhook;
