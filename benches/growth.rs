//! What a long book costs: the same questions of a book with few lines and of one with very many, side by side
//! in one run.
//!
//! `cargo bench --bench growth` fills one book with nine thousand lines of the ledger and one with a million, each
//! with the withdrawals, services, audit entries, changes, alerts open and over, heats, animals and lots that belong to them;
//! asks both every question in turn, over HTTP; and prints the medians with their ratio. It does so on SQLite,
//! and also on the PostgreSQL server that `TANKSIDE_BENCH_POSTGRES_URL` names, whose user must be allowed to
//! create databases. The large SQLite book takes about 4 GB in the system's folder for temporary files.
//!
//! What does not keep the bound, because an index for it would slow every withdrawal: two filters that are both
//! common and hardly ever meet (a tank with a tenth of all lines, and discards) cost as much as the rarer of them has
//! lines; a span of more than 10,000 lines is looked for from the cursor on along the book; and a list of the Animal
//! Data Exchange, with its total, costs what the herd has changes. They are not asked here.
//!
//! A word asks only the questions in whose name it stands: `cargo bench --bench growth -- round`. In any case it ends with how long
//! the reports over the whole large book take, which count every service.
//!
//! `TANKSIDE_GROWTH=10000000` makes the large book ten times as long. Both numbers of lines are multiples of 100,
//! because a lot lives for 100 lines: it is delivered, moved, used up and counted out. What hangs in the tanks is
//! therefore the same in both books, and there are 100 lines to a day.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::cast_precision_loss)]

mod record;

use std::time::{Duration, Instant};

use base64::{Engine as _, prelude::BASE64_URL_SAFE_NO_PAD};
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use record::Record;
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, Connection as _, Executor as _, PgConnection, SqliteConnection};
use tankside::{
    book::access::key as keys,
    clock::Clock,
    config::Settings,
    domain::{
        access::role::Role,
        values::{Name, Timestamp},
    },
    server::{self, Running},
    store::{self, Db, Kind},
};
use uuid::Uuid;

/// Lines of the small book: three months of work, so that as many are due and to be watched in it as in the large one.
const FEW: i64 = 9_000;

/// Lines of the large book, when nobody says otherwise.
const MANY: i64 = 1_000_000;

/// Lines in which a lot is delivered and used up.
const LOT_LINES: i64 = 100;

/// Seconds from one line to the next: 100 lines to a day.
const SECONDS: i64 = 864;

/// Days in the middle of the book on which nothing was done.
const IDLE_DAYS: i64 = 2;

/// How often each question is asked of each book.
const TIMES: usize = 41;

/// What the ratio may be.
const BOUND: f64 = 1.25;

/// What is not true of a book that is filled at once: an act numbers its service and notes what it changed.
const NOT_FILLED: [&str; 2] = [
    "every service has the number that its animal's history gives it",
    "every thing in the book is among the changes",
];

#[tokio::main]
async fn main() {
    let many = std::env::var("TANKSIDE_GROWTH").map_or(MANY, |lines| lines.parse().unwrap());
    // Boxed: the compiler follows futures only so deep.
    Box::pin(compare("SQLite", many, Place::in_a_folder(), Place::in_a_folder())).await;
    if let Ok(server) = std::env::var("TANKSIDE_BENCH_POSTGRES_URL") {
        Box::pin(compare("PostgreSQL", many, Place::on(&server).await, Place::on(&server).await)).await;
    }
}

/// Fills both books, asks them every question in turn, and prints what it took.
async fn compare(store: &str, many: i64, few_at: Place, many_at: Place) {
    let started = Instant::now();
    let small = Book::of(FEW, &few_at).await;
    let large = Book::of(many, &many_at).await;
    println!("{store}: median milliseconds with {FEW} and with {many} lines in the ledger");
    println!("(filled in {} s; over HTTP, {TIMES} times each, in turn):", started.elapsed().as_secs());
    let mut over = 0;
    let mut record = Record::new("growth", format!("{store}, {many} lines / {FEW}"));
    let mut show = |what: &str, (few, many): (Vec<Duration>, Vec<Duration>)| {
        let (few, many) = (median(few), median(many));
        let ratio = many / few;
        over += usize::from(ratio > BOUND);
        record.note(what, ratio);
        let mark = if ratio > BOUND { "  <--" } else { "" };
        println!("  {what:52} {few:8.2} {many:8.2}   ratio {ratio:6.2}{mark}");
    };
    // Cargo hands over `--bench` too.
    let only = std::env::args().skip(1).find(|word| !word.starts_with('-'));
    let asked = |what: &str| only.as_ref().is_none_or(|only| what.contains(only.as_str()));
    let questions = small.questions().await.into_iter().zip(large.questions().await);
    let questions = questions.filter(|((what, _), _)| asked(what));
    for ((what, of_small), (_, of_large)) in questions {
        let (mut few, mut many) = (Vec::new(), Vec::new());
        for time in 0..TIMES + 2 {
            let (first, second) = (small.asked(&of_small).await, large.asked(&of_large).await);
            // The first ones only warm up.
            if time >= 2 {
                few.push(first);
                many.push(second);
            }
        }
        show(what, (few, many));
    }
    let mut written = [const { (Vec::new(), Vec::new()) }; 4];
    for time in 0..2 * TIMES {
        let (few, many) = (small.served().await, large.served().await);
        for (n, times) in written.iter_mut().enumerate() {
            if time >= 2 {
                times.0.push(few[n]);
                times.1.push(many[n]);
            }
        }
    }
    let [withdrawal, service, against, acknowledgement] = written;
    show("a withdrawal", withdrawal);
    show("a service", service);
    show("a withdrawal that opens an alert", against);
    show("the acknowledgement by which it is over", acknowledgement);
    println!("  {over} above {BOUND}");
    println!(
        "reports over the whole large book, which grow with what they count ({} services):",
        large.services().await
    );
    for (what, path) in large.reports() {
        let (took, bytes) = large.client.whole(&path).await;
        println!(
            "  {what:52} {:8.2} s, {bytes} bytes, at most {} MB resident so far",
            took.as_secs_f64(),
            peak_mb()
        );
        record.note(format!("seconds: {what}"), took.as_secs_f64());
    }
    println!("what an operator does with the whole large book:");
    let mut show = |what: &str, unit: &str, figure: f64| {
        println!("  {what:52} {figure:10.0} {unit}");
        record.note(format!("{unit}: {what}"), figure);
    };
    for (list, lines) in [("movements", many), ("services", large.services().await)] {
        let (took, _) = large.client.whole(&format!("/v1/exports/{list}?format=ndjson")).await;
        show(&format!("export of {list}"), "lines a second", lines as f64 / took.as_secs_f64());
    }
    small.running.stop().await.unwrap();
    large.running.stop().await.unwrap();
    let mut starts = Vec::new();
    for _ in 0..5 {
        starts.push(start_to_ready(&many_at.url, &large.client.http).await);
    }
    show("start to ready", "ms", median(starts));
    let verifying = Instant::now();
    let (db, version) = Db::look(&many_at.url).await.unwrap();
    let report = store::verify::report(&mut db.read().await.unwrap(), version).await.unwrap();
    db.close().await;
    let found: Vec<_> = report.findings.iter().filter(|found| !NOT_FILLED.contains(&found.rule)).collect();
    assert!(found.is_empty(), "{found:?}");
    show("verify", "movements a second", many as f64 / verifying.elapsed().as_secs_f64());
    record.write();
    few_at.remove().await;
    many_at.remove().await;
}

