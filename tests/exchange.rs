//! Import and export as an operator runs them: what they say, with which status they end, beside what they run.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

mod support;

use std::{
    fmt::Write as _,
    fs,
    io::Write as _,
    path::Path,
    process::{Command, Output, Stdio},
};

use serde_json::{Value, json};
use support::new_postgres_database;
use tankside::{
    clock::Clock,
    config::Settings,
    server::{self, Running},
};

const PROGRAM: &str = env!("CARGO_BIN_EXE_tankside");

fn run(arguments: &[&str], database_url: &str) -> Output {
    Command::new(PROGRAM).args(arguments).args(["--database-url", database_url]).output().unwrap()
}

fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

fn sqlite(folder: &Path) -> String {
    format!("sqlite://{}", folder.join("tankside.db").display())
}

/// A service that runs.
struct Service {
    running: Running,
    base: String,
    key: String,
}

impl Service {
    async fn start(url: &str, key: &str) -> Self {
        let config = Settings::on("127.0.0.1:0".parse().unwrap(), url.to_owned()).resolve().unwrap();
        let running = server::start(&config, Clock::system(), None).await.unwrap();
        let key = running.first_key.as_ref().map_or(key, |key| key.reveal()).to_owned();
        Self { base: format!("http://{}", running.address), key, running }
    }

    async fn post(&self, path: &str, body: Value) -> String {
        let request = support::http_client().post(format!("{}{path}", self.base)).bearer_auth(&self.key);
        let made: Value = request.json(&body).send().await.unwrap().json().await.unwrap();
        made["id"].as_str().unwrap_or_else(|| panic!("{made}")).to_owned()
    }

    async fn get(&self, path: &str) -> Value {
        let request = support::http_client().get(format!("{}{path}", self.base)).bearer_auth(&self.key);
        request.send().await.unwrap().json().await.unwrap()
    }

    /// Stops; gives the key.
    async fn stop(self) -> String {
        self.running.stop().await.unwrap();
        self.key
    }
}

