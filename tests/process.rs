//! The program as its operator runs it: started, stopped, asked whether its book adds up. What is done to it
//! against its will is in `faults`.

#![allow(missing_docs, dead_code, clippy::unwrap_used, clippy::expect_used)]

#[path = "process/command_line.rs"]
mod command_line;
#[path = "process/doctor.rs"]
mod doctor;
#[path = "stories/receiver.rs"]
mod receiver;
#[path = "process/secrets.rs"]
mod secrets;
#[path = "support/service.rs"]
mod service;
#[path = "process/sockets.rs"]
mod sockets;
mod support;
#[path = "process/traces.rs"]
mod traces;

use std::{
    collections::{BTreeMap, BTreeSet},
    io::{BufRead as _, BufReader, Read as _, Write as _},
    net::TcpStream,
    process::{Command, Stdio},
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering},
    },
    time::{Duration, Instant},
};

use serde_json::{Value, json};
use sqlx::{Connection as _, Executor as _};
use uuid::Uuid;

use receiver::Receiver;
use service::{PROGRAM, Service, made, post, run, said, sqlite, stocked, straws};
use support::new_postgres_database;

#[tokio::test]
async fn a_new_store_shows_its_first_key_once_and_keeps_the_book() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    let service = Service::start(&url);
    let key = service.first_key.clone().unwrap();
    let http = support::http_client();
    stocked(&http, &service.base, &key, 7).await;
    assert_eq!(service.terminate(), 0);
    let service = Service::start(&url);
    assert_eq!(service.first_key, None);
    assert_eq!(straws(&http, &service.base, &key).await, 7);
}

/// What waits on a phone is remembered in memory, and written once a minute: a stop loses none of it.
#[tokio::test]
async fn what_a_device_said_last_outlives_a_stop() {
    let folder = tempfile::tempdir().unwrap();
    for url in [sqlite(&folder), new_postgres_database().await] {
        let service = Service::start(&url);
        let key = service.first_key.clone().unwrap();
        let http = support::http_client();
        let phone = Uuid::now_v7().to_string();
        for waiting in ["7", "4"] {
            let ask = http.get(format!("{}/v1/herds", service.base)).bearer_auth(&key);
            let ask = ask.header("Tankside-Device", &phone).header("Tankside-Waiting", waiting);
            assert_eq!(ask.send().await.unwrap().status(), 200);
        }
        assert_eq!(service.terminate(), 0);
        let service = Service::start(&url);
        let ask = http.get(format!("{}/v1/devices", service.base)).bearer_auth(&key);
        let devices: Value = ask.send().await.unwrap().json().await.unwrap();
        assert_eq!(devices["items"][0]["waiting"], 4, "{devices}");
    }
}

#[tokio::test]
async fn a_second_process_on_the_same_file_is_refused_with_a_clear_message() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    let _service = Service::start(&url);
    let second = run(&["serve", "--listen", "127.0.0.1:0"], &url);
    assert!(!second.status.success());
    assert!(said(&second).contains("is being served by another Tankside process"), "{}", said(&second));
}

#[tokio::test]
async fn keys_are_made_listed_and_revoked_beside_the_running_service() {
    let folder = tempfile::tempdir().unwrap();
    for url in [sqlite(&folder), new_postgres_database().await] {
        let service = Service::start(&url);
        let http = support::http_client();
        let created = run(&["key", "create", "--name", "Barn phone", "--role", "technician"], &url);
        let key = String::from_utf8(created.stdout.clone()).unwrap().trim().to_owned();
        assert!(key.starts_with("tks_"), "{}", said(&created));
        let status = async || {
            http.get(format!("{}/v1/herds", service.base)).bearer_auth(&key).send().await.unwrap().status()
        };
        assert_eq!(status().await, 200);
        let listed = said(&run(&["key", "list"], &url));
        let line = listed.lines().find(|line| line.contains("Barn phone")).unwrap();
        assert!(line.contains("technician") && line.contains("good"), "{line}");
        assert!(!listed.contains(&key), "a secret is shown once");
        let id = line.split_whitespace().next().unwrap();
        assert!(run(&["key", "revoke", id], &url).status.success());
        // By another process: it was looked up in the last five seconds and is believed for so long.
        service::until("a revoked key to be refused", async || status().await == 401).await;
        assert!(!run(&["key", "revoke", id], &url).status.success());
        let wrong = run(&["key", "create", "--name", "x", "--role", "owner"], &url);
        assert!(said(&wrong).contains("must be one of reader, technician, integration, manager"));

        // One that is good for a herd and no other.
        let first = service.first_key.clone().unwrap();
        let mut herds = Vec::new();
        for name in ["Lower Meadow", "Upper Meadow"] {
            let herd = json!({"name": name, "time_zone": "Europe/Vienna"});
            herds.push(made(&http, &service.base, &first, "/v1/herds", herd).await);
        }
        let create = |role, herd| {
            run(&["key", "create", "--name", "Herd software", "--role", role, "--herd", herd], &url)
        };
        let key = String::from_utf8(create("integration", &herds[1]).stdout).unwrap().trim().to_owned();
        let told = http.get(format!("{}/v1/herds", service.base)).bearer_auth(&key).send().await.unwrap();
        let told: Value = told.json().await.unwrap();
        assert_eq!((&told["items"][0]["id"], &told["items"][1]), (&json!(herds[1]), &Value::Null));
        assert!(said(&run(&["key", "list"], &url)).contains(&format!("limited to the herd {}", herds[1])));
        let nobody = Uuid::now_v7().to_string();
        assert!(said(&create("integration", &nobody)).contains(&format!("no herd {nobody}")));
        assert!(said(&create("manager", &herds[1])).contains("no manager's key"));
    }
}