/// How long it takes from the call that begins to serve a store to the answer that it is ready, without the loading of the program.
async fn start_to_ready(url: &str, http: &reqwest::Client) -> Duration {
    let config = Settings::on("127.0.0.1:0".parse().unwrap(), url.to_owned()).resolve().unwrap();
    let began = Instant::now();
    let running = server::start(&config, Clock::system(), None).await.unwrap();
    let ready = format!("http://{}/readyz", running.address);
    while http.get(&ready).send().await.unwrap().status() != 200 {}
    let took = began.elapsed();
    running.stop().await.unwrap();
    took
}

/// The most memory that this process had in use, in MB; 0 where the system does not tell.
fn peak_mb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.trim().trim_end_matches(" kB").parse::<u64>().ok()).map_or(0, |kb| kb / 1024)
}

/// In milliseconds.
fn median(mut times: Vec<Duration>) -> f64 {
    times.sort_unstable();
    times[times.len() / 2].as_secs_f64() * 1000.0
}

/// Where a book is kept.
struct Place {
    url: String,
    folder: Option<tempfile::TempDir>,
    server: Option<String>,
}

impl Place {
    fn in_a_folder() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let url = format!("sqlite://{}", folder.path().join("book.db").display());
        Self { url, folder: Some(folder), server: None }
    }

    async fn on(server: &str) -> Self {
        let name = format!("growth{}", Uuid::now_v7().simple());
        let mut connection = PgConnection::connect(server).await.unwrap();
        connection.execute(AssertSqlSafe(format!("create database {name}"))).await.unwrap();
        let (front, _) = server.rsplit_once('/').unwrap();
        Self { url: format!("{front}/{name}"), folder: None, server: Some(server.to_owned()) }
    }

    async fn remove(self) {
        drop(self.folder);
        if let Some(server) = self.server {
            let mut connection = PgConnection::connect(&server).await.unwrap();
            let (_, name) = self.url.rsplit_once('/').unwrap();
            connection.execute(AssertSqlSafe(format!("drop database {name}"))).await.unwrap();
        }
    }
}

/// A book that is being served, with what the questions are about.
struct Book {
    client: Client,
    running: Running,
    farm: Farm,
    filling: Filling,
}

impl Book {
    /// A book with so many lines beside those of the farm.
    async fn of(lines: i64, place: &Place) -> Self {
        let filling = Filling::new(lines, Kind::of(&place.url).unwrap());
        let config = Settings::on("127.0.0.1:0".parse().unwrap(), place.url.clone()).resolve().unwrap();
        let begin = Timestamp::from(filling.begin - TimeDelta::days(1));
        let running = server::start(&config, Clock::from_fn(move || begin), None).await.unwrap();
        let key = running.first_key.as_ref().unwrap().reveal().to_owned();
        tankside::cryptography::use_everywhere();
        let mut client =
            Client { base: format!("http://{}", running.address), key, http: reqwest::Client::new() };
        let farm = client.farm().await;
        running.stop().await.unwrap();

        let db = Db::open(&place.url).await.unwrap();
        let mut tx = db.write().await.unwrap();
        let business = store::access::business::all(&mut tx).await.unwrap()[0].id;
        let name = Name::parse("The busy one").unwrap();
        let (key, _) = keys::create(&mut tx, business, name, Role::Technician, None, begin).await.unwrap();
        tx.commit().await.unwrap();
        db.close().await;
        filling.fill(&place.url, &farm, key.id.0).await;

        let running = server::start(&config, Clock::system(), None).await.unwrap();
        client.base = format!("http://{}", running.address);
        // What time brought about is not to be found out between the questions.
        running.look_round().await.unwrap();
        Self { client, running, farm: Farm { busy_key: key.id.0, ..farm }, filling }
    }

    /// How many services it has.
    async fn services(&self) -> i64 {
        let report = self.client.get(&format!("/v1/reports/non-return?{}&horizon_days=1", self.span())).await;
        report["all"]["denominator"].as_i64().unwrap_or_else(|| panic!("{report:#}"))
    }

