//! Businesses: the tenants whose books are kept here.

use serde::de::DeserializeOwned;
use serde_json::json;
use uuid::Uuid;

use crate::{
    domain::{
        access::business::{Business, OwnBusiness},
        ids,
        now::Recorded,
        straws::thaw::ThawProtocol,
        values::{AnimalId, BusinessId, HerdId, KeyId, Name, TimeZone, Timestamp},
    },
    store::{Error, Result, Tx, access::audit::KeyedResponse, ids::json_ids, pending::BookState},
};

/// Enters a business.
pub async fn add(tx: &mut Tx, id: BusinessId, name: &Name, now: Timestamp) -> Result<()> {
    tx.sql("insert into business (id, name, movement_seq, last_recorded_at, changed_at, created_at) values ($1, $2, 0, $3, $3, $3)")
        .bind(id)
        .bind(name.clone())
        .bind(now)
        .run()
        .await
        .map(drop)
}

/// All businesses, oldest first.
pub async fn all(tx: &mut Tx) -> Result<Vec<Business>> {
    tx.sql("select id, name, movement_seq as movements, created_at from business order by id").all().await
}

/// One business.
pub async fn find(tx: &mut Tx, id: BusinessId) -> Result<Option<Business>> {
    tx.sql("select id, name, movement_seq as movements, created_at from business where id = $1")
        .bind(id)
        .optional()
        .await
}

/// The same, and whether it is for trials.
pub async fn own(tx: &mut Tx, id: BusinessId) -> Result<Option<OwnBusiness>> {
    tx.sql("select id, name, movement_seq as movements, created_at, is_test from business where id = $1")
        .bind(id)
        .optional()
        .await
}

/// Makes a business one for trials, whose book may be emptied.
pub async fn set_test(tx: &mut Tx, id: BusinessId) -> Result<()> {
    tx.sql("update business set is_test = $2 where id = $1").bind(id).bind(true).run().await.map(drop)
}

/// Gives a business another name.
pub async fn rename(tx: &mut Tx, id: BusinessId, name: &Name) -> Result<()> {
    tx.sql("update business set name = $2 where id = $1").bind(id).bind(name.clone()).run().await.map(drop)
}

/// Waits until no other process writes in this business, and keeps others out until the
/// transaction ends. With it every act sees what the one before it did, on either database;
/// SQLite has one writer anyway. The transaction's changes get a later time than any before them,
/// even when the clock steps back, and its ids sort after all before them.
///
/// Gives the latest time that the book knows, now among them, and the first responses to those of `keys`,
/// Idempotency-Keys, that were used before.
pub async fn lock(
    tx: &mut Tx,
    id: BusinessId,
    now: Timestamp,
    keys: &[String],
) -> Result<(Timestamp, Vec<KeyedResponse>)> {
    if tx.is_postgres() {
        wait_for(tx, id, now).await?;
    }
    locked(tx, id, now, keys).await
}

/// Waits on a PostgreSQL server until no other process writes in this business.
async fn wait_for(tx: &mut Tx, id: BusinessId, now: Timestamp) -> Result<()> {
    tx.sql(
        "update business set changed_at = greatest(changed_at + interval '1 microsecond', $2) where id = $1",
    )
    .bind(id)
    .bind(now)
    .run()
    .await
    .map(drop)
}

/// Like the first half of [`lock`], of those businesses in which no other process is writing, without waiting for any;
/// gives which. The other half is [`locked`].
pub async fn lock_free(tx: &mut Tx, ids: &[BusinessId], now: Timestamp) -> Result<Vec<BusinessId>> {
    #[derive(sqlx::FromRow)]
    struct Free {
        id: BusinessId,
    }
    if !tx.is_postgres() {
        return Ok(ids.to_vec());
    }
    let free: Vec<Free> = tx
        .sql(
            "update business as b set changed_at = greatest(b.changed_at + interval '1 microsecond', $2)
             from (select id from business
                   where id = any (array(select value::uuid from json_array_elements_text($1::json)))
                   for no key update skip locked) as free
             where b.id = free.id
             returning b.id",
        )
        .bind(json_ids(ids))
        .bind(now)
        .all()
        .await?;
    Ok(free.into_iter().map(|free| free.id).collect())
}

