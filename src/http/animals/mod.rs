//! Herds, animals, their events, services and next service.

pub mod animal;
pub mod calendar;
pub mod call_out;
pub mod event;
pub mod herd;
pub mod next_service;
pub mod service;
pub mod watch;
