//! Alerts and their rules.

pub mod alert;
pub mod rule;
