//! What herd systems sent: to look at, and to settle what a person must decide.

use axum::{Json, extract::State, response::Response};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::exchange::resolve::{Decision, Settle},
    domain::{
        exchange::ade::{AdeItem, Resolution},
        form::{Fault, InputPath},
        straws::place::Place,
        values::{AdeItemId, AnimalId, HerdId, LotId, Note, WithdrawalId},
    },
    form,
    http::{
        App,
        access::limits::OfHerds,
        answer::done,
        docs::{IdempotencyKeyRequired, Problems},
        extract::{Id, LedgerRequest, Permit, Read},
        page::{Listing, Page, PageParams},
        problem::{Kind, Problem},
    },
    store,
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

/// The items.
#[utoipa::path(get, path = "/v1/ade-items", operation_id = "list_ade_items", tag = "Herd software",
    summary = "List items sent by herd software",
    description = "With `flagged=true` what a person has to look at: an insemination whose straw or animal is not certain, or that \
        may be on record already. Nothing is guessed: until it is settled the stock stays as it is.",
    params(PageParams, ItemFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<AdeItem>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, OfHerds>,
    listing: Listing<ItemFilter>,
) -> Result<Response, Problem> {
    let filter = &listing.filter;
    let wanted = store::exchange::ade_item::FlagFilter {
        herd: caller.leading_herd(filter.herd_id),
        animal: filter.animal_id,
        flagged: filter.flagged.unwrap_or(false),
    };
    let mut tx = app.book.db.read().await?;
    let rows = store::exchange::ade_item::list(&mut tx, caller.business_id, wanted, listing.by_id()?).await?;
    Ok(listing.list_within(rows, |item| item.id.to_string(), |item| caller.may_see(item)))
}

/// One item.
#[utoipa::path(get, path = "/v1/ade-items/{id}", operation_id = "get_ade_item", tag = "Herd software",
    summary = "Get an item sent by herd software",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = AdeItem), Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, OfHerds>,
    Id(id): Id,
) -> Result<Json<AdeItem>, Problem> {
    let mut tx = app.book.db.read().await?;
    let item = store::exchange::ade_item::find(&mut tx, caller.business_id, AdeItemId(id)).await?;
    let item = item.ok_or_else(|| Problem::not_there("item", id))?;
    Ok(Json(item))
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
        /// Which animal it was, where nobody or several of the herd go by the name told; may be left out when she has
        /// that name by now.
        pub animal_id: Option<AnimalId>,
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
        if self.animal_id.is_some() && is(Resolution::Dismiss) {
            faults.push(Fault::at("animal_id", "belongs to another resolution"));
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
    params(("id" = uuid::Uuid, Path, description = "The item."), IdempotencyKeyRequired),
    responses((status = 200, description = "Settled.", body = AdeItem), Problems))]
async fn settle(
    State(app): State<App>,
    Id(id): Id,
    command: LedgerRequest<NewResolution, OfHerds>,
) -> Result<Response, Problem> {
    let decision = command.body.decision()?;
    let (animal_id, note) = (command.body.animal_id, command.body.note.clone());
    let act = Settle { item_id: AdeItemId(id), decision, animal_id, note };
    app.perform(command, act, |item| done(&item)).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list)).routes(routes!(read)).routes(routes!(settle))
}
