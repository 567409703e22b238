//! What is done with straws: from a delivery to the goblet, the animal or the bin.

pub mod consign;
pub mod discard;
pub mod hold;
pub mod receive;
pub mod reverse;
pub mod stocktake;
pub mod thaw;
pub mod thaw_advice;
pub mod transfer;
pub mod withdraw;

use crate::{
    book::{CommandError, command::CommandContext},
    domain::{access::limits::only_within, rejection::Rejection, straws::place::Place, values::LotId},
    store::straws::stock,
};

/// What was decided of straws of a lot. Where they do not hang at `place`, the rejection says where else they do: only who
/// is turned down needs to know, so only then it is looked up.
pub(crate) async fn decided<T>(
    cx: &mut CommandContext<'_>,
    lot: LotId,
    place: Option<&Place>,
    decision: Result<T, Rejection>,
) -> Result<T, CommandError> {
    let Err(Rejection::NotInStock(mut missing)) = decision else { return Ok(decision?) };
    let business = cx.business();
    missing.elsewhere = only_within(cx.limits(), stock::of_lot(cx.tx, business, lot).await?);
    missing.elsewhere.retain(|other| Some(&other.place) != place);
    Err(Rejection::NotInStock(missing).into())
}
