//! What reports decide: the watch over conception, and the price list.

pub mod price_list;
pub mod watch;
