//! Keys by which callers are known. Only their hashes are stored.

use chrono::TimeDelta;
use serde_json::json;
use sqlx::types::Json;

use crate::{
    domain::{
        access::{
            Role,
            key::{ApiKey, CurrentKey, KeyStanding, KeyState},
            limits::{KeyLimits, Limits},
        },
        values::{BusinessId, KeyId, Name, TankId, Timestamp},
    },
    store::{Page, Result, Tx, ids::ids_in},
};

/// A key that was found, and the latest time that its book knows ([`Recorded`](crate::domain::now::Recorded)).
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct FoundKey {
    /// The key.
    #[sqlx(flatten)]
    pub key: Key,
    /// The time.
    pub recorded_at: Timestamp,
    /// Until when the secret is good that it was found by, where another has replaced it.
    pub replaced_until: Option<Timestamp>,
    /// Where it is limited to herds and to no tanks, the tanks that these reach.
    pub within_reach: Option<Json<Vec<TankId>>>,
}

impl FoundKey {
    /// What it may reach; all when `None`.
    pub fn limits(&self) -> Option<Limits> {
        Limits::of(&self.key.limits, self.within_reach.as_ref().map_or(&[], |tanks| &tanks.0))
    }

    /// Since when it is no longer good: by the clock, or by the book where the clock was put back.
    pub fn expired_at(&self, now: Timestamp) -> Option<Timestamp> {
        self.key.expires_at.filter(|end| self.is_over(*end, now))
    }

    /// Since when the secret that it was found by is no longer good, because another has replaced it.
    pub fn replaced_at(&self, now: Timestamp) -> Option<Timestamp> {
        self.replaced_until.filter(|end| self.is_over(*end, now))
    }

