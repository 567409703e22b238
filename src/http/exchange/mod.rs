//! For integrations: the change feed, items of herd software, exports.

pub(crate) mod ade_item;
pub(crate) mod change;
pub mod export;
pub mod import;
