//! The outbox, webhooks and their deliveries.

pub mod bell;
pub mod outbox;
pub mod webhook;
