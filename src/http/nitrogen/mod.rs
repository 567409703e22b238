//! Tanks, readings, refills, the status of a tank and its picture.

pub mod level;
pub mod picture;
pub mod status;
pub mod tank;
