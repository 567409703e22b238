//! The connections: how many there may be, how long one may keep waiting, and how all of them end.
//!
//! Nothing here needs a key, so everything here has a bound: a connection that sends no whole header in time or
//! does not take its answer is closed, and one too many is told so and closed.

use std::{
    convert::Infallible,
    io,
    net::SocketAddr,
    pin::{Pin, pin},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    task::{Context, Poll},
    time::Duration,
};

use axum::{
    Router,
    body::Body,
    extract::ConnectInfo,
    http::{HeaderValue, Request, header},
    response::Response,
};
use hyper::{
    body::{Frame, Incoming, SizeHint},
    server::conn::http1,
    service::service_fn,
};
use hyper_util::{
    rt::{TokioIo, TokioTimer},
    server::graceful::{GracefulShutdown, Watcher},
};
use tokio::{
    io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _, ReadBuf},
    net::{TcpListener, TcpStream},
    sync::{OwnedSemaphorePermit, Semaphore, oneshot},
    task::JoinSet,
    time::{Instant, Sleep, sleep, timeout},
};
use tokio_rustls::TlsAcceptor;
use tower::Service as _;

use crate::http::problem::{Kind, Problem};

/// What connections may take.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Connections at once.
    pub connections: usize,
    /// How long the header of a request may take, counted from the connection or from the last answer.
    pub header: Duration,
    /// How long a client may take no byte of its answer.
    pub stalled: Duration,
    /// How long requests under way may take after the service was told to stop.
    pub drain: Duration,
}

/// Bytes of a request's header, and of what is buffered of a connection.
const MOST_HEADER: usize = 32 * 1024;
const MOST_BUFFERED: usize = 64 * 1024;

/// Connections beyond the limit that are told so at once; any more are closed without a word.
const MOST_REFUSED: usize = 64;

/// How long a connection that is turned away may take to hear it.
const REFUSED_WITHIN: Duration = Duration::from_secs(1);

/// How long nothing is accepted when the system has no more files to give.
const PAUSE: Duration = Duration::from_millis(200);

/// Serves until `stopped`; gives how many connections were cut off because they did not end in time.
pub async fn serve(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    router: Router,
    limits: Limits,
    stopped: oneshot::Receiver<()>,
) -> usize {
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new())
        .header_read_timeout(limits.header)
        .max_header_size(MOST_HEADER)
        .max_buf_size(MOST_BUFFERED);
    let room = Arc::new(Semaphore::new(limits.connections));
    let refusals = Arc::new(Semaphore::new(MOST_REFUSED));
    let ending = GracefulShutdown::new();
    let mut open = JoinSet::new();
    let mut stopped = pin!(stopped);
    loop {
        let (stream, from) = tokio::select! {
            biased;
            _ = &mut stopped => break,
            Some(_) = open.join_next() => continue,
            accepted = listener.accept() => match accepted {
                Ok(accepted) => accepted,
                Err(error) if is_of_the_connection(&error) => continue,
                Err(error) => {
                    tracing::error!(%error, "no connection can be taken");
                    sleep(PAUSE).await;
                    continue;
                }
            },
        };
        let Ok(permit) = room.clone().try_acquire_owned() else {
            metrics::counter!("tankside_connections_refused_total").increment(1);
            // Where a secret must first be agreed on, it is not worth what that takes.
            if let Some(permit) = refusals.clone().try_acquire_owned().ok().filter(|_| tls.is_none()) {
                open.spawn(turn_away(stream, permit));
            }
            continue;
        };
        // An answer is not to wait for another packet to fill.
        let _ = stream.set_nodelay(true);
        let stream = Patient { stream, longest: limits.stalled, stalled: None };
        let (http, router, watcher, tls) = (http.clone(), router.clone(), ending.watcher(), tls.clone());
        open.spawn(async move {
            match tls {
                None => converse(&http, stream, router, from, watcher).await,
                // A secret that is not agreed on in the time of a header never is.
                Some(tls) => match timeout(limits.header, tls.accept(stream)).await {
                    Ok(Ok(stream)) => converse(&http, stream, router, from, watcher).await,
                    Ok(Err(error)) => {
                        tracing::debug!(%error, %from, "a connection did not become a secure one");
                    }
                    Err(_) => {}
                },
            }
            drop(permit);
        });
    }
    drop(listener);
    if timeout(limits.drain, ending.shutdown()).await.is_err() {
        let left = limits.connections - room.available_permits();
        open.shutdown().await;
        return left;
    }
    0
}

