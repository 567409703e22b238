//! Looking up what a caller names; what is not in this business's book is refused as unknown.

use chrono::TimeDelta;
use uuid::Uuid;

use crate::{
    book::{CommandError, Rejection, command::CommandContext},
    domain::{
        animals::{
            animal::Animal,
            event::Event,
            herd::Herd,
            history::{AnimalHistory, Insemination},
            service::Service,
        },
        form::Fault,
        nitrogen::tank::Tank,
        straws::{lot::Lot, sire::Sire, stocktake::Stocktake, withdrawal::Withdrawal},
        values::{
            AnimalId, BusinessId, HerdId, LotId, ServiceId, SireId, StocktakeId, TankId, Timestamp,
            WithdrawalId,
        },
    },
    store::{self, Tx},
};

/// How far ahead of ours a client's clock may be. More is a slip of the pen, not a wrong clock.
const MOST_AHEAD: TimeDelta = TimeDelta::hours(24);

/// From when on we say that a client's clock is ahead.
const TELL_AHEAD: TimeDelta = TimeDelta::minutes(5);

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

/// What is on record of an animal, in order of time.
pub async fn history(tx: &mut Tx, business: BusinessId, animal: AnimalId) -> store::Result<AnimalHistory> {
    let services = store::animals::service::of_animal(tx, business, animal).await?;
    let events = store::animals::event::of_animal(tx, business, animal).await?;
    Ok(history_of(&services, events))
}

/// The same from records that were read already.
pub fn history_of(services: &[Insemination], events: Vec<Event>) -> AnimalHistory {
    AnimalHistory {
        services: services.iter().map(|service| service.served_at).collect(),
        happenings: events.into_iter().map(|event| (event.happened_at, event.what)).collect(),
    }
}

/// A moment that a client tells, or now; refused when it lies far ahead. And what to say when a clock seems to
/// be wrong: the client's ahead of ours, or ours behind its own book.
pub fn client_time(
    at: Option<Timestamp>,
    cx: &CommandContext<'_>,
    field: &'static str,
) -> Result<(Timestamp, Option<String>), Rejection> {
    let now = cx.now;
    let went_back = cx.latest.since(now) > TELL_AHEAD;
    let Some(at) = at else {
        let warning = went_back.then(|| {
            format!(
                "{field} was not told and is {now} by this service's clock, which went back: the book knew {} \
                 before. Send {field}, and have the service's clock looked at.",
                cx.latest
            )
        });
        return Ok((now, warning));
    };
    // A clock that went back, such as one without a battery, must not make the farm's own times impossible.
    let known = now.max(cx.latest);
    if at.since(known) > MOST_AHEAD {
        return Err(Rejection::Invalid(vec![Fault::at(
            field,
            format!("lies more than 24 hours ahead of this service's clock, which says {known}"),
        )]));
    }
    let ahead = at.since(now);
    let warning = (ahead > TELL_AHEAD).then(|| {
        let whose = if went_back {
            "this service's clock went back; have it looked at"
        } else {
            "look at the sender's clock"
        };
        let minutes = ahead.num_minutes();
        format!(
            "{field} is {minutes} minutes ahead of this service's clock; it is kept as told, but {whose}."
        )
    });
    Ok((at, warning))
}
