//! A straw's way out of the tank: out, thawing, thawed, then served or discarded.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::{
            animal::Animal,
            choice::Allowed,
            included::HerselfBeside,
            mating::MatingKinship,
            objection::{Deviation, Deviations},
        },
        rejection::Rejection,
        row::IfSelected,
        straws::{lot::Lot, place::Place, semen::SemenType, sire::SireSummary, thaw::ThawProtocol},
        values::{
            AnimalId, Celsius, Code, HerdId, Name, PlaceId, Reason, Straws, Technician, Timestamp,
            WithdrawalId,
        },
    },
    text_enum,
};

text_enum! {
    /// Where a withdrawn straw is on its way. `thawed` follows from `thawing` by time alone and is
    /// told, not stored.
    WithdrawalState {
        /// Out of the tank.
        Out = "out",
        /// In the bath.
        Thawing = "thawing",
        /// Ready to use.
        Thawed = "thawed",
        /// Used for a service.
        Served = "served",
        /// Thrown away.
        Discarded = "discarded",
        /// Entered by mistake; the straw never left.
        Reversed = "reversed",
    }
}

text_enum! {
    /// Why straws were thrown away.
    DiscardReason {
        /// Thawed and not used in time.
        ThawedNotUsed = "thawed_not_used",
        /// Dropped or broken.
        Dropped = "dropped",
        /// The bath was wrong.
        BathFailure = "bath_failure",
        /// Exposed to warmth above the frost line.
        Exposed = "exposed",
        /// Past the date of the supplier's instruction.
        ExpiredInstruction = "expired_instruction",
        /// Its lot was recalled.
        Recalled = "recalled",
        /// Another; say it in the note.
        Other = "other",
    }
}

/// A straw's way out of the tank.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Withdrawal {
    /// Its id.
    pub id: WithdrawalId,
    /// Where it is on its way.
    pub state: WithdrawalState,
    /// For which animal.
    pub animal_id: AnimalId,
    /// Her number in her herd.
    pub animal_number: Code,
    /// Her herd.
    pub herd_id: HerdId,
    /// Which service it is to be.
    #[schema(minimum = 1)]
    pub service_number: i64,
    /// Which insemination of that heat.
    #[schema(minimum = 1)]
    pub rank: i64,
    /// The lot.
    #[sqlx(flatten)]
    pub lot: Lot,
    /// The sire.
    #[sqlx(flatten)]
    pub sire: SireSummary,
    /// The semen type.
    #[sqlx(rename = "lot_semen_type")]
    pub semen_type: SemenType,
    /// Where the straw hung.
    #[sqlx(flatten)]
    pub place: Place,
    /// The place's id.
    #[serde(skip)]
    pub place_id: PlaceId,
    /// What that tank is called.
    pub tank_name: Name,
    /// Whose tank it is; the technician's when none.
    #[serde(skip)]
    pub tank_herd_id: Option<HerdId>,
    /// How many straws.
    pub straws: Straws,
    /// When it left the tank.
    pub withdrawn_at: Timestamp,
    /// Who took it.
    pub technician: Option<Technician>,
    /// What was read off the straw.
    pub straw_read: Option<Name>,
    /// What the choice rule allowed.
    pub rule: Allowed,
    /// How to thaw it.
    pub thaw: ThawProtocol,
    /// The bath's temperature in degrees Celsius.
    pub bath_temp_c: Option<Celsius>,
    /// When it went into the bath.
    pub thaw_started_at: Option<Timestamp>,
    /// From when it may be used.
    pub ready_at: Option<Timestamp>,
    /// Until when it should be used.
    pub use_by: Option<Timestamp>,
    /// When it was served or discarded.
    pub resolved_at: Option<Timestamp>,
    /// Why objections were set aside.
    pub override_reason: Option<Reason>,
    /// What was out of the ordinary.
    #[schema(value_type = Vec<Deviation>)]
    pub deviations: Deviations,
    /// Her kinship with the sire; only the answer to a command has it.
    #[sqlx(skip)]
    pub kinship: Option<MatingKinship>,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
    /// With `include=animal`: she.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Animal)]
    #[sqlx(flatten, try_from = "IfSelected<HerselfBeside>")]
    pub animal: Option<Box<Animal>>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
}

impl Withdrawal {
    /// The same as it is at `now`: a thawing straw is thawed once it is ready.
    #[must_use]
    pub fn at(mut self, now: Timestamp) -> Self {
        if self.state == WithdrawalState::Thawing && self.ready_at.is_some_and(|ready_at| ready_at <= now) {
            self.state = WithdrawalState::Thawed;
        }
        self
    }

    /// Where it stands again once its service or discard is undone.
    pub fn unresolved_state(&self) -> WithdrawalState {
        unresolved(self.thaw_started_at)
    }

    /// Rejects what was already served, discarded or reversed.
    pub fn must_be_open(&self) -> Result<(), Rejection> {
        if self.is_resolved() {
            return Err(Rejection::AlreadyResolved {
                withdrawal: self.id,
                state: self.state,
                at: self.resolved_at,
            });
        }
        Ok(())
    }

    /// Whether it was served, discarded or reversed.
    pub fn is_resolved(&self) -> bool {
        matches!(self.state, WithdrawalState::Served | WithdrawalState::Discarded | WithdrawalState::Reversed)
    }
}

/// Where an unresolved straw stands: in the bath once it went in.
pub fn unresolved(thaw_started_at: Option<Timestamp>) -> WithdrawalState {
    if thaw_started_at.is_some() { WithdrawalState::Thawing } else { WithdrawalState::Out }
}
