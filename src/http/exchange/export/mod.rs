//! A list taken out whole, as CSV or NDJSON.
//!
//! It is read in pieces, each in a transaction of its own, and sent as it is read: neither the memory nor
//! a transaction that hinders the store's checkpoints grows with the list, however slowly it is fetched.
//!
//! - [`ExportList`], [`ExportFormat`], [`Export`]: what is taken out, how, and the pieces of it; the command uses these too
//! - [`rows`]: the items, as the JSON lists show them
//! - [`columns`]: where the cells of a CSV line are found in an item

pub mod columns;
mod rows;

use std::fmt::Write as _;

use axum::{
    body::Body,
    extract::{FromRequestParts, Path, State, rejection::PathRejection},
    http::{HeaderMap, HeaderValue, header, request::Parts},
    response::{IntoResponse, Response},
};
use csv::{Terminator, WriterBuilder};
use serde_json::Value;
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    clock::Clock,
    domain::values::{BusinessId, Timestamp},
    form,
    http::{
        App,
        docs::Problems,
        extract::{Manage, Permission as _, Permit, Read},
        page::{query, read_query},
        problem::{Kind, Problem},
    },
    store::{self, Db},
    text_enum,
};

text_enum! {
    /// A list that can be taken out.
    ExportList {
        /// Herds.
        Herds = "herds",
        /// Tanks.
        Tanks = "tanks",
        /// Sires.
        Sires = "sires",
        /// Lots.
        Lots = "lots",
        /// Animals.
        Animals = "animals",
        /// What hangs where.
        Stock = "stock",
        /// The ledger.
        Movements = "movements",
        /// Withdrawals.
        Withdrawals = "withdrawals",
        /// Services.
        Services = "services",
        /// Heats.
        Heats = "heats",
        /// Pregnancy checks.
        PregnancyChecks = "pregnancy-checks",
        /// Calvings.
        Calvings = "calvings",
        /// Abortions.
        Abortions = "abortions",
        /// Decisions whether animals may be bred.
        DoNotBreed = "do-not-breed",
        /// What is planned for animals, a line for each choice.
        MatingPlans = "mating-plans",
        /// Stocktakes.
        Stocktakes = "stocktakes",
        /// Holds, open and lifted.
        Holds = "holds",
        /// Consignments.
        Consignments = "consignments",
        /// The register of straws that came and went.
        Register = "register",
        /// Farms that asked for the technician.
        Requests = "requests",
        /// Timed protocols.
        TimedProtocols = "timed-protocols",
        /// Animals for whom timed protocols began.
        ProtocolStarts = "protocol-starts",
        /// Readings of the nitrogen in all tanks.
        NitrogenReadings = "nitrogen-readings",
        /// Refills of all tanks.
        Refills = "refills",
        /// Repairs and replacements of all tanks.
        Repairs = "repairs",
        /// Alerts, open and over.
        Alerts = "alerts",
        /// Of what one wants to be told.
        AlertRules = "alert-rules",
        /// What herd systems told.
        AdeItems = "ade-items",
        /// Who did what; for managers.
        Audit = "audit",
    }
}

text_enum! {
    /// How a list is written.
    ExportFormat {
        /// Comma-separated values (RFC 4180), with a header.
        Csv = "csv",
        /// A JSON object a line, as the JSON list shows it.
        Ndjson = "ndjson",
    }
}

impl ExportFormat {
    /// Its media type.
    const fn media(self) -> &'static str {
        match self {
            Self::Csv => "text/csv; charset=utf-8; header=present",
            Self::Ndjson => "application/x-ndjson",
        }
    }
}

/// A list being taken out.
pub struct Export {
    db: Db,
    clock: Clock,
    business: BusinessId,
    list: ExportList,
    format: ExportFormat,
    progress: rows::Progress,
    begun: bool,
}

impl Export {
    /// Begins to take out a list of `business`.
    pub fn new(db: Db, clock: Clock, business: BusinessId, list: ExportList, format: ExportFormat) -> Self {
        Self { db, clock, business, list, format, progress: rows::Progress::default(), begun: false }
    }

    /// The same of what happened from `from` on and before `to`, where the list asks for that.
    #[must_use]
    pub fn between(mut self, from: Option<Timestamp>, to: Option<Timestamp>) -> Self {
        self.progress.span = (from, to);
        self
    }

