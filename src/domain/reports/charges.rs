//! What was done for each owner: a line for each visit, service and straw, with its price. No invoices are written here.

use std::collections::{BTreeMap, HashMap};

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, InputPath},
        straws::{lot::Cost, semen::SemenType},
        values::{
            AnimalId, Code, Day, HerdId, LotId, MinorUnits, Name, ServiceId, Straws, Technician, TimeZone,
            Timestamp,
        },
    },
    form, json_column, text_enum,
};

text_enum! {
    /// What has a price.
    PriceOf {
        /// Coming to a herd, once a day.
        Visit = "visit",
        /// An insemination; a second straw in the same heat is the same service.
        Service = "service",
        /// A conventional straw.
        ConventionalStraw = "conventional_straw",
        /// A straw sexed for females.
        SexedFemaleStraw = "sexed_female_straw",
        /// A straw sexed for males.
        SexedMaleStraw = "sexed_male_straw",
    }
}

impl PriceOf {
    fn straw(semen_type: SemenType) -> Self {
        match semen_type {
            SemenType::Conventional => Self::ConventionalStraw,
            SemenType::SexedFemale => Self::SexedFemaleStraw,
            SemenType::SexedMale => Self::SexedMaleStraw,
        }
    }
}

form! {
    /// A price.
    #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
    pub struct Price {
        /// Of what.
        pub of: PriceOf,
        /// In the currency's smallest unit, such as cents.
        pub amount_minor: MinorUnits,
    }
}

/// The prices of a list.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Prices(pub Vec<Price>);
json_column!(Prices);

form! {
    /// What is charged.
    #[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
    pub struct PriceListDetails, check PriceListDetails::check {
        /// ISO 4217 code of three letters; required with any price.
        #[schema(example = "EUR")]
        pub currency: Option<Code>,
        /// The prices, each thing once. A straw without a price here costs what its lot cost.
        pub items: Vec<Price>,
    }
}

impl PriceListDetails {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        let is_code =
            |code: &Code| code.as_str().len() == 3 && code.as_str().bytes().all(|b| b.is_ascii_uppercase());
        let wrong = match &self.currency {
            None if !self.items.is_empty() => Some("is required with any price"),
            Some(code) if !is_code(code) => Some("must be three capital letters (ISO 4217), such as EUR"),
            _ => None,
        };
        faults.extend(wrong.map(|wrong| spot.member("currency").fault(wrong)));
        for (n, price) in self.items.iter().enumerate() {
            if self.items.iter().take(n).any(|other| other.of == price.of) {
                faults.push(
                    spot.member("items").element(n).fault(format!("has a second price of {}", price.of)),
                );
            }
        }
    }
}

/// The price list as it stands; empty before one was set.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct PriceList {
    /// ISO 4217 code.
    pub currency: Option<Code>,
    /// The prices.
    #[schema(value_type = Vec<Price>)]
    pub items: Prices,
    /// When it was set last.
    pub changed_at: Option<Timestamp>,
}

impl PriceList {
    fn of(&self, what: PriceOf) -> Option<(i64, String)> {
        let price = self.items.0.iter().find(|price| price.of == what)?;
        Some((price.amount_minor.get(), self.currency.as_ref()?.to_string()))
    }
}

/// An insemination on record, as charges read it.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct ChargedService {
    /// Its id.
    pub id: ServiceId,
    /// When.
    pub served_at: Timestamp,
    /// The herd.
    pub herd_id: HerdId,
    /// What people call it.
    pub herd_name: Name,
    /// Where its days begin.
    pub time_zone: TimeZone,
    /// The animal.
    pub animal_id: AnimalId,
    /// Her number.
    pub animal_number: Code,
    /// Which service of hers.
    pub service_number: i64,
    /// Which insemination of that heat.
    pub rank: i64,
    /// Who served.
    pub technician: Option<Technician>,
    /// The lot, when the straw was from this book.
    pub lot_id: Option<LotId>,
    /// Whose straws the lot's are.
    pub owner_herd_id: Option<HerdId>,
    /// What is printed on the straws.
    pub batch: Option<Code>,
    /// What a straw of the lot cost.
    pub cost: Option<Cost>,
    /// The sire, where known.
    pub sire_name: Option<Name>,
    /// The type, where known.
    pub semen_type: Option<SemenType>,
    /// How many straws.
    pub straws: Straws,
    /// Whether it came from the herd's own tank.
    pub semen_from_herd_stock: bool,
}

