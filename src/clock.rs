//! The time of day, handed in so that a test can set it.

use std::sync::Arc;

use crate::domain::values::Timestamp;

/// Tells the time.
#[derive(Clone)]
pub struct Clock(Arc<dyn Fn() -> Timestamp + Send + Sync>);

impl Clock {
    /// The machine's clock.
    #[expect(clippy::disallowed_methods, reason = "this is the one place that asks the machine for the time")]
    pub fn system() -> Self {
        Self(Arc::new(|| chrono::Utc::now().into()))
    }

    /// A clock that tells what `tell` says.
    pub fn from_fn(tell: impl Fn() -> Timestamp + Send + Sync + 'static) -> Self {
        Self(Arc::new(tell))
    }

    /// Now.
    pub fn now(&self) -> Timestamp {
        (self.0)()
    }
}
