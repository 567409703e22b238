//! Backups under load and back again; and what is refused: a damaged file, another's file, a newer one, a taken name.

use std::{
    fs::{self, File},
    os::unix::fs::{FileExt as _, PermissionsExt as _},
    path::Path,
    process::Command,
};

use serde_json::json;
use sqlx::{Connection as _, Executor as _, SqliteConnection};

use crate::{
    load::Load,
    service::{PROGRAM, Service, made, run, said, sqlite, stocked, until},
    support::{self, new_postgres_database},
};

/// Whether the command failed with these words.
#[track_caller]
fn refuses(arguments: &[&str], url: &str, words: &str) {
    let output = run(arguments, url);
    let told = said(&output);
    assert!(!output.status.success() && told.contains(words), "{arguments:?}, not {words:?} but {told}");
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// A stopped store with some stock, and its manager's key.
async fn store(folder: &tempfile::TempDir) -> (String, String) {
    let url = sqlite(folder);
    let service = Service::start(&url);
    let key = service.first_key.clone().unwrap();
    stocked(&support::http_client(), &service.base, &key, 7).await;
    assert_eq!(service.terminate(), 0);
    (url, key)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_backup_under_load_holds_what_was_answered_before_it() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    let service = Service::start(&url);
    let load = Load::on(&service.base, service.first_key.as_ref().unwrap(), 8).await;
    load.answers(150).await;
    let before = load.answered();
    let file = folder.path().join("backup.db");
    let backup = run(&["backup", text(&file)], &url);
    let told = said(&backup);
    assert!(backup.status.success() && told.contains("The book adds up."), "{told}");
    // The checksum as another program reckons it.
    let sum = Command::new("sha256sum").arg(&file).output().unwrap();
    let sum = String::from_utf8(sum.stdout).unwrap().split(' ').next().unwrap().to_owned();
    assert!(told.contains(&format!("sha-256   {sum}\n")), "{told}");
    assert!(told.contains(&format!("size      {} bytes", fs::metadata(&file).unwrap().len())), "{told}");
    assert_eq!(service_verifies(&url), "The book adds up.", "while the service works");
    load.answers(50).await;
    assert_eq!(load.problems().len(), 0, "nobody waited in vain");

    let brought_back = format!("sqlite://{}", folder.path().join("brought back.db").display());
    let restored = run(&["restore", text(&file)], &brought_back);
    assert!(restored.status.success() && said(&restored).contains(&sum), "{}", said(&restored));
    let reckoning = load.end().await;
    reckoning.agrees_with(&service.base, &url).await;
    let other = Service::start(&brought_back);
    reckoning.remembers(&other.base, &before).await;
    assert!(reckoning.done.len() > before.len());
    assert_eq!((service.terminate(), other.terminate()), (0, 0));
}

/// The copies in a folder, the newest last; their names sort by time.
fn copies_in(folder: &Path) -> Vec<String> {
    let mut names = if folder.exists() { names(folder) } else { Vec::new() };
    names.retain(|name| name.starts_with("tankside-"));
    names.sort();
    names
}

/// A drill: the machine dies under load, and the newest of the copies that were made by themselves is brought back.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_the_worst_the_newest_copy_holds_what_was_answered_before_it_began() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    let copies = folder.path().join("copies");
    let keeping = ["--backup-every", "1s", "--backup-folder", text(&copies), "--backup-keep", "3"];
    let keeping = [&keeping[..], &["--backup-keep-days", "0"]].concat();
    let service = Service::with(&url, &keeping);
    let first_key = service.first_key.clone().unwrap();
    let load = Load::on(&service.base, &first_key, 4).await;
    load.answers(100).await;
    let before = load.answered();
    // The next may have begun before this; the one after it began later.
    let seen = copies_in(&copies).last().cloned().unwrap_or_default();
    let newer = || copies_in(&copies).into_iter().filter(|name| *name > seen).count();
    until("two more copies", async || newer() >= 2).await;
    until("three are kept", async || {
        let made = copies_in(&copies);
        assert!(made.len() <= 4, "more are kept than were asked for: {made:?}");
        made.len() == 3
    })
    .await;
    service.kill();
    let newest = copies.join(copies_in(&copies).last().unwrap());
    // For their owner only, in a folder of their owner's.
    for (path, mode) in [(newest.as_path(), 0o600), (copies.as_path(), 0o700)] {
        assert_eq!(fs::metadata(path).unwrap().permissions().mode() & 0o777, mode, "{}", path.display());
    }
    let brought_back = format!("sqlite://{}", folder.path().join("brought back.db").display());
    let restored = run(&["restore", text(&newest)], &brought_back);
    assert!(
        restored.status.success() && said(&restored).contains("The book adds up."),
        "{}",
        said(&restored)
    );
    let service = Service::with(&brought_back, &keeping);
    // What came after the copy is lost; what came before is all there, and work goes on.
    load.cut_off().remembers(&service.base, &before).await;
    let key = first_key.as_str();
    made(&support::http_client(), &service.base, key, "/v1/sires", json!({"name": "Invented Two"})).await;
    assert!(run(&["verify"], &brought_back).status.success());
    assert_eq!(service.terminate(), 0);
}

