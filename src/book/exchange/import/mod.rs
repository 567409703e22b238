//! Taking in what a farm or a technician kept elsewhere: what hangs in the tanks, sires, the animals, their
//! services so far. One file, one transaction, all or nothing.
//!
//! - [`columns`]: what a file may hold, for people
//! - [`sheet`], [`line`], [`faults`]: reading it line by line, never the whole; every fault at once
//! - [`register`], [`sires`], [`lots`]: what the book holds already, by the names on paper
//! - [`inventory`], [`bulls`], [`animals`], [`services`], [`plans`]: what becomes of a line
//! - [`noted`]: who took in what, and the same delivery only once
//! - [`while_serving`]: a file that comes over HTTP, as a command among others

mod animals;
mod bulls;
pub mod columns;
pub mod faults;
mod inventory;
mod line;
mod lots;
mod noted;
mod plans;
mod register;
mod services;
mod sheet;
mod sires;
pub mod while_serving;

use crate::{
    book::{
        Caller,
        access::key,
        alerts::alert,
        command::{CommandContext, Touched},
    },
    domain::{
        access::Role,
        rejection::Rejection,
        values::{BusinessId, Name, Timestamp},
    },
    store::{self, Db, Tx},
    text_enum,
};
use std::io::Read;

use columns::Column;
use faults::Faults;
use sheet::Sheet;

text_enum! {
    /// What a file is about.
    Subject {
        /// What hangs in the tanks.
        Inventory = "inventory",
        /// Sires, with straws or without.
        Sires = "sires",
        /// The animals of herds.
        Animals = "animals",
        /// What they were served with so far.
        Services = "services",
        /// What is planned for them.
        MatingPlans = "mating-plans",
    }
}

impl Subject {
    /// The columns of such a file.
    pub const fn columns(self) -> &'static [Column] {
        match self {
            Self::Inventory => columns::INVENTORY,
            Self::Sires => columns::SIRES,
            Self::Animals => columns::ANIMALS,
            Self::Services => columns::SERVICES,
            Self::MatingPlans => columns::MATING_PLANS,
        }
    }
}

/// What came of a file.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, utoipa::ToSchema)]
#[schema(as = ImportSummary)]
pub struct Summary {
    /// Lines read, the header not counted.
    #[schema(minimum = 0)]
    pub rows: u64,
    /// Lines that were in the book already, just so.
    #[schema(minimum = 0)]
    pub skipped: u64,
    /// Straws received.
    #[schema(minimum = 0)]
    pub straws: i64,
    /// Movements written.
    #[schema(minimum = 0)]
    pub receipts: u64,
    /// Sires entered.
    #[schema(minimum = 0)]
    pub sires: u64,
    /// Sires of the book of whom the file knew more: an identifier, the breed, his own sire.
    #[schema(minimum = 0)]
    pub sires_completed: u64,
    /// Lots entered.
    #[schema(minimum = 0)]
    pub lots: u64,
    /// Animals entered.
    #[schema(minimum = 0)]
    pub animals: u64,
    /// Calvings entered.
    #[schema(minimum = 0)]
    pub calvings: u64,
    /// Services entered.
    #[schema(minimum = 0)]
    pub services: u64,
    /// Mating plans set.
    #[schema(minimum = 0)]
    pub mating_plans: u64,
}

/// Why nothing was taken in.
#[derive(Debug)]
pub enum Failure {
    /// Lines are wrong.
    Wrong(Faults),
    /// The file as a whole cannot be used.
    Unusable(String),
    /// It was taken in before, and its straws are in the book.
    Repeated(String),
    /// The store failed.
    Store(store::Error),
}

impl From<store::Error> for Failure {
    fn from(error: store::Error) -> Self {
        Self::Store(error)
    }
}

/// A file to be taken in.
pub struct Import<'n> {
    /// Into whose book.
    pub business: BusinessId,
    /// What it is about.
    pub subject: Subject,
    /// What it is called, to be named as the source of what it brings.
    pub source: &'n str,
    /// What a column says where a line says nothing.
    pub given: &'n [(&'static str, String)],
    /// Whether everything is done but the last step.
    pub dry_run: bool,
}

