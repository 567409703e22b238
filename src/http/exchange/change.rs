//! What changed in the book, for integrations that poll.

use axum::{Json, extract::State};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::{
        exchange::change::Change,
        values::{ChangeLimit, ChangeNumber},
    },
    form,
    http::{
        App,
        access::limits::OfHerds,
        animals::next_service::Query,
        docs::Problems,
        extract::{Permit, Read},
        problem::Problem,
    },
    store,
};

form! {
    /// From where on, and how many.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct Since {
        /// The number of the last change that was read; from the beginning when not said.
        #[param(inline, required = false)]
        pub after: ChangeNumber = ChangeNumber::BEGINNING,
        /// At most so many. Default 100.
        #[param(inline, required = false)]
        pub limit: ChangeLimit = ChangeLimit::USUAL,
    }
}

/// A part of the changes.
#[derive(Serialize, ToSchema)]
pub struct ChangeList {
    /// In the order of commits, each thing once, at its last change.
    pub items: Vec<Change>,
    /// Send it as `after` the next time.
    #[schema(minimum = 0)]
    pub next_cursor: i64,
    /// Whether there is more already.
    pub has_more: bool,
}

/// What changed.
#[utoipa::path(get, path = "/v1/changes", operation_id = "list_changes", tag = "Changes",
    summary = "List changes",
    description = "Each thing in the book once, in the order in which their last changes were committed. Keep `next_cursor` and \
        send it as `after` the next time: whatever is written meanwhile, by however many at once, comes once you ask \
        again, and nothing is passed over. What changes again moves to the end with a new number, so the list never \
        grows longer than the book. Ask again at once while `has_more` is true.",
    params(Since),
    responses((status = 200, description = "What changed.", body = ChangeList), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, OfHerds>,
    Query(since): Query<Since>,
) -> Result<Json<ChangeList>, Problem> {
    let (after, limit) = (since.after.get(), since.limit.get());
    let mut tx = app.book.db.read().await?;
    let mut rows = store::exchange::change::list(&mut tx, caller.business_id, after, limit + 1).await?;
    let shown = usize::try_from(limit).unwrap_or(usize::MAX);
    let has_more = rows.len() > shown;
    rows.truncate(shown);
    let next_cursor = rows.last().map_or(after, |last| last.seq);
    rows.retain(|change| caller.may_see(change));
    Ok(Json(ChangeList { items: rows, next_cursor, has_more }))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list))
}
