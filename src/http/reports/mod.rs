//! Reports, each as JSON and CSV; those of shares also as a picture with their intervals.

pub mod charges;
pub mod conception;
mod groups;
mod intervals_picture;
pub mod pregnancy_rate;
pub mod price_list;
pub mod query;
pub mod season;
pub mod straw_use;
pub mod watch;
mod written;
