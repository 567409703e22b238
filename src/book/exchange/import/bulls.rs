//! Sires without straws: each line a bull, with his own sire where the file knows him.

use std::collections::{HashMap, HashSet};

use crate::{
    book::exchange::import::{
        Failure, Taking,
        line::{InternationalId, Json, UniformCode},
        sheet::{Line, Sheet},
        sires::{SireColumns, SireLine, Sires, codes},
    },
    domain::{
        animals::kinship::Relative,
        identifiers::Identifiers,
        straws::sire::Purpose,
        values::{Code, Name, SireId},
    },
    form,
    store::{self, animals::pedigree},
};

form! {
    /// A line of the file.
    #[derive(Clone, Debug)]
    pub struct BullLine {
        /// His name.
        pub name: Option<Name>,
        /// His breed.
        pub breed: Option<Code>,
        /// What his calves are kept for.
        pub purpose: Option<Purpose>,
        /// His international ID.
        pub international_id: Option<InternationalId>,
        /// His uniform code.
        pub uniform_code: Option<UniformCode>,
        /// All his identifiers.
        pub identifiers: Option<Json<Identifiers>>,
        /// His own sire's name.
        pub sire_name: Option<Name>,
        /// His own sire's international ID.
        pub sire_international_id: Option<InternationalId>,
        /// Which sire he was where the file comes from.
        pub id: Option<SireId>,
        /// Which of them was his own sire there.
        pub sire_id: Option<SireId>,
    }
}

impl BullLine {
    fn himself(&self) -> SireLine {
        SireLine {
            columns: SireColumns { name: "name", breed: "breed", purpose: "purpose" },
            name: self.name.clone(),
            breed: self.breed.clone(),
            purpose: self.purpose,
            codes: codes([
                self.international_id.iter().map(|code| ("international_id", code.0.clone())).collect(),
                self.uniform_code.iter().map(|code| ("uniform_code", code.0.clone())).collect(),
                self.identifiers
                    .iter()
                    .flat_map(|all| all.0.iter().cloned())
                    .map(|code| ("identifiers", code))
                    .collect(),
            ]),
            origin: self.id,
        }
    }

    fn his_sire(&self) -> SireLine {
        let code = self.sire_international_id.iter().map(|code| ("sire_international_id", code.0.clone()));
        SireLine { name: self.sire_name.clone(), codes: code.collect(), ..SireLine::default() }
    }
}

/// A bull of whom the line names the sire; that one's own line may come later.
struct Son {
    line: u64,
    id: SireId,
    said: BullLine,
    /// Nothing of his line was new so far.
    skipped: bool,
}

/// Takes in every line.
pub async fn take<P: FnMut(u64)>(taking: &mut Taking<'_, P>, sheet: &mut Sheet) -> Result<(), Failure> {
    let business = taking.business();
    let mut sires = Sires::of(taking.cx.tx, business).await?;
    let mut by_origin = HashMap::new();
    let mut sons = Vec::new();
    while let Some(line) = sheet.next(&mut taking.faults).map_err(Failure::Unusable)? {
        taking.count();
        if let Some(son) = enter(taking, &mut sires, &line).await? {
            by_origin.extend(son.said.id.map(|origin| (origin, son.id)));
            sons.push(son);
        }
    }
    // A line that is wrong may be the sire of many; they would all be told of him.
    if taking.faults.is_empty() {
        find_sires(taking, &mut sires, &by_origin, &sons).await?;
    }
    Ok(())
}

/// Enters the bull of a line, or adds what the book does not know of him; `None` when the line is wrong.
async fn enter<P: FnMut(u64)>(
    taking: &mut Taking<'_, P>,
    sires: &mut Sires,
    line: &Line,
) -> store::Result<Option<Son>> {
    let number = line.number;
    let Some(said) = line.read::<BullLine>(&mut taking.faults) else { return Ok(None) };
    let before = (taking.summary.sires, taking.summary.sires_completed);
    let id = match sires.meant(taking, number, &said.himself()).await? {
        Ok(Some(id)) => id,
        Ok(None) => {
            taking.faults.at(number, "name", "is required, or an identifier of a sire in the book");
            return Ok(None);
        }
        Err(()) => return Ok(None),
    };
    let skipped = before == (taking.summary.sires, taking.summary.sires_completed);
    taking.summary.skipped += u64::from(skipped);
    Ok(Some(Son { line: number, id, said, skipped }))
}

/// Gives the bulls their own sires.
async fn find_sires<P: FnMut(u64)>(
    taking: &mut Taking<'_, P>,
    sires: &mut Sires,
    by_origin: &HashMap<SireId, SireId>,
    sons: &[Son],
) -> store::Result<()> {
    let business = taking.business();
    let mut changed = HashSet::new();
    for son in sons {
        let (column, sire) = if let Some(origin) = son.said.sire_id {
            let known = by_origin.get(&origin).copied().or_else(|| sires.find(origin).map(|sire| sire.id));
            if known.is_none() {
                let wrong = "is neither the id of a line of this file nor of a sire in the book; enter him too, or \
                             leave the field empty";
                taking.faults.at(son.line, "sire_id", wrong);
            }
            ("sire_id", known)
        } else {
            let column = if son.said.sire_name.is_some() { "sire_name" } else { "sire_international_id" };
            let said = son.said.his_sire();
            (column, sires.meant(taking, son.line, &said).await?.unwrap_or_default())
        };
        let (Some(sire), Some(known)) = (sire, sires.find(son.id)) else { continue };
        match known.details.sire_id {
            Some(held) if held == sire => {}
            Some(_) => taking.faults.at(son.line, column, "is another in the book; correct it here or there"),
            None => {
                let mut bull = known.clone();
                bull.details.sire_id = Some(sire);
                store::straws::sire::change(taking.cx.tx, business, bull.id, &bull.details).await?;
                sires.know(bull);
                changed.insert(son.id);
                taking.summary.skipped -= u64::from(son.skipped);
                taking.summary.sires_completed += u64::from(son.skipped);
            }
        }
    }
    let changed: Vec<_> = changed.into_iter().collect();
    let on_loops = pedigree::of(taking.cx.tx, business, None, &changed).await?.on_loops();
    for son in sons.iter().filter(|son| on_loops.contains(&Relative::Sire(son.id))) {
        let wrong = "descends from his own son; nobody is an ancestor of its own";
        taking.faults.at(son.line, if son.said.sire_id.is_some() { "sire_id" } else { "sire_name" }, wrong);
    }
    Ok(())
}
