//! What is planned for an animal.

use axum::{extract::State, http::HeaderMap, response::Response};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{
        animals::mating_plan::{PlanSet, RemoveMatingPlan, SetMatingPlan},
        command::StoredResponse,
    },
    domain::{
        animals::mating_plan::{MatingPlan, NewMatingPlan},
        values::AnimalId,
    },
    http::{
        App,
        access::limits::Within,
        answer::{Tagged, gone},
        docs::{IdempotencyKey, IfMatch, Problems},
        extract::{CommandRequest, DeleteRequest, Id, Optional, Permit, Read, Report},
        problem::{Kind, Problem},
    },
    store,
};

/// A plan that was set, with what to heed.
#[derive(Serialize, ToSchema)]
struct MatingPlanSet {
    #[serde(flatten)]
    plan: Tagged<MatingPlan>,
    /// What to heed: kinship, and sires without straws that may be used. None of it refuses the plan; the rules are asked
    /// when a straw is taken.
    warnings: Vec<String>,
}

/// The plan is set.
#[utoipa::path(put, path = "/v1/animals/{id}/mating-plan", operation_id = "set_mating_plan", tag = "Choosing",
    summary = "Set an animal's mating plan",
    description = "Which sires are wanted for her, first choice first, each for any of her services or for some, of any semen type or \
        of one. The whole plan is replaced; the same once more changes nothing. A plan is advice: straws that it wants come first \
        among those that the rules allow, and who takes another is warned. It refuses nothing and allows nothing.",
    request_body(content = NewMatingPlan, example = json!({"choices": [
        {"sire_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0d1", "semen_type": "sexed_female", "service_number": 1},
        {"sire_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0d2", "from_service": 2}]})),
    params(("id" = uuid::Uuid, Path, description = "The animal."), IdempotencyKey, IfMatch),
    responses(
        (status = 200, description = "It stands in the place of the one that there was.", body = MatingPlanSet,
         headers(("ETag" = String, description = "Its version."))),
        (status = 201, description = "There was none before.", body = MatingPlanSet,
         headers(("Location" = String, description = "Where it is to be found."),
                 ("ETag" = String, description = "Its version."))),
        Problems))]
async fn set(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<NewMatingPlan, Report, Optional, Within>,
) -> Result<Response, Problem> {
    let (new, if_match) = (command.body.clone(), command.if_match.clone());
    let act = SetMatingPlan { animal_id: AnimalId(id), new, if_match };
    app.perform(command, act, |PlanSet { plan, is_new, warnings }| {
        let location = is_new.then(|| format!("/v1/animals/{}/mating-plan", plan.animal_id));
        let plan = MatingPlanSet { plan: Tagged::new(plan)?, warnings };
        let (etag, body) = (Some(plan.plan.etag.clone()), serde_json::to_string(&plan)?);
        Ok(StoredResponse { status: if is_new { 201 } else { 200 }, location, etag, body })
    })
    .await
}

/// The plan.
#[utoipa::path(get, path = "/v1/animals/{id}/mating-plan", operation_id = "get_mating_plan", tag = "Choosing",
    summary = "Get an animal's mating plan",
    description = "404 where nothing is planned for her. What comes of the plan today (where its straws hang, what stands in the way) \
        is under `plan` of her next service.",
    params(("id" = uuid::Uuid, Path, description = "The animal.")),
    responses(
        (status = 200, description = "As it stands.", body = Tagged<MatingPlan>,
         headers(("ETag" = String, description = "Its version."))),
        (status = 304, description = "It is still the version in If-None-Match."),
        Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let found = store::animals::mating_plan::find(&mut tx, caller.business_id, AnimalId(id)).await?;
    let found = found.ok_or_else(|| Problem::not_there("animal", id))?;
    let nothing = || Problem::new(Kind::NotFound, format!("Nothing is planned for the animal {id}."));
    Ok(Tagged::new(found.plan.ok_or_else(nothing)?)?.answer(&headers))
}

/// The plan is taken away.
#[utoipa::path(delete, path = "/v1/animals/{id}/mating-plan", operation_id = "delete_mating_plan", tag = "Choosing",
    summary = "Delete an animal's mating plan",
    description = "Nothing is planned for her then, and the choice is by the herd's rule and the stock alone.",
    params(("id" = uuid::Uuid, Path, description = "The animal."), IdempotencyKey, IfMatch),
    responses((status = 204, description = "Nothing is planned for her, now or before."), Problems))]
async fn remove(
    State(app): State<App>,
    Id(id): Id,
    removal: DeleteRequest<Report, Within>,
) -> Result<Response, Problem> {
    let act = RemoveMatingPlan { animal_id: AnimalId(id), if_match: removal.if_match };
    app.do_for(removal.ask, act, |()| Ok(gone())).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(set, read, remove))
}
