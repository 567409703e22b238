//! The outbox, webhooks and their deliveries.

pub mod outbox;
pub mod webhook;
