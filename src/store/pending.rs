//! What waits in a transaction to be written in one call: changes for the feed, entries of the audit, events
//! for the outbox.
//!
//! Every act writes these alike and no act reads them back, so a transaction that many acts share writes them once
//! for all. Who does read them in the transaction that wrote them calls [`Tx::flush`] first.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use crate::{
    domain::{
        ids,
        now::Recorded,
        straws::place::PlaceKind,
        values::{AnimalId, BusinessId, PlaceId, Timestamp},
        webhooks::event::Event,
    },
    store::{
        Result, Tx,
        access::audit::NewAuditEntry,
        exchange::change::{self, NewChange},
        webhooks::outbox,
    },
};

/// What waits, by business: mostly one, so a list.
#[derive(Default)]
pub(crate) struct Pending(Vec<Book>);

/// What waits for one business, and what is known of it since it was locked.
pub(crate) struct Book {
    business: BusinessId,
    pub(crate) state: Option<BookState>,
    /// What this transaction makes of the time, once it has the lock.
    pub(crate) recorded: Option<Recorded>,
    /// The number of the last line of the ledger, where the store's own counter does not say so yet.
    pub(crate) last_line: Option<i64>,
    /// Animals of whom something changed, for the alerts. One too many does no harm, so they stay when something is undone.
    pub(crate) animals: BTreeSet<AnimalId>,
    changes: Vec<NewChange>,
    entries: Vec<NewAuditEntry>,
    events: Vec<(Timestamp, Event)>,
}

/// What an act needs to know of its business, read under the lock and kept up in the transaction.
#[derive(Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each says of one thing whether it is there")]
pub(crate) struct BookState {
    /// The ledger's last line.
    pub(crate) movement_seq: i64,
    /// The latest time that is known.
    pub(crate) recorded: Recorded,
    /// The outside places that were entered.
    pub(crate) outside: Vec<(PlaceKind, PlaceId)>,
    /// Some webhook may want an event.
    pub(crate) has_webhooks: bool,
    /// Something came from herd software.
    pub(crate) has_items: bool,
    /// Some rule watches the stock.
    pub(crate) has_stock_rules: bool,
    /// Some rule tells what is due for animals.
    pub(crate) has_animal_rules: bool,
    /// Some alert is open.
    pub(crate) has_open_alerts: bool,
    /// Some farm waits for the technician.
    pub(crate) has_open_call_outs: bool,
    /// Some farm asked for the technician, ever.
    pub(crate) has_call_outs: bool,
}

impl Pending {
    /// What waits for `business`.
    pub(crate) fn of(&mut self, business: BusinessId) -> &mut Book {
        let found = self.0.iter().position(|book| book.business == business);
        let at = found.unwrap_or_else(|| {
            self.0.push(Book::of(business));
            self.0.len() - 1
        });
        &mut self.0[at]
    }

    /// Forgets what waits, and what was known: it was undone. What time it is stays.
    pub(super) fn clear(&mut self) {
        for book in &mut self.0 {
            let animals = std::mem::take(&mut book.animals);
            *book = Book { recorded: book.recorded, animals, ..Book::of(book.business) };
        }
    }
}

impl Book {
    fn of(business: BusinessId) -> Self {
        Self {
            business,
            state: None,
            recorded: None,
            last_line: None,
            animals: BTreeSet::new(),
            changes: vec![],
            entries: vec![],
            events: vec![],
        }
    }

    /// A thing came or changed: told once, where it changed last.
    pub(crate) fn change(&mut self, new: NewChange) {
        self.animals.extend(new.watched_animal());
        let earlier = self.changes.iter().position(|earlier| earlier.is_of(&new));
        let new = earlier.map_or(new, |at| new.after(&self.changes.remove(at)));
        self.changes.push(new);
    }

    /// Something was asked for.
    pub(crate) fn entry(&mut self, entry: NewAuditEntry) {
        self.entries.push(entry);
    }

    /// Others may want to be told of something.
    pub(crate) fn event(&mut self, now: Timestamp, event: Event) {
        self.events.push((now, event));
    }
}

impl Tx {
    /// Writes what waits. In a transaction that is not committed it is undone with the rest.
    pub async fn flush(&mut self) -> Result<()> {
        for at in 0..self.pending.0.len() {
            let book = &mut self.pending.0[at];
            let business = book.business;
            let changes = std::mem::take(&mut book.changes);
            let entries = std::mem::take(&mut book.entries);
            let events = std::mem::take(&mut book.events);
            let last_line = book.last_line.take();
            let recorded = book.recorded;
            let has_items = book.state.as_ref().is_none_or(|state| state.has_items);
            let has_webhooks = book.state.as_ref().is_none_or(|state| state.has_webhooks);
            if !events.is_empty() && has_webhooks {
                outbox::enter_all(self, business, &events).await?;
            }
            if !changes.is_empty() || !entries.is_empty() || last_line.is_some() {
                write(self, business, &changes, &entries, (last_line, recorded)).await?;
            }
            if has_items && changes.iter().any(NewChange::may_be_an_item) {
                change::renew_items(self, business, &changes).await?;
            }
        }
        Ok(())
    }
}

