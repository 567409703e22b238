//! Which webhook is to be looked at when.
//!
//! It stands in memory and only saves looking: a webhook that is not on it is found when all are gone through.

use std::collections::{BTreeMap, BTreeSet};

use crate::{domain::values::Timestamp, store::webhooks::bell::Addressee};

/// Webhooks in the order in which something is due to them, each once.
#[derive(Debug, Default)]
pub struct Agenda {
    by_time: BTreeSet<(Timestamp, Addressee)>,
    times: BTreeMap<Addressee, Timestamp>,
}

impl Agenda {
    /// Something is due to a webhook then; of two times the earlier counts.
    pub fn note(&mut self, webhook: Addressee, at: Timestamp) {
        match self.times.get(&webhook) {
            Some(earlier) if *earlier <= at => return,
            Some(later) => {
                self.by_time.remove(&(*later, webhook));
            }
            None => {}
        }
        self.times.insert(webhook, at);
        self.by_time.insert((at, webhook));
    }

    /// Takes at most `most` off to which something is due by `now`, those that wait longest first.
    pub fn take(&mut self, now: Timestamp, most: usize) -> Vec<Addressee> {
        let mut taken = Vec::new();
        while taken.len() < most
            && let Some((at, webhook)) = self.by_time.first().copied()
            && at <= now
        {
            self.by_time.pop_first();
            self.times.remove(&webhook);
            taken.push(webhook);
        }
        taken
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::values::{BusinessId, WebhookId};

    #[test]
    fn whoever_waits_longest_comes_first_and_each_once() {
        let at = |seconds| Timestamp::from(chrono::DateTime::from_timestamp(seconds, 0).unwrap());
        let business_id = BusinessId::new();
        let [a, b, c] = [(); 3].map(|()| Addressee { business_id, webhook_id: WebhookId::new() });
        let mut agenda = Agenda::default();
        for (webhook, seconds) in [(a, 30), (b, 20), (c, 40), (a, 10), (b, 50)] {
            agenda.note(webhook, at(seconds));
        }
        assert_eq!(agenda.take(at(9), 5), []);
        assert_eq!(agenda.take(at(100), 2), [a, b]);
        assert_eq!(agenda.take(at(100), 2), [c]);
        assert_eq!(agenda.take(at(100), 2), [], "each once");
    }
}
