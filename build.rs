//! Puts the files of the page under `src/web` into the program: a list of paths with their bytes; and, in a release build, from
//! what it was built.

use std::{
    env, fs,
    io::{Error, Result},
    path::{Path, PathBuf},
    process::Command,
};

fn main() -> Result<()> {
    println!("cargo::rerun-if-changed=src/web");
    let from = |name| env::var_os(name).map(PathBuf::from).ok_or_else(|| Error::other(name));
    let home = from("CARGO_MANIFEST_DIR")?;
    // While the program is being worked on, what it was built from changes with every commit, and telling it would build
    // everything anew each time.
    let build =
        if env::var("PROFILE").is_ok_and(|profile| profile == "release") { built_from(&home) } else { None };
    println!("cargo::rustc-env=BUILT_FROM={}", build.unwrap_or_default());
    let folder = home.join("src/web");
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

/// The commit and its day, such as ` (6f670fe 2026-11-28)`, with a `+` behind a commit that was changed since; nothing where
/// the sources are no checkout of their own, such as an archive that was unpacked within another project's.
fn built_from(home: &Path) -> Option<String> {
    let git = |arguments: &[&str]| {
        let output = Command::new("git").arg("-C").arg(home).args(arguments).output().ok()?;
        output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim().to_owned())
    };
    if !home.join(".git").exists() {
        return None;
    }
    let commit = git(&["log", "-1", "--format=%h %cs"])?;
    let changed = git(&["status", "--porcelain", "--untracked-files=no"])?;
    // The log of HEAD gets a line with every commit and checkout.
    let log = git(&["rev-parse", "--git-path", "logs/HEAD"])?;
    println!("cargo::rerun-if-changed={}", home.join(log).display());
    for source in ["src", "migrations", "assets", "Cargo.toml", "Cargo.lock", "build.rs"] {
        println!("cargo::rerun-if-changed={source}");
    }
    let (hash, day) = commit.split_once(' ')?;
    Some(format!(" ({hash}{} {day})", if changed.is_empty() { "" } else { "+" }))
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
