//! What an operator does with a store as a whole: look through it, copy it, bring a copy back.

use std::{path::Path, process::ExitCode};

use crate::store::{
    Db, Kind,
    copy::{self, Copied},
    newest,
    verify::{self, Report},
};

/// Says whether the book adds up. Changes nothing, of whatever version the store is.
///
/// # Errors
/// There is no store, or it cannot be read.
pub async fn verify(url: &str) -> anyhow::Result<ExitCode> {
    let (db, version) = Db::look(url).await?;
    let report = verify::report(&mut db.read().await?, version).await;
    db.close().await;
    Ok(tell(&report?))
}

/// Copies an embedded store to a new file; for a store on PostgreSQL says how to copy it, and fails.
///
/// # Errors
/// As [`copy::backup`].
pub async fn backup(url: &str, file: &Path) -> anyhow::Result<ExitCode> {
    if Kind::of(url)? == Kind::Postgres {
        print!("{}", postgres_backup(file));
        return Ok(ExitCode::FAILURE);
    }
    let copied = copy::backup(url, file).await?;
    println!("backup    {}", file.display());
    Ok(tell_copied(&copied))
}

/// Brings a backup back as an embedded store; for a store on PostgreSQL says how, and fails.
///
/// # Errors
/// As [`copy::restore`].
pub async fn restore(file: &Path, url: &str) -> anyhow::Result<ExitCode> {
    if Kind::of(url)? == Kind::Postgres {
        print!("{}", postgres_restore(file));
        return Ok(ExitCode::FAILURE);
    }
    let copied = copy::restore(file, url).await?;
    println!("restored  {} as {url}", file.display());
    Ok(tell_copied(&copied))
}

fn tell_copied(copied: &Copied) -> ExitCode {
    println!("size      {} bytes", copied.bytes);
    println!("sha-256   {}", copied.sha256);
    for business in &copied.report.businesses {
        println!("business  {}  last line {}  {}", business.id, business.movements, business.name);
    }
    tell(&copied.report)
}

/// Tells what was found; a status of success when all of it adds up.
fn tell(report: &Report) -> ExitCode {
    let newest = newest();
    print!("tables    version {}", report.version);
    if report.version < newest {
        print!("; this program writes {newest} and brings them up to date when it next serves");
    }
    println!();
    if let Some(extent) = report.extent {
        println!("{extent}");
    }
    for finding in &report.findings {
        println!("BROKEN: {}: {} (business {})", finding.rule, finding.subject, finding.business_id);
    }
    if report.findings.is_empty() {
        println!("The book adds up.");
        return ExitCode::SUCCESS;
    }
    println!(
        "{} findings. Keep the store as it is, and bring a backup back beside it: \
         tankside restore BACKUP --database-url sqlite://OTHER",
        report.findings.len()
    );
    ExitCode::FAILURE
}

/// How a store on PostgreSQL is copied. The address may hold a password, so it is not printed.
fn postgres_backup(file: &Path) -> String {
    let quoted = quoted(file);
    format!(
        "No backup was made here: the book is on PostgreSQL, whose own tools copy it while the service runs.\n\
         With the database's address in TANKSIDE_DATABASE_URL:\n\n    \
         pg_dump --format=custom --file={quoted} --dbname=\"$TANKSIDE_DATABASE_URL\"\n\n\
         A backup is good when it was brought back once and adds up:\n\n{}",
        restoring(&quoted)
    )
}

/// How a store on PostgreSQL is brought back.
fn postgres_restore(file: &Path) -> String {
    format!(
        "Nothing was restored here: the book is on PostgreSQL, whose own tools bring it back into a new, empty \
         database.\nMake one, put its address in NEW_DATABASE_URL, and then:\n\n{}",
        restoring(&quoted(file))
    )
}

fn restoring(file: &str) -> String {
    format!(
        "    pg_restore --exit-on-error --no-owner --dbname=\"$NEW_DATABASE_URL\" {file}\n    \
         tankside verify --database-url \"$NEW_DATABASE_URL\"\n"
    )
}

/// A path as a shell reads it.
fn quoted(path: &Path) -> String {
    format!("'{}'", path.display().to_string().replace('\'', r"'\''"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_is_quoted_for_the_shell() {
        assert_eq!(quoted(Path::new("/srv/farm's book.dump")), r"'/srv/farm'\''s book.dump'");
    }
}
