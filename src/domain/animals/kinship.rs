//! How closely two animals are related, so that a bull is not used on his own daughter.
//!
//! What is asked before a service is the inbreeding its calf would have: half the additive
//! relationship of dam and sire, 0.25 for a sire on his daughter, 0.125 for half sibs (Mrode, Linear
//! Models for the Prediction of Animal Breeding Values, 3e, ch. 2). The whole known pedigree counts.
//!
//! The relationship matrix A = T D T' is not held. Its product with one animal's unit vector gives her
//! relationship to everybody in two passes over the pedigree: upwards for T', downwards for T
//! (Colleau 2002, Genet Sel Evol 34:409-421, from memory). D needs the inbreeding of the ancestors,
//! which the same product gives for all offspring of a sire at once. The tests hold the result to
//! the tabular method (Mrode 3e, ch. 2).
//!
//! Whoever is not on record is taken to be unrelated and not inbred, so the figure is a lower
//! bound; [`Completeness`] says how much is known.

use std::{
    collections::{HashMap, HashSet},
    hash::Hash,
};

use sha2::{Digest as _, Sha256};
use uuid::Uuid;

use crate::domain::{
    identifiers::ExternalId,
    values::{AnimalId, SireId},
};

/// Someone in the pedigree of a book.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Relative {
    /// A bull.
    Sire(SireId),
    /// A female.
    Animal(AnimalId),
    /// Someone who is not in the book and has an official name.
    Outside(Uuid),
}

impl Relative {
    /// Someone who is not in the book, by an official name; the same name is the same one.
    pub fn outside(name: &ExternalId) -> Self {
        let digest = Sha256::digest(format!("{}\0{}", name.scheme, name.id));
        let mut bytes = [0; 16];
        bytes.copy_from_slice(&digest[..16]);
        Self::Outside(Uuid::from_bytes(bytes))
    }
}

/// The parents of someone, as far as they are known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Parents {
    /// The father.
    pub sire_id: Option<SireId>,
    /// The mother.
    pub dam_id: Option<AnimalId>,
}

/// Ancestors of an animal to the third generation: 2 parents, 4 grandparents, 8 great-grandparents.
pub const ANCESTORS_TO_THE_THIRD: u32 = 14;

/// How much is known of an animal's pedigree.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Completeness {
    /// Generations back in which every ancestor is known; 0 when a parent is not.
    pub generations: u32,
    /// Known ancestors to the third generation, of [`ANCESTORS_TO_THE_THIRD`].
    pub known_to_the_third: u32,
}

/// What is expected of the calf of one mating.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Inbreeding {
    /// Its inbreeding coefficient from the known pedigree, 0 to 1.
    pub coefficient: f64,
    /// How much is known of the dam's pedigree.
    pub dam: Completeness,
    /// How much is known of the sire's pedigree.
    pub sire: Completeness,
}

impl Inbreeding {
    /// Says how much is known, when a parent of the dam or of the sire is not.
    pub fn caveat(&self) -> Option<String> {
        (self.dam.generations == 0 || self.sire.generations == 0).then(|| {
            let count = |side: Completeness| match side.known_to_the_third {
                0 => "none".to_owned(),
                known => known.to_string(),
            };
            format!(
                "It may be more: of {ANCESTORS_TO_THE_THIRD} ancestors to the third generation {} of hers and \
                 {} of his are on record.",
                count(self.dam),
                count(self.sire)
            )
        })
    }
}

/// Someone who is known by a name, or only as somebody's mother.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
enum Member<K> {
    Named(K),
    DamOf(K),
}

/// The sire's and the dam's places in a list.
type ParentPlaces = [Option<usize>; 2];

const SIRE: usize = 0;
const DAM: usize = 1;

/// Who descends from whom, as far as it is on record.
#[derive(Clone, Debug)]
pub struct Pedigree<K> {
    places: HashMap<Member<K>, usize>,
    members: Vec<Member<K>>,
    parents: Vec<ParentPlaces>,
}

