//! A person decides what a flagged item of a herd system was.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext},
        exchange::ingest::{self, Used},
        lookup,
    },
    domain::{
        exchange::ade::{AdeItem, Resolution},
        form::Fault,
        rejection::Rejection,
        straws::{place::Place, receive::known_lot},
        values::{AdeItemId, LotId, Note, WithdrawalId},
    },
    store::{
        self,
        straws::{place, stock},
    },
};

/// Settles a flagged item.
#[derive(Clone, Debug)]
pub struct Settle {
    /// Which.
    pub item_id: AdeItemId,
    /// What it was.
    pub decision: Decision,
    /// A remark.
    pub note: Option<Note>,
}

/// What a person decides.
#[derive(Clone, Debug)]
pub enum Decision {
    /// A straw of this lot, from this place, or from the only one where it hangs.
    Straw(LotId, Option<Place>),
    /// The straw of this withdrawal.
    Withdrawal(WithdrawalId),
    /// It happened, with a straw that never was in this book.
    NoStraw,
    /// It needs nothing more.
    Dismiss,
}

impl Command for Settle {
    type Done = AdeItem;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<AdeItem, CommandError> {
        let business = cx.business();
        let item = store::exchange::ade_item::find(cx.tx, business, self.item_id).await?;
        let item = item.ok_or(Rejection::Unknown { what: "item", id: self.item_id.0, pointer: None })?;
        if !item.flagged {
            let text = "It is not flagged, or was settled or taken back already.".to_owned();
            return Err(Rejection::InUse { text }.into());
        }
        let subject_id = match &self.decision {
            Decision::Dismiss => item.subject_id,
            Decision::NoStraw if item.subject_id.is_some() => item.subject_id,
            Decision::NoStraw => Some(self.record(cx, &item, Used::Foreign(None, None, false)).await?),
            Decision::Straw(lot, place) => {
                let place = self.place(cx, &item, *lot, place.as_ref()).await?;
                Some(self.record(cx, &item, Used::Hanging(*lot, place)).await?)
            }
            Decision::Withdrawal(id) => {
                let withdrawal = lookup::withdrawal(cx, *id, Some("#/withdrawal_id")).await?;
                if Some(withdrawal.animal_id) != item.animal_id {
                    let fault = Fault::at("withdrawal_id", "was for another animal");
                    return Err(Rejection::Invalid(vec![fault]).into());
                }
                Some(self.record(cx, &item, Used::Withdrawn(*id)).await?)
            }
        };
        let item = AdeItem {
            subject_id,
            flagged: false,
            resolution: Some(self.resolution()),
            resolved_at: Some(cx.now),
            note: self.note.clone(),
            ..item
        };
        store::exchange::ade_item::change(cx.tx, business, &item, Some(cx.caller.key_id)).await?;
        Ok(item)
    }
}

impl Settle {
    fn resolution(&self) -> Resolution {
        match self.decision {
            Decision::Straw(..) => Resolution::Straw,
            Decision::Withdrawal(_) => Resolution::Withdrawal,
            Decision::NoStraw => Resolution::NoStraw,
            Decision::Dismiss => Resolution::Dismiss,
        }
    }

    /// The insemination is recorded anew with the straw that it was.
    async fn record(
        &self,
        cx: &mut CommandContext<'_>,
        item: &AdeItem,
        used: Used,
    ) -> Result<uuid::Uuid, CommandError> {
        ingest::undo(cx, item).await?;
        ingest::record_again(cx, item, used).await
    }

    /// The place that is named, or the only one where the lot hangs.
    async fn place(
        &self,
        cx: &mut CommandContext<'_>,
        item: &AdeItem,
        lot: LotId,
        place: Option<&Place>,
    ) -> Result<Place, CommandError> {
        let business = cx.business();
        if let Some(place) = place {
            let (known, there) = place::stock_at(cx.tx, business, lot, place).await?;
            known_lot(known.as_ref(), lot)?;
            there.must_exist("place")?;
            return Ok(place.clone());
        }
        lookup::lot(cx, lot, Some("#/lot_id")).await?;
        let stock = stock::of_lot(cx.tx, business, lot).await?;
        let reachable = |herd| item.herd_id == herd;
        let mut within = stock.into_iter().filter(|at| at.tank_herd_id.is_none_or(reachable));
        match (within.next(), within.next()) {
            (Some(only), None) => Ok(only.place),
            (None, _) => {
                let fault = Fault::at("lot_id", "has no straw within the herd's reach; name the place");
                Err(Rejection::Invalid(vec![fault]).into())
            }
            (Some(_), Some(_)) => {
                let fault = Fault::at("place", "is required: straws of the lot hang at several places");
                Err(Rejection::Invalid(vec![fault]).into())
            }
        }
    }
}
