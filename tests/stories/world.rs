//! A service of its own for each story, with a clock that the story sets, and an invented farm.

use std::{
    collections::HashMap,
    fs, io,
    net::{IpAddr, SocketAddr},
    num::NonZeroU32,
    sync::{Arc, LazyLock, Mutex},
    time::Duration,
};
use tankside::{
    book::access::key as keys,
    clock::Clock,
    config::{Config, Settings},
    domain::{
        access::Role,
        values::{BusinessId, Name, Timestamp},
    },
    http::problem::Kind,
    server::{self, Running},
    store::{self, Db},
    telemetry,
    webhooks::send::Resolver,
};

use chrono::{DateTime, TimeDelta, Utc};
use metrics_exporter_prometheus::PrometheusHandle;
use reqwest::{Method, header::HeaderMap};
use serde_json::{Value, json};
use tokio::sync::OnceCell;
use uuid::Uuid;

use crate::{declared, support};

/// When every story begins: a Monday morning in Vienna.
pub const MORNING: &str = "2026-03-02T06:00:00+01:00";

/// A running service with its manager's key.
pub struct World {
    pub base: String,
    /// Where `/metrics` is told.
    pub metrics_base: String,
    pub database_url: String,
    pub manager: Client,
    clock: Arc<Mutex<DateTime<Utc>>>,
    names: Arc<Mutex<HashMap<String, Vec<Vec<IpAddr>>>>>,
    running: Running,
    _folder: tempfile::TempDir,
}

/// Calls the service with one key.
#[derive(Clone)]
pub struct Client {
    http: reqwest::Client,
    base: String,
    pub key: String,
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub headers: HeaderMap,
    /// The body, where it is JSON.
    pub body: Value,
    /// The body as it came.
    pub text: String,
}

pub fn instant(text: &str) -> DateTime<Utc> {
    DateTime::parse_from_rfc3339(text).unwrap().to_utc()
}

/// An embedded store without a book, its tables brought up to date once for all stories.
async fn empty_sqlite() -> &'static [u8] {
    static EMPTY: OnceCell<Vec<u8>> = OnceCell::const_new();
    let make = async || {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("empty.db");
        Db::open(&format!("sqlite://{}", file.display())).await.unwrap().close().await;
        fs::read(file).unwrap()
    };
    EMPTY.get_or_init(make).await
}

/// The same on PostgreSQL.
async fn empty_postgres() -> &'static str {
    static EMPTY: OnceCell<String> = OnceCell::const_new();
    let make = async || {
        let url = support::new_postgres_database().await;
        Db::open(&url).await.unwrap().close().await;
        url
    };
    EMPTY.get_or_init(make).await
}

impl World {
    pub async fn sqlite() -> Self {
        Self::with(|_| ()).await
    }