/// A store with a herd and a tank; gives the manager's key.
async fn farm(url: &str) -> String {
    let service = Service::start(url, "").await;
    let herd = service.post("/v1/herds", json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna"})).await;
    service.post("/v1/tanks", json!({"name": "Dairy room", "herd_id": herd})).await;
    service.stop().await
}

fn whole(url: &str) {
    let verified = run(&["verify"], url);
    assert!(verified.status.success(), "{}", stdout(&verified));
}

#[tokio::test]
async fn the_templates_are_files_that_can_be_taken_in() {
    let folder = tempfile::tempdir().unwrap();
    for url in [sqlite(folder.path()), new_postgres_database().await] {
        let key = farm(&url).await;
        let mut said = Vec::new();
        for subject in ["inventory", "sires", "animals", "services", "mating-plans"] {
            let template = Command::new(PROGRAM).args(["import", "template", subject]).output().unwrap();
            assert!(template.status.success());
            assert_eq!(stdout(&template).matches("\r\n").count(), 2, "the header and a line of examples");
            for column in stdout(&template).lines().next().unwrap().split(',') {
                assert!(stderr(&template).contains(&format!(" {column} ")), "{column} is not explained");
            }
            let file = folder.path().join(subject).with_extension("csv");
            fs::write(&file, &template.stdout).unwrap();
            let taken = run(&["import", subject, file.to_str().unwrap()], &url);
            assert!(taken.status.success(), "{}", stderr(&taken));
            said.push(stdout(&taken));
        }
        assert_eq!(
            said,
            [
                "inventory.csv: lines read: 1; straws received: 10; sires entered: 1; lots entered: 1.\n",
                "sires.csv: lines read: 1; sires entered: 1.\n",
                "animals.csv: lines read: 1; animals entered: 1; calvings entered: 1.\n",
                "services.csv: lines read: 1; services entered: 1.\n",
                "mating-plans.csv: lines read: 1; mating plans set: 1.\n",
            ]
        );
        let service = Service::start(&url, &key).await;
        assert_eq!(service.get("/v1/stock").await["total_straws"], 10);
        assert_eq!(service.get("/v1/services").await["items"][0]["sire"]["name"], "Invented One");
        service.stop().await;
        whole(&url);
    }
}

#[tokio::test]
async fn the_status_tells_a_script_what_came_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let good = folder.path().join("good.csv");
    fs::write(&good, "number;born_on\n1;2023-05-02\n2;2023-05-03\n").unwrap();
    let bad = folder.path().join("bad.csv");
    fs::write(&bad, "number,born_on\n3,2023-05-02\n,2.5.2023\n").unwrap();
    let (good, bad) = (good.to_str().unwrap(), bad.to_str().unwrap());
    for url in [sqlite(folder.path()), new_postgres_database().await] {
        let key = farm(&url).await;
        let animals = |file: &str, more: &[&str]| {
            run(&[&["import", "animals", file, "--herd", "Lower Meadow"], more].concat(), &url)
        };
        let wrong = animals(bad, &[]);
        assert_eq!(wrong.status.code(), Some(3));
        assert_eq!(
            stderr(&wrong),
            "bad.csv: line 3, number: is required\n\
             bad.csv: line 3, born_on: must be a date between 1950 and 2200, such as \"2024-04-26\"\n\
             Nothing was taken in.\n"
        );
        let dry = animals(good, &["--dry-run"]);
        assert_eq!(dry.status.code(), Some(0));
        assert_eq!(
            stdout(&dry),
            "good.csv: lines read: 2; animals entered: 2. Only checked: nothing was written.\n"
        );
        let no_herd = run(&["import", "animals", good], &url);
        assert_eq!(no_herd.status.code(), Some(3));
        assert!(stderr(&no_herd).contains("herd_name is missing"), "{}", stderr(&no_herd));
        assert_eq!(animals("nowhere.csv", &[]).status.code(), Some(1));
        assert_eq!(run(&["import", "cows", good], &url).status.code(), Some(2));
        assert_eq!(stdout(&run(&["export", "animals"], &url)).lines().count(), 1, "nothing was taken in");

        // From another program.
        let mut child = Command::new(PROGRAM)
            .args(["import", "animals", "-", "--herd", "Lower Meadow", "--database-url", &url])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        child.stdin.take().unwrap().write_all(&fs::read(good).unwrap()).unwrap();
        let taken = child.wait_with_output().unwrap();
        assert_eq!(stdout(&taken), "standard input: lines read: 2; animals entered: 2.\n");

        // Of several businesses one must be meant.
        let other = run(&["business", "create", "--name", "Another"], &url);
        let other: Value = serde_json::from_slice(&other.stdout).unwrap();
        let unclear = animals(good, &[]);
        assert_eq!(unclear.status.code(), Some(1));
        assert!(stderr(&unclear).contains("--business"), "{}", stderr(&unclear));
        let id = other["business_id"].as_str().unwrap();
        let theirs = animals(good, &["--business", id]);
        assert!(stderr(&theirs).contains("the book has no herd yet"), "{}", stderr(&theirs));
        let none = run(&["export", "animals", "--business", id, "--format", "ndjson"], &url);
        assert_eq!((none.status.code(), none.stdout.len()), (Some(0), 0));

        let service = Service::start(&url, &key).await;
        assert_eq!(service.get("/v1/animals").await["items"].as_array().unwrap().len(), 2);
        service.stop().await;
        whole(&url);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_embedded_store_is_taken_into_while_nothing_serves_it() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("animals.csv");
    fs::write(&file, "herd_name,number\nLower Meadow,1\n").unwrap();
    for url in [sqlite(folder.path()), new_postgres_database().await] {
        let key = farm(&url).await;
        let service = Service::start(&url, &key).await;
        let taken = run(&["import", "animals", file.to_str().unwrap()], &url);
        let listed = run(&["export", "animals", "--format", "ndjson"], &url);
        let there = service.get("/v1/animals").await["items"].as_array().unwrap().len();
        if url.starts_with("sqlite") {
            assert_eq!(taken.status.code(), Some(1));
            let told = stderr(&taken);
            assert!(
                told.contains("needs the store to itself") && told.contains("stop that one first"),
                "{told}"
            );
            assert_eq!((there, stdout(&listed).lines().count()), (0, 0));
            service.stop().await;
            assert!(run(&["import", "animals", file.to_str().unwrap()], &url).status.success());
        } else {
            assert!(taken.status.success(), "{}", stderr(&taken));
            assert_eq!((there, stdout(&listed).lines().count()), (1, 1));
            service.stop().await;
        }
        whole(&url);
    }
}

#[test]
fn a_store_that_is_not_there_is_not_made() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("animals.csv");
    fs::write(&file, "herd_name,number\nLower Meadow,1\n").unwrap();
    let url = sqlite(folder.path());
    for arguments in [&["import", "animals", file.to_str().unwrap()][..], &["export", "animals"]] {
        let done = run(arguments, &url);
        assert_eq!(done.status.code(), Some(1));
        assert!(stderr(&done).contains("there is no store"), "{}", stderr(&done));
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}

#[tokio::test]
async fn a_list_is_written_into_a_file_once_it_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    for url in [sqlite(folder.path()), new_postgres_database().await] {
        farm(&url).await;
        let to = folder.path().join("tanks.csv");
        let to = to.to_str().unwrap();
        assert!(run(&["export", "tanks", "--output", to], &url).status.success());
        let written = fs::read_to_string(to).unwrap();
        assert_eq!(written, stdout(&run(&["export", "tanks"], &url)));
        assert!(written.contains("Dairy room"));
        assert!(!Path::new(&format!("{to}.part")).exists());
        let nowhere = folder.path().join("nowhere/tanks.csv");
        assert_eq!(run(&["export", "tanks", "-o", nowhere.to_str().unwrap()], &url).status.code(), Some(1));
        let item = stdout(&run(&["export", "tanks", "--format", "ndjson"], &url));
        assert_eq!(serde_json::from_str::<Value>(&item).unwrap()["name"], "Dairy room");
        assert_eq!(run(&["export", "cows"], &url).status.code(), Some(2));
        assert_eq!(run(&["export", "tanks", "--format", "xml"], &url).status.code(), Some(2));
    }
}