    /// The next piece; `None` when there is no more.
    ///
    /// # Errors
    /// The store fails; what was given so far is not the whole list.
    pub async fn next(&mut self) -> store::Result<Option<Vec<u8>>> {
        if self.progress.finished {
            return Ok(None);
        }
        let mut tx = self.db.read().await?;
        let items = self.progress.read_on(&mut tx, self.business, self.list, self.clock.now()).await?;
        drop(tx);
        let written = match self.format {
            ExportFormat::Csv => self.csv(&items),
            ExportFormat::Ndjson => {
                let mut lines = String::new();
                for item in &items {
                    let _ = writeln!(lines, "{item}");
                }
                Ok(lines.into_bytes())
            }
        };
        self.begun = true;
        written
            .map(Some)
            .map_err(|error| store::Error::Unusable(format!("a record cannot be written: {error}")))
    }

    fn csv(&self, items: &[Value]) -> csv::Result<Vec<u8>> {
        let columns = self.list.columns();
        let mut csv = WriterBuilder::new().terminator(Terminator::CRLF).from_writer(Vec::new());
        if !self.begun {
            csv.write_record(columns.iter().map(|(name, _)| name))?;
        }
        for item in items {
            csv.write_record(columns.iter().map(|(_, pointer)| columns::told(item.pointer(pointer))))?;
        }
        csv.into_inner().map_err(|error| error.into_error().into())
    }
}

form! {
    /// How it is written.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct ExportQuery {
        /// How the list is written. When it is not said, as `Accept` asks: `text/csv` or `application/x-ndjson`; else CSV.
        #[param(inline)]
        pub format: Option<ExportFormat>,
    }
}

impl FromRequestParts<App> for ExportQuery {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        read_query(query(parts)?)
    }
}

/// The format that a client would rather have, where the query does not say.
fn accepted(headers: &HeaderMap) -> ExportFormat {
    let accepts = headers.get_all(header::ACCEPT).iter().filter_map(|value| value.to_str().ok());
    let mut named = accepts.flat_map(|value| value.split(',')).filter_map(|range| {
        match range.split(';').next().unwrap_or_default().trim().to_ascii_lowercase().as_str() {
            "application/x-ndjson" => Some(ExportFormat::Ndjson),
            "text/csv" => Some(ExportFormat::Csv),
            _ => None,
        }
    });
    named.next().unwrap_or(ExportFormat::Csv)
}

/// A whole list.
#[utoipa::path(get, path = "/v1/exports/{list}", operation_id = "export_list", tag = "Business",
    summary = "Export a list",
    description = "Streams every item of a list, oldest entry first. NDJSON has the items of the JSON list, one a line. CSV has a \
        header; a column is called as the member, what has members or elements is written as JSON in one cell, and a cell that a \
        spreadsheet would take for a formula begins with an apostrophe. Items that are there when it begins come once each; the \
        stock is told as it was at that moment. An answer that breaks off, without its last chunk, is not the whole list.",
    params(("list" = inline(ExportList), Path, description = "Which list."), ExportQuery),
    responses(
        (status = 200, description = "The list.", content(
            (String = "text/csv"), (String = "application/x-ndjson"))),
        Problems))]
async fn export(
    State(app): State<App>,
    caller: Permit<Read>,
    list: Result<Path<String>, PathRejection>,
    asked: ExportQuery,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let named = list.map(|Path(name)| name).unwrap_or_default();
    let list = ExportList::parse(&named)
        .map_err(|wrong| Problem::new(Kind::NotFound, format!("The list in the path {wrong}.")))?;
    if list == ExportList::Audit && !Manage::allows(caller.role) {
        let detail = format!("A {}'s key may not see the audit; a manager's key may.", caller.role);
        return Err(Problem::new(Kind::Forbidden, detail));
    }
    let format = asked.format.unwrap_or_else(|| accepted(&headers));
    let (db, clock) = (app.book.db.clone(), app.book.clock.clone());
    let mut response = stream(Export::new(db, clock, caller.business_id, list, format)).await?;
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept"));
    Ok(response)
}

/// A list as it is read.
///
/// # Errors
/// The store fails before anything is sent: the first piece is read before, so that this is a problem document still.
pub async fn stream(mut export: Export) -> Result<Response, Problem> {
    let (list, format) = (export.list, export.format);
    let first = export.next().await?;
    let pieces = futures_util::stream::try_unfold((first, export), |(first, mut export)| async move {
        let piece = match first {
            Some(first) => Some(first),
            None => {
                export.next().await.inspect_err(|error| tracing::error!(%error, "an export broke off"))?
            }
        };
        Ok::<_, store::Error>(piece.map(|piece| (piece, (None, export))))
    });
    let name = format!("attachment; filename=\"{list}.{format}\"");
    let mut response = Body::from_stream(pieces).into_response();
    let told = response.headers_mut();
    told.insert(header::CONTENT_TYPE, HeaderValue::from_static(format.media()));
    if let Ok(name) = HeaderValue::try_from(name) {
        told.insert(header::CONTENT_DISPOSITION, name);
    }
    Ok(response)
}

/// The route with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(export))
}
