//! The commands that take files in and lists out.

use std::{
    ffi::OsString,
    fs::{self, File},
    io::{self, Read, Write},
    path::{Path, PathBuf},
    process::ExitCode,
};

use anyhow::{Context as _, bail};
use clap::{Args, Subcommand};
use tankside::{
    book::exchange::import::{Failure, Import, Subject, Summary, columns, faults::Faults},
    clock::Clock,
    config::StoreSettings,
    domain::values::BusinessId,
    http::exchange::export::{Export, ExportFormat, ExportList},
    store::{self, Db},
};
use uuid::Uuid;

use crate::cli::status;

#[derive(Subcommand)]
pub enum ImportCommand {
    /// Take in what hangs in the tanks: each line so many straws of one lot at one place
    #[command(after_long_help = columns::told(columns::INVENTORY))]
    Inventory {
        #[command(flatten)]
        file: ImportFile,
        /// The tank of lines that name none, by its name in the book
        #[arg(long, value_name = "NAME")]
        tank: Option<String>,
    },
    /// Take in sires, with straws or without, each with his own sire and his dam's sire where they are known
    #[command(after_long_help = columns::told(columns::SIRES))]
    Sires {
        #[command(flatten)]
        file: ImportFile,
    },
    /// Take in the animals of herds, each with her last calving
    #[command(after_long_help = columns::told(columns::ANIMALS))]
    Animals {
        #[command(flatten)]
        file: ImportFile,
        /// The herd of lines that name none, by its name in the book
        #[arg(long, value_name = "NAME")]
        herd: Option<String>,
    },
    /// Take in what animals were served with so far, by straws that never were in this book
    #[command(after_long_help = columns::told(columns::SERVICES))]
    Services {
        #[command(flatten)]
        file: ImportFile,
        /// The herd of lines that name none, by its name in the book
        #[arg(long, value_name = "NAME")]
        herd: Option<String>,
    },
    /// Take in what is planned for animals: each line one choice. The plans of the animals that a file names are replaced
    #[command(after_long_help = columns::told(columns::MATING_PLANS))]
    MatingPlans {
        #[command(flatten)]
        file: ImportFile,
        /// The herd of lines that name none, by its name in the book
        #[arg(long, value_name = "NAME")]
        herd: Option<String>,
    },
    /// Print an empty file: the header, and a line of invented examples to be written over
    Template {
        /// For what: inventory, sires, animals, services, mating-plans
        #[arg(value_parser = Subject::parse)]
        subject: Subject,
    },
}

#[derive(Args)]
pub struct ImportFile {
    /// A CSV file; - for standard input
    file: PathBuf,
    /// Check everything, name every fault, and write nothing
    #[arg(long)]
    dry_run: bool,
    /// Into whose book; may be left out when there is one business only
    #[arg(long, value_name = "ID")]
    business: Option<Uuid>,
    #[command(flatten)]
    settings: StoreSettings,
}

#[derive(Args)]
pub struct ExportOptions {
    /// Which list: herds, tanks, sires, lots, animals, stock, movements, withdrawals, services, heats,
    /// pregnancy-checks, calvings, abortions, do-not-breed, mating-plans, stocktakes, audit
    #[arg(value_parser = ExportList::parse, hide_possible_values = true)]
    list: ExportList,
    /// How it is written: csv or ndjson
    #[arg(long, default_value = "csv", value_parser = ExportFormat::parse)]
    format: ExportFormat,
    /// Into this file, which is there only once the whole list is in it; else to standard output
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Out of whose book; may be left out when there is one business only
    #[arg(long, value_name = "ID")]
    business: Option<Uuid>,
    #[command(flatten)]
    settings: StoreSettings,
}

