//! What is exchanged with herd software and spreadsheets.

pub mod ade;
pub mod cell;
pub mod change;
pub mod intake;
pub mod outgoing;
pub mod scheme;
pub mod straw_used;