    /// All of its time.
    fn span(&self) -> String {
        let at = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Secs, true);
        let f = &self.filling;
        format!("from={}&to={}", at(f.begin - TimeDelta::days(2)), at(f.at(f.lines) + TimeDelta::days(1)))
    }

    /// What goes through all that is on record.
    fn reports(&self) -> Vec<(&'static str, String)> {
        let span = self.span();
        // This one goes back fifteen years at most.
        let at = |days| {
            (self.filling.at(self.filling.lines) - TimeDelta::days(days))
                .to_rfc3339_opts(SecondsFormat::Secs, true)
        };
        let years = format!("from={}&to={}", at(5400), at(0));
        // A plan draws each animal's year; of more than 5000 heifers or cows it takes numbers instead.
        let one_herd = format!("herd_id={}", self.farm.quiet_herd);
        [
            ("conception by sire, service number and month", "conception", "by=sire,service_number,month"),
            ("non-return by technician", "non-return", "by=technician"),
            ("pregnancy rate", "pregnancy-rate", ""),
            ("calving intervals", "calving-intervals", ""),
            ("conception watch", "conception-watch", ""),
            ("straw use by sire and month", "use", "by=sire,month"),
            ("deviations", "deviations", ""),
            ("charges as CSV, all of them", "charges", "format=csv"),
            ("season plan of one herd", "season-plan", one_herd.as_str()),
        ]
        .map(|(what, report, more)| {
            let span = match report {
                "season-plan" => "",
                "pregnancy-rate" => &years,
                _ => &span,
            };
            (what, format!("/v1/reports/{report}?{}", [span, more].join("&").trim_matches('&')))
        })
        .into()
    }

    /// Every question, by the path that is asked.
    #[expect(clippy::too_many_lines, reason = "a line for each question")]
    async fn questions(&self) -> Vec<(&'static str, String)> {
        let Farm { herd, quiet_herd, tank, tank_between, quiet_tank, sire, lot, animal, .. } = &self.farm;
        let Farm { great_lot, great_sire, busy_key, quiet_key, .. } = &self.farm;
        let f = &self.filling;
        let (lines, middle) = (f.lines, f.lines / 2);
        let animals = f.animals();
        let day = |from: i64, days: i64| {
            let at = |seconds: i64| {
                (f.at(middle) + TimeDelta::seconds(seconds)).to_rfc3339_opts(SecondsFormat::Secs, true)
            };
            format!("from={}&to={}", at(from), at(from + days * 86_400))
        };
        // Nothing was done right after the middle line; before it lie 100 lines to a day.
        let (empty, busy) = (day(3_600, 1), day(-86_400, 1));
        let since = (f.at(lines) - TimeDelta::days(1)).to_rfc3339_opts(SecondsFormat::Secs, true);
        let in_use = f.id(Table::Animal, animals / 2);
        vec![
            ("healthy and ready", "/readyz".to_owned()),
            ("the business", "/v1/business".to_owned()),
            ("what the next service calls for", format!("/v1/animals/{animal}/next-service")),
            ("stock and its total", "/v1/stock".to_owned()),
            ("stock of a tank", format!("/v1/stock?tank_id={tank}")),
            ("stock of a quiet tank", format!("/v1/stock?tank_id={quiet_tank}")),
            ("stock of a sire", format!("/v1/stock?sire_id={sire}")),
            ("stock of a lot", format!("/v1/stock?lot_id={lot}")),
            ("outlook of a sire", format!("/v1/stock/outlook?sire_id={sire}")),
            ("trace of a small lot", format!("/v1/reports/lot-trace/{lot}")),
            ("movements", "/v1/movements".to_owned()),
            ("movements, a page in the middle", self.after("/v1/movements", &middle.to_string()).await),
            ("movements: receipt", "/v1/movements?kind=receipt&limit=10".to_owned()),
            ("movements: withdrawal", "/v1/movements?kind=withdrawal".to_owned()),
            ("movements: reversal, of which there is one", "/v1/movements?kind=reversal".to_owned()),
            ("movements of a tank", format!("/v1/movements?tank_id={tank}")),
            ("movements of a tank used now and then", format!("/v1/movements?tank_id={tank_between}")),
            ("movements of a quiet tank", format!("/v1/movements?tank_id={quiet_tank}")),
            ("movements of a sire", format!("/v1/movements?sire_id={sire}")),
            ("movements of a sire with a tenth of all", format!("/v1/movements?sire_id={great_sire}")),
            ("movements of a lot", format!("/v1/movements?lot_id={lot}")),
            ("movements of a lot with a tenth of all", format!("/v1/movements?lot_id={great_lot}")),
            ("movements of an animal", format!("/v1/movements?animal_id={animal}")),
            ("movements by a technician", "/v1/movements?technician=T.+Busy".to_owned()),
            ("movements by a rare technician", "/v1/movements?technician=T.+Rare".to_owned()),
            ("movements by nobody known", "/v1/movements?technician=Nobody".to_owned()),
            ("movements of a day", format!("/v1/movements?{busy}")),
            ("movements of an empty day", format!("/v1/movements?{empty}")),
            ("movements since yesterday", format!("/v1/movements?from={since}")),
            ("movements: reversal, quiet tank", format!("/v1/movements?kind=reversal&tank_id={quiet_tank}")),
            ("movements: reversal, tank", format!("/v1/movements?kind=reversal&tank_id={tank}")),
            ("movements: receipt, quiet tank", format!("/v1/movements?kind=receipt&tank_id={quiet_tank}")),
            (
                "movements: discard, lot with a tenth",
                format!("/v1/movements?kind=discard&lot_id={great_lot}&limit=1"),
            ),
            (
                "movements: reversal, lot with a tenth",
                format!("/v1/movements?kind=reversal&lot_id={great_lot}"),
            ),
            (
                "movements: reversal, sire with a tenth",
                format!("/v1/movements?kind=reversal&sire_id={great_sire}"),
            ),
            ("movements: reversal, technician", "/v1/movements?kind=reversal&technician=T.+Busy".to_owned()),
            ("movements: count, rare technician", "/v1/movements?kind=count&technician=T.+Rare".to_owned()),
            ("movements: receipt, day", format!("/v1/movements?kind=receipt&limit=1&{busy}")),
            ("movements: withdrawal, empty day", format!("/v1/movements?kind=withdrawal&{empty}")),
            ("movements: technician, empty day", format!("/v1/movements?technician=T.+Busy&{empty}")),
            ("movements: tank, empty day", format!("/v1/movements?tank_id={tank}&{empty}")),
            (
                "movements: quiet tank, technician",
                format!("/v1/movements?tank_id={quiet_tank}&technician=T.+Busy"),
            ),
            ("movements: tank, rare technician", format!("/v1/movements?tank_id={tank}&technician=T.+Rare")),
            ("movements: sire, quiet tank", format!("/v1/movements?sire_id={sire}&tank_id={quiet_tank}")),
            (
                "movements: great sire, quiet tank",
                format!("/v1/movements?sire_id={great_sire}&tank_id={quiet_tank}"),
            ),
            (
                "movements: great lot, rare technician",
                format!("/v1/movements?lot_id={great_lot}&technician=T.+Rare"),
            ),
            ("movements: animal, reversal", format!("/v1/movements?animal_id={animal}&kind=reversal")),
            ("withdrawals", "/v1/withdrawals".to_owned()),
            (
                "withdrawals, a page in the middle",
                self.after("/v1/withdrawals", &f.id(Table::Withdrawal, middle).to_string()).await,
            ),
            ("withdrawals of an animal", format!("/v1/withdrawals?animal_id={animal}")),
            ("withdrawals, unresolved", "/v1/withdrawals?unresolved=true".to_owned()),
            (
                "withdrawals of an animal, unresolved",
                format!("/v1/withdrawals?animal_id={in_use}&unresolved=true"),
            ),
            ("services", "/v1/services".to_owned()),
            (
                "services, a page in the middle",
                self.after("/v1/services", &f.id(Table::Service, middle).to_string()).await,
            ),
            ("services of an animal", format!("/v1/services?animal_id={animal}")),
            ("services of a herd", format!("/v1/services?herd_id={herd}")),
            ("services of a quiet herd", format!("/v1/services?herd_id={quiet_herd}")),
            ("heats", "/v1/heats".to_owned()),
            ("heats of an animal", format!("/v1/heats?animal_id={animal}")),
            ("heats of a quiet herd", format!("/v1/heats?herd_id={quiet_herd}")),
            ("abortions, of which there is one", "/v1/abortions".to_owned()),
            ("audit", "/v1/audit".to_owned()),
            (
                "audit, a page in the middle",
                self.after("/v1/audit", &f.id(Table::Act, 2 * middle).to_string()).await,
            ),
            ("audit of a key", format!("/v1/audit?key_id={busy_key}")),
            ("audit of a quiet key", format!("/v1/audit?key_id={quiet_key}")),
            ("audit of a day", format!("/v1/audit?{busy}")),
            ("audit of an empty day", format!("/v1/audit?{empty}")),
            ("audit since yesterday", format!("/v1/audit?from={since}")),
            ("audit of a key and an empty day", format!("/v1/audit?key_id={busy_key}&{empty}")),
            ("audit of a quiet key and a day", format!("/v1/audit?key_id={quiet_key}&{busy}")),
            ("changes", "/v1/changes".to_owned()),
            ("changes after the middle", format!("/v1/changes?after={}", f.first_change + 3 * middle)),
            (
                "changes after the last but a few",
                format!("/v1/changes?after={}", f.first_change + 3 * lines - 99),
            ),
            ("animals", "/v1/animals".to_owned()),
            (
                "animals, a page in the middle",
                self.after("/v1/animals", &f.id(Table::Animal, animals / 2).to_string()).await,
            ),
            ("animals of a herd", format!("/v1/animals?herd_id={herd}")),
            ("animals of a quiet herd", format!("/v1/animals?herd_id={quiet_herd}")),
            ("animals by number", "/v1/animals?number=quiet-1".to_owned()),
            ("animals by an official name", "/v1/animals?identifier=AT-1".to_owned()),
            ("sires", "/v1/sires?limit=2".to_owned()),
            ("sires by an official name", "/v1/sires?identifier=B-1".to_owned()),
            ("lots", "/v1/lots?limit=5".to_owned()),
            (
                "lots, a page in the middle",
                self.after("/v1/lots", &f.id(Table::Lot, middle / LOT_LINES * LOT_LINES).to_string()).await,
            ),
            ("lots of a sire", format!("/v1/lots?sire_id={sire}")),
            ("lots, recalled", "/v1/lots?status=recalled".to_owned()),
            ("lots, sexed male", "/v1/lots?semen_type=sexed_male".to_owned()),
            ("alerts", "/v1/alerts?limit=10".to_owned()),
            (
                "alerts, a page in the middle",
                self.after("/v1/alerts", &f.id(Table::Alert, middle / 40 * 40 + 8).to_string()).await,
            ),
            ("alerts, open", "/v1/alerts?open=true".to_owned()),
            (
                "alerts, open, a page in the middle",
                self.after("/v1/alerts?open=true", &f.id(Table::Alert, middle / 16 * 16 + 8).to_string())
                    .await,
            ),
            ("alerts, open: rule.overridden", "/v1/alerts?open=true&kind=rule.overridden".to_owned()),
            (
                "alerts, open: stock.low, of which there is one",
                "/v1/alerts?open=true&kind=stock.low".to_owned(),
            ),
            ("alerts of a herd, open", format!("/v1/alerts?open=true&herd_id={herd}")),
            ("alerts of a quiet herd, open", format!("/v1/alerts?open=true&herd_id={quiet_herd}")),
            ("alerts of a tank without any, open", format!("/v1/alerts?open=true&tank_id={quiet_tank}")),
            ("alerts, over", "/v1/alerts?open=false&limit=10".to_owned()),
            ("alerts: stock.low, of which there is one", "/v1/alerts?kind=stock.low".to_owned()),
            ("alerts of a quiet herd", format!("/v1/alerts?herd_id={quiet_herd}")),
            ("alerts of a tank without any", format!("/v1/alerts?tank_id={quiet_tank}")),
            ("alerts about something without any", "/v1/alerts?subject=tanks/none".to_owned()),
            ("what a device at the tank keeps", "/v1/page".to_owned()),
            ("what a device at a quiet herd keeps", format!("/v1/page?herd_id={quiet_herd}")),
            ("the round at all herds", "/v1/round".to_owned()),
            ("the round at a quiet herd", format!("/v1/round?herd_id={quiet_herd}")),
            ("what to watch at a quiet herd", format!("/v1/watch?herd_id={quiet_herd}")),
            ("requests, open", "/v1/requests?state=open".to_owned()),
            ("consignments", "/v1/consignments".to_owned()),
            ("register of an empty day", format!("/v1/reports/register?{empty}")),
            ("services of a sire", format!("/v1/services?sire_id={sire}")),
            ("services by a rare technician", "/v1/services?technician=T.+Rare".to_owned()),
            ("services of an empty day", format!("/v1/services?{empty}")),
            ("services, reversed", "/v1/services?reversed=true".to_owned()),
            ("withdrawals of a lot", format!("/v1/withdrawals?lot_id={lot}")),
            ("withdrawals, thawing", "/v1/withdrawals?state=thawing".to_owned()),
            ("withdrawals of an empty day", format!("/v1/withdrawals?{empty}")),
            ("animals by the beginning of a number", "/v1/animals?q=quiet".to_owned()),
            ("sires by the beginning of a name", "/v1/sires?q=great".to_owned()),
        ]
    }

    /// The path of the page after `after`: the mark of the list stands in front of it in any cursor.
    async fn after(&self, path: &str, after: &str) -> String {
        let join = if path.contains('?') { '&' } else { '?' };
        let first = self.client.get(&format!("{path}{join}limit=1")).await;
        let cursor = BASE64_URL_SAFE_NO_PAD.decode(first["next_cursor"].as_str().unwrap()).unwrap();
        let (mark, _) = std::str::from_utf8(&cursor).unwrap().split_once(' ').unwrap();
        format!("{path}{join}limit=5&cursor={}", BASE64_URL_SAFE_NO_PAD.encode(format!("{mark} {after}")))
    }

    async fn asked(&self, path: &str) -> Duration {
        let started = Instant::now();
        self.client.get(path).await;
        started.elapsed()
    }

    /// A withdrawal and its service, one against a rule and the acknowledgement of its alert, each with its time.
    async fn served(&self) -> [Duration; 4] {
        let started = Instant::now();
        let order = json!({"animal_id": self.farm.animal, "lot_id": self.farm.lot});
        let withdrawal = self.client.post("/v1/withdrawals", order).await;
        let withdrawn = started.elapsed();
        let started = Instant::now();
        self.client.post("/v1/services", json!({"withdrawal_id": withdrawal})).await;
        let served = started.elapsed();
        let against = json!({"animal_id": self.farm.animal, "lot_id": self.farm.sexed, "override": {"reason": "agreed"}});
        let started = Instant::now();
        let withdrawal = self.client.post("/v1/withdrawals", against).await;
        let set_aside = started.elapsed();
        self.client.post("/v1/services", json!({"withdrawal_id": withdrawal})).await;
        let alerts = format!("/v1/alerts?open=true&subject=/v1/withdrawals/{withdrawal}");
        let alert = self.client.get(&alerts).await["items"][0]["id"].clone();
        let alert = alert.as_str().expect("an alert of a rule that was set aside");
        let started = Instant::now();
        self.client.post(&format!("/v1/alerts/{alert}/acknowledgement"), json!({})).await;
        [withdrawn, served, set_aside, started.elapsed()]
    }
}

