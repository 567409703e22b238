//! Reports: what became of a lot.

use axum::{Json, extract::State};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::straws::lot_trace::{LotTrace, Totals, TracedService, lot_trace},
    domain::{
        animals::history::ServiceResult,
        straws::{lot::Lot, place::Place, sire::SireSummary, stock::Stock, withdrawal::WithdrawalState},
        values::{AnimalId, Code, HerdId, LotId, ServiceId, Straws, Technician, Timestamp, WithdrawalId},
    },
    http::{
        App,
        docs::Problems,
        extract::{Id, Permit, Read},
        problem::Problem,
    },
};

/// A straw out of the tank and not accounted for.
#[derive(Serialize, ToSchema)]
pub struct UnresolvedView {
    /// The withdrawal.
    withdrawal_id: WithdrawalId,
    /// For which animal.
    animal_id: AnimalId,
    /// When it left the tank.
    withdrawn_at: Timestamp,
    /// Who took it.
    technician: Option<Technician>,
    /// How many straws.
    straws: Straws,
    /// Where it is on its way.
    state: WithdrawalState,
}

/// A service with a straw of the lot.
#[derive(Serialize, ToSchema)]
pub struct TracedView {
    /// The service.
    service_id: ServiceId,
    /// The animal.
    animal_id: AnimalId,
    /// Her number in her herd.
    animal_number: Code,
    /// Her herd then.
    herd_id: HerdId,
    /// When.
    served_at: Timestamp,
    /// Which service of hers it was.
    #[schema(minimum = 1)]
    service_number: i64,
    /// Who did it.
    technician: Option<Technician>,
    /// Where the straw hung.
    place: Option<Place>,
    /// How many straws.
    straws: Straws,
    /// When it was found to have been entered by mistake.
    reversed_at: Option<Timestamp>,
    /// What came of it, as far as known.
    result: Option<ServiceResult>,
    /// When that was known.
    result_at: Option<Timestamp>,
}

/// Every straw of a lot.
#[derive(Serialize, ToSchema)]
pub struct LotTraceView {
    /// The lot.
    lot: Lot,
    /// The sire.
    sire: SireSummary,
    /// How many straws came, and where they are.
    totals: Totals,
    /// Where the rest hangs.
    stock: Vec<Stock>,
    /// Out of the tank and not accounted for.
    unresolved: Vec<UnresolvedView>,
    /// Whom they served.
    services: Vec<TracedView>,
}

impl From<LotTrace> for LotTraceView {
    fn from(trace: LotTrace) -> Self {
        Self {
            lot: trace.lot,
            sire: SireSummary::from(&trace.sire),
            totals: trace.totals,
            stock: trace.stock,
            unresolved: trace
                .unresolved
                .into_iter()
                .map(|w| UnresolvedView {
                    withdrawal_id: w.id,
                    animal_id: w.animal_id,
                    withdrawn_at: w.withdrawn_at,
                    technician: w.technician,
                    straws: w.straws,
                    state: w.state,
                })
                .collect(),
            services: trace.services.into_iter().map(TracedView::from).collect(),
        }
    }
}

impl From<TracedService> for TracedView {
    fn from(traced: TracedService) -> Self {
        let s = traced.service;
        Self {
            service_id: s.id,
            animal_id: s.animal_id,
            animal_number: s.animal_number,
            herd_id: s.herd_id,
            served_at: s.served_at,
            service_number: s.service_number,
            technician: s.technician,
            place: s.place,
            straws: s.straws,
            reversed_at: s.reversed_at,
            result: traced.outcome.map(|(outcome, _)| outcome),
            result_at: traced.outcome.map(|(_, when)| when),
        }
    }
}

/// Every straw of a lot.
#[utoipa::path(get, path = "/v1/reports/lot-trace/{id}", operation_id = "get_lot_trace", tag = "Reports",
    summary = "Get the trace of a lot",
    description = "Where the straws are, which animals were served with them, when, by whom, with what result: what a recall asks for.",
    params(("id" = uuid::Uuid, Path, description = "The lot.")),
    responses((status = 200, description = "Every straw.", body = LotTraceView), Problems))]
async fn trace(
    State(app): State<App>,
    caller: Permit<Read>,
    Id(id): Id,
) -> Result<Json<LotTraceView>, Problem> {
    let mut tx = app.book.db.read().await?;
    let trace = lot_trace(&mut tx, caller.business_id, LotId(id)).await?;
    let trace = trace.ok_or_else(|| Problem::not_there("lot", id))?;
    Ok(Json(trace.into()))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(trace))
}
