//! Animals: what is on record of them, what they are, which semen their next service calls for, and when.

pub mod animal;
pub mod calendar;
pub mod call_out;
pub mod candidate;
pub mod choice;
pub mod event;
pub mod gestation;
pub mod herd;
pub mod history;
pub mod kinship;
pub mod numbering;
pub mod objection;
pub mod offers;
pub mod record_service;
pub mod reverse_service;
pub mod service;
pub mod timing;
pub mod watch;
