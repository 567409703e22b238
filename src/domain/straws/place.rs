//! Where a straw hangs: tank, canister, cane, goblet.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::values::{Canister, HerdId, Name, TankId},
    form, text_enum,
};

/// Lets a mark that the farm may leave out stand in a key column: empty means "not said".
macro_rules! optional_code {
    ($($(#[$doc:meta])* $name:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, sqlx::Type)]
        #[sqlx(transparent)]
        pub struct $name(String);

        impl $name {
            /// The mark, if the farm says one.
            pub fn said(&self) -> Option<&str> {
                (!self.0.is_empty()).then_some(self.0.as_str())
            }
        }

        impl Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                self.said().serialize(to)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                Ok(Self(Option::<String>::deserialize(from)?.unwrap_or_default()))
            }
        }

        impl crate::domain::form::Field for $name {
            fn read(
                value: &serde_json::Value,
                spot: &crate::domain::form::InputPath,
                faults: &mut Vec<crate::domain::form::Fault>,
            ) -> Option<Self> {
                crate::domain::values::read_text(value, spot, faults, |text| crate::domain::values::clean_text(text, 40, false)).map(Self)
            }
            fn absent() -> Option<Self> {
                Some(Self::default())
            }
        }
    )+};
}

optional_code! {
    /// Which cane in the canister, as the farm marks it.
    Cane;
    /// Which goblet of the cane, such as upper or lower.
    Goblet;
}

form! {
    /// A place in a tank. The canister is required; cane and goblet where the farm uses them.
    #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct Place {
        /// The tank.
        pub tank_id: TankId,
        /// The canister's number, from 1.
        pub canister: Canister,
        /// The cane in the canister.
        #[schema(value_type = Option<String>, max_length = 40)]
        pub cane: Cane,
        /// The goblet of the cane.
        #[schema(value_type = Option<String>, max_length = 40)]
        pub goblet: Goblet,
    }
}

impl Place {
    /// The place inside its tank in words: "canister 3, cane B, upper goblet".
    pub fn describe(&self) -> String {
        let canister = format!("canister {}", self.canister);
        let cane = self.cane.said().map(|cane| format!("cane {cane}"));
        let goblet = self.goblet.said().map(|goblet| format!("{goblet} goblet"));
        [Some(canister), cane, goblet].into_iter().flatten().collect::<Vec<_>>().join(", ")
    }
}

/// A tank that was named.
#[derive(Clone, Debug)]
pub struct NamedTank {
    /// What it is called.
    pub name: Name,
    /// How many canisters it has.
    pub canisters: Canister,
    /// Whose it is; the technician's when none.
    pub herd_id: Option<HerdId>,
}

text_enum! {
    /// Either end of a straw's way: a place in a tank, or outside.
    PlaceKind {
        /// In a tank.
        Tank = "tank",
        /// Where deliveries come from.
        Supplier = "supplier",
        /// Used for a service, or on the way to it.
        Used = "used",
        /// Thrown away.
        Discarded = "discarded",
        /// The stocktake's counterpart.
        Counted = "counted",
        /// With another keeper, to whom a consignment went.
        Keeper = "keeper",
    }
}
