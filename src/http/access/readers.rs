//! How much a key may read at once, so that one key does not take every connection of the store.

use std::{
    collections::HashMap,
    sync::{Arc, Mutex, PoisonError},
};

use axum::http::{HeaderValue, header};

use crate::{
    domain::values::KeyId,
    http::{
        problem::{Kind, Problem},
        turns::{Turn, Turns},
    },
};

/// Reads that a key has answered at once: half of the connections for reading.
const AT_ONCE: usize = 4;

/// Reads of a key that may wait for these.
const WAITING: usize = 60;

/// Above so many keys those that read nothing just now are forgotten.
const MOST_KEYS: usize = 1000;

/// The reads of each key.
#[derive(Clone, Debug, Default)]
pub struct Readers(Arc<Mutex<HashMap<KeyId, Turns>>>);

impl Readers {
    /// A turn to read.
    ///
    /// # Errors
    /// The key has too many reads under way.
    pub async fn take(&self, key: KeyId) -> Result<Turn, Problem> {
        let turns = {
            let mut by_key = self.0.lock().unwrap_or_else(PoisonError::into_inner);
            if by_key.len() > MOST_KEYS {
                by_key.retain(|_, turns| !turns.is_idle());
            }
            by_key.entry(key).or_insert_with(|| Turns::new(AT_ONCE, WAITING)).clone()
        };
        turns.take().await.ok_or_else(|| {
            let detail = format!(
                "This key has {AT_ONCE} reads under way and {WAITING} more waiting; ask again when some are answered."
            );
            Problem::new(Kind::TooManyReads, detail).with_header(header::RETRY_AFTER, HeaderValue::from_static("2"))
        })
    }
}
