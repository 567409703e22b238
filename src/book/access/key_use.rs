//! When keys were last used: kept in memory with each request, and written once an hour by a command of the service's own, so
//! that no act is slower for it.

use std::{
    collections::{BTreeMap, HashMap},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use chrono::TimeDelta;

use crate::{
    book::command::BackgroundCommand,
    domain::values::{BusinessId, KeyId, Timestamp},
    store::{self, Tx},
};

/// How often the use of a key is written at most.
const EVERY: TimeDelta = TimeDelta::hours(1);

/// Keys that are remembered here at most.
const MOST: usize = 10_000;

/// Which keys were used.
#[derive(Clone, Debug, Default)]
pub struct KeyUses(Arc<Mutex<HashMap<(BusinessId, KeyId), Noted>>>);

#[derive(Debug)]
struct Noted {
    used_at: Timestamp,
    written_at: Option<Timestamp>,
}

impl KeyUses {
    /// A request came with a key.
    pub fn note(&self, business: BusinessId, key: KeyId, at: Timestamp) {
        let mut noted = self.lock();
        if noted.len() >= MOST && !noted.contains_key(&(business, key)) {
            return;
        }
        let known = noted.entry((business, key)).or_insert(Noted { used_at: at, written_at: None });
        known.used_at = at;
    }

    /// What is to be written now, business by business. It counts as written; what was not used since is forgotten.
    pub fn due(&self, now: Timestamp) -> BTreeMap<BusinessId, Vec<(KeyId, Timestamp)>> {
        let mut due = BTreeMap::<_, Vec<_>>::new();
        self.lock().retain(|(business, key), noted| {
            let is_fresh = |at: Timestamp| (TimeDelta::zero()..EVERY).contains(&now.since(at));
            if noted.written_at.is_some_and(is_fresh) {
                return true;
            }
            let is_news = noted.written_at.is_none_or(|at| noted.used_at > at);
            if is_news {
                due.entry(*business).or_default().push((*key, noted.used_at));
                noted.written_at = Some(now);
            }
            is_news
        });
        due
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<(BusinessId, KeyId), Noted>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Writes when keys were last used.
#[derive(Clone, Debug)]
pub struct WriteUses {
    /// Of which business.
    pub business: BusinessId,
    /// Which, and when.
    pub used: Vec<(KeyId, Timestamp)>,
}

impl BackgroundCommand for WriteUses {
    type Done = ();

    fn business(&self) -> Option<BusinessId> {
        Some(self.business)
    }

    /// Other processes of the service write the same, so the hour is counted in the store, too.
    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<()> {
        store::access::key::write_used(tx, self.business, &self.used, now.plus(-EVERY)).await
    }
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;

    use super::*;

    fn at(minutes: i64) -> Timestamp {
        Timestamp::from(DateTime::from_timestamp(1_800_000_000 + 60 * minutes, 0).unwrap())
    }

    #[test]
    fn the_use_of_a_key_is_written_at_most_once_an_hour() {
        let (uses, business, key) = (KeyUses::default(), BusinessId::new(), KeyId::new());
        let due = |now: i64| uses.due(at(now)).remove(&business).unwrap_or_default();
        assert_eq!(due(0), []);
        for minute in 0..5 {
            uses.note(business, key, at(minute));
        }
        assert_eq!(due(5), [(key, at(4))]);
        uses.note(business, key, at(30));
        assert_eq!(due(6), []);
        assert_eq!(due(64), []);
        assert_eq!(due(65), [(key, at(30))]);
        assert_eq!(due(200), [], "nobody used it since");
        assert!(uses.lock().is_empty());
        uses.note(business, key, at(201));
        assert_eq!(due(202), [(key, at(201))]);
        // A clock that was put back does not keep it from being written.
        uses.note(business, key, at(10));
        assert_eq!(due(10), []);
        uses.note(business, key, at(203));
        assert_eq!(due(11), [(key, at(203))]);
    }
}
