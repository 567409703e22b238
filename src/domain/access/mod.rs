//! Access: whose book it is, and who did what in it.

pub mod audit;
pub mod business;
pub mod device;
pub mod key;
pub mod limits;
pub mod role;

pub use role::Role;
