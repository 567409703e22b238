//! A mistake is undone: by another line of the ledger, never by changing one.
//!
//! The pair stays to be seen. A line is undone once, and only if the straws can be where it would
//! put them back from. What hung on it follows: a reversed withdrawal never left the tank, and the
//! service that was recorded with it no longer counts.

use crate::{
    book::{
        CommandError, NotInStock, Rejection,
        animals::report_event::renumber,
        command::{Command, CommandContext},
        lookup,
        straws::receive::written,
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

impl Command for Reverse {
    type Done = Movement;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Movement, CommandError> {
        let (occurred_at, ahead) = lookup::client_time(self.reversed_at, cx, "reversed_at")?;
        let business = cx.business();
        let original = ledger::movement(cx.tx, business, self.movement_id).await?;
        let original =
            original.ok_or(Rejection::Unknown { what: "movement", id: self.movement_id.0, pointer: None })?;
        if let Some(by) = original.reversed_by {
            return Err(Rejection::AlreadyReversed { movement: original.id, by }.into());
        }
        undo_consequences(cx, &original).await?;
        let entry = Entry {
            kind: MovementKind::Reversal,
            lot: original.lot_id,
            from: whereabouts(cx, &original.to).await?,
            to: whereabouts(cx, &original.from).await?,
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
        let Some(movement) = written(cx, entry).await? else {
            return Err(gone(cx, &original).await?);
        };
        Ok(Movement { warnings: ahead.into_iter().collect(), ..movement })
    }
}

/// Where an end of a movement is, so that straws can be put there again.
async fn whereabouts(cx: &mut CommandContext<'_>, end: &End) -> Result<Whereabouts, CommandError> {
    let business = cx.business();
    let Some(place) = &end.place else { return Ok(Whereabouts::Outside(end.kind)) };
    let tank = lookup::tank(cx, place.tank_id, None).await?;
    if place.canister > tank.details.canisters {
        let text = format!(
            "{} has no canister {} any more, so nothing can hang there.",
            tank.details.name, place.canister
        );
        return Err(Rejection::InUse { text }.into());
    }
    Ok(Whereabouts::In(ledger::ensure_place(cx.tx, business, place).await?))
}

/// The straws that would have to go back are not there any more.
async fn gone(cx: &mut CommandContext<'_>, original: &Movement) -> Result<CommandError, store::Error> {
    let elsewhere = ledger::stock_of_lot(cx.tx, cx.caller.business_id, original.lot_id).await?;
    let place = original.to.place.as_ref();
    let held = elsewhere.iter().find(|stock| Some(&stock.place) == place).map_or(0, |stock| stock.straws);
    let told = place.map_or_else(String::new, |place| format!(" in {}", place.describe()));
    let missing = NotInStock {
        asked: original.straws.get(),
        held,
        text: format!("straws of line {} to be taken back{told}; reverse first what took them", original.seq),
        semen_type: None,
        elsewhere: elsewhere.into_iter().filter(|stock| Some(&stock.place) != place).collect(),
    };
    Ok(Rejection::NotInStock(Box::new(missing)).into())
}

/// What hung on the line is undone with it.
async fn undo_consequences(cx: &mut CommandContext<'_>, original: &Movement) -> Result<(), CommandError> {
    let business = cx.business();
    let Some(id) = original.withdrawal_id else { return Ok(()) };
    let withdrawal = lookup::withdrawal(cx, id, None).await?;
    cx.touched.withdrawal(id);
    match original.kind {
        MovementKind::Withdrawal if withdrawal.state == WithdrawalState::Discarded => {
            Err(not_reversible("The straw was discarded; reverse the discard first."))
        }
        MovementKind::Withdrawal => {
            if let Some(service) = store::animals::service::of_withdrawal(cx.tx, business, id).await? {
                take_back(cx, &service).await?;
            }
            let state = WithdrawalState::Reversed;
            Ok(store::straws::withdrawal::resolve(cx.tx, business, id, state, cx.now).await?)
        }
        MovementKind::Discard => {
            let state = withdrawal.unresolved_state();
            Ok(store::straws::withdrawal::reopen(cx.tx, business, id, state).await?)
        }
        MovementKind::Reversal | MovementKind::Receipt | MovementKind::Transfer | MovementKind::Count => {
            Err(not_reversible(
                "What was reversed with a withdrawal or its discard is entered anew, not reversed back.",
            ))
        }
    }
}

/// The service no longer counts, and those after it move up.
async fn take_back(cx: &mut CommandContext<'_>, service: &Service) -> Result<(), CommandError> {
    let business = cx.business();
    store::animals::service::reverse(cx.tx, business, service.id, cx.now).await?;
    let animal = lookup::animal_of(cx.tx, business, service.animal_id).await?;
    let herd = lookup::herd_of(cx.tx, business, animal.details.herd_id).await?.details;
    Ok(renumber(cx.tx, business, animal.id, &herd).await?)
}

fn not_reversible(text: &str) -> CommandError {
    Rejection::NotReversible { text: text.to_owned() }.into()
}

/// A service was entered by mistake: it stays to be seen and no longer counts. A straw of this book that
/// went into it is unresolved again.
#[derive(Clone, Debug)]
pub struct ReverseService {
    /// Which.
    pub service_id: ServiceId,
}

impl Command for ReverseService {
    type Done = Service;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Service, CommandError> {
        let business = cx.business();
        let service = lookup::service(cx, self.service_id, None).await?;
        if service.reversed_at.is_some() {
            return Err(not_reversible("The service was reversed already."));
        }
        take_back(cx, &service).await?;
        if let Some(id) = service.withdrawal_id {
            let withdrawal = lookup::withdrawal(cx, id, None).await?;
            store::straws::withdrawal::reopen(cx.tx, business, id, withdrawal.unresolved_state()).await?;
            cx.touched.withdrawal(id);
        }
        let reversed = store::animals::service::find(cx.tx, business, service.id).await?;
        Ok(reversed.ok_or_else(|| lookup::lost("service", service.id.0))?)
    }
}
