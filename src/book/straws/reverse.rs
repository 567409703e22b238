//! A mistake is undone: a line of the ledger, or a service.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext, On},
        lookup,
        straws::decided,
    },
    domain::{
        animals::{reverse_service, service::Service},
        rejection::Rejection,
        straws::{
            movement::Movement,
            reverse::{self, Facts, NewReversal},
        },
        values::{MovementId, ServiceId},
    },
    store::{self, animals::candidate, straws::reversal},
};

impl Command for On<MovementId, NewReversal> {
    type Done = Movement;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Movement, CommandError> {
        let (business, by) = (cx.business(), cx.caller.key_id);
        let found = reversal::gather(cx.tx, business, self.id).await?;
        let found = found.ok_or(Rejection::Unknown { what: "movement", id: self.id.0, pointer: None })?;
        let (lot, withdrawal_id) = (found.movement.lot_id, found.movement.withdrawal_id);
        let place = found.movement.to.place.clone();
        let candidate = match found.service {
            Some(_) => {
                let asked = candidate::Asked { withdrawal: withdrawal_id, ..candidate::Asked::default() };
                candidate::gather(cx.tx, business, asked).await?.candidate
            }
            None => None,
        };
        let facts = Facts {
            original: found.movement,
            back_to: found.from,
            taken_from: found.to,
            counted_by: found.counted_by,
            withdrawal: found.withdrawal,
            service: found.service,
            candidate,
        };
        let decision = reverse::decide(&self.command, &facts, cx.now());
        let decision = decided(cx, lot, place.as_ref(), decision).await?;
        cx.touched.moved(&decision.posting);
        cx.touched.withdrawals.extend(withdrawal_id);
        Ok(reversal::write(cx.tx, business, by, cx.now, decision).await?)
    }
}

/// A service was entered by mistake.
#[derive(Clone, Copy, Debug)]
pub struct ReverseService {
    /// Which.
    pub service_id: ServiceId,
}

impl Command for ReverseService {
    type Done = Service;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Service, CommandError> {
        let business = cx.business();
        let service = lookup::service(cx, self.service_id, None).await?;
        let asked = candidate::Asked { animal: Some(service.animal_id), ..candidate::Asked::default() };
        let candidate = candidate::gather(cx.tx, business, asked).await?.candidate;
        let withdrawal = match service.withdrawal_id {
            Some(id) => Some(lookup::withdrawal(cx, id, None).await?),
            None => None,
        };
        let decision = reverse_service::decide(service, candidate.as_ref(), withdrawal.as_ref(), cx.now)?;
        store::animals::service::reverse(cx.tx, business, &decision).await?;
        cx.touched.withdrawals.extend(decision.service.withdrawal_id);
        Ok(decision.service)
    }
}
