//! The animals of herds, each with her last calving.

use std::collections::{BTreeMap, HashSet};

use crate::{
    book::{
        catalogue::animal_is_possible,
        exchange::import::{
            Failure, Taking,
            line::{AnimalCode, InternationalId, When},
            lots::{ANOTHER, differs},
            register::{self, Register},
            sheet::{Line, Sheet},
            sires::{SireLine, Sires},
        },
        lookup,
    },
    domain::{
        animals::{
            animal::{Animal, AnimalDetails, dam_too_young},
            event::Event,
            groups::Groups,
            herd::Herd,
            history::AnimalEvent,
            kinship::Relative,
        },
        identifiers::ExternalId,
        values::{AnimalId, Code, Day, EventId, HerdId, Name, SireId, TimeZone},
    },
    form,
    store::{self, animals::pedigree},
};

form! {
    /// A line of the file.
    #[derive(Clone, Debug)]
    pub struct AnimalLine {
        /// Her herd.
        pub herd_name: Name,
        /// Her number in it.
        pub number: Code,
        /// Her name.
        pub name: Option<Name>,
        /// Her day of birth.
        pub born_on: Option<Day>,
        /// Her breed.
        pub breed: Option<Code>,
        /// Her groups.
        pub groups: Option<Groups>,
        /// Her animal code.
        pub iso_11784: Option<AnimalCode>,
        /// Her international ID.
        pub international_id: Option<InternationalId>,
        /// Her sire.
        pub sire_name: Option<Name>,
        /// His international ID.
        pub sire_international_id: Option<InternationalId>,
        /// Her dam's number in the same herd.
        pub dam_number: Option<Code>,
        /// Her last calving.
        pub calved_at: Option<When>,
        /// When she left.
        pub left_on: Option<Day>,
    }
}

impl AnimalLine {
    fn sire(&self) -> SireLine {
        let code = self.sire_international_id.clone().map(|code| ("sire_international_id", code.0));
        SireLine { name: self.sire_name.clone(), codes: code.into_iter().collect(), ..SireLine::default() }
    }

    fn codes(&self) -> Vec<(&'static str, ExternalId)> {
        let international = self.international_id.clone().map(|code| ("international_id", code.0));
        let animal = self.iso_11784.clone().map(|code| ("iso_11784", code.0));
        international.into_iter().chain(animal).collect()
    }
}

/// A calf whose dam was not there yet when her line was read.
struct Orphan {
    line: u64,
    herd: HerdId,
    dam: Code,
    born_on: Option<Day>,
}

struct Animals {
    herds: Register<Herd>,
    sires: Sires,
    orphans: BTreeMap<AnimalId, Orphan>,
    /// Herd and number of lines that are wrong: who names them as dam does not hear of it twice.
    faulty: HashSet<(String, String)>,
}

/// Takes in every line.
pub async fn take<P: FnMut(u64)>(taking: &mut Taking<'_, P>, sheet: &mut Sheet) -> Result<(), Failure> {
    let business = taking.business();
    let tx = &mut *taking.cx.tx;
    let mut animals = Animals {
        herds: register::herds(tx, business).await?,
        sires: Sires::of(tx, business).await?,
        orphans: BTreeMap::new(),
        faulty: HashSet::new(),
    };
    while let Some(line) = sheet.next(&mut taking.faults).map_err(Failure::Unusable)? {
        taking.count();
        if !animals.enter(taking, &line).await? {
            let text = |column| line.text(column).unwrap_or_default().to_owned();
            animals.faulty.insert((text("herd_name"), text("number")));
        }
    }
    Ok(animals.find_dams(taking).await?)
}

impl Animals {
    /// Enters the animal of a line, unless she is there just so; false when the line is wrong.
    async fn enter<P: FnMut(u64)>(&mut self, taking: &mut Taking<'_, P>, line: &Line) -> store::Result<bool> {
        let number = line.number;
        let Some(said) = line.read::<AnimalLine>(&mut taking.faults) else { return Ok(false) };
        let herd = match self.herds.called(&said.herd_name) {
            Ok(herd) => herd.clone(),
            Err(wrong) => {
                taking.faults.at(number, "herd_name", wrong);
                return Ok(false);
            }
        };
        let Ok(sire) = self.sires.meant(taking, number, &said.sire()).await? else { return Ok(false) };
        let same = match self.same(taking, &herd, &said).await? {
            Ok(same) => same,
            Err((column, wrong)) => {
                taking.faults.at(number, column, wrong);
                return Ok(false);
            }
        };
        match same {
            Some(known) => self.compare(taking, number, &known, &herd, sire, &said).await,
            None => self.enter_new(taking, number, &herd, sire, &said).await,
        }
    }

