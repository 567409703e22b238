//! What hangs in a tank is counted, and the book corrected by the difference.

use std::collections::BTreeMap;

use crate::{
    book::{
        CommandError, NotInStock, Rejection,
        alerts::alert,
        command::{Command, CommandContext},
        lookup,
    },
    domain::{
        alerts::{About, AlertKind},
        form::Fault,
        straws::{
            movement::MovementKind,
            place::{Place, PlaceKind},
            stocktake::{Line, Lines, Stocktake, StocktakeState, compare},
        },
        values::{
            Canister, CountedStraws, LineNumber, LotId, MovementId, Note, StocktakeId, Straws, TankId,
            Technician, Timestamp,
        },
    },
    store::{
        self,
        straws::ledger::{self, Cause, Entry, Whereabouts},
    },
};

/// Compares a count with the book; changes no balance.
#[derive(Clone, Debug)]
pub struct TakeStock {
    /// In which tank.
    pub tank_id: TankId,
    /// Only in this canister.
    pub canister: Option<Canister>,
    /// Whether what was not counted is not there.
    pub complete: bool,
    /// The line of the ledger up to which it was counted; the last one when not said.
    pub as_of_seq: Option<LineNumber>,
    /// When; now when not said.
    pub counted_at: Option<Timestamp>,
    /// What was counted.
    pub counts: Vec<(LotId, Place, CountedStraws)>,
    /// Who counted.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
}

impl Command for TakeStock {
    type Done = Stocktake;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Stocktake, CommandError> {
        let (counted_at, _) = lookup::client_time(self.counted_at, cx, "counted_at")?;
        let tank = lookup::tank(cx, self.tank_id, Some("#/tank_id")).await?;
        let business = cx.business();
        let head =
            store::access::business::find(cx.tx, business).await?.map_or(0, |business| business.movements);
        let as_of_seq = self.as_of_seq.map_or(head, LineNumber::get);
        if as_of_seq > head {
            let detail = format!("lies ahead of the book, whose last line is {head}");
            return Err(Rejection::Invalid(vec![Fault::at("as_of_seq", detail)]).into());
        }
        let canisters = tank.details.canisters;
        if self.canister.is_some_and(|only| only > canisters) {
            let detail = format!("the tank has canisters 1 to {canisters}");
            return Err(Rejection::Invalid(vec![Fault::at("canister", detail)]).into());
        }
        let counted = self.counted(cx, canisters).await?;
        let expected = ledger::balances_at(cx.tx, business, self.tank_id, self.canister, as_of_seq).await?;
        let expected = expected.into_iter().map(|(lot, place, straws)| ((place, lot), straws)).collect();
        let stocktake = Stocktake {
            id: StocktakeId::new(),
            tank_id: self.tank_id,
            canister: self.canister,
            complete: self.complete,
            as_of_seq,
            counted_at,
            technician: self.technician.clone(),
            note: self.note.clone(),
            lines: compare(&expected, &counted, self.complete),
            state: StocktakeState::Open,
            accepted_at: None,
            recorded_at: cx.now,
        };
        store::straws::stocktake::add(cx.tx, business, cx.caller.key_id, &stocktake).await?;
        let kind = AlertKind::StocktakeDifference;
        alert::settle(cx.tx, business, cx.now, kind, About::stocktake(&stocktake)).await?;
        Ok(stocktake)
    }
}

