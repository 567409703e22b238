//! The disk is full, or the file may not be written: acts are refused for now, reading goes on, and the service takes
//! up its work by itself when the fault is gone.

use std::{
    fs::{self, File, Permissions},
    io::Write as _,
    os::unix::{
        fs::{MetadataExt as _, PermissionsExt as _, chown},
        process::CommandExt as _,
    },
    path::Path,
    process::{Command, Stdio},
};

use serde_json::json;
use uuid::Uuid;

use crate::{
    load::Load,
    service::{PROGRAM, Service, post, run, said, sqlite, stocked, straws, until},
    support,
};

/// What `/readyz` says: nothing when ready, else which check fails.
async fn failing(http: &reqwest::Client, base: &str) -> Option<String> {
    let answer = http.get(format!("{base}/readyz")).send().await.unwrap();
    let ready = answer.status() == 200;
    let body: serde_json::Value = answer.json().await.unwrap();
    (!ready).then(|| body["failing"].as_str().unwrap().to_owned())
}

/// While clients work and the disk is full: acts are answered 503, reading goes on.
async fn is_full_but_reads(service: &Service, key: &str, load: &Load) {
    let http = support::http_client();
    until("an act that could not be written", async || !load.problems().is_empty()).await;
    until("word of it", async || failing(&http, &service.base).await.is_some()).await;
    assert!(straws(&http, &service.base, key).await > 0, "reading goes on");
}

/// And when there is room again.
async fn recovers(service: Service, url: &str, load: Load) {
    let http = support::http_client();
    until("the service to be ready again", async || failing(&http, &service.base).await.is_none()).await;
    load.answers(50).await;
    load.end().await.agrees_with(&service.base, url).await;
    assert_eq!(service.terminate(), 0);
}

/// Any user can do this: the system refuses to make the process's files longer, as a full disk would.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_file_can_grow() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    // The signal that comes with the refusal would end the process.
    let mut patient = Command::new("sh");
    patient.args(["-c", "trap '' XFSZ; exec \"$@\"", "sh", PROGRAM]).stderr(Stdio::null());
    let service = Service::run(patient, &url);
    let key = service.first_key.clone().unwrap();
    let load = Load::on(&service.base, &key, 4).await;
    load.answers(20).await;
    let log = folder.path().join("tankside.db-wal");
    let limit = |bytes: &str| {
        let set = Command::new("prlimit").args(["--pid", &service.pid(), bytes]).status();
        assert!(set.expect("prlimit, of util-linux").success());
    };
    limit(&format!("--fsize={}:", fs::metadata(&log).unwrap().len() + 40_000));
    is_full_but_reads(&service, &key, &load).await;
    limit("--fsize=unlimited:");
    recovers(service, &url, load).await;
}

/// A small disk, which only root can make.
struct SmallDisk(tempfile::TempDir);

impl SmallDisk {
    fn make() -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", "size=8m", "tankside-test"]).arg(folder.path());
        mount.stderr(Stdio::null()).status().is_ok_and(|mounted| mounted.success()).then(|| Self(folder))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.0.path()).status();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_disk_is_full() {
    let Some(disk) = SmallDisk::make() else {
        // Past the capture of a test's output, so that it is seen.
        let told = "NOT RUN the_disk_is_full: no small disk can be mounted; no_file_can_grow runs instead";
        writeln!(std::io::stderr(), "{told}").unwrap();
        return;
    };
    let url = sqlite(&disk.0);
    let mut quiet = Command::new(PROGRAM);
    quiet.stderr(Stdio::null());
    let service = Service::run(quiet, &url);
    let key = service.first_key.clone().unwrap();
    let load = Load::on(&service.base, &key, 4).await;
    load.answers(20).await;
    let filler = disk.0.path().join("filler");
    fill(&filler);
    let http = support::http_client();
    until("a warning", async || failing(&http, &service.base).await.as_deref() == Some("disk-full")).await;
    is_full_but_reads(&service, &key, &load).await;
    // A backup onto a full disk is refused and leaves nothing behind.
    let before = names(disk.0.path());
    let copied = run(&["backup", disk.0.path().join("copy.db").to_str().unwrap()], &url);
    assert!(!copied.status.success() && said(&copied).contains("full"), "{}", said(&copied));
    assert_eq!(names(disk.0.path()), before);
    fs::remove_file(&filler).unwrap();
    recovers(service, &url, load).await;
}

fn fill(path: &Path) {
    let mut filler = File::create(path).unwrap();
    for size in [1 << 16, 1 << 12, 1] {
        while filler.write_all(&vec![0; size]).is_ok() {}
    }
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// The program as a user whom a file's permissions bind, which they do not root.
fn as_ordinary_user(folder: &Path) -> Command {
    const NOBODY: u32 = 65534;
    if fs::metadata("/proc/self").unwrap().uid() != 0 {
        return Command::new(PROGRAM);
    }
    // That user may not reach the program where it was built.
    let program = folder.join("tankside");
    if !program.exists() {
        fs::copy(PROGRAM, &program).unwrap();
        chown(folder, Some(NOBODY), Some(NOBODY)).unwrap();
    }
    let mut command = Command::new(program);
    command.uid(NOBODY).gid(NOBODY).current_dir("/");
    command
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_file_is_read_only() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    let file = folder.path().join("tankside.db");
    let http = support::http_client();
    let service = Service::run(as_ordinary_user(folder.path()), &url);
    let key = service.first_key.clone().unwrap();
    let (lot, animal) = stocked(&http, &service.base, &key, 10).await;
    assert_eq!(service.terminate(), 0);

    fs::set_permissions(&file, Permissions::from_mode(0o444)).unwrap();
    let mut quiet = as_ordinary_user(folder.path());
    quiet.stderr(Stdio::null());
    let service = Service::run(quiet, &url);
    until("word of it before the first act", async || failing(&http, &service.base).await.is_some()).await;
    let (order, act) = (json!({"animal_id": animal, "lot_id": lot}), Uuid::now_v7().to_string());
    let withdraw = async || post(&http, &service.base, &key, "/v1/withdrawals", &act, &order).await.unwrap();
    let (status, problem) = withdraw().await;
    assert_eq!((status, &problem["type"]), (503, &json!("/problems/store-unavailable")), "{problem:#}");
    assert_eq!(straws(&http, &service.base, &key).await, 10, "reading goes on");

    // The log was made with the file's permissions.
    for name in names(folder.path()).iter().filter(|name| name.starts_with("tankside.db")) {
        fs::set_permissions(folder.path().join(name), Permissions::from_mode(0o644)).unwrap();
    }
    until("the service to be ready again", async || failing(&http, &service.base).await.is_none()).await;
    assert_eq!(withdraw().await.0, 201);
    assert_eq!(straws(&http, &service.base, &key).await, 9);
    assert_eq!(service.terminate(), 0);
    assert!(run(&["verify"], &url).status.success());
}
