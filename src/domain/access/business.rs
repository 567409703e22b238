//! A business: the tenant whose book is kept here.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::values::{BusinessId, Name, Timestamp};

/// A business.
#[derive(Clone, Debug, Serialize, ToSchema, sqlx::FromRow)]
pub struct Business {
    /// Its id.
    pub id: BusinessId,
    /// What people call it.
    pub name: Name,
    /// How many lines its ledger has.
    #[schema(minimum = 0)]
    pub movements: i64,
    /// When it was entered.
    pub created_at: Timestamp,
}
