//! Where webhooks may lead: public addresses over https, and what the operator allows besides.
//!
//! A business's manager names the receiver, so an address is a stranger's wish: it must not make
//! this service knock on doors of the network it stands in. What is judged is the address that is
//! then connected to, not the name.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use ipnet::{IpNet, Ipv4Net, Ipv6Net};
use serde::Deserialize;
use url::{Host, Url};

use crate::domain::webhooks::webhook::literal;

const fn v4(a: u8, b: u8, c: u8, d: u8, bits: u8) -> Ipv4Net {
    Ipv4Net::new_assert(Ipv4Addr::new(a, b, c, d), bits)
}

const fn v6(a: u16, b: u16, c: u16, bits: u8) -> Ipv6Net {
    Ipv6Net::new_assert(Ipv6Addr::new(a, b, c, 0, 0, 0, 0, 0), bits)
}

/// IPv4 that is not the public internet: the IANA special-purpose registry (RFC 6890 and its
/// successors), multicast (RFC 5771) and the reserved rest.
const CLOSED_V4: &[(Ipv4Net, &str)] = &[
    (v4(0, 0, 0, 0, 8), "this network"),
    (v4(10, 0, 0, 0, 8), "private"),
    (v4(100, 64, 0, 0, 10), "shared by a carrier"),
    (v4(127, 0, 0, 0, 8), "loopback"),
    (v4(169, 254, 0, 0, 16), "link-local"),
    (v4(172, 16, 0, 0, 12), "private"),
    (v4(192, 0, 0, 0, 24), "reserved"),
    (v4(192, 0, 2, 0, 24), "for documentation"),
    (v4(192, 88, 99, 0, 24), "a former relay"),
    (v4(192, 168, 0, 0, 16), "private"),
    (v4(198, 18, 0, 0, 15), "for benchmarks"),
    (v4(198, 51, 100, 0, 24), "for documentation"),
    (v4(203, 0, 113, 0, 24), "for documentation"),
    (v4(224, 0, 0, 0, 4), "multicast"),
    (v4(240, 0, 0, 0, 4), "reserved"),
];

/// IPv6 that is not the public internet, or that carries an IPv4 address inside.
const CLOSED_V6: &[(Ipv6Net, &str)] = &[
    (v6(0, 0, 0, 96), "loopback, unspecified or IPv4 in disguise"),
    (v6(0x64, 0xff9b, 0, 96), "IPv4 in disguise"),
    (v6(0x64, 0xff9b, 1, 48), "IPv4 in disguise"),
    (v6(0x100, 0, 0, 64), "discarded"),
    (v6(0x2001, 0, 0, 32), "IPv4 in disguise"),
    (v6(0x2001, 0xdb8, 0, 32), "for documentation"),
    (v6(0x2002, 0, 0, 16), "IPv4 in disguise"),
    (v6(0x3fff, 0, 0, 20), "for documentation"),
    (v6(0x5f00, 0, 0, 16), "for segment routing"),
    (v6(0xfc00, 0, 0, 7), "private"),
    (v6(0xfe80, 0, 0, 10), "link-local"),
    (v6(0xfec0, 0, 0, 10), "site-local"),
    (v6(0xff00, 0, 0, 8), "multicast"),
];

/// All of the public IPv6 internet that is given out so far (IANA).
const GLOBAL_V6: Ipv6Net = v6(0x2000, 0, 0, 3);

/// Where clouds tell machines their secrets. A range that holds one of these does not allow it; only
/// its very address does. The first is common to most clouds; the others from memory.
const METADATA: &[IpAddr] = &[
    IpAddr::V4(Ipv4Addr::new(169, 254, 169, 254)),
    IpAddr::V4(Ipv4Addr::new(100, 100, 100, 200)),
    IpAddr::V6(Ipv6Addr::new(0xfd00, 0xec2, 0, 0, 0, 0, 0, 0x254)),
];

/// A range of addresses that the operator allows, such as `192.168.10.0/24`, or one address.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct Range(IpNet);

impl From<IpAddr> for Range {
    fn from(address: IpAddr) -> Self {
        Self(address.into())
    }
}

