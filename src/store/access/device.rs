//! Devices that keep acts until there is a signal.

use serde_json::json;

use crate::{
    domain::{
        access::device::{Device, SeenDevice},
        values::{BusinessId, Timestamp},
    },
    store::{Page, Result, Tx},
};

/// Devices of a business that are kept; those that were not seen for the longest time go.
const MOST: i64 = 1000;

/// Writes that devices were seen.
pub async fn write(tx: &mut Tx, business: BusinessId, seen: &[SeenDevice]) -> Result<()> {
    let rows: Vec<_> = seen
        .iter()
        .map(|device| {
            let oldest = device.waiting.oldest_at.map(Timestamp::utc_micros);
            json!([
                device.id,
                device.key_id,
                device.name,
                device.at.utc_micros(),
                device.waiting.acts,
                oldest
            ])
        })
        .collect();
    tx.sql_for(
        "insert into device (business_id, id, key_id, name, last_seen_at, waiting, oldest_waiting_at)
         select $1, unhex(q.value ->> 0, '-'), unhex(q.value ->> 1, '-'), q.value ->> 2, q.value ->> 3, q.value ->> 4,
                q.value ->> 5
         from json_each($2) as q where true
         on conflict (business_id, id) do update
         set key_id = excluded.key_id, name = coalesce(excluded.name, name), last_seen_at = excluded.last_seen_at,
             waiting = excluded.waiting, oldest_waiting_at = excluded.oldest_waiting_at",
        "insert into device (business_id, id, key_id, name, last_seen_at, waiting, oldest_waiting_at)
         select $1, (q.value ->> 0)::uuid, (q.value ->> 1)::uuid, q.value ->> 2,
                'epoch'::timestamptz + (q.value ->> 3)::bigint * interval '1 microsecond', (q.value ->> 4)::bigint,
                'epoch'::timestamptz + (q.value ->> 5)::bigint * interval '1 microsecond'
         from json_array_elements($2::json) as q(value)
         on conflict (business_id, id) do update
         set key_id = excluded.key_id, name = coalesce(excluded.name, device.name), last_seen_at = excluded.last_seen_at,
             waiting = excluded.waiting, oldest_waiting_at = excluded.oldest_waiting_at",
    )
    .bind(business)
    .bind(json!(rows).to_string())
    .run()
    .await?;
    tx.sql(
        "delete from device where business_id = $1 and id in (
             select o.id from device o where o.business_id = $1 order by o.last_seen_at desc, o.id limit 1000000 offset $2)",
    )
    .bind(business)
    .bind(MOST)
    .run()
    .await
    .map(drop)
}

/// Devices by their ids.
pub async fn list(tx: &mut Tx, business: BusinessId, page: Page) -> Result<Vec<Device>> {
    tx.sql(
        "select d.id, d.name, d.key_id, k.name as key_name, d.last_seen_at, d.waiting, d.oldest_waiting_at
         from device d join api_key k on k.business_id = d.business_id and k.id = d.key_id
         where d.business_id = $1 and d.id > $2 order by d.id limit $3",
    )
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .all()
    .await
}
