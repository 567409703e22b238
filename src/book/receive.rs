//! A delivery comes in.

use super::{
    Refusal, Stop, known,
    writer::{Act, Turn},
};
use crate::{
    domain::{
        form::Fault,
        movement::{Movement, MovementKind},
        place::{Place, PlaceKind},
        tank::Tank,
        values::{Canister, LotId, MovementId, Note, PlaceId, Straws, Technician, Timestamp},
    },
    store::{
        self,
        ledger::{self, Entry},
    },
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

/// A delivery on record.
#[derive(Debug)]
pub struct Received {
    /// The line of the ledger.
    pub movement: Movement,
    /// How many straws of the lot hang at the place now.
    pub straws_at_place: i64,
    /// What the caller should know.
    pub warnings: Vec<String>,
}

impl Act for Receive {
    type Done = Received;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<Received, Stop> {
        let (occurred_at, warning) = known::told_time(self.received_at, turn.now, "received_at")?;
        known::lot(turn, self.lot_id, Some("#/lot_id")).await?;
        place_exists(turn, &self.place, "#/place/tank_id", "place/canister").await?;
        let business = turn.business();
        let to = ledger::ensure_place(turn.tx, business, &self.place).await?;
        let (id, straws_at_place) = self.hang(turn, to, occurred_at).await?;
        let movement = ledger::movement(turn.tx, business, id).await?;
        let movement = movement.ok_or_else(|| known::lost("movement", id.0))?;
        Ok(Received { movement, straws_at_place, warnings: warning.into_iter().collect() })
    }
}

impl Receive {
    /// Hangs the straws at `to`, the id of the place, and writes the line of the ledger; gives it
    /// and how many straws of the lot hang there then.
    pub(super) async fn hang(
        &self,
        turn: &mut Turn<'_>,
        to: PlaceId,
        occurred_at: Timestamp,
    ) -> store::Result<(MovementId, i64)> {
        let (business, by, now) = (turn.business(), turn.caller.key_id, turn.now);
        let from = ledger::outside(turn.tx, business, PlaceKind::Supplier).await?;
        let straws_at_place = ledger::put(turn.tx, business, self.lot_id, to, self.straws).await?;
        let entry = Entry {
            kind: MovementKind::Receipt,
            lot: self.lot_id,
            from,
            to,
            straws: self.straws,
            occurred_at,
            technician: self.technician.clone(),
            withdrawal: None,
            reason: None,
            note: self.note.clone(),
        };
        Ok((ledger::record(turn.tx, business, by, now, entry).await?, straws_at_place))
    }
}

/// Refuses a place whose tank is unknown or has no such canister.
pub async fn place_exists(
    turn: &mut Turn<'_>,
    place: &Place,
    tank_pointer: &'static str,
    canister_field: &'static str,
) -> Result<(), Stop> {
    let tank = known::tank(turn, place.tank_id, Some(tank_pointer)).await?;
    canister_exists(&tank, place.canister, canister_field)?;
    Ok(())
}

/// Refuses a canister that the tank does not have.
pub fn canister_exists(tank: &Tank, canister: Canister, field: &'static str) -> Result<(), Refusal> {
    if canister > tank.details.canisters {
        let detail = format!("{} has canisters 1 to {}", tank.details.name, tank.details.canisters);
        return Err(Refusal::Invalid(vec![Fault::at(field, detail)]));
    }
    Ok(())
}
