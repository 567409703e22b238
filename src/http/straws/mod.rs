//! Stock, the ledger and a straw's way out of the tank.

pub mod batch;
pub mod consignment;
pub mod discard;
pub mod hold;
pub mod labels;
pub mod lot;
pub mod movement;
pub mod outlook;
pub mod receipt;
pub mod register;
pub mod report;
pub mod sire;
pub mod stock;
pub mod stocktake;
pub mod thaw_advice;
pub mod transfer;
pub mod withdrawal;
