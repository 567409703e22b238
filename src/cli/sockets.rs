//! Sockets that the system made and handed over at the start, as systemd does for a socket unit.
//!
//! The protocol is that of `sd_listen_fds(3)`: `LISTEN_PID` says whom they are for, `LISTEN_FDS` how many there are from the fourth
//! file on, `LISTEN_FDNAMES` their names. Connections wait in them while the service starts, and while it is restarted.

use std::net::TcpListener;

use anyhow::{Context as _, bail};
use listenfd::ListenFd;
use tankside::server::Listeners;

/// What the socket for `/metrics` is called; any other name is the service's own.
const METRICS: &str = "metrics";

/// Takes the sockets that were handed over; none where there are none.
///
/// # Errors
/// One is no TCP socket that listens, or there are more than the service has a use for.
pub fn handed_over() -> anyhow::Result<Listeners> {
    // Before they are taken, which forgets what stands in the environment.
    let names = std::env::var("LISTEN_FDNAMES").unwrap_or_default();
    let mut handed = ListenFd::from_env();
    let mut listeners = Listeners::default();
    for (at, name) in named(&names, handed.len()).into_iter().enumerate() {
        let socket = handed.take_tcp_listener(at).and_then(|socket| {
            socket.as_ref().map(|socket: &TcpListener| socket.set_nonblocking(true)).transpose()?;
            Ok(socket)
        });
        let socket =
            socket.with_context(|| format!("the socket {name} that was handed over cannot be used"))?;
        let place = if name == METRICS { &mut listeners.metrics } else { &mut listeners.service };
        if place.is_some() {
            bail!(
                "more sockets were handed over than there is a use for: one for the service, and one that is called \
                 {METRICS}; {name} is a second of its kind"
            );
        }
        *place = socket;
    }
    Ok(listeners)
}

/// The names of so many sockets; one that has none is called as `sd_listen_fds(3)` says.
fn named(names: &str, count: usize) -> Vec<&str> {
    let told = names.split(':').map(|name| if name.is_empty() { "unknown" } else { name });
    told.chain(std::iter::repeat("unknown")).take(count).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sockets_without_a_name_are_unknown() {
        assert_eq!(named("", 0), [""; 0]);
        assert_eq!(named("", 2), ["unknown", "unknown"]);
        assert_eq!(named("tankside.socket:metrics", 2), ["tankside.socket", "metrics"]);
        assert_eq!(named(":metrics:more", 2), ["unknown", "metrics"]);
    }
}
