//! A business: the tenant whose book is kept here.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    rejection::Rejection,
    values::{BusinessId, Name, Timestamp},
};

/// The caller's own business.
#[derive(Clone, Debug, Serialize, ToSchema, sqlx::FromRow)]
pub struct OwnBusiness {
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub business: Business,
    /// Whether it is for trials: then its book may be emptied.
    pub is_test: bool,
}

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

/// Things that a book may have and be emptied while others wait; it takes a second or two.
pub const MOST_EMPTIED: i64 = 50_000;

/// Whether a book may be emptied; `is_larger` says whether it has more than [`MOST_EMPTIED`] things.
///
/// # Errors
/// It is kept, or too large.
pub fn may_empty(own: &OwnBusiness, is_larger: bool) -> Result<(), Rejection> {
    if !own.is_test {
        return Err(Rejection::NotATestBusiness);
    }
    if is_larger {
        let text = format!(
            "The book has more than {MOST_EMPTIED} things, and everybody would wait while it is emptied; have another test \
             business made with `tankside business create --test`."
        );
        return Err(Rejection::InUse { text });
    }
    Ok(())
}