/// A copy that fails is told wherever somebody may look, old ones stay, and it mends itself.
#[tokio::test]
async fn a_copy_that_is_not_made_is_told_and_takes_no_other_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let (url, _) = store(&folder).await;
    let copies = folder.path().join("copies");
    let keeping = ["--backup-every", "1s", "--backup-folder", text(&copies), "--backup-keep", "1"];
    let keeping = [&keeping[..], &["--backup-keep-days", "0"]].concat();
    let service = Service::with(&url, &[&keeping[..], &["--metrics-listen", "127.0.0.1:0"]].concat());
    let http = support::http_client();
    let told = async || {
        let ready = http.get(format!("{}/readyz", service.base)).send().await.unwrap();
        assert_eq!(ready.status(), 200, "a copy that fails takes the service from nobody");
        let ready: serde_json::Value = ready.json().await.unwrap();
        let metrics = http.get(service.metrics.as_ref().unwrap()).send().await.unwrap().text().await.unwrap();
        let failing = metrics.contains("\ntankside_backup_failing 1\n");
        assert!(failing || metrics.contains("\ntankside_backup_failing 0\n"), "{metrics}");
        (ready["attention"] == json!(["backup"]), failing)
    };
    let doctor = || {
        let doctor = [&["doctor", "--listen", "127.0.0.1:0"], &keeping[..]].concat();
        said(&run(&doctor, &url))
    };
    until("a copy", async || copies_in(&copies).len() == 1 && told().await == (false, false)).await;
    assert!(doctor().contains("OK     backups      1 in"), "{}", doctor());

    // The folder is away, and in its place something that is none.
    let aside = folder.path().join("aside");
    fs::rename(&copies, &aside).unwrap();
    fs::write(&copies, "").unwrap();
    until("it is told", async || told().await == (true, true)).await;
    assert!(doctor().contains("WRONG  backups"), "{}", doctor());
    fs::remove_file(&copies).unwrap();
    fs::rename(&aside, &copies).unwrap();
    until("it is mended", async || told().await == (false, false)).await;

    // A book that does not add up: what is sound is not given for it.
    change(&folder.path().join("tankside.db"), "update balance set straws = straws + 1").await;
    until("it is told", async || told().await == (true, true)).await;
    let sound = copies_in(&copies);
    tokio::time::sleep(std::time::Duration::from_millis(2500)).await;
    assert_eq!((sound.len(), copies_in(&copies)), (1, sound));
    assert_eq!(service.terminate(), 0);
    let restored = format!("sqlite://{}", folder.path().join("restored.db").display());
    assert!(run(&["restore", text(&copies.join(&copies_in(&copies)[0]))], &restored).status.success());
}

fn service_verifies(url: &str) -> String {
    said(&run(&["verify"], url)).lines().last().unwrap_or_default().to_owned()
}

#[tokio::test]
async fn commands_take_a_store_that_is_not_there_for_a_mistyped_address() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    let backup = folder.path().join("backup.db");
    for arguments in [
        &["verify"] as &[&str],
        &["backup", text(&backup)],
        &["key", "list"],
        &["key", "create", "--name", "Barn phone", "--role", "technician"],
        &["key", "revoke", "0190f3a0-0000-7000-8000-000000000000"],
        &["business", "list"],
        &["business", "create", "--name", "Meadow Breeders"],
        &["business", "rename", "0190f3a0-0000-7000-8000-000000000000", "--name", "Meadow Breeders"],
    ] {
        refuses(arguments, &url, "there is no store at");
    }
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0, "nothing was made");
    refuses(&["verify"], &new_postgres_database().await, "there is no book in this database");
}