impl<K> Default for Pedigree<K> {
    fn default() -> Self {
        Self { places: HashMap::new(), members: Vec::new(), parents: Vec::new() }
    }
}

impl<K: Copy + Eq + Hash + Ord> Pedigree<K> {
    /// A pedigree in which nobody's parents are known.
    pub fn new() -> Self {
        Self::default()
    }

    /// Records the parents of `id`; a second call for the same animal replaces them. Individuals
    /// never added have unknown parents.
    pub fn add(&mut self, id: K, sire: Option<K>, dam: Option<K>) {
        let parents = [sire, dam].map(|parent| parent.map(|parent| self.place(Member::Named(parent))));
        let place = self.place(Member::Named(id));
        self.parents[place] = parents;
    }

    /// Records who the sire of `id`'s dam is. It counts where `id`'s dam or her sire is unknown.
    pub fn add_maternal_grandsire(&mut self, id: K, grandsire: K) {
        self.place(Member::Named(id));
        let grandsire = self.place(Member::Named(grandsire));
        let dam = self.place(Member::DamOf(id));
        self.parents[dam] = [Some(grandsire), None];
    }

    fn place(&mut self, member: Member<K>) -> usize {
        *self.places.entry(member).or_insert_with(|| {
            self.members.push(member);
            self.parents.push([None, None]);
            self.members.len() - 1
        })
    }

    fn find(&self, id: K) -> Option<usize> {
        self.places.get(&Member::Named(id)).copied()
    }

    /// What is expected of a calf of `dam` by each of `sires`, in their order.
    ///
    /// The result for one sire does not depend on the others, nor on the order in which the pedigree
    /// was recorded. Where bad data make an animal its own ancestor, a parent that leads back to it
    /// counts as unknown.
    pub fn expected_inbreeding_with(&self, dam: K, sires: &[K]) -> Vec<Inbreeding> {
        self.expected_inbreeding_of(&[dam], sires).pop().unwrap_or_default()
    }

    /// The same of several dams, one list for each.
    pub fn expected_inbreeding_of(&self, dams: &[K], sires: &[K]) -> Vec<Vec<Inbreeding>> {
        let lineage = Lineage::of(self);
        let known = lineage.completeness();
        let place = |id: &K| self.find(*id).map_or(UNKNOWN, |at| lineage.places[at]);
        let sires: Vec<usize> = sires.iter().map(place).collect();
        let last = sires.iter().copied().max().unwrap_or(UNKNOWN);
        let with = |dam: usize| {
            let mut product = Product::new(lineage.parents.len());
            let variances = lineage.variances(dam, &mut product);
            product.with(dam, last, &lineage.parents, &variances);
            sires
                .iter()
                .map(|sire| Inbreeding {
                    coefficient: rounded(product.relationships[*sire] / 2.0),
                    dam: known[dam],
                    sire: known[*sire],
                })
                .collect()
        };
        dams.iter().map(|dam| with(place(dam))).collect()
    }

    /// The expected inbreeding coefficient, 0 to 1, of a calf of `dam` by `sire`.
    pub fn expected_inbreeding(&self, dam: K, sire: K) -> f64 {
        self.expected_inbreeding_with(dam, &[sire]).first().map_or(0.0, |calf| calf.coefficient)
    }

    /// Whether `ancestor` is `id` itself or one of its ancestors.
    pub fn descends_from(&self, id: K, ancestor: K) -> bool {
        if id == ancestor {
            return true;
        }
        let (Some(id), Some(ancestor)) = (self.find(id), self.find(ancestor)) else { return false };
        let parents = with_maternal_grandsires(self);
        let (mut open, mut seen) = (vec![id], vec![false; parents.len()]);
        while let Some(at) = open.pop() {
            if at == ancestor {
                return true;
            }
            let is_new = |parent: &usize| !std::mem::replace(&mut seen[*parent], true);
            open.extend(parents[at].into_iter().flatten().filter(is_new));
        }
        false
    }