#[tokio::test]
async fn a_key_made_on_a_new_store_opens_it() {
    let folder = tempfile::tempdir().unwrap();
    for url in [sqlite(&folder), new_postgres_database().await] {
        let created = run(&["key", "create", "--name", "Owner", "--role", "manager", "--new-store"], &url);
        let key = String::from_utf8(created.stdout.clone()).unwrap().trim().to_owned();
        let listed = said(&run(&["business", "list"], &url));
        let id = listed.split_whitespace().next().unwrap();
        assert!(run(&["business", "rename", id, "--name", "Meadow Breeders"], &url).status.success());
        let service = Service::start(&url);
        assert_eq!(service.first_key, None, "its first key was shown already");
        let answer = support::http_client().get(format!("{}/v1/business", service.base)).bearer_auth(&key);
        let business: Value = answer.send().await.unwrap().json().await.unwrap();
        assert_eq!(business["name"], "Meadow Breeders", "{}", said(&created));
        let nobody = Uuid::now_v7().to_string();
        assert!(!run(&["business", "rename", &nobody, "--name", "x"], &url).status.success());
    }
}

#[tokio::test]
async fn health_tells_a_script_whether_the_service_is_ready() {
    let folder = tempfile::tempdir().unwrap();
    let service = Service::start(&sqlite(&folder));
    let ask = |url: &str| Command::new(PROGRAM).args(["health", "--url", url]).output().unwrap();
    assert!(ask(&service.base).status.success());
    // A proxy that the environment names is for the way out.
    let proxied = Command::new(PROGRAM)
        .args(["health", "--url", &service.base])
        .envs([("http_proxy", "http://127.0.0.1:9"), ("ALL_PROXY", "http://127.0.0.1:9")])
        .env_remove("no_proxy")
        .env_remove("NO_PROXY")
        .output()
        .unwrap();
    assert!(proxied.status.success(), "{}", said(&proxied));
    let base = service.base.clone();
    service.kill();
    assert!(!ask(&base).status.success());
}

/// No body, whatever stands in it, has the program take more than a small multiple of what it may be long.
#[tokio::test]
async fn a_hostile_body_takes_little_memory() {
    const MEBIBYTE: usize = 1024 * 1024;
    let folder = tempfile::tempdir().unwrap();
    let service = Service::start(&sqlite(&folder));
    let key = service.first_key.clone().unwrap();
    let http = support::http_client();
    let (_, animal) = stocked(&http, &service.base, &key, 1).await;
    let repeated = |one: &str, bytes: usize| vec![one; bytes / (one.len() + 1)].join(",");
    let name = "n".repeat(50_000);
    let before = service.most_memory();
    for (path, body) in [
        ("/v1/herds", format!("{{\"{name}\":{{{}}}}}", repeated("\"a\":1", 60_000))),
        ("/v1/herds", format!("{{\"{name}\":{{{}}}}}", repeated("\"a\":1", MEBIBYTE - 60_000))),
        ("/v1/herds", format!("{{{}}}", repeated("\"a\":1", MEBIBYTE - 10))),
        ("/v1/herds", format!("{{\"n\":[{}]}}", repeated("{}", MEBIBYTE - 20))),
        (
            "/v1/herds",
            format!("{{\"n\":{{\"n\":{{\"n\":[{}]}}}}}}", repeated("{\"b\":1,\"b\":[]}", MEBIBYTE - 40)),
        ),
        ("/v1/withdrawals/batch", format!("[{}]", repeated("{}", MEBIBYTE - 10))),
        ("/v1/stocktakes", format!("{{\"counts\":[{}]}}", repeated("{}", 14_000))),
    ] {
        let answer = http
            .post(format!("{}{path}", service.base))
            .bearer_auth(&key)
            .header("idempotency-key", Uuid::now_v7().to_string())
            .header("content-type", "application/json")
            .body(body)
            .send()
            .await
            .unwrap();
        assert_eq!(answer.status(), 422, "{path}");
        let told = answer.text().await.unwrap();
        assert!(told.len() < 200_000, "{path} answers {} bytes", told.len());
    }
    // A line a withdrawal, none of which is one.
    let lines = http
        .post(format!("{}/v1/withdrawals/batch", service.base))
        .bearer_auth(&key)
        .header("content-type", "application/x-ndjson")
        .body("1\n".repeat(MEBIBYTE / 2));
    assert_eq!(lines.send().await.unwrap().status(), 422);
    // A thousand items, each with more faults than anyone would read.
    let item: Vec<_> = (0..100).map(|n| format!("\"{n}\":1")).collect();
    let items = http
        .post(format!("{}/v1/withdrawals/batch", service.base))
        .bearer_auth(&key)
        .header("content-type", "application/x-ndjson")
        .body(format!("{{{}}}\n", item.join(",")).repeat(1000));
    let told = items.send().await.unwrap().text().await.unwrap();
    assert!(told.len() < 2 * MEBIBYTE, "a batch answers {} bytes", told.len());
    let took = service.most_memory() - before;
    println!("{took} bytes at most");
    assert!(took < 64 * MEBIBYTE, "{took} bytes for bodies of one mebibyte");
    assert_eq!(straws(&http, &service.base, &key).await, 1, "and it goes on with {animal}");
}

