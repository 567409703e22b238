//! Withdrawals: straws on their way from the tank to a service.

use crate::{
    domain::{
        exchange::change::ChangeKind,
        straws::{
            discard_withdrawn::NewDiscardOfWithdrawn,
            movement::MovementKind,
            place::PlaceKind,
            posting::{Cause, Posting, PostingEnd},
            thaw::InBath,
            withdrawal::Withdrawal,
        },
        values::{AnimalId, BusinessId, KeyId, Technician, Timestamp, WithdrawalId},
    },
    store::{
        Page, Result, Tx,
        animals::animal::her_columns,
        exchange::change::{self, NewChange},
        straws::{
            ledger::{Line, line_postgres, line_sqlite},
            lot::lot_columns,
            place::place_columns,
            sire::sire_columns,
        },
    },
};

/// Enters a withdrawal, fresh out of the tank, with its line of the ledger, in one call; `left` is what hangs there
/// when it was taken.
pub async fn write(tx: &mut Tx, business: BusinessId, by: KeyId, w: &Withdrawal, left: i64) -> Result<()> {
    let posting = Posting {
        kind: MovementKind::Withdrawal,
        lot_id: w.lot.id,
        from: PostingEnd::Tank { id: w.place_id, is_new: false, place: w.place.clone(), straws_after: left },
        to: PostingEnd::Outside(PlaceKind::Used),
        straws: w.straws,
        occurred_at: w.withdrawn_at,
        technician: w.technician.clone(),
        cause: Cause::withdrawal(w.id),
        reason: None,
        exposure_s: None,
        note: None,
        warnings: Vec::new(),
    };
    let line = Line::next(tx, business, by, w.recorded_at, posting).await?;
    let sql = tx.sql_for(
        line_sqlite!(
            "insert into withdrawal (business_id, id, animal_id, herd_id, lot_id, place_id, straws, withdrawn_at,
                                     technician, service_number, rank, rule, thaw, override_reason, deviations, state,
                                     recorded_at, recorded_by, straw_read)
             values ($1, $15, $21, $22, $2, $3, $5, $12, $14, $23, $24, $25, $26, $27, $28, 'out', $29, $13, $30); "
        ),
        line_postgres!(
            "insert into withdrawal (business_id, id, animal_id, herd_id, lot_id, place_id, straws, withdrawn_at,
                                     technician, service_number, rank, rule, thaw, override_reason, deviations, state,
                                     recorded_at, recorded_by, straw_read)
             values ($1, $15, $21, $22, $2, $3, $5, $12, $14, $23, $24, $25, $26, $27, $28, 'out', $29, $13, $30)"
        ),
    );
    line.bind(sql)
        .bind(w.animal_id)
        .bind(w.herd_id)
        .bind(w.service_number)
        .bind(w.rank)
        .bind(w.rule.clone())
        .bind(w.thaw.clone())
        .bind(w.override_reason.clone())
        .bind(w.deviations.clone())
        .bind(w.recorded_at)
        .bind(w.straw_read.clone())
        .run()
        .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Movement, line.id.0));
    change::note(
        tx,
        business,
        NewChange::of(ChangeKind::Withdrawal, w.id.0).herd(w.herd_id).animal(w.animal_id),
    );
    Ok(())
}

/// Withdrawals; with `beside` each with its animal.
macro_rules! withdrawals {
    (beside $rest:expr) => {
        withdrawals!(concat!(", ", her_columns!()), $rest)
    };
    ($rest:expr) => {
        withdrawals!("", $rest)
    };
    ($columns:expr, $rest:expr) => {
        concat!(
            "select w.id, w.state, w.animal_id, a.number as animal_number, w.herd_id, w.service_number, w.rank, ",
            lot_columns!(),
            ", ",
            sire_columns!(),
            ", ",
            place_columns!(),
            ", w.place_id, t.name as tank_name, t.herd_id as tank_herd_id, w.straws, w.withdrawn_at, w.technician, w.straw_read, w.rule, w.thaw,
                    w.bath_temp_c, w.thaw_started_at, w.ready_at, w.use_by, w.resolved_at, w.override_reason,
                    w.deviations, w.recorded_at",
            $columns,
            " from withdrawal w
             join animal a on a.business_id = w.business_id and a.id = w.animal_id
             join lot l on l.business_id = w.business_id and l.id = w.lot_id
             join sire s on s.business_id = l.business_id and s.id = l.sire_id
             join place p on p.business_id = w.business_id and p.id = w.place_id
             join tank t on t.business_id = p.business_id and t.id = p.tank_id ",
            $rest
        )
    };
}

pub(in crate::store) use withdrawals;

/// One withdrawal.
pub async fn find(tx: &mut Tx, business: BusinessId, id: WithdrawalId) -> Result<Option<Withdrawal>> {
    tx.sql(withdrawals!("where w.business_id = $1 and w.id = $2")).bind(business).bind(id).optional().await
}