/// Answers the requests of one connection until it ends.
async fn converse(
    http: &http1::Builder,
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    router: Router,
    from: SocketAddr,
    watcher: Watcher,
) {
    let answers = service_fn(move |request| answer(router.clone(), from, request));
    let connection = watcher.watch(http.serve_connection(TokioIo::new(stream), answers));
    if let Err(error) = connection.await {
        tracing::debug!(%error, %from, "a connection ended badly");
    }
}

/// Whether accepting failed because of the one who connected.
fn is_of_the_connection(error: &io::Error) -> bool {
    use io::ErrorKind::{ConnectionAborted, ConnectionRefused, ConnectionReset};
    matches!(error.kind(), ConnectionAborted | ConnectionRefused | ConnectionReset)
}

/// Hands one request to the routes. Where the answer came before the request was read, the rest of it will not be,
/// so the connection cannot go on, and the answer says so.
async fn answer(
    mut router: Router,
    from: SocketAddr,
    request: Request<Incoming>,
) -> Result<Response, Infallible> {
    let (mut parts, body) = request.into_parts();
    parts.extensions.insert(ConnectInfo(from));
    let body = Followed::new(body);
    let read = body.read.clone();
    let mut response = router.call(Request::from_parts(parts, Body::new(body))).await?;
    if !read.load(Ordering::Relaxed) {
        response.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
    }
    Ok(response)
}

/// The body of a request, which tells whether it was read to its end.
struct Followed {
    body: Incoming,
    read: Arc<AtomicBool>,
}

impl Followed {
    fn new(body: Incoming) -> Self {
        let read = Arc::new(AtomicBool::new(hyper::body::Body::is_end_stream(&body)));
        Self { body, read }
    }
}

impl hyper::body::Body for Followed {
    type Data = <Incoming as hyper::body::Body>::Data;
    type Error = hyper::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Self::Error>>> {
        let polled = Pin::new(&mut self.body).poll_frame(context);
        if matches!(polled, Poll::Ready(None)) || self.body.is_end_stream() {
            self.read.store(true, Ordering::Relaxed);
        }
        polled
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

/// Tells one connection too many that it is, and lets it read that before closing.
async fn turn_away(mut stream: TcpStream, _permit: OwnedSemaphorePermit) {
    let problem =
        Problem::new(Kind::Overloaded, "There are as many connections as there may be.").reply().body;
    let told = format!(
        "HTTP/1.1 503 Service Unavailable\r\ncontent-type: application/problem+json\r\nretry-after: 2\r\n\
         connection: close\r\ncontent-length: {}\r\n\r\n{problem}",
        problem.len(),
    );
    let _ = timeout(REFUSED_WITHIN, async {
        stream.write_all(told.as_bytes()).await?;
        stream.shutdown().await?;
        // Closed with something unread, the system would take back what was written.
        let mut unread = [0; 1024];
        while stream.read(&mut unread).await? > 0 {}
        io::Result::Ok(())
    })
    .await;
}

/// A connection that is given up when its client takes nothing of its answer for too long.
struct Patient {
    stream: TcpStream,
    longest: Duration,
    stalled: Option<Pin<Box<Sleep>>>,
}

impl Patient {
    /// Counts the time while nothing can be written.
    fn wait<T>(&mut self, context: &mut Context<'_>, polled: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if polled.is_ready() {
            self.stalled = None;
            return polled;
        }
        let longest = self.longest;
        let stalled =
            self.stalled.get_or_insert_with(|| Box::pin(tokio::time::sleep_until(Instant::now() + longest)));
        match stalled.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Patient {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, into)
    }
}

impl AsyncWrite for Patient {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.wait(context, polled)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write_vectored(context, parts);
        self.wait(context, polled)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use axum::routing::{get, post};

    use super::*;

    const LIMITS: Limits = Limits {
        connections: 3,
        header: Duration::from_millis(300),
        stalled: Duration::from_millis(300),
        drain: Duration::from_millis(500),
    };

