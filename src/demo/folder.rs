//! A folder for a farm that nobody wants to keep.

use std::{
    fs::{self, DirBuilder},
    os::unix::fs::DirBuilderExt as _,
    path::PathBuf,
};

use anyhow::Context as _;

/// A folder of its own, removed with all that is in it when the value is dropped.
pub struct Folder(PathBuf);

impl Folder {
    /// Makes one that nobody else can read.
    ///
    /// # Errors
    /// The system gives none.
    pub fn fresh() -> anyhow::Result<Self> {
        let path = std::env::temp_dir().join(format!("tankside-demo-{}", uuid::Uuid::now_v7()));
        DirBuilder::new()
            .mode(0o700)
            .create(&path)
            .with_context(|| format!("a temporary folder cannot be made at {}", path.display()))?;
        Ok(Self(path))
    }

    /// Where the book is kept in it.
    pub fn database_url(&self) -> String {
        format!("sqlite://{}", self.0.join("demo.db").display())
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // It lies where the system clears up by itself; a folder that will not go is no reason to fail.
        let _ = fs::remove_dir_all(&self.0);
    }
}
