//! What was done for each owner, with prices.

use axum::{
    body::Body,
    extract::State,
    http::{HeaderValue, header},
    response::{IntoResponse as _, Response},
};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    domain::{
        reports::charges::{ChargeLine, ChargeTotal, ChargeTotals, ChargedService, Charges},
        values::{BusinessId, HerdId, Timestamp},
    },
    form,
    http::{
        App,
        docs::Problems,
        extract::{Permit, Read},
        page::{Listing, Page, PageParams},
        problem::Problem,
        reports::{
            query::{ReportFormat, span},
            written,
        },
        table,
    },
    store::{self, Db, reports::charges},
};

form! {
    /// Of which time and which owner.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct ChargesFilter {
        /// Only inseminations at this moment or later.
        pub from: Option<Timestamp>,
        /// Only inseminations before this moment.
        pub to: Option<Timestamp>,
        /// Only of this owner's herd.
        pub herd_id: Option<HerdId>,
        /// `csv` for the whole of it in one file; else a page of JSON.
        #[param(inline)]
        pub format: Option<ReportFormat>,
    }
}

/// A page of what was done, with what all of it comes to.
#[derive(Serialize, ToSchema)]
pub struct ChargeReport {
    #[allow(missing_docs)]
    #[serde(flatten)]
    page: Page<ChargeLine>,
    /// What all lines of each owner come to, by currency; null on the pages after the first.
    totals: Option<Vec<ChargeTotal>>,
}

/// What was done.
#[utoipa::path(get, path = "/v1/reports/charges", operation_id = "get_charges", tag = "Reports",
    summary = "Get charges",
    description = "A line for each visit (the first service of a technician at a herd on a day), each service (the first insemination of \
        a heat) and the straws of each insemination, by owner, in the order of time. A straw costs what the price list says, else \
        what its lot cost; the herd's own straws (of a lot that is its own, or out of its own tank and nobody else's) cost nothing. \
        Natural matings, embryo transfers and what was entered by mistake are not charged. These are lines for a bill, no bill: tax, \
        numbering and keeping of invoices are for your accounts.",
    params(PageParams, ChargesFilter),
    responses(
        (status = 200, description = "A page of the lines.", content(
            (ChargeReport = "application/json"), (String = "text/csv"))),
        Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read>,
    listing: Listing<ChargesFilter>,
) -> Result<Response, Problem> {
    let ChargesFilter { from, to, herd_id, format } = listing.filter;
    let (from, to) = store::whole_span(from, to);
    let within = span(from, to)?;
    let business = caller.business_id;
    if format == Some(ReportFormat::Csv) {
        return csv(Reading {
            db: app.book.db.clone(),
            business,
            within,
            herd_id,
            at: None,
            charges: None,
            begun: false,
        })
        .await;
    }
    let (after, limit) = listing.by_time_id_and_part()?;
    let mut tx = app.book.db.read().await?;
    let prices = charges::price_list(&mut tx, business).await?;
    let totals = if after.is_none() {
        let (mut all, mut totals) = (Charges::new(prices.clone()), ChargeTotals::default());
        let add = |row: ChargedService| all.lines(&row).iter().for_each(|line| totals.add(line));
        charges::each(&mut tx, business, within, herd_id, add).await?;
        Some(totals.told())
    } else {
        None
    };
    let at = after.map(|(at, id, _)| (at, id));
    let rows = charges::page(&mut tx, business, within, herd_id, at, limit + 1).await?;
    drop(tx);
    let mut all = Charges::new(prices);
    let lines = rows.iter().flat_map(|row| {
        let (at, id) = (row.served_at, row.id.0);
        all.lines(row).into_iter().map(move |line| ((at, id, line.kind.part()), line))
    });
    let wanted = lines.filter(|(place, _)| after.is_none_or(|after| *place > after));
    let wanted: Vec<_> = wanted.take(usize::try_from(limit).unwrap_or(usize::MAX)).collect();
    let page = listing.page(wanted, |((at, id, part), _)| format!("{at} {id} {part}")).map(|(_, line)| line);
    let next = page.next_cursor.clone();
    Ok(listing.answer(next.as_deref(), ChargeReport { page, totals }))
}