/// Like the first half of [`lock`], but for a quarter of a second at most; whether it came to that. Who waits gets the lock
/// before those who came later. Where it did not, the transaction is of no more use.
pub async fn lock_in_turn(tx: &mut Tx, id: BusinessId, now: Timestamp) -> Result<bool> {
    if !tx.is_postgres() {
        return Ok(true);
    }
    tx.sql("set local lock_timeout = '250ms'").run().await?;
    match wait_for(tx, id, now).await {
        Ok(()) => tx.sql("set local lock_timeout = 0").run().await.map(|_| true),
        // PostgreSQL, appendix A: lock_not_available.
        Err(Error::Database(sqlx::Error::Database(told))) if told.code().as_deref() == Some("55P03") => {
            Ok(false)
        }
        Err(error) => Err(error),
    }
}

/// The second half of [`lock`].
pub async fn locked(
    tx: &mut Tx,
    id: BusinessId,
    now: Timestamp,
    keys: &[String],
) -> Result<(Timestamp, Vec<KeyedResponse>)> {
    // A statement of its own: what is read under the lock must be read after it was got.
    let (state, responses) = read(tx, id, Some(now), keys).await?;
    let latest = state.as_ref().map_or(now, |state| state.recorded.latest(now));
    let book = tx.pending.of(id);
    book.recorded = state.as_ref().map(|state| state.recorded.and(now));
    book.state = state;
    Ok((latest, responses))
}

/// What an act needs to know of its business; read where the lock did not bring it.
pub(in crate::store) async fn state(tx: &mut Tx, id: BusinessId) -> Result<BookState> {
    if let Some(state) = &tx.pending.of(id).state {
        return Ok(state.clone());
    }
    let (state, _) = read(tx, id, None, &[]).await?;
    let mut state = state.ok_or(Error::Database(sqlx::Error::RowNotFound))?;
    if let Some(last_line) = tx.pending.of(id).last_line {
        state.movement_seq = last_line;
    }
    tx.pending.of(id).state = Some(state.clone());
    Ok(state)
}

/// The time by which what is old may be thrown away: now, unless the clock leapt ahead and nothing has confirmed it yet.
pub async fn believed(tx: &mut Tx, id: BusinessId, now: Timestamp) -> Result<Timestamp> {
    Ok(state(tx, id).await?.recorded.believed(now))
}

#[derive(sqlx::FromRow)]
#[expect(clippy::struct_excessive_bools, reason = "each says of one thing whether it is there")]
struct StateRow {
    movement_seq: i64,
    last_recorded_at: Timestamp,
    leapt_to: Option<Timestamp>,
    last_id: Uuid,
    outside: String,
    has_webhooks: bool,
    has_items: bool,
    has_stock_rules: bool,
    has_animal_rules: bool,
    has_open_alerts: bool,
    has_open_call_outs: bool,
    has_call_outs: bool,
    responses: String,
}

macro_rules! read_state {
    ($before:literal, $outside:literal, $responses:literal, $keys:literal) => {
        concat!(
            $before,
            "select b.movement_seq, b.last_recorded_at, b.leapt_to, b.last_id,
                    (select ", $outside, " from place p where p.business_id = $1 and p.tank_id is null) as outside,
                    exists (select 1 from webhook w where w.business_id = $1 and w.state <> 'deleted') as has_webhooks,
                    exists (select 1 from ade_item i where i.business_id = $1) as has_items,
                    exists (select 1 from alert_rule r where r.business_id = $1 and r.kind in ('stock.low', 'stock.out'))
                        as has_stock_rules,
                    exists (select 1 from alert_rule r where r.business_id = $1
                            and r.kind in ('check.due', 'calving.due', 'return.watch')) as has_animal_rules,
                    exists (select 1 from alert a where a.business_id = $1 and a.cleared_at is null) as has_open_alerts,
                    exists (select 1 from call_out c where c.business_id = $1 and c.state = 'open') as has_open_call_outs,
                    exists (select 1 from call_out c where c.business_id = $1) as has_call_outs,
                    (select ", $responses, " from act a
                     where a.business_id = $1 and a.idempotency_key ", $keys, ") as responses
             from business b where b.id = $1"
        )
    };
}

