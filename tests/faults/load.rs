//! Clients at work on everything that moves straws, each act under a key of its own that it sends again until it is
//! answered; and the reckoning afterwards.

use std::{
    collections::BTreeMap,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering},
    },
    time::Duration,
};

use serde_json::{Value, json};
use uuid::Uuid;

use crate::{
    service::{farm, made, run, said, until},
    support,
};

/// Straws that hang in canister 1 and in canister 2 at the beginning.
const STOCK: i64 = 40_000;

/// Animals, so that none has too long a history.
const ANIMALS: usize = 48;

/// An act that was answered.
#[derive(Clone, Debug)]
pub struct Done {
    path: String,
    act: String,
    order: Value,
    /// The answer, word for word.
    text: String,
}

impl Done {
    fn answer(&self) -> Value {
        serde_json::from_str(&self.text).unwrap()
    }
}

/// What came back.
struct Answer {
    status: u16,
    replayed: bool,
    text: String,
}

/// What the clients share.
struct Work {
    http: reqwest::Client,
    base: Mutex<String>,
    key: String,
    tank: String,
    lot: String,
    animals: Vec<String>,
    stop: AtomicBool,
    done: Mutex<Vec<Done>>,
    /// Problems met on the way, by kind.
    problems: Mutex<BTreeMap<String, usize>>,
}

pub struct Load {
    work: Arc<Work>,
    clients: Vec<tokio::task::JoinHandle<()>>,
}

impl Load {
    /// Founds the farm and sets `clients` to work.
    pub async fn on(base: &str, key: &str, clients: usize) -> Self {
        let http = support::http_client_builder().timeout(Duration::from_secs(20)).build().unwrap();
        let (herd, tank, lot) = farm(&http, base, key).await;
        let mut animals = Vec::new();
        for number in 0..ANIMALS {
            let animal = json!({"herd_id": herd, "number": number.to_string()});
            animals.push(made(&http, base, key, "/v1/animals", animal).await);
        }
        for canister in [1, 2] {
            let place = json!({"tank_id": tank, "canister": canister});
            let receipt = json!({"lot_id": lot, "place": place, "straws": STOCK});
            made(&http, base, key, "/v1/receipts", receipt).await;
        }
        let work = Arc::new(Work {
            http,
            base: Mutex::new(base.to_owned()),
            key: key.to_owned(),
            tank,
            lot,
            animals,
            stop: AtomicBool::new(false),
            done: Mutex::default(),
            problems: Mutex::default(),
        });
        let clients = (0..clients).map(|client| tokio::spawn(work.clone().toil(client))).collect();
        Self { work, clients }
    }

    /// The service is at another address now.
    pub fn goes_on_at(&self, base: &str) {
        base.clone_into(&mut self.work.base.lock().unwrap());
    }

    /// What was answered so far.
    pub fn answered(&self) -> Vec<Done> {
        self.work.done.lock().unwrap().clone()
    }

    /// Waits until so many more acts are answered.
    pub async fn answers(&self, more: usize) {
        let enough = self.work.done.lock().unwrap().len() + more;
        until("answers", async || {
            assert!(self.clients.iter().all(|client| !client.is_finished()), "a client gave up");
            self.work.done.lock().unwrap().len() >= enough
        })
        .await;
    }

    /// Problems met so far, by kind.
    pub fn problems(&self) -> BTreeMap<String, usize> {
        self.work.problems.lock().unwrap().clone()
    }

    /// The clients go home in the middle of what they are at.
    pub fn cut_off(self) -> Reckoning {
        self.clients.iter().for_each(tokio::task::JoinHandle::abort);
        let done = self.work.done.lock().unwrap().clone();
        Reckoning { work: self.work, done }
    }

    /// Lets each client finish what it is at.
    pub async fn end(self) -> Reckoning {
        self.work.stop.store(true, Ordering::Relaxed);
        for client in self.clients {
            client.await.expect("a client was told what it must never be told");
        }
        let done = self.work.done.lock().unwrap().clone();
        Reckoning { work: self.work, done }
    }
}

impl Work {
    /// Deliveries, withdrawals, transfers, services and reversals in turn.
    async fn toil(self: Arc<Self>, client: usize) {
        let place = |canister: usize| json!({"tank_id": self.tank, "canister": canister});
        let (here, there) = (1 + client % 2, 2 - client % 2);
        for turn in 0.. {
            let animal = &self.animals[(client * 7 + turn) % ANIMALS];
            let withdrawal = json!({"animal_id": animal, "lot_id": self.lot});
            let receipt = json!({"lot_id": self.lot, "place": place(here), "straws": 3});
            let receipt = self.has_done("/v1/receipts", receipt).await;
            let taken = self.has_done("/v1/withdrawals", withdrawal.clone()).await;
            let transfer = json!({"lot_id": self.lot, "from": place(here), "to": place(there), "straws": 2});
            self.has_done("/v1/transfers", transfer).await;
            self.has_done("/v1/services", json!({"withdrawal_id": taken["id"]})).await;
            let undo = format!("/v1/movements/{}/reversal", receipt["id"].as_str().unwrap());
            self.has_done(&undo, json!({"reason": "did_not_happen"})).await;
            self.has_done("/v1/withdrawals", withdrawal).await;
            if self.stop.load(Ordering::Relaxed) {
                return;
            }
        }
    }