    /// The animal of the book that the line means, if she is there.
    async fn same<P: FnMut(u64)>(
        &self,
        taking: &mut Taking<'_, P>,
        herd: &Herd,
        said: &AnimalLine,
    ) -> store::Result<Result<Option<Animal>, (&'static str, String)>> {
        let business = taking.business();
        let mut found = None;
        for (column, code) in said.codes() {
            match (found, store::animals::animal::identified(taking.cx.tx, business, &code).await?) {
                (Some(one), Some(other)) if one != other => {
                    let told = "is another animal's in the book than the other identifier".to_owned();
                    return Ok(Err((column, told)));
                }
                (None, hit) => found = hit,
                _ => {}
            }
        }
        if let Some(id) = found {
            return Ok(Ok(Some(lookup::animal_of(taking.cx.tx, business, id).await?)));
        }
        let mut numbered =
            store::animals::animal::numbered(taking.cx.tx, business, herd.id, &said.number).await?;
        Ok(match numbered.len() {
            0 | 1 => Ok(numbered.pop()),
            several => Err((
                "number",
                format!("{several} animals of the herd have it in the book; add her identifier"),
            )),
        })
    }

    async fn enter_new<P: FnMut(u64)>(
        &mut self,
        taking: &mut Taking<'_, P>,
        line: u64,
        herd: &Herd,
        sire_id: Option<SireId>,
        said: &AnimalLine,
    ) -> store::Result<bool> {
        let business = taking.business();
        let id = AnimalId::new();
        let dam_id = match &said.dam_number {
            None => None,
            Some(dam) => {
                let orphan = Orphan { line, herd: herd.id, dam: dam.clone(), born_on: said.born_on };
                match dam_of(taking, &orphan).await? {
                    _ if *dam == said.number => {
                        taking.faults.at(line, "dam_number", "must not be her own number");
                        return Ok(false);
                    }
                    Err(wrong) => {
                        taking.faults.at(line, "dam_number", wrong);
                        return Ok(false);
                    }
                    Ok(None) => {
                        self.orphans.insert(id, orphan);
                        None
                    }
                    Ok(Some(dam)) => {
                        if let Some(wrong) = dam_too_young(dam.details.born_on, said.born_on) {
                            taking.faults.at(line, "dam_number", wrong);
                            return Ok(false);
                        }
                        Some(dam.id)
                    }
                }
            }
        };
        let details = AnimalDetails {
            herd_id: herd.id,
            number: said.number.clone(),
            name: said.name.clone(),
            identifiers: said.codes().into_iter().map(|(_, code)| code).collect(),
            born_on: said.born_on,
            sire_id,
            dam_id,
            breed: said.breed.clone(),
            groups: said.groups.clone().unwrap_or_default(),
            left_on: said.left_on,
            donor: false,
        };
        let possible = animal_is_possible(&details, herd, taking.cx.now);
        let animal = Animal { id, details, created_at: taking.cx.now };
        let calving = calving(taking, line, &animal, herd, said);
        if taking.heed(line, possible).is_none() || calving.is_err() {
            self.orphans.remove(&id);
            return Ok(false);
        }
        store::animals::animal::add(taking.cx.tx, business, &animal).await?;
        taking.summary.animals += 1;
        if let Ok(Some(calving)) = calving {
            let by = taking.cx.caller.key_id;
            store::animals::event::write(taking.cx.tx, business, by, &calving, &[]).await?;
            taking.summary.calvings += 1;
        }
        Ok(true)
    }

    /// Whether the animal of the book is just as the line says; else every difference is noted.
    async fn compare<P: FnMut(u64)>(
        &self,
        taking: &mut Taking<'_, P>,
        line: u64,
        known: &Animal,
        herd: &Herd,
        sire: Option<SireId>,
        said: &AnimalLine,
    ) -> store::Result<bool> {
        let business = taking.business();
        let events = store::animals::event::of_animal(taking.cx.tx, business, known.id).await?;
        let calved_at = events.iter().rev().find(|event| matches!(event.what, AnimalEvent::Calving { .. }));
        let calved_on = calved_at.map(|event| When::At(event.happened_at));
        let d = &known.details;
        let mut different: Vec<_> = [
            differs("number", Some(&d.number), Some(&said.number)),
            differs("name", d.name.as_ref(), said.name.as_ref()),
            differs("born_on", d.born_on, said.born_on),
            differs("breed", d.breed.as_ref(), said.breed.as_ref()),
            differs("left_on", d.left_on, said.left_on),
            differs("groups", Some(d.groups.describe()), said.groups.as_ref().map(Groups::describe)),
        ]
        .into_iter()
        .flatten()
        .collect();
        let mut another = |differs: bool, column| {
            if differs {
                different.push((column, ANOTHER.to_owned()));
            }
        };
        another(d.herd_id != herd.id, "herd_name");
        for (column, code) in said.codes() {
            another(!d.identifiers.iter().any(|own| *own == code), column);
        }
        let sire_column = if said.sire_name.is_some() { "sire_name" } else { "sire_international_id" };
        another(sire.is_some() && d.sire_id != sire, sire_column);
        let other_dam = match &said.dam_number {
            None => false,
            Some(dam) => !self.is_dam(taking, dam, known).await?,
        };
        another(other_dam, "dam_number");
        another(!calved_alike(calved_on, said.calved_at, herd.details.time_zone), "calved_at");
        let same = different.is_empty();
        for (column, wrong) in different {
            taking.faults.at(line, column, wrong);
        }
        taking.summary.skipped += u64::from(same);
        Ok(same)
    }

