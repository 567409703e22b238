//! One exchange over HTTP/1.1 with a bound on everything: to an address that was judged, without redirect or proxy, so
//! many bytes and no more, interim answers and the handshake of TLS among them.
//!
//! A ready-made client bounds the time, but not what a receiver says before its answer: interim answers (1xx) without
//! end would be read for as long as the line gives.

use std::{
    io,
    net::{IpAddr, SocketAddr},
    pin::Pin,
    sync::Arc,
    task::{Context, Poll},
    time::Duration,
};

use axum::{
    body::Body,
    http::{HeaderMap, HeaderValue, Request, StatusCode, header},
};
use futures_util::StreamExt as _;
use hyper::client::conn::http1;
use hyper_util::rt::TokioIo;
use rustls_platform_verifier::BuilderVerifierExt as _;
use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::TcpStream,
    task::JoinSet,
    time::timeout,
};
use tokio_rustls::{
    TlsConnector,
    rustls::{self, ClientConfig, pki_types::ServerName},
};
use url::{Host, Url};

use crate::{
    cryptography,
    domain::webhooks::{
        address::{Blocked, EgressPolicy},
        webhook::AttemptOutcome,
    },
    webhooks::send::Resolver,
};

/// Bytes that are read of a connection at most: four times what is read of an answer's body.
const MOST_BYTES: usize = 256 * 1024;

/// Of an answer's body, no more than this is read.
const MOST_READ: usize = 64 * 1024;

/// Of an answer's body, so much is kept.
const MOST_KEPT: usize = 2 * 1024;

/// Headers that an answer may have.
const MOST_HEADERS: usize = 64;

/// How long one of several addresses of a name may take to answer a connection.
const CONNECTED_WITHIN: Duration = Duration::from_secs(3);

/// Why there was no answer, and what may be told of it: never the address, which may hold a secret.
pub(super) type Failed = (AttemptOutcome, String);

/// What was answered.
pub(super) struct Answer {
    pub(super) status: StatusCode,
    pub(super) headers: HeaderMap,
    /// The beginning of the body.
    pub(super) beginning: Vec<u8>,
}

/// Makes exchanges.
#[derive(Clone)]
pub(super) struct Transport {
    names: Resolver,
    reach: Arc<EgressPolicy>,
    tls: TlsConnector,
}

impl Transport {
    /// Connects to where `reach` allows.
    ///
    /// # Errors
    /// TLS cannot be set up.
    pub(super) fn new(reach: Arc<EgressPolicy>, names: Resolver) -> Result<Self, rustls::Error> {
        let mut config = ClientConfig::builder_with_provider(cryptography::provider())
            .with_safe_default_protocol_versions()?
            .with_platform_verifier()?
            .with_no_client_auth();
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(Self { names, reach, tls: TlsConnector::from(Arc::new(config)) })
    }

    /// Posts; gives what was answered. How long it may take, the caller decides.
    pub(super) async fn post(&self, url: &Url, headers: HeaderMap, body: Vec<u8>) -> Result<Answer, Failed> {
        let stream = Bounded { stream: self.connect(url).await?, left: MOST_BYTES };
        if url.scheme() != "https" {
            return exchange(TokioIo::new(stream), url, headers, body).await;
        }
        let host = url.host_str().unwrap_or_default();
        let bare = host.trim_start_matches('[').trim_end_matches([']', '.']);
        let name = ServerName::try_from(bare.to_owned()).map_err(failed)?;
        let stream = self.tls.connect(name, stream).await.map_err(failed)?;
        exchange(TokioIo::new(stream), url, headers, body).await
    }

