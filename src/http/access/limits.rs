//! Keys that are good for some herds or tanks only: how each route keeps such limits, and what is refused because of them.
//!
//! A route that says nothing of limits is denied to every key that has any. One that says by its [`Permit`] or [`CommandRequest`] that it
//! keeps them is let through with ids that are within them only, and has to narrow what it answers by itself; the story
//! `limited_keys` walks every route for what it lets out.
//!
//! [`Permit`]: crate::http::extract::Permit
//! [`CommandRequest`]: crate::http::extract::CommandRequest

use axum::http::request::Parts;
use uuid::Uuid;

use crate::{
    book::{Caller, command::named_in_path},
    domain::access::Role,
    http::{
        App,
        extract::whose,
        problem::{Kind, Problem},
    },
    store::access::limits,
};

/// How a route keeps the limits of a key.
pub trait LimitRule: Send + 'static {
    /// Whether it tells and changes nothing that is of herds beyond them.
    const HERDS: bool;
    /// Whether it tells and changes nothing that is in tanks beyond them.
    const TANKS: bool;
}

macro_rules! rules {
    ($($(#[$doc:meta])* $name:ident herds $herds:literal tanks $tanks:literal;)+) => {$(
        $(#[$doc])*
        pub struct $name;
        impl LimitRule for $name {
            const HERDS: bool = $herds;
            const TANKS: bool = $tanks;
        }
    )+};
}

rules! {
    /// It is about the whole book: denied to every key that is limited.
    Whole herds false tanks false;
    /// It keeps to the herds; denied to a key for which tanks are named.
    OfHerds herds true tanks false;
    /// It keeps to the tanks; denied to a key that is limited to herds.
    OfTanks herds false tanks true;
    /// It keeps to both, or tells of neither.
    Within herds true tanks true;
}

/// Whether a route that keeps limits so is open to the caller; `suffices` are the roles that may without any.
pub fn kept<L: LimitRule>(caller: &Caller, suffices: &[Role]) -> Result<(), Problem> {
    let Some(limits) = caller.limits() else { return Ok(()) };
    let said = limits.said();
    if (L::HERDS || said.herd_ids.is_none()) && (L::TANKS || said.tank_ids.is_none()) {
        return Ok(());
    }
    let detail = format!(
        "This key is limited to {}, and what was asked for is not kept to that; a {} key without limits may.",
        said.in_words(),
        whose(suffices)
    );
    let mut problem = Problem::new(Kind::KeyLimited, detail);
    if let Some(herds) = &said.herd_ids {
        problem = problem.with("herd_ids", serde_json::json!(herds));
    }
    if let Some(tanks) = &said.tank_ids {
        problem = problem.with("tank_ids", serde_json::json!(tanks));
    }
    Err(problem)
}

/// Whether a read of a limited key names only what is within its limits: one statement where it names anything. A filter must
/// name something that is there; what the path names is for the route to miss, unless it is beyond.
pub async fn reads_within(app: &App, caller: &Caller, parts: &Parts) -> Result<(), Problem> {
    let Some(limits) = caller.limits() else { return Ok(()) };
    let in_path = named_in_path(parts.uri.path());
    let query = form_urlencoded::parse(parts.uri.query().unwrap_or_default().as_bytes());
    let in_query: Vec<(String, Uuid)> = query
        .filter(|(name, _)| name.ends_with("_id"))
        .filter_map(|(name, value)| Some((name.into_owned(), Uuid::try_parse(&value).ok()?)))
        .collect();
    let mut ids: Vec<Uuid> = in_path.iter().map(|named| named.id).collect();
    ids.extend(in_query.iter().map(|(_, id)| *id));
    if ids.is_empty() {
        return Ok(());
    }
    let mut tx = app.book.db.read().await?;
    let things = limits::named(&mut tx, caller.business_id, &ids).await?;
    limits.check(&in_path, &things)?;
    if let Some((name, id)) = limits.first_beyond(&in_query, &things) {
        let detail = format!("{name} {id} names nothing that this key may read.");
        return Err(Problem::new(Kind::NotFound, detail));
    }
    Ok(())
}
