//! How closely two animals are related, so that a bull is not used on his own daughter.
//!
//! What is asked before a service is the inbreeding its calf would have: the coancestry of dam
//! and sire, 0.25 for a sire on his daughter, 0.125 for half sibs (Mrode, Linear Models for the
//! Prediction of Animal Breeding Values, 3e, ch. 2). It is computed by decomposing the
//! relationship matrix (A = T D T', Mrode ch. 2; Meuwissen & Luo 1992, from memory), which gives the
//! same as the tabular method without holding the table; the tests hold it to the tabular method.
//!
//! Only the pedigree on record counts. Whoever is not on record is taken to be unrelated and not
//! inbred, so the figure is a lower bound.

use std::{
    collections::{BTreeMap, HashMap, VecDeque},
    hash::Hash,
};

/// How many generations back ancestors count; whoever stands further back is taken as unknown.
///
/// Our own bound, against endless pedigrees: what a single ancestor 20 generations back on both
/// sides adds is below 10^-12.
pub const MOST_GENERATIONS: usize = 20;

/// Who descends from whom, as far as it is on record.
#[derive(Clone, Debug)]
pub struct Pedigree<K> {
    parents: HashMap<K, [Option<K>; 2]>,
}

impl<K> Default for Pedigree<K> {
    fn default() -> Self {
        Self { parents: HashMap::new() }
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
        self.parents.insert(id, [sire, dam]);
    }

    /// The inbreeding coefficient, 0 to 1, that a calf of `dam` by `sire` would have.
    ///
    /// Bad data do not stop it: where a path leads back to an animal that stands on it already, so
    /// that the animal would be its own ancestor, that parent counts as unknown. The same two
    /// animals give the same figure in either order.
    pub fn expected_inbreeding(&self, dam: K, sire: K) -> f64 {
        let (older, younger) = if dam <= sire { (dam, sire) } else { (sire, dam) };
        let mut line = Line::of(self, older, younger);
        line.calf()
    }
}

/// One ancestor: where its parents stand in the same list.
type Parents = [Option<usize>; 2];

/// The known ancestors of two animals, parents before their offspring.
struct Line {
    parents: Vec<Parents>,
    /// Where the two animals themselves stand.
    pair: [usize; 2],
    /// Per ancestor its inbreeding coefficient.
    inbreeding: Vec<f64>,
    /// Per ancestor the share of its variance that is new in it, not passed on by its parents: D.
    own: Vec<f64>,
}

impl Line {
    /// Gathers the ancestors of the two.
    fn of<K: Copy + Eq + Hash>(pedigree: &Pedigree<K>, one: K, other: K) -> Self {
        let (found, pair) = within_reach(pedigree, one, other);
        let order = parents_first(&found, pair);
        let mut place = vec![None; found.len()];
        for (at, individual) in order.iter().enumerate() {
            place[individual.at] = Some(at);
        }
        let parents = order
            .iter()
            .map(|individual| individual.parents.map(|parent| parent.and_then(|p| place[p])))
            .collect();
        let pair = pair.map(|at| place[at].unwrap_or_default());
        Self { parents, pair, inbreeding: Vec::new(), own: Vec::new() }
    }

    /// The inbreeding of a calf of the pair.
    fn calf(&mut self) -> f64 {
        for at in 0..self.parents.len() {
            let parents = self.parents[at];
            let inbreeding = self.of_offspring(parents);
            self.own.push(self.mendelian(parents));
            self.inbreeding.push(inbreeding);
        }
        self.of_offspring(self.pair.map(Some))
    }

    /// D of an offspring of `parents`: 1, less a quarter of 1 + F of each parent that is known.
    fn mendelian(&self, parents: Parents) -> f64 {
        1.0 - parents.iter().flatten().map(|p| (1.0 + self.inbreeding[*p]) / 4.0).sum::<f64>()
    }