    /// A connection to the first address that answers. What is judged is what is connected to: there is no second
    /// look-up between.
    async fn connect(&self, url: &Url) -> Result<TcpStream, Failed> {
        let blocked = |why: Blocked| (AttemptOutcome::AddressBlocked, why.to_string());
        let plain = url.scheme() != "https";
        let found: Vec<IpAddr> = match url.host() {
            Some(Host::Ipv4(ip)) => vec![ip.into()],
            Some(Host::Ipv6(ip)) => vec![ip.into()],
            Some(Host::Domain(name)) => {
                let found = (self.names)(name.to_owned()).await;
                found.map_err(|error| (AttemptOutcome::NameNotResolved, error.to_string()))?
            }
            None => Vec::new(),
        };
        // One that leads inside is enough to distrust the name.
        for ip in &found {
            self.reach.judge(*ip, plain).map_err(|why| {
                tracing::warn!(host = url.host_str(), %ip, %why, "webhooks: an address is not sent to");
                blocked(why)
            })?;
        }
        let port = url.port_or_known_default().unwrap_or(443);
        let mut last = (AttemptOutcome::NameNotResolved, "the name has no address".to_owned());
        for ip in found {
            match timeout(CONNECTED_WITHIN, TcpStream::connect(SocketAddr::new(ip, port))).await {
                Ok(Ok(stream)) => {
                    let _ = stream.set_nodelay(true);
                    return Ok(stream);
                }
                Ok(Err(error)) => last = failed(error),
                Err(_) => {
                    let text = format!("no connection within {} s", CONNECTED_WITHIN.as_secs());
                    last = (AttemptOutcome::TimedOut, text);
                }
            }
        }
        Err(last)
    }
}

/// One request and its answer. The connection ends with it: each attempt judges anew where a name leads.
async fn exchange<IO>(io: IO, url: &Url, headers: HeaderMap, body: Vec<u8>) -> Result<Answer, Failed>
where
    IO: hyper::rt::Read + hyper::rt::Write + Send + Unpin + 'static,
{
    let (mut sender, connection) =
        http1::Builder::new().max_headers(MOST_HEADERS).handshake(io).await.map_err(failed)?;
    // Dropped, the task is ended, and the connection with it.
    let mut driving = JoinSet::new();
    driving.spawn(connection);
    let mut request = Request::post(&url[url::Position::BeforePath..url::Position::AfterQuery])
        .body(Body::from(body))
        .map_err(failed)?;
    *request.headers_mut() = headers;
    let authority = &url[url::Position::BeforeHost..url::Position::AfterPort];
    request.headers_mut().insert(header::HOST, HeaderValue::from_str(authority).map_err(failed)?);
    request.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
    let (parts, body) = sender.send_request(request).await.map_err(failed)?.into_parts();
    // The status stands already, so what goes wrong from here on is of no account.
    let (mut beginning, mut read) = (Vec::new(), 0);
    let mut body = Body::new(body).into_data_stream();
    while let Some(Ok(piece)) = body.next().await {
        read += piece.len();
        let room = MOST_KEPT.saturating_sub(beginning.len());
        beginning.extend_from_slice(&piece[..piece.len().min(room)]);
        if read >= MOST_READ {
            break;
        }
    }
    Ok(Answer { status: parts.status, headers: parts.headers, beginning })
}

/// What failed, by its innermost cause.
fn failed(error: impl std::error::Error + 'static) -> Failed {
    let mut told = error.to_string();
    let mut cause = error.source();
    while let Some(this) = cause {
        told = this.to_string();
        cause = this.source();
    }
    (AttemptOutcome::ConnectionFailed, told)
}

/// A connection of which only so much is read, but for what fits a buffer.
struct Bounded {
    stream: TcpStream,
    left: usize,
}

impl AsyncRead for Bounded {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if self.left == 0 {
            let text = format!("the receiver says more than {MOST_BYTES} bytes");
            return Poll::Ready(Err(io::Error::other(text)));
        }
        let before = into.filled().len();
        let polled = Pin::new(&mut self.stream).poll_read(context, into);
        self.left = self.left.saturating_sub(into.filled().len() - before);
        polled
    }
}

impl AsyncWrite for Bounded {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
