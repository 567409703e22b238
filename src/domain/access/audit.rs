//! The audit: who asked for what, and what came of it.

use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::domain::values::{KeyId, Name, Timestamp};

/// Something that was done, or refused by the state of the book.
#[derive(Clone, Debug, Serialize, ToSchema, sqlx::FromRow)]
pub struct AuditEntry {
    /// Its id.
    pub id: Uuid,
    /// When.
    pub at: Timestamp,
    /// The key with which it was asked for.
    pub key_id: KeyId,
    /// Who holds the key.
    pub key_name: Name,
    /// What was asked for: method and path.
    #[schema(example = "POST /v1/withdrawals", max_length = 1000)]
    pub request: String,
    /// The HTTP status it was answered with.
    #[schema(minimum = 200, maximum = 599)]
    pub status: i64,
    /// What was made.
    pub location: Option<String>,
    /// The Idempotency-Key under which it came.
    pub idempotency_key: Option<String>,
}