/// Sends words over a connection of its own.
fn say(base: &str, words: &str) -> TcpStream {
    let mut stream = TcpStream::connect(base.trim_start_matches("http://")).unwrap();
    stream.set_read_timeout(Some(Duration::from_mins(1))).unwrap();
    stream.write_all(words.as_bytes()).unwrap();
    stream
}

/// The first bytes of what is said.
fn hear(stream: &mut TcpStream) -> String {
    let mut heard = [0; 4096];
    let length = stream.read(&mut heard).unwrap();
    String::from_utf8_lossy(&heard[..length]).into_owned()
}

#[test]
fn connections_without_a_key_take_little_and_do_not_stay() {
    const MANY: usize = 400;
    let folder = tempfile::tempdir().unwrap();
    let service = Service::with(&sqlite(&folder), &["--header-seconds", "5"]);
    let ask = "GET /healthz HTTP/1.1\r\nhost: localhost\r\n\r\n";
    // What every first request costs is not the connection's.
    assert!(hear(&mut say(&service.base, ask)).starts_with("HTTP/1.1 200"));
    let before = service.memory_now();
    let mut idle: Vec<_> = (0..MANY).map(|_| say(&service.base, ask)).collect();
    for stream in &mut idle {
        assert!(hear(stream).starts_with("HTTP/1.1 200"));
    }
    let each = service.memory_now().saturating_sub(before) / MANY;
    println!("an idle connection takes {each} bytes");
    assert!(each < 20_000, "an idle connection takes {each} bytes");
    for stream in &mut idle {
        assert_eq!(hear(stream), "", "closed without another word");
    }
}

/// The rights of every file in a folder.
fn rights(folder: &std::path::Path) -> BTreeMap<String, u32> {
    use std::os::unix::fs::PermissionsExt as _;
    let entries = std::fs::read_dir(folder).unwrap().map(Result::unwrap);
    entries
        .map(|entry| {
            let mode = entry.metadata().unwrap().permissions().mode() & 0o777;
            (entry.file_name().into_string().unwrap(), mode)
        })
        .collect()
}

#[tokio::test]
async fn only_the_owner_reads_what_is_kept_whatever_the_umask_says() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    let careless = || {
        let mut shell = Command::new("sh");
        shell.args(["-c", "umask 0; exec \"$0\" \"$@\"", PROGRAM]);
        shell
    };
    let service = Service::run(careless(), &url);
    let key = service.first_key.clone().unwrap();
    made(&support::http_client(), &service.base, &key, "/v1/tanks", json!({"name": "Dairy room"})).await;
    for arguments in [&["export", "tanks", "--output", "tanks.csv"][..], &["backup", "copy.db"]] {
        let done = careless()
            .args(arguments)
            .args(["--database-url", &url])
            .current_dir(folder.path())
            .output()
            .unwrap();
        assert!(done.status.success(), "{}", said(&done));
    }
    let all = rights(folder.path());
    let expected =
        ["copy.db", "tanks.csv", "tankside.db", "tankside.db-shm", "tankside.db-wal", "tankside.db.lock"];
    assert_eq!(all.keys().collect::<Vec<_>>(), expected);
    assert!(all.values().all(|mode| *mode == 0o600), "{all:?}");
    assert_eq!(service.terminate(), 0);

    // A store of an older version, which everybody could read, is closed to others when it is next served.
    let store = folder.path().join("tankside.db");
    std::fs::set_permissions(&store, std::fs::Permissions::from_mode(0o664)).unwrap();
    let service = Service::run(careless(), &url);
    assert_eq!(rights(folder.path())["tankside.db"], 0o600);
    assert_eq!(service.terminate(), 0);
}

#[tokio::test]
async fn the_first_key_may_go_to_a_file_and_no_key_into_the_log() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("first-key");
    let mut command = Command::new("sh");
    command.args(["-c", "exec \"$0\" \"$@\" 2>\"$LOG\"", PROGRAM]);
    let log = folder.path().join("log");
    command.env("LOG", &log).env("TANKSIDE_LOG", "info").env("TANKSIDE_FIRST_KEY_FILE", &file);
    let service = Service::run(command, &sqlite(&folder));
    assert_eq!(service.first_key, None);
    assert_eq!(rights(folder.path())["first-key"], 0o600);
    let key = std::fs::read_to_string(&file).unwrap().trim().to_owned();
    let http = support::http_client();
    assert_eq!(straws(&http, &service.base, &key).await, 0);
    for strayed in [format!("/v1/stock/{key}"), format!("/v1/{}", key.replace('_', "%5F"))] {
        http.get(format!("{}{strayed}", service.base)).send().await.unwrap();
    }
    assert_eq!(service.terminate(), 0);
    let logged = std::fs::read_to_string(&log).unwrap();
    assert!(logged.contains("/v1/stock") && !logged.contains(&key[4..30]), "{logged}");
    let names: Vec<_> = rights(folder.path()).into_keys().collect();
    assert_eq!(names, ["first-key", "log", "tankside.db", "tankside.db.lock"], "nothing is left behind");
}

