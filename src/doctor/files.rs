//! Who may read what only the owner should.

use std::{fs, os::unix::fs::PermissionsExt as _, path::Path};

use crate::{
    config::{Config, Origin},
    doctor::Findings,
    domain::backups::name_of,
    scheduler::backups::made_in,
    store::{Kind, beside, sqlite_file},
};

/// What the group and others may.
const OTHERS: u32 = 0o077;

pub(super) fn look(found: &mut Findings, config: &Config, address_from: Origin) {
    let mut files = Vec::new();
    if Kind::of(&config.database_url).ok() == Some(Kind::Sqlite)
        && let Ok(file) = sqlite_file(&config.database_url)
    {
        files.extend(["", "-wal", "-shm", ".lock"].map(|ending| beside(&file, ending)));
    }
    if let Some(plan) = &config.backups {
        let made = made_in(&plan.folder).unwrap_or_default();
        files.extend(made.into_iter().map(|at| plan.folder.join(name_of(at))));
    }
    files.extend(config.secrets_key_file.clone());
    files.extend(config.tls.as_ref().map(|tls| tls.key.clone()));
    files.extend(config.database_password_file.clone());
    // The file with the settings is no secret unless a password stands in it.
    let has_password = url::Url::parse(&config.database_url).is_ok_and(|url| url.password().is_some());
    if has_password && config.database_password_file.is_none() && address_from == Origin::File {
        files.extend(config.file.clone());
    }
    if has_password && address_from == Origin::Flag {
        found.wrong(
            "files",
            "the database's password stands in a flag, where everybody on the machine can see it",
            "give it by --database-password-file",
        );
    }
    if let Some(first) = config.first_key_file.as_ref().filter(|first| first.exists()) {
        found.look(
            "files",
            format!("the first key still lies in {}", first.display()),
            "keep it where keys are kept, and delete the file",
        );
        files.push(first.clone());
    }
    let mut looked_at = 0;
    let mut open = 0;
    for file in &files {
        let Some(mode) = mode(file) else { continue };
        looked_at += 1;
        if mode & OTHERS != 0 {
            open += 1;
            found.wrong(
                "files",
                format!("others than its owner may use {} (mode {mode:o})", file.display()),
                format!("chmod go= {}", file.display()),
            );
        }
    }
    if open == 0 {
        found.ok("files", format!("{looked_at} that hold the book or a secret, for their owner only"));
    }
}

fn mode(file: &Path) -> Option<u32> {
    Some(fs::metadata(file).ok()?.permissions().mode() & 0o777)
}
