//! What tells the worker of this process that a webhook may have something to be sent, once that is committed.
//!
//! It only saves looking: what is due stands in the store, and the worker goes through all of it now and then.

use std::{
    collections::BTreeSet,
    sync::{Mutex, PoisonError},
};

use tokio::sync::Notify;

use crate::{
    domain::values::{BusinessId, WebhookId},
    store::Tx,
};

/// A webhook, whosever it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, sqlx::FromRow)]
pub struct Addressee {
    /// Of which business.
    pub business_id: BusinessId,
    /// Which.
    pub webhook_id: WebhookId,
}

/// Webhooks to look at.
#[derive(Debug, Default)]
pub struct Bell {
    rung: Mutex<BTreeSet<Addressee>>,
    wake: Notify,
}

impl Bell {
    /// Something may be due to these.
    pub(in crate::store) fn ring(&self, mut webhooks: BTreeSet<Addressee>) {
        if !webhooks.is_empty() {
            self.rung.lock().unwrap_or_else(PoisonError::into_inner).append(&mut webhooks);
            self.wake.notify_one();
        }
    }

    /// Waits until it rings.
    pub async fn rings(&self) {
        self.wake.notified().await;
    }

    /// For which webhooks it rang.
    pub fn take(&self) -> BTreeSet<Addressee> {
        std::mem::take(&mut self.rung.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Tx {
    /// Once this is committed the worker looks at the webhook.
    pub(in crate::store) fn rings_for(&mut self, business_id: BusinessId, webhook_id: WebhookId) {
        self.rings.insert(Addressee { business_id, webhook_id });
    }
}
