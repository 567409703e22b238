//! Keys by which callers are known. Only their hashes are stored.

use crate::{
    domain::{
        access::Role,
        values::{BusinessId, KeyId, Name, Timestamp},
    },
    store::{Result, Tx},
};

/// A key that was found, and the latest time that its book knows ([`Recorded`](crate::domain::now::Recorded)).
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct FoundKey {
    /// The key.
    #[sqlx(flatten)]
    pub key: Key,
    /// The time.
    pub recorded_at: Timestamp,
}

impl FoundKey {
    /// Since when it is no longer good: by the clock, or by the book where the clock was put back.
    pub fn expired_at(&self, now: Timestamp) -> Option<Timestamp> {
        self.key.expires_at.filter(|end| *end <= now.max(self.recorded_at))
    }
}

/// A key, without the secret.
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct Key {
    /// Whose book it opens.
    pub business_id: BusinessId,
    /// Its id.
    pub id: KeyId,
    /// Who holds it.
    pub name: Name,
    /// What the holder may do.
    pub role: Role,
    /// When it was made.
    pub created_at: Timestamp,
    /// Until when it is good.
    pub expires_at: Option<Timestamp>,
    /// When it was revoked.
    pub revoked_at: Option<Timestamp>,
}

/// Enters a key by the hash of its secret.
pub async fn add(tx: &mut Tx, key: &Key, hash: &str) -> Result<()> {
    tx.sql(
        "insert into api_key (business_id, id, name, role, hash, created_at, expires_at, revoked_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8)",
    )
    .bind(key.business_id)
    .bind(key.id)
    .bind(key.name.clone())
    .bind(key.role)
    .bind(hash.to_owned())
    .bind(key.created_at)
    .bind(key.expires_at)
    .bind(key.revoked_at)
    .run()
    .await
    .map(drop)
}

/// The key with that hash, whatever its state.
pub async fn by_hash(tx: &mut Tx, hash: &str) -> Result<Option<FoundKey>> {
    tx.sql(
        "select k.business_id, k.id, k.name, k.role, k.created_at, k.expires_at, k.revoked_at,
                b.last_recorded_at as recorded_at
         from api_key k join business b on b.id = k.business_id where k.hash = $1",
    )
    .bind(hash.to_owned())
    .optional()
    .await
}

/// Who holds a key.
pub async fn holder(tx: &mut Tx, business: BusinessId, id: KeyId) -> Result<Option<Name>> {
    tx.sql("select name from api_key where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .value()
        .await
}

/// All keys of all businesses, for the owner of the store.
pub async fn all(tx: &mut Tx) -> Result<Vec<FoundKey>> {
    tx.sql(
        "select k.business_id, k.id, k.name, k.role, k.created_at, k.expires_at, k.revoked_at,
                b.last_recorded_at as recorded_at
         from api_key k join business b on b.id = k.business_id order by k.business_id, k.id",
    )
    .all()
    .await
}

/// Revokes a key; false when there is none of that id that was still good.
pub async fn revoke(tx: &mut Tx, id: KeyId, now: Timestamp) -> Result<bool> {
    tx.forget_known_keys();
    let touched = tx
        .sql("update api_key set revoked_at = $2 where id = $1 and revoked_at is null")
        .bind(id)
        .bind(now)
        .run()
        .await?;
    Ok(touched > 0)
}
