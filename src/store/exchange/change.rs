//! What changed, in the order of commits: each thing once, with the number of its last change.
//!
//! The functions that write a thing note its change themselves, so none can be forgotten. The number
//! is taken in the same transaction, under the business's lock: whoever sees a number sees all below it.

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

    /// Whether the thing may be told to herd systems as an item of theirs.
    fn may_be_an_item(self) -> bool {
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
            | ChangeKind::AdeItem => false,
        }
    }
}

/// Notes a change, and that of the item that the thing came as.
pub async fn note(tx: &mut Tx, business: BusinessId, noted: NewChange) -> Result<()> {
    tx.sql(
        "insert into change (business_id, kind, subject_id, seq, herd_id, animal_id, reversed, created_at, changed_at)
         select b.id, $2, $3, 1 + coalesce((select max(seq) from change where business_id = $1), 0), $4, $5, $6,
                b.changed_at, b.changed_at
         from business b where b.id = $1
         on conflict (business_id, kind, subject_id) do update
         set seq = excluded.seq, changed_at = excluded.changed_at, reversed = excluded.reversed,
             herd_id = coalesce(excluded.herd_id, change.herd_id),
             animal_id = coalesce(excluded.animal_id, change.animal_id)",
    )
    .bind(business)
    .bind(noted.kind)
    .bind(noted.subject)
    .bind(noted.herd)
    .bind(noted.animal)
    .bind(noted.reversed)
    .run()
    .await?;
    if noted.may_be_an_item() {
        for item in items_of(tx, business, noted.subject).await? {
            renew(tx, business, item.id, noted.reversed || item.deleted).await?;
        }
    }
    Ok(())
}

/// An item that the thing came as.
#[derive(sqlx::FromRow)]
struct Item {
    id: Uuid,
    deleted: bool,
}

async fn items_of(tx: &mut Tx, business: BusinessId, subject: Uuid) -> Result<Vec<Item>> {
    // Uses ade_item_by_subject; most things came as no item.
    tx.sql("select id, deleted from ade_item where business_id = $1 and subject_id = $2")
        .bind(business)
        .bind(subject)
        .all()
        .await
}

async fn renew(tx: &mut Tx, business: BusinessId, item: Uuid, reversed: bool) -> Result<()> {
    tx.sql(
        "update change
         set seq = 1 + (select max(n.seq) from change n where n.business_id = $1),
             changed_at = (select b.changed_at from business b where b.id = $1), reversed = $3
         where business_id = $1 and kind = 'ade_item' and subject_id = $2",
    )
    .bind(business)
    .bind(item)
    .bind(reversed)
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

/// One thing with its last change.
pub async fn find(
    tx: &mut Tx,
    business: BusinessId,
    kind: ChangeKind,
    subject: Uuid,
) -> Result<Option<Change>> {
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
