//! Looking up what a caller names; what is not in this business's book is refused as unknown.

use crate::{
    book::{CommandError, command::CommandContext},
    domain::{
        animals::{animal::Animal, herd::Herd, service::Service},
        nitrogen::tank::Tank,
        rejection::Rejection,
        straws::{lot::Lot, sire::Sire, stocktake::Stocktake, withdrawal::Withdrawal},
        values::{
            AnimalId, BusinessId, HerdId, LotId, ServiceId, SireId, StocktakeId, TankId, Timestamp,
            WithdrawalId,
        },
    },
    store::{self, Tx},
};
use uuid::Uuid;

macro_rules! known {
    ($($layer:ident $name:ident: $id:ty => $thing:ty, $what:literal;)+) => {$(
        pub async fn $name(cx: &mut CommandContext<'_>, id: $id, pointer: Option<&str>) -> Result<$thing, CommandError> {
            let business = cx.business();
            store::$layer::$name::find(cx.tx, business, id)
                .await?
                .ok_or_else(|| Rejection::Unknown { what: $what, id: id.0, pointer: pointer.map(Into::into) }.into())
        }
    )+};
}

known! {
    animals herd: HerdId => Herd, "herd";
    nitrogen tank: TankId => Tank, "tank";
    straws sire: SireId => Sire, "sire";
    straws lot: LotId => Lot, "lot";
    animals animal: AnimalId => Animal, "animal";
    straws withdrawal: WithdrawalId => Withdrawal, "withdrawal";
    animals service: ServiceId => Service, "service";
    straws stocktake: StocktakeId => Stocktake, "stocktake";
}

macro_rules! pointed_to {
    ($($(#[$doc:meta])* $name:ident in $folder:ident::$module:ident: $id:ty => $thing:ty, $what:literal;)+) => {$(
        $(#[$doc])*
        pub async fn $name(tx: &mut Tx, business: BusinessId, id: $id) -> store::Result<$thing> {
            store::$folder::$module::find(tx, business, id).await?.ok_or_else(|| lost($what, id.0))
        }
    )+};
}

// What a record points to is there: the store's own references guarantee it.
pointed_to! {
    /// The herd that a record points to.
    herd_of in animals::herd: HerdId => Herd, "herd";
    /// The tank that a record points to.
    tank_of in nitrogen::tank: TankId => Tank, "tank";
    /// The lot that a record points to.
    lot_of in straws::lot: LotId => Lot, "lot";
    /// The sire that a record points to.
    sire_of in straws::sire: SireId => Sire, "sire";
    /// The animal that a record points to.
    animal_of in animals::animal: AnimalId => Animal, "animal";
}

/// A reference that must lead somewhere and does not: the store is damaged.
pub fn lost(what: &str, id: Uuid) -> store::Error {
    store::Error::Unusable(format!("the store lost the {what} {id}"))
}

/// A moment that a client gives, or now, and what to say when a clock seems to be wrong.
pub fn client_time(
    at: Option<Timestamp>,
    cx: &CommandContext<'_>,
    field: &'static str,
) -> Result<(Timestamp, Option<String>), Rejection> {
    cx.now().client_time(at, field)
}
