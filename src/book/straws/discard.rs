//! Straws are thrown away: from stock, or withdrawn and not used.

use crate::{
    book::{
        CommandError, NotInStock, Rejection,
        command::{Command, CommandContext},
        lookup,
        straws::{
            receive::{place_exists, written},
            thaw::still_open,
        },
    },
    domain::{
        straws::{
            movement::{Movement, MovementKind},
            place::{Place, PlaceKind},
            withdrawal::{DiscardReason, Withdrawal, WithdrawalState},
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

/// Throws a withdrawn straw away.
#[derive(Clone, Debug)]
pub struct DiscardWithdrawn {
    /// Which.
    pub withdrawal_id: WithdrawalId,
    /// Why.
    pub reason: DiscardReason,
    /// When; now when not said.
    pub discarded_at: Option<Timestamp>,
    /// Who.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
}

impl Command for DiscardWithdrawn {
    type Done = Withdrawal;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Withdrawal, CommandError> {
        let (at, ahead) = lookup::client_time(self.discarded_at, cx, "discarded_at")?;
        let withdrawal = lookup::withdrawal(cx, self.withdrawal_id, None).await?;
        still_open(&withdrawal)?;
        let business = cx.business();
        let state = WithdrawalState::Discarded;
        store::straws::withdrawal::resolve(cx.tx, business, withdrawal.id, state, at).await?;
        let entry = Entry {
            kind: MovementKind::Discard,
            lot: withdrawal.lot.id,
            // It went out of the tank towards a use; now it is known not to have got there.
            from: Whereabouts::Outside(PlaceKind::Used),
            to: Whereabouts::Outside(PlaceKind::Discarded),
            straws: withdrawal.straws,
            occurred_at: at,
            technician: self.technician.clone(),
            cause: Cause::withdrawal(withdrawal.id),
            reason: Some(self.reason.as_str()),
            exposure: None,
            note: self.note.clone(),
        };
        cx.write(entry).await?;
        cx.touched.withdrawal(withdrawal.id);
        Ok(Withdrawal { state, resolved_at: Some(at), warnings: ahead.into_iter().collect(), ..withdrawal })
    }
}