    fn is_over(&self, end: Timestamp, now: Timestamp) -> bool {
        end <= now.max(self.recorded_at)
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
    /// What it is limited to.
    #[sqlx(flatten)]
    pub limits: KeyLimits,
}

/// Enters a key by the hash of its secret.
pub async fn add(tx: &mut Tx, key: &Key, hash: &str) -> Result<()> {
    tx.sql(
        "insert into api_key (business_id, id, name, role, hash, created_at, expires_at, revoked_at, herd_ids, tank_ids)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(key.business_id)
    .bind(key.id)
    .bind(key.name.clone())
    .bind(key.role)
    .bind(hash.to_owned())
    .bind(key.created_at)
    .bind(key.expires_at)
    .bind(key.revoked_at)
    .bind(key.limits.herd_ids.clone())
    .bind(key.limits.tank_ids.clone())
    .run()
    .await
    .map(drop)
}

/// The key with that hash, whatever its state.
pub async fn by_hash(tx: &mut Tx, hash: &str) -> Result<Option<FoundKey>> {
    macro_rules! found {
        ($database:ident, $tanks:literal) => {
            concat!(
                "select k.business_id, k.id, k.name, k.role, k.created_at, k.expires_at, k.revoked_at, k.herd_ids, k.tank_ids,
                        b.last_recorded_at as recorded_at,
                        case when k.hash = $1 then null else k.previous_until end as replaced_until,
                        case when k.herd_ids is not null and k.tank_ids is null then
                            (select ", $tanks, " from tank t
                             where t.business_id = k.business_id and (t.herd_id is null or t.herd_id ", ids_in!($database, "k.herd_ids"), "))
                        end as within_reach
                 from api_key k join business b on b.id = k.business_id where k.hash = $1 or k.previous_hash = $1"
            )
        };
    }
    // Uses api_key_by_hash and api_key_by_previous_hash; no two secrets have one hash.
    tx.sql_for(
        found!(sqlite, "json_group_array(hex(t.id))"),
        found!(postgres, "coalesce(json_agg(t.id), '[]')"),
    )
    .bind(hash.to_owned())
    .optional()
    .await
}

/// The hashes of all keys that are not revoked, of all businesses.
pub async fn hashes(tx: &mut Tx) -> Result<Vec<String>> {
    tx.sql(
        "select hash from api_key where revoked_at is null
         union all
         select previous_hash as hash from api_key where revoked_at is null and previous_hash is not null",
    )
    .values()
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
        "select k.business_id, k.id, k.name, k.role, k.created_at, k.expires_at, k.revoked_at, k.herd_ids, k.tank_ids,
                b.last_recorded_at as recorded_at, null as replaced_until, null as within_reach
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

/// How the key `k` stands at $2, by the clock and by what business `b` has on record.
macro_rules! state {
    ($k:literal) => {
        concat!(
            "case when ",
            $k,
            ".revoked_at is not null then 'revoked'
                  when ",
            $k,
            ".expires_at <= $2 or ",
            $k,
            ".expires_at <= b.last_recorded_at then 'expired' else 'good' end"
        )
    };
}

/// Keys as they are shown, with how each stands.
macro_rules! keys {
    ($more:expr, $rest:expr) => {
        concat!(
            "select k.id, k.name, k.role, k.created_at, k.expires_at, k.revoked_at, k.last_used_at, k.previous_until,
             k.herd_ids, k.tank_ids, ",
            state!("k"),
            " as state",
            $more,
            " from business b join api_key k on k.business_id = b.id ",
            $rest
        )
    };
}

/// One key of a business.
pub async fn find(tx: &mut Tx, business: BusinessId, id: KeyId, now: Timestamp) -> Result<Option<ApiKey>> {
    tx.sql(keys!("", "where k.business_id = $1 and k.id = $3"))
        .bind(business)
        .bind(now)
        .bind(id)
        .optional()
        .await
}

/// The same with its business.
pub async fn current(
    tx: &mut Tx,
    business: BusinessId,
    id: KeyId,
    now: Timestamp,
) -> Result<Option<CurrentKey>> {
    tx.sql(keys!(", k.business_id, b.name as business_name", "where k.business_id = $1 and k.id = $3"))
        .bind(business)
        .bind(now)
        .bind(id)
        .optional()
        .await
}

/// One key of a business, and how many other managers' keys of it are good.
pub async fn standing(
    tx: &mut Tx,
    business: BusinessId,
    id: KeyId,
    now: Timestamp,
) -> Result<Option<KeyStanding>> {
    tx.sql(keys!(
        concat!(
            ", (select count(*) from api_key o
                where o.business_id = $1 and o.id <> $3 and o.role = 'manager' and 'good' = ",
            state!("o"),
            ") as other_managers"
        ),
        "where k.business_id = $1 and k.id = $3"
    ))
    .bind(business)
    .bind(now)
    .bind(id)
    .optional()
    .await
}

/// How many keys of a business are good.
pub async fn count_good(tx: &mut Tx, business: BusinessId, now: Timestamp) -> Result<i64> {
    let count = tx
        .sql(
            "select count(*) from api_key k where k.business_id = $1 and k.revoked_at is null
               and (k.expires_at is null or k.expires_at > $2)",
        )
        .bind(business)
        .bind(now)
        .value()
        .await?;
    Ok(count.unwrap_or(0))
}

/// Keys of a business, oldest first; only of one role, or in one state, when that is asked.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    role: Option<Role>,
    state: Option<KeyState>,
    page: Page,
) -> Result<Vec<ApiKey>> {
    // The primary key: a business has few.
    tx.sql(keys!(
        "",
        concat!(
            "where k.business_id = $1 and k.id > $3 and ($5 is null or k.role = $5) and ($6 is null or $6 = ",
            state!("k"),
            ") order by k.id limit $4"
        )
    ))
    .bind(business)
    .bind(now)
    .bind(page.after)
    .bind(page.limit)
    .bind(role)
    .bind(state)
    .all()
    .await
}

/// Gives a key another secret, known by its hash; the one before is good until then, or no more.
pub async fn replace_secret(
    tx: &mut Tx,
    business: BusinessId,
    id: KeyId,
    hash: &str,
    previous_until: Option<Timestamp>,
) -> Result<()> {
    tx.forget_known_keys();
    tx.sql(
        "update api_key set previous_hash = case when $4 is null then null else hash end, previous_until = $4, hash = $3
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(hash.to_owned())
    .bind(previous_until)
    .run()
    .await
    .map(drop)
}

/// Writes when keys were used, of those whose last use on record lies before `since`, or so far after it that the clock must have
/// been ahead.
pub async fn write_used(
    tx: &mut Tx,
    business: BusinessId,
    used: &[(KeyId, Timestamp)],
    since: Timestamp,
) -> Result<()> {
    let rows: Vec<_> = used.iter().map(|(key, at)| json!([key, at.utc_micros()])).collect();
    tx.sql_for(
        "update api_key set last_used_at = q.value ->> 1 from json_each($2) as q
         where business_id = $1 and api_key.id = unhex(q.value ->> 0, '-') and (last_used_at is null or last_used_at <= $3 or last_used_at > $4)",
        "update api_key set last_used_at = 'epoch'::timestamptz + (q.value ->> 1)::bigint * interval '1 microsecond'
         from json_array_elements($2::json) as q(value)
         where business_id = $1 and api_key.id = (q.value ->> 0)::uuid and (last_used_at is null or last_used_at <= $3 or last_used_at > $4)",
    )
    .bind(business)
    .bind(json!(rows).to_string())
    .bind(since)
    .bind(since.plus(TimeDelta::days(1)))
    .run()
    .await
    .map(drop)
}
