//! Mating plans: each line one choice for an animal. The plans of the animals that a file names are replaced, as a whole.

use std::collections::BTreeMap;

use crate::{
    book::exchange::import::{
        Failure, Taking,
        line::{InternationalId, Json, UniformCode},
        register::{self, Register},
        sheet::{Line, Sheet},
        sires::{SireColumns, SireLine, Sires, codes},
    },
    domain::{
        animals::{
            herd::Herd,
            mating_plan::{MOST_CHOICES, MatingPlan, PlanSource, PlannedChoice},
        },
        exchange::ade::Recommendation,
        form::{Fault, InputPath},
        identifiers::Identifiers,
        straws::semen::SemenType,
        values::{AnimalId, Code, HerdId, Lactation, Name, Note, Rank, ServiceNumber, SireId},
    },
    form,
    store::{self, animals::mating_plan},
};

form! {
    /// A line of the file.
    #[derive(Clone, Debug)]
    pub struct ChoiceLine, check ChoiceLine::check {
        /// Her herd.
        pub herd_name: Name,
        /// Her number in it.
        pub animal_number: Code,
        /// The choice's place in her plan.
        pub rank: Option<Rank>,
        /// What is recommended; a sire when not said.
        pub recommendation: Option<Recommendation>,
        /// The sire.
        pub sire_name: Option<Name>,
        /// His international ID.
        pub sire_international_id: Option<InternationalId>,
        /// His uniform code.
        pub sire_uniform_code: Option<UniformCode>,
        /// All his identifiers.
        pub sire_identifiers: Option<Json<Identifiers>>,
        /// His id in the book.
        pub sire_id: Option<SireId>,
        /// Only his straws of this type.
        pub semen_type: Option<SemenType>,
        /// Only for this service number.
        pub service_number: Option<ServiceNumber>,
        /// The first service number for which he is meant.
        pub from_service: Option<ServiceNumber>,
        /// The last one.
        pub to_service: Option<ServiceNumber>,
        /// Only in this lactation.
        pub lactation: Option<Lactation>,
        /// A remark on the plan.
        pub note: Option<Note>,
        /// Where the plan comes from.
        pub source: Option<PlanSource>,
    }
}

impl ChoiceLine {
    fn check(&self, _: &InputPath, faults: &mut Vec<Fault>) {
        if self.service_number.is_some() && (self.from_service.is_some() || self.to_service.is_some()) {
            faults.push(Fault::at("service_number", "must not stand beside from_service and to_service"));
        }
        if self.to_service.zip(self.from_service).is_some_and(|(last, first)| last < first) {
            faults.push(Fault::at("to_service", "must not be less than from_service"));
        }
    }

    fn recommendation(&self) -> Recommendation {
        self.recommendation.unwrap_or(Recommendation::Sire)
    }

    fn sire(&self) -> SireLine {
        SireLine {
            columns: SireColumns::default(),
            name: self.sire_name.clone(),
            codes: codes([
                self.sire_international_id
                    .iter()
                    .map(|code| ("sire_international_id", code.0.clone()))
                    .collect(),
                self.sire_uniform_code.iter().map(|code| ("sire_uniform_code", code.0.clone())).collect(),
                self.sire_identifiers
                    .iter()
                    .flat_map(|all| all.0.iter().cloned())
                    .map(|code| ("sire_identifiers", code))
                    .collect(),
            ]),
            ..SireLine::default()
        }
    }
}

/// What the file says of one animal.
struct Planned {
    herd: HerdId,
    choices: Vec<(i64, PlannedChoice)>,
    note: Option<Note>,
    source: PlanSource,
}

struct Plans {
    herds: Register<Herd>,
    sires: Sires,
    planned: BTreeMap<AnimalId, Planned>,
    /// Herd and number of the line before: mostly the next is of the same animal.
    before: Option<(HerdId, Code, AnimalId)>,
}

/// Takes in every line.
pub async fn take<P: FnMut(u64)>(taking: &mut Taking<'_, P>, sheet: &mut Sheet) -> Result<(), Failure> {
    let business = taking.business();
    let tx = &mut *taking.cx.tx;
    let mut plans = Plans {
        herds: register::herds(tx, business).await?,
        sires: Sires::of(tx, business).await?,
        planned: BTreeMap::new(),
        before: None,
    };
    while let Some(line) = sheet.next(&mut taking.faults).map_err(Failure::Unusable)? {
        taking.count();
        plans.read(taking, &line).await?;
    }
    Ok(plans.set(taking).await?)
}

