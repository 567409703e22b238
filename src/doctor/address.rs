//! Where the service listens, and who answers there.

use std::{
    io,
    net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr},
    time::Duration,
};

use serde_json::Value;
use tokio::net::TcpListener;

use crate::{config::Config, doctor::Findings};

/// How long an answer is waited for.
const ANSWER_WITHIN: Duration = Duration::from_secs(5);

pub(super) async fn look(found: &mut Findings, config: &Config) {
    metrics(found, config).await;
    let addresses = match config.listen.resolve().await {
        Ok(addresses) => addresses,
        Err(error) => return found.wrong("address", format!("{error:#}"), "correct --listen"),
    };
    if config.tls.is_none() && addresses.iter().any(|address| !address.ip().is_loopback()) {
        found.look(
            "address",
            format!("{} can be reached by others over plain HTTP, and keys travel in the request", config.listen),
            "give the service a certificate (--tls-cert), or put a proxy with TLS in front that alone reaches it",
        );
    }
    // As the service does: the first that can be taken.
    let mut last = None;
    for address in addresses {
        match TcpListener::bind(address).await {
            Ok(_) => return found.ok("address", format!("{address} is free; no service runs there")),
            Err(error) if error.kind() == io::ErrorKind::AddrInUse => {
                return taken(found, config, address).await;
            }
            Err(error) => last = Some((address, error)),
        }
    }
    if let Some((address, error)) = last {
        let advice = match error.kind() {
            io::ErrorKind::PermissionDenied => {
                "take a port of 1024 or more, or let the program take small ones"
            }
            _ => "correct --listen: it must be an address of this machine",
        };
        found.wrong("address", format!("cannot listen on {address}: {error}"), advice);
    }
}

/// Where `/metrics` is told: to anyone who reaches it.
async fn metrics(found: &mut Findings, config: &Config) {
    let Some(listen) = &config.metrics_listen else { return };
    match listen.resolve().await {
        Err(error) => found.wrong("metrics", format!("{error:#}"), "correct --metrics-listen"),
        Ok(addresses) if addresses.iter().any(|address| !address.ip().is_loopback()) => found.look(
            "metrics",
            format!("{listen} tells what is counted to everybody who reaches it"),
            "see that only the operator's own network does",
        ),
        Ok(_) => found.ok("metrics", format!("told on {listen}, to this machine only")),
    }
}

/// Somebody listens there: this service, or something else.
async fn taken(found: &mut Findings, config: &Config, address: SocketAddr) {
    let mut at = address;
    if at.ip().is_unspecified() {
        let here =
            if at.is_ipv4() { IpAddr::V4(Ipv4Addr::LOCALHOST) } else { IpAddr::V6(Ipv6Addr::LOCALHOST) };
        at.set_ip(here);
    }
    let url = format!("{}://{at}/readyz", if config.tls.is_some() { "https" } else { "http" });
    match ask(&url).await {
        Ok(answer) if answer["status"] == "ready" => {
            found.ok("address", format!("a service answers at {address} and is ready"));
        }
        Ok(answer) if answer["failing"].is_string() => found.wrong(
            "address",
            format!("a service answers at {address} and is not ready: {}", answer["failing"]),
            "see docs/operation.md, \"When something is wrong\", and the service's log",
        ),
        _ => found.wrong(
            "address",
            format!(
                "something that is no Tankside answers at {address}, or not over {}",
                &url[..url.len().min(5)]
            ),
            "stop it, or give the service another address (--listen)",
        ),
    }
}

/// Asks without looking at the certificate: nothing secret is said, and it is looked at by itself.
async fn ask(url: &str) -> reqwest::Result<Value> {
    let client = reqwest::Client::builder()
        .timeout(ANSWER_WITHIN)
        .no_proxy()
        .tls_danger_accept_invalid_certs(true)
        .build()?;
    client.get(url).send().await?.json().await
}