    /// Sends an act until it is answered as done. Any refusal but "not now" is a fault.
    async fn has_done(&self, path: &str, order: Value) -> Value {
        let act = Uuid::now_v7().to_string();
        let text = loop {
            match self.send(path, &act, &order).await {
                None => tokio::time::sleep(Duration::from_millis(5)).await,
                Some(Answer { status: 201, text, .. }) => break text,
                Some(Answer { status, text, .. }) => {
                    assert_eq!(status, 503, "{path}: {text}");
                    let problem: Value = serde_json::from_str(&text).unwrap();
                    let kind = problem["type"].as_str().unwrap().replace("/problems/", "");
                    let for_now = ["busy", "store-unavailable", "outcome-unknown"];
                    assert!(for_now.contains(&kind.as_str()), "{path}: {text}");
                    *self.problems.lock().unwrap().entry(kind).or_default() += 1;
                    tokio::time::sleep(Duration::from_millis(20)).await;
                }
            }
        };
        let done = Done { path: path.to_owned(), act, order, text };
        let answer = done.answer();
        self.done.lock().unwrap().push(done);
        answer
    }

    async fn send(&self, path: &str, act: &str, order: &Value) -> Option<Answer> {
        let base = self.base.lock().unwrap().clone();
        let request = self.http.post(format!("{base}{path}")).bearer_auth(&self.key);
        let response = request.header("idempotency-key", act).json(order).send().await.ok()?;
        let status = response.status().as_u16();
        let replayed = response.headers().contains_key("idempotent-replayed");
        Some(Answer { status, replayed, text: response.text().await.ok()? })
    }
}

/// What was answered, to be held against the book.
pub struct Reckoning {
    work: Arc<Work>,
    pub done: Vec<Done>,
}

impl Reckoning {
    /// Everything answered is in the book once, nothing else is, and it adds up.
    pub async fn agrees_with(&self, base: &str, database_url: &str) {
        self.remembers(base, &self.done).await;
        assert_eq!(self.hanging(base).await, self.expected(), "straws by canister");
        let verified = run(&["verify"], database_url);
        let told = said(&verified);
        assert!(verified.status.success(), "{told}");
        let count = |of: &str| self.done.iter().filter(|done| done.path.contains(of)).count();
        let services = count("/v1/services");
        let withdrawals = count("/v1/withdrawals");
        // Two deliveries stocked the tank; a service moves nothing.
        let movements = 2 + self.done.len() - services;
        let counted =
            format!("{movements} movements, 2 balances, {withdrawals} withdrawals, {services} services,");
        assert!(told.contains(&counted), "not {counted} but {told}");
        for kind in ["/v1/receipts", "/v1/transfers", "/reversal"] {
            assert!(count(kind) > 0, "no {kind}: the load is not what it should be");
        }
    }

    /// Each act, sent again, is answered as it was the first time.
    pub async fn remembers(&self, base: &str, done: &[Done]) {
        base.clone_into(&mut self.work.base.lock().unwrap());
        for acts in done.chunks(16) {
            let again = acts.iter().map(async |done| {
                let answer = self.work.send(&done.path, &done.act, &done.order).await.unwrap();
                assert!(answer.replayed, "an answered write is missing: {done:?} {}", answer.text);
                assert_eq!((answer.status, &answer.text), (201, &done.text));
            });
            futures_util::future::join_all(again).await;
        }
    }

    async fn hanging(&self, base: &str) -> BTreeMap<i64, i64> {
        let stock = self.work.http.get(format!("{base}/v1/stock")).bearer_auth(&self.work.key);
        let stock: Value = stock.send().await.unwrap().json().await.unwrap();
        let lines = stock["items"].as_array().unwrap().iter();
        lines
            .map(|line| (line["place"]["canister"].as_i64().unwrap(), line["straws"].as_i64().unwrap()))
            .collect()
    }

    /// Straws by canister, reckoned from the answers.
    fn expected(&self) -> BTreeMap<i64, i64> {
        let mut straws = BTreeMap::from([(1, STOCK), (2, STOCK)]);
        let mut moves = |place: &Value, by: i64| {
            *straws.get_mut(&place["canister"].as_i64().unwrap()).unwrap() += by;
        };
        let mut came = BTreeMap::new();
        for done in &self.done {
            let (order, answer) = (&done.order, done.answer());
            match done.path.as_str() {
                "/v1/receipts" => {
                    moves(&order["place"], 3);
                    came.insert(answer["id"].as_str().unwrap().to_owned(), order["place"].clone());
                }
                "/v1/transfers" => {
                    moves(&order["from"], -2);
                    moves(&order["to"], 2);
                }
                "/v1/withdrawals" => moves(&answer["place"], -1),
                "/v1/services" => {}
                _ => moves(&came[answer["reverses"].as_str().unwrap()], -3),
            }
        }
        straws
    }
}
