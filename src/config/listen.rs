//! Where the service listens.

use std::{fmt, net::SocketAddr, str::FromStr};

use anyhow::Context as _;
use serde::Deserialize;
use tokio::net::lookup_host;

/// An address or a name that leads to one, and a port.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct ListenAddress(String);

/// What is no address to listen on. Does not repeat what was given, which may stand in the wrong place in a file.
const WRONG: &str =
    "give an address or a name, and a port, such as 127.0.0.1:8080, [::1]:8080 or localhost:8080";

impl ListenAddress {
    /// The addresses that it leads to. Those of IPv4 come first: a client that is told `127.0.0.1` is to find a
    /// service on `localhost`.
    ///
    /// # Errors
    /// The name leads nowhere.
    pub async fn resolve(&self) -> anyhow::Result<Vec<SocketAddr>> {
        let found = lookup_host(&self.0).await;
        let mut found: Vec<_> =
            found.with_context(|| format!("cannot listen on {self}: the name leads nowhere"))?.collect();
        found.sort_by_key(SocketAddr::is_ipv6);
        found.dedup();
        Ok(found)
    }
}

impl From<SocketAddr> for ListenAddress {
    fn from(address: SocketAddr) -> Self {
        Self(address.to_string())
    }
}

impl FromStr for ListenAddress {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let is_name = |name: &str| {
            name.chars().any(|letter| letter.is_ascii_alphabetic())
                && name
                    .chars()
                    .all(|letter| letter.is_ascii_alphanumeric() || matches!(letter, '.' | '-' | '_'))
        };
        let is_address = text.parse::<SocketAddr>().is_ok()
            || text.rsplit_once(':').is_some_and(|(name, port)| is_name(name) && port.parse::<u16>().is_ok());
        if is_address { Ok(Self(text.to_owned())) } else { Err(WRONG.to_owned()) }
    }
}

impl TryFrom<String> for ListenAddress {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl fmt::Display for ListenAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_or_a_name_has_a_port() {
        for right in ["127.0.0.1:8080", "[::1]:0", "localhost:8080", "barn.local:443", "tank-1:80"] {
            assert_eq!(right.parse::<ListenAddress>().unwrap().to_string(), right);
        }
        for wrong in [
            "",
            "8080",
            ":8080",
            "localhost",
            "127.0.0.1",
            "::1:80",
            "127.0.0.256:80",
            "a b:80",
            "a:65536",
            "u:p@h:80",
        ] {
            assert!(wrong.parse::<ListenAddress>().is_err(), "{wrong}");
        }
    }

    #[tokio::test]
    async fn a_name_leads_to_this_machine_by_ipv4_first() {
        let found = "localhost:8080".parse::<ListenAddress>().unwrap().resolve().await.unwrap();
        assert!(
            found.iter().all(|address| address.ip().is_loopback() && address.port() == 8080),
            "{found:?}"
        );
        assert!(found.is_sorted_by_key(SocketAddr::is_ipv6) && !found.is_empty(), "{found:?}");
        // RFC 6761, 6.4: no name under `invalid` leads anywhere.
        let nowhere = "nowhere.invalid:8080".parse::<ListenAddress>().unwrap().resolve().await.unwrap_err();
        assert!(nowhere.to_string().contains("nowhere.invalid:8080: the name leads nowhere"), "{nowhere}");
    }
}
