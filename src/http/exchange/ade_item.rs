//! What herd systems sent: to look at, and to settle what a person must decide.

use axum::{Json, extract::State, response::Response};
use serde::Serialize;
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    book::exchange::resolve::{Decision, Settle},
    domain::{
        exchange::ade::{Flag, ItemKind, Resolution},
        form::{Fault, InputPath},
        straws::place::Place,
        values::{AdeItemId, AnimalId, HerdId, LotId, Note, Source, Timestamp, WithdrawalId},
    },
    form,
    http::{
        App,
        answer::done,
        docs::{IdempotencyKeyRequired, Problems},
        extract::{Id, LedgerRequest, Permit, Read},
        page::{Listing, Page, PageParams},
        problem::{Kind, Problem},
    },
    store::{self, exchange::ade_item::Item},
};

form! {
    /// Which items a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct ItemFilter {
        /// Only of this herd.
        pub herd_id: Option<HerdId>,
        /// Only of this animal.
        pub animal_id: Option<AnimalId>,
        /// True: only those that a person still has to look at.
        pub flagged: Option<bool>,
    }
}

/// Something that a herd system sent.
#[derive(Serialize, ToSchema)]
pub struct ItemView {
    /// Its id.
    id: AdeItemId,
    /// The herd at whose location it was sent.
    herd_id: HerdId,
    /// What kind of thing.
    kind: ItemKind,
    /// Who sent it (`meta.source`).
    source: Source,
    /// The sender's name for it (`meta.sourceId`).
    source_id: Source,
    /// When it last changed over there (`meta.modified`).
    modified: Option<Timestamp>,
    /// The sender took it back.
    deleted: bool,
    /// The animal.
    animal_id: Option<AnimalId>,
    /// When it happened.
    happened_at: Option<Timestamp>,
    /// Whether a person still has to look at it.
    flagged: bool,
    /// Why.
    flag: Option<Flag>,
    /// The same in words.
    #[schema(max_length = 1000)]
    flag_text: Option<String>,
    /// What a person decided.
    resolution: Option<Resolution>,
    /// When.
    resolved_at: Option<Timestamp>,
    /// What the person remarked.
    note: Option<Note>,
    /// What it is in the book: the id of a service, a heat, an animal and so on; null where it counts for nothing.
    subject_id: Option<Uuid>,
    /// As it was sent: what the standard defines of it.
    #[schema(value_type = Object)]
    resource: Value,
    /// When it first came.
    recorded_at: Timestamp,
}

impl From<Item> for ItemView {
    fn from(item: Item) -> Self {
        Self {
            flagged: item.is_open() && !item.deleted,
            id: item.id,
            herd_id: item.herd_id,
            kind: item.kind,
            source: item.source,
            source_id: item.source_id,
            modified: item.modified,
            deleted: item.deleted,
            animal_id: item.animal_id,
            happened_at: item.happened_at,
            flag: item.flag,
            flag_text: item.flag_text,
            resolution: item.resolution,
            resolved_at: item.resolved_at,
            note: item.note,
            subject_id: item.subject_id,
            resource: item.resource.0,
            recorded_at: item.recorded_at,
        }
    }
}

/// The items.
#[utoipa::path(get, path = "/v1/ade-items", operation_id = "list_ade_items", tag = "Herd software",
    summary = "List items sent by herd software",
    description = "With `flagged=true` what a person has to look at: an insemination whose straw is not certain, or that may be on \
        record already. Nothing is guessed: until it is settled the stock stays as it is.",
    params(PageParams, ItemFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<ItemView>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read>,
    listing: Listing<ItemFilter>,
) -> Result<Response, Problem> {
    let filter = &listing.filter;
    let wanted = store::exchange::ade_item::FlagFilter {
        herd: filter.herd_id,
        animal: filter.animal_id,
        flagged: filter.flagged.unwrap_or(false),
    };
    let mut tx = app.book.db.read().await?;
    let rows = store::exchange::ade_item::list(&mut tx, caller.business_id, wanted, listing.by_id()?).await?;
    Ok(listing.list(rows, |item| item.id.to_string(), ItemView::from))
}

