//! Copies of a book that are made one after the other: their names, and which of them are kept.

use std::{collections::BTreeSet, num::NonZeroU32};

use chrono::{NaiveDateTime, TimeDelta};

use crate::domain::values::Timestamp;

/// How the name of a copy is written: the time in UTC, to the second, without what file systems do not like (ISO 8601,
/// basic format). Names sort by time.
const NAMED: &str = "tankside-%Y%m%dT%H%M%SZ.db";

/// How many copies are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Keep {
    /// So many of the newest.
    pub newest: NonZeroU32,
    /// And the last one of each day (UTC) for so many days.
    pub days: u32,
}

/// The name of a copy that is made now.
pub fn name_of(at: Timestamp) -> String {
    at.utc().format(NAMED).to_string()
}

/// When a copy of that name was made; `None` for a file that is none of ours.
pub fn made_at(name: &str) -> Option<Timestamp> {
    let at = NaiveDateTime::parse_from_str(name, NAMED).ok()?;
    let at = Timestamp::from(at.and_utc());
    // The parser takes some that it would not write.
    (name_of(at) == name).then_some(at)
}

/// Of copies made then, those that are no longer kept. The newest always is, whatever the clock says.
pub fn superseded(made: &BTreeSet<Timestamp>, now: Timestamp, keep: Keep) -> Vec<Timestamp> {
    let oldest = now.plus(-TimeDelta::days(keep.days.into()));
    let mut days = BTreeSet::new();
    let mut gone = Vec::new();
    for (rank, at) in made.iter().rev().enumerate() {
        let is_last_of_its_day = days.insert(at.utc().date_naive());
        let is_among_the_newest = u32::try_from(rank).is_ok_and(|rank| rank < keep.newest.get());
        let is_kept = is_among_the_newest || (is_last_of_its_day && *at > oldest);
        if !is_kept {
            gone.push(*at);
        }
    }
    gone
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;
    use proptest::prelude::*;

    use super::*;

    fn at(text: &str) -> Timestamp {
        DateTime::parse_from_rfc3339(text).unwrap().to_utc().into()
    }

    fn keep(newest: u32, days: u32) -> Keep {
        Keep { newest: NonZeroU32::new(newest).unwrap(), days }
    }

    #[test]
    fn a_name_tells_when_and_nothing_else_is_taken_for_one() {
        let name = name_of(at("2026-03-02T05:06:07+01:00"));
        assert_eq!(name, "tankside-20260302T040607Z.db");
        assert_eq!(made_at(&name), Some(at("2026-03-02T04:06:07Z")));
        for other in [
            "tankside.db",
            "tankside-20260302T040607Z.db-wal",
            "tankside-2026032T040607Z.db",
            "tankside-20261302T040607Z.db",
            ".tankside-20260302T040607Z.db",
            "tankside-2026-03-02.db",
            "tankside- 20260302T040607Z.db",
        ] {
            assert_eq!(made_at(other), None, "{other}");
        }
    }

    #[test]
    fn the_newest_are_kept_and_the_last_of_each_day() {
        let made: BTreeSet<_> = [
            "2026-02-27T23:00:00Z",
            "2026-02-28T08:00:00Z",
            "2026-02-28T20:00:00Z",
            "2026-03-01T08:00:00Z",
            "2026-03-01T20:00:00Z",
            "2026-03-02T04:00:00Z",
        ]
        .map(at)
        .into();
        let now = at("2026-03-02T05:00:00Z");
        let gone = |keep| superseded(&made, now, keep);
        // Two newest; of the days before the last one each, back to 1 March 5:00 less a day.
        assert_eq!(
            gone(keep(2, 2)),
            ["2026-03-01T08:00:00Z", "2026-02-28T08:00:00Z", "2026-02-27T23:00:00Z"].map(at)
        );
        assert_eq!(gone(keep(1, 0)).len(), 5);
        assert_eq!(gone(keep(6, 0)), []);
        // A clock that leapt by years takes none of the newest; one that went back takes none of the days.
        assert_eq!(superseded(&made, at("2099-01-01T00:00:00Z"), keep(4, 30)).len(), 2);
        assert_eq!(superseded(&made, at("2001-01-01T00:00:00Z"), keep(1, 30)).len(), 2);
    }

    proptest! {
        #[test]
        fn whatever_the_clock_says_the_newest_is_kept_and_not_too_many_are(
            seconds in proptest::collection::btree_set(0i64..20_000_000, 1..120),
            now in 0i64..20_000_000,
            newest in 1u32..20,
            days in 0u32..40,
        ) {
            let time = |second| Timestamp::from(DateTime::from_timestamp(1_772_427_600 + second, 0).unwrap());
            let made: BTreeSet<_> = seconds.into_iter().map(time).collect();
            let gone = superseded(&made, time(now), keep(newest, days));
            prop_assert!(!gone.contains(made.last().unwrap()));
            let kept = made.len() - gone.len();
            let ahead = made.iter().filter(|at| **at > time(now)).map(|at| at.utc().date_naive());
            let ahead = ahead.collect::<BTreeSet<_>>().len();
            prop_assert!(kept <= newest as usize + days as usize + 1 + ahead);
            prop_assert!(kept >= made.len().min(newest as usize));
            // What is kept once stays kept when it is looked at again.
            let left: BTreeSet<_> = made.iter().filter(|at| !gone.contains(at)).copied().collect();
            prop_assert_eq!(superseded(&left, time(now), keep(newest, days)), vec![]);
        }
    }
}
