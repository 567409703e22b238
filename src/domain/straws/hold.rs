//! A hold: a tank or one of its canisters whose straws are not to be used, because of a failed tank, a flood or a doubt.
//!
//! Straws may be moved out of it and brought in; they are not offered, and not given for a service, until it is lifted.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        form::Fault,
        nitrogen::tank::Tank,
        now::Now,
        rejection::Rejection,
        straws::posting::canister_exists,
        values::{Canister, HerdId, HoldId, Reason, TankId, Technician, Timestamp},
    },
    form,
};

form! {
    /// Straws that are not to be used until further notice.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewHold {
        /// In which tank.
        pub tank_id: TankId,
        /// Only in this canister; in the whole tank without it.
        pub canister: Option<Canister>,
        /// Why.
        #[schema(example = "Frost on the neck; level lower than it should be.")]
        pub reason: Reason,
        /// Since when; now when not said.
        pub held_at: Option<Timestamp>,
        /// Who decided it.
        pub technician: Option<Technician>,
    }
}

/// Straws that are not to be used, or were not until the hold was lifted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Hold {
    /// Its id.
    pub id: HoldId,
    /// In which tank.
    pub tank_id: TankId,
    /// Whose tank it is; the technician's when none.
    #[serde(skip)]
    pub tank_herd_id: Option<HerdId>,
    /// Only in this canister; in the whole tank when null.
    pub canister: Option<Canister>,
    /// Why.
    pub reason: Reason,
    /// Who decided it.
    pub technician: Option<Technician>,
    /// Since when.
    pub held_at: Timestamp,
    /// Until when; null while it holds.
    pub lifted_at: Option<Timestamp>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
}

/// The hold as it is entered; `open` are those of the tank that hold already.
///
/// # Errors
/// The tank is not known, it has no such canister, or the same is on hold already.
pub fn decide(new: &NewHold, tank: Option<&Tank>, open: &[Hold], now: Now) -> Result<Hold, Rejection> {
    let (held_at, _) = now.client_time(new.held_at, "held_at")?;
    let tank = tank.ok_or_else(|| Rejection::Unknown {
        what: "tank",
        id: new.tank_id.0,
        pointer: Some("#/tank_id".to_owned()),
    })?;
    let details = &tank.details;
    if let Some(canister) = new.canister {
        canister_exists(&details.name, details.canisters, canister, "canister")?;
    }
    if let Some(same) = open.iter().find(|open| open.canister == new.canister) {
        let detail = format!("is on hold already: \"{}\"; lift hold {} first", same.reason, same.id);
        let field = if new.canister.is_some() { "canister" } else { "tank_id" };
        return Err(Rejection::Invalid(vec![Fault::at(field, detail)]));
    }
    Ok(Hold {
        id: HoldId::new(),
        tank_id: new.tank_id,
        tank_herd_id: details.herd_id,
        canister: new.canister,
        reason: new.reason.clone(),
        technician: new.technician.clone(),
        held_at,
        lifted_at: None,
        recorded_at: now.now,
    })
}
