//! Whom others' events are told to: webhooks, and one event's way to one of them.

use crate::text_enum;

text_enum! {
    /// Whether a webhook is told anything.
    WebhookState {
        /// It is.
        Active = "active",
        /// Its owner wants it to wait: events are kept for it and sent when it is resumed.
        Paused = "paused",
        /// It failed for days or said that it is gone: nothing is kept for it until it is resumed.
        Disabled = "disabled",
        /// It was removed.
        Deleted = "deleted",
    }
}

text_enum! {
    /// What became of one event on its way to one webhook.
    DeliveryState {
        /// It is to be sent, now or later.
        Waiting = "waiting",
        /// The receiver took it.
        Delivered = "delivered",
        /// It was given up; it may be sent again by hand.
        Failed = "failed",
    }
}