    pub async fn postgres() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let url = support::copy_of_postgres_database(empty_postgres().await).await;
        Self::on(url, folder, |_| ()).await
    }

    /// A service of which each key may ask so often in a minute.
    pub async fn limited_to(per_minute: u32) -> Self {
        Self::with(|config| config.rate_limit_per_minute = NonZeroU32::new(per_minute)).await
    }

    /// A service with other settings.
    pub async fn with(settings: impl FnOnce(&mut Config)) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("tankside.db");
        fs::write(&file, empty_sqlite().await).unwrap();
        Self::on(format!("sqlite://{}", file.display()), folder, settings).await
    }

    async fn on(database_url: String, folder: tempfile::TempDir, settings: impl FnOnce(&mut Config)) -> Self {
        let clock = Arc::new(Mutex::new(instant(MORNING)));
        let told = clock.clone();
        let listen: SocketAddr = "127.0.0.1:0".parse().unwrap();
        let mut config = Settings::on(listen, database_url.clone()).resolve().unwrap();
        // Some stories knock without a key at every door.
        config.failures_per_minute = None;
        config.metrics_listen = Some(listen.into());
        settings(&mut config);
        let tell = Clock::from_fn(move || Timestamp::from(*told.lock().unwrap()));
        // What is counted is counted for the process, that is, for all stories together.
        static COUNTED: LazyLock<Option<PrometheusHandle>> = LazyLock::new(telemetry::start_metrics);
        // Receivers of stories listen on this machine; their names are told by the story and nobody else.
        config.webhook_allow = vec!["127.0.0.1".parse().unwrap()];
        let names = Arc::new(Mutex::new(HashMap::<String, Vec<Vec<IpAddr>>>::new()));
        let told = names.clone();
        let resolve: Resolver = Arc::new(move |name| {
            let mut names = told.lock().unwrap();
            let found = names
                .get_mut(&name)
                .map(|answers| if answers.len() > 1 { answers.remove(0) } else { answers[0].clone() });
            Box::pin(async move { found.ok_or_else(|| io::Error::other("no such name")) })
        });
        let running = server::start_with(&config, tell, COUNTED.clone(), &resolve).await.unwrap();
        let base = format!("http://{}", running.address);
        let metrics_base = format!("http://{}", running.metrics_address.unwrap());
        let key = running.first_key.as_ref().unwrap().reveal().to_owned();
        let manager = Client { http: support::http_client(), base: base.clone(), key };
        Self { base, metrics_base, database_url, manager, clock, names, running, _folder: folder }
    }

    /// Sets the service's clock.
    pub fn set_clock(&self, at: &str) {
        *self.clock.lock().unwrap() = instant(at);
    }

    /// Lets a name lead to each of these in turn, and then always to the last.
    pub fn name(&self, name: &str, answers: &[&[&str]]) {
        let answers = answers.iter().map(|ips| ips.iter().map(|ip| ip.parse().unwrap()).collect()).collect();
        self.names.lock().unwrap().insert(name.to_owned(), answers);
    }

    /// Waits for longer than the service takes to look whether something is due.
    pub async fn close_eyes(&self) {
        tokio::time::sleep(Duration::from_millis(1200)).await;
    }

    /// The service's own handle of the store.
    pub fn db(&self) -> &Db {
        self.running.db()
    }

    /// From now on nothing happens by the clock alone.
    pub async fn stop_clockwork(&self) {
        self.running.stop_clockwork();
        tokio::time::sleep(Duration::from_millis(50)).await;
    }

    /// What was counted, of all stories together.
    pub async fn metrics(&self) -> Answer {
        let operator = self.manager.at(&self.metrics_base);
        let told = operator.send_without_key(Method::GET, "/metrics", &[], vec![]).await;
        assert_eq!(told.status, 200, "{told:?}");
        told
    }

    /// What the service's clock says.
    pub fn now(&self) -> DateTime<Utc> {
        *self.clock.lock().unwrap()
    }

    /// Lets time pass.
    pub fn pass(&self, delta: TimeDelta) {
        *self.clock.lock().unwrap() += delta;
    }

    /// Has the service look at once for what time brought about.
    pub async fn look_round(&self) {
        Box::pin(self.running.look_round()).await.unwrap();
    }

    /// A caller with a new key of that role.
    pub async fn caller(&self, role: Role) -> Client {
        self.caller_with(role, None).await
    }

    /// A technician with a new key that is good until then.
    pub async fn caller_until(&self, end: &str) -> Client {
        self.caller_with(Role::Technician, Some(Timestamp::from(instant(end)))).await
    }

    async fn caller_with(&self, role: Role, expires_at: Option<Timestamp>) -> Client {
        let db = Db::open(&self.database_url).await.unwrap();
        let mut tx = db.write().await.unwrap();
        let business = store::access::business::all(&mut tx).await.unwrap()[0].id;
        let now = Timestamp::from(*self.clock.lock().unwrap());
        let name = Name::parse("A caller").unwrap();
        let (_, secret) = keys::create(&mut tx, business, name, role, expires_at, now).await.unwrap();
        tx.commit().await.unwrap();
        db.close().await;
        Client { key: secret.reveal().to_owned(), ..self.manager.clone() }
    }

    /// The manager of another business in the same store.
    pub async fn neighbour(&self) -> Client {
        let db = Db::open(&self.database_url).await.unwrap();
        let mut tx = db.write().await.unwrap();
        let business = BusinessId::new();
        let now = Timestamp::from(*self.clock.lock().unwrap());
        let name = Name::parse("Another business").unwrap();
        store::access::business::add(&mut tx, business, &name, now).await.unwrap();
        let (_, secret) = keys::create(&mut tx, business, name, Role::Manager, None, now).await.unwrap();
        tx.commit().await.unwrap();
        db.close().await;
        Client { key: secret.reveal().to_owned(), ..self.manager.clone() }
    }

    /// Ends the story: the service stops, and the book must add up.
    pub async fn close(self) {
        self.running.stop().await.unwrap();
        let db = Db::open(&self.database_url).await.unwrap();
        let findings = store::verify::findings(&mut db.read().await.unwrap()).await.unwrap();
        assert_eq!(findings, [], "the book does not add up");
        db.close().await;
    }
}