text_enum! {
    /// What is charged.
    ChargeKind {
        /// Coming to a herd: with the first service of a technician there on a day of the herd's calendar.
        Visit = "visit",
        /// A service: the first insemination of a heat.
        Service = "service",
        /// The straws of an insemination.
        Straw = "straw",
    }
}

impl ChargeKind {
    /// Which of the lines of an insemination it is.
    pub const fn part(self) -> i64 {
        self as i64
    }
}

text_enum! {
    /// Where a price comes from.
    PriceSource {
        /// The price list.
        PriceList = "price_list",
        /// What the lot cost.
        LotCost = "lot_cost",
        /// The herd's own straw costs nothing.
        OwnStraw = "own_straw",
        /// There is no price.
        None = "none",
    }
}

/// A line of what was done for an owner.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ChargeLine {
    /// Names the line: the service's id and which of its lines it is.
    #[schema(max_length = 40)]
    pub id: String,
    /// What is charged.
    pub kind: ChargeKind,
    /// The owner: the herd.
    pub herd_id: HerdId,
    /// What people call it.
    pub herd_name: Name,
    /// When.
    pub occurred_at: Timestamp,
    /// The day, by the herd's calendar.
    pub on: Day,
    /// Who.
    pub technician: Option<Technician>,
    /// The service that it belongs to.
    pub service_id: ServiceId,
    /// The animal; null of a visit.
    pub animal_id: Option<AnimalId>,
    /// Her number; null of a visit.
    pub animal_number: Option<Code>,
    /// Which service of hers; null of a visit.
    pub service_number: Option<i64>,
    /// Which insemination of that heat; null of a visit.
    pub rank: Option<i64>,
    /// Of a straw the lot, when it was from this book.
    pub lot_id: Option<LotId>,
    /// Of a straw what is printed on it.
    pub batch: Option<Code>,
    /// Of a straw the sire.
    pub sire_name: Option<Name>,
    /// Of a straw its type.
    pub semen_type: Option<SemenType>,
    /// How many.
    #[schema(minimum = 1)]
    pub quantity: i64,
    /// The price of one in the currency's smallest unit; null without a price.
    pub price_minor: Option<i64>,
    /// Quantity times price; null without a price.
    pub amount_minor: Option<i64>,
    /// ISO 4217 code; null without a price.
    pub currency: Option<String>,
    /// Where the price comes from.
    pub price_source: PriceSource,
}

/// Makes lines of one insemination after the other, in the order of time.
#[derive(Clone, Debug)]
pub struct Charges {
    prices: PriceList,
    /// The last day on which a technician was at a herd.
    visits: HashMap<(HerdId, Option<Technician>), Day>,
}

impl Charges {
    /// Begins with these prices.
    pub fn new(prices: PriceList) -> Self {
        Self { prices, visits: HashMap::new() }
    }

    /// The lines of an insemination: the visit if it is the first there that day, the service if it is the first of the
    /// heat, and its straws.
    pub fn lines(&mut self, of: &ChargedService) -> Vec<ChargeLine> {
        let on = of.served_at.day_in(of.time_zone);
        let came = self.visits.insert((of.herd_id, of.technician.clone()), on) != Some(on);
        let listed = |what| match self.prices.of(what) {
            Some((amount, currency)) => (Some((amount, currency)), PriceSource::PriceList),
            None => (None, PriceSource::None),
        };
        let mut lines = Vec::new();
        if came {
            let (price, source) = listed(PriceOf::Visit);
            let visit = line(of, on, ChargeKind::Visit, 1, price, source);
            lines.push(ChargeLine {
                animal_id: None,
                animal_number: None,
                service_number: None,
                rank: None,
                ..visit
            });
        }
        if of.rank == 1 {
            let (price, source) = listed(PriceOf::Service);
            lines.push(line(of, on, ChargeKind::Service, 1, price, source));
        }
        let (price, source) = self.straw_price(of);
        lines.push(ChargeLine {
            lot_id: of.lot_id,
            batch: of.batch.clone(),
            sire_name: of.sire_name.clone(),
            semen_type: of.semen_type,
            ..line(of, on, ChargeKind::Straw, of.straws.get(), price, source)
        });
        lines
    }

