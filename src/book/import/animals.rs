//! The animals of herds, each with her last calving.

use std::collections::{BTreeMap, HashSet};

use super::{
    Failure, Taking,
    herdbook::Herdbook,
    line::{AnimalCode, InternationalId, When},
    lots::differs,
    sheet::{Line, Sheet},
    sires::{Said, Sires},
};
use crate::{
    book::{catalogue::animal_is_possible, known, report::born_before},
    domain::{
        animal::{Animal, AnimalDetails},
        herd::Herd,
        history::Happening,
        identifiers::ExternalId,
        values::{AnimalId, Day, EventId, HerdId, Mark, Name, SireId, TimeZone},
    },
    form,
    store::{self, event::Event},
};

form! {
    /// A line of the file.
    #[derive(Clone, Debug)]
    pub struct AnimalLine {
        /// Her herd.
        pub herd: Name,
        /// Her number in it.
        pub number: Mark,
        /// Her name.
        pub name: Option<Name>,
        /// Her day of birth.
        pub born_on: Option<Day>,
        /// Her breed.
        pub breed: Option<Mark>,
        /// Her animal code.
        pub iso_11784: Option<AnimalCode>,
        /// Her international ID.
        pub international_id: Option<InternationalId>,
        /// Her sire.
        pub sire: Option<Name>,
        /// His international ID.
        pub sire_international_id: Option<InternationalId>,
        /// Her dam's number in the same herd.
        pub dam_number: Option<Mark>,
        /// Her last calving.
        pub calved_at: Option<When>,
        /// When she left.
        pub left_on: Option<Day>,
    }
}

impl AnimalLine {
    fn sire(&self) -> Said {
        let code = self.sire_international_id.clone().map(|code| ("sire_international_id", code.0));
        Said { name: self.sire.clone(), breed: None, codes: code.into_iter().collect() }
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
    dam: Mark,
}

struct Animals {
    book: Herdbook,
    sires: Sires,
    orphans: BTreeMap<AnimalId, Orphan>,
    /// Herd and number of lines that are wrong: who names them as dam does not hear of it twice.
    faulty: HashSet<(String, String)>,
}

/// Takes in every line.
pub async fn take<P: FnMut(u64)>(taking: &mut Taking<'_, P>, sheet: &mut Sheet) -> Result<(), Failure> {
    let business = taking.business();
    let tx = &mut *taking.turn.tx;
    let mut animals = Animals {
        book: Herdbook::of(tx, business).await?,
        sires: Sires::of(tx, business).await?,
        orphans: BTreeMap::new(),
        faulty: HashSet::new(),
    };
    while let Some(line) = sheet.next(&mut taking.faults).map_err(Failure::Unusable)? {
        taking.count();
        if !animals.enter(taking, &line).await? {
            let text = |column| line.text(column).unwrap_or_default().to_owned();
            animals.faulty.insert((text("herd"), text("number")));
        }
    }
    Ok(animals.find_dams(taking).await?)
}

impl Animals {
    /// Enters the animal of a line, unless she is there just so; false when the line is wrong.
    async fn enter<P: FnMut(u64)>(&mut self, taking: &mut Taking<'_, P>, line: &Line) -> store::Result<bool> {
        let number = line.number;
        let Some(said) = line.read::<AnimalLine>(&mut taking.faults) else { return Ok(false) };
        let herd = match self.book.herds.called(&said.herd) {
            Ok(herd) => herd.clone(),
            Err(wrong) => {
                taking.faults.at(number, "herd", wrong);
                return Ok(false);
            }
        };
        let Ok(sire) = self.sires.meant(taking, number, &said.sire()).await? else { return Ok(false) };
        let same = match self.same(&herd, &said) {
            Ok(same) => same,
            Err((column, wrong)) => {
                taking.faults.at(number, column, wrong);
                return Ok(false);
            }
        };
        match same {
            Some(id) => self.compare(taking, number, id, &herd, sire, &said).await,
            None => self.enter_new(taking, number, &herd, sire, &said).await,
        }
    }

    /// The animal of the book that the line means, if she is there.
    fn same(&self, herd: &Herd, said: &AnimalLine) -> Result<Option<AnimalId>, (&'static str, String)> {
        let mut found = None;
        for (column, code) in said.codes() {
            match (found, self.book.identified(&code)) {
                (Some(one), Some(other)) if one != other => {
                    return Err((
                        column,
                        "is another animal's in the book than the other identifier".to_owned(),
                    ));
                }
                (None, hit) => found = hit,
                _ => {}
            }
        }
        match (found, self.book.numbered(herd.id, &said.number)) {
            (Some(id), _) => Ok(Some(id)),
            (None, []) => Ok(None),
            (None, [one]) => Ok(Some(*one)),
            (None, several) => Err((
                "number",
                format!("{} animals of the herd have it in the book; add her identifier", several.len()),
            )),
        }
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
                let orphan = Orphan { line, herd: herd.id, dam: dam.clone() };
                match self.dam(&orphan, said) {
                    Err(wrong) => {
                        taking.faults.at(line, "dam_number", wrong);
                        return Ok(false);
                    }
                    Ok(None) => {
                        self.orphans.insert(id, orphan);
                        None
                    }
                    found => found.unwrap_or_default(),
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
            left_on: said.left_on,
        };
        let possible = animal_is_possible(&details, herd, taking.turn.now);
        let animal = Animal { id, details, created_at: taking.turn.now };
        let calving = self.calving(taking, line, &animal, herd, said);
        if taking.heed(line, possible).is_none() || calving.is_err() {
            self.orphans.remove(&id);
            return Ok(false);
        }
        store::animal::add(taking.turn.tx, business, &animal).await?;
        taking.summary.animals += 1;
        if let Ok(Some(calving)) = calving {
            let by = taking.turn.caller.key_id;
            store::event::add(taking.turn.tx, business, by, &calving).await?;
            taking.summary.calvings += 1;
        }
        self.book.know(&animal);
        Ok(true)
    }