impl Client {
    pub async fn send(&self, method: Method, path: &str, headers: &[(&str, &str)], body: Vec<u8>) -> Answer {
        let key = format!("Bearer {}", self.key);
        let mut headers = headers.to_vec();
        headers.push(("authorization", &key));
        self.send_without_key(method, path, &headers, body).await
    }

    /// Sends just these headers, the caller's key not among them.
    pub async fn send_without_key(
        &self,
        method: Method,
        path: &str,
        headers: &[(&str, &str)],
        body: Vec<u8>,
    ) -> Answer {
        let bodiless = method == Method::HEAD;
        let mut request = self.http.request(method.clone(), format!("{}{path}", self.base));
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let response = request.body(body).send().await.unwrap();
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let text = String::from_utf8(response.bytes().await.unwrap().to_vec()).unwrap();
        let body = serde_json::from_str(&text).unwrap_or(Value::Null);
        let answer = Answer { status, headers, body, text };
        if !bodiless {
            answer.is_well_formed(path);
            declared::hold(&method, path, &answer);
        }
        answer
    }

    /// The same caller with another key.
    pub fn with_key(&self, key: impl Into<String>) -> Self {
        Self { key: key.into(), ..self.clone() }
    }

    /// The same caller at another service.
    pub fn at(&self, base: &str) -> Self {
        Self { base: base.to_owned(), ..self.clone() }
    }

    pub async fn get(&self, path: &str) -> Answer {
        self.send(Method::GET, path, &[], Vec::new()).await
    }

    /// What is there, where it is not text.
    pub async fn bytes(&self, path: &str) -> (HeaderMap, Vec<u8>) {
        let request = self.http.get(format!("{}{path}", self.base)).bearer_auth(&self.key);
        let response = request.send().await.unwrap();
        assert_eq!(response.status(), 200, "{path}");
        (response.headers().clone(), response.bytes().await.unwrap().to_vec())
    }

    /// Posts under a key of its own.
    pub async fn post(&self, path: &str, body: Value) -> Answer {
        self.post_as(path, &Uuid::now_v7().to_string(), body).await
    }

    /// Posts under the Idempotency-Key `key`.
    pub async fn post_as(&self, path: &str, key: &str, body: Value) -> Answer {
        let headers = [("content-type", "application/json"), ("idempotency-key", key)];
        self.send(Method::POST, path, &headers, body.to_string().into_bytes()).await
    }

    pub async fn delete(&self, path: &str) -> Answer {
        self.send(Method::DELETE, path, &[], Vec::new()).await
    }

    pub async fn patch(&self, path: &str, if_match: Option<&str>, body: Value) -> Answer {
        let mut headers = vec![("content-type", "application/merge-patch+json")];
        headers.extend(if_match.map(|tag| ("if-match", tag)));
        self.send(Method::PATCH, path, &headers, body.to_string().into_bytes()).await
    }

    /// Makes something and gives its id.
    pub async fn make(&self, path: &str, body: Value) -> String {
        self.post(path, body).await.created()["id"].as_str().unwrap().to_owned()
    }
}

