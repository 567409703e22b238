//! Lists taken in, and what herd software sends.

pub mod import;
pub mod ingest;
pub mod resolve;
pub mod resource;
