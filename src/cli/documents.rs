//! Every command line of the documents is one that the program takes.

use std::{fs, path::Path};

use clap::{
    Parser as _,
    error::ErrorKind::{
        DisplayHelp, DisplayHelpOnMissingArgumentOrSubcommand, DisplayVersion, InvalidValue,
        MissingRequiredArgument, MissingSubcommand,
    },
};

use crate::Cli;

/// The texts that hold command lines: documents, and what containers and the system start the program with.
fn texts() -> Vec<(String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut found = Vec::new();
    for folder in [".", "docs", "docs/adr", "demo", "tests", "tests/reference", "packaging"] {
        for entry in fs::read_dir(root.join(folder)).into_iter().flatten() {
            let path = entry.unwrap().path();
            let ending = path.extension().unwrap_or_default();
            if ["md", "service"].iter().any(|known| ending == *known) {
                found.push((path.display().to_string(), fs::read_to_string(&path).unwrap()));
            }
        }
    }
    found
}

/// The command lines in a text: lines of code, and code within a sentence.
fn command_lines(text: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut in_code = false;
    // A line that goes on after a backslash is one.
    for line in text.replace("\\\n", " ").lines() {
        if line.trim_start().starts_with("```") {
            in_code = !in_code;
        } else if in_code || line.starts_with("    ") {
            lines.push(line.trim().trim_start_matches("$ ").to_owned());
        } else if let Some(started) = line.strip_prefix("ExecStart=") {
            lines.push(started.rsplit('/').next().unwrap_or(started).to_owned());
        }
    }
    // Code within a sentence may begin on one line and end on the next.
    let paragraphs = text.split("```").step_by(2).collect::<String>().replace('\n', " ");
    lines.extend(paragraphs.split('`').skip(1).step_by(2).map(ToOwned::to_owned));
    lines.into_iter().filter_map(|line| program_in(&line)).collect()
}

/// The part of a shell's line that is ours.
fn program_in(line: &str) -> Option<String> {
    let line = line
        .strip_prefix("target/release/")
        .or_else(|| line.strip_prefix("./target/release/"))
        .unwrap_or(line);
    let line = line.strip_prefix("sudo -u tankside ").unwrap_or(line);
    let rest = line.strip_prefix("tankside ")?;
    let ends = [" #", " | ", " > ", " >> ", " 2> ", " && ", " ; ", " & ", "; "];
    let end = ends.iter().filter_map(|end| rest.find(end)).min().unwrap_or(rest.len());
    Some(rest[..end].trim_end_matches(" &").trim().to_owned())
}

/// The words of a shell's line; what stands in quotation marks is one.
fn words(line: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quote = None;
    for letter in line.chars() {
        match (quote, letter) {
            (None, '"' | '\'') => quote = Some(letter),
            (Some(open), letter) if open == letter => quote = None,
            (None, ' ') => words.push(String::new()),
            _ => words.last_mut().unwrap().push(letter),
        }
    }
    words.retain(|word| !word.is_empty());
    words
}

/// A placeholder such as `FILE` or `ID`, as a value of its kind.
fn filled(word: String) -> String {
    match word.as_str() {
        "ID" => uuid::Uuid::nil().to_string(),
        "PORT" => "8080".to_owned(),
        _ => word,
    }
}

#[test]
fn every_command_line_of_the_documents_is_one() {
    let mut taken = 0;
    let mut wrong = Vec::new();
    for (file, text) in texts() {
        for line in command_lines(&text) {
            let words: Vec<_> = words(&line).into_iter().map(filled).collect();
            // In a sentence a command may be named without what it needs: its name must be one all the same.
            let is_named_only = words.iter().all(|word| !word.starts_with('-'))
                || words.last().is_some_and(|word| word.starts_with("--"));
            let parsed = Cli::try_parse_from(["tankside".to_owned()].into_iter().chain(words));
            taken += 1;
            match parsed {
                Ok(_) => {}
                Err(error) if matches!(error.kind(), DisplayHelp | DisplayVersion) => {}
                Err(error)
                    if is_named_only
                        && matches!(
                            error.kind(),
                            DisplayHelpOnMissingArgumentOrSubcommand
                                | InvalidValue
                                | MissingRequiredArgument
                                | MissingSubcommand
                        ) => {}
                Err(error) => wrong.push(format!("{file}: tankside {line}\n{error}")),
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(taken > 40, "only {taken} command lines were found");
}

#[test]
fn a_command_line_is_found_where_it_stands() {
    let text = "Run `tankside verify` or\n`tankside key\ncreate --name \"A b\"`.\n\n```sh\n$ tankside serve --listen a:1 \\\n  --log warn  # so\n\
                tankside export stock | gzip > x\n```\n\n    tankside openapi\nExecStart=/usr/bin/tankside serve\nNot tankside itself.\n";
    let mut found = command_lines(text);
    found.sort();
    assert_eq!(
        found,
        [
            "export stock",
            "key create --name \"A b\"",
            "openapi",
            "serve",
            "serve --listen a:1    --log warn",
            "verify"
        ]
    );
    assert_eq!(words("key create --name \"A b\""), ["key", "create", "--name", "A b"]);
    assert!(
        Cli::try_parse_from(["tankside", "verify", "--listen", "a:1"]).is_err(),
        "a flag of another command"
    );
}

/// What a document names within backticks and what it links to, as paths from the root of the project.
fn files_named(file: &str, text: &str) -> Vec<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = Path::new(file).parent().unwrap();
    let begins =
        ["src/", "tests/", "docs/", "demo/", "migrations/", "packaging/", "openapi/", "assets/", "benches/"];
    let is_path = |word: &str| {
        word.chars().all(|letter| letter.is_ascii_alphanumeric() || "/._-".contains(letter))
            && begins.iter().any(|begin| word.starts_with(begin))
            && Path::new(word).extension().is_some()
    };
    let prose = text.split("```").step_by(2).collect::<String>();
    let named = prose.split('`').skip(1).step_by(2).filter(|word| is_path(word)).map(|word| root.join(word));
    let linked = prose.split("](").skip(1).filter_map(|rest| rest.split(')').next());
    let linked = linked.filter(|target| !target.contains("://") && !target.starts_with('#'));
    let linked = linked.map(|target| folder.join(target.split('#').next().unwrap_or(target)));
    named.chain(linked).map(|path| path.display().to_string()).collect()
}

#[test]
fn every_file_that_the_documents_name_is_there() {
    let mut looked_at = 0;
    let mut missing = Vec::new();
    for (file, text) in texts() {
        for named in files_named(&file, &text) {
            looked_at += 1;
            if !Path::new(&named).exists() {
                missing.push(format!("{file} names {named}"));
            }
        }
    }
    assert!(missing.is_empty(), "{}", missing.join("\n"));
    assert!(looked_at > 60, "only {looked_at} were found");
}