impl Answer {
    /// What RFC 9457 and the house ask of every answer.
    fn is_well_formed(&self, path: &str) {
        assert!(self.headers.contains_key("x-request-id"), "an answer without a request id");
        if self.status < 400 {
            return;
        }
        let media = self.headers["content-type"].to_str().unwrap();
        if path == "/ade" || path.starts_with("/ade/") {
            self.is_the_standards_error(media, path.starts_with("/ade/batches/"));
            return;
        }
        // What is wrong with the lines of a file may be asked for as a table; `declared` holds that it is described.
        if path.starts_with("/v1/imports/") && self.status == 422 && media.starts_with("text/csv") {
            return;
        }
        assert_eq!(media, "application/problem+json", "{self:?}");
        assert_eq!(self.body["status"], self.status, "RFC 9457, 3.1.2: the same status in the body");
        for member in ["type", "title", "detail"] {
            assert!(self.body[member].is_string(), "{member} is missing: {:?}", self.body);
        }
        let documented =
            Kind::ALL.iter().any(|kind| kind.slug() == self.slug() && kind.status() == self.status);
        assert!(documented, "no page explains {:?}", self.body);
    }

    /// What the standard asks of an error: icarErrorCollection, or for a batch a list of icarBatchResult.
    fn is_the_standards_error(&self, media: &str, is_batch: bool) {
        assert_eq!(media, "application/json", "{self:?}");
        let messages = if is_batch { &self.body[0]["messages"] } else { &self.body["errors"] };
        let messages = messages.as_array().unwrap_or_else(|| panic!("no messages in {self:?}"));
        assert!(!messages.is_empty(), "{self:?}");
        for message in messages {
            assert_eq!((&message["severity"], &message["status"]), (&json!("Error"), &json!(self.status)));
            for member in ["type", "title", "detail"] {
                assert!(message[member].is_string(), "{member} is missing: {self:?}");
            }
        }
    }

    /// Where the faults are that an error of the standard names.
    pub fn instances(&self) -> Vec<&str> {
        let errors = self.body["errors"].as_array().unwrap_or_else(|| panic!("no errors in {self:?}"));
        errors.iter().map(|error| error["instance"].as_str().unwrap()).collect()
    }

    #[track_caller]
    pub fn expect(self, status: u16) -> Value {
        assert_eq!(self.status, status, "{:#}", self.body);
        self.body
    }

    #[track_caller]
    pub fn created(self) -> Value {
        assert!(self.headers.contains_key("location"), "{:#}", self.body);
        self.expect(201)
    }

    /// The problem must be of this kind; gives its body.
    #[track_caller]
    pub fn problem(self, status: u16, slug: &str) -> Value {
        assert_eq!(self.body["type"], format!("/problems/{slug}"), "{:#}", self.body);
        self.expect(status)
    }

    /// The value of a header.
    #[track_caller]
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).unwrap_or_else(|| panic!("no {name} in {self:?}")).to_str().unwrap()
    }

    /// The last part of the problem's `type`.
    pub fn slug(&self) -> &str {
        self.body["type"].as_str().and_then(|kind| kind.strip_prefix("/problems/")).unwrap_or_default()
    }

    /// Where the faults are that a problem names.
    #[track_caller]
    pub fn pointers(&self) -> Vec<&str> {
        let errors = self.body["errors"].as_array().unwrap_or_else(|| panic!("no errors in {:#}", self.body));
        errors.iter().map(|fault| fault["pointer"].as_str().unwrap()).collect()
    }
}

/// An invented farm: one herd with its tank, one sire with a lot of each kind, ten straws of each.
pub struct Farm {
    pub herd: String,
    pub tank: String,
    pub sire: String,
    pub sexed: String,
    pub conventional: String,
}