    /// Those who stand on a loop of descent, or between two loops; nobody in a sound pedigree.
    pub fn on_loops(&self) -> HashSet<K> {
        let parents: Vec<Vec<usize>> = with_maternal_grandsires(self)
            .into_iter()
            .map(|parents| parents.into_iter().flatten().collect())
            .collect();
        let mut offspring = vec![Vec::new(); parents.len()];
        for (child, parents) in parents.iter().enumerate() {
            for parent in parents {
                offspring[*parent].push(child);
            }
        }
        let below = peel(&parents, &offspring);
        let above = peel(&offspring, &parents);
        let on_loop = |(at, member): (usize, &Member<K>)| match member {
            Member::Named(id) if below[at] && above[at] => Some(*id),
            _ => None,
        };
        self.members.iter().enumerate().filter_map(on_loop).collect()
    }
}

/// Removes whoever has nobody left in `before`, again and again; true for those who remain. `after`
/// is the same relation the other way round.
fn peel(before: &[Vec<usize>], after: &[Vec<usize>]) -> Vec<bool> {
    let mut left: Vec<usize> = before.iter().map(Vec::len).collect();
    let mut open: Vec<usize> = (0..left.len()).filter(|at| left[*at] == 0).collect();
    while let Some(at) = open.pop() {
        for next in &after[at] {
            left[*next] -= 1;
            if left[*next] == 0 {
                open.push(*next);
            }
        }
    }
    left.into_iter().map(|left| left > 0).collect()
}

/// Rounded to 2^-40 (10^-12), so that a limit that is met exactly is not missed for an error of
/// rounding in a deep pedigree. Coefficients are sums of powers of one half; those of fewer than
/// 20 generations stay as they are.
fn rounded(coefficient: f64) -> f64 {
    const STEPS: f64 = 1_099_511_627_776.0;
    ((coefficient * STEPS).round() / STEPS).clamp(0.0, 1.0)
}

/// Where unknown parents stand in a [`Lineage`].
const UNKNOWN: usize = 0;

/// A pedigree in a list, parents before their offspring; [`UNKNOWN`] is the unknown parent.
struct Lineage {
    parents: Vec<[usize; 2]>,
    /// Whether this is somebody by name.
    named: Vec<bool>,
    /// Where the members of the pedigree stand here.
    places: Vec<usize>,
}

impl Lineage {
    /// Orders a pedigree by generations counted from the oldest known ancestor, then by id. Two
    /// animals thereby stand in the same order in every pedigree that holds all their ancestors, and what
    /// is computed of them is the same to the last bit.
    fn of<K: Copy + Eq + Hash + Ord>(pedigree: &Pedigree<K>) -> Self {
        let mut by_id: Vec<usize> = (0..pedigree.members.len()).collect();
        by_id.sort_unstable_by_key(|at| pedigree.members[*at]);
        let (parents, generations) = without_loops(with_maternal_grandsires(pedigree), &by_id);
        by_id.sort_by_key(|at| generations[*at]);

        let mut places = vec![UNKNOWN; by_id.len()];
        for (place, at) in (1..).zip(&by_id) {
            places[*at] = place;
        }
        let ordered = by_id.iter().map(|at| parents[*at].map(|parent| parent.map_or(UNKNOWN, |p| places[p])));
        let named = by_id.iter().map(|at| matches!(pedigree.members[*at], Member::Named(_)));
        Self {
            parents: std::iter::once([UNKNOWN; 2]).chain(ordered).collect(),
            named: std::iter::once(false).chain(named).collect(),
            places,
        }
    }