/// Takes a file in.
pub async fn import(command: ImportCommand) -> anyhow::Result<ExitCode> {
    let (subject, options, column, given) = match command {
        ImportCommand::Inventory { file, tank } => (Subject::Inventory, file, "tank_name", tank),
        ImportCommand::Sires { file } => (Subject::Sires, file, "name", None),
        ImportCommand::Animals { file, herd } => (Subject::Animals, file, "herd_name", herd),
        ImportCommand::Services { file, herd } => (Subject::Services, file, "herd_name", herd),
        ImportCommand::MatingPlans { file, herd } => (Subject::MatingPlans, file, "herd_name", herd),
        ImportCommand::Template { subject } => {
            print!("{}", columns::template(subject.columns()));
            eprintln!("{}", columns::told(subject.columns()));
            return Ok(ExitCode::SUCCESS);
        }
    };
    let ImportFile { file, dry_run, business, settings } = options;
    let (name, bytes) = opened(&file)?;
    let given: Vec<_> = given.map(|value| (column, value)).into_iter().collect();
    let book = settings.resolve()?;
    // One transaction from the first line to the last would keep a service beside it from writing.
    let db = Db::alone_in(&book).await.context("an import needs the store to itself")?;
    let business = chosen(&db, business).await?;
    let import = Import { business, subject, source: &name, given: &given, dry_run };
    let progress = |rows| eprintln!("{name}: {rows} lines read");
    let outcome = import.run(&db, Clock::system().now(), bytes, progress).await;
    db.close().await;
    match outcome {
        Ok(summary) => {
            println!("{name}: {}", told(&summary, dry_run));
            Ok(ExitCode::SUCCESS)
        }
        Err(Failure::Wrong(faults)) => {
            complain(&name, &faults);
            Ok(ExitCode::from(status::WRONG_FILE))
        }
        Err(Failure::Unusable(why) | Failure::Repeated(why)) => {
            eprintln!("{name}: {why}\nNothing was taken in.");
            Ok(ExitCode::from(status::WRONG_FILE))
        }
        Err(Failure::Store(error @ store::Error::CommitUnknown(_))) => Err(error).context(
            "the file may have been taken in or not; run the same command again: what is in the book already \
             is not taken in twice",
        ),
        Err(Failure::Store(error)) => Err(error).context("nothing was taken in"),
    }
}

fn opened(path: &Path) -> anyhow::Result<(String, Box<dyn Read + Send>)> {
    if path == Path::new("-") {
        return Ok(("standard input".to_owned(), Box::new(io::stdin())));
    }
    let file = File::open(path).with_context(|| format!("{} cannot be read", path.display()))?;
    let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    Ok((name, Box::new(file)))
}

fn complain(name: &str, faults: &Faults) {
    for wrong in faults.shown() {
        eprintln!("{name}: {wrong}");
    }
    if faults.more() > 0 {
        eprintln!("{name}: faults not listed: {}", faults.more());
    }
    eprintln!("Nothing was taken in.");
}

/// What came of a file, in one line.
fn told(summary: &Summary, dry_run: bool) -> String {
    let counts = [
        (summary.rows, "lines read"),
        (summary.straws.unsigned_abs(), "straws received"),
        (summary.sires, "sires entered"),
        (summary.sires_completed, "sires completed"),
        (summary.lots, "lots entered"),
        (summary.animals, "animals entered"),
        (summary.calvings, "calvings entered"),
        (summary.services, "services entered"),
        (summary.mating_plans, "mating plans set"),
        (summary.skipped, "in the book already"),
    ];
    let counts: Vec<_> = counts
        .iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, what)| format!("{what}: {count}"))
        .collect();
    let end = if dry_run { ". Only checked: nothing was written." } else { "." };
    format!("{}{end}", counts.join("; "))
}

/// Takes a list out.
pub async fn export(options: ExportOptions) -> anyhow::Result<ExitCode> {
    let ExportOptions { list, format, output, business, settings } = options;
    let db = Db::open_existing(&settings.resolve()?).await?;
    let business = chosen(&db, business).await?;
    let export = Export::new(db.clone(), Clock::system(), business, list, format);
    match output {
        None => written(export, io::stdout().lock()).await?,
        Some(path) => {
            let mut part = OsString::from(&path);
            part.push(".part");
            let file = store::private::open(Path::new(&part))
                .and_then(|file| file.set_len(0).map(|()| file))
                .with_context(|| format!("{} cannot be written", part.to_string_lossy()))?;
            written(export, &file).await?;
            file.sync_all()?;
            fs::rename(&part, &path).with_context(|| format!("{} cannot be written", path.display()))?;
        }
    }
    db.close().await;
    Ok(ExitCode::SUCCESS)
}

async fn written(mut export: Export, mut to: impl Write) -> anyhow::Result<()> {
    while let Some(piece) = export.next().await? {
        to.write_all(&piece).context("the list cannot be written on")?;
    }
    to.flush().context("the list cannot be written on")
}

/// The business that is meant.
async fn chosen(db: &Db, id: Option<Uuid>) -> anyhow::Result<BusinessId> {
    let businesses = store::access::business::all(&mut db.read().await?).await?;
    match (id, businesses.as_slice()) {
        (Some(id), all) if all.iter().any(|business| business.id.0 == id) => Ok(BusinessId(id)),
        (Some(id), _) => bail!("there is no business {id}; `tankside business list` shows them"),
        (None, [one]) => Ok(one.id),
        (None, []) => bail!("the store has no business yet; `tankside serve` or `business create` makes one"),
        (None, _) => bail!("there are several businesses; say which with --business"),
    }
}
