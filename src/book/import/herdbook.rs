//! The animals of the book, by the numbers on their ears.

use std::collections::HashMap;

use super::register::{self, Register, every};
use crate::{
    domain::{
        animal::Animal,
        herd::Herd,
        identifiers::ExternalId,
        values::{AnimalId, BusinessId, HerdId, Mark},
    },
    store::{self, Tx},
};

/// Herds and their animals.
pub struct Herdbook {
    /// The herds.
    pub herds: Register<Herd>,
    by_number: HashMap<HerdId, HashMap<Mark, Vec<AnimalId>>>,
    by_code: HashMap<ExternalId, AnimalId>,
}

impl Herdbook {
    /// Reads them.
    pub async fn of(tx: &mut Tx, business: BusinessId) -> store::Result<Self> {
        let herds = register::herds(tx, business).await?;
        let mut book = Self { herds, by_number: HashMap::new(), by_code: HashMap::new() };
        every(
            async |page| store::animal::list(tx, business, store::animal::Wanted::default(), page).await,
            |animal| animal.id.0,
            |animal| book.know(&animal),
        )
        .await?;
        Ok(book)
    }

    /// One more is in the book.
    pub fn know(&mut self, animal: &Animal) {
        let d = &animal.details;
        let herd = self.by_number.entry(d.herd_id).or_default();
        herd.entry(d.number.clone()).or_default().push(animal.id);
        for code in d.identifiers.iter() {
            self.by_code.entry(code.clone()).or_insert(animal.id);
        }
    }

    /// The animals of that number in a herd; farms give a number anew when its bearer has left.
    pub fn numbered(&self, herd: HerdId, number: &Mark) -> &[AnimalId] {
        self.by_number.get(&herd).and_then(|herd| herd.get(number)).map_or(&[], Vec::as_slice)
    }

    /// The animal of that official name.
    pub fn identified(&self, code: &ExternalId) -> Option<AnimalId> {
        self.by_code.get(code).copied()
    }
}
