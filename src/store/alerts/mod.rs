//! Alerts and the rules that open them.

pub mod alert;
pub mod recheck;
pub mod rule;
pub mod sweep;