impl Import<'_> {
    /// Takes in `file`, all of it or nothing; `progress` hears now and then how many lines were read.
    ///
    /// # Errors
    /// See [`Failure`]; then nothing was written, save after [`store::Error::CommitUnknown`].
    pub async fn run(
        &self,
        db: &Db,
        now: Timestamp,
        file: impl Read + Send + 'static,
        progress: impl FnMut(u64),
    ) -> Result<Summary, Failure> {
        let mut tx = db.write().await?;
        let (latest, _) = store::access::business::lock(&mut tx, self.business, now, &[]).await?;
        let caller = self.source_as_caller(&mut tx, now).await?;
        let mut cx =
            CommandContext { tx: &mut tx, caller: &caller, now, latest, touched: Touched::default() };
        let (summary, digest) = self.take_in(&mut cx, file, progress).await?;
        let touched = cx.touched;
        alert::look_at_touched(&mut tx, self.business, now, touched).await?;
        noted::note(&mut tx, &caller, self, &digest, &summary, now).await?;
        if !self.dry_run {
            tx.commit().await?;
        }
        Ok(summary)
    }

    /// Writes what stands in `file`; gives what came of it, and what tells this file from every other.
    async fn take_in(
        &self,
        cx: &mut CommandContext<'_>,
        file: impl Read + Send + 'static,
        progress: impl FnMut(u64),
    ) -> Result<(Summary, String), Failure> {
        let mut sheet = Sheet::open(file, self.subject.columns(), self.given).map_err(Failure::Unusable)?;
        let mut taking = Taking {
            cx: CommandContext {
                tx: &mut *cx.tx,
                caller: cx.caller,
                now: cx.now,
                latest: cx.latest,
                touched: Touched::default(),
            },
            faults: Faults::default(),
            summary: Summary::default(),
            progress,
        };
        match self.subject {
            Subject::Inventory => inventory::take(&mut taking, &mut sheet).await?,
            Subject::Sires => bulls::take(&mut taking, &mut sheet).await?,
            Subject::Animals => animals::take(&mut taking, &mut sheet).await?,
            Subject::Services => services::take(&mut taking, &mut sheet).await?,
            Subject::MatingPlans => plans::take(&mut taking, &mut sheet).await?,
        }
        if !taking.faults.is_empty() {
            return Err(Failure::Wrong(taking.faults));
        }
        let (summary, touched) = (taking.summary, taking.cx.touched);
        cx.touched.merge(touched);
        Ok((summary, sheet.digest()))
    }

    /// Every line of the ledger names the key that wrote it. A file has none, so one is made in its name,
    /// whose secret nobody saw and which is revoked at once.
    async fn source_as_caller(&self, tx: &mut Tx, now: Timestamp) -> Result<Caller, Failure> {
        let plain: String = self.source.chars().filter(|c| !c.is_control()).take(100).collect();
        let name = Name::parse(&format!("Import of {plain}")).map_err(Failure::Unusable)?;
        let (key, _) = key::create(tx, self.business, name, Role::Integration, None, now).await?;
        store::access::key::revoke(tx, key.id, now).await?;
        Ok(Caller { business_id: self.business, key_id: key.id, role: key.role, limits: None })
    }
}

/// A file being taken in.
struct Taking<'t, P> {
    cx: CommandContext<'t>,
    faults: Faults,
    summary: Summary,
    progress: P,
}

/// Lines between two words of progress.
const PROGRESS: u64 = 10_000;

impl<P: FnMut(u64)> Taking<'_, P> {
    fn business(&self) -> BusinessId {
        self.cx.business()
    }

    /// A line was read.
    fn count(&mut self) {
        self.summary.rows += 1;
        if self.summary.rows.is_multiple_of(PROGRESS) {
            (self.progress)(self.summary.rows);
        }
    }

    /// What `checked` gives; a refusal becomes a fault of the line.
    fn heed<T>(&mut self, line: u64, checked: Result<T, Rejection>) -> Option<T> {
        match checked {
            Ok(value) => Some(value),
            Err(Rejection::Invalid(faults)) => {
                for fault in faults {
                    self.faults.of_field(line, &fault);
                }
                None
            }
            Err(other) => {
                self.faults.of_line(line, format!("cannot stand so in the book: {}", other.in_words()));
                None
            }
        }
    }
}