impl std::fmt::Display for Range {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

impl std::str::FromStr for Range {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let one = text.parse::<IpAddr>().map(IpNet::from);
        text.parse().or(one).map(Self).map_err(|_| {
            format!("{text:?} must be a range of addresses such as 192.168.10.0/24, or one address")
        })
    }
}

impl TryFrom<String> for Range {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

/// Why an address is not sent to.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Blocked(pub String);

/// Where webhooks may lead.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EgressPolicy {
    allowed: Vec<Range>,
}

impl EgressPolicy {
    /// The public internet over https, and these ranges besides, also over plain http.
    pub fn new(allowed: Vec<Range>) -> Self {
        Self { allowed }
    }

    /// Whether a connection to `ip` may be made; `plain` for one without TLS.
    ///
    /// # Errors
    /// Why not, and what the operator could do. The address is not told: to whom a name leads inside the network is no
    /// business of whoever thought up the name.
    pub fn judge(&self, ip: IpAddr, plain: bool) -> Result<(), Blocked> {
        let ip = ip.to_canonical();
        if self.allows(ip) {
            return Ok(());
        }
        if let Some(what) = closed(ip) {
            return Err(Blocked(format!(
                "does not lead to a public address ({what}); the operator may allow it with --webhook-allow"
            )));
        }
        if plain {
            let text = "may only be reached by https; the operator may allow http with --webhook-allow";
            return Err(Blocked(text.to_owned()));
        }
        Ok(())
    }

    /// Judges a receiver's address as far as it can be told without asking for its name: an address of
    /// numbers, this machine's own name, and `http` when no range is allowed at all. A name is judged when
    /// it is resolved, at each attempt.
    ///
    /// # Errors
    /// Why not.
    pub fn judge_url(&self, url: &Url) -> Result<(), Blocked> {
        let plain = url.scheme() != "https";
        let own = match url.host() {
            Some(Host::Domain(name)) => {
                let name = name.trim_end_matches('.');
                name == "localhost" || name.ends_with(".localhost")
            }
            _ => false,
        };
        if let Some(ip) = literal(url) {
            return self.judge(ip, plain);
        }
        if own {
            let loopback = [IpAddr::V4(Ipv4Addr::LOCALHOST), IpAddr::V6(Ipv6Addr::LOCALHOST)];
            let judged = loopback.map(|ip| self.judge(ip, plain));
            return if judged.iter().any(Result::is_ok) { Ok(()) } else { judged.into_iter().collect() };
        }
        if plain && self.allowed.is_empty() {
            let text = "must begin with https; the operator may allow http to ranges of addresses with \
                        --webhook-allow";
            return Err(Blocked(text.to_owned()));
        }
        Ok(())
    }

    fn allows(&self, ip: IpAddr) -> bool {
        let holds = |range: &Range| match range.0 {
            // A range written in the IPv6 form of IPv4 would otherwise never match.
            IpNet::V6(net) if ip.is_ipv4() => {
                let IpAddr::V4(v4) = ip else { return false };
                net.prefix_len() >= 96 && net.contains(&v4.to_ipv6_mapped())
            }
            net => net.contains(&ip),
        };
        let whole = |range: &Range| range.0.prefix_len() == range.0.max_prefix_len();
        self.allowed.iter().any(|range| holds(range) && (whole(range) || !METADATA.contains(&ip)))
    }
}

