//! Who calls, whose book it is, and who did what.

pub mod audit;
pub mod auth;
pub mod business;
pub mod device;
pub mod failures;
pub mod key;
pub mod limits;
pub mod readers;
