//! The invented farm: two herds, three tanks, twelve sires, their straws and a hundred and fifty animals.
//!
//! Nothing here exists: the sires carry the country code ZZZ, which ISO 3166 gives to nobody. The
//! farm is the same on every day, but for its dates, which count back from the morning of the round.

use std::collections::BTreeMap;

use anyhow::Context as _;
use chrono_tz::Tz;
use futures_util::{StreamExt as _, TryStreamExt as _, stream};
use serde_json::{Value, json};

use crate::{
    demo::{
        client::Client,
        herd_book::{self, Home, Life},
        straws,
    },
    domain::values::{Day, TimeZone, Timestamp},
};

/// Requests under way at once while the farm is entered: the service commits what comes together at once.
const AT_ONCE: usize = 48;

/// The time zone of Lower Meadow, where the round begins.
pub const MEADOW_ZONE: Tz = Tz::Europe__Lisbon;

/// The time zone of Upper Ridge, across the border.
const RIDGE_ZONE: Tz = Tz::Europe__Madrid;

/// The sires: name, breed, and which of those before is his own sire.
const SIRES: [(&str, &str, Option<usize>); 12] = [
    ("Made-up Alder", "HOL", None),
    ("Made-up Birch", "HOL", Some(0)),
    ("Made-up Cedar", "HOL", None),
    ("Made-up Elm", "HOL", Some(2)),
    ("Made-up Fir", "HOL", None),
    ("Made-up Hazel", "JER", None),
    ("Made-up Larch", "JER", Some(5)),
    ("Made-up Maple", "BSW", None),
    ("Made-up Oak", "AAN", None),
    ("Made-up Pine", "LIM", None),
    ("Made-up Rowan", "HOL", Some(1)),
    ("Made-up Willow", "HOL", Some(4)),
];

/// How many sires there are.
pub const SIRE_COUNT: usize = SIRES.len();

/// The number of each sire by which the farm's tables name him.
pub mod sire {
    /// Made-up Alder, a dairy sire with a daughter in the herd.
    pub const ALDER: usize = 0;
    /// Made-up Cedar, a dairy sire.
    pub const CEDAR: usize = 2;
    /// Made-up Maple, from whom half of Upper Ridge descends.
    pub const MAPLE: usize = 7;
    /// Made-up Pine, a beef sire.
    pub const PINE: usize = 9;
}

/// The farm as it was entered: what the service calls each thing.
pub struct Farm {
    /// The herd whose tank stands in the dairy room: sexed semen first, conventional after that.
    pub meadow: Herd,
    /// The herd across the border, an hour ahead, with a choice rule of its own.
    pub ridge: Herd,
    /// The tanks: Lower Meadow's, Upper Ridge's, the technician's.
    pub tanks: Vec<Named>,
    /// The sires, as the farm's tables number them.
    pub sires: Vec<Named>,
    /// The ids of the lots, as [`straws`] numbers them.
    pub lots: Vec<String>,
    /// How many straws were delivered.
    pub straws: i64,
    /// How many events of animals were entered.
    pub events: usize,
    animals: BTreeMap<u32, Animal>,
}

/// A herd.
#[derive(Clone)]
pub struct Herd {
    /// Its id.
    pub id: String,
    /// What people call it.
    pub name: &'static str,
    /// Where its days begin.
    pub zone: Tz,
}

/// A tank or a sire.
pub struct Named {
    /// Its id.
    pub id: String,
    /// What people call it.
    pub name: &'static str,
}

/// An animal.
#[derive(Clone)]
pub struct Animal {
    /// Her id.
    pub id: String,
    /// Her number in her herd.
    pub number: u32,
    /// The time zone of her herd.
    pub zone: Tz,
}

impl Farm {
    /// The animal of that number.
    ///
    /// # Errors
    /// There is none.
    pub fn animal(&self, number: u32) -> anyhow::Result<&Animal> {
        self.animals.get(&number).with_context(|| format!("the farm has no animal {number}"))
    }

    /// How many animals there are.
    pub fn animal_count(&self) -> usize {
        self.animals.len()
    }

    /// What the tank of that id is called.
    pub fn tank_name(&self, id: &str) -> &'static str {
        self.tanks.iter().find(|tank| tank.id == id).map_or("an unknown tank", |tank| tank.name)
    }
}

/// Enters the whole farm over HTTP as it stands on `morning`.
///
/// # Errors
/// The service cannot be reached or refuses something.
pub async fn enter(desk: &Client, morning: Timestamp) -> anyhow::Result<Farm> {
    let today = morning.day_in(TimeZone(MEADOW_ZONE));
    let (meadow, ridge) = enter_herds(desk).await?;
    let tanks = enter_tanks(desk, &meadow, &ridge).await?;
    let sires = enter_sires(desk).await?;
    let (lots, straws) = enter_straws(desk, today, morning, &tanks, &sires, &ridge.id).await?;
    let mut farm = Farm { meadow, ridge, tanks, sires, lots, straws, events: 0, animals: BTreeMap::new() };

    let (calves, grown): (Vec<Life>, Vec<Life>) =
        herd_book::lives().into_iter().partition(|life| life.dam.is_some());
    // A calf names her dam, who must be in the book before her.
    for lives in [&grown, &calves] {
        let entered = all(lives.iter().map(|life| enter_animal(desk, &farm, life, today))).await?;
        farm.animals.extend(entered.into_iter().map(|animal| (animal.number, animal)));
    }
    let events = all(grown.iter().map(|life| enter_history(desk, &farm, life, morning))).await?;
    farm.events = events.into_iter().sum();
    Ok(farm)
}