/// What the bytes of a client's connection were secured by.
async fn certificate_at(client: &reqwest::Client, url: &str) -> Option<Vec<u8>> {
    let answer = client.get(url).send().await.ok()?;
    assert_eq!(answer.status(), 200);
    answer.extensions().get::<reqwest::tls::TlsInfo>()?.peer_certificate().map(<[u8]>::to_vec)
}

/// A phone that has the farm's authority talks to the program over TLS, and a certificate that is made anew is taken up
/// without a restart.
#[tokio::test]
async fn a_farm_s_own_certificate_is_trusted_and_renewed_while_the_service_runs() {
    let folder = tempfile::tempdir().unwrap();
    let tls = folder.path().join("tls");
    let new = |name: &str| {
        let mut command = Command::new(PROGRAM);
        command.args(["certificate", "new", "--ip", "192.168.10.5", "--name", name, "--folder"]).arg(&tls);
        command.output().unwrap()
    };
    let made = new("barn.local");
    assert!(made.status.success(), "{}", said(&made));
    assert!(
        said(&made).contains("SHA-256 of the authority: ") && said(&made).contains("CA certificate"),
        "{}",
        said(&made)
    );
    let names = ["authority-key.pem", "authority.pem", "certificate.pem", "key.pem"];
    assert_eq!(rights(&tls), names.map(|name| (name.to_owned(), 0o600)).into());
    let file = |name: &str| tls.join(name).display().to_string();
    let (certificate, key, authority) = (file("certificate.pem"), file("key.pem"), file("authority.pem"));
    let flags = ["--tls-cert", certificate.as_str(), "--tls-key", key.as_str()];
    let service = Service::with(&sqlite(&folder), &flags);
    let address: std::net::SocketAddr = service.base.strip_prefix("https://").unwrap().parse().unwrap();

    // A client that knows the authority; a new one each time, so that it agrees on a new secret.
    let trusted = reqwest::Certificate::from_pem(&std::fs::read(&authority).unwrap()).unwrap();
    let client = || {
        let client =
            support::http_client_builder().no_proxy().tls_info(true).tls_certs_only([trusted.clone()]);
        client.resolve("barn.local", address).resolve("other.local", address).build().unwrap()
    };
    let url = format!("https://barn.local:{}/readyz", address.port());
    let first = certificate_at(&client(), &url).await.expect("a client with the authority is answered");
    let by_address = certificate_at(&client(), &format!("{}/readyz", service.base)).await;
    assert_eq!(by_address.as_ref(), Some(&first));
    let page = client().get(format!("https://barn.local:{}/", address.port())).send().await.unwrap();
    assert_eq!((page.status().as_u16(), page.version()), (200, reqwest::Version::HTTP_11));
    // Another name, a client without the authority, and one that speaks plainly get nowhere.
    assert!(client().get(format!("https://other.local:{}/", address.port())).send().await.is_err());
    let stranger = support::http_client_builder().no_proxy().resolve("barn.local", address).build().unwrap();
    assert!(stranger.get(&url).send().await.is_err());
    let plain = stranger.get(format!("http://{address}/readyz")).send().await;
    assert!(plain.is_err(), "{plain:?}");
    let health = |more: &[&str]| {
        let asked = Command::new(PROGRAM).args(["health", "--url", &service.base]).args(more).output();
        asked.unwrap().status.success()
    };
    assert!(health(&["--authority", &authority]) && !health(&[]));

    // Made anew by the same authority, it is taken up on SIGHUP,
    let hang_up = || assert!(Command::new("kill").args(["-HUP", &service.pid()]).status().unwrap().success());
    let is_new = async |old: &Vec<u8>| certificate_at(&client(), &url).await.is_some_and(|now| now != *old);
    let again = new("barn.local");
    assert!(again.status.success() && said(&again).contains("as before"), "{}", said(&again));
    hang_up();
    service::until("the certificate to be taken up", async || is_new(&first).await).await;
    // and by itself once the files changed;
    let second = certificate_at(&client(), &url).await.unwrap();
    assert!(new("barn.local").status.success());
    service::until("the certificate to be seen", async || is_new(&second).await).await;
    // what cannot be used is not.
    let third = certificate_at(&client(), &url).await.unwrap();
    std::fs::write(&certificate, "not a certificate").unwrap();
    hang_up();
    let fourth = certificate_at(&client(), &url).await;
    assert_eq!(fourth, Some(third));
    assert_eq!(service.terminate(), 0);

    // Nor does the service start with it, or with half of what it takes.
    let url = sqlite(&folder);
    let refused =
        run(&["serve", "--listen", "127.0.0.1:0", "--tls-cert", &certificate, "--tls-key", &key], &url);
    assert!(!refused.status.success() && said(&refused).contains("certificate"), "{}", said(&refused));
    let refused = run(&["serve", "--listen", "127.0.0.1:0", "--tls-cert", &authority], &url);
    assert!(!refused.status.success() && said(&refused).contains("--tls-key"), "{}", said(&refused));
    let other = run(&["serve", "--listen", "127.0.0.1:0", "--tls-cert", &authority, "--tls-key", &key], &url);
    assert!(!other.status.success() && said(&other).contains("do not go together"), "{}", said(&other));
}

