//! How often an address may call without a key that is good.

use std::{
    net::{IpAddr, Ipv6Addr, SocketAddr},
    num::NonZeroU32,
    sync::Arc,
};

use axum::http::{HeaderValue, header};
use governor::{
    DefaultKeyedRateLimiter, Quota, RateLimiter,
    clock::{Clock as _, DefaultClock},
};

use crate::http::problem::{Kind, Problem};

/// Above so many addresses those that have been quiet are forgotten.
const MOST_ADDRESSES: usize = 10_000;

/// Counts what each address sent without a good key. Whoever was let in before is let in all the same: behind a proxy
/// all callers have one address.
#[derive(Clone)]
pub struct Failures {
    by_address: Arc<DefaultKeyedRateLimiter<IpAddr>>,
    clock: DefaultClock,
    per_minute: NonZeroU32,
}

impl Failures {
    /// Lets each address fail so often in a minute.
    pub fn new(per_minute: NonZeroU32) -> Self {
        let by_address = Arc::new(RateLimiter::keyed(Quota::per_minute(per_minute)));
        Self { by_address, clock: DefaultClock::default(), per_minute }
    }

    /// Counts a failure.
    ///
    /// # Errors
    /// There were too many.
    pub fn count(&self, from: IpAddr) -> Result<(), Problem> {
        if self.by_address.len() > MOST_ADDRESSES {
            self.by_address.retain_recent();
        }
        self.by_address.check_key(&network_of(from)).map_err(|not_yet| {
            let seconds = not_yet.wait_time_from(self.clock.now()).as_secs() + 1;
            let detail = format!(
                "More than {} requests in a minute came from this address without a key that is good; wait {seconds} s.",
                self.per_minute
            );
            Problem::new(Kind::TooManyFailures, detail)
                .with_header(header::RETRY_AFTER, HeaderValue::from(seconds))
        })
    }
}

/// What is counted as one caller: of IPv6 the network, of which a host has as many addresses as it likes.
fn network_of(from: IpAddr) -> IpAddr {
    match from.to_canonical() {
        IpAddr::V4(four) => four.into(),
        IpAddr::V6(six) => Ipv6Addr::from_bits(six.to_bits() & (u128::MAX << 64)).into(),
    }
}

/// The address that a connection came from.
pub fn address(extensions: &axum::http::Extensions) -> Option<IpAddr> {
    extensions.get::<axum::extract::ConnectInfo<SocketAddr>>().map(|from| from.0.ip())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_ipv6_network_is_one_caller_and_a_mapped_address_is_the_one_it_maps() {
        let ip = |text: &str| text.parse::<IpAddr>().unwrap();
        assert_eq!(network_of(ip("2001:db8:1:2:3:4:5:6")), ip("2001:db8:1:2::"));
        assert_eq!(network_of(ip("::ffff:192.0.2.1")), ip("192.0.2.1"));
        let failures = Failures::new(NonZeroU32::new(2).unwrap());
        assert!(failures.count(ip("2001:db8::1")).is_ok() && failures.count(ip("2001:db8::2")).is_ok());
        assert_eq!(failures.count(ip("2001:db8::3")).unwrap_err().status(), 429);
        assert!(failures.count(ip("192.0.2.1")).is_ok());
    }
}
