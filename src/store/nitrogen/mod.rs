//! Tanks, their readings and refills.

pub mod level;
pub mod tank;
