//! Keys, and the devices that they are used on.

pub mod device;
pub mod key;
