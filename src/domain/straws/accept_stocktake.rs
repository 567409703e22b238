//! The differences of a stocktake are posted, as differences: what was taken or came since the count stays as it is.

use std::collections::{BTreeMap, BTreeSet};

use crate::domain::{
    rejection::Rejection,
    straws::{
        movement::MovementKind,
        place::{Place, PlaceKind},
        posting::{Cause, PlaceStock, Posting, PostingEnd},
        stocktake::{Line, Stocktake, StocktakeState},
    },
    values::{LotId, PlaceId, Straws},
};

/// What is to be known before the differences are posted.
#[derive(Debug)]
pub struct Facts {
    /// The stocktake.
    pub stocktake: Stocktake,
    /// The place of each of its lines as the book knows it now.
    pub places: Vec<PlaceStock>,
    /// Lots and places of which the book was corrected since the line up to which it was counted: by another count, or
    /// by the reversal of a line at or before it.
    pub corrected: Vec<(LotId, Place)>,
}

/// A line for each difference, in the order of the stocktake's lines; none where there is no difference.
///
/// # Errors
/// It was accepted already; the book was corrected since, so that its differences are no longer right; a tank lost the
/// canister; or more are missing than hang there by now.
pub fn decide(facts: &Facts) -> Result<Vec<Option<Posting>>, Rejection> {
    let stocktake = &facts.stocktake;
    if stocktake.state == StocktakeState::Accepted {
        let text = "The stocktake was accepted already; its differences are in the ledger.".to_owned();
        return Err(Rejection::InUse { text });
    }
    let corrected: BTreeSet<_> = facts.corrected.iter().map(|(lot, place)| (place, *lot)).collect();
    let mut new_places: BTreeMap<&Place, PlaceId> = BTreeMap::new();
    let lines = stocktake.lines.0.iter().zip(&facts.places).map(|(line, there)| {
        if corrected.contains(&(&line.place, line.lot_id)) {
            return Err(Rejection::CountAgain {
                text: format!(
                    "Since this count the book was corrected for lot {} in {}: by another count, or by a reversal of what \
                     had been entered before it. Its differences would count that twice; count there again.",
                    line.lot_id,
                    line.place.describe()
                ),
            });
        }
        let Some(straws) = Straws::new(line.difference.abs()) else { return Ok(None) };
        there.must_still_exist()?;
        let mut posting = difference(stocktake, line, there, straws)?;
        // Lots that are the first to hang at a place share it.
        if let PostingEnd::Tank { id, is_new, .. } = &mut posting.to
            && *is_new
        {
            match new_places.get(&line.place) {
                Some(known) => (*id, *is_new) = (*known, false),
                None => drop(new_places.insert(&line.place, *id)),
            }
        }
        Ok(Some(posting))
    });
    lines.collect()
}

/// The line that posts one difference.
fn difference(
    stocktake: &Stocktake,
    line: &Line,
    there: &PlaceStock,
    straws: Straws,
) -> Result<Posting, Rejection> {
    let counted = PostingEnd::Outside(PlaceKind::Counted);
    let (from, to) = if line.difference > 0 {
        (counted, there.takes(straws))
    } else {
        // More are missing than hang there by now: others were taken since, so the count was wrong.
        let text = || {
            format!(
                "missing straws of lot {} in {}; straws were taken since the count, count it again",
                line.lot_id,
                line.place.describe()
            )
        };
        (there.gives(straws, text)?, counted)
    };
    Ok(Posting {
        kind: MovementKind::Count,
        lot_id: line.lot_id,
        from,
        to,
        straws,
        occurred_at: stocktake.counted_at,
        technician: stocktake.technician.clone(),
        cause: Cause { stocktake: Some(stocktake.id), ..Cause::default() },
        reason: None,
        exposure_s: None,
        note: None,
        warnings: Vec::new(),
    })
}