/// Reads the state; on the embedded store the lock is taken in the same call where `lock_at` says when.
async fn read(
    tx: &mut Tx,
    id: BusinessId,
    lock_at: Option<Timestamp>,
    keys: &[String],
) -> Result<(Option<BookState>, Vec<KeyedResponse>)> {
    macro_rules! sqlite {
        ($before:literal) => {
            read_state!(
                $before,
                "json_group_array(json_array(p.kind, hex(p.id)))",
                "json_group_array(json_array(a.idempotency_key, a.fingerprint, a.status, a.location, a.etag, a.body,
                                             hex(a.key_id)))",
                "in (select value from json_each($2))"
            )
        };
    }
    const SQLITE: &str = sqlite!("");
    const SQLITE_LOCKED: &str =
        sqlite!("update business set changed_at = max(changed_at + 1, $3) where id = $1; ");
    const POSTGRES: &str = read_state!(
        "",
        "coalesce(json_agg(json_build_array(p.kind, p.id)), '[]')::text",
        "coalesce(json_agg(json_build_array(a.idempotency_key, a.fingerprint, a.status, a.location, a.etag, a.body,
                                              a.key_id)), '[]')::text",
        // As an array the keys lead to the index, however few rows PostgreSQL expects.
        "= any (array(select json_array_elements_text($2::json)))"
    );
    let statement = match lock_at {
        Some(now) if !tx.is_postgres() => {
            tx.sql(SQLITE_LOCKED).bind(id).bind(json!(keys).to_string()).bind(now)
        }
        _ => tx.sql_for(SQLITE, POSTGRES).bind(id).bind(json!(keys).to_string()),
    };
    let Some(row) = statement.optional::<StateRow>().await? else { return Ok((None, Vec::new())) };
    ids::after(row.last_id);
    let outside = from_json(&row.outside)?;
    let state = BookState {
        movement_seq: row.movement_seq,
        recorded: Recorded { known: row.last_recorded_at, leapt_to: row.leapt_to },
        outside,
        has_webhooks: row.has_webhooks,
        has_items: row.has_items,
        has_stock_rules: row.has_stock_rules,
        has_animal_rules: row.has_animal_rules,
        has_open_alerts: row.has_open_alerts,
        has_open_call_outs: row.has_open_call_outs,
        has_call_outs: row.has_call_outs,
    };
    Ok((Some(state), from_json(&row.responses)?))
}

fn from_json<T: DeserializeOwned>(text: &str) -> Result<T> {
    serde_json::from_str(text).map_err(|error| Error::Database(sqlx::Error::Decode(error.into())))
}

/// Writes without changing anything, to see whether the store can be written.
pub async fn touch(tx: &mut Tx) -> Result<()> {
    tx.sql_for(
        "update business set name = name where id = (select id from business order by id limit 1)",
        // One in which nobody writes: what is asked is not whether he has finished.
        "update business set name = name
         where id = (select id from business order by id limit 1 for no key update skip locked)",
    )
    .run()
    .await
    .map(drop)
}

/// The latest time that any book knows; nothing when there is no business.
pub async fn last_recorded_at(tx: &mut Tx) -> Result<Option<Timestamp>> {
    // Of a business in which nothing was recorded it is the time of its entry.
    Ok(tx.sql("select max(last_recorded_at) from business").value::<Option<Timestamp>>().await?.flatten())
}

/// The number and time of the ledger's next line. The number only grows and has no gap, because it is taken
/// under the business's lock and written with the line; the time does not go back with the clock ([`Recorded`]).
pub(in crate::store) async fn next_line(
    tx: &mut Tx,
    id: BusinessId,
    now: Timestamp,
) -> Result<(i64, Timestamp)> {
    let mut state = state(tx, id).await?;
    state.movement_seq += 1;
    let line = (state.movement_seq, state.recorded.latest(now));
    let book = tx.pending.of(id);
    book.state = Some(state);
    book.last_line = Some(line.0);
    Ok(line)
}

