//! Completions for shells, and pages for `man`; both follow the command line by themselves.

use std::{fs, io, path::Path, process::ExitCode};

use anyhow::Context as _;
use clap::{Command, ValueEnum};
use clap_complete::aot::{Bash, Fish, Zsh, generate};

/// A shell for which there are completions.
#[derive(Clone, Copy, ValueEnum)]
pub enum Shell {
    /// GNU Bash.
    Bash,
    /// Z shell.
    Zsh,
    /// Fish.
    Fish,
}

/// Prints a shell's completions.
pub fn completions(mut program: Command, shell: Shell) -> ExitCode {
    let name = program.get_name().to_owned();
    let mut out = io::stdout();
    match shell {
        Shell::Bash => generate(Bash, &mut program, name, &mut out),
        Shell::Zsh => generate(Zsh, &mut program, name, &mut out),
        Shell::Fish => generate(Fish, &mut program, name, &mut out),
    }
    ExitCode::SUCCESS
}

/// Writes a page for the program and one for each command into `folder`.
pub fn pages(program: Command, folder: &Path) -> anyhow::Result<ExitCode> {
    let write = || {
        fs::create_dir_all(folder)?;
        clap_mangen::generate_to(program, folder)
    };
    write().with_context(|| format!("the pages cannot be written into {}", folder.display()))?;
    println!("man -l {}", folder.join("tankside.1").display());
    Ok(ExitCode::SUCCESS)
}
