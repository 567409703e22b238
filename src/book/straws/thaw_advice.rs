//! The bath before the straw.

use crate::{
    book::{Caller, CommandError},
    domain::{
        rejection::Rejection,
        straws::thaw_advice::{self, BathQuestion, Facts, ThawAdvice},
        values::Timestamp,
    },
    store::{self, Tx, straws::withdrawal::Whose},
};

/// Judges a bath for the straws that are to go into it.
///
/// # Errors
/// The lot or the herd is not there, or what was said contradicts the lot.
pub async fn thaw_advice(
    tx: &mut Tx,
    caller: &Caller,
    asked: &BathQuestion,
    now: Timestamp,
) -> Result<ThawAdvice, CommandError> {
    let business = caller.business_id;
    let unknown = |what, id: uuid::Uuid, parameter: &str| Rejection::Unknown {
        what,
        id,
        pointer: Some(parameter.to_owned()),
    };
    let lot = match asked.lot_id {
        Some(id) => {
            let lot = store::straws::lot::find(tx, business, id).await?;
            Some(lot.ok_or_else(|| unknown("lot", id.0, "lot_id"))?)
        }
        None => None,
    };
    let herds = match asked.herd_id {
        Some(id) => {
            let herd = store::animals::herd::find(tx, business, id).await?;
            herd.ok_or_else(|| unknown("herd", id.0, "herd_id"))?.details.thaw
        }
        None => None,
    };
    let whose = Whose { technician: asked.technician.clone(), key: caller.key_id, but: None };
    let in_bath = store::straws::withdrawal::in_bath(tx, business, &whose, now).await?;
    Ok(thaw_advice::advise(asked, Facts { lot, herds, in_bath }, now)?)
}
