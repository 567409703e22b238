//! A delivery comes in.

use crate::{
    book::{
        CommandError, Rejection,
        command::{Command, CommandContext},
        lookup,
    },
    domain::{
        form::Fault,
        nitrogen::tank::Tank,
        straws::{
            movement::{Movement, MovementKind},
            place::{Place, PlaceKind},
        },
        values::{Canister, LotId, Note, PlaceId, Straws, Technician, Timestamp},
    },
    store::straws::ledger::{self, Cause, Entry, Whereabouts},
};

/// Hangs straws of a delivery at a place.
#[derive(Clone, Debug)]
pub struct Receive {
    /// Of which lot.
    pub lot_id: LotId,
    /// Where they hang.
    pub place: Place,
    /// How many.
    pub straws: Straws,
    /// When they came; now when not said.
    pub received_at: Option<Timestamp>,
    /// Who took them in.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
}

impl Command for Receive {
    type Done = Movement;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Movement, CommandError> {
        let (occurred_at, warning) = lookup::client_time(self.received_at, cx, "received_at")?;
        lookup::lot(cx, self.lot_id, Some("#/lot_id")).await?;
        place_exists(cx, &self.place, "place").await?;
        let business = cx.business();
        let place = ledger::ensure_place(cx.tx, business, &self.place).await?;
        let entry = self.entry(place, occurred_at);
        let movement = written(cx, entry).await?.ok_or_else(|| lookup::lost("place", place.0))?;
        Ok(Movement { warnings: warning.into_iter().collect(), ..movement })
    }
}

impl Receive {
    /// The line of the ledger, with the id of the place.
    pub(crate) fn entry(&self, place: PlaceId, occurred_at: Timestamp) -> Entry {
        Entry {
            kind: MovementKind::Receipt,
            lot: self.lot_id,
            from: Whereabouts::Outside(PlaceKind::Supplier),
            to: Whereabouts::In(place),
            straws: self.straws,
            occurred_at,
            technician: self.technician.clone(),
            cause: Cause::default(),
            reason: None,
            exposure: None,
            note: self.note.clone(),
        }
    }
}

/// Moves straws and gives the line of the ledger; `None` when so many do not hang where they are to be
/// taken from.
pub async fn written(cx: &mut CommandContext<'_>, entry: Entry) -> Result<Option<Movement>, CommandError> {
    let Some(id) = cx.write(entry).await? else { return Ok(None) };
    let business = cx.business();
    let movement = ledger::movement(cx.tx, business, id).await?;
    Ok(Some(movement.ok_or_else(|| lookup::lost("movement", id.0))?))
}

/// Refuses a place whose tank is unknown or has no such canister; `field` is where it stood in the request.
pub async fn place_exists(
    cx: &mut CommandContext<'_>,
    place: &Place,
    field: &'static str,
) -> Result<(), CommandError> {
    let tank = lookup::tank(cx, place.tank_id, Some(&format!("#/{field}/tank_id"))).await?;
    canister_exists(&tank, place.canister, &format!("{field}/canister"))?;
    Ok(())
}

/// Refuses a canister that the tank does not have.
pub fn canister_exists(tank: &Tank, canister: Canister, field: &str) -> Result<(), Rejection> {
    if canister > tank.details.canisters {
        let detail = format!("{} has canisters 1 to {}", tank.details.name, tank.details.canisters);
        return Err(Rejection::Invalid(vec![Fault::at(field, detail)]));
    }
    Ok(())
}