/// Half blocks as rows of modules, each line two of them; true is dark.
fn modules(lines: &[&str]) -> Vec<Vec<bool>> {
    let mut rows = Vec::new();
    for line in lines {
        for half in [['\u{2588}', '\u{2580}'], ['\u{2588}', '\u{2584}']] {
            rows.push(line.chars().map(|block| half.contains(&block)).collect());
        }
    }
    rows
}

#[tokio::test]
async fn a_key_may_be_handed_over_as_a_picture() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    let flags = ["key", "create", "--name", "Barn phone", "--role", "technician", "--new-store", "--qr"];
    let made = run(&[&flags[..], &["--url", "https://barn.local:8443"]].concat(), &url);
    assert!(made.status.success(), "{}", said(&made));
    let told = String::from_utf8(made.stdout).unwrap();
    let lines: Vec<&str> = told.lines().collect();
    let (key, link) = (lines[0], lines[lines.len() - 1]);
    assert_eq!(link, format!("https://barn.local:8443/#key={key}"));
    // Read by a library that knows nothing of the one that drew it, as a camera would: eight pixels to a module.
    let rows = modules(&lines[1..lines.len() - 1]);
    let dark = |x: usize, y: usize| rows.get(y / 8).and_then(|row| row.get(x / 8)).copied().unwrap_or(false);
    let mut seen = rqrr::PreparedImage::prepare_from_bitmap(rows[0].len() * 8, rows.len() * 8, dark);
    let read: Vec<String> = seen.detect_grids().iter().map(|grid| grid.decode().unwrap().1).collect();
    assert_eq!(read, [link]);
    // ISO/IEC 18004: a quiet zone of four modules on every side.
    assert!(rows[..4].iter().flatten().all(|dark| !dark) && rows.iter().all(|row| !row[..4].contains(&true)));
    let service = Service::start(&url);
    assert_eq!(straws(&support::http_client(), &service.base, key).await, 0);
    let alone =
        run(&["key", "create", "--name", "x", "--role", "reader", "--url", "https://barn.local"], &url);
    assert!(!alone.status.success(), "an address without --qr would say nothing");
}

/// However many pictures are asked for, only some are drawn at a time, and their memory is used again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pictures_take_turns() {
    const PICTURES: usize = 150;
    const READS_OF_A_KEY: usize = 4;
    const MOST: usize = 200 * 1024 * 1024;
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    let service = Service::start(&url);
    let key = service.first_key.clone().unwrap();
    let http = support::http_client();
    let tank = made(&http, &service.base, &key, "/v1/tanks", json!({"name": "Dairy room"})).await;
    // A key's own limit of reads at once must not come before that of pictures.
    let mut keys = Vec::new();
    for n in 0..PICTURES.div_ceil(READS_OF_A_KEY) {
        let created = run(&["key", "create", "--name", &format!("Reader {n}"), "--role", "reader"], &url);
        let key = String::from_utf8(created.stdout).unwrap().trim().to_owned();
        // What comes first with a key that was not seen yet counts as a guess, and an address has so many of these.
        let known = http.get(format!("{}/v1/business", service.base)).bearer_auth(&key).send().await.unwrap();
        assert_eq!(known.status(), 200);
        keys.push(key);
    }
    let before = service.most_memory();
    let mut asked = tokio::task::JoinSet::new();
    for n in 0..PICTURES {
        let picture = http
            .get(format!("{}/v1/tanks/{tank}/nitrogen.png", service.base))
            .bearer_auth(&keys[n % keys.len()]);
        asked.spawn(async move {
            let answer = picture.send().await.unwrap();
            let again = answer.headers().get("retry-after").cloned();
            (answer.status().as_u16(), again, answer.bytes().await.unwrap())
        });
    }
    let (mut drawn, mut refused) = (0, 0);
    for (status, again, bytes) in asked.join_all().await {
        match status {
            200 => {
                assert!(bytes.starts_with(b"\x89PNG"));
                drawn += 1;
            }
            503 => {
                assert!(again.is_some() && String::from_utf8_lossy(&bytes).contains("/problems/overloaded"));
                refused += 1;
            }
            other => panic!("{other}: {}", String::from_utf8_lossy(&bytes)),
        }
    }
    println!("{drawn} drawn, {refused} refused");
    assert!(drawn > 0 && refused > 0, "{drawn} drawn, {refused} refused");
    let took = service.most_memory() - before;
    println!("{took} bytes for {PICTURES} pictures");
    assert!(took < MOST, "{took} bytes for {PICTURES} pictures");
}

