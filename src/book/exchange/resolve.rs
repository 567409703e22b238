//! A person decides what a flagged item of a herd system was.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext},
        exchange::ingest,
        lookup,
    },
    domain::{
        access::limits::only_within,
        animals::animal::Animal,
        exchange::{
            ade::{AdeItem, Resolution},
            straw_used::Used,
        },
        form::Fault,
        rejection::Rejection,
        straws::{place::Place, receive::known_lot},
        values::{AdeItemId, AnimalId, LotId, Note, Straws, WithdrawalId},
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
    /// Which animal it was, where the item does not say so.
    pub animal_id: Option<AnimalId>,
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
        let named = match self.animal_id {
            Some(id) => Some(lookup::animal(cx, id, Some("#/animal_id")).await?),
            None => None,
        };
        let used = match &self.decision {
            Decision::Dismiss => None,
            Decision::NoStraw if item.subject_id.is_some() => None,
            Decision::NoStraw => Some(Used::Foreign(None, None, false)),
            Decision::Straw(lot, place) => {
                let place = self.place(cx, &item, *lot, place.as_ref()).await?;
                Some(Used::Hanging(*lot, place))
            }
            Decision::Withdrawal(id) => Some(Used::Withdrawn(*id)),
        };
        let (animal_id, subject_id, made) = match used {
            None => (item.animal_id, item.subject_id, Vec::new()),
            Some(used) => {
                let animal = the_animal(cx, &item, named.as_ref()).await?;
                if let Used::Withdrawn(id) = used {
                    let withdrawal = lookup::withdrawal(cx, id, Some("#/withdrawal_id")).await?;
                    if withdrawal.animal_id != animal {
                        let fault = Fault::at("withdrawal_id", "was for another animal");
                        return Err(Rejection::Invalid(vec![fault]).into());
                    }
                }
                // The insemination is recorded anew with the straw that it was.
                ingest::undo(cx, &item).await?;
                let recorded = ingest::record_again(cx, &item, animal, used).await?;
                (Some(animal), Some(recorded.service.0), recorded.made)
            }
        };
        let item = AdeItem {
            animal_id,
            subject_id,
            flagged: false,
            resolution: Some(self.resolution()),
            resolved_at: Some(cx.now),
            note: self.note.clone(),
            ..item
        };
        store::exchange::ade_item::change(cx.tx, business, &item, Some(cx.caller.key_id), &made).await?;
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
            // Who settles it from the desk picks among what hangs; another place is likelier a slip than a find.
            there.gives(Straws::ONE, || format!("straws of the lot in {}", place.describe()))?;
            return Ok(place.clone());
        }
        lookup::lot(cx, lot, Some("#/lot_id")).await?;
        let stock = only_within(cx.limits(), stock::of_lot(cx.tx, business, lot).await?);
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

/// The animal of the item, the one that is named, or the one that goes by the name told by now.
async fn the_animal(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    named: Option<&Animal>,
) -> Result<AnimalId, CommandError> {
    let refused = |detail: String| Rejection::Invalid(vec![Fault::at("animal_id", detail)]);
    match (item.animal_id, named) {
        (Some(known), named) if named.is_none_or(|named| named.id == known) => Ok(known),
        (Some(known), _) => {
            Err(refused(format!("must be {known}, of whom it was told, or be left out")).into())
        }
        (None, Some(named)) if named.details.herd_id == item.herd_id => Ok(named.id),
        (None, Some(_)) => {
            Err(refused("must be an animal of the herd that it was told of".to_owned()).into())
        }
        (None, None) => ingest::named_in(cx, item).await?.map_err(|unclear| {
            refused(format!("is required: the name told {}", unclear.what_is_wrong())).into()
        }),
    }
}
