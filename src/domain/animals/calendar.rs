//! A calendar of what to watch, for programs that read calendars by an address.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::values::{CalendarId, HerdId, Name, Timestamp},
    form,
};

form! {
    /// What a calendar shows.
    #[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
    pub struct CalendarDetails {
        /// What it is called.
        #[schema(example = "Lower Meadow, to watch")]
        pub name: Name,
        /// Only of this herd; of all herds when not said.
        pub herd_id: Option<HerdId>,
    }
}

/// A calendar.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Calendar {
    /// Its id.
    pub id: CalendarId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub details: CalendarDetails,
    /// When it was made.
    pub created_at: Timestamp,
}