impl Plans {
    /// Notes the choice of a line; what is wrong with it becomes a fault.
    async fn read<P: FnMut(u64)>(&mut self, taking: &mut Taking<'_, P>, line: &Line) -> store::Result<()> {
        let number = line.number;
        let Some(said) = line.read::<ChoiceLine>(&mut taking.faults) else { return Ok(()) };
        let herd = match self.herds.called(&said.herd_name) {
            Ok(herd) => herd.id,
            Err(wrong) => {
                taking.faults.at(number, "herd_name", wrong);
                return Ok(());
            }
        };
        let animal = self.animal(taking, number, herd, &said.animal_number).await?;
        let choice = self.choice(taking, number, &said);
        let (Some(animal), Some(choice)) = (animal, choice) else { return Ok(()) };
        let source = said.source.unwrap_or(PlanSource::ByHand);
        let planned = self.planned.entry(animal).or_insert_with(|| Planned {
            herd,
            choices: Vec::new(),
            note: said.note.clone(),
            source,
        });
        if planned.note != said.note {
            taking.faults.at(number, "note", "is another than on the animal's line before; a plan has one");
        }
        if planned.source != source {
            taking.faults.at(number, "source", "is another than on the animal's line before; a plan has one");
        }
        if planned.choices.iter().any(|(_, before)| *before == choice) {
            taking.faults.of_line(number, "says the same as a line of the animal before");
        } else if planned.choices.len() == MOST_CHOICES {
            let told = format!("has more than {MOST_CHOICES} lines; a plan has at most so many choices");
            taking.faults.at(number, "animal_number", told);
        }
        let place = i64::try_from(planned.choices.len()).unwrap_or(i64::MAX);
        let rank = said.rank.map_or(place + 1, Rank::get);
        planned.choices.push((rank, choice));
        planned.choices.truncate(MOST_CHOICES + 1);
        Ok(())
    }

    /// The animal of that number.
    async fn animal<P: FnMut(u64)>(
        &mut self,
        taking: &mut Taking<'_, P>,
        line: u64,
        herd: HerdId,
        number: &Code,
    ) -> store::Result<Option<AnimalId>> {
        if let Some((_, _, same)) = self.before.as_ref().filter(|(h, n, _)| *h == herd && n == number) {
            return Ok(Some(*same));
        }
        let business = taking.business();
        let animals = store::animals::animal::numbered(taking.cx.tx, business, herd, number).await?;
        match animals.as_slice() {
            [one] => {
                self.before = Some((herd, number.clone(), one.id));
                return Ok(Some(one.id));
            }
            [] => {
                let told = "no animal of the herd has it; import the animals first";
                taking.faults.at(line, "animal_number", told);
            }
            several => {
                let told = format!("{} animals of the herd have it; set the plan over HTTP", several.len());
                taking.faults.at(line, "animal_number", told);
            }
        }
        Ok(None)
    }

    /// The choice that a line makes. The sire must be in the book.
    fn choice<P: FnMut(u64)>(
        &self,
        taking: &mut Taking<'_, P>,
        line: u64,
        said: &ChoiceLine,
    ) -> Option<PlannedChoice> {
        let recommendation = said.recommendation();
        let is_ours = |id: &SireId| {
            let sire = self.sires.find(*id);
            sire.is_some_and(|sire| said.sire_name.as_ref().is_none_or(|name| *name == sire.details.name))
        };
        let sire = match said.sire_id.filter(is_ours) {
            Some(id) => Ok(Some(id)),
            None => self.sires.known(&said.sire()),
        };
        let sire_id = match (recommendation, sire) {
            (_, Err((column, wrong))) => {
                taking.faults.at(line, column, wrong);
                return None;
            }
            (Recommendation::Sire, Ok(None)) => {
                taking.faults.at(line, "sire_name", "is required, or an identifier of a sire in the book");
                return None;
            }
            (Recommendation::NoSire | Recommendation::Impossible, Ok(Some(_))) => {
                taking.faults.at(line, "recommendation", "recommends no sire, and the line names one");
                return None;
            }
            (_, Ok(sire)) => sire,
        };
        let sire = sire_id.and_then(|id| self.sires.find(id));
        Some(PlannedChoice {
            recommendation,
            sire_id,
            sire_name: sire.map(|sire| sire.details.name.clone()),
            sire_identifiers: sire
                .map(|sire| sire.details.identifiers.iter().cloned().collect())
                .unwrap_or_default(),
            semen_type: said.semen_type,
            from_service: said.service_number.or(said.from_service),
            to_service: said.service_number.or(said.to_service),
            lactation: said.lactation,
        })
    }

    /// Sets the plans, once every line was found right. One that says what the book says stays as it is.
    async fn set<P: FnMut(u64)>(self, taking: &mut Taking<'_, P>) -> store::Result<()> {
        if !taking.faults.is_empty() {
            return Ok(());
        }
        let (business, by, now) = (taking.business(), taking.cx.caller.key_id, taking.cx.now);
        for (animal, mut planned) in self.planned {
            planned.choices.sort_by_key(|(rank, _)| *rank);
            let lines = planned.choices.len() as u64;
            let choices = planned.choices.into_iter().map(|(_, choice)| choice).collect();
            let found = mating_plan::find(taking.cx.tx, business, animal).await?;
            let before = found.and_then(|found| found.plan);
            let plan =
                MatingPlan::of(animal, choices, (planned.source, planned.note), before.as_ref(), (by, now));
            if before.as_ref().is_some_and(|before| before.says_the_same(&plan)) {
                taking.summary.skipped += lines;
                continue;
            }
            let before = before.map(|before| before.id);
            mating_plan::set(taking.cx.tx, business, planned.herd, &plan, before).await?;
            taking.summary.mating_plans += 1;
        }
        Ok(())
    }
}
