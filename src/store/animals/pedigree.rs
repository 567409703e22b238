//! The known pedigree around a mating.

use std::collections::{HashSet, VecDeque};

use crate::{
    domain::{
        animals::kinship::Pedigree,
        values::{AnimalId, BusinessId, SireId},
    },
    store::{Result, Tx, animals::animal, straws::sire},
};

/// Someone in a pedigree.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Relative {
    /// A bull.
    Sire(SireId),
    /// A female.
    Animal(AnimalId),
}

/// The parents of someone, as far as known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct Parents {
    /// The father.
    pub sire_id: Option<SireId>,
    /// The mother.
    pub dam_id: Option<AnimalId>,
}

/// Generations that are looked up: five bring every loop that moves a calf's inbreeding by 1/64 or more.
const GENERATIONS: usize = 5;

async fn parents_of(tx: &mut Tx, business: BusinessId, who: Relative) -> Result<Option<Parents>> {
    match who {
        Relative::Sire(id) => sire::parents(tx, business, id).await,
        Relative::Animal(id) => animal::parents(tx, business, id).await,
    }
}

/// Whether `who` is `whose` or an ancestor, however far back.
pub async fn descends_from(
    tx: &mut Tx,
    business: BusinessId,
    whose: Relative,
    who: Relative,
) -> Result<bool> {
    let (mut open, mut seen) = (vec![whose], HashSet::from([whose]));
    while let Some(next) = open.pop() {
        if next == who {
            return Ok(true);
        }
        let Some(parents) = parents_of(tx, business, next).await? else { continue };
        let father = parents.sire_id.map(Relative::Sire);
        let mother = parents.dam_id.map(Relative::Animal);
        open.extend([father, mother].into_iter().flatten().filter(|parent| seen.insert(*parent)));
    }
    Ok(false)
}

/// The known ancestors of `animal` and of `sires`.
pub async fn around(
    tx: &mut Tx,
    business: BusinessId,
    animal: (AnimalId, Parents),
    sires: &[(SireId, Parents)],
) -> Result<Pedigree<Relative>> {
    let mut pedigree = Pedigree::default();
    let known = sires
        .iter()
        .map(|(id, parents)| (Relative::Sire(*id), *parents))
        .chain([(Relative::Animal(animal.0), animal.1)]);
    let mut open: VecDeque<(Relative, Parents, usize)> =
        known.map(|(who, parents)| (who, parents, 0)).collect();
    let mut seen = HashSet::new();
    while let Some((who, parents, generation)) = open.pop_front() {
        if !seen.insert(who) {
            continue;
        }
        let father = parents.sire_id.map(Relative::Sire);
        let mother = parents.dam_id.map(Relative::Animal);
        pedigree.add(who, father, mother);
        for parent in [father, mother].into_iter().flatten() {
            if generation + 1 >= GENERATIONS || seen.contains(&parent) {
                continue;
            }
            if let Some(theirs) = parents_of(tx, business, parent).await? {
                open.push_back((parent, theirs, generation + 1));
            }
        }
    }
    Ok(pedigree)
}