    /// The inbreeding of an offspring of `parents`: the sum of squared shares times D, less 1.
    ///
    /// Shares are traced from the youngest ancestor to the oldest, each passing on half.
    fn of_offspring(&self, parents: Parents) -> f64 {
        let [Some(_), Some(_)] = parents else { return 0.0 };
        let mut shares: BTreeMap<usize, f64> = BTreeMap::new();
        let mut relationship = self.mendelian(parents);
        let pass_on = |shares: &mut BTreeMap<usize, f64>, parents: Parents, half: f64| {
            for parent in parents.into_iter().flatten() {
                *shares.entry(parent).or_default() += half;
            }
        };
        pass_on(&mut shares, parents, 0.5);
        while let Some((at, share)) = shares.pop_last() {
            relationship += share * share * self.own[at];
            pass_on(&mut shares, self.parents[at], share / 2.0);
        }
        (relationship - 1.0).clamp(0.0, 1.0)
    }
}

/// An individual's place in a list, and its parents' places in the same list.
#[derive(Clone, Copy)]
struct Individual {
    at: usize,
    parents: Parents,
}

/// Everybody within [`MOST_GENERATIONS`] of either animal, nearest first, and where the two stand.
fn within_reach<K: Copy + Eq + Hash>(pedigree: &Pedigree<K>, one: K, other: K) -> (Vec<Parents>, [usize; 2]) {
    let mut places: HashMap<K, usize> = HashMap::new();
    let mut waiting: VecDeque<(K, usize)> = VecDeque::new();
    let mut place_of = |id: K, generation: usize, waiting: &mut VecDeque<(K, usize)>| {
        let next = places.len();
        *places.entry(id).or_insert_with(|| {
            waiting.push_back((id, generation));
            next
        })
    };
    let pair = [one, other].map(|id| place_of(id, 0, &mut waiting));
    let mut found = Vec::new();
    while let Some((id, generation)) = waiting.pop_front() {
        let known = pedigree.parents.get(&id).filter(|_| generation < MOST_GENERATIONS);
        let parents = known.copied().unwrap_or([None, None]);
        found.push(parents.map(|parent| parent.map(|id| place_of(id, generation + 1, &mut waiting))));
    }
    (found, pair)
}

/// How far the ordering has got with an individual.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Visit {
    New,
    /// On the path that is being followed.
    OnPath,
    Done,
}

/// The individuals in an order that puts parents before offspring; a parent that stands on its own
/// path is dropped. The path is held in a list, not on the stack, however long it is.
fn parents_first(found: &[Parents], pair: [usize; 2]) -> Vec<Individual> {
    let mut visits = vec![Visit::New; found.len()];
    let mut kept = found.to_vec();
    let mut order = Vec::with_capacity(found.len());
    for root in pair {
        let mut path: Vec<(usize, usize)> = Vec::new();
        if visits[root] == Visit::New {
            visits[root] = Visit::OnPath;
            path.push((root, 0));
        }
        while let Some((at, side)) = path.pop() {
            if side == 2 {
                visits[at] = Visit::Done;
                order.push(Individual { at, parents: kept[at] });
                continue;
            }
            path.push((at, side + 1));
            let Some(parent) = kept[at][side] else { continue };
            match visits[parent] {
                Visit::OnPath => kept[at][side] = None,
                Visit::New => {
                    visits[parent] = Visit::OnPath;
                    path.push((parent, 0));
                }
                Visit::Done => {}
            }
        }
    }
    order
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
    fn ancestors_count_for_twenty_generations() {
        // Our own bound. Two lines of sires, all dams unknown, that meet in animal 1.
        let meeting_after = |generations: u32| {
            let mut pedigree = Pedigree::new();
            for g in 1..=generations {
                for line in [1000, 2000] {
                    pedigree.add(line + g, Some(if g == generations { 1 } else { line + g + 1 }), None);
                }
            }
            pedigree.expected_inbreeding(1001, 2001)
        };
        assert_near(meeting_after(1), 0.125);
        assert!(meeting_after(20) > 0.0);
        assert!(meeting_after(21) <= 0.0);
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
}