    /// For `one` and its ancestors the share of their variance that is new in them and not passed on by
    /// their parents (D): 1, less a quarter of 1 + F of each known parent.
    fn variances(&self, one: usize, product: &mut Product) -> Vec<f64> {
        let mut is_needed = vec![false; self.parents.len()];
        is_needed[one] = true;
        for at in (1..=one).rev() {
            if is_needed[at] {
                self.parents[at].iter().for_each(|parent| is_needed[*parent] = true);
            }
        }
        let mut matings: Vec<Mating> = self
            .parents
            .iter()
            .enumerate()
            .filter(|(calf, parents)| is_needed[*calf] && !parents.contains(&UNKNOWN))
            .map(|(calf, &[sire, dam])| Mating { sire, dam, calf })
            .collect();
        matings.sort_unstable_by_key(|mating| (mating.sire, mating.dam, mating.calf));
        let mut matings = matings.chunk_by(|one, other| one.sire == other.sire).peekable();

        let mut inbreeding = vec![0.0; self.parents.len()];
        inbreeding[UNKNOWN] = -1.0;
        let mut variances = vec![0.0; self.parents.len()];
        for at in 1..=one {
            let [sire, dam] = self.parents[at].map(|parent| (1.0 + inbreeding[parent]) / 4.0);
            variances[at] = 1.0 - sire - dam;
            // His ancestors stand before him and are done; his offspring stand behind him and need it.
            let Some(his) = matings.next_if(|his| his[0].sire == at) else { continue };
            let last = his.last().map_or(UNKNOWN, |mating| mating.dam);
            product.with(at, last, &self.parents, &variances);
            for mating in his {
                inbreeding[mating.calf] = product.relationships[mating.dam] / 2.0;
            }
        }
        variances
    }

    fn completeness(&self) -> Vec<Completeness> {
        let mut known = vec![Completeness::default(); self.parents.len()];
        // Per animal its known ancestors one, two and three generations back.
        let mut back = vec![[0_u32; 3]; self.parents.len()];
        for at in 1..self.parents.len() {
            let [sire, dam] = self.parents[at];
            let is_named = |parent: usize| u32::from(self.named[parent]);
            back[at] =
                [is_named(sire) + is_named(dam), back[sire][0] + back[dam][0], back[sire][1] + back[dam][1]];
            let generations = if self.named[sire] && self.named[dam] {
                1 + known[sire].generations.min(known[dam].generations)
            } else {
                0
            };
            known[at] = Completeness { generations, known_to_the_third: back[at].iter().sum() };
        }
        known
    }
}

/// Both parents of an animal, and itself.
struct Mating {
    sire: usize,
    dam: usize,
    calf: usize,
}

/// The product of the relationship matrix with the unit vector of one animal.
struct Product {
    shares: Vec<f64>,
    relationships: Vec<f64>,
}

impl Product {
    fn new(animals: usize) -> Self {
        Self { shares: vec![0.0; animals], relationships: vec![0.0; animals] }
    }

    /// Computes the relationships of the animal at `one` to everybody from the oldest to `last`.
    /// `variances` must hold those of `one` and its ancestors.
    fn with(&mut self, one: usize, last: usize, parents: &[[usize; 2]], variances: &[f64]) {
        // T': her genes, traced back; half to each parent.
        self.shares[..=one].fill(0.0);
        self.shares[one] = 1.0;
        for at in (1..=one).rev() {
            let half = self.shares[at] / 2.0;
            if half > 0.0 {
                let [sire, dam] = parents[at];
                self.shares[sire] += half;
                self.shares[dam] += half;
            }
        }
        // D, then T: what is new in an animal, and half of what each parent has.
        for at in 1..=last {
            let [sire, dam] = parents[at];
            let new = if at <= one { self.shares[at] * variances[at] } else { 0.0 };
            self.relationships[at] = new + f64::midpoint(self.relationships[sire], self.relationships[dam]);
        }
    }
}

