//! Devices at the tank, which keep what was done until there is a signal.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::values::{DeviceId, KeyId, Name, Timestamp};

/// A device that keeps acts until it can send them.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Device {
    /// As it calls itself.
    pub id: DeviceId,
    /// What it is called, where it says so.
    pub name: Option<Name>,
    /// The key that it last came with.
    pub key_id: KeyId,
    /// Who holds that key.
    pub key_name: Name,
    /// When it last asked for something, to the minute.
    pub last_seen_at: Timestamp,
    /// How many acts waited on it then that the book did not know.
    #[schema(minimum = 0)]
    pub waiting: i64,
    /// When the oldest of them happened, by the device's clock; null where none waits or it does not say.
    pub oldest_waiting_at: Option<Timestamp>,
}

/// What a device says of itself with a request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeviceNote {
    /// As it calls itself.
    pub id: DeviceId,
    /// What it is called, where it says so.
    pub name: Option<Name>,
    /// How many acts wait on it; not said by some.
    pub waiting: Option<Waiting>,
}

/// How many acts wait on a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Waiting {
    /// How many.
    pub acts: u32,
    /// When the oldest of them happened.
    pub oldest_at: Option<Timestamp>,
}

/// When a device was seen, with which key, and what waited on it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SeenDevice {
    /// The device.
    pub id: DeviceId,
    /// What it is called.
    pub name: Option<Name>,
    /// The key.
    pub key_id: KeyId,
    /// When.
    pub at: Timestamp,
    /// What waited.
    pub waiting: Waiting,
}