/// One item.
#[utoipa::path(get, path = "/v1/ade-items/{id}", operation_id = "get_ade_item", tag = "Herd software",
    summary = "Get an item sent by herd software",
    params(("id" = Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = ItemView), Problems))]
async fn read(State(app): State<App>, caller: Permit<Read>, Id(id): Id) -> Result<Json<ItemView>, Problem> {
    let mut tx = app.book.db.read().await?;
    let item = store::exchange::ade_item::find(&mut tx, caller.business_id, AdeItemId(id)).await?;
    let item = item.ok_or_else(|| Problem::not_there("item", id))?;
    Ok(Json(item.into()))
}

form! {
    /// What a flagged item was.
    #[derive(Clone, ToSchema)]
    pub struct NewResolution, check NewResolution::check {
        /// `straw`: a straw of `lot_id` was used, and leaves the stock now. `withdrawal`: it was the straw of
        /// `withdrawal_id`. `no_straw`: she was inseminated with a straw that never was in this book. `dismiss`: the
        /// book is right as it stands.
        pub resolution: Resolution,
        /// With `straw`: its lot.
        pub lot_id: Option<LotId>,
        /// With `straw`: where it hung; may be left out when the lot hangs at one place only.
        pub place: Option<Place>,
        /// With `withdrawal`: which.
        pub withdrawal_id: Option<WithdrawalId>,
        /// A remark.
        pub note: Option<Note>,
    }
}

impl NewResolution {
    fn check(&self, _: &InputPath, faults: &mut Vec<Fault>) {
        let is = |resolution| self.resolution == resolution;
        for (name, stands, wanted) in [
            ("lot_id", self.lot_id.is_some(), is(Resolution::Straw)),
            ("withdrawal_id", self.withdrawal_id.is_some(), is(Resolution::Withdrawal)),
        ] {
            match (stands, wanted) {
                (true, false) => faults.push(Fault::at(name, "belongs to another resolution")),
                (false, true) => faults.push(Fault::at(name, "is required with this resolution")),
                _ => {}
            }
        }
        if self.place.is_some() && !is(Resolution::Straw) {
            faults.push(Fault::at("place", "belongs to the resolution straw"));
        }
    }

    fn decision(&self) -> Result<Decision, Problem> {
        let missing =
            || Problem::invalid(Kind::InvalidInput, vec![Fault::at("resolution", "is not complete")]);
        Ok(match self.resolution {
            Resolution::Straw => Decision::Straw(self.lot_id.ok_or_else(missing)?, self.place.clone()),
            Resolution::Withdrawal => Decision::Withdrawal(self.withdrawal_id.ok_or_else(missing)?),
            Resolution::NoStraw => Decision::NoStraw,
            Resolution::Dismiss => Decision::Dismiss,
        })
    }
}

/// A flagged item is settled.
#[utoipa::path(post, path = "/v1/ade-items/{id}/resolution", operation_id = "resolve_ade_item", tag = "Herd software",
    summary = "Resolve a flagged item",
    description = "Takes the straw out of the stock that was used, as of the time of the insemination; or says that there is nothing \
        to take. What stood against that straw for that animal goes on record as deviations.",
    request_body(content = NewResolution, example = json!({"resolution": "no_straw", "note": "By another technician."})),
    params(("id" = Uuid, Path, description = "The item."), IdempotencyKeyRequired),
    responses((status = 200, description = "Settled.", body = ItemView), Problems))]
async fn settle(
    State(app): State<App>,
    Id(id): Id,
    command: LedgerRequest<NewResolution>,
) -> Result<Response, Problem> {
    let decision = command.body.decision()?;
    let act = Settle { item_id: AdeItemId(id), decision, note: command.body.note.clone() };
    app.perform(command, act, |item| done(&ItemView::from(item))).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list)).routes(routes!(read)).routes(routes!(settle))
}
