//! Herds, animals, their events, services and pedigree.

pub mod animal;
pub mod candidate;
pub mod event;
pub mod herd;
pub mod history;
pub mod identifier;
pub mod numbering;
pub mod pedigree;
pub mod service;