/// The parents of all members; an unknown dam whose sire is known stands for herself.
fn with_maternal_grandsires<K: Copy + Eq + Hash + Ord>(pedigree: &Pedigree<K>) -> Vec<ParentPlaces> {
    let mut parents = pedigree.parents.clone();
    for (dam, member) in pedigree.members.iter().enumerate() {
        let Member::DamOf(id) = member else { continue };
        let Some(id) = pedigree.find(*id) else { continue };
        match parents[id][DAM] {
            None => parents[id][DAM] = Some(dam),
            Some(known) => parents[known][SIRE] = parents[known][SIRE].or(parents[dam][SIRE]),
        }
    }
    parents
}

/// How far the search has got with someone.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Visit {
    New,
    /// On the path that is being followed.
    OnPath,
    Done,
}

/// Drops parents that lead back to their own offspring, and counts how many generations of known
/// ancestors everybody has. The path is held in a list, not on the stack, however long it is.
fn without_loops(mut parents: Vec<ParentPlaces>, roots: &[usize]) -> (Vec<ParentPlaces>, Vec<usize>) {
    let mut visits = vec![Visit::New; parents.len()];
    let mut generations = vec![0; parents.len()];
    for root in roots {
        let mut path: Vec<(usize, usize)> = Vec::new();
        if visits[*root] == Visit::New {
            visits[*root] = Visit::OnPath;
            path.push((*root, SIRE));
        }
        while let Some((at, side)) = path.pop() {
            let Some(parent) = parents[at].get(side) else {
                visits[at] = Visit::Done;
                let above = parents[at].iter().flatten().map(|parent| generations[*parent] + 1);
                generations[at] = above.max().unwrap_or(0);
                continue;
            };
            path.push((at, side + 1));
            let Some(parent) = *parent else { continue };
            match visits[parent] {
                Visit::OnPath => parents[at][side] = None,
                Visit::New => {
                    visits[parent] = Visit::OnPath;
                    path.push((parent, SIRE));
                }
                Visit::Done => {}
            }
        }
    }
    (parents, generations)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A pedigree of rows `(id, sire, dam)` in which 0 is unknown.
    fn pedigree(rows: &[(u32, u32, u32)]) -> Pedigree<u32> {
        let mut pedigree = Pedigree::new();
        for &(id, sire, dam) in rows {
            pedigree.add(id, Some(sire).filter(|id| *id != 0), Some(dam).filter(|id| *id != 0));
        }
        pedigree
    }

    fn assert_near(left: f64, right: f64) {
        assert!((left - right).abs() < 1e-12, "{left} is not {right}");
    }

    /// Mrode 3e, ch. 2.
    const MRODE: [(u32, u32, u32); 6] = [(1, 0, 0), (2, 0, 0), (3, 1, 2), (4, 1, 0), (5, 4, 3), (6, 5, 2)];

    #[test]
    fn the_textbook_pedigree_gives_the_textbook_figures() {
        // Mrode 3e, ch. 2: F5 = 0.125 (parents 4 and 3), F6 = 0.125 (parents 5 and 2).
        let pedigree = pedigree(&MRODE);
        assert_near(pedigree.expected_inbreeding(3, 4), 0.125);
        assert_near(pedigree.expected_inbreeding(2, 5), 0.125);
        assert_near(pedigree.expected_inbreeding(1, 2), 0.0);
    }

    #[test]
    fn a_maternal_grandsire_stands_two_paths_away() {
        // 9 is the maternal grandsire of the sire 1: paths of 2 + 1 + 1 to her sire, 1/16; as both maternal grandsires
        // 2 + 2 + 1, 1/32 (path coefficients, the tabular method of Mrode 3e ch. 2).
        let mut pedigree = pedigree(&[(3, 9, 0), (4, 9, 0), (5, 0, 4)]);
        pedigree.add_maternal_grandsire(1, 9);
        assert_near(pedigree.expected_inbreeding(3, 1), 1.0 / 16.0);
        assert_near(pedigree.expected_inbreeding(5, 1), 1.0 / 32.0);
    }

    #[test]
    fn the_same_name_outside_the_book_is_the_same_animal() {
        let name = |scheme: &str, id: &str| {
            let code = |text| crate::domain::values::Code::parse(text).unwrap();
            Relative::outside(&ExternalId { scheme: code(scheme), id: code(id) })
        };
        assert_eq!(name("farm", "B-17"), name("farm", "B-17"));
        assert_ne!(name("farm", "B-17"), name("farm", "B-18"));
        assert_ne!(name("farm", "B-17"), name("stud", "B-17"));
    }

    #[test]
    fn a_sire_on_his_daughter_gives_a_quarter_and_half_sibs_an_eighth() {
        // Mrode 3e, ch. 2.
        let pedigree = pedigree(&[(3, 1, 2), (4, 1, 5), (6, 1, 2)]);
        assert_near(pedigree.expected_inbreeding(3, 1), 0.25);
        assert_near(pedigree.expected_inbreeding(3, 4), 0.125);
        assert_near(pedigree.expected_inbreeding(3, 6), 0.25);
        assert_near(pedigree.expected_inbreeding(1, 1), 0.5);
    }

    #[test]
    fn animals_not_on_record_are_unrelated() {
        assert_near(Pedigree::<u32>::new().expected_inbreeding(7, 8), 0.0);
    }

    #[test]
    fn an_animal_that_would_be_its_own_ancestor_does_not_loop() {
        // Bad data: 1 is its own sire; 2 and 3 are each other's sire; 4, 5, 6 go round.
        let pedigree = pedigree(&[(1, 1, 9), (2, 3, 0), (3, 2, 0), (4, 5, 1), (5, 6, 2), (6, 4, 3)]);
        for dam in 1..=6 {
            for sire in 1..=6 {
                let inbreeding = pedigree.expected_inbreeding(dam, sire);
                assert!((0.0..=1.0).contains(&inbreeding), "{dam} x {sire}: {inbreeding}");
                assert_near(inbreeding, pedigree.expected_inbreeding(sire, dam));
            }
        }
        assert_near(pedigree.expected_inbreeding(2, 3), 0.25);
    }

    #[test]
    fn a_bull_far_back_counts_as_much_as_the_table_says() {
        // Mrode 3e, ch. 2, by the paths: (1/2)^(n + 1) for n animals on the path from parent to parent.
        // One bull as maternal grandsire of the sire and as sire of the dam 1/16, as maternal grandsire of both 1/32.
        let mut dams_known = pedigree(&[(10, 0, 1), (1, 9, 0), (20, 9, 0), (30, 0, 2), (2, 9, 0)]);
        assert_near(dams_known.expected_inbreeding(20, 10), 1.0 / 16.0);
        assert_near(dams_known.expected_inbreeding(30, 10), 1.0 / 32.0);
        dams_known.add_maternal_grandsire(10, 8);
        assert_near(dams_known.expected_inbreeding(30, 10), 1.0 / 32.0);

        let mut dams_unknown = pedigree(&[(20, 9, 0)]);
        dams_unknown.add_maternal_grandsire(10, 9);
        dams_unknown.add_maternal_grandsire(30, 9);
        assert_near(dams_unknown.expected_inbreeding(20, 10), 1.0 / 16.0);
        assert_near(dams_unknown.expected_inbreeding(30, 10), 1.0 / 32.0);

        // Two lines of sires that meet in animal 1, and no bound on how far back.
        for generations in [1, 5, 6, 18] {
            let mut pedigree = Pedigree::new();
            for g in 1..=generations {
                for line in [1000, 2000] {
                    pedigree.add(line + g, Some(if g == generations { 1 } else { line + g + 1 }), None);
                }
            }
            let wanted = 0.5_f64.powi(2 * generations + 1);
            assert_near(pedigree.expected_inbreeding(1001, 2001), wanted);
        }
    }

    #[test]
    fn what_is_known_of_the_pedigree_is_counted() {
        let mut pedigree = pedigree(&[(1, 2, 3), (2, 4, 5), (3, 6, 0), (4, 8, 9), (20, 4, 0)]);
        pedigree.add_maternal_grandsire(30, 4);
        let calf = |sire| pedigree.expected_inbreeding_with(1, &[sire])[0];
        // Of 1: both parents, three grandparents, two great-grandparents.
        assert_eq!(calf(2).dam, Completeness { generations: 1, known_to_the_third: 7 });
        assert_eq!(calf(2).sire, Completeness { generations: 1, known_to_the_third: 4 });
        assert_eq!(calf(20).sire, Completeness { generations: 0, known_to_the_third: 3 });
        // His dam is nobody by name; her sire and his parents are.
        assert_eq!(calf(30).sire, Completeness { generations: 0, known_to_the_third: 3 });
        assert_eq!(calf(77).sire, Completeness::default());
        assert_eq!(calf(2).caveat(), None);
        assert_eq!(
            calf(77).caveat().unwrap(),
            "It may be more: of 14 ancestors to the third generation 7 of hers and none of his are on record."
        );
    }

    #[test]
    fn loops_of_any_length_are_found() {
        // 1 is its own sire; 2 and 3 go round, 4 descends from them and 5 is an ancestor; 6 to 105 go round.
        let mut rows = vec![(1, 1, 0), (2, 3, 0), (3, 5, 2), (4, 2, 1)];
        rows.extend((6..=104).map(|id| (id, 0, id + 1)));
        assert_eq!(pedigree(&rows).on_loops(), HashSet::from([1, 2, 3]));
        rows.push((105, 0, 6));
        let looped = pedigree(&rows);
        assert_eq!(looped.on_loops().len(), 103);
        assert!(looped.descends_from(6, 105) && looped.descends_from(105, 6) && looped.descends_from(4, 3));
        assert!(
            !looped.descends_from(3, 4)
                && !looped.descends_from(6, 1)
                && looped.descends_from(99_999, 99_999)
        );
        assert!(pedigree(&MRODE).on_loops().is_empty());
    }

    #[test]
    fn a_long_and_tangled_pedigree_is_answered() {
        // Each animal's parents are the two before it, as close as breeding can get.
        let mut pedigree = Pedigree::new();
        for id in 3..5000_u32 {
            pedigree.add(id, Some(id - 1), Some(id - 2));
        }
        let inbreeding = pedigree.expected_inbreeding(4999, 4998);
        assert!(inbreeding > 0.9 && inbreeding <= 1.0, "{inbreeding}");
    }

    /// The tabular method (Mrode 3e, ch. 2): half the relationship of every two animals of a list
    /// that has parents before offspring.
    fn coancestry_by_table(rows: &[(u32, u32, u32)]) -> HashMap<(u32, u32), f64> {
        let mut table: HashMap<(u32, u32), f64> = HashMap::new();
        for (n, &(id, sire, dam)) in rows.iter().enumerate() {
            for &(earlier, ..) in &rows[..n] {
                let with = |parent| table.get(&(earlier, parent)).copied().unwrap_or(0.0) / 2.0;
                let coancestry = with(sire) + with(dam);
                table.insert((earlier, id), coancestry);
                table.insert((id, earlier), coancestry);
            }
            let inbreeding = table.get(&(sire, dam)).copied().unwrap_or(0.0);
            table.insert((id, id), f64::midpoint(1.0, inbreeding));
        }
        table
    }

    /// The rows of those and their ancestors.
    fn only(rows: &[(u32, u32, u32)], all: &Pedigree<u32>, those: &[u32]) -> Pedigree<u32> {
        let is_kin = |id: u32| those.iter().any(|one| all.descends_from(*one, id));
        pedigree(&rows.iter().copied().filter(|row| is_kin(row.0)).collect::<Vec<_>>())
    }

    /// Up to 14 animals, each with parents among those before it or unknown.
    fn rows() -> impl Strategy<Value = Vec<(u32, u32, u32)>> {
        prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>()), 2..14).prop_map(
            |picks| {
                (1_u32..)
                    .zip(picks)
                    .map(|(id, (sire, dam))| {
                        let known = id as usize;
                        let parent = |pick: prop::sample::Index| u32::try_from(pick.index(known)).unwrap();
                        (id, parent(sire), parent(dam))
                    })
                    .collect()
            },
        )
    }

    /// A herd that buys in no bull: 13 generations of 2 to 4 bulls and 3 to 6 cows, parents from the
    /// generation before.
    fn closed_herd() -> impl Strategy<Value = Vec<(u32, u32, u32)>> {
        (2..5_usize, 3..7_usize).prop_flat_map(|(bulls, cows)| {
            let size = bulls + cows;
            prop::collection::vec((0..bulls, 0..cows), 12 * size).prop_map(move |picks| {
                let number = |at: usize| u32::try_from(at + 1).unwrap();
                let founders = (0..size).map(|at| (number(at), 0, 0));
                let born = picks.into_iter().enumerate().map(|(at, (bull, cow))| {
                    let before = at / size * size;
                    (number(at + size), number(before + bull), number(before + bulls + cow))
                });
                founders.chain(born).collect()
            })
        })
    }

    proptest! {
        #[test]
        fn it_agrees_with_the_tabular_method(rows in rows()) {
            let (pedigree, table) = (pedigree(&rows), coancestry_by_table(&rows));
            for (&(dam, sire), coancestry) in &table {
                let inbreeding = pedigree.expected_inbreeding(dam, sire);
                prop_assert!((inbreeding - coancestry).abs() < 1e-12, "{dam} x {sire}: {inbreeding} {coancestry}");
            }
        }

        #[test]
        fn any_pedigree_however_wrong_gives_the_same_share_in_either_order(
            rows in prop::collection::vec((1_u32..9, 0_u32..9, 0_u32..9), 0..9),
            dam in 1_u32..9,
            sire in 1_u32..9,
        ) {
            let pedigree = pedigree(&rows);
            let inbreeding = pedigree.expected_inbreeding(dam, sire);
            prop_assert!((0.0..=1.0).contains(&inbreeding));
            prop_assert!((inbreeding - pedigree.expected_inbreeding(sire, dam)).abs() < 1e-15);
        }
    }
    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        #[test]
        fn so_it_does_in_a_closed_herd_and_every_sire_has_his_own_answer(
            rows in closed_herd().prop_flat_map(|rows| (Just(rows.clone()), Just(rows).prop_shuffle())),
        ) {
            let (rows, shuffled) = rows;
            let (ordered, disordered, table) = (pedigree(&rows), pedigree(&shuffled), coancestry_by_table(&rows));
            let all: Vec<u32> = rows.iter().map(|row| row.0).collect();
            let dam = *all.last().unwrap();
            for (sire, together) in all.iter().zip(ordered.expected_inbreeding_with(dam, &all)) {
                let coancestry = table[&(dam, *sire)];
                let difference = (together.coefficient - coancestry).abs();
                prop_assert!(difference < 1e-9, "{sire}: {together:?} {coancestry}");
                if *sire <= dam - 9 {
                    continue;
                }
                // With nothing but the ancestors of the two, in any order.
                let own = only(&shuffled, &ordered, &[dam, *sire]);
                prop_assert_eq!(&own.expected_inbreeding_with(dam, &[*sire]), &[together]);
                prop_assert_eq!(&disordered.expected_inbreeding_with(dam, &[*sire]), &[together]);
            }
        }
    }
}
