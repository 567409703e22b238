//! The ledger: movements between places are only added, and the balances kept with them.
//!
//! A balance is kept in the call that writes its movement and can never go below zero: who writes one has seen under
//! the lock what hangs there, and the table refuses a negative number.

use crate::{
    domain::{
        exchange::change::ChangeKind,
        straws::{
            movement::Movement,
            place::PlaceKind,
            posting::{Posting, PostingEnd},
        },
        values::{BusinessId, KeyId, MovementId, PlaceId, Timestamp},
    },
    store::{
        Result, Tx,
        access::business,
        db::Sql,
        exchange::change::{self, NewChange},
    },
};

/// Both balances and the line, for SQLite, after statements of the caller's own. The business's counter follows at the
/// commit ([`Tx::flush`]).
macro_rules! line_sqlite {
    ($before:expr) => {
        concat!(
            $before,
            "update balance set straws = straws - $5 where business_id = $1 and lot_id = $2 and place_id = $3;
             insert into balance (business_id, lot_id, place_id, straws) select $1, $2, $4, $5 where $7 is not null
             on conflict (business_id, lot_id, place_id) do update set straws = balance.straws + excluded.straws;
             insert into movement (business_id, lot_id, from_place_id, to_place_id, straws, from_left, to_held, seq,
                                   recorded_at, id, kind, occurred_at, recorded_by, technician, withdrawal_id,
                                   stocktake_id, reverses_id, reason, exposure_s, note)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20)"
        )
    };
}

/// The same for PostgreSQL, before a statement of the caller's own.
macro_rules! line_postgres {
    ($after:expr) => {
        concat!(
            "with took as (
                 update balance set straws = straws - $5 where business_id = $1 and lot_id = $2 and place_id = $3),
             put as (
                 insert into balance (business_id, lot_id, place_id, straws) select $1, $2, $4, $5 where $7 is not null
                 on conflict (business_id, lot_id, place_id) do update set straws = balance.straws + excluded.straws),
             line as (
                 insert into movement (business_id, lot_id, from_place_id, to_place_id, straws, from_left, to_held, seq,
                                       recorded_at, id, kind, occurred_at, recorded_by, technician, withdrawal_id,
                                       stocktake_id, reverses_id, reason, exposure_s, note)
                 values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20)) ",
            $after
        )
    };
}
pub(in crate::store) use {line_postgres, line_sqlite};

/// Writes a line of the ledger, with both balances and the place where straws hang for the first time, in one call.
pub async fn post(
    tx: &mut Tx,
    business: BusinessId,
    by: KeyId,
    now: Timestamp,
    posting: Posting,
) -> Result<Movement> {
    let line = Line::next(tx, business, by, now, posting).await?;
    match &line.posting.to {
        PostingEnd::Tank { is_new: true, place, .. } => {
            line.bind(tx.sql_for(
                line_sqlite!(
                    "insert into place (business_id, id, kind, tank_id, canister, cane, goblet)
                     values ($1, $4, 'tank', $21, $22, $23, $24); "
                ),
                line_postgres!(
                    "insert into place (business_id, id, kind, tank_id, canister, cane, goblet)
                     values ($1, $4, 'tank', $21, $22, $23, $24)"
                ),
            ))
            .bind(place.tank_id)
            .bind(place.canister)
            .bind(place.cane.clone())
            .bind(place.goblet.clone())
            .run()
            .await?;
        }
        _ => {
            line.bind(tx.sql_for(line_sqlite!(""), line_postgres!("select 1"))).run().await?;
        }
    }
    change::note(tx, business, NewChange::of(ChangeKind::Movement, line.id.0));
    Ok(line.into_movement())
}

/// A line of the ledger with its number.
pub(in crate::store) struct Line {
    business: BusinessId,
    by: KeyId,
    pub(in crate::store) id: MovementId,
    seq: i64,
    recorded_at: Timestamp,
    from: PlaceId,
    to: PlaceId,
    posting: Posting,
}

impl Line {
    /// The next line.
    pub(in crate::store) async fn next(
        tx: &mut Tx,
        business: BusinessId,
        by: KeyId,
        now: Timestamp,
        posting: Posting,
    ) -> Result<Self> {
        let from = place_id(tx, business, &posting.from).await?;
        let to = place_id(tx, business, &posting.to).await?;
        let (seq, recorded_at) = business::next_line(tx, business, now).await?;
        Ok(Self { business, by, id: MovementId::new(), seq, recorded_at, from, to, posting })
    }

    /// Gives `$1` to `$20` of [`line_sqlite`] and [`line_postgres`] their values.
    pub(in crate::store) fn bind<'c>(&self, sql: Sql<'c>) -> Sql<'c> {
        let posting = &self.posting;
        sql.bind(self.business)
            .bind(posting.lot_id)
            .bind(self.from)
            .bind(self.to)
            .bind(posting.straws)
            .bind(posting.from.straws_after())
            .bind(posting.to.straws_after())
            .bind(self.seq)
            .bind(self.recorded_at)
            .bind(self.id)
            .bind(posting.kind)
            .bind(posting.occurred_at)
            .bind(self.by)
            .bind(posting.technician.clone())
            .bind(posting.cause.withdrawal)
            .bind(posting.cause.stocktake)
            .bind(posting.cause.reverses)
            .bind(posting.reason)
            .bind(posting.exposure_s)
            .bind(posting.note.clone())
    }

    /// The line as it is shown.
    pub(in crate::store) fn into_movement(self) -> Movement {
        let Posting {
            kind,
            lot_id,
            from,
            to,
            straws,
            occurred_at,
            technician,
            cause,
            reason,
            exposure_s,
            note,
            warnings,
        } = self.posting;
        Movement {
            id: self.id,
            seq: self.seq,
            kind,
            lot_id,
            straws,
            from: from.into(),
            to: to.into(),
            occurred_at,
            recorded_at: self.recorded_at,
            recorded_by: self.by,
            technician,
            withdrawal_id: cause.withdrawal,
            stocktake_id: cause.stocktake,
            reverses: cause.reverses,
            reversed_by: None,
            reason: reason.map(str::to_owned),
            exposure_s,
            note,
            warnings,
        }
    }
}

async fn place_id(tx: &mut Tx, business: BusinessId, end: &PostingEnd) -> Result<PlaceId> {
    match end {
        PostingEnd::Tank { id, .. } => Ok(*id),
        PostingEnd::Outside(kind) => outside(tx, business, *kind).await,
    }
}

/// The id of an outside place, entered if it is new.
async fn outside(tx: &mut Tx, business: BusinessId, kind: PlaceKind) -> Result<PlaceId> {
    let known = business::state(tx, business).await?.outside;
    if let Some((_, id)) = known.into_iter().find(|(known, _)| *known == kind) {
        return Ok(id);
    }
    let id = PlaceId::new();
    tx.sql(
        "insert into place (business_id, id, kind, tank_id, canister, cane, goblet)
         values ($1, $2, $3, null, 0, '', '')",
    )
    .bind(business)
    .bind(id)
    .bind(kind)
    .run()
    .await?;
    business::forget_state(tx, business);
    Ok(id)
}
