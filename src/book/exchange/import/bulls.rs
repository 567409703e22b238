//! Sires without straws: each line a bull, with his own sire and his dam's sire where the file knows them.

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
        straws::sire::{Purpose, SireDetails},
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
        /// The name of his dam's sire.
        pub maternal_grandsire_name: Option<Name>,
        /// The international ID of his dam's sire.
        pub maternal_grandsire_international_id: Option<InternationalId>,
        /// Which of them was his dam's sire there.
        pub maternal_grandsire_id: Option<SireId>,
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

    /// What it says of his own sire, or of his dam's.
    fn ancestor(&self, which: Ancestor) -> Named<'_> {
        match which {
            Ancestor::Sire => Named {
                id: ("sire_id", self.sire_id),
                name: ("sire_name", self.sire_name.as_ref()),
                code: ("sire_international_id", self.sire_international_id.as_ref()),
            },
            Ancestor::MaternalGrandsire => Named {
                id: ("maternal_grandsire_id", self.maternal_grandsire_id),
                name: ("maternal_grandsire_name", self.maternal_grandsire_name.as_ref()),
                code: (
                    "maternal_grandsire_international_id",
                    self.maternal_grandsire_international_id.as_ref(),
                ),
            },
        }
    }
}

/// Whom of a bull's ancestors a line may name.
#[derive(Clone, Copy)]
enum Ancestor {
    Sire,
    MaternalGrandsire,
}

impl Ancestor {
    /// Where he stands in what is known of a bull.
    fn of(self, details: &mut SireDetails) -> &mut Option<SireId> {
        match self {
            Self::Sire => &mut details.sire_id,
            Self::MaternalGrandsire => &mut details.maternal_grandsire_id,
        }
    }
}

/// How a line names an ancestor, each with its column.
struct Named<'l> {
    id: (&'static str, Option<SireId>),
    name: (&'static str, Option<&'l Name>),
    code: (&'static str, Option<&'l InternationalId>),
}

impl Named<'_> {
    /// The column by which he is named.
    fn column(&self) -> &'static str {
        if self.id.1.is_some() {
            self.id.0
        } else if self.name.1.is_some() {
            self.name.0
        } else {
            self.code.0
        }
    }

    /// Whether the line names him.
    fn is_said(&self) -> bool {
        self.id.1.is_some() || self.name.1.is_some() || self.code.1.is_some()
    }

    fn line(&self) -> SireLine {
        let code = self.code.1.map(|code| (self.code.0, code.0.clone()));
        let columns = SireColumns { name: self.name.0, ..SireColumns::default() };
        SireLine {
            columns,
            name: self.name.1.cloned(),
            codes: code.into_iter().collect(),
            ..SireLine::default()
        }
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
        find_ancestors(taking, &mut sires, &by_origin, &sons).await?;
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

/// Gives the bulls their own sires and their dams' sires.
async fn find_ancestors<P: FnMut(u64)>(
    taking: &mut Taking<'_, P>,
    sires: &mut Sires,
    by_origin: &HashMap<SireId, SireId>,
    sons: &[Son],
) -> store::Result<()> {
    let business = taking.business();
    let mut changed = HashSet::new();
    for son in sons {
        for which in [Ancestor::Sire, Ancestor::MaternalGrandsire] {
            let named = son.said.ancestor(which);
            let column = named.column();
            let ancestor = if let (_, Some(origin)) = named.id {
                let known =
                    by_origin.get(&origin).copied().or_else(|| sires.find(origin).map(|sire| sire.id));
                if known.is_none() {
                    let wrong = "is neither the id of a line of this file nor of a sire in the book; enter him too, or \
                                 leave the field empty";
                    taking.faults.at(son.line, column, wrong);
                }
                known
            } else {
                sires.meant(taking, son.line, &named.line()).await?.unwrap_or_default()
            };
            let (Some(ancestor), Some(known)) = (ancestor, sires.find(son.id)) else { continue };
            let mut bull = known.clone();
            match which.of(&mut bull.details) {
                Some(held) if *held == ancestor => {}
                Some(_) => {
                    taking.faults.at(son.line, column, "is another in the book; correct it here or there");
                }
                none => {
                    *none = Some(ancestor);
                    store::straws::sire::change(taking.cx.tx, business, bull.id, &bull.details).await?;
                    sires.know(bull);
                    if changed.insert(son.id) {
                        taking.summary.skipped -= u64::from(son.skipped);
                        taking.summary.sires_completed += u64::from(son.skipped);
                    }
                }
            }
        }
    }
    let changed: Vec<_> = changed.into_iter().collect();
    let on_loops = pedigree::of(taking.cx.tx, business, None, &changed).await?.on_loops();
    for son in sons.iter().filter(|son| on_loops.contains(&Relative::Sire(son.id))) {
        let wrong = "descends from his own son; nobody is an ancestor of its own";
        let named = [Ancestor::Sire, Ancestor::MaternalGrandsire].map(|which| son.said.ancestor(which));
        let column = named.iter().find(|named| named.is_said()).unwrap_or(&named[0]).column();
        taking.faults.at(son.line, column, wrong);
    }
    Ok(())
}
