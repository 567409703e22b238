//! Animals: what is on record of them, what they are, which semen their next service calls for, and when.

pub mod animal;
pub mod calendar;
pub mod call_out;
pub mod candidate;
pub mod choice;
pub mod event;
pub mod gestation;
pub mod groups;
pub mod herd;
pub mod history;
pub mod kinship;
pub mod mating;
pub mod mating_plan;
pub mod numbering;
pub mod objection;
pub mod offers;
pub mod pregnancy;
pub mod record_service;
pub mod reservation;
pub mod reverse_service;
pub mod round;
pub mod service;
pub mod service_kind;
pub mod timed_protocol;
pub mod timing;
pub mod watch;
