//! What reports are made from: rows that are gone through once, and sums.

pub mod charges;
pub mod record;
pub mod season;
pub mod straw_use;
