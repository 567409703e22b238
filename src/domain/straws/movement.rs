//! A line of the ledger: straws went from somewhere to somewhere.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        straws::place::{Cane, Goblet, Place, PlaceKind},
        values::{
            Canister, ExposureSeconds, KeyId, LotId, MovementId, Note, StocktakeId, Straws, TankId,
            Technician, Timestamp, WithdrawalId,
        },
    },
    text_enum,
};

text_enum! {
    /// Why straws moved.
    MovementKind {
        /// A delivery came in.
        Receipt = "receipt",
        /// From one place to another.
        Transfer = "transfer",
        /// Out of the tank for a service.
        Withdrawal = "withdrawal",
        /// Thrown away.
        Discard = "discard",
        /// A stocktake found more or fewer.
        Count = "count",
        /// Sent to another keeper.
        Consignment = "consignment",
        /// An earlier line was undone.
        Reversal = "reversal",
    }
}

text_enum! {
    /// Why a line of the ledger is undone.
    ReversalReason {
        /// What it says did not happen.
        DidNotHappen = "did_not_happen",
        /// It happened otherwise; the right line follows.
        WrongData = "wrong_data",
        /// Another; say it in the note.
        Other = "other",
    }
}

/// One end of a movement.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct End {
    /// In a tank, or which outside place.
    pub kind: PlaceKind,
    /// The place, when it is in a tank.
    pub place: Option<Place>,
    /// Straws of the lot that hung at that place after the movement.
    #[schema(minimum = 0)]
    pub straws_after: Option<i64>,
}

/// Reads an end from columns with `from_` or `to_` in front.
macro_rules! end_columns {
    ($name:ident: $kind:tt $tank:tt $canister:tt $cane:tt $goblet:tt $straws_after:tt) => {
        #[derive(sqlx::FromRow)]
        struct $name {
            #[sqlx(rename = $kind)]
            kind: PlaceKind,
            #[sqlx(rename = $tank)]
            tank_id: Option<TankId>,
            #[sqlx(rename = $canister)]
            canister: i64,
            #[sqlx(rename = $cane)]
            cane: Cane,
            #[sqlx(rename = $goblet)]
            goblet: Goblet,
            #[sqlx(rename = $straws_after)]
            straws_after: Option<i64>,
        }

        impl From<$name> for End {
            fn from(row: $name) -> Self {
                let $name { kind, tank_id, canister, cane, goblet, straws_after } = row;
                let place = tank_id.zip(Canister::new(canister));
                let place = place.map(|(tank_id, canister)| Place { tank_id, canister, cane, goblet });
                Self { kind, place, straws_after }
            }
        }
    };
}

end_columns!(FromEnd: "from_kind" "from_tank" "from_canister" "from_cane" "from_goblet" "from_left");
end_columns!(ToEnd: "to_kind" "to_tank" "to_canister" "to_cane" "to_goblet" "to_held");

/// One line of the ledger; never changed once written.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Movement {
    /// Its id.
    pub id: MovementId,
    /// Its number in the business's book: dense, in the order of recording.
    #[schema(minimum = 1)]
    pub seq: i64,
    /// Why.
    pub kind: MovementKind,
    /// Whose straws.
    pub lot_id: LotId,
    /// How many.
    pub straws: Straws,
    /// From where.
    #[sqlx(flatten, try_from = "FromEnd")]
    pub from: End,
    /// To where.
    #[sqlx(flatten, try_from = "ToEnd")]
    pub to: End,
    /// When it happened, as the client tells it.
    pub occurred_at: Timestamp,
    /// When it was recorded here; does not go back along `seq` when the clock is put back, save from a leap ahead
    /// of more than a month.
    pub recorded_at: Timestamp,
    /// The key that recorded it.
    pub recorded_by: KeyId,
    /// Who did it.
    pub technician: Option<Technician>,
    /// The withdrawal that it belongs to.
    pub withdrawal_id: Option<WithdrawalId>,
    /// The stocktake that it posts a difference of.
    pub stocktake_id: Option<StocktakeId>,
    /// The movement that it undoes.
    pub reverses: Option<MovementId>,
    /// The movement that undid it.
    pub reversed_by: Option<MovementId>,
    /// A reason from the list of its kind.
    pub reason: Option<String>,
    /// Seconds that the straws were above the frost line, where measured.
    pub exposure_s: Option<ExposureSeconds>,
    /// A remark.
    pub note: Option<Note>,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
}
