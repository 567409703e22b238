//! The ledger and what it counts.

pub mod demand;
pub mod ledger;
pub mod lot;
pub mod lot_trace;
pub mod sire;
pub mod stocktake;
pub mod withdrawal;
