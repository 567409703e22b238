//! The demonstration holds what it says: `tankside demo --exit`, and the scripts of `demo/` against a
//! running service. They need bash, curl, python3 and node, and fail plainly where one is missing.

#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test fails by panicking, in its helpers too")]

use std::{
    io::{BufRead as _, BufReader},
    net::TcpListener,
    path::Path,
    process::{Child, Command, Output, Stdio},
};

const TANKSIDE: &str = env!("CARGO_BIN_EXE_tankside");

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Both outputs of a command, for a failing test.
fn shown(output: &Output) -> String {
    format!("{}\n{}\n{}", output.status, text(&output.stdout), text(&output.stderr))
}

/// The command, without settings from the surroundings.
fn tankside(arguments: &[&str]) -> Command {
    let mut command = Command::new(TANKSIDE);
    command.args(arguments);
    for name in
        ["TANKSIDE_LISTEN", "TANKSIDE_DATABASE_URL", "TANKSIDE_CONFIG", "TANKSIDE_RATE_LIMIT_PER_MINUTE"]
    {
        command.env_remove(name);
    }
    command
}

/// A service on a store of its own.
struct Serving {
    process: Child,
    url: String,
    key: String,
    _folder: tempfile::TempDir,
}

impl Serving {
    fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = store_in(folder.path());
        let mut process = tankside(&["serve", "--listen", "127.0.0.1:0", "--database-url", &store])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(process.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let ready: serde_json::Value = serde_json::from_str(&line).expect("the service did not start");
        let of = |name: &str| ready[name].as_str().unwrap().to_owned();
        Self { url: of("listening"), key: of("first_key"), process, _folder: folder }
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn store_in(folder: &Path) -> String {
    format!("sqlite://{}", folder.join("demo.db").display())
}

/// Runs a script of `demo/` with `interpreter` against a fresh, empty service.
fn run_script(interpreter: &str, script: &str) -> Output {
    let serving = Serving::start();
    run_script_at(interpreter, script, &serving.url, &serving.key)
}

fn run_script_at(interpreter: &str, script: &str, url: &str, key: &str) -> Output {
    for needed in [interpreter, "curl"] {
        let found = Command::new(needed).arg("--version").output();
        assert!(
            found.is_ok_and(|found| found.status.success()),
            "{needed} is not there: demo/{script} needs it"
        );
    }
    Command::new(interpreter)
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("demo").join(script))
        .env("TANKSIDE_URL", url)
        .env("TANKSIDE_KEY", key)
        .env_remove("TANKSIDE_ACTS")
        .env_remove("TANKSIDE_QUEUE")
        .output()
        .unwrap()
}

#[test]
fn the_morning_round_comes_out_as_told() {
    let output = tankside(&["demo", "--exit"]).output().unwrap();
    let told = text(&output.stdout);
    assert!(output.status.success(), "{}", shown(&output));
    for line in [
        "40 lots",
        "150 animals",
        "[409 choice-rule]",
        "[403 forbidden]",
        "The bath is 38.2 C and must be 35.0-37.0 C.",
        "Add 110 ml of water at 12.0 C",
        "Add 55 ml of water at 12.0 C",
        "[409 animal-pregnant]",
        "[409 kinship]",
        "[409 lot-not-usable]",
        "[409 do-not-breed]",
        "[201, Idempotent-Replayed]",
        "[409 not-in-stock]",
        "Served 7 min after the straw should have been used.",
        "150.0 mm between",
        "/nitrogen.svg, or .png",
        "withdrawal 201, thaw 200, service 201",
        "stock.low, webhook-id ",
        "fits the secret",
        "nitrogen.loss_high: ",
        "the book adds up",
        "steps came out as told.",
    ] {
        assert!(told.contains(line), "no {line:?} in\n{told}");
    }
    assert!(!told.contains("OTHERWISE"), "{told}");
    assert!(!told.contains('\x1b'), "colours that no terminal asked for:\n{told}");
    for line in told.lines() {
        assert!(line.chars().count() <= 100, "too long: {line}");
    }
}

#[test]
fn the_demo_keeps_out_of_a_store_with_herds() {
    let folder = tempfile::tempdir().unwrap();
    let store = store_in(folder.path());
    let demo = || tankside(&["demo", "--exit", "--database-url", &store]).output().unwrap();
    let first = demo();
    assert!(first.status.success(), "{}", shown(&first));
    let second = demo();
    assert!(!second.status.success(), "{}", shown(&second));
    assert!(text(&second.stderr).contains("this store has herds already"), "{}", shown(&second));
    assert!(second.stdout.is_empty(), "{}", shown(&second));
}

#[test]
fn an_address_that_was_asked_for_and_is_taken_is_refused() {
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap().to_string();
    let output = tankside(&["demo", "--exit", "--listen", &address]).output().unwrap();
    assert!(!output.status.success(), "{}", shown(&output));
    assert!(text(&output.stderr).contains(&format!("cannot listen on {address}")), "{}", shown(&output));
}

#[test]
fn the_shell_script_walks_a_straws_way() {
    let output = run_script("bash", "round.sh");
    assert!(output.status.success(), "{}", shown(&output));
    assert!(text(&output.stdout).contains("4 straws are left, as it must be."), "{}", shown(&output));
}

#[test]
fn the_python_script_loses_its_connection_and_takes_one_straw() {
    let output = run_script("python3", "round.py");
    assert!(output.status.success(), "{}", shown(&output));
    let told = text(&output.stdout);
    assert!(told.contains("waiting: withdrawal, thaw, service"), "{told}");
    assert!(told.contains("POST /v1/withdrawals: RemoteDisconnected"), "{told}");
    assert!(told.contains("Exactly one straw left the tank"), "{told}");
}

#[test]
fn the_javascript_script_walks_a_straws_way() {
    let output = run_script("node", "round.mjs");
    assert!(output.status.success(), "{}", shown(&output));
    assert!(text(&output.stdout).contains("4 straws are left, as it must be."), "{}", shown(&output));
}

/// Beside the farm of the demo, which keeps being served after its round.
#[test]
fn the_scripts_walk_it_beside_the_demo_too() {
    let mut process = tankside(&["demo", "--listen", "127.0.0.1:0"]).stdout(Stdio::piped()).spawn().unwrap();
    let (mut url, mut key) = (None, None);
    for line in BufReader::new(process.stdout.take().unwrap()).lines() {
        let line = line.unwrap();
        url = url.or(line.trim().strip_prefix("export TANKSIDE_URL=").map(ToOwned::to_owned));
        key = key.or(line.trim().strip_prefix("export TANKSIDE_KEY=").map(ToOwned::to_owned));
        if url.is_some() && key.is_some() {
            break;
        }
    }
    let (url, key) = (url.unwrap(), key.unwrap());
    let mut serving = Serving { process, url, key, _folder: tempfile::tempdir().unwrap() };
    for (interpreter, script) in [("bash", "round.sh"), ("python3", "round.py"), ("node", "round.mjs")] {
        let output = run_script_at(interpreter, script, &serving.url, &serving.key);
        assert!(output.status.success(), "{}", shown(&output));
    }
    let stop = Command::new("kill").args(["-TERM", &serving.process.id().to_string()]).status().unwrap();
    assert!(stop.success());
    // It removes its farm.
    assert!(serving.process.wait().unwrap().success());
}

/// Killed in the middle of every act and run again, each does every act once.
#[test]
fn a_script_that_is_killed_goes_on_where_it_was() {
    let check = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/round_killed.py");
    let output = Command::new("python3").arg(check).arg(TANKSIDE).output().unwrap();
    assert!(output.status.success(), "{}", shown(&output));
    for script in ["round.sh", "round.py", "round.mjs"] {
        assert!(text(&output.stdout).contains(&format!("{script}: killed 10 times")), "{}", shown(&output));
    }
}
