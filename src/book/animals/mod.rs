//! What is recorded of animals, and what their next service calls for.

pub mod calendar;
pub mod call_out;
pub mod mating_plan;
pub mod next_service;
pub mod record_service;
pub mod report_event;
pub mod round;
pub mod timed_protocol;
