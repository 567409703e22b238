//! Why something is not done; nothing was changed. What this means to a caller over HTTP is decided there.

use uuid::Uuid;

use crate::domain::{
    access::key::KeyState,
    animals::{
        choice::Allowed,
        history::Numbered,
        objection::{Deviation, DeviationKind},
    },
    form::Fault,
    straws::{semen::SemenType, stock::Stock, thaw::Advice, withdrawal::WithdrawalState},
    values::{KeyId, MovementId, StocktakeId, Timestamp, WebhookId, WithdrawalId},
    webhooks::webhook::WebhookState,
};

/// Why an act was refused; nothing was changed.
#[derive(Debug)]
pub enum Rejection {
    /// There is no such thing in this business's book.
    Unknown {
        /// What kind of thing.
        what: &'static str,
        /// The id that was sent.
        id: Uuid,
        /// Where in the body it stood; in the path when `None`.
        pointer: Option<String>,
    },
    /// The content is wrong.
    Invalid(Vec<Fault>),
    /// The caller's key may not do this.
    Forbidden {
        /// What it may not do, and who may.
        text: String,
    },
    /// The thing was changed since the caller read it.
    Stale,
    /// It is needed as it is.
    InUse {
        /// What holds it.
        text: String,
    },
    /// A timed protocol cannot begin for an animal, or runs no more.
    ProtocolNotPossible {
        /// For whom and why.
        text: String,
    },
    /// Something stands against this straw for this animal.
    Objected(Box<Objected>),
    /// So many straws do not hang there.
    NotInStock(Box<NotInStock>),
    /// The withdrawal was already served or discarded.
    AlreadyResolved {
        /// Which.
        withdrawal: WithdrawalId,
        /// What became of it.
        state: WithdrawalState,
        /// When.
        at: Option<Timestamp>,
    },
    /// The line of the ledger was undone already.
    AlreadyReversed {
        /// Which.
        movement: MovementId,
        /// By which.
        by: MovementId,
    },
    /// It cannot be undone as it stands.
    NotReversible {
        /// Why, and what to do.
        text: String,
    },
    /// An accepted stocktake counted the straws of that line at its place after it.
    Counted {
        /// Which.
        stocktake: StocktakeId,
    },
    /// The book was corrected since the count.
    CountAgain {
        /// Where, and what to do.
        text: String,
    },
    /// Something has the id already that a client made.
    IdTaken {
        /// What kind of thing.
        what: &'static str,
        /// The id.
        id: Uuid,
    },
    /// One of its kind stands at that instant already.
    AlreadyRecorded {
        /// A reading or a refill.
        what: &'static str,
        /// Which.
        id: Uuid,
        /// The instant.
        at: Timestamp,
    },
    /// Another stands in the place of what was to be superseded.
    AlreadySuperseded {
        /// Which.
        by: Uuid,
    },
    /// The straw is in the bath already.
    AlreadyThawing {
        /// Which.
        withdrawal: WithdrawalId,
        /// From when it may be used.
        ready_at: Option<Timestamp>,
        /// Until when it should be used.
        use_by: Option<Timestamp>,
    },
    /// Nothing is sent to the webhook now.
    WebhookNotActive {
        /// Which.
        webhook: WebhookId,
        /// What it is instead.
        state: WebhookState,
    },
    /// The business has as many webhooks as it may.
    TooManyWebhooks,
    /// The business has as many keys as it may.
    TooManyKeys,
    /// Nobody could make or revoke keys without it.
    LastManagerKey {
        /// Which.
        key: KeyId,
    },
    /// The book is no trial's, so it is kept.
    NotATestBusiness,
    /// The key has ended.
    KeyEnded {
        /// Which.
        key: KeyId,
        /// How.
        state: KeyState,
    },
    /// The bath is too warm.
    BathTooHot(Advice),
    /// The bath is too cold.
    BathTooCold(Advice),
}

impl Rejection {
    /// The reason in words, for where there is no room for more.
    pub fn in_words(&self) -> String {
        match self {
            Self::Unknown { what, id, .. } => format!("there is no {what} {id} in this book"),
            Self::Invalid(faults) => {
                faults.iter().map(|fault| fault.detail.as_str()).collect::<Vec<_>>().join("; ")
            }
            Self::Forbidden { text }
            | Self::InUse { text }
            | Self::ProtocolNotPossible { text }
            | Self::NotReversible { text }
            | Self::CountAgain { text } => text.clone(),
            Self::Objected(objected) => {
                objected.objections.iter().map(|one| one.text.as_str()).collect::<Vec<_>>().join(" ")
            }
            Self::NotInStock(missing) => {
                format!("{} straws asked for, {} there: {}", missing.asked, missing.held, missing.text)
            }
            _ => "the book as it stands does not allow it".to_owned(),
        }
    }
}

/// What stands against a straw for an animal.
#[derive(Debug)]
pub struct Objected {
    /// The kind of the first objection, which names the refusal.
    pub kind: DeviationKind,
    /// Every objection in words, the gravest first.
    pub objections: Vec<Deviation>,
    /// Which service it would be.
    pub numbered: Numbered,
    /// What the choice rule allows.
    pub allowed: Allowed,
    /// Straws that she may have, and where they hang.
    pub instead: Vec<Stock>,
}

/// What was asked for and is not there.
#[derive(Debug)]
pub struct NotInStock {
    /// How many straws were asked for.
    pub asked: i64,
    /// How many hang at the place asked for, or at the best place when none was.
    pub held: i64,
    /// What was asked for, in words.
    pub text: String,
    /// The semen type, when one was asked for.
    pub semen_type: Option<SemenType>,
    /// Where else straws of that sire and type hang.
    pub elsewhere: Vec<Stock>,
}