#[test]
fn a_half_open_request_does_not_keep_the_program_from_stopping() {
    let folder = tempfile::tempdir().unwrap();
    let service = Service::with(&sqlite(&folder), &["--stop-seconds", "2", "--header-seconds", "60"]);
    let _open = say(&service.base, "GET /healthz HTTP/1.1\r\nhost: loc");
    let _idle = say(&service.base, "");
    let began = Instant::now();
    assert_eq!(service.terminate(), 0);
    assert!(began.elapsed() < Duration::from_secs(15), "{:?}", began.elapsed());
}

#[tokio::test]
async fn verify_finds_what_was_tampered_with() {
    let folder = tempfile::tempdir().unwrap();
    for url in [sqlite(&folder), new_postgres_database().await] {
        let service = Service::start(&url);
        let key = service.first_key.clone().unwrap();
        let http = support::http_client();
        let receiver = Receiver::new().await;
        made(&http, &service.base, &key, "/v1/webhooks", json!({"url": receiver.url})).await;
        let (lot, animal) = stocked(&http, &service.base, &key, 8).await;
        let order = json!({"animal_id": animal, "lot_id": lot});
        made(&http, &service.base, &key, "/v1/withdrawals", order).await;
        receiver.hears(1).await;
        assert_eq!(service.terminate(), 0);
        let sound = run(&["verify"], &url);
        assert!(sound.status.success() && said(&sound).contains("The book adds up."), "{}", said(&sound));
        for (tamper, told) in [
            ("update balance set straws = straws + 1", "balance 8, movements 7"),
            (
                "update business set event_seq = event_seq + 1",
                "numbered without a gap: events 1, first 1, last 1, counter 2",
            ),
            (
                "update outbox set data = '{\"withdrawal_id\": \"none\"}'",
                "what others are told of is in the book: straw.withdrawn 1",
            ),
            ("delete from delivery_attempt", "a delivery that was made has an attempt"),
            ("delete from webhook_secret", "a webhook has one present secret"),
        ] {
            if url.starts_with("sqlite") {
                sqlx::SqliteConnection::connect(&url).await.unwrap().execute(tamper).await.unwrap();
            } else {
                sqlx::PgConnection::connect(&url).await.unwrap().execute(tamper).await.unwrap();
            }
            let broken = run(&["verify"], &url);
            assert!(!broken.status.success());
            assert!(said(&broken).contains(told), "{tamper}: {}", said(&broken));
        }
    }
}

/// Clients withdraw straws without pause, each act under a key of its own, and note what was answered.
struct Load {
    answered: Arc<Mutex<BTreeMap<String, u16>>>,
    unanswered: Arc<Mutex<Vec<String>>>,
    stop: Arc<AtomicBool>,
    clients: Vec<tokio::task::JoinHandle<()>>,
}

impl Load {
    fn on(base: &str, key: &str, order: &Value, clients: usize) -> Self {
        let (answered, unanswered) = (Arc::default(), Arc::default());
        let stop = Arc::new(AtomicBool::new(false));
        let http = support::http_client();
        let clients = (0..clients)
            .map(|_| {
                let (http, base, key, order) = (http.clone(), base.to_owned(), key.to_owned(), order.clone());
                let answered: Arc<Mutex<BTreeMap<String, u16>>> = Arc::clone(&answered);
                let unanswered: Arc<Mutex<Vec<String>>> = Arc::clone(&unanswered);
                let stop = stop.clone();
                tokio::spawn(async move {
                    while !stop.load(Ordering::Relaxed) {
                        let act = Uuid::now_v7().to_string();
                        let answer = post(&http, &base, &key, "/v1/withdrawals", &act, &order).await;
                        if let Some((status, _)) = answer {
                            answered.lock().unwrap().insert(act, status);
                        } else {
                            unanswered.lock().unwrap().push(act);
                            break;
                        }
                    }
                })
            })
            .collect();
        Self { answered, unanswered, stop, clients }
    }