/// Writes changes, entries, and what the business keeps of its last: the number of the ledger's line, the time, the id;
/// in one call.
async fn write(
    tx: &mut Tx,
    business: BusinessId,
    changes: &[NewChange],
    entries: &[NewAuditEntry],
    (last_line, recorded): (Option<i64>, Option<Recorded>),
) -> Result<()> {
    let changes: Vec<Value> = changes.iter().map(NewChange::as_json).collect();
    let entries: Vec<Value> = entries.iter().map(NewAuditEntry::as_json).collect();
    tx.sql_for(
        "insert into change (business_id, kind, subject_id, seq, herd_id, animal_id, reversed, created_at, changed_at)
         select b.id, c.value ->> 0, unhex(c.value ->> 1, '-'), n.seq + 1 + c.key, unhex(c.value ->> 2, '-'),
                unhex(c.value ->> 3, '-'), c.value ->> 4, b.changed_at, b.changed_at
         from (select coalesce(max(seq), 0) as seq from change where business_id = $1) as n, business b,
              json_each($2) as c
         where b.id = $1
         on conflict (business_id, kind, subject_id) do update
         set seq = excluded.seq, changed_at = excluded.changed_at, reversed = excluded.reversed,
             herd_id = coalesce(excluded.herd_id, change.herd_id),
             animal_id = coalesce(excluded.animal_id, change.animal_id);
         insert into act (business_id, id, key_id, request, status, location, idempotency_key, fingerprint, etag, body,
                          recorded_at)
         select $1, unhex(e.value ->> 0, '-'), unhex(e.value ->> 1, '-'), e.value ->> 2, e.value ->> 3, e.value ->> 4,
                e.value ->> 5, e.value ->> 6, e.value ->> 7, e.value ->> 8, e.value ->> 9
         from json_each($3) as e;
         update business set movement_seq = coalesce($4, movement_seq), last_recorded_at = coalesce($5, last_recorded_at),
                             leapt_to = case when $5 is null then leapt_to else $6 end,
                             last_id = max(last_id, $7)
         where id = $1",
        "with n as (select coalesce(max(seq), 0) as seq from change where business_id = $1),
         changed as (
             insert into change (business_id, kind, subject_id, seq, herd_id, animal_id, reversed, created_at, changed_at)
             select b.id, c.value ->> 0, (c.value ->> 1)::uuid, n.seq + c.line, (c.value ->> 2)::uuid,
                    (c.value ->> 3)::uuid, (c.value ->> 4)::boolean, b.changed_at, b.changed_at
             from n, business b, json_array_elements($2::json) with ordinality as c(value, line)
             where b.id = $1
             on conflict (business_id, kind, subject_id) do update
             set seq = excluded.seq, changed_at = excluded.changed_at, reversed = excluded.reversed,
                 herd_id = coalesce(excluded.herd_id, change.herd_id),
                 animal_id = coalesce(excluded.animal_id, change.animal_id)),
         counted as (
             update business set movement_seq = coalesce($4, movement_seq),
                                 last_recorded_at = coalesce($5, last_recorded_at),
                                 leapt_to = case when $5 is null then leapt_to else $6 end,
                                 last_id = greatest(last_id, $7)
             where id = $1)
         insert into act (business_id, id, key_id, request, status, location, idempotency_key, fingerprint, etag, body,
                          recorded_at)
         select $1, (e.value ->> 0)::uuid, (e.value ->> 1)::uuid, e.value ->> 2, (e.value ->> 3)::bigint, e.value ->> 4,
                e.value ->> 5, e.value ->> 6, e.value ->> 7, e.value ->> 8,
                'epoch'::timestamptz + (e.value ->> 9)::bigint * interval '1 microsecond'
         from json_array_elements($3::json) as e(value)",
    )
    .bind(business)
    .bind(json!(changes).to_string())
    .bind(json!(entries).to_string())
    .bind(last_line)
    .bind(recorded.map(|recorded| recorded.known))
    .bind(recorded.and_then(|recorded| recorded.leapt_to))
    .bind(ids::last())
    .run()
    .await
    .map(drop)
}
