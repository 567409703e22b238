//! Which devices were seen, and what waits on them: kept in memory with each request, and written once a minute by a command of
//! the service's own, so that no act is slower for it.

use std::{
    collections::{BTreeMap, HashMap},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use chrono::TimeDelta;

use crate::{
    book::command::BackgroundCommand,
    domain::{
        access::device::{DeviceNote, SeenDevice, Waiting},
        values::{BusinessId, DeviceId, KeyId, Timestamp},
    },
    store::{self, Tx},
};

/// How often a device is written at most.
const EVERY: TimeDelta = TimeDelta::minutes(1);

/// How long one that is not heard is remembered here; the book remembers it longer.
const REMEMBERED: TimeDelta = TimeDelta::hours(1);

/// Devices that are remembered here at most; one more is not noted until others are forgotten.
const MOST: usize = 10_000;

/// What was seen since it was last written.
#[derive(Clone, Debug, Default)]
pub struct Devices(Arc<Mutex<HashMap<(BusinessId, DeviceId), Noted>>>);

#[derive(Debug)]
struct Noted {
    seen: SeenDevice,
    written_at: Option<Timestamp>,
    is_news: bool,
}

impl Devices {
    /// A device sent a request.
    pub fn note(&self, business: BusinessId, key_id: KeyId, note: &DeviceNote, at: Timestamp) {
        let mut noted = self.lock();
        if noted.len() >= MOST && !noted.contains_key(&(business, note.id)) {
            return;
        }
        let nothing = Waiting { acts: 0, oldest_at: None };
        let known = noted.entry((business, note.id)).or_insert_with(|| Noted {
            seen: SeenDevice { id: note.id, name: None, key_id, at, waiting: nothing },
            written_at: None,
            is_news: true,
        });
        known.seen.key_id = key_id;
        known.seen.at = at;
        known.seen.waiting = note.waiting.unwrap_or(known.seen.waiting);
        if note.name.is_some() {
            known.seen.name.clone_from(&note.name);
        }
        known.is_news = true;
    }

    /// What is to be written now, business by business. It counts as written.
    pub fn due(&self, now: Timestamp) -> BTreeMap<BusinessId, Vec<SeenDevice>> {
        self.take(now, EVERY)
    }

    /// All that is not written yet, before the service stops.
    pub fn rest(&self, now: Timestamp) -> BTreeMap<BusinessId, Vec<SeenDevice>> {
        self.take(now, TimeDelta::zero())
    }

    fn take(&self, now: Timestamp, every: TimeDelta) -> BTreeMap<BusinessId, Vec<SeenDevice>> {
        let is_fresh =
            |at: Timestamp, within: TimeDelta| (TimeDelta::zero()..within).contains(&now.since(at));
        let mut due = BTreeMap::<_, Vec<_>>::new();
        self.lock().retain(|(business, _), noted| {
            if noted.is_news && !noted.written_at.is_some_and(|at| is_fresh(at, every)) {
                due.entry(*business).or_default().push(noted.seen.clone());
                noted.written_at = Some(now);
                noted.is_news = false;
            }
            noted.is_news || is_fresh(noted.seen.at, REMEMBERED)
        });
        due
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<(BusinessId, DeviceId), Noted>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Writes which devices were seen.
#[derive(Clone, Debug)]
pub struct WriteSeen {
    /// In whose book.
    pub business: BusinessId,
    /// Which.
    pub seen: Vec<SeenDevice>,
}

impl BackgroundCommand for WriteSeen {
    type Done = ();

    fn business(&self) -> Option<BusinessId> {
        Some(self.business)
    }

    async fn run(&self, tx: &mut Tx, _: Timestamp) -> store::Result<()> {
        store::access::device::write(tx, self.business, &self.seen).await
    }
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;

    use super::*;
    use crate::domain::values::Name;

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from(DateTime::from_timestamp(1_800_000_000 + seconds, 0).unwrap())
    }

    #[test]
    fn a_device_is_written_at_most_once_a_minute() {
        let (devices, business, key) = (Devices::default(), BusinessId::new(), KeyId::new());
        let id = DeviceId::new();
        let note = |acts| DeviceNote { id, name: None, waiting: Some(Waiting { acts, oldest_at: None }) };
        let due = |now| devices.due(at(now)).remove(&business).map(|seen| seen[0].waiting.acts);
        devices.note(business, key, &note(3), at(0));
        assert_eq!(due(1), Some(3), "the first time at once");
        assert_eq!(due(2), None, "nothing new");
        devices.note(business, key, &note(4), at(3));
        devices.note(business, key, &DeviceNote { waiting: None, ..note(0) }, at(4));
        assert_eq!(due(5), None, "not before a minute");
        assert_eq!(due(61), Some(4), "what it said last");
        devices.note(business, key, &note(5), at(62));
        assert_eq!(due(63), None);
        assert_eq!(devices.rest(at(63))[&business][0].waiting.acts, 5, "all of it before a stop");
        assert!(devices.rest(at(64)).is_empty());
        assert_eq!(due(200), None);
        devices.note(business, key, &note(0), at(201));
        assert_eq!(due(-50), Some(0), "also when the clock was put back");
    }

    #[test]
    fn what_a_device_does_not_say_stays() {
        let (devices, business, key) = (Devices::default(), BusinessId::new(), KeyId::new());
        let whole = DeviceNote {
            id: DeviceId::new(),
            name: Name::parse("Stall").ok(),
            waiting: Some(Waiting { acts: 3, oldest_at: None }),
        };
        devices.note(business, key, &whole, at(0));
        devices.note(business, key, &DeviceNote { id: whole.id, name: None, waiting: None }, at(1));
        let seen = devices.due(at(2)).remove(&business).unwrap().remove(0);
        assert_eq!((seen.name, Some(seen.waiting), seen.at), (whole.name, whole.waiting, at(1)));
    }

    #[test]
    fn what_is_remembered_has_a_bound() {
        let (devices, business, key) = (Devices::default(), BusinessId::new(), KeyId::new());
        let note = |n| DeviceNote { id: DeviceId(uuid::Uuid::from_u128(n)), name: None, waiting: None };
        for n in 0..MOST as u128 + 5 {
            devices.note(business, key, &note(n), at(0));
        }
        assert_eq!(devices.due(at(1))[&business].len(), MOST);
        devices.note(business, key, &note(u128::MAX), at(2));
        assert!(devices.due(at(2)).is_empty());
        devices.note(business, key, &note(0), at(61));
        assert_eq!(devices.due(at(61))[&business].len(), 1, "one that is known is heard");
        devices.due(at(4000));
        devices.note(business, key, &note(u128::MAX), at(4001));
        assert_eq!(devices.due(at(4001))[&business].len(), 1, "others were forgotten");
    }
}
