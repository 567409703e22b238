//! What changed, in the order of commits: each thing once, with the number of its last change.
//!
//! The functions that write a thing note its change themselves, so none can be forgotten. The number
//! is taken in the same transaction, under the business's lock: whoever sees a number sees all below it.

use serde_json::{Value, json};
use uuid::Uuid;

use crate::{
    domain::{
        exchange::change::{Change, ChangeKind},
        values::{AnimalId, BusinessId, HerdId},
    },
    store::{Result, Tx},
};

/// A change to be noted.
#[derive(Clone, Copy, Debug)]
pub struct NewChange {
    kind: ChangeKind,
    subject: Uuid,
    herd: Option<HerdId>,
    animal: Option<AnimalId>,
    reversed: bool,
}

impl NewChange {
    /// The thing of that kind and id came or changed.
    pub fn of(kind: ChangeKind, subject: Uuid) -> Self {
        Self { kind, subject, herd: None, animal: None, reversed: false }
    }

    /// In that herd; what was noted before stays when it is not said.
    #[must_use]
    pub fn herd(self, herd: HerdId) -> Self {
        Self { herd: Some(herd), ..self }
    }

    /// About that animal.
    #[must_use]
    pub fn animal(self, animal: AnimalId) -> Self {
        Self { animal: Some(animal), ..self }
    }

    /// It no longer counts, or counts again.
    #[must_use]
    pub fn reversed(self, reversed: bool) -> Self {
        Self { reversed, ..self }
    }

    /// Whether both are of one thing.
    pub(in crate::store) fn is_of(&self, other: &Self) -> bool {
        (self.kind, self.subject) == (other.kind, other.subject)
    }

    /// The same after an earlier change, of which stays what is not said anew.
    pub(in crate::store) fn after(self, earlier: &Self) -> Self {
        Self { herd: self.herd.or(earlier.herd), animal: self.animal.or(earlier.animal), ..self }
    }

    /// Kind, id, herd, animal, reversed: a row for the store.
    pub(in crate::store) fn as_json(&self) -> Value {
        json!([self.kind.as_str(), self.subject, self.herd, self.animal, self.reversed])
    }

    /// The animal for whom something else may be due now.
    pub(in crate::store) fn watched_animal(&self) -> Option<AnimalId> {
        match self.kind {
            ChangeKind::Animal => Some(AnimalId(self.subject)),
            ChangeKind::Service
            | ChangeKind::Heat
            | ChangeKind::PregnancyCheck
            | ChangeKind::Calving
            | ChangeKind::Abortion
            | ChangeKind::DoNotBreed => self.animal,
            _ => None,
        }
    }

    /// Whether the thing may be told to herd systems as an item of theirs.
    pub(in crate::store) fn may_be_an_item(&self) -> bool {
        match self.kind {
            ChangeKind::Animal
            | ChangeKind::Service
            | ChangeKind::Heat
            | ChangeKind::PregnancyCheck
            | ChangeKind::Calving
            | ChangeKind::Abortion
            | ChangeKind::DoNotBreed => true,
            ChangeKind::Herd
            | ChangeKind::Tank
            | ChangeKind::Sire
            | ChangeKind::Lot
            | ChangeKind::Movement
            | ChangeKind::Withdrawal
            | ChangeKind::Stocktake
            | ChangeKind::Consignment
            | ChangeKind::CallOut
            | ChangeKind::MatingPlan
            | ChangeKind::TimedProtocol
            | ChangeKind::ProtocolStart
            | ChangeKind::AdeItem => false,
        }
    }
}

/// Notes a change, and that of the item that the thing came as: when the transaction is committed or
/// [flushed](Tx::flush).
pub fn note(tx: &mut Tx, business: BusinessId, new: NewChange) {
    tx.pending.of(business).change(new);
}

