//! Keys by which callers are known. Only their hashes are stored.

use crate::{
    domain::values::{BusinessId, KeyId, Name, Timestamp},
    store::{Result, Tx},
    text_enum,
};

text_enum! {
    /// What a key's holder may do.
    Role {
        /// Read.
        Reader = "reader",
        /// Withdraw, thaw, serve, move stock, report what happened to an animal; read.
        Technician = "technician",
        /// Herd software: report animals and what happened to them; read.
        Integration = "integration",
        /// Everything, overrides and keys included.
        Manager = "manager",
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
pub async fn by_hash(tx: &mut Tx, hash: &str) -> Result<Option<Key>> {
    tx.sql(
        "select business_id, id, name, role, created_at, expires_at, revoked_at
         from api_key where hash = $1",
    )
    .bind(hash.to_owned())
    .optional()
    .await
}

/// All keys of all businesses, for the owner of the store.
pub async fn all(tx: &mut Tx) -> Result<Vec<Key>> {
    tx.sql(
        "select business_id, id, name, role, created_at, expires_at, revoked_at
         from api_key order by business_id, id",
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
