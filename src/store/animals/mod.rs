//! Herds, animals, their events, services and pedigree.

pub mod animal;
pub mod calendar;
pub mod call_out;
pub mod candidate;
pub mod due;
pub mod event;
pub mod herd;
pub mod history;
pub mod identifier;
pub mod mating_plan;
pub mod numbering;
pub mod pedigree;
pub mod service;
pub mod service_list;
pub mod timed_protocol;
pub mod watch;