    /// The herd's own straws cost nothing: those of a lot that is its own, and those out of its own tank that are nobody
    /// else's.
    fn straw_price(&self, of: &ChargedService) -> (Option<(i64, String)>, PriceSource) {
        let own =
            of.owner_herd_id == Some(of.herd_id) || (of.owner_herd_id.is_none() && of.semen_from_herd_stock);
        let listed = of.semen_type.and_then(|semen_type| self.prices.of(PriceOf::straw(semen_type)));
        let currency = |cost: &Cost| (cost.amount_minor.get(), cost.currency.to_string());
        let cost = of.cost.as_ref().map(currency);
        if own {
            let currency = self.prices.currency.as_ref().map(ToString::to_string);
            return (
                currency.or(cost.map(|cost| cost.1)).map(|currency| (0, currency)),
                PriceSource::OwnStraw,
            );
        }
        match (listed, cost) {
            (Some(listed), _) => (Some(listed), PriceSource::PriceList),
            (None, Some(cost)) => (Some(cost), PriceSource::LotCost),
            (None, None) => (None, PriceSource::None),
        }
    }
}

fn line(
    of: &ChargedService,
    on: Day,
    kind: ChargeKind,
    quantity: i64,
    price: Option<(i64, String)>,
    price_source: PriceSource,
) -> ChargeLine {
    let (price_minor, currency) = price.unzip();
    ChargeLine {
        id: format!("{}-{}", of.id, kind.part()),
        kind,
        herd_id: of.herd_id,
        herd_name: of.herd_name.clone(),
        occurred_at: of.served_at,
        on,
        technician: of.technician.clone(),
        service_id: of.id,
        animal_id: Some(of.animal_id),
        animal_number: Some(of.animal_number.clone()),
        service_number: Some(of.service_number),
        rank: Some(of.rank),
        lot_id: None,
        batch: None,
        sire_name: None,
        semen_type: None,
        quantity,
        price_minor,
        amount_minor: price_minor.map(|price| price * quantity),
        currency,
        price_source,
    }
}

/// What all lines of an owner come to in one currency.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ChargeTotal {
    /// The owner: the herd.
    pub herd_id: HerdId,
    /// What people call it.
    pub herd_name: Name,
    /// ISO 4217 code; null of the lines without a price.
    pub currency: Option<String>,
    /// In the smallest unit; null of the lines without a price.
    pub amount_minor: Option<i64>,
    /// Visits.
    #[schema(minimum = 0)]
    pub visits: i64,
    /// Services.
    #[schema(minimum = 0)]
    pub services: i64,
    /// Straws.
    #[schema(minimum = 0)]
    pub straws: i64,
}

/// Adds up the lines of each owner.
#[derive(Debug, Default)]
pub struct ChargeTotals(BTreeMap<(Name, HerdId, Option<String>), Sums>);

/// An amount, and how many visits, services and straws it is of.
type Sums = (i64, [i64; 3]);

impl ChargeTotals {
    /// Adds a line.
    pub fn add(&mut self, line: &ChargeLine) {
        let key = (line.herd_name.clone(), line.herd_id, line.currency.clone());
        let (amount, counts) = self.0.entry(key).or_default();
        *amount += line.amount_minor.unwrap_or(0);
        if let Some(count) = counts.get_mut(line.kind as usize) {
            *count += line.quantity;
        }
    }

