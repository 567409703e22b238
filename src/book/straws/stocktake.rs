//! What hangs in a tank is counted, and the book corrected by the difference.

use crate::{
    book::{
        CommandError,
        alerts::alert,
        command::{Command, CommandContext},
        lookup,
    },
    domain::{
        alerts::{About, AlertKind},
        straws::{
            accept_stocktake,
            place::Place,
            stocktake::{Line, Lines, Stocktake, StocktakeState},
            take_stock::{self, NewStocktake},
        },
        values::{LineNumber, LotId, StocktakeId},
    },
    store::{
        self,
        straws::{place, stock, stocktake},
    },
};

impl Command for NewStocktake {
    type Done = Stocktake;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Stocktake, CommandError> {
        let business = cx.business();
        let last_line = store::access::business::last_line(cx.tx, business).await?;
        let up_to = self.as_of_seq.map_or(last_line, LineNumber::get);
        let places: Vec<(LotId, &Place)> =
            self.counts.0.iter().map(|count| (count.lot_id, &count.place)).collect();
        let facts = take_stock::Facts {
            tank: store::nitrogen::tank::find(cx.tx, business, self.tank_id).await?,
            last_line,
            counted: place::stock_at_all(cx.tx, business, &places).await?,
            expected: stock::balances_at(cx.tx, business, self.tank_id, self.canister, up_to).await?,
        };
        let taken = take_stock::decide(self, &facts, cx.now())?;
        stocktake::add(cx.tx, business, cx.caller.key_id, &taken).await?;
        settle(cx, &taken).await?;
        Ok(taken)
    }
}

/// Posts the differences of a stocktake.
#[derive(Clone, Copy, Debug)]
pub struct Accept {
    /// Which.
    pub stocktake_id: StocktakeId,
}

impl Command for Accept {
    type Done = Stocktake;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Stocktake, CommandError> {
        let business = cx.business();
        let open = lookup::stocktake(cx, self.stocktake_id, None).await?;
        let asked: Vec<_> = open.lines.0.iter().map(|line| (line.lot_id, &line.place)).collect();
        let places = place::stock_at_all(cx.tx, business, &asked).await?;
        let corrected = stocktake::corrected_since(cx.tx, business, open.tank_id, open.as_of_seq).await?;
        let places = places.into_iter().map(|(_, there)| there).collect();
        let facts = accept_stocktake::Facts { stocktake: open, places, corrected };
        let postings = accept_stocktake::decide(&facts)?;
        let mut lines = Vec::with_capacity(postings.len());
        for (line, posting) in facts.stocktake.lines.0.iter().zip(postings) {
            let movement_id = match posting {
                Some(posting) => Some(cx.post(posting).await?.id),
                None => None,
            };
            lines.push(Line { movement_id, ..line.clone() });
        }
        let accepted = Stocktake {
            lines: Lines(lines),
            state: StocktakeState::Accepted,
            accepted_at: Some(cx.now),
            ..facts.stocktake
        };
        stocktake::accept(cx.tx, business, accepted.id, &accepted.lines, cx.now).await?;
        settle(cx, &accepted).await?;
        Ok(accepted)
    }
}

/// Its differences are news, or no longer.
async fn settle(cx: &mut CommandContext<'_>, stocktake: &Stocktake) -> store::Result<()> {
    let business = cx.business();
    let kind = AlertKind::StocktakeDifference;
    alert::settle(cx.tx, business, cx.now, kind, About::stocktake(stocktake)).await
}
