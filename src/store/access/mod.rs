//! Businesses, their keys and devices, and the audit with the first response to each Idempotency-Key.

pub mod audit;
pub mod book;
pub mod business;
pub mod device;
pub mod key;
pub mod limits;
