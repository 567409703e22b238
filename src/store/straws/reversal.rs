//! What is to be known before a line of the ledger is undone, and how it is.

use crate::{
    domain::{
        exchange::change::ChangeKind,
        straws::{
            movement::Movement,
            posting::PlaceStock,
            reverse::Decision,
            withdrawal::{WithdrawalState, unresolved},
        },
        values::{BusinessId, Canister, KeyId, MovementId, Name, PlaceId, ServiceId, StocktakeId, Timestamp},
    },
    store::{
        Result, Tx,
        animals::{
            call_out,
            numbering::{numbers, renumber_services},
            service::note_reversed,
        },
        exchange::change::{self, NewChange},
        straws::{
            ledger::{Line, line_postgres, line_sqlite},
            movement::movements,
        },
    },
};

#[derive(sqlx::FromRow)]
struct Row {
    #[sqlx(flatten)]
    movement: Movement,
    from_id: PlaceId,
    from_tank_name: Option<Name>,
    from_canisters: Option<Canister>,
    from_straws: i64,
    to_id: PlaceId,
    to_tank_name: Option<Name>,
    to_canisters: Option<Canister>,
    to_straws: i64,
    withdrawal_state: Option<WithdrawalState>,
    thaw_started_at: Option<Timestamp>,
    service_id: Option<ServiceId>,
    counted_by: Option<StocktakeId>,
}

/// A line of the ledger and what hangs on it.
#[derive(Debug)]
pub struct Found {
    /// The line.
    pub movement: Movement,
    /// Where the straws came from, when that is in a tank.
    pub from: Option<PlaceStock>,
    /// Where they went, when that is in a tank.
    pub to: Option<PlaceStock>,
    /// Where its withdrawal stands, and where that would stand unresolved.
    pub withdrawal: Option<(WithdrawalState, WithdrawalState)>,
    /// The service that counts for that withdrawal.
    pub service: Option<ServiceId>,
    /// An accepted stocktake that counted that lot at one of the places after the line.
    pub counted_by: Option<StocktakeId>,
}

macro_rules! gather {
    ($lines:literal, $lot:literal, $canister:literal, $movement:literal) => {
        movements!(
            concat!(
                ", f.id as from_id, ft.name as from_tank_name, ft.canisters as from_canisters,
                 coalesce(fb.straws, 0) as from_straws,
                 t.id as to_id, tt.name as to_tank_name, tt.canisters as to_canisters,
                 coalesce(tb.straws, 0) as to_straws,
                 w.state as withdrawal_state, w.thaw_started_at, v.id as service_id,
                 (select k.id from stocktake k, ", $lines, "
                  where k.business_id = m.business_id and k.tank_id in (f.tank_id, t.tank_id) and k.state = 'accepted'
                    and k.as_of_seq >= m.seq and ", $lot, " = m.lot_id
                    and ((f.tank_id = k.tank_id and f.canister = ", $canister, "
                          and f.cane = coalesce(n.value -> 'place' ->> 'cane', '')
                          and f.goblet = coalesce(n.value -> 'place' ->> 'goblet', ''))
                      or (t.tank_id = k.tank_id and t.canister = ", $canister, "
                          and t.cane = coalesce(n.value -> 'place' ->> 'cane', '')
                          and t.goblet = coalesce(n.value -> 'place' ->> 'goblet', '')))
                    and not exists (select 1 from movement x
                                    where x.business_id = m.business_id and x.reverses_id = ", $movement, ")
                  limit 1) as counted_by"
            ),
            "left join tank ft on ft.business_id = m.business_id and ft.id = f.tank_id
             left join balance fb on fb.business_id = m.business_id and fb.lot_id = m.lot_id and fb.place_id = f.id
             left join tank tt on tt.business_id = m.business_id and tt.id = t.tank_id
             left join balance tb on tb.business_id = m.business_id and tb.lot_id = m.lot_id and tb.place_id = t.id
             left join withdrawal w on w.business_id = m.business_id and w.id = m.withdrawal_id
             left join service v on v.business_id = m.business_id and v.withdrawal_id = m.withdrawal_id
                                and v.reversed_at is null ",
            "where m.business_id = $1 and m.id = $2"
        )
    };
}

/// Gathers what is to be known of a line. A count whose own line was reversed since counts no more.
pub async fn gather(tx: &mut Tx, business: BusinessId, id: MovementId) -> Result<Option<Found>> {
    // Uses service_by_withdrawal and movement_reversed_once.
    let row: Option<Row> = tx
        .sql_for(
            gather!(
                "json_each(k.lines) n",
                "unhex(n.value ->> 'lot_id', '-')",
                "n.value -> 'place' ->> 'canister'",
                "unhex(n.value ->> 'movement_id', '-')"
            ),
            gather!(
                "json_array_elements(k.lines::json) as n(value)",
                "(n.value ->> 'lot_id')::uuid",
                "(n.value -> 'place' ->> 'canister')::bigint",
                "(n.value ->> 'movement_id')::uuid"
            ),
        )
        .bind(business)
        .bind(id)
        .optional()
        .await?;
    Ok(row.map(|row| {
        let there = |place: Option<_>, id, held, tank: Option<_>| {
            place.map(|place| PlaceStock { place, id: Some(id), held, tank })
        };
        let Row { movement, withdrawal_state, thaw_started_at, .. } = row;
        Found {
            from: there(
                movement.from.place.clone(),
                row.from_id,
                row.from_straws,
                row.from_tank_name.zip(row.from_canisters),
            ),
            to: there(
                movement.to.place.clone(),
                row.to_id,
                row.to_straws,
                row.to_tank_name.zip(row.to_canisters),
            ),
            withdrawal: withdrawal_state.map(|state| (state, unresolved(thaw_started_at))),
            service: row.service_id,
            counted_by: row.counted_by,
            movement,
        }
    }))
}

/// Undoes a line with all that hung on it, in one call.
pub async fn write(
    tx: &mut Tx,
    business: BusinessId,
    by: KeyId,
    now: Timestamp,
    decision: Decision,
) -> Result<Movement> {
    let Decision { posting, withdrawal, service, animal, renumbered } = decision;
    let line = Line::next(tx, business, by, now, posting).await?;
    let state = withdrawal.map(|(_, state)| state);
    line.bind(tx.sql_for(
        line_sqlite!(concat!(
            "update withdrawal set state = $21, resolved_at = $22
             where business_id = $1 and id = $15 and $21 is not null;
             update service set reversed_at = $23 where business_id = $1 and id = $24; ",
            renumber_services!(sqlite, "$25"),
            "; "
        )),
        line_postgres!(concat!(
            ", straw as (update withdrawal set state = $21, resolved_at = $22
                         where business_id = $1 and id = $15 and $21 is not null),
             taken_back as (update service set reversed_at = $23 where business_id = $1 and id = $24) ",
            renumber_services!(postgres, "$25")
        )),
    ))
    .bind(state)
    .bind((state == Some(WithdrawalState::Reversed)).then_some(now))
    .bind(now)
    .bind(service)
    .bind(numbers(&renumbered))
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Movement, line.id.0));
    if let Some((id, state)) = withdrawal {
        let reversed = state == WithdrawalState::Reversed;
        change::note(tx, business, NewChange::of(ChangeKind::Withdrawal, id.0).reversed(reversed));
    }
    note_reversed(tx, business, service.map(|service| (service, animal)), &renumbered);
    if let Some(service) = service {
        call_out::unserved(tx, business, service).await?;
    }
    Ok(line.into_movement())
}
