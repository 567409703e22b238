//! Readings and refills, and what follows from them.

pub mod level;
pub mod status;
