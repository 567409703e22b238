//! A straw leaves the tank for an animal.

use crate::{
    book::{
        CommandError,
        alerts::alert,
        command::{Command, CommandContext},
    },
    domain::{
        access::limits::{Limits, only_within},
        animals::{
            candidate::{Candidate, Turn},
            mating_plan::MatingPlan,
            offers::{Offers, offers, sires_of},
        },
        exchange::ade::ItemKind,
        rejection::Rejection,
        straws::{
            semen::SemenType,
            withdraw::{self, Decision, Facts, MOST_INSTEAD, NewWithdrawal, Refusal},
            withdrawal::Withdrawal,
        },
        values::{BusinessId, Timestamp},
        webhooks::event::{self, Event, StrawWithdrawn, Subject, Topic},
    },
    store::{
        self, Tx,
        animals::{candidate, pedigree},
        straws::stock::{self, Held},
    },
};

impl Command for NewWithdrawal {
    type Done = Withdrawal;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Withdrawal, CommandError> {
        let business = cx.business();
        let limits = cx.limits();
        let facts = gather(cx.tx, business, limits, self, cx.now).await?;
        let decision = match withdraw::decide(self, &facts, cx.now(), cx.caller.role) {
            Ok(decision) => decision,
            Err(Refusal::Final(rejection)) => return Err(rejection.into()),
            // Only who is turned down needs to know what else hangs there, so only then it is looked up.
            Err(Refusal::NotInStock { mut missing, lot }) => {
                if let Some((candidate, sire)) = facts.candidate.zip(facts.sire) {
                    let stock = stock::of_sire(cx.tx, business, sire.id, Held::Now).await?;
                    let stock = only_within(limits, stock);
                    missing.elsewhere = withdraw::elsewhere(self, &candidate, lot, missing.semen_type, stock);
                }
                return Err(Rejection::NotInStock(missing).into());
            }
            Err(Refusal::Objected { mut objected, against_her }) => {
                if let Some(candidate) = facts.candidate.filter(|_| !against_her) {
                    let turn = candidate.at(self.withdrawn_at.unwrap_or(cx.now));
                    let (_, offers) = in_reach(cx.tx, business, limits, candidate, &turn, None).await?;
                    objected.instead = offers.free;
                    objected.instead.truncate(MOST_INSTEAD);
                }
                return Err(Rejection::Objected(objected).into());
            }
        };
        let Decision { withdrawal, left, found } = decision;
        let found_straws = found.as_ref().map(|found| found.straws);
        if let Some(found) = found {
            cx.post(found).await?;
        }
        store::straws::withdrawal::write(cx.tx, business, cx.caller.key_id, &withdrawal, left).await?;
        cx.touched.took(withdrawal.lot.id, withdrawal.place_id);
        if !withdrawal.deviations.0.is_empty() {
            alert::overridden(cx, &withdrawal, &withdrawal.deviations).await?;
        }
        if let Some(straws) = found_straws {
            alert::surplus(cx, &withdrawal, straws).await?;
        }
        store::webhooks::outbox::write(cx.tx, business, cx.now, event_of(&withdrawal));
        Ok(withdrawal)
    }
}

async fn gather(
    tx: &mut Tx,
    business: BusinessId,
    limits: Option<&Limits>,
    new: &NewWithdrawal,
    now: Timestamp,
) -> store::Result<Facts> {
    let asked = candidate::Asked {
        animal: Some(new.animal_id),
        withdrawal: None,
        lot: new.lot_id,
        sire: new.sire_id,
        place: new.place.as_ref(),
        id: new.id,
        held: if new.already_done { Held::Ever } else { Held::Now },
    };
    let held = asked.held;
    let found = candidate::gather(tx, business, asked).await?;
    let candidate::Found { candidate, lot, sire, tank, place_id, place_on_hold, is_id_taken, hanging } =
        found;
    let stock = match &sire {
        Some(sire) if new.lot_id.is_none() => stock::of_sire(tx, business, sire.id, held).await?,
        _ => hanging,
    };
    let stock = only_within(limits, stock);
    let mut facts = Facts {
        candidate,
        lot,
        sire,
        tank,
        place_id,
        place_on_hold,
        is_id_taken,
        stock,
        none_in_reach: false,
    };
    if withdraw::asks_otherwise(new, &facts, now)
        && let Some(mut candidate) = facts.candidate.take()
    {
        let turn = candidate.at(new.withdrawn_at.unwrap_or(now));
        let pedigree = candidate.pedigree.clone();
        let (back, offers) = in_reach(tx, business, limits, candidate, &turn, None).await?;
        facts.none_in_reach = !offers.free.iter().any(|straw| turn.allowed.has(straw.semen_type));
        candidate = back;
        // Her own again: it knows the sire that is asked for, wherever his straws hang.
        candidate.pedigree = pedigree;
        facts.candidate = Some(candidate);
    }
    Ok(facts)
}

/// The straws within her reach and the `limits` that she may have, of the `wanted` type only where one is, and what comes of her plan.
pub(crate) async fn in_reach(
    tx: &mut Tx,
    business: BusinessId,
    limits: Option<&Limits>,
    mut candidate: Candidate,
    turn: &Turn,
    wanted: Option<SemenType>,
) -> store::Result<(Candidate, Offers)> {
    let mut sires = candidate.plan.as_ref().map(MatingPlan::sires).unwrap_or_default();
    let stock = stock::for_herd_and_of(tx, business, candidate.herd_id, &sires).await?;
    let stock = only_within(limits, stock);
    sires.extend(sires_of(&stock));
    candidate.pedigree = pedigree::of(tx, business, candidate.id, &sires).await?;
    let offers = offers(&candidate, turn, stock, wanted);
    Ok((candidate, offers))
}

/// What others are told of a withdrawal.
fn event_of(withdrawal: &Withdrawal) -> Event {
    let data = StrawWithdrawn {
        withdrawal_id: withdrawal.id,
        animal_id: withdrawal.animal_id,
        herd_id: withdrawal.herd_id,
        lot_id: withdrawal.lot.id,
        sire_id: withdrawal.sire.id,
        semen_type: withdrawal.semen_type,
        place: withdrawal.place.clone(),
        straws: withdrawal.straws,
        service_number: withdrawal.service_number,
        rank: withdrawal.rank,
        deviations: event::kinds_of(&withdrawal.deviations),
        ade: ItemKind::Animal.address(withdrawal.herd_id, withdrawal.animal_id.0),
    };
    Event {
        kind: Topic::StrawWithdrawn.happened(),
        subject: Subject::Animal(withdrawal.animal_id),
        occurred_at: withdrawal.withdrawn_at,
        herd: Some(withdrawal.herd_id),
        tank: Some(withdrawal.place.tank_id),
        data: event::data(&data),
    }
}
