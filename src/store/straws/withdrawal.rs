//! Withdrawals: straws on their way from the tank to a service.

use crate::{
    domain::{
        animals::objection::Deviations,
        exchange::change::ChangeKind,
        straws::{
            thaw::Thawing,
            withdrawal::{Withdrawal, WithdrawalState},
        },
        values::{AnimalId, BusinessId, Celsius, KeyId, Timestamp, WithdrawalId},
    },
    store::{
        Page, Result, Tx,
        exchange::change::{self, NewChange},
        straws::{ledger::place_columns, lot::lot_columns, sire::sire_columns},
    },
};

/// Enters a withdrawal, fresh out of the tank.
pub async fn add(tx: &mut Tx, business: BusinessId, by: KeyId, w: &Withdrawal) -> Result<()> {
    tx.sql(
        "insert into withdrawal (business_id, id, animal_id, herd_id, lot_id, place_id, straws, withdrawn_at,
                                 technician, service_number, rank, rule, thaw, override_reason, deviations, state,
                                 recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)",
    )
    .bind(business)
    .bind(w.id)
    .bind(w.animal_id)
    .bind(w.herd_id)
    .bind(w.lot.id)
    .bind(w.place_id)
    .bind(w.straws)
    .bind(w.withdrawn_at)
    .bind(w.technician.clone())
    .bind(w.service_number)
    .bind(w.rank)
    .bind(w.rule.clone())
    .bind(w.thaw.clone())
    .bind(w.override_reason.clone())
    .bind(w.deviations.clone())
    .bind(w.state)
    .bind(w.recorded_at)
    .bind(by)
    .run()
    .await?;
    let noted = NewChange::of(ChangeKind::Withdrawal, w.id.0).herd(w.herd_id).animal(w.animal_id);
    change::note(tx, business, noted);
    Ok(())
}

macro_rules! withdrawals {
    ($rest:literal) => {
        concat!(
            "select w.id, w.state, w.animal_id, a.number as animal_number, w.herd_id, w.service_number, w.rank, ",
            lot_columns!(),
            ", ",
            sire_columns!(),
            ", ",
            place_columns!(),
            ", w.place_id, t.name as tank_name, w.straws, w.withdrawn_at, w.technician, w.rule, w.thaw,
                    w.bath_temp_c, w.thaw_started_at, w.ready_at, w.use_by, w.resolved_at, w.override_reason,
                    w.deviations, w.recorded_at
             from withdrawal w
             join animal a on a.business_id = w.business_id and a.id = w.animal_id
             join lot l on l.business_id = w.business_id and l.id = w.lot_id
             join sire s on s.business_id = l.business_id and s.id = l.sire_id
             join place p on p.business_id = w.business_id and p.id = w.place_id
             join tank t on t.business_id = p.business_id and t.id = p.tank_id ",
            $rest
        )
    };
}

/// One withdrawal.
pub async fn find(tx: &mut Tx, business: BusinessId, id: WithdrawalId) -> Result<Option<Withdrawal>> {
    tx.sql(withdrawals!("where w.business_id = $1 and w.id = $2")).bind(business).bind(id).optional().await
}

/// Withdrawals, oldest entry first; of one animal, or only the unresolved, when that is asked.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    animal: Option<AnimalId>,
    unresolved: bool,
    page: Page,
) -> Result<Vec<Withdrawal>> {
    tx.sql(withdrawals!(
        "where w.business_id = $1 and w.id > $2 and ($4 is null or w.animal_id = $4)
           and (not $5 or w.state in ('out', 'thawing'))
         order by w.id limit $3"
    ))
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(animal)
    .bind(unresolved)
    .all()
    .await
}

/// The straw went into the bath.
pub async fn thawing(
    tx: &mut Tx,
    business: BusinessId,
    id: WithdrawalId,
    bath: Celsius,
    thawing: &Thawing,
    deviations: &Deviations,
) -> Result<()> {
    tx.sql(
        "update withdrawal
         set state = 'thawing', bath_temp_c = $3, thaw_started_at = $4, ready_at = $5, use_by = $6, deviations = $7
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(bath)
    .bind(thawing.started_at)
    .bind(thawing.ready_at)
    .bind(thawing.use_by)
    .bind(deviations.clone())
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Withdrawal, id.0));
    Ok(())
}

/// The straw is unresolved again: what resolved it was entered by mistake.
pub async fn reopen(
    tx: &mut Tx,
    business: BusinessId,
    id: WithdrawalId,
    state: WithdrawalState,
) -> Result<()> {
    tx.sql("update withdrawal set state = $3, resolved_at = null where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .bind(state)
        .run()
        .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Withdrawal, id.0));
    Ok(())
}

/// The straw was served, discarded, or never left.
pub async fn resolve(
    tx: &mut Tx,
    business: BusinessId,
    id: WithdrawalId,
    state: WithdrawalState,
    at: Timestamp,
) -> Result<()> {
    tx.sql("update withdrawal set state = $3, resolved_at = $4 where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .bind(state)
        .bind(at)
        .run()
        .await?;
    let reversed = state == WithdrawalState::Reversed;
    change::note(tx, business, NewChange::of(ChangeKind::Withdrawal, id.0).reversed(reversed));
    Ok(())
}

/// Straws on their way that left the tank before `before` and for which no alert is open.
pub async fn unaccounted(tx: &mut Tx, business: BusinessId, before: Timestamp) -> Result<Vec<Withdrawal>> {
    // Uses withdrawal_unresolved and, for each of the few rows, alert_of_withdrawal.
    tx.sql(withdrawals!(
        "where w.business_id = $1 and w.state in ('out', 'thawing') and w.withdrawn_at <= $2
           and not exists (select 1 from alert a where a.business_id = w.business_id and a.withdrawal_id = w.id
               and a.kind = 'withdrawal.unresolved' and a.cleared_at is null)
         order by w.withdrawn_at"
    ))
    .bind(business)
    .bind(before)
    .all()
    .await
}
