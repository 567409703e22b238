//! What an alert says to do.

use crate::domain::{alerts::AlertKind, cautions, nitrogen};

impl AlertKind {
    /// What to do.
    pub const fn advice(self) -> &'static str {
        match self {
            Self::StockLow => "Order straws, or change the alert rule if they are not to be used any more.",
            Self::StockOut => {
                "Order straws, or plan the services with another sire; a rule that is switched off silences this."
            }
            Self::NitrogenLow => {
                "Read the level again with a solid rod and refill now. While any liquid is left the straws may be \
                 sound: if the tank cannot be refilled, move them to another tank at once."
            }
            Self::NitrogenRefillDue => "Order nitrogen and refill by the date given.",
            Self::NitrogenLossHigh => {
                "Look at the neck and the outside for frost or sweat, and read the level again today. Frost or sweat \
                 means that the vacuum fails: move the straws to a sound tank at once."
            }
            Self::NitrogenReadingOverdue => {
                "Read the level with a solid rod and enter it. A forecast without readings tells nothing of a tank \
                 that began to fail."
            }
            Self::WithdrawalUnresolved => {
                "Ask who took the straw: record the service, the discard with its reason, or reverse the withdrawal \
                 if the straw never left."
            }
            Self::StocktakeDifference => {
                "Count again where it differs, look for straws in neighbouring goblets and for withdrawals that were \
                 not entered; then accept the stocktake, or acknowledge this."
            }
            Self::ConceptionFalling => {
                "Look first at the thaw (bath, seconds to the bath), then at the level history of the tank and at the trace of \
                 the lot; GET /v1/reports/conception-watch tells the figures. A hint, never a verdict on anybody: it also \
                 comes without a cause, as often as its text says."
            }
            Self::WebhookDisabled => {
                "See with GET /v1/webhooks/{id} why, put the receiver right, and have it told again: POST .../resume, then POST \
                 .../redelivery for what it missed. Delete the webhook if nobody needs it any more."
            }
            Self::RuleOverridden => "See whether the reason holds, and acknowledge this.",
            Self::ActRefused => {
                "It was done all the same and the book does not have it: ask who did it what happened, enter that, and \
                 acknowledge this."
            }
            Self::CheckDue => {
                "Have her checked by somebody who may, and enter the result; or report what happened instead, a service or \
                 that she left."
            }
            Self::CalvingDue => {
                "See that somebody watches her and that a veterinarian can be reached; enter the calving when she has calved."
            }
            Self::ReturnWatch => {
                "Watch her for heat several times a day. Enter the heat when it is seen; one that was missed costs three weeks."
            }
        }
    }

    /// The caution that goes with it.
    pub const fn caution(self) -> Option<&'static str> {
        match self {
            Self::CalvingDue => Some(cautions::BIRTH),
            kind if kind.is_of_nitrogen() => Some(nitrogen::CAUTION),
            _ => None,
        }
    }
}
