//! A mistake is undone: by another line of the ledger, never by changing one.
//!
//! The pair stays to be seen. A line is undone once, and only if the straws can be where it would
//! put them back from. What hung on it follows: a reversed withdrawal never left the tank, and the
//! service that was recorded with it no longer counts.

use crate::{
    book::{
        NotInStock, Refusal, Stop,
        animals::{record_service, report_event::renumber},
        lookup,
        straws::receive::{Moved, written},
        writer::{Act, Turn},
    },
    domain::{
        animals::service::Service,
        straws::{
            movement::{End, Movement, MovementKind, ReversalReason},
            withdrawal::WithdrawalState,
        },
        values::{MovementId, Note, ServiceId, Technician, Timestamp},
    },
    store::{
        self,
        straws::ledger::{self, Cause, Entry, Whereabouts},
    },
};

/// Undoes a line of the ledger.
#[derive(Clone, Debug)]
pub struct Reverse {
    /// Which.
    pub movement_id: MovementId,
    /// Why.
    pub reason: ReversalReason,
    /// When the mistake was found; now when not said.
    pub reversed_at: Option<Timestamp>,
    /// Who found it.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
}

impl Act for Reverse {
    type Done = Moved;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<Moved, Stop> {
        let (occurred_at, ahead) = lookup::told_time(self.reversed_at, turn, "reversed_at")?;
        let business = turn.business();
        let original = ledger::movement(turn.tx, business, self.movement_id).await?;
        let original =
            original.ok_or(Refusal::Unknown { what: "movement", id: self.movement_id.0, pointer: None })?;
        if let Some(by) = original.reversed_by {
            return Err(Refusal::AlreadyReversed { movement: original.id, by }.into());
        }
        undo_consequences(turn, &original).await?;
        let entry = Entry {
            kind: MovementKind::Reversal,
            lot: original.lot_id,
            from: whereabouts(turn, &original.to).await?,
            to: whereabouts(turn, &original.from).await?,
            straws: original.straws,
            occurred_at,
            technician: self.technician.clone(),
            cause: Cause {
                withdrawal: original.withdrawal_id,
                stocktake: original.stocktake_id,
                reverses: Some(original.id),
            },
            reason: Some(self.reason.as_str()),
            exposure: None,
            note: self.note.clone(),
        };
        let Some(movement) = written(turn, entry).await? else {
            return Err(gone(turn, &original).await?);
        };
        Ok(Moved { movement, warnings: ahead.into_iter().collect() })
    }
}

/// Where an end of a movement is, so that straws can be put there again.
async fn whereabouts(turn: &mut Turn<'_>, end: &End) -> Result<Whereabouts, Stop> {
    let business = turn.business();
    let Some(place) = &end.place else { return Ok(Whereabouts::Outside(end.kind)) };
    let tank = lookup::tank(turn, place.tank_id, None).await?;
    if place.canister > tank.details.canisters {
        let text = format!(
            "{} has no canister {} any more, so nothing can hang there.",
            tank.details.name, place.canister
        );
        return Err(Refusal::InUse { text }.into());
    }
    Ok(Whereabouts::In(ledger::ensure_place(turn.tx, business, place).await?))
}

/// The straws that would have to go back are not there any more.
async fn gone(turn: &mut Turn<'_>, original: &Movement) -> Result<Stop, store::Error> {
    let elsewhere = ledger::stock_of_lot(turn.tx, turn.caller.business_id, original.lot_id).await?;
    let place = original.to.place.as_ref();
    let held = elsewhere.iter().find(|stock| Some(&stock.place) == place).map_or(0, |stock| stock.straws);
    let told = place.map_or_else(String::new, |place| format!(" in {}", place.told()));
    let missing = NotInStock {
        asked: original.straws.get(),
        held,
        text: format!("straws of line {} to be taken back{told}; reverse first what took them", original.seq),
        semen_type: None,
        elsewhere: elsewhere.into_iter().filter(|stock| Some(&stock.place) != place).collect(),
    };
    Ok(Refusal::NotInStock(Box::new(missing)).into())
}

/// What hung on the line is undone with it.
async fn undo_consequences(turn: &mut Turn<'_>, original: &Movement) -> Result<(), Stop> {
    let business = turn.business();
    let Some(id) = original.withdrawal_id else { return Ok(()) };
    let withdrawal = lookup::withdrawal(turn, id, None).await?;
    turn.touched.withdrawal(id);
    match original.kind {
        MovementKind::Withdrawal if withdrawal.state == WithdrawalState::Discarded => {
            Err(not_reversible("The straw was discarded; reverse the discard first."))
        }
        MovementKind::Withdrawal => {
            if let Some(service) = store::animals::service::of_withdrawal(turn.tx, business, id).await? {
                take_back(turn, &service).await?;
            }
            let state = WithdrawalState::Reversed;
            Ok(store::straws::withdrawal::resolve(turn.tx, business, id, state, turn.now).await?)
        }
        MovementKind::Discard => {
            let state = withdrawal.unresolved_state();
            Ok(store::straws::withdrawal::reopen(turn.tx, business, id, state).await?)
        }
        MovementKind::Reversal | MovementKind::Receipt | MovementKind::Transfer | MovementKind::Count => {
            Err(not_reversible(
                "What was reversed with a withdrawal or its discard is entered anew, not reversed back.",
            ))
        }
    }
}

/// The service no longer counts, and those after it move up.
async fn take_back(turn: &mut Turn<'_>, service: &Service) -> Result<(), Stop> {
    let business = turn.business();
    store::animals::service::reverse(turn.tx, business, service.id, turn.now).await?;
    let animal = lookup::animal_of(turn.tx, business, service.animal_id).await?;
    let herd = lookup::herd_of(turn.tx, business, animal.details.herd_id).await?.details;
    Ok(renumber(turn.tx, business, animal.id, &herd).await?)
}

fn not_reversible(text: &str) -> Stop {
    Refusal::NotReversible { text: text.to_owned() }.into()
}

/// A service was entered by mistake: it stays to be seen and no longer counts. A straw of this book that
/// went into it is unresolved again.
#[derive(Clone, Debug)]
pub struct ReverseService {
    /// Which.
    pub service_id: ServiceId,
}

impl Act for ReverseService {
    type Done = record_service::Shown;

    async fn perform(&self, turn: &mut Turn<'_>) -> Result<record_service::Shown, Stop> {
        let business = turn.business();
        let service = lookup::service(turn, self.service_id, None).await?;
        if service.reversed_at.is_some() {
            return Err(not_reversible("The service was reversed already."));
        }
        take_back(turn, &service).await?;
        if let Some(id) = service.withdrawal_id {
            let withdrawal = lookup::withdrawal(turn, id, None).await?;
            store::straws::withdrawal::reopen(turn.tx, business, id, withdrawal.unresolved_state()).await?;
            turn.touched.withdrawal(id);
        }
        Ok(record_service::shown(turn.tx, business, service).await?)
    }
}
