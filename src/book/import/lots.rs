//! Which lot a line means: by sire, semen type, batch and day of collection; a new one is entered.

use std::{collections::HashMap, fmt::Display};

use super::{Taking, inventory::InventoryLine, register::every};
use crate::{
    book::catalogue::lot_is_possible,
    domain::{
        form::Spot,
        lot::{Lot, LotDetails, LotStatus},
        semen::{SemenType, StrawVolume},
        values::{BusinessId, Day, LotId, Mark, Name, Percent, SireId},
    },
    store::{self, Tx},
};

/// What tells one lot from another.
type Marks = (SireId, SemenType, Option<Mark>, Option<Day>);

/// A lot of the book, as far as a line can say anything of it.
struct Held {
    id: LotId,
    collection_centre: Option<Name>,
    straw_ml: Option<StrawVolume>,
    sexed_percentage: Option<Percent>,
    status: LotStatus,
}

/// The lots of the book.
#[derive(Default)]
pub struct Lots(HashMap<Marks, Vec<Held>>);

impl Lots {
    /// Reads them.
    pub async fn of(tx: &mut Tx, business: BusinessId) -> store::Result<Self> {
        let mut lots = Self::default();
        every(
            async |page| store::lot::list(tx, business, store::lot::Wanted::default(), page).await,
            |lot| lot.id.0,
            |lot| lots.know(lot),
        )
        .await?;
        Ok(lots)
    }

    fn know(&mut self, lot: Lot) {
        let d = lot.details;
        self.0.entry((d.sire_id, d.semen_type, d.batch, d.collected_on)).or_default().push(Held {
            id: lot.id,
            collection_centre: d.collection_centre,
            straw_ml: d.straw_ml,
            sexed_percentage: d.sexed_percentage,
            status: d.status,
        });
    }

    /// The lot that a line means, entered if it is new; `None` when the line is wrong, which is noted.
    pub async fn meant<P: FnMut(u64)>(
        &mut self,
        taking: &mut Taking<'_, P>,
        line: u64,
        sire_id: SireId,
        said: &InventoryLine,
    ) -> store::Result<Option<LotId>> {
        let marks = (sire_id, said.semen_type, said.batch.clone(), said.collected_on);
        let held = self.0.get(&marks).map_or(&[][..], Vec::as_slice);
        let agree: Vec<_> = held.iter().filter(|lot| differences(lot, said).is_empty()).collect();
        match (held, agree.as_slice()) {
            ([], _) => {}
            (_, [one]) => return Ok(Some(one.id)),
            ([one], []) => {
                for (column, difference) in differences(one, said) {
                    taking.faults.at(line, column, difference);
                }
                return Ok(None);
            }
            (several, _) => {
                let told = format!(
                    "the book has {} lots of that sire, semen type, batch and day; tell them apart there first",
                    several.len()
                );
                taking.faults.at(line, "batch", told);
                return Ok(None);
            }
        }
        self.enter(taking, line, sire_id, said).await
    }

    async fn enter<P: FnMut(u64)>(
        &mut self,
        taking: &mut Taking<'_, P>,
        line: u64,
        sire_id: SireId,
        said: &InventoryLine,
    ) -> store::Result<Option<LotId>> {
        let details = LotDetails {
            sire_id,
            semen_type: said.semen_type,
            batch: said.batch.clone(),
            collected_on: said.collected_on,
            collection_centre: said.collection_centre.clone(),
            straw_ml: said.straw_ml,
            sexed_percentage: said.sexed_percentage,
            cost: None,
            thaw: None,
            status: said.status.unwrap_or(LotStatus::Usable),
        };
        let mut faults = Vec::new();
        details.check(&Spot::query(), &mut faults);
        faults.iter().for_each(|fault| taking.faults.of_field(line, fault));
        let possible = lot_is_possible(&details, taking.turn.now);
        if taking.heed(line, possible).is_none() || !faults.is_empty() {
            return Ok(None);
        }
        let lot = Lot { id: LotId::new(), details, created_at: taking.turn.now };
        let business = taking.business();
        store::lot::add(taking.turn.tx, business, &lot).await?;
        taking.summary.lots += 1;
        let id = lot.id;
        self.know(lot);
        Ok(Some(id))
    }
}

/// Where a line says something else of a lot than the book does.
fn differences(held: &Held, said: &InventoryLine) -> Vec<(&'static str, String)> {
    let ml = |volume: StrawVolume| volume.ml();
    [
        differs("collection_centre", held.collection_centre.as_ref(), said.collection_centre.as_ref()),
        differs("straw_ml", held.straw_ml.map(ml), said.straw_ml.map(ml)),
        differs("sexed_percentage", held.sexed_percentage, said.sexed_percentage),
        differs("status", Some(held.status), said.status),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// What to say when `said` is not what is `held`; what is not said does not differ.
pub fn differs<T: PartialEq + Display>(
    column: &'static str,
    held: Option<T>,
    said: Option<T>,
) -> Option<(&'static str, String)> {
    let said = said?;
    match held {
        Some(held) if held == said => None,
        Some(held) => {
            Some((column, format!("is {held} in the book; change it there, or leave the field empty")))
        }
        None => Some((column, "is not in the book; enter it there, or leave the field empty".to_owned())),
    }
}
