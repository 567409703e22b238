//! A whole book: emptied, where it is one for trials.

use crate::{
    domain::values::BusinessId,
    store::{Result, Tx, access::business},
};

macro_rules! emptied {
    ($($table:literal)+) => {
        &[$(concat!("delete from ", $table, " where business_id = $1"),)+]
    };
}

/// Every table of a book but the business and its keys, those first that point to others.
const EMPTIED: &[&str] = emptied! {
    "act"
    "ade_made"
    "alert"
    "alert_recheck"
    "alert_rule"
    "animal_event"
    "balance"
    "calendar"
    "call_out_animal"
    "change"
    "consignment_line"
    "delivery_attempt"
    "device"
    "former_herd"
    "hold"
    "identifier"
    "mating_plan"
    "movement_tank"
    "nitrogen_reading"
    "nitrogen_refill"
    "price_list"
    "protocol_start"
    "search_word"
    "sweep"
    "tank_repair"
    "webhook_secret"
    "ade_item"
    "call_out"
    "consignment"
    "delivery"
    "movement"
    "service"
    "timed_protocol"
    "outbox"
    "stocktake"
    "webhook"
    "withdrawal"
    "lot"
    "place"
    "tank"
};

/// A sire may have a dam in the book, and an animal her sire, so neither goes first.
const THE_REST: &[&str] = &[
    "update sire set dam_id = null where business_id = $1",
    "delete from animal where business_id = $1",
    "delete from sire where business_id = $1",
    "delete from herd where business_id = $1",
    "update business set movement_seq = 0 where id = $1",
];

/// Whether a book has more than so many things.
pub async fn has_more_than(tx: &mut Tx, business: BusinessId, most: i64) -> Result<bool> {
    // Uses change_by_seq.
    let beyond = tx
        .sql("select seq from change where business_id = $1 order by seq limit 1 offset $2")
        .bind(business)
        .bind(most)
        .value::<i64>()
        .await?;
    Ok(beyond.is_some())
}

/// Takes everything out of a book but the keys. The store refuses it where the book is not one for trials.
pub async fn empty(tx: &mut Tx, id: BusinessId) -> Result<()> {
    // What waits belongs to acts before this one.
    tx.flush().await?;
    for statement in EMPTIED.iter().chain(THE_REST) {
        tx.sql(statement).bind(id).run().await?;
    }
    business::forget_book(tx, id);
    Ok(())
}
