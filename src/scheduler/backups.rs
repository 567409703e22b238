//! Copies of an embedded store, made by themselves into a folder: `--backup-every`.
//!
//! Each is made as `tankside backup` makes one, of one moment, and looked through before it gets its name; a copy that is damaged
//! or does not add up gets none, and nothing older goes for it. One that fails is told in the log, by `/readyz`, in `/metrics` and
//! by `tankside doctor`, and tried again soon.

use std::{
    collections::BTreeSet,
    fs::{self, DirBuilder},
    io,
    os::unix::fs::DirBuilderExt as _,
    path::{Path, PathBuf},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant, SystemTime},
};

use tokio::{task::JoinHandle, time::sleep};

use crate::{
    clock::Clock,
    domain::{
        backups::{Keep, made_at, name_of, superseded},
        values::Timestamp,
    },
    store::{
        self,
        copy::{self, Copied, PART_BEGINS, PART_ENDS},
    },
};

/// How soon one that failed is tried again, if it is not due sooner.
const AGAIN_AFTER: Duration = Duration::from_mins(5);

/// After so long without a change, a copy that has no name yet is one that was never finished: the program was killed.
const ABANDONED_AFTER: Duration = Duration::from_hours(6);

/// Where copies go, how often, and how many are kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// The folder; made when it is not there, for its owner only.
    pub folder: PathBuf,
    /// From one copy to the next.
    pub every: Duration,
    /// Which are kept.
    pub keep: Keep,
}

/// How it stands with the copies.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// When the last good copy was made.
    pub last: Option<Timestamp>,
    /// Why there was none the last time.
    pub failed: Option<String>,
}

/// Copies that are made by themselves.
#[derive(Clone, Debug, Default)]
pub struct Backups(Arc<Mutex<Standing>>);

impl Backups {
    /// How it stands with them.
    pub fn standing(&self) -> Standing {
        self.lock().clone()
    }

    fn lock(&self) -> MutexGuard<'_, Standing> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Makes copies of the embedded store at `url` until the task is aborted.
pub fn start(url: String, plan: Plan, clock: Clock) -> (Backups, JoinHandle<()>) {
    let backups = Backups::default();
    let task = tokio::spawn(go_on(url, plan, clock, backups.clone()));
    (backups, task)
}

async fn go_on(url: String, plan: Plan, clock: Clock, backups: Backups) {
    backups.lock().last = made_in(&plan.folder).ok().and_then(|made| made.last().copied());
    let mut wait =
        backups.standing().last.map_or(Duration::ZERO, |last| until_due(last, clock.now(), plan.every));
    loop {
        sleep(wait).await;
        let began = Instant::now();
        match make(&url, &plan, clock.now()).await {
            Ok((at, copied)) => {
                metrics::counter!("tankside_backups_total", "outcome" => "made").increment(1);
                metrics::histogram!("tankside_backup_seconds").record(began.elapsed().as_secs_f64());
                tracing::info!(
                    file = name_of(at),
                    bytes = copied.bytes,
                    sha256 = copied.sha256,
                    "backup made"
                );
                *backups.lock() = Standing { last: Some(at), failed: None };
                if let Err(error) = clear(&plan, at) {
                    tracing::warn!(%error, folder = %plan.folder.display(), "old backups cannot be cleared away");
                }
                wait = plan.every.saturating_sub(began.elapsed());
            }
            Err(error) => {
                metrics::counter!("tankside_backups_total", "outcome" => "failed").increment(1);
                tracing::error!(%error, folder = %plan.folder.display(), "no backup was made");
                backups.lock().failed = Some(error.to_string());
                wait = plan.every.min(AGAIN_AFTER);
            }
        }
    }
}

/// How long until the next is due. One from the future was made under a wrong clock and does not count.
fn until_due(last: Timestamp, now: Timestamp, every: Duration) -> Duration {
    now.since(last).to_std().map_or(Duration::ZERO, |age| every.saturating_sub(age))
}

async fn make(url: &str, plan: &Plan, now: Timestamp) -> store::Result<(Timestamp, Copied)> {
    let folder = &plan.folder;
    DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)
        .map_err(|error| store::Error::Unusable(format!("{}: {error}", folder.display())))?;
    let copied = copy::sound_backup(url, &folder.join(name_of(now))).await?;
    Ok((now, copied))
}

