//! For integrations: the change feed, items of herd software, exports.

pub mod ade_item;
pub mod change;
pub mod export;