    async fn is_dam<P: FnMut(u64)>(
        &self,
        taking: &mut Taking<'_, P>,
        number: &Code,
        calf: &Animal,
    ) -> store::Result<bool> {
        let Some(dam) = calf.details.dam_id else {
            return Ok(self.orphans.get(&calf.id).is_some_and(|orphan| orphan.dam == *number));
        };
        let business = taking.business();
        let numbered =
            store::animals::animal::numbered(taking.cx.tx, business, calf.details.herd_id, number).await?;
        Ok(numbered.iter().any(|numbered| numbered.id == dam))
    }

    /// Gives the calves their dams whose lines came after theirs.
    async fn find_dams<P: FnMut(u64)>(&self, taking: &mut Taking<'_, P>) -> store::Result<()> {
        let business = taking.business();
        let mut found = Vec::new();
        for (calf, orphan) in &self.orphans {
            match dam_of(taking, orphan).await? {
                Ok(Some(dam)) => {
                    if let Some(wrong) = dam_too_young(dam.details.born_on, orphan.born_on) {
                        taking.faults.at(orphan.line, "dam_number", wrong);
                    } else {
                        store::animals::animal::set_dam(taking.cx.tx, business, *calf, dam.id).await?;
                        found.push(*calf);
                    }
                }
                Err(wrong) => taking.faults.at(orphan.line, "dam_number", wrong),
                Ok(None) if self.is_faulty(orphan) => {}
                Ok(None) => taking.faults.at(
                    orphan.line,
                    "dam_number",
                    "no animal of the herd has that number, neither in the book nor in this file; \
                     enter her too, or leave the field empty",
                ),
            }
        }
        if found.is_empty() {
            return Ok(());
        }
        // Only a dam whose line came later can close a loop: of whoever is just entered nobody descends.
        let pedigree = pedigree::of_animals(taking.cx.tx, business, &found).await?;
        let on_loops = pedigree.on_loops();
        for (calf, orphan) in &self.orphans {
            if on_loops.contains(&Relative::Animal(*calf)) {
                let wrong = "descends from her own calf; nobody is an ancestor of its own";
                taking.faults.at(orphan.line, "dam_number", wrong);
            }
        }
        Ok(())
    }

    fn is_faulty(&self, orphan: &Orphan) -> bool {
        let herd = self.herds.all().iter().find(|herd| herd.id == orphan.herd);
        herd.is_some_and(|herd| {
            let name = herd.details.name.as_str().to_owned();
            self.faulty.contains(&(name, orphan.dam.as_str().to_owned()))
        })
    }
}

/// Her last calving, as the line tells it.
fn calving<P: FnMut(u64)>(
    taking: &mut Taking<'_, P>,
    line: u64,
    animal: &Animal,
    herd: &Herd,
    said: &AnimalLine,
) -> Result<Option<Event>, ()> {
    let Some(calved) = said.calved_at else { return Ok(None) };
    let at = Some(calved.moment(herd.details.time_zone));
    let told = lookup::client_time(at, &taking.cx, "calved_at");
    let (happened_at, _) = taking.heed(line, told).ok_or(())?;
    taking.heed(line, animal.born_before(herd.details.time_zone, happened_at, "calved_at")).ok_or(())?;
    Ok(Some(Event {
        id: EventId::new(),
        herd_id: herd.id,
        animal_id: animal.id,
        happened_at,
        what: AnimalEvent::Calving { calves: None },
        technician: None,
        note: None,
        recorded_at: taking.cx.now,
        reversed_at: None,
        fits: None,
        warnings: Vec::new(),
    }))
}

/// The dam of that number; `None` when she is not there yet.
async fn dam_of<P: FnMut(u64)>(
    taking: &mut Taking<'_, P>,
    orphan: &Orphan,
) -> store::Result<Result<Option<Animal>, String>> {
    let business = taking.business();
    let mut numbered =
        store::animals::animal::numbered(taking.cx.tx, business, orphan.herd, &orphan.dam).await?;
    Ok(match numbered.len() {
        0 | 1 => Ok(numbered.pop()),
        several => Err(format!("{several} animals of the herd have that number")),
    })
}

/// Whether the line tells of the same last calving as the book; what is not told does not differ.
fn calved_alike(held: Option<When>, said: Option<When>, zone: TimeZone) -> bool {
    match (held, said) {
        (_, None) => true,
        (Some(held), Some(When::On(day))) => held.moment(zone).day_in(zone) == day,
        (held, said) => held == said,
    }
}
