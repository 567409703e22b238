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
        outdated(&self.history, self.same_heat, self.numbered.iter().copied().map(Some))
    }
}

/// Those of `numbered`, in the order of the services of `history`, whose number or rank is another by it, with what it
/// should be; `None` stands for a service that has none yet.
pub fn outdated(
    history: &AnimalHistory,
    same_heat: HeatHours,
    numbered: impl IntoIterator<Item = Option<(ServiceId, Numbered)>>,
) -> Vec<(ServiceId, Numbered)> {
    let services = numbered.into_iter().zip(history.numbers(same_heat));
    services
        .filter_map(|(service, right)| {
            let ((id, is), right) = service.zip(right)?;
            (is != right).then_some((id, right))
        })
        .collect()
}
