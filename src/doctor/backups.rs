//! Copies that are made by themselves: whether they are, and where they lie.

use std::{io, os::unix::fs::MetadataExt as _, path::Path};

use crate::{
    config::Config,
    doctor::Findings,
    domain::{duration::words, values::Timestamp},
    scheduler::backups::{Plan, made_in},
    store::{folder_of, sqlite_file},
};

pub(super) fn look(found: &mut Findings, config: &Config, now: Timestamp) {
    let Some(plan) = &config.backups else { return };
    let folder = plan.folder.display();
    let made = match made_in(&plan.folder) {
        Ok(made) => made,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let advice = "the service makes the folder when it starts; see that its account may";
            return found.look("backups", format!("{folder} is not there yet"), advice);
        }
        Err(error) => {
            let advice = "correct --backup-folder: a folder in which the service's account may write";
            return found.wrong("backups", format!("{folder} cannot be read: {error}"), advice);
        }
    };
    if is_on_one_disk(config, &plan.folder) {
        found.look(
            "backups",
            format!("{folder} lies on the same file system as the store: one disk that dies takes both"),
            "give --backup-folder a folder on another disk, or have these copies copied to another machine",
        );
    }
    let Some(last) = made.last() else {
        let advice = "start the service; if it runs, its log says why there is none";
        return found.look("backups", format!("no copy lies in {folder} yet"), advice);
    };
    let age = now.since(*last);
    if is_late(plan, age) {
        found.wrong(
            "backups",
            format!("the last copy in {folder} is {} old", words(age)),
            "see the service's log, which says why none was made since; a full disk, a folder that is away, a book that does \
             not add up",
        );
    } else {
        found.ok("backups", format!("{} in {folder}, the last of {last}", made.len()));
    }
}

/// Twice the time between two, and what a long copy takes.
fn is_late(plan: &Plan, age: chrono::TimeDelta) -> bool {
    age.to_std().is_ok_and(|age| age > plan.every.saturating_mul(2) + std::time::Duration::from_mins(10))
}

fn is_on_one_disk(config: &Config, folder: &Path) -> bool {
    let Ok(store) = sqlite_file(&config.database_url) else { return false };
    let device = |path: &Path| path.metadata().map(|found| found.dev()).ok();
    device(folder_of(&store)).is_some_and(|disk| device(folder) == Some(disk))
}