impl TakeStock {
    /// The counts, each lot and place once and all of them where it is said that was counted.
    async fn counted(
        &self,
        cx: &mut CommandContext<'_>,
        canisters: Canister,
    ) -> Result<BTreeMap<(Place, LotId), i64>, CommandError> {
        let mut faults = Vec::new();
        let mut counted = BTreeMap::new();
        for (n, (lot, place, straws)) in self.counts.iter().enumerate() {
            lookup::lot(cx, *lot, Some(&format!("#/counts/{n}/lot_id"))).await?;
            if place.tank_id != self.tank_id {
                lookup::tank(cx, place.tank_id, Some(&format!("#/counts/{n}/place/tank_id"))).await?;
                faults.push(Fault::at(
                    &format!("counts/{n}/place/tank_id"),
                    "is not the tank that was counted",
                ));
            } else if place.canister > canisters {
                let detail = format!("the tank has canisters 1 to {canisters}");
                faults.push(Fault::at(&format!("counts/{n}/place/canister"), detail));
            } else if self.canister.is_some_and(|only| place.canister != only) {
                faults.push(Fault::at(
                    &format!("counts/{n}/place/canister"),
                    "is not the canister that was counted",
                ));
            }
            if counted.insert((place.clone(), *lot), straws.get()).is_some() {
                faults.push(Fault::at(&format!("counts/{n}"), "counts this lot at this place a second time"));
            }
        }
        if !faults.is_empty() {
            return Err(Rejection::Invalid(faults).into());
        }
        Ok(counted)
    }
}

/// Posts the differences of a stocktake. They are posted as differences, so that what was taken or
/// came since the count stays as it is.
#[derive(Clone, Debug)]
pub struct Accept {
    /// Which.
    pub stocktake_id: StocktakeId,
}

impl Command for Accept {
    type Done = Stocktake;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Stocktake, CommandError> {
        let business = cx.business();
        let stocktake = lookup::stocktake(cx, self.stocktake_id, None).await?;
        if stocktake.state == StocktakeState::Accepted {
            let text = "The stocktake was accepted already; its differences are in the ledger.".to_owned();
            return Err(Rejection::InUse { text }.into());
        }
        let mut lines = Vec::with_capacity(stocktake.lines.0.len());
        for line in &stocktake.lines.0 {
            let movement_id = post(cx, &stocktake, line).await?;
            lines.push(Line { movement_id, ..line.clone() });
        }
        let lines = Lines(lines);
        store::straws::stocktake::accept(cx.tx, business, stocktake.id, &lines, cx.now).await?;
        let kind = AlertKind::StocktakeDifference;
        alert::settle(cx.tx, business, cx.now, kind, About::stocktake(&stocktake)).await?;
        let (state, accepted_at) = (StocktakeState::Accepted, Some(cx.now));
        Ok(Stocktake { lines, state, accepted_at, ..stocktake })
    }
}

/// Posts one difference; none when there is none.
async fn post(
    cx: &mut CommandContext<'_>,
    stocktake: &Stocktake,
    line: &Line,
) -> Result<Option<MovementId>, CommandError> {
    let Some(straws) = Straws::new(line.difference.abs()) else { return Ok(None) };
    let business = cx.business();
    let place = Whereabouts::In(ledger::ensure_place(cx.tx, business, &line.place).await?);
    let counted = Whereabouts::Outside(PlaceKind::Counted);
    let (from, to) = if line.difference > 0 { (counted, place) } else { (place, counted) };
    let entry = Entry {
        kind: MovementKind::Count,
        lot: line.lot_id,
        from,
        to,
        straws,
        occurred_at: stocktake.counted_at,
        technician: stocktake.technician.clone(),
        cause: Cause { stocktake: Some(stocktake.id), ..Cause::default() },
        reason: None,
        exposure: None,
        note: None,
    };
    let written = cx.write(entry).await?;
    if written.is_some() {
        return Ok(written);
    }
    // More are missing than hang there by now: others were taken since, so the count was wrong.
    let elsewhere = ledger::stock_of_lot(cx.tx, business, line.lot_id).await?;
    let held = elsewhere.iter().find(|stock| stock.place == line.place).map_or(0, |stock| stock.straws);
    let text = format!(
        "missing straws of lot {} in {}; straws were taken since the count, count it again",
        line.lot_id,
        line.place.describe()
    );
    let missing = NotInStock { asked: straws.get(), held, text, semen_type: None, elsewhere: Vec::new() };
    Err(Rejection::NotInStock(Box::new(missing)).into())
}