    /// Her last calving, as the line tells it.
    fn calving<P: FnMut(u64)>(
        &self,
        taking: &mut Taking<'_, P>,
        line: u64,
        animal: &Animal,
        herd: &Herd,
        said: &AnimalLine,
    ) -> Result<Option<Event>, ()> {
        let Some(calved) = said.calved_at else { return Ok(None) };
        let at = Some(calved.moment(herd.details.time_zone));
        let told = known::told_time(at, taking.turn.now, "calved_at");
        let (happened_at, _) = taking.heed(line, told).ok_or(())?;
        taking.heed(line, born_before(animal, &herd.details, happened_at, "calved_at")).ok_or(())?;
        Ok(Some(Event {
            id: EventId::new(),
            herd_id: herd.id,
            animal_id: animal.id,
            happened_at,
            what: Happening::Calving,
            technician: None,
            note: None,
            recorded_at: taking.turn.now,
        }))
    }

    /// The dam of that number; `None` when she is not there yet.
    fn dam(&self, orphan: &Orphan, said: &AnimalLine) -> Result<Option<AnimalId>, String> {
        if said.number == orphan.dam {
            return Err("must not be her own number".to_owned());
        }
        self.one_dam(orphan)
    }

    fn one_dam(&self, orphan: &Orphan) -> Result<Option<AnimalId>, String> {
        match self.book.numbered(orphan.herd, &orphan.dam) {
            [] => Ok(None),
            [dam] => Ok(Some(*dam)),
            several => Err(format!("{} animals of the herd have that number", several.len())),
        }
    }

    /// Whether the animal of the book is just as the line says; else every difference is noted.
    async fn compare<P: FnMut(u64)>(
        &self,
        taking: &mut Taking<'_, P>,
        line: u64,
        id: AnimalId,
        herd: &Herd,
        sire: Option<SireId>,
        said: &AnimalLine,
    ) -> store::Result<bool> {
        let business = taking.business();
        let held = store::animal::find(taking.turn.tx, business, id).await?;
        let held = held.ok_or_else(|| known::lost("animal", id.0))?;
        let events = store::event::of_animal(taking.turn.tx, business, id).await?;
        let calved_at = events.iter().rev().find(|event| event.what == Happening::Calving);
        let calved_on = calved_at.map(|event| When::At(event.happened_at));
        let d = &held.details;
        let mut different: Vec<_> = [
            differs("number", Some(&d.number), Some(&said.number)),
            differs("name", d.name.as_ref(), said.name.as_ref()),
            differs("born_on", d.born_on, said.born_on),
            differs("breed", d.breed.as_ref(), said.breed.as_ref()),
            differs("left_on", d.left_on, said.left_on),
        ]
        .into_iter()
        .flatten()
        .collect();
        let mut another = |differs: bool, column| {
            if differs {
                different.push((
                    column,
                    "is another in the book; change it there, or leave the field empty".to_owned(),
                ));
            }
        };
        another(d.herd_id != herd.id, "herd");
        for (column, code) in said.codes() {
            another(!d.identifiers.iter().any(|known| *known == code), column);
        }
        let sire_column = if said.sire.is_some() { "sire" } else { "sire_international_id" };
        another(sire.is_some() && d.sire_id != sire, sire_column);
        another(said.dam_number.as_ref().is_some_and(|dam| !self.is_dam(dam, &held)), "dam_number");
        another(!calved_alike(calved_on, said.calved_at, herd.details.time_zone), "calved_at");
        let same = different.is_empty();
        for (column, wrong) in different {
            taking.faults.at(line, column, wrong);
        }
        taking.summary.skipped += u64::from(same);
        Ok(same)
    }

    fn is_dam(&self, number: &Mark, calf: &Animal) -> bool {
        match (calf.details.dam_id, self.orphans.get(&calf.id)) {
            (Some(dam), _) => self.book.numbered(calf.details.herd_id, number).contains(&dam),
            (None, Some(orphan)) => orphan.dam == *number,
            (None, None) => false,
        }
    }

    /// Gives the calves their dams whose lines came after theirs.
    async fn find_dams<P: FnMut(u64)>(&self, taking: &mut Taking<'_, P>) -> store::Result<()> {
        let business = taking.business();
        for (calf, orphan) in &self.orphans {
            match self.one_dam(orphan) {
                Ok(Some(dam)) => store::animal::set_dam(taking.turn.tx, business, *calf, dam).await?,
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
        Ok(())
    }

    fn is_faulty(&self, orphan: &Orphan) -> bool {
        let herd = self.book.herds.all().iter().find(|herd| herd.id == orphan.herd);
        herd.is_some_and(|herd| {
            let name = herd.details.name.as_str().to_owned();
            self.faulty.contains(&(name, orphan.dam.as_str().to_owned()))
        })
    }
}

/// Whether the line tells of the same last calving as the book; what is not told does not differ.
fn calved_alike(held: Option<When>, said: Option<When>, zone: TimeZone) -> bool {
    match (held, said) {
        (_, None) => true,
        (Some(held), Some(When::On(day))) => held.moment(zone).day_in(zone) == day,
        (held, said) => held == said,
    }
}
