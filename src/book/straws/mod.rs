//! What is done with straws: from a delivery to the goblet, the animal or the bin.

pub mod discard;
pub mod receive;
pub mod reverse;
pub mod stocktake;
pub mod thaw;
pub mod transfer;
pub mod withdraw;