/// What the questions are about.
struct Farm {
    herd: Uuid,
    quiet_herd: Uuid,
    tank: Uuid,
    tank_between: Uuid,
    other_tank: Uuid,
    quiet_tank: Uuid,
    sire: Uuid,
    lot: Uuid,
    sexed: Uuid,
    great_sire: Uuid,
    great_lot: Uuid,
    animal: Uuid,
    busy_key: Uuid,
    quiet_key: Uuid,
}

/// The service as a client sees it.
struct Client {
    base: String,
    key: String,
    http: reqwest::Client,
}

impl Client {
    async fn get(&self, path: &str) -> Value {
        let answer =
            self.http.get(format!("{}{path}", self.base)).bearer_auth(&self.key).send().await.unwrap();
        let status = answer.status();
        let body: Value = answer.json().await.unwrap();
        assert_eq!(status, 200, "{path}: {body:#}");
        body
    }

    /// How long an answer takes to its end, whatever it is, and its bytes.
    async fn whole(&self, path: &str) -> (Duration, usize) {
        let started = Instant::now();
        let request = self.http.get(format!("{}{path}", self.base)).bearer_auth(&self.key);
        let answer = request.send().await.unwrap();
        let status = answer.status();
        let body = answer.bytes().await.unwrap();
        assert_eq!(status, 200, "{path}: {}", String::from_utf8_lossy(&body));
        (started.elapsed(), body.len())
    }

