//! The ledger and what it counts.

pub mod consignment;
pub mod demand;
pub mod hold;
pub mod ledger;
pub mod lot;
pub mod lot_trace;
pub mod movement;
pub mod place;
pub mod register;
pub mod reversal;
pub mod sire;
pub mod stock;
pub mod stocktake;
pub mod withdrawal;
pub mod withdrawal_list;