    /// A service with an answer larger than any socket holds, one that never comes, and one that reads nothing.
    async fn started() -> (SocketAddr, oneshot::Sender<()>, tokio::task::JoinHandle<usize>) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let router = Router::new()
            .route("/large", get(|| async { vec![b'x'; 64 << 20] }))
            .route("/never", get(std::future::pending::<()>))
            .route("/read", post(|body: String| async move { body }))
            .route("/unread", post(|| async { "no" }));
        let (stop, stopped) = oneshot::channel();
        (address, stop, tokio::spawn(serve(listener, None, router, LIMITS, stopped)))
    }

    async fn say(address: SocketAddr, words: &str) -> TcpStream {
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream.write_all(words.as_bytes()).await.unwrap();
        stream
    }

    /// What is said until the connection ends, which it must within ten seconds.
    async fn heard(stream: &mut TcpStream) -> String {
        let mut all = Vec::new();
        let read = timeout(Duration::from_secs(10), stream.read_to_end(&mut all)).await;
        read.expect("the connection must end").unwrap();
        String::from_utf8(all).unwrap()
    }

    #[tokio::test]
    async fn a_header_that_does_not_come_and_a_pause_end_the_connection() {
        let (address, _stop, _) = started().await;
        for begun in ["", "GET /large HTTP/1.1\r\nhost: x\r\n"] {
            let answer = heard(&mut say(address, begun).await).await;
            assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 408"), "{answer}");
        }
        let whole = "POST /read HTTP/1.1\r\nhost: x\r\ncontent-length: 2\r\n\r\nhi";
        let answer = heard(&mut say(address, whole).await).await;
        assert!(answer.ends_with("\r\n\r\nhi"), "{answer}");
    }

    #[tokio::test]
    async fn one_too_many_is_told_so_and_the_next_gets_in_again() {
        let (address, _stop, _) = started().await;
        let mut inside = Vec::new();
        for _ in 0..LIMITS.connections {
            inside.push(say(address, "GET /never HTTP/1.1\r\nhost: x\r\n\r\n").await);
        }
        let ask = "POST /read HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-length: 2\r\n\r\nhi";
        let refused = heard(&mut say(address, ask).await).await;
        assert!(
            refused.starts_with("HTTP/1.1 503 ") && refused.contains("\r\nconnection: close\r\n"),
            "{refused}"
        );
        assert!(
            refused.contains("\r\nretry-after: 2\r\n") && refused.contains("/problems/overloaded"),
            "{refused}"
        );
        inside.pop();
        timeout(Duration::from_secs(10), async {
            while !heard(&mut say(address, ask).await).await.ends_with("\r\n\r\nhi") {}
        })
        .await
        .unwrap();
    }

    #[tokio::test]
    async fn an_answer_that_nobody_takes_is_given_up() {
        let (address, stop, serving) = started().await;
        let _deaf = say(address, "GET /large HTTP/1.1\r\nhost: x\r\n\r\n").await;
        sleep(LIMITS.stalled * 3).await;
        stop.send(()).unwrap();
        assert_eq!(serving.await.unwrap(), 0, "its connection was closed before");
    }

    #[tokio::test]
    async fn an_early_answer_says_that_the_connection_ends() {
        let (address, _stop, _) = started().await;
        let unread = "POST /unread HTTP/1.1\r\nhost: x\r\ncontent-length: 90000\r\n\r\n";
        let answer = heard(&mut say(address, unread).await).await;
        assert!(answer.contains("\r\nconnection: close\r\n"), "{answer}");
        let read = "POST /read HTTP/1.1\r\nhost: x\r\ncontent-length: 2\r\n\r\nhi";
        let answer = heard(&mut say(address, read).await).await;
        assert!(!answer.contains("connection"), "{answer}");
    }

    #[tokio::test]
    async fn what_does_not_end_in_time_is_cut_off() {
        let (address, stop, serving) = started().await;
        let mut endless = say(address, "GET /never HTTP/1.1\r\nhost: x\r\n\r\n").await;
        sleep(LIMITS.header / 3).await;
        let began = Instant::now();
        stop.send(()).unwrap();
        assert_eq!(serving.await.unwrap(), 1);
        assert!(began.elapsed() >= LIMITS.drain);
        assert_eq!(heard(&mut endless).await, "");
    }
}