    async fn post(&self, path: &str, body: Value) -> Uuid {
        let request = self.http.post(format!("{}{path}", self.base)).bearer_auth(&self.key);
        let request = request.header("idempotency-key", Uuid::now_v7().to_string()).json(&body);
        let body: Value = request.send().await.unwrap().json().await.unwrap();
        body["id"].as_str().unwrap_or_else(|| panic!("{path}: {body:#}")).parse().unwrap()
    }

    /// One of everything: what is hardly used, and what the filling takes its pattern from.
    async fn farm(&self) -> Farm {
        let rule = json!([{"from_service": 1, "semen_types": ["conventional"]}]);
        let herd = json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna", "choice_rule": rule});
        let quiet_herd = json!({"name": "Far Hill", "time_zone": "Europe/Vienna", "choice_rule": rule});
        let herd = self.post("/v1/herds", herd).await;
        let quiet_herd = self.post("/v1/herds", quiet_herd).await;
        let mut tanks = Vec::new();
        for name in ["Dairy room", "Van", "Store", "Far barn"] {
            tanks.push(self.post("/v1/tanks", json!({"name": name})).await);
        }
        let [tank, other_tank, tank_between, quiet_tank] = tanks[..] else { unreachable!() };
        let names = |id: &str| json!([{"scheme": "farm", "id": id}]);
        let sire = json!({"name": "Invented One", "identifiers": names("B-1")});
        let sire = self.post("/v1/sires", sire).await;
        let great_sire = self.post("/v1/sires", json!({"name": "Invented Great One"})).await;
        let great_lot = json!({"sire_id": great_sire, "semen_type": "conventional"});
        let great_lot = self.post("/v1/lots", great_lot).await;
        let lot = self.post("/v1/lots", json!({"sire_id": sire, "semen_type": "conventional"})).await;
        let sexed = self.post("/v1/lots", json!({"sire_id": sire, "semen_type": "sexed_male"})).await;
        let recalled = json!({"sire_id": sire, "semen_type": "conventional", "status": "recalled"});
        self.post("/v1/lots", recalled).await;
        // What hangs in the tanks, as long as the book may be.
        for canister in 1..=6 {
            for (tank, lot) in [(tank, lot), (other_tank, lot), (tank, sexed)] {
                let place = json!({"tank_id": tank, "canister": canister});
                self.post("/v1/receipts", json!({"lot_id": lot, "place": place, "straws": 100})).await;
            }
        }
        let quiet = json!({"tank_id": quiet_tank, "canister": 1});
        let receipt = json!({"lot_id": lot, "place": quiet, "straws": 10, "technician": "T. Rare"});
        self.post("/v1/receipts", receipt.clone()).await;
        let mistake = self.post("/v1/receipts", receipt).await;
        let reversal = json!({"reason": "did_not_happen"});
        self.post(&format!("/v1/movements/{mistake}/reversal"), reversal).await;
        let discard = json!({"lot_id": lot, "place": quiet, "straws": 1, "reason": "dropped"});
        self.post("/v1/discards", discard).await;
        let count = json!({"lot_id": lot, "place": quiet, "straws": 8});
        let stocktake = json!({"tank_id": quiet_tank, "counts": [count]});
        let stocktake = self.post("/v1/stocktakes", stocktake).await;
        self.post(&format!("/v1/stocktakes/{stocktake}/acceptance"), json!({})).await;

        let animal = json!({"herd_id": herd, "number": "one", "identifiers": names("AT-1")});
        let animal = self.post("/v1/animals", animal).await;
        let quiet = self.post("/v1/animals", json!({"herd_id": quiet_herd, "number": "quiet-1"})).await;
        for animal in [animal, quiet] {
            self.post("/v1/heats", json!({"animal_id": animal})).await;
            let order = json!({"animal_id": animal, "lot_id": lot, "technician": "T. Rare"});
            let withdrawal = self.post("/v1/withdrawals", order).await;
            self.post("/v1/services", json!({"withdrawal_id": withdrawal})).await;
        }
        let against = json!({"animal_id": quiet, "lot_id": sexed, "override": {"reason": "agreed"}});
        let withdrawal = self.post("/v1/withdrawals", against).await;
        self.post("/v1/services", json!({"withdrawal_id": withdrawal})).await;
        self.post("/v1/abortions", json!({"animal_id": quiet})).await;
        let low = json!({"kind": "stock.low", "lot_id": sexed, "below_straws": 100_000});
        self.post("/v1/alert-rules", low).await;
        let audit = self.get("/v1/audit?limit=1").await;
        let quiet_key = audit["items"][0]["key_id"].as_str().unwrap().parse().unwrap();
        Farm {
            herd,
            quiet_herd,
            tank,
            tank_between,
            other_tank,
            quiet_tank,
            sire,
            lot,
            sexed,
            great_sire,
            great_lot,
            animal,
            busy_key: quiet_key,
            quiet_key,
        }
    }
}

