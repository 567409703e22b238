//! Keys, and the devices that they are used on.

pub mod device;
pub(crate) mod empty;
pub mod key;
pub mod key_use;
