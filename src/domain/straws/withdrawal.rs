//! A straw's way out of the tank: out, thawing, thawed, then served or discarded.

use crate::{
    domain::{
        animals::{choice::Allowed, objection::Deviations},
        straws::thaw::ThawProtocol,
        values::{
            AnimalId, Celsius, HerdId, LotId, PlaceId, Reason, Straws, Technician, Timestamp, WithdrawalId,
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

/// A straw's way out, as it is stored.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct Withdrawal {
    /// Its id.
    pub id: WithdrawalId,
    /// For which animal.
    pub animal_id: AnimalId,
    /// Her herd.
    pub herd_id: HerdId,
    /// Of which lot.
    pub lot_id: LotId,
    /// From which place.
    pub place_id: PlaceId,
    /// How many straws.
    pub straws: Straws,
    /// When the straw left the tank.
    pub withdrawn_at: Timestamp,
    /// Who took it.
    pub technician: Option<Technician>,
    /// The number that the service would have, when it was taken.
    pub service_number: i64,
    /// Its rank within the heat.
    pub rank: i64,
    /// What the choice rule allowed.
    pub rule: Allowed,
    /// How it is to be thawed.
    pub thaw: ThawProtocol,
    /// Why objections were set aside.
    pub override_reason: Option<Reason>,
    /// What was out of the ordinary.
    pub deviations: Deviations,
    /// Where it is on its way.
    pub state: WithdrawalState,
    /// The bath's temperature.
    pub bath_temp_c: Option<Celsius>,
    /// When it went into the bath.
    pub thaw_started_at: Option<Timestamp>,
    /// From when it may be used.
    pub ready_at: Option<Timestamp>,
    /// Until when it should be used.
    pub use_by: Option<Timestamp>,
    /// When it was served or discarded.
    pub resolved_at: Option<Timestamp>,
    /// When the withdrawal was recorded.
    pub recorded_at: Timestamp,
}

impl Withdrawal {
    /// Where the straw is at `now`: a thawing straw is thawed once it is ready.
    pub fn state_at(&self, now: Timestamp) -> WithdrawalState {
        match (self.state, self.ready_at) {
            (WithdrawalState::Thawing, Some(ready_at)) if ready_at <= now => WithdrawalState::Thawed,
            (state, _) => state,
        }
    }

    /// Where it stands again once its service or discard is undone.
    pub fn unresolved_state(&self) -> WithdrawalState {
        if self.thaw_started_at.is_some() { WithdrawalState::Thawing } else { WithdrawalState::Out }
    }

    /// Whether it was served, discarded or reversed.
    pub fn is_resolved(&self) -> bool {
        matches!(self.state, WithdrawalState::Served | WithdrawalState::Discarded | WithdrawalState::Reversed)
    }
}