/// What has ids of its own in the filling, so that none is given twice.
#[derive(Clone, Copy)]
enum Table {
    Movement = 1,
    Withdrawal,
    Service,
    Act,
    Animal,
    Lot,
    Sire,
    Place,
    Alert,
    Event,
}

/// How a book is filled: line `i` of the filling and what belongs to it, from 0 on.
struct Filling {
    lines: i64,
    kind: Kind,
    /// When line 0 was written.
    begin: DateTime<Utc>,
    /// The number of the change of line 0.
    first_change: i64,
}

/// Changes that the farm and the filling's animals and lots take up at most.
fn changes_before(lines: i64) -> i64 {
    1_000 + 2 * lines
}

impl Filling {
    fn new(lines: i64, kind: Kind) -> Self {
        assert_eq!(lines % LOT_LINES, 0, "the lines are a multiple of {LOT_LINES}");
        #[expect(clippy::disallowed_methods, reason = "the filling ends a day ago")]
        let now = Utc::now();
        let begin = now - TimeDelta::seconds(lines * SECONDS) - TimeDelta::days(IDLE_DAYS + 1);
        Self { lines, kind, begin, first_change: changes_before(lines) }
    }

    /// Each has three services.
    fn animals(&self) -> i64 {
        self.lines / 3
    }

    /// When line `i` was written.
    fn at(&self, i: i64) -> DateTime<Utc> {
        let idle = if i > self.lines / 2 { TimeDelta::days(IDLE_DAYS) } else { TimeDelta::zero() };
        self.begin + TimeDelta::seconds(i * SECONDS) + idle
    }

    fn id(&self, table: Table, i: i64) -> Uuid {
        // An act of the service beside that of the withdrawal: two to a line.
        let line = if matches!(table, Table::Act) { i / 2 } else { i };
        let (table, milliseconds) = (table as u8, self.at(line).timestamp_millis());
        Uuid::parse_str(&format!("{milliseconds:012x}7{table:03x}8000{i:012x}")).unwrap()
    }

    /// SQL for the microseconds since 1970 at which line `i` was written.
    fn sql_micros(&self, i: &str) -> String {
        format!(
            "({} + cast({i} as bigint) * {} + case when ({i}) > {} then {} else 0 end)",
            self.begin.timestamp_micros(),
            SECONDS * 1_000_000,
            self.lines / 2,
            IDLE_DAYS * 86_400_000_000
        )
    }

    fn sql_at(&self, i: &str) -> String {
        let micros = self.sql_micros(i);
        match self.kind {
            Kind::Sqlite => micros,
            Kind::Postgres => format!("(timestamptz 'epoch' + {micros} * interval '1 microsecond')"),
        }
    }