#[tokio::test]
async fn a_long_file_tells_how_far_it_has_got() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(folder.path());
    farm(&url).await;
    let file = folder.path().join("long.csv");
    let mut lines = "tank_name,canister,semen_type,straws\n".to_owned();
    for _ in 0..20_001 {
        lines += "Barn,1,conventional,1\n";
    }
    fs::write(&file, lines).unwrap();
    let told = stderr(&run(&["import", "inventory", file.to_str().unwrap()], &url));
    let lines: Vec<_> = told.lines().collect();
    assert_eq!(lines[..2], ["long.csv: 10000 lines read", "long.csv: 20000 lines read"]);
    // Two faults a line: the tank is not there, and no sire is named.
    assert_eq!(lines[2 + 200..], ["long.csv: faults not listed: 39802", "Nothing was taken in."]);
}

/// The most memory that a process had in use, in bytes.
fn peak(status: &str) -> Option<u64> {
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? * 1024)
}

/// Runs the program; gives what it printed and the most memory it had in use.
fn measured(arguments: &[&str], url: &str) -> (String, u64) {
    let mut child = Command::new(PROGRAM)
        .args(arguments)
        .args(["--database-url", url])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut most = 0;
    while child.try_wait().unwrap().is_none() {
        most = most.max(fs::read_to_string(&status).ok().and_then(|status| peak(&status)).unwrap_or(0));
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    let done = child.wait_with_output().unwrap();
    assert!(done.status.success());
    (stdout(&done), most)
}

/// 100,000 lines of each kind: the memory does not follow the length of the file.
#[tokio::test]
#[cfg(target_os = "linux")]
#[ignore = "takes minutes; run it with --ignored"]
async fn a_hundred_thousand_lines_in_bounded_memory() {
    const LINES: u32 = 100_000;
    const BOUND: u64 = 96 * 1024 * 1024;
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(folder.path());
    farm(&url).await;
    let mut inventory = "tank_name,canister,cane,sire_name,semen_type,batch,straws\n".to_owned();
    let mut animals = "herd_name,number,born_on,iso_11784,sire_name,dam_number,calved_at\n".to_owned();
    let mut services = "herd_name,animal_number,served_at,sire_name\n".to_owned();
    for n in 0..LINES {
        let (sire, cane, batch) = (n % 2000, n % 40, n % 30_000);
        writeln!(inventory, "Dairy room,{},C{cane},Invented {sire},conventional,B{batch},1", n % 6 + 1)
            .unwrap();
        let dam = if n % 3 == 0 && n + 1 < LINES { (n + 1).to_string() } else { String::new() };
        writeln!(animals, "Lower Meadow,{n},2020-05-02,276{n:012},Invented {sire},{dam},2025-11-20").unwrap();
        writeln!(services, "Lower Meadow,{},2026-01-{:02},Invented {sire}", n % 20_000, n / 20_000 + 10)
            .unwrap();
    }
    for (subject, text) in [("inventory", inventory), ("animals", animals), ("services", services)] {
        let file = folder.path().join(subject);
        fs::write(&file, text).unwrap();
        let started = std::time::Instant::now();
        let (said, memory) = measured(&["import", subject, file.to_str().unwrap()], &url);
        println!("{said}{:.0} s, {} MiB", started.elapsed().as_secs_f64(), memory / 1024 / 1024);
        assert!(said.starts_with(&format!("{subject}: lines read: {LINES};")), "{said}");
        assert!(memory < BOUND, "{subject}: {memory} bytes");
    }
    for list in ["movements", "animals", "services"] {
        let file = folder.path().join(format!("{list}.csv"));
        let (_, memory) = measured(&["export", list, "-o", file.to_str().unwrap()], &url);
        println!("{list}: {} MiB", memory / 1024 / 1024);
        assert_eq!(fs::read_to_string(&file).unwrap().lines().count(), LINES as usize + 1);
        assert!(memory < BOUND, "{list}: {memory} bytes");
    }
    whole(&url);
}