/// Items that things came as changed with them.
pub(in crate::store) async fn renew_items(
    tx: &mut Tx,
    business: BusinessId,
    changes: &[NewChange],
) -> Result<()> {
    let things: Vec<Value> = changes.iter().map(NewChange::as_json).collect();
    // Uses ade_item_by_subject. An item that is itself among the changes has its number already.
    tx.sql_for(
        "insert into change (business_id, kind, subject_id, seq, herd_id, animal_id, reversed, created_at, changed_at)
         select b.id, 'ade_item', i.id, n.seq + row_number() over (order by c.key), i.herd_id, i.animal_id,
                c.value ->> 4 or i.deleted, b.changed_at, b.changed_at
         from (select coalesce(max(seq), 0) as seq from change where business_id = $1) as n, business b,
              json_each($2) as c
         join ade_item i on i.business_id = $1 and i.subject_id = unhex(c.value ->> 1, '-')
         where b.id = $1
           and not exists (select 1 from json_each($2) as o
                           where o.value ->> 0 = 'ade_item' and unhex(o.value ->> 1, '-') = i.id)
         on conflict (business_id, kind, subject_id) do update
         set seq = excluded.seq, changed_at = excluded.changed_at, reversed = excluded.reversed",
        "insert into change (business_id, kind, subject_id, seq, herd_id, animal_id, reversed, created_at, changed_at)
         select b.id, 'ade_item', i.id, n.seq + row_number() over (order by c.line), i.herd_id, i.animal_id,
                (c.value ->> 4)::boolean or i.deleted, b.changed_at, b.changed_at
         from (select coalesce(max(seq), 0) as seq from change where business_id = $1) as n, business b,
              json_array_elements($2::json) with ordinality as c(value, line)
         join ade_item i on i.business_id = $1 and i.subject_id = (c.value ->> 1)::uuid
         where b.id = $1
           and not exists (select 1 from json_array_elements($2::json) as o(value)
                           where o.value ->> 0 = 'ade_item' and (o.value ->> 1)::uuid = i.id)
         on conflict (business_id, kind, subject_id) do update
         set seq = excluded.seq, changed_at = excluded.changed_at, reversed = excluded.reversed",
    )
    .bind(business)
    .bind(json!(things).to_string())
    .run()
    .await
    .map(drop)
}

/// What changed after the number `after`, in order.
pub async fn list(tx: &mut Tx, business: BusinessId, after: i64, limit: i64) -> Result<Vec<Change>> {
    // Uses change_by_seq.
    tx.sql(
        "select seq, kind, subject_id, herd_id, animal_id, reversed, created_at, changed_at
         from change where business_id = $1 and seq > $2 order by seq limit $3",
    )
    .bind(business)
    .bind(after)
    .bind(limit)
    .all()
    .await
}

/// These things with their last changes, in no order.
pub async fn of_ids(
    tx: &mut Tx,
    business: BusinessId,
    kind: ChangeKind,
    ids: &[Uuid],
) -> Result<Vec<Change>> {
    tx.sql_for(
        "select seq, kind, subject_id, herd_id, animal_id, reversed, created_at, changed_at
         from change
         where business_id = $1 and kind = $2 and subject_id in (select unhex(q.value, '-') from json_each($3) as q)",
        "select seq, kind, subject_id, herd_id, animal_id, reversed, created_at, changed_at
         from change
         where business_id = $1 and kind = $2
           and subject_id in (select q.value::uuid from json_array_elements_text($3::json) as q(value))",
    )
    .bind(business)
    .bind(kind)
    .bind(json!(ids).to_string())
    .all()
    .await
}

/// One thing with its last change.
pub async fn find(
    tx: &mut Tx,
    business: BusinessId,
    kind: ChangeKind,
    subject: Uuid,
) -> Result<Option<Change>> {
    tx.flush().await?;
    tx.sql(
        "select seq, kind, subject_id, herd_id, animal_id, reversed, created_at, changed_at
         from change where business_id = $1 and kind = $2 and subject_id = $3",
    )
    .bind(business)
    .bind(kind)
    .bind(subject)
    .optional()
    .await
}
