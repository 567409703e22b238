//! A line of the ledger that is to be written, and the places in tanks that it is about.

use crate::domain::{
    form::Fault,
    rejection::{NotInStock, Rejection},
    straws::{
        movement::{End, MovementKind},
        place::{Place, PlaceKind},
    },
    values::{
        Canister, ExposureSeconds, LotId, MovementId, Name, Note, PlaceId, StocktakeId, Straws, Technician,
        Timestamp, WithdrawalId,
    },
};

/// A place in a tank as the book knows it, for straws of one lot.
#[derive(Clone, Debug)]
pub struct PlaceStock {
    /// The place.
    pub place: Place,
    /// Its id, if straws ever hung there.
    pub id: Option<PlaceId>,
    /// How many straws of the lot hang there.
    pub held: i64,
    /// Name and canisters of its tank, if the tank is known.
    pub tank: Option<(Name, Canister)>,
}

impl PlaceStock {
    /// Rejects a place whose tank is unknown or has no such canister; `field` is where it stood in the request.
    pub fn must_exist(&self, field: &str) -> Result<(), Rejection> {
        let Some((name, canisters)) = &self.tank else {
            let pointer = Some(format!("#/{field}/tank_id"));
            return Err(Rejection::Unknown { what: "tank", id: self.place.tank_id.0, pointer });
        };
        canister_exists(name, *canisters, self.place.canister, &format!("{field}/canister"))
    }

    /// Rejects a place whose canister the tank lost since straws hung there.
    pub fn must_still_exist(&self) -> Result<(), Rejection> {
        match &self.tank {
            Some((name, canisters)) if self.place.canister > *canisters => {
                let canister = self.place.canister;
                let text = format!("{name} has no canister {canister} any more, so nothing can hang there.");
                Err(Rejection::InUse { text })
            }
            _ => Ok(()),
        }
    }

    /// The end of a line that takes straws from here.
    ///
    /// # Errors
    /// So many do not hang here. Where else they do is left open; `text` says what was asked for.
    pub fn gives(&self, straws: Straws, text: impl FnOnce() -> String) -> Result<PostingEnd, Rejection> {
        let straws_after = self.held - straws.get();
        match self.id.filter(|_| straws_after >= 0) {
            Some(id) => Ok(PostingEnd::Tank { id, is_new: false, place: self.place.clone(), straws_after }),
            None => Err(Rejection::NotInStock(Box::new(NotInStock {
                asked: straws.get(),
                held: self.held,
                text: text(),
                semen_type: None,
                elsewhere: Vec::new(),
            }))),
        }
    }

    /// The end of a line that puts straws here.
    pub fn takes(&self, straws: Straws) -> PostingEnd {
        PostingEnd::Tank {
            id: self.id.unwrap_or_else(PlaceId::new),
            is_new: self.id.is_none(),
            place: self.place.clone(),
            straws_after: self.held + straws.get(),
        }
    }
}

/// Rejects a canister that a tank does not have; `field` is where it stood in the request.
pub fn canister_exists(tank: &Name, has: Canister, canister: Canister, field: &str) -> Result<(), Rejection> {
    if canister > has {
        return Err(Rejection::Invalid(vec![Fault::at(field, format!("{tank} has canisters 1 to {has}"))]));
    }
    Ok(())
}

/// One end of a line that is to be written.
#[derive(Clone, Debug)]
pub enum PostingEnd {
    /// At a place in a tank, whose balance is kept.
    Tank {
        /// The place's id.
        id: PlaceId,
        /// Whether straws never hung there before.
        is_new: bool,
        /// The place.
        place: Place,
        /// Straws of the lot that hang there afterwards.
        straws_after: i64,
    },
    /// Outside.
    Outside(PlaceKind),
}

impl PostingEnd {
    /// The place's id, when it is in a tank.
    pub fn place_id(&self) -> Option<PlaceId> {
        match self {
            Self::Tank { id, .. } => Some(*id),
            Self::Outside(_) => None,
        }
    }

    /// Straws of the lot that hang there afterwards, when it is in a tank.
    pub fn straws_after(&self) -> Option<i64> {
        match self {
            Self::Tank { straws_after, .. } => Some(*straws_after),
            Self::Outside(_) => None,
        }
    }
}

impl From<PostingEnd> for End {
    fn from(end: PostingEnd) -> Self {
        match end {
            PostingEnd::Tank { place, straws_after, .. } => {
                Self { kind: PlaceKind::Tank, place: Some(place), straws_after: Some(straws_after) }
            }
            PostingEnd::Outside(kind) => Self { kind, place: None, straws_after: None },
        }
    }
}

/// A line of the ledger that is to be written.
#[derive(Clone, Debug)]
pub struct Posting {
    /// Why.
    pub kind: MovementKind,
    /// Whose straws.
    pub lot_id: LotId,
    /// From where.
    pub from: PostingEnd,
    /// To where.
    pub to: PostingEnd,
    /// How many.
    pub straws: Straws,
    /// When it happened, as the client tells it.
    pub occurred_at: Timestamp,
    /// Who did it.
    pub technician: Option<Technician>,
    /// What it belongs to.
    pub cause: Cause,
    /// A reason from the list of its kind.
    pub reason: Option<&'static str>,
    /// Seconds above the frost line.
    pub exposure_s: Option<ExposureSeconds>,
    /// A remark.
    pub note: Option<Note>,
    /// What the caller should know.
    pub warnings: Vec<String>,
}

/// What a line belongs to.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cause {
    /// A straw's way out.
    pub withdrawal: Option<WithdrawalId>,
    /// A stocktake.
    pub stocktake: Option<StocktakeId>,
    /// The line that is undone.
    pub reverses: Option<MovementId>,
}

impl Cause {
    /// Of a withdrawal.
    pub fn withdrawal(id: WithdrawalId) -> Self {
        Self { withdrawal: Some(id), ..Self::default() }
    }
}
