//! Copies of an embedded store: taken while it is served, checked, and brought back.
//!
//! A copy is whole or not there: it is made under a passing name in the folder where it will stand, synced,
//! looked through, and only then given its name, which must be free; the folder is synced after that. A copy
//! stands alone, without a log beside it.

use std::{
    fs::File,
    io::{self, Read as _},
    path::Path,
};

use sha2::{Digest as _, Sha256};
use tempfile::NamedTempFile;

use crate::store::{
    Db, Error, Result,
    connect::{beside, folder_of, lock, sqlite_file},
    verify::{self, Report},
};

/// A copy that was made and looked through.
#[derive(Clone, Debug)]
pub struct Copied {
    /// Its size in bytes.
    pub bytes: u64,
    /// Its SHA-256 in hexadecimal.
    pub sha256: String,
    /// What is in it.
    pub report: Report,
}

/// How the passing name of a copy begins and ends.
pub const PART_BEGINS: &str = ".tankside-";
/// See [`PART_BEGINS`].
pub const PART_ENDS: &str = ".part";

/// Copies the embedded store at `url`, which may be in use, to a new file. It is a reader to whoever writes, so
/// writing goes on; the log grows until the copy is taken.
///
/// A book that does not add up is copied as it is, and the report says so.
///
/// # Errors
/// There is no store at `url`; the file is there already, or cannot be written; the copy is damaged.
pub async fn backup(url: &str, to: &Path) -> Result<Copied> {
    let (copy, report) = copied(url, to).await?;
    place(copy, to, report)
}

/// The same, but a copy of a book that does not add up gets no name.
///
/// # Errors
/// As [`backup`]; and the book does not add up.
pub async fn sound_backup(url: &str, to: &Path) -> Result<Copied> {
    let (copy, report) = copied(url, to).await?;
    if let Some(first) = report.findings.first() {
        return Err(Error::Unusable(format!(
            "the book does not add up: {} findings, the first: {}: {}; `tankside verify` lists them",
            report.findings.len(),
            first.rule,
            first.subject
        )));
    }
    place(copy, to, report)
}

/// A copy that has no name yet, looked through.
async fn copied(url: &str, to: &Path) -> Result<(NamedTempFile, Report)> {
    let (db, _) = Db::look(url).await?;
    let Some(read) = db.sqlite_reader() else {
        return Err(Error::Unusable("only an embedded store is copied by this program".to_owned()));
    };
    must_be_free(to)?;
    let copy = passing(to)?;
    // SQLite says nothing of syncing what it writes here, so that is done below.
    sqlx::query("vacuum into $1").bind(name_of(&copy)?).execute(&mut *read.acquire().await?).await?;
    db.close().await;
    let report = checked(copy.path()).await?;
    if report.findings.iter().any(verify::Finding::is_damage) {
        return Err(Error::Unusable(format!("the copy is damaged, {} was not made", to.display())));
    }
    Ok((copy, report))
}

/// Brings a copy back as the embedded store at `url`, where nothing may be.
///
/// # Errors
/// Something is there; the file is no copy of a store of ours, is damaged, does not add up, or is of a newer version.
pub async fn restore(from: &Path, url: &str) -> Result<Copied> {
    let to = sqlite_file(url)?;
    must_be_free(&to)?;
    // Nobody starts a service on it meanwhile.
    let _held = lock(&to)?;
    stands_alone(from)?;
    must_add_up(from, &checked(from).await?)?;
    let mut copy = passing(&to)?;
    io::copy(&mut File::open(from).map_err(at(from))?, copy.as_file_mut()).map_err(at(copy.path()))?;
    let report = checked(copy.path()).await?;
    must_add_up(copy.path(), &report)?;
    place(copy, &to, report)
}

/// Makes a file durable and gives it its name.
fn place(copy: NamedTempFile, to: &Path, report: Report) -> Result<Copied> {
    copy.as_file().sync_all().map_err(at(copy.path()))?;
    let (bytes, sha256) = digest(copy.path()).map_err(at(copy.path()))?;
    copy.persist_noclobber(to).map_err(|error| at(to)(error.error))?;
    let folder = folder_of(to);
    File::open(folder).and_then(|folder| folder.sync_all()).map_err(at(folder))?;
    Ok(Copied { bytes, sha256, report })
}

/// A file of a passing name in the folder of `to`; it goes when it is not placed. Only its owner may read it.
fn passing(to: &Path) -> Result<NamedTempFile> {
    let folder = folder_of(to);
    tempfile::Builder::new().prefix(PART_BEGINS).suffix(PART_ENDS).tempfile_in(folder).map_err(at(folder))
}

