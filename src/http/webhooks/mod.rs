//! Webhooks and what is sent to them.

pub mod message;
pub mod webhook;
