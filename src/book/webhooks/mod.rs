//! Who else is told.

pub mod webhook;