/// When the copies in a folder were made.
///
/// # Errors
/// The folder cannot be read.
pub fn made_in(folder: &Path) -> io::Result<BTreeSet<Timestamp>> {
    let mut made = BTreeSet::new();
    for entry in fs::read_dir(folder)? {
        made.extend(entry?.file_name().to_str().and_then(made_at));
    }
    Ok(made)
}

/// Removes what is no longer kept, and what a program that was killed left unfinished.
fn clear(plan: &Plan, now: Timestamp) -> io::Result<()> {
    for at in superseded(&made_in(&plan.folder)?, now, plan.keep) {
        fs::remove_file(plan.folder.join(name_of(at)))?;
    }
    for entry in fs::read_dir(&plan.folder)? {
        let entry = entry?;
        let name = entry.file_name();
        let is_part =
            name.to_str().is_some_and(|name| name.starts_with(PART_BEGINS) && name.ends_with(PART_ENDS));
        if is_part && is_abandoned(&entry.metadata()?) {
            fs::remove_file(entry.path())?;
        }
    }
    Ok(())
}

/// By the clock of the file's own system, which is also what wrote the time.
fn is_abandoned(file: &fs::Metadata) -> bool {
    let changed = file.modified().ok();
    changed.and_then(|at| SystemTime::now().duration_since(at).ok()).is_some_and(|age| age > ABANDONED_AFTER)
}

#[cfg(test)]
mod tests {
    use std::num::NonZeroU32;

    use chrono::{DateTime, TimeDelta};

    use super::*;

    #[test]
    fn the_next_is_due_after_the_last_and_at_once_when_the_clock_went_back() {
        let last = Timestamp::from(DateTime::from_timestamp(1_772_427_600, 0).unwrap());
        let every = Duration::from_hours(6);
        let after = |hours| until_due(last, last.plus(TimeDelta::hours(hours)), every);
        assert_eq!(after(0), every);
        assert_eq!(after(2), Duration::from_hours(4));
        assert_eq!(after(7), Duration::ZERO);
        assert_eq!(after(-30 * 24), Duration::ZERO);
    }

    #[test]
    fn what_is_not_kept_goes_and_nothing_that_is_another_s() {
        let folder = tempfile::tempdir().unwrap();
        let now = Timestamp::from(DateTime::from_timestamp(1_772_427_600, 0).unwrap());
        let copies: Vec<_> = (0..4).map(|hours| name_of(now.plus(TimeDelta::hours(-hours)))).collect();
        let (others, part) = (["letter.txt", "tankside.db"], ".tankside-x.part");
        for name in copies.iter().map(String::as_str).chain(others).chain([part]) {
            fs::write(folder.path().join(name), name).unwrap();
        }
        let keep = Keep { newest: NonZeroU32::new(2).unwrap(), days: 0 };
        let plan = Plan { folder: folder.path().to_owned(), every: Duration::from_hours(1), keep };
        clear(&plan, now).unwrap();
        let mut left: Vec<_> = fs::read_dir(folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        left.sort();
        // One that is being made just now stays.
        assert_eq!(left, [part, "letter.txt", &copies[1], &copies[0], "tankside.db"]);
        let old = fs::File::options().write(true).open(folder.path().join(part)).unwrap();
        old.set_modified(SystemTime::UNIX_EPOCH).unwrap();
        clear(&plan, now).unwrap();
        assert!(!folder.path().join(part).exists());
    }
}
