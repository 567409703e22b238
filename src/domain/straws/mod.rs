//! Straws: the sire and lot they are of, the place where they hang, their way out of the tank, and how long they last.

pub mod accept_stocktake;
pub mod consign;
pub mod consignment;
pub mod demand;
pub mod discard;
pub mod discard_withdrawn;
pub mod exposure;
pub mod lot;
pub mod lot_trace;
pub mod movement;
pub mod outlook;
pub mod place;
pub mod posting;
pub mod receive;
pub mod register;
pub mod reverse;
pub mod semen;
pub mod sire;
pub mod start_thaw;
pub mod stock;
pub mod stocktake;
pub mod take_stock;
pub mod thaw;
pub mod transfer;
pub mod withdraw;
pub mod withdrawal;
