//! What the operator does beside the running service: sees that the store is empty, makes keys,
//! checks the books. The same as `tankside key create` and `tankside verify`.

use crate::{
    book::access::key::{self, Secret},
    domain::{
        access::Role,
        values::{Name, Timestamp},
    },
    store::{self, Db, Page},
};
use anyhow::{bail, ensure};

/// Refuses a store in which somebody's herds stand already.
///
/// # Errors
/// It has herds, or several businesses, or cannot be opened.
pub async fn must_be_empty(database_url: &str) -> anyhow::Result<()> {
    let db = Db::open(database_url).await?;
    let mut tx = db.read().await?;
    let businesses = store::access::business::all(&mut tx).await?;
    let mut herds = 0;
    for business in &businesses {
        let first = Page { after: uuid::Uuid::nil(), limit: 1 };
        herds += store::animals::herd::list(&mut tx, business.id, first).await?.len();
    }
    drop(tx);
    db.close().await;
    ensure!(
        herds == 0,
        "this store has herds already, and the demo would mix an invented farm into them; name a new store, or leave \
         --database-url out"
    );
    ensure!(businesses.len() < 2, "this store has several businesses; the demo needs a store of its own");
    Ok(())
}

/// Makes a key while the service runs.
///
/// # Errors
/// The store fails, or has not exactly one business.
pub async fn make_key(
    database_url: &str,
    holder: &str,
    role: Role,
    now: Timestamp,
) -> anyhow::Result<Secret> {
    let db = Db::open(database_url).await?;
    let mut tx = db.write().await?;
    let businesses = store::access::business::all(&mut tx).await?;
    let [business] = businesses.as_slice() else { bail!("the store has {} businesses", businesses.len()) };
    let holder = Name::parse(holder).map_err(anyhow::Error::msg)?;
    let (_, secret) = key::create(&mut tx, business.id, holder, role, None, now).await?;
    tx.commit().await?;
    db.close().await;
    Ok(secret)
}

/// Recomputes every balance from the movements and looks at every rule again; says what was looked at.
///
/// # Errors
/// Something does not add up.
pub async fn check_books(database_url: &str) -> anyhow::Result<String> {
    let db = Db::open(database_url).await?;
    let mut tx = db.read().await?;
    let extent = store::verify::extent(&mut tx).await?;
    let findings = store::verify::findings(&mut tx).await?;
    drop(tx);
    db.close().await;
    if let Some(first) = findings.first() {
        bail!("{} findings, the first: {}: {}", findings.len(), first.rule, first.subject);
    }
    Ok(format!("the book adds up: {extent}"))
}