async fn enter_herds(desk: &Client) -> anyhow::Result<(Herd, Herd)> {
    let meadow = json!({
        "name": "Lower Meadow",
        "time_zone": MEADOW_ZONE.name(),
        "location": {"scheme": "example.org/holding", "id": "LM-1"},
    });
    // Sexed on first and perhaps second service: De Vries, Univ. Florida. Here for heifers only.
    let ridge = json!({
        "name": "Upper Ridge",
        "time_zone": RIDGE_ZONE.name(),
        "location": {"scheme": "example.org/holding", "id": "UR-1"},
        "waiting_days": 45,
        "choice_rule": [
            {"from_service": 1, "to_service": 2, "class": "heifer", "semen_types": ["sexed_female"]},
            {"from_service": 1, "semen_types": ["conventional"]},
        ],
    });
    Ok((
        Herd { id: enter_one(desk, "/v1/herds", &meadow).await?, name: "Lower Meadow", zone: MEADOW_ZONE },
        Herd { id: enter_one(desk, "/v1/herds", &ridge).await?, name: "Upper Ridge", zone: RIDGE_ZONE },
    ))
}

async fn enter_tanks(desk: &Client, meadow: &Herd, ridge: &Herd) -> anyhow::Result<Vec<Named>> {
    let mut tanks = Vec::new();
    for (name, herd) in
        [("Dairy room tank", Some(meadow)), ("Ridge barn tank", Some(ridge)), ("Technician's tank", None)]
    {
        let body = json!({
            "name": name,
            "herd_id": herd.map(|herd| &herd.id),
            "canisters": straws::CANISTERS,
            "capacity_l": 24.0,
            "full_depth_mm": 440,
            "min_depth_mm": 150,
            "static_loss_l_per_day": 0.12,
        });
        tanks.push(Named { id: enter_one(desk, "/v1/tanks", &body).await?, name });
    }
    Ok(tanks)
}

async fn enter_sires(desk: &Client) -> anyhow::Result<Vec<Named>> {
    let mut sires: Vec<Named> = Vec::new();
    for (n, (name, breed, own_sire)) in SIRES.into_iter().enumerate() {
        let body = json!({
            "name": name,
            "breed": breed,
            "purpose": match breed {
                "AAN" | "LIM" => "beef",
                _ => "dairy",
            },
            "identifiers": [{"scheme": "international-id", "id": format!("{breed} ZZZ M D{:04}", n + 1)}],
            "sire_id": own_sire.and_then(|own| sires.get(own)).map(|own| &own.id),
        });
        sires.push(Named { id: enter_one(desk, "/v1/sires", &body).await?, name });
    }
    Ok(sires)
}

/// Enters the lots and hangs their straws: the lots' ids, and how many straws hang now.
async fn enter_straws(
    desk: &Client,
    today: Day,
    morning: Timestamp,
    tanks: &[Named],
    sires: &[Named],
    ridge: &str,
) -> anyhow::Result<(Vec<String>, i64)> {
    let lots = all((0..straws::LOTS).map(|n| async move {
        let sire = sires.get(straws::sire_of(n)).context("a lot of no sire")?;
        enter_one(desk, "/v1/lots", &straws::lot(n, &sire.id, ridge, today)).await
    }))
    .await?;
    let deliveries =
        lots.iter().enumerate().flat_map(|(n, lot)| straws::deliveries(n).into_iter().map(move |d| (lot, d)));
    let delivered = all(deliveries.map(|(lot, delivery)| async move {
        let tank = tanks.get(delivery.tank).context("a delivery to no tank")?;
        enter_one(desk, "/v1/receipts", &delivery.receipt(lot, &tank.id, morning)).await?;
        Ok(delivery.straws)
    }))
    .await?;
    let straws = delivered.into_iter().sum();
    Ok((lots, straws))
}

async fn enter_animal(desk: &Client, farm: &Farm, life: &Life, today: Day) -> anyhow::Result<Animal> {
    let herd = match life.home {
        Home::Meadow => &farm.meadow,
        Home::Ridge => &farm.ridge,
    };
    let body = json!({
        "herd_id": herd.id,
        "number": life.number.to_string(),
        "born_on": today.plus_days(-life.age_days),
        "breed": life.breed,
        "sire_id": life.sire.and_then(|sire| farm.sires.get(sire)).map(|sire| &sire.id),
        "dam_id": life.dam.and_then(|dam| farm.animals.get(&dam)).map(|dam| &dam.id),
    });
    let id = enter_one(desk, "/v1/animals", &body).await?;
    Ok(Animal { id, number: life.number, zone: herd.zone })
}

/// Enters what happened to an animal, oldest first: how many events that were.
async fn enter_history(desk: &Client, farm: &Farm, life: &Life, morning: Timestamp) -> anyhow::Result<usize> {
    let animal = &farm.animal(life.number)?.id;
    let events = life.history();
    for event in &events {
        let (path, body) =
            event.say(animal, morning, |sire| farm.sires.get(sire).map(|sire| sire.id.as_str()));
        enter_one(desk, path, &body).await?;
    }
    Ok(events.len())
}

/// Enters one thing and gives its id.
async fn enter_one(desk: &Client, path: &str, body: &Value) -> anyhow::Result<String> {
    let answer = desk.post(path, body).await?.must_be(201).with_context(|| format!("{path} {body}"))?;
    Ok(answer.text("/id")?.to_owned())
}

/// Does all of it, several at a time, and gives what came of each in their order.
async fn all<T>(
    work: impl Iterator<Item = impl Future<Output = anyhow::Result<T>>>,
) -> anyhow::Result<Vec<T>> {
    stream::iter(work).buffered(AT_ONCE).try_collect().await
}
