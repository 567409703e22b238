//! Kinds of service: how semen or an embryo got into her, and what each counts for.

use chrono::TimeDelta;

use crate::text_enum;

text_enum! {
    /// What kind of service.
    #[derive(Default)]
    ServiceKind {
        /// An insemination with a straw of semen.
        #[default]
        Ai = "ai",
        /// A mating by a bull; no straw of semen.
        Natural = "natural",
        /// An embryo was put into her; no straw of semen, and the calf is the donor's.
        EmbryoTransfer = "embryo_transfer",
    }
}

/// How old an embryo is when it is transferred: it goes in on day 7 after the recipient's own heat (common practice, no
/// source).
const EMBRYO_DAYS: i64 = 7;

impl ServiceKind {
    /// Whether it takes a service number. An insemination and a natural mating are services of one heat, and the semen
    /// type of the next depends on both. An embryo transfer is none: the standard's rank counts "each AI carried out within
    /// the same reproductive cycle" (ICAR ADE, icarReproInseminationEventResource), and no semen met an egg of hers.
    pub const fn takes_number(self) -> bool {
        !matches!(self, Self::EmbryoTransfer)
    }

    /// Whether a straw of semen goes into it.
    pub const fn takes_straw(self) -> bool {
        matches!(self, Self::Ai)
    }

    /// What it does to her service number, in words.
    pub const fn numbering(self) -> &'static str {
        match self {
            Self::Ai => {
                "An insemination is a service and takes the next service number, or the next rank within one heat."
            }
            Self::Natural => {
                "A natural mating is a service and takes the next service number like an insemination; no straw is used."
            }
            Self::EmbryoTransfer => {
                "An embryo transfer is no insemination and takes no service number: her next insemination has the number \
                 that it would have had without it. No straw of semen is used."
            }
        }
    }

    /// How long before it the calf was conceived: its gestation, and her own heat, count from there.
    pub fn since_conception(self) -> TimeDelta {
        match self {
            Self::Ai | Self::Natural => TimeDelta::zero(),
            Self::EmbryoTransfer => TimeDelta::days(EMBRYO_DAYS),
        }
    }
}