    fn sql_id(&self, table: Table, i: &str) -> String {
        let line = if matches!(table, Table::Act) { format!("({i}) / 2") } else { i.to_owned() };
        let (table, millis) = (table as u8, format!("{} / 1000", self.sql_micros(&line)));
        match self.kind {
            Kind::Sqlite => format!("unhex(printf('%012x7{table:03x}8000%012x', {millis}, {i}))"),
            Kind::Postgres => format!(
                "cast(lpad(to_hex({millis}), 12, '0') || '7{table:03x}8000' || lpad(to_hex(cast({i} as bigint)), 12, '0')
                      as uuid)"
            ),
        }
    }

    /// The id as text, as it stands in an address.
    fn sql_id_text(&self, table: Table, i: &str) -> String {
        let id = self.sql_id(table, i);
        match self.kind {
            Kind::Sqlite => {
                let (table, millis) = (table as u8, format!("{} / 1000", self.sql_micros(i)));
                format!(
                    "printf('%08x-%04x-7{table:03x}-8000-%012x', ({millis}) >> 16, ({millis}) & 65535, {i})"
                )
            }
            Kind::Postgres => format!("cast({id} as text)"),
        }
    }

    /// An id of ours as SQL.
    fn sql_uuid(&self, id: Uuid) -> String {
        match self.kind {
            Kind::Sqlite => format!("x'{}'", id.simple()),
            Kind::Postgres => format!("cast('{id}' as uuid)"),
        }
    }

    /// Fills the book, by the patterns that the farm left in it.
    async fn fill(&self, url: &str, farm: &Farm, key: Uuid) {
        let statements = self.statements(farm, key);
        match self.kind {
            Kind::Sqlite => {
                let mut db = SqliteConnection::connect(url).await.unwrap();
                // Nobody else is there, and what is half done is made anew.
                db.execute(
                    "pragma synchronous = off; pragma cache_size = -200000; pragma foreign_keys = off;
                     pragma temp_store = file",
                )
                .await
                .unwrap();
                db.execute("begin").await.unwrap();
                for statement in statements {
                    db.execute(AssertSqlSafe(statement)).await.unwrap();
                }
                db.execute("commit").await.unwrap();
                db.close().await.unwrap();
            }
            Kind::Postgres => {
                let mut db = PgConnection::connect(url).await.unwrap();
                // References are not looked at one by one, where the user may say so.
                let _ = db.execute("set session_replication_role = replica").await;
                db.execute("begin").await.unwrap();
                for statement in statements {
                    db.execute(AssertSqlSafe(statement)).await.unwrap();
                }
                db.execute("commit").await.unwrap();
                // What a server does of its own accord within minutes.
                db.execute("analyze").await.unwrap();
                db.close().await.unwrap();
            }
        }
    }

    #[expect(clippy::too_many_lines, reason = "a statement for each table")]
    fn statements(&self, farm: &Farm, key: Uuid) -> Vec<String> {
        let lines = self.lines;
        let (animals, first_change) = (self.animals(), self.first_change);
        let id = |table, i: &str| self.sql_id(table, i);
        let at = |i: &str| self.sql_at(i);
        let uuid = |id| self.sql_uuid(id);
        let (tank, other, between) = (uuid(farm.tank), uuid(farm.other_tank), uuid(farm.tank_between));
        let (great_lot, herd, key) = (uuid(farm.great_lot), uuid(farm.herd), uuid(key));
        let numbers = |last: i64| match self.kind {
            Kind::Sqlite => format!(
                "(with recursive n (i) as (select 0 union all select i + 1 from n where i < {last}) select i from n) n"
            ),
            Kind::Postgres => format!("generate_series(cast(0 as bigint), {last}) n (i)"),
        };
        let flag = |value: &str| match self.kind {
            Kind::Sqlite => format!("case when {value} then 1 else 0 end"),
            Kind::Postgres => value.to_owned(),
        };
        // Lot k is used up in lines 100 k to 100 k + 99: 0 its delivery to one place, 50 a straw hung at
        // another, 98 that one thrown away, 99 the last one not found by a count, all others withdrawals.
        let withdrawn = "l.j not in (0, 50, 98, 99)";
        // The last ones are on their way.
        let served = format!("{withdrawn} and l.i < {}", lines - 22);
        let place = |n: &str| id(Table::Place, n);
        let mut statements = vec![
            // Of the small places, 60 in the tank and 60 in the other, 10 in the one used now and then.
            format!(
                "insert into place (business_id, id, kind, tank_id, canister, cane, goblet)
                 select b.id, {}, 'tank', case n.i / 100 when 0 then {tank} when 1 then {other} else {between} end,
                        1 + n.i % 6, cast(n.i / 6 as text), ''
                 from {} cross join business b",
                place("n.i"),
                numbers(299)
            ),
            "create temporary table line (i bigint primary key, j bigint, place bigint, other_place bigint,
                                          technician text, animal bigint)"
                .to_owned(),
            format!(
                "insert into line
                 select n.i, n.i % 100,
                        case when n.i / 100 % 50 = 7 then 200 + n.i / 100 % 10
                             when n.i / 100 % 3 = 0 then 100 + n.i / 100 % 60
                             else n.i / 100 % 60 end,
                        case when n.i / 100 % 50 = 7 then 210
                             when n.i / 100 % 3 = 0 then 170 + n.i / 100 % 5
                             else 70 + n.i / 100 % 5 end,
                        case when n.i % 10 < 6 then 'T. Busy' when n.i % 10 < 9 then 'T. Second' end,
                        n.i % {animals}
                 from {}",
                numbers(lines - 1)
            ),
            format!(
                "insert into sire (business_id, id, name, breed, identifiers, sire_id, dam_id, created_at)
                 select s.business_id, {}, s.name, s.breed, '[]', null, null, s.created_at
                 from {} cross join (select * from sire order by id limit 1) s",
                id(Table::Sire, "n.i * 2000"),
                numbers((lines - 1) / 2000)
            ),
        ];
        let lots = numbers(lines / 100 - 1);
        statements.push(format!(
            "insert into lot (business_id, id, sire_id, semen_type, batch, collected_on, collection_centre,
                              straw_volume, sexed_percentage, cost, thaw, status, created_at)
             select p.business_id, {}, {}, p.semen_type, cast(n.i as text), p.collected_on, p.collection_centre,
                    p.straw_volume, p.sexed_percentage, p.cost, p.thaw, 'usable', {}
             from {lots} cross join (select * from lot where id = {great_lot}) p",
            id(Table::Lot, "n.i * 100"),
            id(Table::Sire, "n.i / 20 * 2000"),
            at("n.i * 100")
        ));
        statements.push(format!(
            "insert into animal (business_id, id, herd_id, number, name, identifiers, born_on, sire_id, dam_id, breed,
                                 left_on, created_at)
             select p.business_id, {}, p.herd_id, cast(n.i as text), null, p.identifiers, p.born_on, null, null,
                    p.breed, null, {}
             from {} cross join (select * from animal where id = {}) p",
            id(Table::Animal, "n.i"),
            at("n.i"),
            numbers(animals - 1),
            uuid(farm.animal)
        ));
        statements.push(format!(
            "insert into identifier (business_id, subject_id, scheme, code)
             select b.id, {}, 'farm', 'A-' || n.i from {} cross join business b",
            id(Table::Animal, "n.i"),
            numbers(animals - 1)
        ));
        let lot = |i: &str| {
            format!(
                "case when {i} / 100 % 10 = 9 then {great_lot} else {} end",
                id(Table::Lot, &format!("{i} / 100 * 100"))
            )
        };
        let the_lot = lot("l.i");
        let (first_place, elsewhere) = (place("l.place"), place("l.other_place"));
        statements.push(format!(
            "insert into withdrawal (business_id, id, animal_id, herd_id, lot_id, place_id, straws, withdrawn_at,
                                     technician, service_number, rank, rule, thaw, override_reason, deviations, state,
                                     resolved_at, recorded_at, recorded_by)
             select w.business_id, {}, {}, w.herd_id, {the_lot}, {first_place}, 1, {when_}, l.technician,
                    1 + l.i / {animals}, 1, w.rule, w.thaw, null, w.deviations,
                    case when {served} then 'served' else 'out' end,
                    case when {served} then {when_} end, {when_}, {key}
             from line l cross join (select * from withdrawal order by id limit 1) w
             where {withdrawn} order by l.i",
            id(Table::Withdrawal, "l.i"),
            id(Table::Animal, "l.animal"),
            when_ = at("l.i")
        ));
        statements.push(format!(
            "insert into movement (business_id, seq, id, kind, lot_id, from_place_id, to_place_id, straws, from_left,
                                   to_held, occurred_at, recorded_at, recorded_by, technician, withdrawal_id, reason)
             select b.id, b.movement_seq + 1 + l.i, {},
                    case l.j when 0 then 'receipt' when 50 then 'transfer' when 98 then 'discard' when 99 then 'count'
                             else 'withdrawal' end,
                    {the_lot},
                    case l.j when 0 then supplier.id when 98 then {elsewhere} else {first_place} end,
                    case l.j when 0 then {first_place} when 50 then {elsewhere} when 98 then discarded.id when 99 then counted.id
                             else used.id end,
                    case l.j when 0 then 98 else 1 end,
                    case when l.j = 0 then null when l.j >= 98 then 0 else 98 - l.j end,
                    case l.j when 0 then 98 when 50 then 1 end,
                    {when_}, {when_}, {key}, l.technician, case when {withdrawn} then {} end,
                    case l.j when 98 then 'dropped' end
             from line l cross join business b
             cross join (select id from place where kind = 'supplier') supplier
             cross join (select id from place where kind = 'used') used
             cross join (select id from place where kind = 'discarded') discarded
             cross join (select id from place where kind = 'counted') counted
             order by l.i",
            id(Table::Movement, "l.i"),
            id(Table::Withdrawal, "l.i"),
            when_ = at("l.i")
        ));
        if self.kind == Kind::Postgres {
            // The trigger sleeps while the references do.
            statements.push(
                "insert into movement_tank (business_id, tank_id, seq)
                 select distinct m.business_id, p.tank_id, m.seq
                 from movement m join place p on p.business_id = m.business_id and p.id in (m.from_place_id, m.to_place_id)
                 where p.tank_id is not null on conflict do nothing"
                    .to_owned(),
            );
        }
        for place in ["place", "other_place"] {
            statements.push(format!(
                "insert into balance (business_id, lot_id, place_id, straws)
                 select b.id, {the_lot}, {}, 0 from line l cross join business b where l.j = 0
                 on conflict (business_id, lot_id, place_id) do nothing",
                id(Table::Place, &format!("l.{place}"))
            ));
        }
        statements.push(format!(
            "insert into service (business_id, id, herd_id, animal_id, served_at, service_number, rank, technician,
                                  withdrawal_id, lot_id, sire_id, semen_type, place_id, straws, semen_from_herd_stock,
                                  deviations, recorded_at, recorded_by)
             select s.business_id, {}, s.herd_id, {}, {when_}, 1 + l.i / {animals}, 1, l.technician, {}, {the_lot},
                    case when l.i / 100 % 10 = 9 then {} else {} end, s.semen_type, {first_place}, 1, s.semen_from_herd_stock,
                    s.deviations, {when_}, {key}
             from line l cross join (select * from service order by id limit 1) s
             where {served} order by l.i",
            id(Table::Service, "l.i"),
            id(Table::Animal, "l.animal"),
            id(Table::Withdrawal, "l.i"),
            uuid(farm.great_sire),
            id(Table::Sire, "l.i / 2000 * 2000"),
            when_ = at("l.i")
        ));
        statements.push(format!(
            "insert into animal_event (business_id, id, herd_id, animal_id, happened_at, kind, details, technician, note,
                                       recorded_at, recorded_by)
             select e.business_id, {}, {herd}, {}, {when_}, e.kind, e.details, l.technician, e.note, {when_}, {key}
             from line l cross join (select * from animal_event where kind = 'heat' order by id limit 1) e
             where l.i % 3 = 0 order by l.i",
            id(Table::Event, "l.i"),
            id(Table::Animal, "l.animal"),
            when_ = at("l.i")
        ));
        // An act for each line and one for each service. Idempotency-Keys are as good as random.
        for (n, condition) in [(0, "true"), (1, served.as_str())] {
            let number = format!("2 * l.i + {n}");
            let key_text = match self.kind {
                Kind::Sqlite => format!("printf('%016x', (({number}) * 2654435761) & 4294967295)"),
                Kind::Postgres => format!("lpad(to_hex((({number}) * 2654435761) & 4294967295), 16, '0')"),
            };
            let (request, location) = if n == 1 {
                (
                    "'POST /v1/services'".to_owned(),
                    format!("'/v1/services/' || {}", self.sql_id_text(Table::Service, "l.i")),
                )
            } else {
                (
                    "'POST /v1/withdrawals'".to_owned(),
                    format!(
                        "case when {withdrawn} then '/v1/withdrawals/' || {} else '/v1/movements/' || {} end",
                        self.sql_id_text(Table::Withdrawal, "l.i"),
                        self.sql_id_text(Table::Movement, "l.i")
                    ),
                )
            };
            statements.push(format!(
                "insert into act (business_id, id, key_id, request, status, location, idempotency_key, fingerprint, etag,
                                  body, recorded_at)
                 select b.id, {}, {key}, {request}, 201, {location}, {key_text}, a.fingerprint, null, a.body, {}
                 from line l cross join business b
                 cross join (select fingerprint, substr(body, 1, 300) as body from act
                             where body is not null order by id desc limit 1) a
                 where {condition} order by l.i",
                id(Table::Act, &number),
                at("l.i")
            ));
        }
        // An alert for every withdrawal by an eighth line; half of them are open, taken on and not told again.
        let open = "l.i % 16 = 8";
        statements.push(format!(
            "insert into alert (business_id, id, kind, subject, rule_id, herd_id, tank_id, sire_id, semen_type, lot_id,
                                withdrawal_id, text, figures, opened_at, notified_at, cleared_at, clear_reason)
             select a.business_id, {}, a.kind, 'withdrawals/' || {}, a.rule_id, {herd}, a.tank_id, a.sire_id,
                    a.semen_type, a.lot_id, {}, a.text, a.figures, {when_}, {when_}, case when {open} then null else {when_} end,
                    case when {open} then null else 'It was looked at.' end
             from line l cross join (select * from alert where kind = 'rule.overridden' limit 1) a
             where l.i % 8 = 0 and {withdrawn} order by l.i",
            id(Table::Alert, "l.i"),
            self.sql_id_text(Table::Withdrawal, "l.i"),
            id(Table::Withdrawal, "l.i"),
            when_ = at("l.i")
        ));
        let no = flag("false");
        let change = |kind: &str, table, seq: &str, animal: &str, from: &str| {
            let herd = if animal == "null" { "null" } else { &herd };
            let null = match self.kind {
                Kind::Sqlite => "null",
                Kind::Postgres => "cast(null as uuid)",
            };
            let (herd, animal) = if herd == "null" { (null, null) } else { (herd, animal) };
            format!(
                "insert into change (business_id, kind, subject_id, seq, herd_id, animal_id, reversed, created_at,
                                     changed_at)
                 select b.id, '{kind}', {}, {seq}, {herd}, {animal}, {no}, {when_}, {when_}
                 from {from}",
                id(table, "l.i"),
                when_ = at("l.i")
            )
        };
        let animal = id(Table::Animal, "l.animal");
        let of_lines =
            |condition: &str| format!("line l cross join business b where {condition} order by l.i");
        let seq = |n: i64| format!("{} + 3 * l.i", first_change + n);
        statements.push(change("lot", Table::Lot, "1000 + l.i / 100", "null", &of_lines("l.j = 0")));
        statements.push(change(
            "animal",
            Table::Animal,
            &format!("{} + l.i", 1000 + lines),
            &id(Table::Animal, "l.i"),
            &of_lines(&format!("l.i < {animals}")),
        ));
        statements.push(change("movement", Table::Movement, &seq(0), "null", &of_lines("true")));
        statements.push(change("withdrawal", Table::Withdrawal, &seq(1), &animal, &of_lines(withdrawn)));
        statements.push(change("service", Table::Service, &seq(2), &animal, &of_lines(&served)));
        statements.push(format!(
            "update business set movement_seq = movement_seq + {lines}, last_recorded_at = {0}, changed_at = {0}",
            at(&(lines - 1).to_string())
        ));
        statements.push("drop table line".to_owned());
        statements
    }
}
