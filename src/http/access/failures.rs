//! How often an address may call without a key that is good.

use std::{
    net::{IpAddr, Ipv6Addr, SocketAddr},
    num::NonZeroU32,
    sync::{Arc, Mutex, PoisonError},
    time::{Duration, Instant},
};

use axum::http::{HeaderValue, header};
use governor::{
    DefaultDirectRateLimiter, DefaultKeyedRateLimiter, NotUntil, Quota, RateLimiter,
    clock::{Clock, DefaultClock},
};

use crate::http::problem::{Kind, Problem};

/// Addresses that are counted at once, at most; those that have been quiet are forgotten first.
const MOST_ADDRESSES: usize = 10_000;

/// How often one looks which have been quiet, at most: it means going through all of them.
const FORGET_EVERY: Duration = Duration::from_secs(1);

/// All addresses together may fail so many times as often as one.
const TOGETHER: NonZeroU32 = NonZeroU32::MIN.saturating_add(99);

/// Counts what each address sent without a good key, and what all of them did. Whoever sends a key that there is, is let in all
/// the same: behind a proxy all callers have one address, and an attack from everywhere is not to keep them out.
#[derive(Clone)]
pub struct Failures {
    by_address: Arc<DefaultKeyedRateLimiter<IpAddr>>,
    together: Arc<DefaultDirectRateLimiter>,
    forgotten: Arc<Mutex<Option<Instant>>>,
    clock: DefaultClock,
    per_minute: NonZeroU32,
}

impl Failures {
    /// Lets each address fail so often in a minute, and all together a hundred times as often.
    pub fn new(per_minute: NonZeroU32) -> Self {
        let by_address = Arc::new(RateLimiter::keyed(Quota::per_minute(per_minute)));
        let together = Quota::per_minute(per_minute.saturating_mul(TOGETHER));
        Self {
            by_address,
            together: Arc::new(RateLimiter::direct(together)),
            forgotten: Arc::default(),
            clock: DefaultClock::default(),
            per_minute,
        }
    }

    /// Counts a failure.
    ///
    /// # Errors
    /// There were too many, from this address or from all of them.
    pub fn count(&self, from: IpAddr) -> Result<(), Problem> {
        // One that is over its own measure takes nothing from the others'. Addresses that there is no room to count each
        // share what is left to all.
        if self.has_room() {
            self.by_address.check_key(&network_of(from)).map_err(|not_yet| {
                let often =
                    format!("More than {} requests in a minute came from this address", self.per_minute);
                self.too_many(&often, &not_yet)
            })?;
        }
        self.together.check().map_err(|not_yet| {
            self.too_many("Too many requests in a minute came from all addresses together", &not_yet)
        })
    }

    fn too_many(&self, often: &str, not_yet: &NotUntil<<DefaultClock as Clock>::Instant>) -> Problem {
        let seconds = not_yet.wait_time_from(self.clock.now()).as_secs() + 1;
        Problem::new(Kind::TooManyFailures, format!("{often} without a key that is good; wait {seconds} s."))
            .with_header(header::RETRY_AFTER, HeaderValue::from(seconds))
    }

    /// Whether another address can be counted.
    fn has_room(&self) -> bool {
        if self.by_address.len() < MOST_ADDRESSES {
            return true;
        }
        let mut forgotten = self.forgotten.lock().unwrap_or_else(PoisonError::into_inner);
        if forgotten.is_none_or(|at| at.elapsed() >= FORGET_EVERY) {
            *forgotten = Some(Instant::now());
            self.by_address.retain_recent();
        }
        self.by_address.len() < MOST_ADDRESSES
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
    use std::net::Ipv4Addr;

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

    #[test]
    fn all_addresses_together_have_a_measure_and_one_cannot_use_it_up() {
        let failures = Failures::new(NonZeroU32::new(2).unwrap());
        let of = |n: u32| IpAddr::from(Ipv4Addr::from_bits(0x0a00_0000 + n));
        for _ in 0..1000 {
            let _ = failures.count(of(0));
        }
        // Two were counted of it; of the other 198 each is let fail, and then none, whatever its address.
        assert!((1..=198).all(|n| failures.count(of(n)).is_ok()));
        let refused = (199..250).filter(|n| failures.count(of(*n)).is_err()).count();
        assert!(refused > 25, "{refused}");
    }

    #[test]
    fn however_many_addresses_there_are_the_memory_is_bounded() {
        let failures = Failures::new(NonZeroU32::new(60).unwrap());
        for n in 0..3 * u32::try_from(MOST_ADDRESSES).unwrap() {
            let _ = failures.count(IpAddr::from(Ipv4Addr::from_bits(0x0a00_0000 + n)));
        }
        assert!(failures.by_address.len() <= MOST_ADDRESSES);
    }
}
