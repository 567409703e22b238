//! What a long book costs: the same questions with few and with very many lines in the ledger, in
//! one run.
//!
//! `cargo bench --bench growth` fills one SQLite store with a thousand lines, another with a million,
//! and prints for each question the time in the large book over the time in the small one.
//! `TANKSIDE_GROWTH=10000000` takes ten million lines (minutes, and a few gigabytes in the system's
//! folder for temporary files).

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::cast_precision_loss)]

use std::time::{Duration, Instant};

use serde_json::{Value, json};
use sqlx::{Connection, SqliteConnection};
use tankside::{clock::Clock, config::Settings, server};
use uuid::Uuid;

/// Lines of the small book.
const FEW: i64 = 1_000;

/// How often each question is asked; the middle one counts.
const TIMES: usize = 41;

#[tokio::main]
async fn main() {
    let many = std::env::var("TANKSIDE_GROWTH").map_or(1_000_000, |lines| lines.parse().unwrap());
    let small = measured(FEW).await;
    let large = measured(many).await;
    println!("median milliseconds with {FEW} and with {many} lines in the ledger (SQLite):");
    for ((what, few), (_, many)) in small.iter().zip(&large) {
        println!(
            "  {what:42} {:8.2} {:8.2}   ratio {:6.2}",
            millis(*few),
            millis(*many),
            millis(*many) / millis(*few)
        );
    }
}

fn millis(time: Duration) -> f64 {
    time.as_secs_f64() * 1000.0
}

/// Asks every question of a book with so many lines.
async fn measured(lines: i64) -> Vec<(&'static str, Duration)> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.db");
    let config = Settings::on("127.0.0.1:0".parse().unwrap(), format!("sqlite://{}", path.display()))
        .resolve(None)
        .unwrap();
    let first = server::start(&config, Clock::system(), None).await.unwrap();
    let key = first.first_key.as_ref().unwrap().reveal().to_owned();
    let mut service =
        Service { base: format!("http://{}", first.address), key, http: reqwest::Client::new() };
    let farm = service.farm().await;
    first.stop().await.unwrap();
    fill(&path, lines).await;

    let running = server::start(&config, Clock::system(), None).await.unwrap();
    service.base = format!("http://{}", running.address);
    let Farm { tank, quiet_tank, sire, lot, animal } = farm;
    let questions = [
        ("stock of a tank", format!("/v1/stock?tank_id={tank}")),
        ("stock of a sire", format!("/v1/stock?sire_id={sire}")),
        ("what the next service calls for", format!("/v1/animals/{animal}/next-service")),
        ("first page of the movements", "/v1/movements".to_owned()),
        ("movements of a lot and a kind it has none of", format!("/v1/movements?lot_id={lot}&kind=count")),
        ("movements of a tank hardly used", format!("/v1/movements?tank_id={quiet_tank}")),
        ("movements of an animal", format!("/v1/movements?animal_id={animal}")),
        (
            "movements of a day with none",
            "/v1/movements?from=2001-01-01T00:00:00Z&to=2001-01-02T00:00:00Z".to_owned(),
        ),
    ];
    let mut told = Vec::new();
    for (what, path) in questions {
        let mut times = Vec::new();
        for _ in 0..TIMES {
            let started = Instant::now();
            service.get(&path).await;
            times.push(started.elapsed());
        }
        told.push((what, median(times)));
    }
    let mut times = Vec::new();
    for _ in 0..TIMES {
        let started = Instant::now();
        service.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": lot})).await;
        times.push(started.elapsed());
    }
    told.push(("a withdrawal", median(times)));
    running.stop().await.unwrap();
    told
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}

/// Puts so many deliveries into the book, by copying the first one.
async fn fill(path: &std::path::Path, lines: i64) {
    let mut db = SqliteConnection::connect(&format!("sqlite://{}", path.display())).await.unwrap();
    sqlx::query("pragma journal_mode = wal").execute(&mut db).await.unwrap();
    sqlx::query(
        "with recursive line (seq) as (
             select max(seq) + 1 from movement union all select seq + 1 from line where seq < $1)
         insert into movement (business_id, seq, id, kind, lot_id, from_place_id, to_place_id, straws,
             to_held, occurred_at, recorded_at, recorded_by, technician)
         select m.business_id, line.seq, randomblob(16), m.kind, m.lot_id, m.from_place_id, m.to_place_id, 1,
             m.to_held, m.occurred_at, m.recorded_at, m.recorded_by, 'somebody'
         from line cross join (select * from movement where seq = 1) m",
    )
    .bind(lines)
    .execute(&mut db)
    .await
    .unwrap();
    sqlx::query("update business set movement_seq = (select max(seq) from movement)")
        .execute(&mut db)
        .await
        .unwrap();
    db.close().await.unwrap();
}

/// What the questions are about.
struct Farm {
    tank: Uuid,
    quiet_tank: Uuid,
    sire: Uuid,
    lot: Uuid,
    animal: Uuid,
}

/// The service as a client sees it.
struct Service {
    base: String,
    key: String,
    http: reqwest::Client,
}

impl Service {
    async fn get(&self, path: &str) -> Value {
        let answer =
            self.http.get(format!("{}{path}", self.base)).bearer_auth(&self.key).send().await.unwrap();
        let status = answer.status();
        let told = answer.json().await.unwrap();
        assert_eq!(status, 200, "{told:#}");
        told
    }

    async fn post(&self, path: &str, body: Value) -> Uuid {
        let request = self.http.post(format!("{}{path}", self.base)).bearer_auth(&self.key);
        let request = request.header("idempotency-key", Uuid::now_v7().to_string()).json(&body);
        let told: Value = request.send().await.unwrap().json().await.unwrap();
        told["id"].as_str().unwrap_or_else(|| panic!("{told:#}")).parse().unwrap()
    }

    /// A busy lot in a busy tank, and a tank with one delivery.
    async fn farm(&self) -> Farm {
        let anything = json!([{"from_service": 1, "semen_types": ["conventional"]}]);
        let herd = json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna", "choice_rule": anything});
        let herd = self.post("/v1/herds", herd).await;
        let tank = self.post("/v1/tanks", json!({"name": "Dairy room", "herd_id": herd})).await;
        let quiet_tank = self.post("/v1/tanks", json!({"name": "Far barn", "herd_id": herd})).await;
        let sire = self.post("/v1/sires", json!({"name": "Invented One"})).await;
        let lot = self.post("/v1/lots", json!({"sire_id": sire, "semen_type": "conventional"})).await;
        let animal = self.post("/v1/animals", json!({"herd_id": herd, "number": "1"})).await;
        for tank in [tank, quiet_tank] {
            let place = json!({"tank_id": tank, "canister": 1});
            self.post("/v1/receipts", json!({"lot_id": lot, "place": place, "straws": 10_000})).await;
        }
        Farm { tank, quiet_tank, sire, lot, animal }
    }
}
