//! A straw's way out of the tank: withdrawn, thawed, discarded.

use axum::{Json, extract::State, response::Response};
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{
        Caller,
        command::{On, StoredResponse},
    },
    domain::{
        cautions,
        straws::{
            discard_withdrawn::NewDiscardOfWithdrawn,
            start_thaw::NewThaw,
            withdraw::NewWithdrawal,
            withdrawal::{Withdrawal, WithdrawalState},
        },
        values::{AnimalId, HerdId, LotId, SireId, Technician, Timestamp, WithdrawalId},
    },
    form,
    http::{
        App,
        access::limits::Within,
        animals::next_service::Query,
        answer::{WithCautions, created, done as answered},
        docs::{IdempotencyKeyRequired, Problems},
        extract::{Id, LedgerRequest, Permit, Read},
        page::{Includes, Listing, Page, PageParams},
        problem::Problem,
    },
    store::{
        self,
        straws::withdrawal_list::{self, Wanted},
    },
    text_enum,
};

/// A straw leaves the tank.
#[utoipa::path(post, path = "/v1/withdrawals", operation_id = "create_withdrawal", tag = "Withdrawals",
    summary = "Withdraw a straw for an animal",
    description = "Enforces the herd's rules: refused with 409 `choice-rule`, `animal-pregnant`, `do-not-breed`, `kinship`, \
        `lot-not-usable`, `too-young` or `animal-left`, saying what is allowed and where it hangs, unless `override` sets that \
        aside; refused with 409 `not-in-stock` when so many straws do not hang there, saying where else they do. With \
        `already_done` nothing of that refuses it, whoever tells it: it becomes a deviation and an alert, and straws that the \
        book did not have there are entered as found. A straw of a lot with another owner is refused with `not-yours`, one \
        under a hold with `on-hold`, one that says something else than the book (`straw_read`) with `straw-mismatch`.",
    request_body(content = NewWithdrawal, examples(
        ("of a sire" = (summary = "Of a sire: the oldest collection that the rule allows", value = json!({
            "animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "sire_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b03a",
            "technician": "T. Example"}))),
        ("of a lot" = (summary = "Of a lot", value = json!({
            "animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "lot_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b01a"}))),
        ("against the rule" = (summary = "Against the rule, with a manager's key", value = json!({
            "animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "sire_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b03a",
            "semen_type": "conventional",
            "override": {"reason": "Owner wants a beef calf; agreed by telephone."}}))))),
    params(IdempotencyKeyRequired),
    responses(
        (status = 201, description = "The straw is out; how to thaw it stands in the answer.", body = WithCautions<Withdrawal>,
         headers(("Location" = String, description = "The withdrawal."))),
        Problems))]
async fn withdraw(
    State(app): State<App>,
    command: LedgerRequest<NewWithdrawal, Within>,
) -> Result<Response, Problem> {
    let new = command.body.clone();
    app.perform(command, new, |withdrawal| withdrawn(&withdrawal)).await
}

/// How a withdrawal just made is answered.
pub fn withdrawn(withdrawal: &Withdrawal) -> serde_json::Result<StoredResponse> {
    let cautions = cautions::withdrawal(withdrawal.lot.details.straw_ml);
    created(format!("/v1/withdrawals/{}", withdrawal.id), &WithCautions { done: withdrawal, cautions })
}

/// A straw goes into the bath.
#[utoipa::path(post, path = "/v1/withdrawals/{id}/thaw", operation_id = "thaw_withdrawal", tag = "Withdrawals",
    summary = "Start the thaw of a withdrawn straw",
    description = "Refused with 422 `bath-too-hot` or `bath-too-cold` outside the protocol's range, saying what to do; with the \
        bath's volume and the temperature of the water at hand it says how many millilitres. With `already_done` it is kept as \
        a deviation. Otherwise answers from when \
        (`ready_at`) and until when (`use_by`) to use the straw. The supplier's printed instruction overrides any default.",
    request_body(content = NewThaw, example = json!({
        "bath_temp_c": 35.6, "bath_volume_ml": 1000, "water_temp_c": 12.0})),
    params(("id" = uuid::Uuid, Path, description = "The withdrawal."), IdempotencyKeyRequired),
    responses((status = 200, description = "The straw is thawing.", body = WithCautions<Withdrawal>), Problems))]
async fn thaw(
    State(app): State<App>,
    Id(id): Id,
    command: LedgerRequest<NewThaw, Within>,
) -> Result<Response, Problem> {
    let thaw = On { id: WithdrawalId(id), command: command.body.clone() };
    app.perform(command, thaw, |withdrawal| thawing(&withdrawal)).await
}

/// How a thaw just begun is answered.
pub fn thawing(done: &Withdrawal) -> serde_json::Result<StoredResponse> {
    answered(&WithCautions { done, cautions: cautions::THAW })
}

