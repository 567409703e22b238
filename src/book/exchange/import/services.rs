//! What animals were served with so far, with straws that never were in this book.

use std::collections::BTreeSet;

use crate::{
    book::{
        animals::report_event::renumber,
        exchange::import::{
            Failure, Taking,
            line::{InternationalId, When},
            lots::differs,
            register::{self, Register},
            sheet::{Line, Sheet},
            sires::{SireLine, Sires},
        },
        lookup,
    },
    domain::{
        animals::{
            animal::Animal,
            herd::Herd,
            objection::Deviations,
            service::{Service, ServiceEntry},
            service_kind::ServiceKind,
        },
        form::{Fault, InputPath},
        straws::semen::SemenType,
        values::{AnimalId, Code, Name, Note, ServiceId, SireId, Straws, Technician, Timestamp},
    },
    form, store,
};

form! {
    /// A line of the file.
    #[derive(Clone, Debug)]
    pub struct ServiceLine, check ServiceLine::check {
        /// Her herd.
        pub herd_name: Name,
        /// Her number in it.
        pub animal_number: Code,
        /// When.
        pub served_at: When,
        /// What kind; an insemination when not said.
        pub kind: Option<ServiceKind>,
        /// Who did it.
        pub technician: Option<Technician>,
        /// The sire.
        pub sire_name: Option<Name>,
        /// His international ID.
        pub sire_international_id: Option<InternationalId>,
        /// The semen type.
        pub semen_type: Option<SemenType>,
        /// A remark.
        pub note: Option<Note>,
    }
}

impl ServiceLine {
    fn check(&self, _: &InputPath, faults: &mut Vec<Fault>) {
        if let Some(kind) = self.kind.filter(|kind| self.semen_type.is_some() && !kind.takes_straw()) {
            let detail = format!("belongs to a straw of semen, of which kind {kind} takes none");
            faults.push(Fault::at("semen_type", detail));
        }
    }

    fn sire(&self) -> SireLine {
        let code = self.sire_international_id.clone().map(|code| ("sire_international_id", code.0));
        SireLine { name: self.sire_name.clone(), codes: code.into_iter().collect(), ..SireLine::default() }
    }
}

struct Services {
    herds: Register<Herd>,
    sires: Sires,
    /// Whom the file served, to be numbered once all her services are there.
    served: BTreeSet<AnimalId>,
}

/// Takes in every line.
pub async fn take<P: FnMut(u64)>(taking: &mut Taking<'_, P>, sheet: &mut Sheet) -> Result<(), Failure> {
    let business = taking.business();
    let tx = &mut *taking.cx.tx;
    let mut services = Services {
        herds: register::herds(tx, business).await?,
        sires: Sires::of(tx, business).await?,
        served: BTreeSet::new(),
    };
    while let Some(line) = sheet.next(&mut taking.faults).map_err(Failure::Unusable)? {
        taking.count();
        services.enter(taking, &line).await?;
    }
    Ok(services.number(taking).await?)
}

impl Services {
    /// Enters the service of a line, unless it is there just so; what is wrong with it is noted.
    async fn enter<P: FnMut(u64)>(&mut self, taking: &mut Taking<'_, P>, line: &Line) -> store::Result<()> {
        let (business, number) = (taking.business(), line.number);
        let Some(said) = line.read::<ServiceLine>(&mut taking.faults) else { return Ok(()) };
        let sire = self.sires.meant(taking, number, &said.sire()).await?;
        let herd = match self.herds.called(&said.herd_name) {
            Ok(herd) => herd,
            Err(wrong) => {
                taking.faults.at(number, "herd_name", wrong);
                return Ok(());
            }
        };
        let animals =
            store::animals::animal::numbered(taking.cx.tx, business, herd.id, &said.animal_number).await?;
        let animal = match animals.as_slice() {
            [one] => one,
            [] => {
                let told = "no animal of the herd has it; import the animals first";
                taking.faults.at(number, "animal_number", told);
                return Ok(());
            }
            several => {
                let told =
                    format!("{} animals of the herd have it; record this service over HTTP", several.len());
                taking.faults.at(number, "animal_number", told);
                return Ok(());
            }
        };
        let told = Some(said.served_at.moment(herd.details.time_zone));
        let told = lookup::client_time(told, &taking.cx, "served_at");
        let Some((served_at, _)) = taking.heed(number, told) else { return Ok(()) };
        let born = animal.born_before(herd.details.time_zone, served_at, "served_at");
        let (Some(()), Ok(sire)) = (taking.heed(number, born), sire) else { return Ok(()) };

        let same = store::animals::service::at(taking.cx.tx, business, animal.id, served_at).await?;
        if let Some(same) = same {
            compare(taking, number, &same, sire, &said);
            return Ok(());
        }
        let service = foreign(animal, served_at, sire, said, taking.cx.now);
        store::animals::service::add(taking.cx.tx, business, taking.cx.caller.key_id, &service).await?;
        taking.summary.services += 1;
        self.served.insert(animal.id);
        Ok(())
    }

    /// Numbers the services of everyone whom the file served, by the same rule as any other.
    async fn number<P: FnMut(u64)>(&self, taking: &mut Taking<'_, P>) -> store::Result<()> {
        if !taking.faults.is_empty() {
            return Ok(());
        }
        let business = taking.business();
        for id in &self.served {
            renumber(taking.cx.tx, business, *id).await?;
        }
        Ok(())
    }
}

/// A service as the line tells it; its number follows when all are there.
fn foreign(
    animal: &Animal,
    served_at: Timestamp,
    sire_id: Option<SireId>,
    said: ServiceLine,
    now: Timestamp,
) -> ServiceEntry {
    ServiceEntry {
        id: ServiceId::new(),
        herd_id: animal.details.herd_id,
        animal_id: animal.id,
        served_at,
        kind: said.kind.unwrap_or_default(),
        service_number: 1,
        rank: 1,
        technician: said.technician,
        withdrawal_id: None,
        lot_id: None,
        sire_id,
        semen_type: said.semen_type,
        place_id: None,
        straws: Straws::ONE,
        semen_from_herd_stock: false,
        deviations: Deviations::default(),
        note: said.note,
        recorded_at: now,
    }
}

/// A service of that animal at that moment is in the book: it must be just so.
fn compare<P: FnMut(u64)>(
    taking: &mut Taking<'_, P>,
    line: u64,
    held: &Service,
    sire: Option<SireId>,
    said: &ServiceLine,
) {
    let different = [
        differs("technician", held.technician.as_ref(), said.technician.as_ref()),
        differs("kind", Some(held.kind), said.kind),
        differs("semen_type", held.semen_type, said.semen_type),
        differs("note", held.note.as_ref(), said.note.as_ref()),
        (sire.is_some() && held.sire.as_ref().map(|sire| sire.id) != sire)
            .then(|| ("sire_name", "is another in the book for this service".to_owned())),
    ];
    let mut same = true;
    for (column, wrong) in different.into_iter().flatten() {
        same = false;
        taking.faults.at(line, column, wrong);
    }
    taking.summary.skipped += u64::from(same);
}
