//! A herd and what its owner decided.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::choice::ChoiceRule,
        identifiers::ExternalId,
        straws::thaw::ThawProtocol,
        values::{Coefficient, Days, HeatHours, HerdId, Name, TimeZone, Timestamp},
    },
    form,
};

form! {
    /// What is said of a herd.
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct HerdDetails {
        /// What people call it.
        #[schema(example = "Lower Meadow")]
        pub name: Name,
        /// Where its days begin: an IANA time zone.
        #[schema(example = "Europe/Vienna")]
        pub time_zone: TimeZone,
        /// Its official location.
        pub location: Option<ExternalId>,
        /// Which semen a service calls for; the first clause that fits decides. Default: service 1 sexed for females, later
        /// ones conventional.
        #[schema(required = false)]
        pub choice_rule: ChoiceRule = ChoiceRule::default(),
        /// Whether a technician's key may set the choice rule aside with a reason, and nothing else. Default: only a manager's.
        #[schema(required = false)]
        pub technician_may_override: bool = false,
        /// Inseminations within so many hours of a service's first one are the same service. Default 48.
        #[schema(required = false)]
        pub same_heat_hours: HeatHours = HeatHours::DEFAULT,
        /// A cow that calved less than so many days ago is served with a warning. Default 50.
        #[schema(required = false)]
        pub waiting_days: Days = Days::WAITING,
        /// Expected inbreeding of the calf at which a mating is refused. Default 0.125, half sibs.
        #[schema(required = false)]
        pub kinship_limit: Coefficient = Coefficient::HALF_SIBS,
        /// A heifer younger than so many days is not served. Default 365.
        #[schema(required = false)]
        pub first_service_days: Days = Days::FIRST_SERVICE,
        /// How straws are thawed here, where the lot brings no instruction of its own.
        pub thaw: Option<ThawProtocol>,
    }
}

/// A herd.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Herd {
    /// Its id.
    pub id: HerdId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub details: HerdDetails,
    /// When it was entered.
    pub created_at: Timestamp,
}
