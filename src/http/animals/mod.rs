//! Herds, animals, their events, services, next service and the day's round.

pub mod animal;
pub mod calendar;
pub mod call_out;
pub mod event;
pub mod herd;
pub mod mating_plan;
pub mod next_service;
pub mod round;
pub mod service;
pub mod timed_protocol;
pub mod watch;