#[tokio::test]
async fn nothing_is_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let (url, _) = store(&folder).await;
    let (backup, taken) = (folder.path().join("backup.db"), folder.path().join("taken.db"));
    assert!(run(&["backup", text(&backup)], &url).status.success());
    let kept = fs::read(&backup).unwrap();
    refuses(&["backup", text(&backup)], &url, "is there already and nothing is overwritten");
    assert_eq!(fs::read(&backup).unwrap(), kept);
    refuses(&["restore", text(&backup)], &url, "is there already and nothing is overwritten");
    // Also where there is nothing but a log, which would be taken for the restored store's.
    for ending in ["-wal", ""] {
        let other = format!("sqlite://{}", taken.display());
        let log = format!("{}{ending}", taken.display());
        File::create(&log).unwrap();
        refuses(&["restore", text(&backup)], &other, "is there already and nothing is overwritten");
        fs::remove_file(log).unwrap();
    }
    refuses(&["backup", text(&folder.path().join("no folder/backup.db"))], &url, "No such file");
    assert!(!names(folder.path()).iter().any(|name| name.starts_with(".tankside-")));
}

fn names(folder: &Path) -> Vec<String> {
    fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
}

#[tokio::test]
async fn only_a_sound_backup_of_ours_is_restored() {
    let folder = tempfile::tempdir().unwrap();
    let (url, _) = store(&folder).await;
    let path = |name: &str| folder.path().join(name);
    let target = format!("sqlite://{}", path("target.db").display());
    let backup = path("backup.db");
    assert!(run(&["backup", text(&backup)], &url).status.success());
    let copy = |name: &str| {
        fs::copy(&backup, path(name)).unwrap();
        path(name)
    };

    refuses(&["restore", text(&path("nothing.db"))], &target, "No such file");
    fs::write(path("letter.txt"), "Dear farmer, this is a letter and no backup at all.").unwrap();
    refuses(&["restore", text(&path("letter.txt"))], &target, "is not a backup of Tankside");

    let foreign = path("foreign.db");
    change(&foreign, "create table letter (text text)").await;
    refuses(&["restore", text(&foreign)], &target, "is not a store of Tankside");
    refuses(
        &["serve", "--listen", "127.0.0.1:0"],
        &format!("sqlite://{}", foreign.display()),
        "is not a store",
    );

    let newer = copy("newer.db");
    change(&newer, "insert into _sqlx_migrations values (9999, 'later', current_timestamp, true, x'00', 0)")
        .await;
    let newer_url = format!("sqlite://{}", newer.display());
    for arguments in [
        &["restore", text(&newer)] as &[&str],
        &["serve", "--listen", "127.0.0.1:0"],
        &["verify"],
        &["key", "list"],
        &["backup", text(&path("newer copy.db"))],
    ] {
        let url = if arguments[0] == "restore" { &target } else { &newer_url };
        refuses(arguments, url, "of version 9999, written by a newer Tankside");
    }

    let tampered = copy("tampered.db");
    change(&tampered, "update balance set straws = straws + 1").await;
    refuses(&["restore", text(&tampered)], &target, "balance 8, movements 7");
    // A book that does not add up is copied all the same, and the status says so.
    let tampered_url = format!("sqlite://{}", tampered.display());
    refuses(&["backup", text(&path("faithful.db"))], &tampered_url, "balance 8, movements 7");
    assert!(path("faithful.db").exists());

    let damaged = copy("damaged.db");
    damage(&damaged);
    refuses(&["restore", text(&damaged)], &target, "damaged");
    let truncated = copy("truncated.db");
    File::options().write(true).open(&truncated).unwrap().set_len(20_000).unwrap();
    refuses(&["restore", text(&truncated)], &target, "");

    // A file taken from under a running service lacks what is in the log.
    let service = Service::start(&url);
    let raw = path("raw.db");
    fs::copy(path("tankside.db"), &raw).unwrap();
    refuses(&["restore", text(&raw)], &target, "copied from a store in use");
    service.kill();

    assert!(!path("target.db").exists(), "nothing was restored");
    assert!(run(&["restore", text(&backup)], &target).status.success());
    assert!(run(&["verify"], &target).status.success());
}

