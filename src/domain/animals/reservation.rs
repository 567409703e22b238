//! Which straw each animal of a round gets: nobody is left without one who could have one, no straw is meant twice, and
//! each canister is lifted as seldom as that allows.
//!
//! Animals come in the order of their deadlines. One that finds her straw taken asks whether the holder can take another
//! (an augmenting path; Kuhn 1955, Naval Research Logistics 2:83-97), so an animal is short only when the straws of all
//! that she may have are needed by animals that come before her or have no other.

/// Straws at one place.
#[derive(Clone, Copy, Debug)]
pub struct Supply<C> {
    /// How many hang there.
    pub straws: i64,
    /// The canister that is lifted for them.
    pub canister: C,
}

/// What an animal may have: places by their number, in groups of the same straws, the best group first. Within a group it
/// does not matter which is taken, so one whose canister is lifted anyway goes first.
pub type Offers = Vec<Vec<usize>>;

/// For each animal, in the order given, the number of the place where her straw is reserved; none where she is short.
pub fn reserve<C: PartialEq + Copy>(offers: &[Offers], supply: &[Supply<C>]) -> Vec<Option<usize>> {
    let mut round =
        Round { offers, supply, given: vec![None; offers.len()], holders: vec![Vec::new(); supply.len()] };
    for animal in 0..offers.len() {
        round.find(animal, &mut vec![false; supply.len()]);
    }
    round.given
}

struct Round<'r, C> {
    offers: &'r [Offers],
    supply: &'r [Supply<C>],
    given: Vec<Option<usize>>,
    holders: Vec<Vec<usize>>,
}

impl<C: PartialEq + Copy> Round<'_, C> {
    /// Finds a straw for an animal, if need be by moving others; `asked` are the places that were asked on the way.
    fn find(&mut self, animal: usize, asked: &mut [bool]) -> bool {
        let places = self.in_order(animal);
        for place in places.iter().copied() {
            if self.is_left(place) {
                self.give(animal, place);
                return true;
            }
        }
        for place in places {
            if std::mem::replace(&mut asked[place], true) {
                continue;
            }
            for holder in self.holders[place].clone() {
                if self.find(holder, asked) {
                    self.give(animal, place);
                    return true;
                }
            }
        }
        false
    }

    /// The places she may have, best first.
    fn in_order(&self, animal: usize) -> Vec<usize> {
        let mut places = Vec::new();
        for group in &self.offers[animal] {
            let mut group = group.clone();
            group.sort_by_key(|place| !self.is_lifted(self.supply[*place].canister));
            places.extend(group);
        }
        places
    }

    fn is_left(&self, place: usize) -> bool {
        i64::try_from(self.holders[place].len()).is_ok_and(|taken| taken < self.supply[place].straws)
    }

    fn is_lifted(&self, canister: C) -> bool {
        self.supply
            .iter()
            .zip(&self.holders)
            .any(|(supply, holders)| supply.canister == canister && !holders.is_empty())
    }

    /// Gives her a straw there instead of what she had.
    fn give(&mut self, animal: usize, place: usize) {
        if let Some(before) = self.given[animal].replace(place) {
            self.holders[before].retain(|holder| *holder != animal);
        }
        self.holders[place].push(animal);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn supply(straws: &[i64]) -> Vec<Supply<usize>> {
        straws.iter().enumerate().map(|(n, straws)| Supply { straws: *straws, canister: n / 2 }).collect()
    }

    #[test]
    fn who_has_another_choice_makes_room() {
        // The first may have either, the second only the first place; the third comes too late for the last straw.
        let offers = [vec![vec![0], vec![1]], vec![vec![0]], vec![vec![0, 1]]];
        assert_eq!(reserve(&offers, &supply(&[1, 1])), [Some(1), Some(0), None]);
        assert_eq!(reserve(&offers, &supply(&[2, 1])), [Some(0), Some(0), Some(1)]);
    }

    #[test]
    fn of_the_same_straws_those_of_a_canister_that_is_lifted_anyway_go_first() {
        // Places 0 and 1 hang in one canister, 2 and 3 in another.
        let offers = [vec![vec![2]], vec![vec![0, 3]], vec![vec![0], vec![3]]];
        assert_eq!(reserve(&offers, &supply(&[5, 5, 5, 5])), [Some(2), Some(3), Some(0)]);
    }

    /// The most animals that can have a straw, by trying everything.
    fn most(offers: &[Offers], straws: &mut [i64]) -> usize {
        let Some((first, rest)) = offers.split_first() else { return 0 };
        let mut best = most(rest, straws);
        for place in first.iter().flatten() {
            if straws[*place] > 0 {
                straws[*place] -= 1;
                best = best.max(1 + most(rest, straws));
                straws[*place] += 1;
            }
        }
        best
    }

    proptest! {
        #[test]
        fn no_straw_is_meant_twice_and_nobody_is_short_who_need_not_be(
            straws in proptest::collection::vec(0_i64..3, 1..5),
            wanted in proptest::collection::vec(proptest::collection::vec(proptest::collection::vec(0_usize..5, 0..3), 0..3), 0..6),
        ) {
            let places = straws.len();
            let offers: Vec<Offers> = wanted.into_iter()
                .map(|groups| groups.into_iter().map(|group| group.into_iter().map(|place| place % places).collect()).collect())
                .collect();
            let given = reserve(&offers, &supply(&straws));
            prop_assert_eq!(given.len(), offers.len());
            for (place, straws) in straws.iter().enumerate() {
                let taken = given.iter().filter(|given| **given == Some(place)).count();
                prop_assert!(i64::try_from(taken).unwrap() <= *straws);
            }
            for (offers, given) in offers.iter().zip(&given) {
                prop_assert!(given.is_none_or(|place| offers.iter().flatten().any(|offered| *offered == place)));
            }
            let served = given.iter().flatten().count();
            prop_assert_eq!(served, most(&offers, &mut straws.clone()));
            // Whoever comes first is never short for the sake of one who comes later.
            for n in 1..=offers.len() {
                let early = reserve(&offers[..n], &supply(&straws));
                for (early, late) in early.iter().zip(&given) {
                    prop_assert!(early.is_none() || late.is_some());
                }
            }
        }
    }
}
