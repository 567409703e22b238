//! A receiver of webhooks in the test's own process, which does as it is told.

use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex,
        atomic::{AtomicUsize, Ordering},
    },
    time::{Duration, Instant},
};

use axum::{
    Router,
    body::Bytes,
    extract::State,
    http::{HeaderMap, StatusCode, Uri},
    response::{IntoResponse, Response},
};
use serde_json::Value;
use tankside::webhooks::sign::{self, Secret, SignatureError};
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::TcpListener,
};

/// A message as it arrived.
#[derive(Clone, Debug)]
pub struct Heard {
    pub path: String,
    pub headers: HeaderMap,
    pub bytes: Bytes,
    pub body: Value,
}

impl Heard {
    #[track_caller]
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).unwrap_or_else(|| panic!("no {name} in {self:?}")).to_str().unwrap()
    }

    pub fn kind(&self) -> &str {
        self.body["type"].as_str().unwrap()
    }

    /// Whether the signature fits that secret, at the time that the message tells.
    pub fn verify(&self, secret: &str) -> Result<(), SignatureError> {
        let at = self.header(sign::TIMESTAMP);
        let sent = (self.header(sign::ID), at, self.header(sign::SIGNATURE));
        let secret = Secret::parse(secret).unwrap();
        sign::verify(&[secret], sent, &self.bytes, at.parse().unwrap())
    }
}

/// How it answers.
#[derive(Clone, Debug)]
pub enum Mood {
    /// With a status and headers.
    Says(u16, Vec<(&'static str, String)>),
    /// Not at all.
    Hangs,
}

#[derive(Clone)]
pub struct Receiver {
    pub url: String,
    heard: Arc<Mutex<Vec<Heard>>>,
    /// The next answers; the last one stays.
    moods: Arc<Mutex<VecDeque<Mood>>>,
}

impl Receiver {
    /// A receiver that takes everything.
    pub async fn new() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}/in", listener.local_addr().unwrap());
        let moods = Arc::new(Mutex::new(VecDeque::from([Mood::Says(204, vec![])])));
        let receiver = Self { url, heard: Arc::default(), moods };
        let router = Router::new().fallback(hear).with_state(receiver.clone());
        tokio::spawn(async move { axum::serve(listener, router).await.unwrap() });
        receiver
    }

    pub fn port(&self) -> &str {
        self.url.rsplit(':').next().unwrap().strip_suffix("/in").unwrap()
    }

    pub fn answers(&self, moods: impl IntoIterator<Item = Mood>) {
        *self.moods.lock().unwrap() = moods.into_iter().collect();
    }

    pub fn says(&self, status: u16) {
        self.answers([Mood::Says(status, vec![])]);
    }

    pub fn heard(&self) -> Vec<Heard> {
        self.heard.lock().unwrap().clone()
    }

    /// What was heard, once it is so many messages.
    pub async fn hears(&self, messages: usize) -> Vec<Heard> {
        eventually(async || (self.heard().len() >= messages).then(|| self.heard())).await
    }
}

async fn hear(State(receiver): State<Receiver>, uri: Uri, headers: HeaderMap, bytes: Bytes) -> Response {
    let body = serde_json::from_slice(&bytes).unwrap_or_default();
    receiver.heard.lock().unwrap().push(Heard { path: uri.to_string(), headers, bytes, body });
    let mood = {
        let mut moods = receiver.moods.lock().unwrap();
        if moods.len() > 1 { moods.pop_front().unwrap() } else { moods[0].clone() }
    };
    match mood {
        Mood::Hangs => std::future::pending().await,
        Mood::Says(status, headers) => {
            let mut response = (StatusCode::from_u16(status).unwrap(), "what I think of it").into_response();
            for (name, value) in headers {
                response.headers_mut().insert(name, value.parse().unwrap());
            }
            response
        }
    }
}

/// Takes connections and breaks them off once something was sent; gives its address.
pub async fn breaks_off() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/in", listener.local_addr().unwrap());
    tokio::spawn(async move {
        loop {
            let (connection, _) = listener.accept().await.unwrap();
            connection.readable().await.unwrap();
            connection.set_zero_linger().unwrap();
        }
    });
    url
}

/// Says `100 Continue` without end; gives its address and how many bytes were taken of it.
pub async fn goes_on_without_end() -> (String, Arc<AtomicUsize>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/in", listener.local_addr().unwrap());
    let taken = Arc::new(AtomicUsize::new(0));
    let counted = taken.clone();
    tokio::spawn(async move {
        let interim = "HTTP/1.1 100 Continue\r\n\r\n".repeat(1000);
        loop {
            let (mut connection, _) = listener.accept().await.unwrap();
            // Said before the request it would be no answer at all.
            let mut request = [0; 4096];
            let mut heard = connection.read(&mut request).await.unwrap();
            while !request[..heard].ends_with(b"}") {
                heard += connection.read(&mut request[heard..]).await.unwrap();
            }
            while let Ok(written) = connection.write(interim.as_bytes()).await {
                counted.fetch_add(written, Ordering::Relaxed);
            }
        }
    });
    (url, taken)
}

/// Asks until there is something to be told; it must come within half a minute, or it will not.
pub async fn eventually<T>(mut ask: impl AsyncFnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(told) = ask().await {
            return told;
        }
        assert!(begun.elapsed() < Duration::from_secs(30), "it did not come");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}
