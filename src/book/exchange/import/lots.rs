//! Which lot a line means: by sire, semen type, batch, day of collection and owner; a new one is entered.

use std::{collections::HashMap, fmt::Display};

use futures_util::FutureExt as _;

use crate::{
    book::{
        catalogue::lot_is_possible,
        exchange::import::{
            Taking,
            inventory::InventoryLine,
            register::{Claims, every},
        },
    },
    domain::{
        form::InputPath,
        straws::{
            lot::{Cost, Lot, LotDetails, LotStatus},
            semen::{SemenType, StrawVolume},
            thaw::ThawProtocol,
        },
        values::{BusinessId, Code, Day, HerdId, LotId, Name, Percent, SireId},
    },
    store::{self, Tx},
};

/// What tells one lot from another.
type Marks = (SireId, SemenType, Option<Code>, Option<Day>, Option<HerdId>);

/// A lot of the book, as far as a line can say anything of it.
struct Held {
    id: LotId,
    collection_centre: Option<Name>,
    straw_ml: Option<StrawVolume>,
    sexed_percentage: Option<Percent>,
    cost: Option<Cost>,
    thaw: Option<ThawProtocol>,
    status: LotStatus,
}

/// The lots of the book.
#[derive(Default)]
pub struct Lots {
    by_marks: HashMap<Marks, Vec<Held>>,
    claims: Claims<LotId>,
}

impl Lots {
    /// Reads them.
    pub async fn of(tx: &mut Tx, business: BusinessId) -> store::Result<Self> {
        let mut lots = Self::default();
        every(
            tx,
            |tx, page| {
                store::straws::lot::list(tx, business, store::straws::lot::Wanted::default(), page).boxed()
            },
            |lot| lot.id.0,
            |lot| lots.know(lot),
        )
        .await?;
        Ok(lots)
    }

    fn know(&mut self, lot: Lot) {
        let d = lot.details;
        let marks = (d.sire_id, d.semen_type, d.batch, d.collected_on, d.owner_herd_id);
        self.by_marks.entry(marks).or_default().push(Held {
            id: lot.id,
            collection_centre: d.collection_centre,
            straw_ml: d.straw_ml,
            sexed_percentage: d.sexed_percentage,
            cost: d.cost,
            thaw: d.thaw,
            status: d.status,
        });
    }

    /// The lot that a line means, entered if it is new; `None` when the line is wrong, which is noted.
    pub async fn meant<P: FnMut(u64)>(
        &mut self,
        taking: &mut Taking<'_, P>,
        line: u64,
        sire_id: SireId,
        owner: Option<HerdId>,
        said: &InventoryLine,
    ) -> store::Result<Option<LotId>> {
        let marks = (sire_id, said.semen_type, said.batch.clone(), said.collected_on, owner);
        let held = self.by_marks.get(&marks).into_iter().flatten();
        let held: Vec<_> = held.filter(|lot| self.claims.allow(lot.id, said.lot_id)).collect();
        let agree: Vec<_> = held.iter().filter(|lot| differences(lot, said).is_empty()).collect();
        match (held.as_slice(), agree.as_slice()) {
            ([], _) => {}
            (_, [one]) => {
                let id = one.id;
                self.claims.note(id, said.lot_id);
                return Ok(Some(id));
            }
            ([one], []) => {
                for (column, difference) in differences(one, said) {
                    taking.faults.at(line, column, difference);
                }
                return Ok(None);
            }
            (several, _) => {
                let told = format!(
                    "the book has {} lots of that sire, semen type, batch, day and owner; tell them apart there first",
                    several.len()
                );
                taking.faults.at(line, "batch", told);
                return Ok(None);
            }
        }
        self.enter(taking, line, sire_id, owner, said).await
    }

    async fn enter<P: FnMut(u64)>(
        &mut self,
        taking: &mut Taking<'_, P>,
        line: u64,
        sire_id: SireId,
        owner: Option<HerdId>,
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
            cost: said.cost.as_ref().map(|cost| cost.0.clone()),
            thaw: said.thaw.as_ref().map(|thaw| thaw.0.clone()),
            status: said.status.unwrap_or(LotStatus::Usable),
            owner_herd_id: owner,
        };
        let mut faults = Vec::new();
        details.check(&InputPath::query(), &mut faults);
        for fault in &faults {
            taking.faults.of_field(line, fault);
        }
        let possible = lot_is_possible(&details, taking.cx.now);
        if taking.heed(line, possible).is_none() || !faults.is_empty() {
            return Ok(None);
        }
        let lot = Lot { id: LotId::new(), details, created_at: taking.cx.now };
        let business = taking.business();
        store::straws::lot::add(taking.cx.tx, business, &lot).await?;
        taking.summary.lots += 1;
        let id = lot.id;
        self.know(lot);
        self.claims.note(id, said.lot_id);
        Ok(Some(id))
    }
}

/// What to say of something that is not a word or a number.
pub const ANOTHER: &str = "is another in the book; change it there, or leave the field empty";

/// Where a line says something else of a lot than the book does.
fn differences(held: &Held, said: &InventoryLine) -> Vec<(&'static str, String)> {
    let ml = |volume: StrawVolume| volume.ml();
    let another = |column, differs: bool| differs.then(|| (column, ANOTHER.to_owned()));
    [
        differs("collection_centre", held.collection_centre.as_ref(), said.collection_centre.as_ref()),
        differs("straw_ml", held.straw_ml.map(ml), said.straw_ml.map(ml)),
        differs("sexed_percentage", held.sexed_percentage, said.sexed_percentage),
        another("cost", said.cost.as_ref().is_some_and(|cost| held.cost.as_ref() != Some(&cost.0))),
        another("thaw", said.thaw.as_ref().is_some_and(|thaw| held.thaw.as_ref() != Some(&thaw.0))),
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
