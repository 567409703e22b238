//! Keys.

pub mod key;
