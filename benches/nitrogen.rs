//! How long the nitrogen of many tanks takes, and of one with a sensor, over HTTP on an embedded store.
//!
//! `cargo bench --bench nitrogen` prints times of this machine beside that of the plain list, in one run.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::cast_precision_loss)]

mod record;

use std::time::{Duration, Instant};

use chrono::TimeDelta;
use record::Record;
use tankside::{
    clock::Clock,
    config::Settings,
    domain::{
        form::{self, InputPath},
        nitrogen::{
            level::{Gauged, LevelUnit, Measured, Reading, ReadingSource},
            tank::{Tank, TankDetails},
        },
        values::{BusinessId, KeyId, ReadingId, TankId, Timestamp},
    },
    server,
    store::{self, Db, Tx},
};

/// Tanks, and how often each was read, once a week.
const TANKS: usize = 1000;
const READINGS: i64 = 100;
/// Hours that the sensor has reported.
const HOURS: i64 = 100_000;
/// How often each answer is asked for; the median is told.
const TIMES: usize = 5;

#[tokio::main]
async fn main() {
    let folder = tempfile::tempdir().unwrap();
    let url = format!("sqlite://{}", folder.path().join("bench.db").display());
    let config = Settings::on("127.0.0.1:0".parse().unwrap(), url.clone()).resolve().unwrap();
    let running = server::start(&config, Clock::system(), None).await.unwrap();
    let base = format!("http://{}", running.address);
    let key = running.first_key.as_ref().unwrap().reveal().to_owned();
    let sensor = stocked(&url).await;

    tankside::cryptography::use_everywhere();
    let http = reqwest::Client::new();
    let ask = async |path: &str| {
        let mut times = Vec::new();
        for _ in 0..TIMES {
            let started = Instant::now();
            let answer = http.get(format!("{base}{path}")).bearer_auth(&key).send().await.unwrap();
            assert_eq!(answer.status(), 200);
            answer.bytes().await.unwrap();
            times.push(started.elapsed());
        }
        times.sort();
        times[TIMES / 2]
    };
    let second_page = async |path: &str| {
        let first = http.get(format!("{base}{path}")).bearer_auth(&key).send().await.unwrap();
        let first: serde_json::Value = first.json().await.unwrap();
        format!("{path}&cursor={}", first["next_cursor"].as_str().unwrap())
    };
    let mut pages = Vec::new();
    for path in ["/v1/tanks?limit=500", "/v1/tanks?include=nitrogen&limit=500"] {
        let second = second_page(path).await;
        pages.push((ask(path).await, ask(&second).await));
    }
    let mut record = Record::new("nitrogen", "SQLite");
    let whole = |(first, second): (Duration, Duration)| (first + second).as_secs_f64();
    record.note("tanks with nitrogen / plain list", whole(pages[1]) / whole(pages[0]));
    println!("{TANKS} tanks with {READINGS} weekly readings each, two pages of 500:");
    for ((first, second), what) in pages.iter().zip(["plain list", "with nitrogen"]) {
        println!("  {what:<38}{} + {} = {}", ms(*first), ms(*second), ms(*first + *second));
    }
    println!("one tank with {HOURS} hourly readings:");
    for path in ["nitrogen", "nitrogen.svg", "nitrogen.png"] {
        let took = ask(&format!("/v1/tanks/{sensor}/{path}")).await;
        record.note(format!("{path} of {HOURS} readings / plain list"), took.as_secs_f64() / whole(pages[0]));
        println!("  {path:<38}{}", ms(took));
    }
    record.write();
    running.stop().await.unwrap();
}

fn ms(time: Duration) -> String {
    format!("{:.0} ms", time.as_secs_f64() * 1000.0)
}

/// Fills the book; gives the tank with the sensor, which is entered last.
async fn stocked(url: &str) -> TankId {
    let db = Db::open(url).await.unwrap();
    let mut tx = db.write().await.unwrap();
    let now = Clock::system().now();
    let business = store::access::business::all(&mut tx).await.unwrap()[0].id;
    let key = store::access::key::all(&mut tx).await.unwrap()[0].key.id;
    let mut book = Book { tx, business, key };
    for n in 0..TANKS {
        let tank = book.tank(now).await;
        let loss = 2.0 + 0.001 * n as f64;
        for week in 0..READINGS {
            let at = now.plus(-TimeDelta::weeks(READINGS - 1 - week));
            // Each eighth week it was filled up, which nobody entered: the hardest for the method.
            let level = 420.0 - loss * 7.0 * (week % 8) as f64;
            book.read(tank, at, level, ReadingSource::Person).await;
        }
    }
    let sensor = book.tank(now).await;
    for hour in 0..HOURS {
        let at = now.plus(-TimeDelta::hours(HOURS - 1 - hour));
        let level = 420.0 - 2.8 / 24.0 * (hour % 2000) as f64;
        book.read(sensor, at, level, ReadingSource::Sensor).await;
    }
    book.tx.commit().await.unwrap();
    db.close().await;
    sensor
}

/// The book that is being filled.
struct Book {
    tx: Tx,
    business: BusinessId,
    key: KeyId,
}

impl Book {
    async fn tank(&mut self, now: Timestamp) -> TankId {
        let details = serde_json::json!({"name": "Invented", "capacity_l": 20.5, "full_depth_mm": 430,
                                         "min_depth_mm": 150, "static_loss_l_per_day": 0.11});
        let details = form::read::<TankDetails>(&details, &InputPath::body()).unwrap();
        let tank = Tank { id: TankId::new(), details, created_at: now };
        store::nitrogen::tank::add(&mut self.tx, self.business, &tank).await.unwrap();
        tank.id
    }

    async fn read(&mut self, tank_id: TankId, read_at: Timestamp, depth_mm: f64, source: ReadingSource) {
        let reading = Reading {
            id: ReadingId::new(),
            tank_id,
            read_at,
            measured: Some(Measured { value: depth_mm, unit: LevelUnit::Mm }),
            frost: None,
            source,
            technician: None,
            note: None,
            supersedes: None,
            superseded_by: None,
            gauged: Gauged { depth_mm: None, litres: None },
            warnings: Vec::new(),
            recorded_at: read_at,
        };
        store::nitrogen::level::write_reading(&mut self.tx, self.business, self.key, &reading).await.unwrap();
    }
}
