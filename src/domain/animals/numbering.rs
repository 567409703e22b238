//! How an animal's services are numbered on record, beside how they should be.

use crate::domain::{
    animals::history::{AnimalHistory, Numbered},
    values::{AnimalId, HeatHours, ServiceId},
};

/// The services of an animal as they are numbered, with all that decides about it.
#[derive(Clone, Debug)]
pub struct Numbering {
    /// The animal.
    pub animal_id: AnimalId,
    /// Within how many hours her herd counts inseminations as one service.
    pub same_heat: HeatHours,
    /// What is on record of her.
    pub history: AnimalHistory,
    /// Her services, in the order of [`AnimalHistory::services`].
    pub numbered: Vec<(ServiceId, Numbered)>,
}

impl Numbering {
    /// The services whose number or rank should be another, with what it should be.
    pub fn outdated(&self) -> Vec<(ServiceId, Numbered)> {
        let right = self.history.numbers(self.same_heat);
        let services = self.numbered.iter().zip(right);
        services.filter(|((_, is), right)| is != right).map(|((id, _), right)| (*id, right)).collect()
    }
}