const COLUMNS: [&str; 21] = [
    "id",
    "kind",
    "herd_id",
    "herd_name",
    "occurred_at",
    "on",
    "technician",
    "service_id",
    "animal_id",
    "animal_number",
    "service_number",
    "rank",
    "lot_id",
    "batch",
    "sire_name",
    "semen_type",
    "quantity",
    "price_minor",
    "amount_minor",
    "currency",
    "price_source",
];

fn cells(line: &ChargeLine) -> Vec<String> {
    use written::told;
    vec![
        line.id.clone(),
        line.kind.to_string(),
        line.herd_id.to_string(),
        line.herd_name.to_string(),
        line.occurred_at.to_string(),
        line.on.to_string(),
        told(line.technician.as_ref()),
        line.service_id.to_string(),
        told(line.animal_id),
        told(line.animal_number.as_ref()),
        told(line.service_number),
        told(line.rank),
        told(line.lot_id),
        told(line.batch.as_ref()),
        told(line.sire_name.as_ref()),
        told(line.semen_type),
        line.quantity.to_string(),
        told(line.price_minor),
        told(line.amount_minor),
        told(line.currency.as_ref()),
        line.price_source.to_string(),
    ]
}

/// Inseminations that are read in one transaction.
const PIECE: i64 = 500;

/// The whole of it being written: read in pieces, each in a transaction of its own, so that neither the memory nor a
/// transaction grows with it, however slowly it is fetched.
struct Reading {
    db: Db,
    business: BusinessId,
    within: (Timestamp, Timestamp),
    herd_id: Option<HerdId>,
    at: Option<(Timestamp, Uuid)>,
    charges: Option<Charges>,
    begun: bool,
}

impl Reading {
    /// The next piece; nothing when there is no more.
    async fn next(&mut self) -> store::Result<Option<Vec<u8>>> {
        let mut tx = self.db.read().await?;
        let mut all = match self.charges.take() {
            Some(charges) => charges,
            None => Charges::new(charges::price_list(&mut tx, self.business).await?),
        };
        let rows =
            charges::page(&mut tx, self.business, self.within, self.herd_id, self.at, PIECE + 1).await?;
        drop(tx);
        let new = rows.iter().filter(|row| self.at.is_none_or(|at| (row.served_at, row.id.0) > at));
        let lines: Vec<_> = new.flat_map(|row| all.lines(row)).map(|line| cells(&line)).collect();
        let last = rows
            .last()
            .filter(|row| self.at.is_none_or(|at| (row.served_at, row.id.0) > at))
            .map(|row| (row.served_at, row.id.0));
        self.charges = Some(all);
        if self.begun && last.is_none() {
            return Ok(None);
        }
        let columns = (!self.begun).then_some(&COLUMNS[..]);
        self.begun = true;
        self.at = last.or(self.at);
        Ok(Some(table::table(columns, lines)))
    }
}

async fn csv(mut reading: Reading) -> Result<Response, Problem> {
    // The first piece is read before, so that a store that fails is a problem document still.
    let first = reading.next().await?;
    let pieces = futures_util::stream::try_unfold((first, reading), |(first, mut reading)| async move {
        let piece = match first {
            Some(first) => Some(first),
            None => {
                reading.next().await.inspect_err(|error| tracing::error!(%error, "a report broke off"))?
            }
        };
        Ok::<_, store::Error>(piece.map(|piece| (piece, (None, reading))))
    });
    let mut response = Body::from_stream(pieces).into_response();
    let own = response.headers_mut();
    own.insert(header::CONTENT_TYPE, HeaderValue::from_static(table::CSV));
    own.insert(header::CONTENT_DISPOSITION, HeaderValue::from_static("attachment; filename=\"charges.csv\""));
    Ok(response)
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list))
}
