//! What herd software sent, and the order in which everything changed.

pub mod ade_item;
pub mod change;
pub mod outgoing;
