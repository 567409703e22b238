//! The program as its operator runs it.

use std::{
    io::{BufRead as _, BufReader},
    process::{Child, Command, Output, Stdio},
    time::Duration,
};

use serde_json::{Value, json};
use uuid::Uuid;

pub const PROGRAM: &str = env!("CARGO_BIN_EXE_tankside");

/// A running `tankside serve`; killed when dropped.
pub struct Service {
    child: Child,
    pub base: String,
    /// Where `/metrics` is told, if it is.
    pub metrics: Option<String>,
    pub first_key: Option<String>,
}

impl Service {
    pub fn start(database_url: &str) -> Self {
        Self::run(Command::new(PROGRAM), database_url)
    }

    /// Started with more arguments.
    pub fn with(database_url: &str, arguments: &[&str]) -> Self {
        Self::started(Command::new(PROGRAM), database_url, arguments)
    }

    /// Started by a command that takes the program's arguments.
    pub fn run(command: Command, database_url: &str) -> Self {
        Self::started(command, database_url, &[])
    }

    fn started(mut command: Command, database_url: &str, arguments: &[&str]) -> Self {
        if command.get_envs().all(|(name, _)| name != "TANKSIDE_LOG") {
            command.env("TANKSIDE_LOG", "warn");
        }
        let mut child = command
            .args(["serve", "--listen", "127.0.0.1:0", "--database-url", database_url])
            .args(["--webhook-allow", "127.0.0.1"])
            .args(arguments)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let ready: Value =
            serde_json::from_str(&line).unwrap_or_else(|_| panic!("not ready, it said {line:?}"));
        Self {
            child,
            base: ready["listening"].as_str().unwrap().to_owned(),
            metrics: ready["metrics"].as_str().map(ToOwned::to_owned),
            first_key: ready["first_key"].as_str().map(ToOwned::to_owned),
        }
    }

    pub fn pid(&self) -> String {
        self.child.id().to_string()
    }

    /// The most bytes of memory that it has had at any time.
    pub fn most_memory(&self) -> usize {
        self.memory("VmHWM:")
    }

    /// The bytes of memory that it has now.
    pub fn memory_now(&self) -> usize {
        self.memory("VmRSS:")
    }

    fn memory(&self, which: &str) -> usize {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.pid())).unwrap();
        let line = status.lines().find_map(|line| line.strip_prefix(which)).unwrap();
        line.trim().trim_end_matches(" kB").parse::<usize>().unwrap() * 1024
    }

    /// `kill -9`.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// SIGTERM, and its status.
    pub fn terminate(mut self) -> i32 {
        assert!(Command::new("kill").args(["-TERM", &self.pid()]).status().unwrap().success());
        self.child.wait().unwrap().code().unwrap()
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub fn run(arguments: &[&str], database_url: &str) -> Output {
    Command::new(PROGRAM).args(arguments).args(["--database-url", database_url]).output().unwrap()
}

pub fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

pub fn sqlite(folder: &tempfile::TempDir) -> String {
    format!("sqlite://{}", folder.path().join("tankside.db").display())
}

/// Posts; `None` when no answer came, whatever the reason.
pub async fn post(
    http: &reqwest::Client,
    base: &str,
    key: &str,
    path: &str,
    act: &str,
    body: &Value,
) -> Option<(u16, Value)> {
    let request =
        http.post(format!("{base}{path}")).bearer_auth(key).header("idempotency-key", act).json(body);
    let response = request.send().await.ok()?;
    let status = response.status().as_u16();
    Some((status, response.json().await.ok()?))
}

pub async fn made(http: &reqwest::Client, base: &str, key: &str, path: &str, body: Value) -> String {
    let (status, made) = post(http, base, key, path, &Uuid::now_v7().to_string(), &body).await.unwrap();
    assert_eq!(status, 201, "{made:#}");
    made["id"].as_str().unwrap().to_owned()
}

/// A lot of `straws` straws and an animal that may have every one of them.
pub async fn stocked(http: &reqwest::Client, base: &str, key: &str, straws: i64) -> (String, String) {
    let (herd, tank, lot) = farm(http, base, key).await;
    let animal = made(http, base, key, "/v1/animals", json!({"herd_id": herd, "number": "1"})).await;
    let receipt = json!({"lot_id": lot, "place": {"tank_id": tank, "canister": 1}, "straws": straws});
    made(http, base, key, "/v1/receipts", receipt).await;
    (lot, animal)
}

/// A herd whose every service may be conventional, its tank, and a lot.
pub async fn farm(http: &reqwest::Client, base: &str, key: &str) -> (String, String, String) {
    let anything = json!([{"from_service": 1, "semen_types": ["conventional"]}]);
    let herd = json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna", "choice_rule": anything});
    let herd = made(http, base, key, "/v1/herds", herd).await;
    let tank = made(http, base, key, "/v1/tanks", json!({"name": "Dairy room", "herd_id": herd})).await;
    let sire = made(http, base, key, "/v1/sires", json!({"name": "Invented One"})).await;
    let lot = made(http, base, key, "/v1/lots", json!({"sire_id": sire, "semen_type": "conventional"})).await;
    (herd, tank, lot)
}

pub async fn straws(http: &reqwest::Client, base: &str, key: &str) -> i64 {
    let stock: Value =
        http.get(format!("{base}/v1/stock")).bearer_auth(key).send().await.unwrap().json().await.unwrap();
    stock["total_straws"].as_i64().unwrap()
}

/// Waits for something that must come, for three minutes at most; then says what it waited for.
pub async fn until(what: &str, mut there: impl AsyncFnMut() -> bool) {
    for _ in 0..18_000 {
        if there().await {
            return;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    panic!("waited three minutes for {what}");
}