fn closed(ip: IpAddr) -> Option<&'static str> {
    match ip {
        IpAddr::V4(ip) => CLOSED_V4.iter().find(|(net, _)| net.contains(&ip)).map(|(_, what)| *what),
        IpAddr::V6(ip) => {
            let listed = CLOSED_V6.iter().find(|(net, _)| net.contains(&ip)).map(|(_, what)| *what);
            listed.or((!GLOBAL_V6.contains(&ip)).then_some("outside the global unicast block"))
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::{prelude::*, test_runner::TestCaseError};

    use super::*;
    use crate::domain::webhooks::webhook::WebhookUrl;

    fn ip(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    fn ranges(texts: &[&str]) -> EgressPolicy {
        EgressPolicy::new(texts.iter().map(|text| text.parse().unwrap()).collect())
    }

    #[test]
    fn nothing_but_the_public_internet_is_reached() {
        // The first and last address of each block of the IANA special-purpose address registries, multicast
        // and the reserved rest (RFC 6890, 5771, 4291, 6052, 8215, 3056, 4380, 9637, 9602).
        let closed = "
            0.0.0.0 0.255.255.255 10.0.0.0 10.255.255.255 100.64.0.0 100.127.255.255 127.0.0.1
            127.255.255.255 169.254.0.0 169.254.169.254 169.254.255.255 172.16.0.0 172.31.255.255 192.0.0.0
            192.0.0.255 192.0.2.0 192.0.2.255 192.88.99.0 192.88.99.255 192.168.0.0 192.168.255.255
            198.18.0.0 198.19.255.255 198.51.100.0 198.51.100.255 203.0.113.0 203.0.113.255 224.0.0.0
            239.255.255.255 240.0.0.0 255.255.255.255 :: ::1 ::7f00:1 ::ffff:127.0.0.1 ::ffff:10.0.0.1
            ::ffff:169.254.169.254 64:ff9b:: 64:ff9b::7f00:1 64:ff9b:1:: 64:ff9b:1:ffff:ffff:ffff:ffff:ffff
            100:: 100::ffff:ffff:ffff:ffff 2001:: 2001:0:ffff:ffff:ffff:ffff:ffff:ffff 2001:db8::
            2001:db8:ffff:ffff:ffff:ffff:ffff:ffff 2002:: 2002:7f00:1::
            2002:ffff:ffff:ffff:ffff:ffff:ffff:ffff 3fff:: 3fff:fff:ffff:ffff:ffff:ffff:ffff:ffff 5f00::
            5f00:ffff:ffff:ffff:ffff:ffff:ffff:ffff fc00:: fd00:ec2::254
            fdff:ffff:ffff:ffff:ffff:ffff:ffff:ffff fe80:: fe80::1 febf:ffff:ffff:ffff:ffff:ffff:ffff:ffff
            fec0::1 4000::1 1fff::1 ff00:: ff02::1 ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff
        ";
        let reach = EgressPolicy::default();
        for closed in closed.split_whitespace() {
            assert!(reach.judge(ip(closed), false).is_err(), "{closed}");
        }
        // Their neighbours outside, and some that are plainly public.
        let open = "
            1.0.0.0 9.255.255.255 11.0.0.0 100.63.255.255 100.128.0.0 126.255.255.255 128.0.0.0
            169.253.255.255 169.255.0.0 172.15.255.255 172.32.0.0 192.0.1.0 192.0.3.0 192.88.98.255
            192.88.100.0 192.167.255.255 192.169.0.0 198.17.255.255 198.20.0.0 198.51.99.255 198.51.101.0
            203.0.112.255 203.0.114.0 223.255.255.255 8.8.8.8 ::ffff:8.8.8.8 2001:1:: 2001:4860:4860::8888
            2003:: 2606:4700::1111 2a00::1 3ffe:: 3fff:1000::
        ";
        for open in open.split_whitespace() {
            assert_eq!(reach.judge(ip(open), false), Ok(()), "{open}");
            assert!(reach.judge(ip(open), true).is_err(), "{open} by http");
        }
    }

    #[test]
    fn the_operator_allows_ranges_and_metadata_only_by_its_very_address() {
        let reach = ranges(&["192.168.10.0/24", "127.0.0.1", "fd00::/8"]);
        for open in ["192.168.10.0", "192.168.10.255", "::ffff:192.168.10.7", "127.0.0.1", "fd12::1"] {
            assert_eq!(reach.judge(ip(open), true), Ok(()), "{open}");
        }
        for closed in ["192.168.11.0", "127.0.0.2", "10.0.0.1", "::1", "fc00::1", "fd00:ec2::254"] {
            assert!(reach.judge(ip(closed), true).is_err(), "{closed}");
        }
        let everything = ranges(&["0.0.0.0/0", "::/0"]);
        assert_eq!(everything.judge(ip("10.0.0.1"), true), Ok(()));
        for metadata in METADATA {
            assert!(everything.judge(*metadata, false).is_err(), "{metadata}");
            assert_eq!(ranges(&[&metadata.to_string()]).judge(*metadata, false), Ok(()));
        }
        assert!(everything.judge(ip("::ffff:169.254.169.254"), false).is_err());
        assert_eq!(ranges(&["169.254.169.254/32"]).judge(ip("::ffff:169.254.169.254"), false), Ok(()));
        for wrong in ["", "x", "10.0.0.0/33", "10.0.0.0/", "10.0.0", "::/129"] {
            assert!(wrong.parse::<Range>().is_err(), "{wrong}");
        }
    }

    /// Where a text near an address leads, if it may: over https, to nothing that the standard library knows as no public address,
    /// and, read again, to the same.
    #[test]
    fn texts_near_addresses_lead_to_the_public_internet_or_nowhere() {
        let reach = EgressPolicy::default();
        crate::fuzz::against("addresses", |text| {
            let _ = text.parse::<Range>();
            let Ok(url) = WebhookUrl::parse(text) else { return Ok(()) };
            prop_assert_eq!(WebhookUrl::parse(url.as_str()), Ok(url.clone()));
            let Some(parts) = url.parts() else {
                return Err(TestCaseError::fail("it was read and cannot be"));
            };
            if reach.judge_url(&parts).is_err() {
                return Ok(());
            }
            prop_assert_eq!(parts.scheme(), "https");
            prop_assert!(
                parts.username().is_empty() && parts.password().is_none() && parts.fragment().is_none()
            );
            match parts.host() {
                Some(Host::Ipv4(ip)) => prop_assert!(
                    !(ip.is_private()
                        || ip.is_loopback()
                        || ip.is_link_local()
                        || ip.is_unspecified()
                        || ip.is_multicast()),
                    "{}",
                    ip
                ),
                Some(Host::Ipv6(ip)) => prop_assert!(
                    !(ip.is_loopback() || ip.is_unspecified() || ip.is_multicast() || ip.is_unique_local())
                        && ip.to_ipv4().is_none_or(|ip| !ip.is_loopback() && !ip.is_private()),
                    "{}",
                    ip
                ),
                Some(Host::Domain(name)) => prop_assert!(
                    name.parse::<IpAddr>().is_err()
                        && !format!(".{}", name.trim_end_matches('.')).ends_with(".localhost"),
                    "{}",
                    name
                ),
                None => return Err(TestCaseError::fail("no host")),
            }
            Ok(())
        });
    }

    #[test]
    fn an_address_of_numbers_is_judged_in_whatever_form_it_is_written() {
        let judge = |reach: &EgressPolicy, url: &str| reach.judge_url(&Url::parse(url).unwrap());
        let reach = EgressPolicy::default();
        for closed in [
            "https://127.0.0.1/",
            "https://2130706433/",
            "https://0x7f000001/",
            "https://0177.0.0.1/",
            "https://127.1/",
            "https://0/",
            "https://[::1]/",
            "https://[::ffff:127.0.0.1]/",
            "https://[::ffff:7f00:1]/",
            "https://0xA9FEA9FE/",
            "https://[0:0:0:0:0:0:0:1]/",
            "https://%31%32%37.0.0.1/",
            "https://127.0.0.1./",
            "https://localhost/",
            "https://LOCALHOST./",
            "https://a.localhost/",
            "https://１２７.0.0.1/",
            "http://herd.example.org/",
            "http://8.8.8.8/",
        ] {
            assert!(judge(&reach, closed).is_err(), "{closed}");
        }
        for open in ["https://herd.example.org/", "https://8.8.8.8/", "https://localhost.example.org/"] {
            assert_eq!(judge(&reach, open), Ok(()), "{open}");
        }
        let here = ranges(&["127.0.0.0/8"]);
        for open in ["http://127.0.0.1:9/", "http://localhost:8000/", "http://herd.example.org/"] {
            assert_eq!(judge(&here, open), Ok(()), "{open}");
        }
        assert!(judge(&here, "http://8.8.8.8/").is_err());
        assert!(judge(&here, "http://[::1]/").is_err());
    }
}
