//! The library of cryptography behind TLS, said in one place: ring, which compiles in a tenth of the time of the other one that
//! rustls knows and needs no more than a C compiler on any machine.

use std::sync::Arc;

use tokio_rustls::rustls::crypto::{CryptoProvider, ring};

/// What TLS is done with.
pub fn provider() -> Arc<CryptoProvider> {
    Arc::new(ring::default_provider())
}

/// Gives it to every client of this process that is made without one, `reqwest::Client` among them, which could not be made
/// otherwise.
pub fn use_everywhere() {
    // It was done before: all the same.
    let _ = ring::default_provider().install_default();
}
