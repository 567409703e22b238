//! Alerts opened and cleared, and the rules that decide.

pub mod alert;
pub mod animal;
pub mod recheck;
pub mod rule;