/// A withdrawn straw is thrown away.
#[utoipa::path(post, path = "/v1/withdrawals/{id}/discard", operation_id = "discard_withdrawal", tag = "Withdrawals",
    summary = "Discard a withdrawn straw",
    description = "The straw was not used; no service is counted. A thawed straw is never frozen again.",
    request_body(content = NewDiscardOfWithdrawn, example = json!({
        "reason": "thawed_not_used", "technician": "T. Example"})),
    params(("id" = uuid::Uuid, Path, description = "The withdrawal."), IdempotencyKeyRequired),
    responses((status = 200, description = "Accounted for.", body = WithCautions<Withdrawal>), Problems))]
async fn discard(
    State(app): State<App>,
    Id(id): Id,
    command: LedgerRequest<NewDiscardOfWithdrawn, Within>,
) -> Result<Response, Problem> {
    let discard = On { id: WithdrawalId(id), command: command.body.clone() };
    app.perform(command, discard, |withdrawal| discarded(&withdrawal)).await
}

/// How a straw just thrown away is answered.
pub fn discarded(done: &Withdrawal) -> serde_json::Result<StoredResponse> {
    answered(&WithCautions { done, cautions: cautions::DISCARD })
}

text_enum! {
    /// What a withdrawal is told with.
    WithdrawalInclude {
        /// The animal, with her official names.
        Animal = "animal",
    }
}

form! {
    /// What a withdrawal is told with.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct WithdrawalBeside {
        /// What to show besides. The service that it became: `GET /v1/services` with `include=withdrawal`.
        #[param(value_type = Vec<WithdrawalInclude>, inline, required = false, style = Form, explode = false, max_items = 1)]
        pub include: Includes<WithdrawalInclude>,
    }
}

form! {
    /// Which withdrawals a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct WithdrawalFilter {
        /// Only for this animal.
        pub animal_id: Option<AnimalId>,
        /// Only those that are neither served nor discarded.
        #[param(required = false)]
        pub unresolved: bool = false,
        /// Only in this state.
        #[param(inline)]
        pub state: Option<WithdrawalState>,
        /// Only for animals of this herd.
        pub herd_id: Option<HerdId>,
        /// Only of this lot.
        pub lot_id: Option<LotId>,
        /// Only of this sire.
        pub sire_id: Option<SireId>,
        /// Only by this technician.
        pub technician: Option<Technician>,
        /// Only what happened at this moment or later.
        pub from: Option<Timestamp>,
        /// Only what happened before this moment.
        pub to: Option<Timestamp>,
        /// What to show besides. The service that it became: `GET /v1/services` with `include=withdrawal`.
        #[param(value_type = Vec<WithdrawalInclude>, inline, required = false, style = Form, explode = false, max_items = 1)]
        pub include: Includes<WithdrawalInclude>,
    }
}

/// The withdrawal as it is at `now`; without its animal where she is of a herd by now that the caller's key is not good for.
fn shown(mut withdrawal: Withdrawal, caller: &Caller, now: Timestamp) -> Withdrawal {
    withdrawal.animal.take_if(|animal| !caller.may_see(animal.as_ref()));
    withdrawal.at(now)
}

/// Withdrawals.
#[utoipa::path(get, path = "/v1/withdrawals", operation_id = "list_withdrawals", tag = "Withdrawals",
    summary = "List withdrawals",
    description = "A page at a time, by no more statements of the database with `include` than without. With `include=animal` each has \
        her record beside it.",
    params(PageParams, WithdrawalFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<Withdrawal>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    listing: Listing<WithdrawalFilter>,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let f = &listing.filter;
    let wanted = Wanted {
        animal: f.animal_id,
        unresolved: f.unresolved,
        state: f.state,
        herd: caller.leading_herd(f.herd_id),
        lot: f.lot_id,
        sire: f.sire_id,
        technician: f.technician.clone(),
        from: f.from,
        to: f.to,
        beside: f.include.any(),
    };
    let rows = withdrawal_list::list(&mut tx, caller.business_id, &wanted, listing.by_id()?).await?;
    let now = app.book.clock.now();
    let rows = rows.into_iter().map(|withdrawal| shown(withdrawal, &caller, now)).collect();
    let place = |withdrawal: &Withdrawal| withdrawal.id.to_string();
    Ok(listing.list_within(rows, place, |withdrawal| caller.may_see(withdrawal)))
}

/// One withdrawal.
#[utoipa::path(get, path = "/v1/withdrawals/{id}", operation_id = "get_withdrawal", tag = "Withdrawals",
    summary = "Get a withdrawal",
    params(("id" = uuid::Uuid, Path, description = "Its id."), WithdrawalBeside),
    responses((status = 200, description = "As it stands.", body = Withdrawal), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    Id(id): Id,
    Query(asked): Query<WithdrawalBeside>,
) -> Result<Json<Withdrawal>, Problem> {
    let mut tx = app.book.db.read().await?;
    let (business, withdrawal) = (caller.business_id, WithdrawalId(id));
    let found = if asked.include.any() {
        store::straws::withdrawal::find_beside(&mut tx, business, withdrawal).await?
    } else {
        store::straws::withdrawal::find(&mut tx, business, withdrawal).await?
    };
    let found = found.ok_or_else(|| Problem::not_there("withdrawal", id))?;
    Ok(Json(shown(found, &caller, app.book.clock.now())))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list, withdraw))
        .routes(routes!(read))
        .routes(routes!(thaw))
        .routes(routes!(discard))
}
