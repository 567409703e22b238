//! Lists taken in, and what herd software sends.

pub mod import;
pub(crate) mod ingest;
pub(crate) mod resolve;
pub(crate) mod resource;