fn name_of(file: &NamedTempFile) -> Result<String> {
    let path = std::path::absolute(file.path()).map_err(at(file.path()))?;
    path.into_os_string()
        .into_string()
        .map_err(|path| Error::Unusable(format!("{} is not UTF-8", path.display())))
}

/// Neither the file nor what SQLite would take for its log.
fn must_be_free(path: &Path) -> Result<()> {
    for taken in ["", "-wal", "-shm", "-journal"].map(|ending| beside(path, ending)) {
        if taken.symlink_metadata().is_ok() {
            return Err(Error::Unusable(format!(
                "{} is there already and nothing is overwritten; give another name, or move it away",
                taken.display()
            )));
        }
    }
    Ok(())
}

/// Bytes 18 and 19 of a database say whether part of it may stand in a log beside it (sqlite.org/fileformat.html,
/// 1.3.3): so it is with a file that was copied under the hands of a service.
fn stands_alone(file: &Path) -> Result<()> {
    let mut head = [0; 20];
    let read = File::open(file).map_err(at(file))?.read_exact(&mut head);
    if read.is_err() || !head.starts_with(b"SQLite format 3\0") {
        return Err(Error::Unusable(format!("{} is not a backup of Tankside", file.display())));
    }
    if head[18..20] != [1, 1] {
        return Err(Error::Unusable(format!(
            "{} was copied from a store in use, and part of it may stand in a log beside it. `tankside backup` makes \
             whole copies. If its log is there (the same name with -wal), serve the two where they are",
            file.display()
        )));
    }
    Ok(())
}

async fn checked(file: &Path) -> Result<Report> {
    let (db, version) = Db::look_into(file).await?;
    let report = verify::report(&mut db.read().await?, version).await;
    db.close().await;
    report
}

fn must_add_up(file: &Path, report: &Report) -> Result<()> {
    let Some(first) = report.findings.first() else { return Ok(()) };
    Err(Error::Unusable(format!(
        "{} does not add up and is not restored: {} findings, the first: {}: {}. `tankside verify --database-url \
         sqlite://{0}` lists them",
        file.display(),
        report.findings.len(),
        first.rule,
        first.subject
    )))
}

fn digest(path: &Path) -> io::Result<(u64, String)> {
    let mut hash = Sha256::new();
    let bytes = io::copy(&mut File::open(path)?, &mut hash)?;
    Ok((bytes, format!("{:x}", hash.finalize())))
}

/// An input or output error with the path at which it happened.
fn at(path: &Path) -> impl Fn(io::Error) -> Error {
    let path = path.display().to_string();
    move |error| Error::Unusable(format!("{path}: {error}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{
        connect::{make_of_version, versions},
        newest,
    };

    /// The first thing that is written is the table of versions; whoever is cut off then has a store with nothing else in it.
    #[tokio::test]
    async fn a_store_whose_maker_was_cut_off_at_once_is_made_anew() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("tankside.db");
        make_of_version(&file, 0).await;
        let db = Db::serve_alone(&format!("sqlite://{}", file.display())).await.unwrap();
        assert_eq!(verify::findings(&mut db.read().await.unwrap()).await.unwrap(), []);
        db.close().await;
    }

    /// Every version of the tables that was ever released can be looked through and copied as it is; a copy that
    /// was brought back is brought up to date when it is opened.
    #[tokio::test]
    async fn a_backup_of_every_version_is_restored() {
        for version in versions() {
            let folder = tempfile::tempdir().unwrap();
            let address = |name: &str| format!("sqlite://{}", folder.path().join(name).display());
            let file = folder.path().join("old.db");
            make_of_version(&file, version).await;
            let copy = folder.path().join("copy.db");
            let copied = backup(&address("old.db"), &copy).await.unwrap();
            assert_eq!((copied.report.version, copied.report.findings.len()), (version, 0));
            let refused = Db::open_existing(&address("old.db")).await.err().map(|error| error.to_string());
            assert_eq!(refused.is_some(), version < newest(), "{refused:?}");
            let restored = restore(&copy, &address("restored.db")).await.unwrap();
            assert_eq!((restored.report.version, restored.sha256), (version, copied.sha256));
            let db = Db::open(&address("restored.db")).await.unwrap();
            assert_eq!(verify::findings(&mut db.read().await.unwrap()).await.unwrap(), []);
            db.close().await;
        }
    }
}