/// Changes a file behind the program's back.
async fn change(file: &Path, statement: &'static str) {
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(file).create_if_missing(true);
    let mut connection = SqliteConnection::connect_with(&options).await.unwrap();
    connection.execute(statement).await.unwrap();
    connection.close().await.unwrap();
}

/// Writes over every page but the first, as a failing disk might.
fn damage(file: &Path) {
    let length = fs::metadata(file).unwrap().len();
    let file = File::options().write(true).open(file).unwrap();
    file.write_all_at(&vec![0x5a; usize::try_from(length - 8192).unwrap()], 8192).unwrap();
}

#[tokio::test]
async fn a_damaged_store_is_not_served_and_its_owner_is_told_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let (url, key) = store(&folder).await;
    let file = folder.path().join("tankside.db");
    // The last process was killed, and part of what it wrote still stands in the log.
    let service = Service::start(&url);
    stocked(&support::http_client(), &service.base, &key, 7).await;
    service.kill();
    assert!(fs::metadata(folder.path().join("tankside.db-wal")).unwrap().len() > 0);
    let kept = fs::read(&file).unwrap();
    damage(&file);
    let damaged = fs::read(&file).unwrap();
    refuses(&["serve", "--listen", "127.0.0.1:0"], &url, "tankside restore BACKUP");
    refuses(&["verify"], &url, "tankside restore BACKUP");
    assert_eq!(fs::read(&file).unwrap(), damaged, "it stays as it is");
    fs::write(&file, kept).unwrap();
    let service = Service::start(&url);
    assert_eq!(service.terminate(), 0);
    assert!(run(&["verify"], &url).status.success());
    // Not a database at all.
    fs::write(&file, vec![0x5a; 8192]).unwrap();
    refuses(&["serve", "--listen", "127.0.0.1:0"], &url, "tankside restore BACKUP");
}

/// On PostgreSQL the backup is made with its own tools, as the command says; and `verify` tells whether it is good.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn on_postgres_the_commands_that_are_named_work() {
    let folder = tempfile::tempdir().unwrap();
    let url = new_postgres_database().await;
    let service = Service::start(&url);
    let load = Load::on(&service.base, service.first_key.as_ref().unwrap(), 4).await;
    load.answers(100).await;
    let before = load.answered();
    let file = folder.path().join("the book.dump");
    let told = run(&["backup", text(&file)], &url);
    assert!(!told.status.success(), "no backup was made");
    assert!(!file.exists());
    let told = String::from_utf8(told.stdout).unwrap();
    let commands: Vec<_> = told.lines().filter_map(|line| line.strip_prefix("    ")).collect();
    let [dump, restore, verify] = commands[..] else { panic!("{told}") };
    let restored = new_postgres_database().await;
    for command in [dump, restore, verify] {
        let path = format!("{}:{}", Path::new(PROGRAM).parent().unwrap().display(), postgres_tools());
        let mut shell = Command::new("sh");
        shell.args(["-c", command]).env("PATH", path);
        let done =
            shell.env("TANKSIDE_DATABASE_URL", &url).env("NEW_DATABASE_URL", &restored).output().unwrap();
        assert!(done.status.success(), "{command}: {}", said(&done));
    }
    let reckoning = load.end().await;
    let other = Service::start(&restored);
    reckoning.remembers(&other.base, &before).await;
    refuses(&["restore", text(&file)], &restored, "pg_restore");
    assert_eq!((service.terminate(), other.terminate()), (0, 0));
}

/// Where `pg_dump` and `pg_restore` are found: on the path, or where Debian keeps the newest.
fn postgres_tools() -> String {
    let path = std::env::var("PATH").unwrap();
    let mut versions: Vec<_> = fs::read_dir("/usr/lib/postgresql")
        .map(|folders| folders.filter_map(|folder| Some(folder.ok()?.path().join("bin"))).collect())
        .unwrap_or_default();
    versions.sort();
    versions.into_iter().rev().fold(path, |path, bin| format!("{path}:{}", bin.display()))
}
