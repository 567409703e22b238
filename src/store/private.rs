//! Files that only their owner may read, whatever the umask says: a book tells who breeds what, an export all of it.

use std::{
    fs::{self, File, Permissions},
    io,
    os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _},
    path::Path,
};

use crate::store::{Error, Result, connect::beside};

/// Read and written by the owner.
const OWNER_ONLY: u32 = 0o600;

/// What the group and others may.
const OTHERS: u32 = 0o077;

/// Opens a file for writing, makes it when it is not there, and takes from others what they may.
///
/// # Errors
/// It cannot be opened, or belongs to somebody else who lets others read it.
pub fn open(path: &Path) -> io::Result<File> {
    let file = File::options().create(true).truncate(false).write(true).mode(OWNER_ONLY).open(path)?;
    let mode = file.metadata()?.permissions().mode();
    if mode & OTHERS != 0 {
        file.set_permissions(Permissions::from_mode(mode & !OTHERS))?;
    }
    Ok(file)
}

/// Makes the file of an embedded store when it is not there, and closes the store and what stands beside it to others.
/// SQLite gives its log the rights of the file.
///
/// # Errors
/// It cannot be made; or others may read it and only its owner could change that.
pub(super) fn keep(database: &Path) -> Result<()> {
    if !database.exists() {
        open(database).map_err(|error| Error::Unusable(format!("{}: {error}", database.display())))?;
    }
    for path in ["", "-wal", "-shm", "-journal"].map(|ending| beside(database, ending)) {
        let Ok(found) = fs::metadata(&path) else { continue };
        let mode = found.permissions().mode();
        if !found.is_file() || mode & OTHERS == 0 {
            continue;
        }
        let shown = path.display();
        fs::set_permissions(&path, Permissions::from_mode(mode & !OTHERS)).map_err(|error| {
            Error::Unusable(format!(
                "others than its owner may read or write {shown} (mode {:o}), and that cannot be changed ({error}): \
                 run `chmod go= {shown}` as its owner, or start the service as its owner",
                mode & 0o777
            ))
        })?;
        tracing::warn!(
            "others than its owner could read or write {shown} (mode {:o}); from now on they cannot",
            mode & 0o777
        );
    }
    Ok(())
}
