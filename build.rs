//! Puts the files of the page under `src/web` into the program: a list of paths with their bytes.

use std::{
    env, fs,
    io::{Error, Result},
    path::{Path, PathBuf},
};

fn main() -> Result<()> {
    println!("cargo::rerun-if-changed=src/web");
    let from = |name| env::var_os(name).map(PathBuf::from).ok_or_else(|| Error::other(name));
    let folder = from("CARGO_MANIFEST_DIR")?.join("src/web");
    let mut files = Vec::new();
    list(&folder, &mut files)?;
    files.sort();
    let mut entries = Vec::new();
    for file in files {
        let path = file.strip_prefix(&folder).map_err(Error::other)?;
        let parts: Vec<_> = path.iter().map(|part| part.to_string_lossy()).collect();
        let (path, file) = (format!("/{}", parts.join("/")), file.to_string_lossy());
        entries.push(format!("({path:?}, include_bytes!({file:?})),\n"));
    }
    fs::write(from("OUT_DIR")?.join("web.rs"), format!("&[{}]", entries.concat()))
}

fn list(folder: &Path, files: &mut Vec<PathBuf>) -> Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        // What an editor left.
        if path.file_name().is_some_and(|name| name.to_string_lossy().starts_with('.')) {
            continue;
        }
        if path.is_dir() {
            list(&path, files)?;
        } else {
            files.push(path);
        }
    }
    Ok(())
}