impl Farm {
    pub async fn found(client: &Client) -> Self {
        let herd =
            client.make("/v1/herds", json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna"})).await;
        let tank = client
            .make(
                "/v1/tanks",
                json!({"name": "Dairy room", "herd_id": herd, "canisters": 6, "capacity_l": 20.5,
                       "full_depth_mm": 430, "min_depth_mm": 150, "static_loss_l_per_day": 0.11}),
            )
            .await;
        let sire = client.make("/v1/sires", json!({"name": "Invented One", "breed": "HOL"})).await;
        let farm = Self { herd, tank, sire, sexed: String::new(), conventional: String::new() };
        let sexed = farm.lot(client, "sexed_female", "2024-04-26").await;
        let conventional = farm.lot(client, "conventional", "2024-05-17").await;
        let farm = Self { sexed, conventional, ..farm };
        farm.receive(client, &farm.sexed, 3, 10).await;
        farm.receive(client, &farm.conventional, 4, 10).await;
        farm
    }

    pub async fn lot(&self, client: &Client, semen_type: &str, collected_on: &str) -> String {
        let lot = json!({"sire_id": self.sire, "semen_type": semen_type, "batch": "24117",
                         "collected_on": collected_on, "straw_ml": 0.25});
        client.make("/v1/lots", lot).await
    }

    pub fn place(&self, canister: i64) -> Value {
        json!({"tank_id": self.tank, "canister": canister, "cane": "B", "goblet": "upper"})
    }

    pub async fn receive(&self, client: &Client, lot: &str, canister: i64, straws: i64) {
        let receipt = json!({"lot_id": lot, "place": self.place(canister), "straws": straws});
        client.post("/v1/receipts", receipt).await.created();
    }

    pub async fn animal(&self, client: &Client, number: &str) -> String {
        let animal = json!({"herd_id": self.herd, "number": number, "born_on": "2023-05-02"});
        client.make("/v1/animals", animal).await
    }

    /// A cow old enough to be the dam of the others.
    pub async fn elder(&self, client: &Client, number: &str) -> String {
        let animal = json!({"herd_id": self.herd, "number": number, "born_on": "2019-05-02"});
        client.make("/v1/animals", animal).await
    }

    /// Straws of `lot` that hang anywhere.
    pub async fn straws(&self, client: &Client, lot: &str) -> i64 {
        let stock = client.get(&format!("/v1/stock?lot_id={lot}")).await.expect(200);
        stock["total_straws"].as_i64().unwrap()
    }

    /// A service with a straw that never was in this book.
    pub async fn served(&self, client: &Client, animal: &str, at: &str) -> Value {
        client.post("/v1/services", json!({"animal_id": animal, "served_at": at})).await.created()
    }
}

/// The description of the interface. To make it takes long enough to do it once for all stories.
pub fn description() -> &'static Value {
    static DESCRIPTION: LazyLock<Value> =
        LazyLock::new(|| serde_json::to_value(tankside::http::description()).unwrap());
    &DESCRIPTION
}

/// An operation of the interface as its description lists it: method, path, and what is said of it.
pub type Operation = (Method, String, &'static Value);

/// All of them.
pub fn operations() -> &'static [Operation] {
    static ALL: LazyLock<Vec<Operation>> = LazyLock::new(|| {
        let mut all = Vec::new();
        for (path, item) in description()["paths"].as_object().unwrap() {
            for (method, operation) in item.as_object().unwrap() {
                if let Ok(method) = method.to_uppercase().parse() {
                    all.push((method, path.clone(), operation));
                }
            }
        }
        assert!(all.len() > 40, "the description lost its operations");
        all
    });
    &ALL
}

/// Tells each story twice: on the embedded store and on PostgreSQL.
#[macro_export]
macro_rules! on_both_stores {
    ($($story:ident),+ $(,)?) => {
        mod sqlite { $(
            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $story() {
                let world = $crate::world::World::sqlite().await;
                super::$story(&world).await;
                world.close().await;
            }
        )+ }
        mod postgres { $(
            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $story() {
                let world = $crate::world::World::postgres().await;
                super::$story(&world).await;
                world.close().await;
            }
        )+ }
    };
}