    async fn answered_at_least(&self, acts: usize) {
        while self.answered.lock().unwrap().len() < acts {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    }

    async fn end(self) -> (BTreeMap<String, u16>, Vec<String>) {
        self.stop.store(true, Ordering::Relaxed);
        for client in self.clients {
            client.await.unwrap();
        }
        let answered = self.answered.lock().unwrap().clone();
        let unanswered = self.unanswered.lock().unwrap().clone();
        (answered, unanswered)
    }
}

/// Told to stop under load, it answers what it accepted, loses nothing, and ends well.
async fn stopped_under_load(url: &str) {
    const STOCK: i64 = 90_000;
    let http = support::http_client();
    let service = Service::start(url);
    let key = service.first_key.clone().unwrap();
    let (lot, animal) = stocked(&http, &service.base, &key, STOCK).await;
    let order = json!({"animal_id": animal, "lot_id": lot});
    let load = Load::on(&service.base, &key, &order, 8);
    load.answered_at_least(50).await;
    assert_eq!(service.terminate(), 0);
    let (answered, _) = load.end().await;
    let done = answered.values().filter(|status| **status == 201).count();
    assert!(done > 0 && done == answered.len(), "{answered:?}");
    let service = Service::start(url);
    let left = straws(&http, &service.base, &key).await;
    assert_eq!(left, STOCK - i64::try_from(done).unwrap(), "every accepted request was answered");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn stopped_under_load_on_sqlite() {
    let folder = tempfile::tempdir().unwrap();
    stopped_under_load(&sqlite(&folder)).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn stopped_under_load_on_postgres() {
    stopped_under_load(&new_postgres_database().await).await;
}

/// Two services on one PostgreSQL share the stock without taking a straw twice.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_processes_share_one_postgres() {
    let url = new_postgres_database().await;
    let http = support::http_client();
    let (one, other) = (Service::start(&url), Service::start(&url));
    assert_eq!(other.first_key, None);
    let key = one.first_key.clone().unwrap();
    let (lot, animal) = stocked(&http, &one.base, &key, 150).await;
    let order = json!({"animal_id": animal, "lot_id": lot});
    let loads = [Load::on(&one.base, &key, &order, 8), Load::on(&other.base, &key, &order, 8)];
    while straws(&http, &one.base, &key).await > 0 {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    let mut taken = 0;
    for load in loads {
        let (answered, unanswered) = load.end().await;
        assert!(unanswered.is_empty());
        assert!(answered.values().all(|status| matches!(status, 201 | 409)), "{answered:?}");
        let here = answered.values().filter(|status| **status == 201).count();
        assert!(here > 0, "both took part");
        taken += here;
    }
    assert_eq!(taken, 150);
    // The same act sent to both at once is done once.
    let (lot, animal) = stocked(&http, &one.base, &key, 40).await;
    let order = json!({"animal_id": animal, "lot_id": lot});
    for _ in 0..20 {
        let act = Uuid::now_v7().to_string();
        let send = |base: &str| {
            let (http, base, key, act, order) =
                (http.clone(), base.to_owned(), key.clone(), act.clone(), order.clone());
            tokio::spawn(
                async move { post(&http, &base, &key, "/v1/withdrawals", &act, &order).await.unwrap() },
            )
        };
        let (first, second) = (send(&one.base), send(&other.base));
        assert_eq!(first.await.unwrap(), second.await.unwrap());
    }
    assert_eq!(straws(&http, &one.base, &key).await, 20);
    assert_eq!((one.terminate(), other.terminate()), (0, 0));
    assert!(run(&["verify"], &url).status.success());
}

/// The ids of all withdrawals in the book.
async fn withdrawals(http: &reqwest::Client, base: &str, key: &str) -> BTreeSet<String> {
    let (mut ids, mut cursor) = (BTreeSet::new(), String::new());
    loop {
        let url = format!("{base}/v1/withdrawals?limit=500{cursor}");
        let page: Value = http.get(url).bearer_auth(key).send().await.unwrap().json().await.unwrap();
        let items = page["items"].as_array().unwrap();
        ids.extend(items.iter().map(|item| item["id"].as_str().unwrap().to_owned()));
        let Some(next) = page["next_cursor"].as_str() else { return ids };
        cursor = format!("&cursor={next}");
    }
}

/// Which withdrawals a receiver was told of, and in how many messages.
fn told_of(receiver: &Receiver) -> (BTreeSet<String>, usize) {
    let heard = receiver.heard();
    let of = |message: &receiver::Heard| message.body["data"]["withdrawal_id"].as_str().unwrap().to_owned();
    (heard.iter().map(of).collect(), heard.len())
}

/// Animals besides the first one of a stocked farm.
async fn more_animals(http: &reqwest::Client, base: &str, key: &str, number: usize) -> Vec<String> {
    let herds: Value =
        http.get(format!("{base}/v1/herds")).bearer_auth(key).send().await.unwrap().json().await.unwrap();
    let mut animals = Vec::new();
    for n in 0..number {
        let animal = json!({"herd_id": herds["items"][0]["id"], "number": format!("more {n}")});
        animals.push(made(http, base, key, "/v1/animals", animal).await);
    }
    animals
}

/// `kill -9` while clients withdraw and a receiver is told: each withdrawal in the book is told at least once, and
/// none is told that is not in the book.
async fn killed_while_others_are_told(url: &str, rounds: usize) {
    let http = support::http_client();
    let receiver = Receiver::new().await;
    let mut service = Service::start(url);
    let key = service.first_key.clone().unwrap();
    let (lot, animal) = stocked(&http, &service.base, &key, 90_000).await;
    let mut animals = more_animals(&http, &service.base, &key, 3).await;
    animals.push(animal);
    made(
        &http,
        &service.base,
        &key,
        "/v1/webhooks",
        json!({"url": receiver.url, "events": ["straw.withdrawn"]}),
    )
    .await;
    for round in 0..rounds {
        let loads: Vec<_> = animals
            .iter()
            .map(|animal| Load::on(&service.base, &key, &json!({"animal_id": animal, "lot_id": lot}), 1))
            .collect();
        for load in &loads {
            load.answered_at_least(2 + 5 * round).await;
        }
        service.kill();
        for load in loads {
            load.end().await;
        }
        service = Service::start(url);
    }
    let done = withdrawals(&http, &service.base, &key).await;
    assert!(done.len() > 20, "{}", done.len());
    let begun = Instant::now();
    while told_of(&receiver).0 != done {
        assert!(
            begun.elapsed() < Duration::from_secs(90),
            "told of {} of {}",
            told_of(&receiver).0.len(),
            done.len()
        );
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let ids: BTreeSet<_> = receiver.heard().iter().map(|m| m.header("webhook-id").to_owned()).collect();
    assert_eq!(ids.len(), done.len(), "what comes twice comes under the same id");
    assert_eq!(service.terminate(), 0);
    let verified = run(&["verify"], url);
    assert!(verified.status.success(), "{}", said(&verified));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_while_others_are_told_on_sqlite() {
    let folder = tempfile::tempdir().unwrap();
    killed_while_others_are_told(&sqlite(&folder), 5).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_while_others_are_told_on_postgres() {
    killed_while_others_are_told(&new_postgres_database().await, 5).await;
}

/// Two services on one PostgreSQL tell a receiver of each withdrawal once, not twice.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_processes_tell_each_thing_once() {
    let url = new_postgres_database().await;
    let http = support::http_client();
    let (one, other) = (Service::start(&url), Service::start(&url));
    let key = one.first_key.clone().unwrap();
    let receiver = Receiver::new().await;
    let (lot, animal) = stocked(&http, &one.base, &key, 90_000).await;
    let mut animals = more_animals(&http, &one.base, &key, 5).await;
    animals.push(animal);
    made(&http, &one.base, &key, "/v1/webhooks", json!({"url": receiver.url, "events": ["straw.withdrawn"]}))
        .await;
    let order = |animal: &String| json!({"animal_id": animal, "lot_id": lot});
    let loads: Vec<_> = animals
        .iter()
        .zip([&one, &other].into_iter().cycle())
        .map(|(animal, service)| Load::on(&service.base, &key, &order(animal), 1))
        .collect();
    for load in &loads {
        load.answered_at_least(15).await;
    }
    for load in loads {
        load.end().await;
    }
    let done = withdrawals(&http, &one.base, &key).await;
    let begun = Instant::now();
    while told_of(&receiver).0 != done {
        assert!(
            begun.elapsed() < Duration::from_secs(90),
            "told of {} of {}",
            told_of(&receiver).0.len(),
            done.len()
        );
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert_eq!((one.terminate(), other.terminate()), (0, 0));
    assert_eq!(told_of(&receiver).1, done.len(), "each once");
    assert!(run(&["verify"], &url).status.success());
}

/// `tankside listen` takes what is genuine and refuses what is forged.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn listen_tells_what_is_genuine() {
    let folder = tempfile::tempdir().unwrap();
    let service = Service::start(&sqlite(&folder));
    let key = service.first_key.clone().unwrap();
    let http = support::http_client();
    // The secret is known only once there is an address; so the listener first takes a free port.
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let hook = json!({"url": format!("http://localhost:{port}/")});
    let (status, hook) = post(&http, &service.base, &key, "/v1/webhooks", "hook", &hook).await.unwrap();
    assert_eq!(status, 201, "{hook:#}");
    let secret = hook["secret"].as_str().unwrap();
    let mut child = Command::new(PROGRAM)
        .args(["listen", "--port", &port.to_string(), "--secret", secret])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut next = move || serde_json::from_str::<Value>(&lines.next().unwrap().unwrap()).unwrap();
    let url = next()["listening"].as_str().unwrap().to_owned();

    let test = format!("/v1/webhooks/{}/test", hook["id"].as_str().unwrap());
    post(&http, &service.base, &key, &test, "test", &json!({})).await.unwrap();
    let heard = next();
    assert_eq!((&heard["genuine"], &heard["came_before"]), (&json!(true), &json!(false)), "{heard:#}");
    assert_eq!(heard["message"]["type"], "webhook.test");
    assert_eq!(heard["message"]["id"], heard["webhook_id"]);

    // The same words by somebody who does not know the secret.
    let body = heard["message"].to_string();
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_secs();
    for (at, signature) in [
        (now, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="),
        (now, ""),
        (0, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="),
    ] {
        let forged = http
            .post(&url)
            .header("webhook-id", heard["webhook_id"].as_str().unwrap())
            .header("webhook-timestamp", at)
            .header("webhook-signature", signature)
            .body(body.clone());
        assert_eq!(forged.send().await.unwrap().status(), 401);
        let heard = next();
        assert_eq!((&heard["genuine"], &heard["why"].is_string()), (&json!(false), &true), "{heard:#}");
    }
    // Sent once more it is known.
    let page = format!("{}{}", service.base, test.replace("/test", "/deliveries"));
    let page: Value = http.get(page).bearer_auth(&key).send().await.unwrap().json().await.unwrap();
    let again = format!("/v1/deliveries/{}/redelivery", page["items"][0]["id"].as_str().unwrap());
    post(&http, &service.base, &key, &again, "again", &json!({})).await.unwrap();
    assert_eq!(next()["came_before"], true);
    child.kill().unwrap();
    child.wait().unwrap();
}