    /// What they come to, by the names of the herds.
    pub fn told(self) -> Vec<ChargeTotal> {
        let told = self.0.into_iter().map(
            |((herd_name, herd_id, currency), (amount, [visits, services, straws]))| {
                let amount_minor = currency.is_some().then_some(amount);
                ChargeTotal { herd_id, herd_name, currency, amount_minor, visits, services, straws }
            },
        );
        told.collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::reports::fixture::{day, id};
    use chrono::TimeDelta;

    fn prices() -> PriceList {
        let price = |of, amount| Price { of, amount_minor: MinorUnits::new(amount).unwrap() };
        PriceList {
            currency: Code::parse("EUR").ok(),
            items: Prices(vec![
                price(PriceOf::Visit, 1500),
                price(PriceOf::Service, 2000),
                price(PriceOf::SexedFemaleStraw, 4800),
            ]),
            changed_at: None,
        }
    }

    fn service(hours: i64, rank: i64, semen_type: SemenType) -> ChargedService {
        ChargedService {
            id: ServiceId(id(9)),
            served_at: day(0).plus(TimeDelta::hours(hours)),
            herd_id: HerdId(id(1)),
            herd_name: Name::parse("Lower Meadow").unwrap(),
            time_zone: TimeZone::UTC,
            animal_id: AnimalId(id(3)),
            animal_number: Code::parse("412").unwrap(),
            service_number: 1,
            rank,
            technician: Technician::parse("Anna").ok(),
            lot_id: Some(LotId(id(5))),
            owner_herd_id: None,
            batch: None,
            cost: Some(Cost {
                amount_minor: MinorUnits::new(1200).unwrap(),
                currency: Code::parse("EUR").unwrap(),
            }),
            sire_name: None,
            semen_type: Some(semen_type),
            straws: Straws::ONE,
            semen_from_herd_stock: false,
        }
    }

    fn told(lines: &[ChargeLine]) -> Vec<(ChargeKind, Option<i64>, PriceSource)> {
        lines.iter().map(|line| (line.kind, line.amount_minor, line.price_source)).collect()
    }

    #[test]
    fn a_visit_a_service_and_a_straw() {
        use ChargeKind::{Service, Straw, Visit};
        use PriceSource::{LotCost, OwnStraw, PriceList as Listed};
        let mut charges = Charges::new(prices());
        let first = charges.lines(&service(8, 1, SemenType::SexedFemale));
        assert_eq!(
            told(&first),
            [(Visit, Some(1500), Listed), (Service, Some(2000), Listed), (Straw, Some(4800), Listed)]
        );
        // A second straw in the same heat on the same day, by the lot's cost.
        let second = charges.lines(&service(18, 2, SemenType::Conventional));
        assert_eq!(told(&second), [(Straw, Some(1200), LotCost)]);
        // The next day is another visit; the herd's own straw costs nothing.
        let own =
            ChargedService { owner_herd_id: Some(HerdId(id(1))), ..service(32, 1, SemenType::SexedFemale) };
        let next = charges.lines(&own);
        assert_eq!(
            told(&next),
            [(Visit, Some(1500), Listed), (Service, Some(2000), Listed), (Straw, Some(0), OwnStraw)]
        );
        let mut totals = ChargeTotals::default();
        for line in first.iter().chain(&second).chain(&next) {
            totals.add(line);
        }
        let [total] = &totals.told()[..] else { panic!("one owner, one currency") };
        assert_eq!(total.amount_minor, Some(1500 + 2000 + 4800 + 1200 + 1500 + 2000));
        assert_eq!((total.visits, total.services, total.straws), (2, 2, 3));
    }

    #[test]
    fn each_straw_of_a_service_is_charged() {
        let two = ChargedService { straws: Straws::new(2).unwrap(), ..service(8, 1, SemenType::SexedFemale) };
        let lines = Charges::new(prices()).lines(&two);
        assert_eq!((lines[2].quantity, lines[2].amount_minor), (2, Some(2 * 4800)));
        // The herd's own, of which no cost is known: nothing, in the currency of the list.
        let own = ChargedService { owner_herd_id: Some(HerdId(id(1))), cost: None, ..two };
        let lines = Charges::new(prices()).lines(&own);
        assert_eq!((lines[2].amount_minor, lines[2].currency.as_deref()), (Some(0), Some("EUR")));
    }

    #[test]
    fn without_a_price_there_is_no_amount() {
        let unknown = ChargedService {
            cost: None,
            lot_id: None,
            semen_type: None,
            ..service(8, 1, SemenType::Conventional)
        };
        let lines = Charges::new(PriceList::default()).lines(&unknown);
        assert!(
            lines.iter().all(|line| line.amount_minor.is_none() && line.price_source == PriceSource::None)
        );
        let own = ChargedService { semen_from_herd_stock: true, ..service(8, 1, SemenType::Conventional) };
        let lines = Charges::new(PriceList::default()).lines(&own);
        assert_eq!((lines[2].amount_minor, lines[2].price_source), (Some(0), PriceSource::OwnStraw));
    }
}