/// The number of the ledger's last line; 0 before the first.
pub async fn last_line(tx: &mut Tx, id: BusinessId) -> Result<i64> {
    Ok(state(tx, id).await?.movement_seq)
}

/// Something that [`BookState`] says of a business is different now.
pub(in crate::store) fn forget_state(tx: &mut Tx, id: BusinessId) {
    tx.pending.of(id).state = None;
}

/// Its book was emptied: the ledger begins anew.
pub(in crate::store) fn forget_book(tx: &mut Tx, id: BusinessId) {
    let book = tx.pending.of(id);
    book.state = None;
    book.last_line = None;
    book.animals.clear();
}

/// Something came from herd software.
pub(in crate::store) fn has_items_now(tx: &mut Tx, id: BusinessId) {
    if let Some(state) = &mut tx.pending.of(id).state {
        state.has_items = true;
    }
}

/// The animals of whom something changed in this transaction, where a rule tells what is due for animals; without one that
/// can open or clear nothing. Each call gives those since the last.
pub async fn animals_to_look_at(tx: &mut Tx, id: BusinessId) -> Result<Vec<AnimalId>> {
    if tx.pending.of(id).animals.is_empty() || !state(tx, id).await?.has_animal_rules {
        return Ok(Vec::new());
    }
    Ok(std::mem::take(&mut tx.pending.of(id).animals).into_iter().collect())
}

/// Whether a rule watches its stock, and whether an alert is open: without either nothing that moves straws can
/// open or clear one.
pub async fn is_watched(tx: &mut Tx, id: BusinessId) -> Result<(bool, bool)> {
    let state = state(tx, id).await?;
    Ok((state.has_stock_rules, state.has_open_alerts))
}

/// How far a book has come, and a herd of it with what a device at the tank must know.
#[derive(Debug, sqlx::FromRow)]
pub struct Standing {
    /// What the caller's key is called.
    pub key_name: Name,
    /// The number of the last change; 0 before the first.
    pub seq: i64,
    /// The last act.
    pub last_act: Option<Uuid>,
    /// The last alert that was opened.
    pub last_alert: Option<Uuid>,
    /// How many of the alerts that are told of are open.
    pub open_alerts: i64,
    /// The last of the alerts that are told of; null where all that are open are.
    pub last_told: Option<Uuid>,
    /// A herd, where there is one.
    pub herd_id: Option<HerdId>,
    /// What it is called.
    pub herd_name: Option<Name>,
    /// Where its days begin.
    pub time_zone: Option<TimeZone>,
    /// How it thaws.
    pub thaw: Option<ThawProtocol>,
}

/// How far the book has come, once for each of `most_herds` herds, the oldest first, or once where there is none.
///
/// Of open alerts only the first `most_alerts` are told of, so only those are looked at, which costs the same however many are
/// open: where one of them is cleared there are fewer, or the last of them is another.
pub async fn standing(
    tx: &mut Tx,
    id: BusinessId,
    key: KeyId,
    most_herds: i64,
    most_alerts: i64,
) -> Result<Vec<Standing>> {
    // Uses change_by_seq, alert_open and primary keys.
    tx.sql(
        "select k.name as key_name, (select coalesce(max(c.seq), 0) from change c where c.business_id = $1) as seq,
                (select a.id from act a where a.business_id = $1 order by a.id desc limit 1) as last_act,
                (select a.id from alert a where a.business_id = $1 order by a.id desc limit 1) as last_alert,
                (select count(*) from (select a.id from alert a where a.business_id = $1 and a.cleared_at is null
                                       order by a.id limit $4) as told) as open_alerts,
                (select a.id from alert a where a.business_id = $1 and a.cleared_at is null
                 order by a.id limit 1 offset $4 - 1) as last_told,
                h.id as herd_id, h.name as herd_name, h.time_zone, h.thaw
         from api_key k left join herd h on h.business_id = k.business_id
         where k.business_id = $1 and k.id = $2
         order by h.id limit $3",
    )
    .bind(id)
    .bind(key)
    .bind(most_herds)
    .bind(most_alerts)
    .all()
    .await
}
