//! Straws are thrown away: from stock, or withdrawn and not used.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext, On},
        lookup,
        straws::receive::{place_exists, written},
    },
    domain::{
        rejection::{NotInStock, Rejection},
        straws::{
            discard_withdrawn::{self, NewDiscardOfWithdrawn},
            movement::{Movement, MovementKind},
            place::{Place, PlaceKind},
            withdrawal::{DiscardReason, Withdrawal},
        },
        values::{LotId, Note, Straws, Technician, Timestamp, WithdrawalId},
    },
    store::{
        self,
        straws::ledger::{self, Cause, Entry, Whereabouts},
    },
};

/// Throws straws away that hang in a tank.
#[derive(Clone, Debug)]
pub struct Discard {
    /// Of which lot.
    pub lot_id: LotId,
    /// Where they hang.
    pub place: Place,
    /// How many.
    pub straws: Straws,
    /// Why.
    pub reason: DiscardReason,
    /// When; now when not said.
    pub discarded_at: Option<Timestamp>,
    /// Who.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
}

impl Command for Discard {
    type Done = Movement;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Movement, CommandError> {
        let (occurred_at, ahead) = lookup::client_time(self.discarded_at, cx, "discarded_at")?;
        lookup::lot(cx, self.lot_id, Some("#/lot_id")).await?;
        place_exists(cx, &self.place, "place").await?;
        let entry = Entry {
            kind: MovementKind::Discard,
            lot: self.lot_id,
            from: hanging_at(cx, self.lot_id, &self.place, self.straws).await?,
            to: Whereabouts::Outside(PlaceKind::Discarded),
            straws: self.straws,
            occurred_at,
            technician: self.technician.clone(),
            cause: Cause::default(),
            reason: Some(self.reason.as_str()),
            exposure: None,
            note: self.note.clone(),
        };
        let movement = written(cx, entry).await?.ok_or_else(|| lookup::lost("balance", self.lot_id.0))?;
        Ok(Movement { warnings: ahead.into_iter().collect(), ..movement })
    }
}

/// The place, when so many straws of the lot hang there; refused when they do not, saying where others do.
pub async fn hanging_at(
    cx: &mut CommandContext<'_>,
    lot: LotId,
    place: &Place,
    straws: Straws,
) -> Result<Whereabouts, CommandError> {
    let business = cx.business();
    let place_id = ledger::find_place(cx.tx, business, place).await?;
    let held = match place_id {
        Some(id) => ledger::held(cx.tx, business, lot, id).await?,
        None => 0,
    };
    if let Some(id) = place_id.filter(|_| held >= straws.get()) {
        return Ok(Whereabouts::In(id));
    }
    let mut elsewhere = ledger::stock_of_lot(cx.tx, business, lot).await?;
    elsewhere.retain(|other| Some(other.place_id) != place_id);
    let text = format!("straws of this lot in {}", place.describe());
    let missing = NotInStock { asked: straws.get(), held, text, semen_type: None, elsewhere };
    Err(Rejection::NotInStock(Box::new(missing)).into())
}

impl Command for On<WithdrawalId, NewDiscardOfWithdrawn> {
    type Done = Withdrawal;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Withdrawal, CommandError> {
        let withdrawal = lookup::withdrawal(cx, self.id, None).await?;
        let withdrawal = discard_withdrawn::decide(&self.command, withdrawal, cx.now())?;
        let by = cx.caller.key_id;
        store::straws::withdrawal::discard(
            cx.tx,
            cx.caller.business_id,
            by,
            cx.now,
            &self.command,
            &withdrawal,
        )
        .await?;
        cx.touched.withdrawal(withdrawal.id);
        Ok(withdrawal)
    }
}