/// The same with what may stand beside it.
pub async fn find_beside(tx: &mut Tx, business: BusinessId, id: WithdrawalId) -> Result<Option<Withdrawal>> {
    tx.sql(withdrawals!(beside "where w.business_id = $1 and w.id = $2"))
        .bind(business)
        .bind(id)
        .optional()
        .await
}

/// Withdrawals, oldest entry first; of one animal, or only the unresolved, when that is asked.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    animal: Option<AnimalId>,
    unresolved: bool,
    page: Page,
) -> Result<Vec<Withdrawal>> {
    macro_rules! filtered {
        ($leading:literal) => {
            withdrawals!(concat!(
                "where w.business_id = $1 and w.id in (
                     select x.id from withdrawal x where x.business_id = $1 and x.id > $2 and ",
                $leading,
                "
                     order by x.id limit $3)
                 order by w.id"
            ))
        };
    }
    tx.sql(if unresolved {
        // withdrawal_unresolved, which is short, and then sorted; said so that nothing else serves.
        filtered!("x.id in (select u.id from withdrawal u where u.business_id = $1 and u.state in ('out', 'thawing')
                              and u.withdrawn_at is not null and ($4 is null or u.animal_id = $4)) and $5")
    } else if animal.is_some() {
        // withdrawal_by_animal.
        filtered!("x.animal_id = $4 and not $5")
    } else {
        // The primary key.
        filtered!("$4 is null and not $5")
    })
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(animal)
    .bind(unresolved)
    .all()
    .await
}

/// The straw went into the bath.
pub async fn thawing(tx: &mut Tx, business: BusinessId, w: &Withdrawal) -> Result<()> {
    tx.sql(
        "update withdrawal
         set state = 'thawing', bath_temp_c = $3, thaw_started_at = $4, ready_at = $5, use_by = $6, deviations = $7
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(w.id)
    .bind(w.bath_temp_c)
    .bind(w.thaw_started_at)
    .bind(w.ready_at)
    .bind(w.use_by)
    .bind(w.deviations.clone())
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Withdrawal, w.id.0));
    Ok(())
}

/// Whose straws count in a bath: those of the technician who is named, else those that the key withdrew for nobody named.
#[derive(Clone, Debug)]
pub struct Whose {
    /// The technician.
    pub technician: Option<Technician>,
    /// The key.
    pub key: KeyId,
    /// Leaves out this withdrawal.
    pub but: Option<WithdrawalId>,
}

/// Straws that went into the bath up to `at` and are neither used, discarded nor past their time by then.
pub async fn in_bath(tx: &mut Tx, business: BusinessId, whose: &Whose, at: Timestamp) -> Result<Vec<InBath>> {
    // Uses withdrawal_unresolved, which is short.
    tx.sql(
        "select w.straws, l.semen_type, l.straw_volume
         from withdrawal w
         join lot l on l.business_id = w.business_id and l.id = w.lot_id
         where w.business_id = $1 and w.state in ('out', 'thawing') and w.withdrawn_at is not null
           and w.thaw_started_at <= $2 and w.use_by > $2
           and (w.technician = $3 or ($3 is null and w.technician is null and w.recorded_by = $4))
           and ($5 is null or w.id <> $5)
         order by w.id",
    )
    .bind(business)
    .bind(at)
    .bind(whose.technician.clone())
    .bind(whose.key)
    .bind(whose.but)
    .all()
    .await
}

/// The straw was thrown away: the withdrawal is closed and the straw goes on from use to waste, in one call.
pub async fn discard(
    tx: &mut Tx,
    business: BusinessId,
    by: KeyId,
    now: Timestamp,
    new: &NewDiscardOfWithdrawn,
    w: &Withdrawal,
) -> Result<()> {
    let posting = Posting {
        kind: MovementKind::Discard,
        lot_id: w.lot.id,
        // It went out of the tank towards a use; now it is known not to have got there.
        from: PostingEnd::Outside(PlaceKind::Used),
        to: PostingEnd::Outside(PlaceKind::Discarded),
        straws: w.straws,
        occurred_at: w.resolved_at.unwrap_or(now),
        technician: new.technician.clone(),
        cause: Cause::withdrawal(w.id),
        reason: Some(new.reason.as_str()),
        exposure_s: None,
        note: new.note.clone(),
        warnings: Vec::new(),
    };
    let line = Line::next(tx, business, by, now, posting).await?;
    let sql = tx.sql_for(
        line_sqlite!("update withdrawal set state = 'discarded', resolved_at = $12 where business_id = $1 and id = $15; "),
        line_postgres!("update withdrawal set state = 'discarded', resolved_at = $12 where business_id = $1 and id = $15"),
    );
    line.bind(sql).run().await?;
    change::note(tx, business, NewChange::of(ChangeKind::Movement, line.id.0));
    change::note(tx, business, NewChange::of(ChangeKind::Withdrawal, w.id.0));
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
